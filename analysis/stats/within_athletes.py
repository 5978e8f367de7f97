"""Each athlete who showed both techniques compared with themself: exact odds ratio, mean difference, exact test."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy import stats

from analysis.shown import Shown
from analysis.stats.athletes import own_relabellings
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.coherence import error_rate
from analysis.stats.result import (
    Alternative,
    Effect,
    check_alternative,
    check_choice,
    check_level,
    strict_json,
)
from analysis.stats.routines import Routines, two_techniques
from analysis.stats.split_test import FEWEST_DRAWS, HYPERGEOMETRIC, draw_sums
from analysis.stats.splits import Whole, whole_units
from analysis.stats.strata import common_odds_ratio

FEWEST = 3
NOBODY = "no athlete showed both techniques, so no athlete can be compared with themself"
CONSTANT = "all routines lose the same, so the data cannot say how far off the mean difference is"
ASSUMES = "athletes independent; the routines of an athlete exchangeable but for the technique"
METHOD = "exact relabelling within athletes"
LIMITS = "t limits over athletes, two more athletes added at the ends of the scale"


@dataclass(frozen=True)
class Within(Shown):
    """The comparison of athletes with themselves.

    Parameters
    ----------
    athletes : int
        How many showed both techniques.
    informative : int
        How many of them had routines that differ in outcome; only these carry information about an odds ratio.
    routines : int
        Routines of the athletes who showed both.
    odds_ratio : Effect or None
        Exact conditional odds ratio with athletes as strata; None for points, or where nobody showed both.
    difference : Effect or None
        Weighted mean of the athletes' own differences (proportion or points), first minus second; None likewise.
    why : str
        What had to be left out or could not be had.
    """

    athletes: int
    informative: int
    routines: int
    odds_ratio: Effect | None
    difference: Effect | None
    why: str = ""

    def __str__(self) -> str:
        head = f"{self.athletes} athletes showed both techniques, {self.routines} routines"
        lines = [str(effect) for effect in (self.difference, self.odds_ratio) if effect is not None]
        return "\n".join([head + (f" ({self.why})" if self.why else ""), *lines])

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name, as strict JSON values."""
        return {name: strict_json(getattr(self, name)) for name in self.__dataclass_fields__}


def within_athletes(
    outcome: Iterable[Any],
    first: Iterable[bool],
    athlete: Iterable[Hashable],
    level: float = 0.95,
    alternative: Alternative = "two-sided",
    budget: Budget = DEFAULT,
    seed: int = 0,
    kind: Literal["auto", "stuck", "points"] = "auto",
) -> Within:
    """Compare each athlete who showed both techniques with themself; all others are left out.

    Assumes that athletes are independent, and that the routines of one athlete would be exchangeable if the technique
    made no difference. That better athletes choose one technique does no harm here; that an athlete chooses it on
    their better days does.

    Parameters
    ----------
    outcome : sequence of numbers
        One per routine: 0 or 1, or points in whole thousandths.
    first : sequence of bool
        True for the first technique.
    athlete : sequence of hashable codes
    level : float
        Confidence level.
    alternative : {"two-sided", "greater", "less"}
        One-sided: the limit on the other side is the edge of the scale.
    budget, seed
        Past the budget, random relabellings with this seed take over, and the result says so.
    kind : {"auto", "stuck", "points"}
        "auto" takes outcomes that are all 0 or 1 for stuck or not.

    Returns
    -------
    Within
        `odds_ratio` is `common_odds_ratio` with athletes as strata. `difference` weighs an athlete with n1 and n2
        routines by n1 n2 / (n1 + n2), so that its estimate and its exact test use one statistic: the sum S of the
        first technique's outcomes. All relabellings of each athlete's routines that keep n1 and n2 are equally
        likely; the two-sided p is the share with ``|S* - E(S)| >= |S - E(S)|``, compared in rationals.
        The limits are t limits (twice the number of athletes) of the weighted mean after two athletes of mean weight
        are added whose differences are the largest and the smallest that there can be (points: the range seen);
        so they have a width also where no athlete contradicts themself. They aren't the test turned round, and `why`
        says where the two disagree. NaN with fewer than three athletes.

    Raises
    ------
    ValueError
        If lengths differ, an outcome or a code is missing, a technique has no routine, or `kind` is "stuck" and an
        outcome is neither 0 nor 1.

    Examples
    --------
    Five athletes with both techniques, and one with the second only, who is left out:

    >>> stuck = [1, 1, 0] + [1, 1, 0, 1] + [1, 1, 1] + [1, 0, 0, 0] + [1, 1, 0] + [0, 0]
    >>> first = [1, 1, 0] + [1, 1, 0, 0] + [1, 1, 0] + [1, 1, 0, 0] + [1, 1, 0] + [0, 0]
    >>> found = within_athletes(stuck, first, list("AAABBBBCCCDDDDEEEFF"))
    >>> found.athletes, found.informative, found.routines
    (5, 4, 17)
    >>> print(found.difference)
    difference within athletes 0.5833 (95 % −0.1765 to 1.0000), t limits over athletes, two more athletes added at the
    ends of the scale; p = 0.0278 (two-sided), exact relabelling within athletes, 17 observations (the limits are not
    those of the exact test, and the two disagree about 0)
    >>> found.odds_ratio.estimate, round(found.odds_ratio.low, 3), found.odds_ratio.high
    (inf, 0.956, inf)

    Notes
    -----
    Coverage of nominal 95 %, measured for this project (tests/reference/clustered_models/within_coverage.csv, 1,944
    cells of 3 to 40 athletes): at least .950 for stuck or not, .957 for points, and with falls of 1.0 point .930 with
    three athletes and .939 beyond. t limits of the plain weighted mean have .159, as they shrink to a point.

    Not for saying what the technique would do for athletes who never showed it.

    References
    ----------
    Cochran, W. G. (1954). Some methods for strengthening the common chi-squared tests. Biometrics 10, 417-451 (the
    weights). Agresti, A. & Min, Y. (2005). Simple improved confidence intervals for comparing matched proportions.
    Statistics in Medicine 24, 729-740 (added pairs).
    """
    level, alternative = check_level(level), check_alternative(alternative)
    check_choice("kind", kind, ("auto", "stuck", "points"))
    routines = two_techniques(outcome, first, athlete)
    if kind == "stuck" and not routines.binary:
        raise ValueError('kind is "stuck", but an outcome is neither 0 nor 1; use kind="points" for points')
    stuck = kind == "stuck" or (kind == "auto" and routines.binary)
    own = _own_routines(routines)
    if not own:
        return Within(0, 0, 0, None, None, NOBODY)
    informative = sum(bool(np.ptp(np.concatenate(pair))) for pair in own)
    alike = len(own) - informative
    why = f"{alike} of {len(own)} athletes had the same outcome in all their routines" if alike else ""
    return Within(
        athletes=len(own),
        informative=informative,
        routines=sum(len(one) + len(two) for one, two in own),
        odds_ratio=_odds_ratio(own, level, alternative) if stuck else None,
        difference=_difference(own, stuck, level, alternative, budget, seed),
        why=why,
    )


Own = list[tuple[Whole, Whole]]
"""Outcomes in thousandths of each athlete who showed both: of the first technique, and of the second."""


def _own_routines(routines: Routines) -> Own:
    order = np.argsort(routines.athlete, kind="stable")
    starts = np.flatnonzero(np.diff(routines.athlete[order], prepend=-1))
    pairs = (
        (routines.values[rows[routines.group[rows] == 0]], routines.values[rows[routines.group[rows] == 1]])
        for rows in np.split(order, starts[1:])
    )
    return [(one, two) for one, two in pairs if len(one) and len(two)]


def _odds_ratio(own: Own, level: float, alternative: Alternative) -> Effect:
    tables = [[[int((g == 1000).sum()), int((g == 0).sum())] for g in pair] for pair in own]
    informative = [table for table in tables if 0 < table[0][0] + table[1][0] < sum(map(sum, table))]
    found = common_odds_ratio(informative or tables, level, alternative)
    why = (
        found.why if informative else "no athlete's routines differ in outcome, so none informs an odds ratio"
    )
    return replace(
        found,
        quantity="odds ratio within athletes",
        assumes="an athlete's routines independent, one odds ratio for all athletes",
        why=why,
    )


def _difference(
    own: Own, stuck: bool, level: float, alternative: Alternative, budget: Budget, seed: int
) -> Effect:
    tested = _tested(own, alternative, budget, seed)
    estimate, low, high, why = _limits(own, stuck, level, alternative)
    alpha = float(error_rate(level))
    if not math.isnan(low) and (low > 0 or high < 0) != (tested.p_value <= alpha):
        why = "the limits are not those of the exact test, and the two disagree about 0"
    return Effect(
        quantity="difference within athletes" if stuck else "mean difference within athletes",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        p_value=tested.p_value,
        alternative=alternative,
        method=METHOD
        if not tested.draws
        else f"Monte Carlo relabelling within athletes, {tested.draws:,} draws",
        interval_method=LIMITS,
        n=sum(len(one) + len(two) for one, two in own),
        statistic=estimate,
        mid_p=tested.mid_p,
        smallest=tested.smallest,
        draws=tested.draws,
        error=tested.error,
        assumes=ASSUMES,
        why=why,
    )


def _limits(own: Own, stuck: bool, level: float, alternative: Alternative) -> tuple[float, float, float, str]:
    """Estimate and limits of the weighted mean difference, and why there are none."""
    weights = np.array([len(one) * len(two) / (len(one) + len(two)) for one, two in own])
    differences = np.array([one.mean() - two.mean() for one, two in own]) / 1000
    pooled = np.concatenate([part for pair in own for part in pair])
    edge = 1.0 if stuck else float(np.ptp(pooled)) / 1000
    estimate = float((weights * differences).sum() / weights.sum())
    if len(own) < FEWEST:
        few = f"only {len(own)} athlete{'s' * (len(own) > 1)} showed both techniques; an interval needs {FEWEST}"
        return estimate, math.nan, math.nan, few
    if edge == 0:
        return estimate, math.nan, math.nan, CONSTANT
    w = np.append(weights, [weights.mean()] * 2)
    d = np.append(differences, [edge, -edge])
    centre = float((w * d).sum() / w.sum())
    effective = float(w.sum() ** 2 / (w**2).sum())
    variance = float((w**2 * (d - centre) ** 2).sum() / w.sum() ** 2) * effective / (effective - 1)
    tail = (1 - level) / (2 if alternative == "two-sided" else 1)
    half = float(stats.t.isf(tail, 2 * len(own))) * math.sqrt(variance)
    end = 1.0 if stuck else math.inf
    low = -end if alternative == "less" else max(-end, min(estimate, centre - half))
    high = end if alternative == "greater" else min(end, max(estimate, centre + half))
    return estimate, low, high, ""


class _Tested(NamedTuple):
    p_value: float
    mid_p: float
    smallest: float | None
    draws: int = 0
    error: float = 0.0


def _tested(own: Own, alternative: Alternative, budget: Budget, seed: int) -> _Tested:
    """The share of relabellings whose sum in the first technique is at least as far out as the observed one."""
    varied = [pair for pair in own if np.ptp(np.concatenate(pair))]
    if not varied:
        return _Tested(1.0, 0.5, 1.0)
    wholes, _ = whole_units(*(np.concatenate(pair) for pair in varied))
    parts = [(values, len(pair[0])) for values, pair in zip(wholes, varied, strict=True)]
    observed = sum(int(values[:count].sum()) for values, count in parts)
    expected = sum((Fraction(count * int(values.sum()), len(values)) for values, count in parts), Fraction(0))
    sums = own_relabellings(parts, budget)
    if sums is None:
        return _drawn(parts, observed, expected, alternative, budget, seed)
    offset, chances = sums

    def share(total: int, strictly: bool) -> float:
        reached = _reached(np.arange(offset, offset + len(chances)), total, expected, alternative, strictly)
        return float(min(1.0, chances[reached].sum()))

    p_value = share(observed, strictly=False)
    ends = {"greater": (offset + len(chances) - 1,), "less": (offset,)}.get(
        alternative, (offset, offset + len(chances) - 1)
    )
    return _Tested(
        p_value,
        (p_value + share(observed, strictly=True)) / 2,
        min(share(end, strictly=False) for end in ends),
    )


def _reached(sums: Whole, total: int, expected: Fraction, alternative: Alternative, strictly: bool) -> Any:
    """Which sums are as far out as `total` (or farther); the bounds are rationals, so ties are exact."""
    far = abs(total - expected) if alternative == "two-sided" else total - expected
    top, bottom = expected + far, expected - far if alternative == "two-sided" else Fraction(total)
    above = sums > math.floor(top) if strictly else sums >= math.ceil(top)
    below = sums < math.ceil(bottom) if strictly else sums <= math.floor(bottom)
    return {"greater": above, "less": below}.get(alternative, above | below)


def _drawn(
    parts: list[tuple[Whole, int]],
    observed: int,
    expected: Fraction,
    alternative: Alternative,
    budget: Budget,
    seed: int,
) -> _Tested:
    rng = np.random.default_rng(seed)
    cost = sum(len(np.unique(values)) for values, _ in parts)
    draws = int(max(FEWEST_DRAWS, min(budget.draws, budget.operations / (HYPERGEOMETRIC * cost))))
    sums = np.zeros(draws, dtype=np.int64)
    for values, count in parts:
        sums += draw_sums(values, np.full(draws, count), rng)
    hits = int(_reached(sums, observed, expected, alternative, False).sum())
    beyond = int(_reached(sums, observed, expected, alternative, True).sum())
    share = (hits + 1) / (draws + 1)
    error = math.sqrt(share * (1 - share) / draws)
    return _Tested(share, ((hits + beyond) / 2 + 1) / (draws + 1), None, draws, error)
