"""The exact stratified rank sum: two techniques compared within each meet or round."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from analysis.stats.budget import Budget
from analysis.stats.ranks import midranks_doubled
from analysis.stats.result import Alternative, Test, check_alternative
from analysis.stats.routines import number_codes, two_techniques
from analysis.stats.split_test import FEWEST_DRAWS, HYPERGEOMETRIC, draw_sums, smallest_share
from analysis.stats.splits import LARGEST_TOTAL, Whole, subset_cells, subset_sums, whole_units

ASSUMES = (
    "given the grades seen in a stratum, every split of them into the two techniques is equally likely "
    "(one routine per athlete)"
)
_LARGEST = 2**62  # sums of scores below it stay whole in 64 bits
_SORTING = 200  # operations that sorting one sum is worth
BRIEF = Budget(operations=5e8)  # some 0.3 s; the random splits past it have errors of .001 to .004


class _Stratum(NamedTuple):
    """Doubled midranks of a stratum's routines, the first technique's n1 before the others; n1 is 1 to N - 1."""

    ranks: Whole
    n1: int

    @property
    def total(self) -> int:
        return int(self.ranks[: self.n1].sum())

    @property
    def size(self) -> int:
        return len(self.ranks)


class _Sums(NamedTuple):
    """Every possible sum, rising, with its probability."""

    values: Whole
    chances: Any

    def mirrored(self) -> _Sums:
        """The same for the other sign."""
        return _Sums(-self.values[::-1], self.chances[::-1])


_NOTHING = _Sums(np.zeros(1, dtype=np.int64), np.ones(1))


def stratified_rank(
    grade: Iterable[Any],
    first: Iterable[bool],
    stratum: Iterable[Hashable],
    alternative: Alternative = "two-sided",
    budget: Budget = BRIEF,
    seed: int = 0,
) -> Test:
    """Test whether the first technique has higher grades than the second within strata (van Elteren, exact).

    Assumes that, if the techniques made no difference, every split of a stratum's grades into the two techniques
    would be equally likely: independent routines, one per athlete. Nothing is compared between strata.

    Parameters
    ----------
    grade : sequence of numbers
        One per routine, whole thousandths; only their order within a stratum counts.
    first : sequence of bool
        True for the first technique.
    stratum : sequence of hashable codes
        Meet, round, or both as a tuple.
    alternative : {"two-sided", "greater", "less"}
        "greater": the first technique tends to have the higher numbers.
    budget : Budget
        Past it random splits take over, and the result says so.
    seed : int
        Seed of those random splits.

    Returns
    -------
    Test
        `statistic` is the sum over strata of the first technique's midranks, each stratum's divided by its number of
        routines plus 1 (van Elteren's weights); without an effect it is half the number of the first technique's
        routines on average. The two-sided p is the share of splits at least as far from that, ties included; the
        weights are fractions, so ties are decided in whole numbers. `smallest` is the smallest p that these grades
        could have given. Strata with one technique, or one grade, say nothing and are counted in `why`.

    Raises
    ------
    ValueError
        If lengths differ, a grade or a code is missing, or a technique has no routine.

    Examples
    --------
    Nine routines of the first technique, all stuck (3), and 22 of the second, at two meets:

    >>> grades = [3] * 9 + [3] * 8 + [2] * 2 + [0] + [3] * 6 + [2] * 2 + [1] * 3
    >>> meets = [1] * 4 + [2] * 5 + [1] * 11 + [2] * 11
    >>> print(stratified_rank(grades, [True] * 9 + [False] * 22, meets))
    p = 0.0671 (two-sided), exact stratified rank sum (van Elteren) with ties, 31 observations

    References
    ----------
    van Elteren 1960, Bulletin of the International Statistical Institute 37:351-361. Streitberg & Röhmel 1986,
    Statistical Software Newsletter 12:10-17 (the shift algorithm; pages from memory). Mehta, Patel & Senchaudhuri 1992,
    Journal of the
    American Statistical Association 87.

    Not for: athletes who come back (take each athlete's first routine), or techniques that rarely meet in a stratum.
    """
    alternative = check_alternative(alternative)
    places, _ = number_codes(stratum, "stratum")
    listed = list(first)
    if len(places) != len(listed):
        raise ValueError(
            f"stratum has {len(places)} codes and first {len(listed)}; each routine needs one of each"
        )
    routines = two_techniques(grade, listed, places.tolist())
    every = [
        _stratum(routines.values[places == h], routines.group[places == h]) for h in range(places.max() + 1)
    ]
    strata = [one for one in every if 0 < one.n1 < one.size and one.ranks.min() < one.ranks.max()]
    statistic = sum((Fraction(one.total, 2 * (one.size + 1)) for one in every), Fraction(0))
    found: dict[str, Any] = {
        "alternative": alternative,
        "n": len(places),
        "statistic": float(statistic),
        "assumes": ASSUMES,
    }
    remarks = [_left_out(len(every) - len(strata))]
    if not strata:
        return Test(
            p_value=1.0, mid_p=0.5, smallest=1.0, method=_METHOD.format("exact"), why=remarks[0], **found
        )
    unit = math.lcm(*(one.size + 1 for one in strata))  # a midrank counts unit / (N + 1)
    excess = sum(unit // (one.size + 1) * one.total - unit * one.n1 for one in strata)
    smallest = _smallest(strata, unit, alternative)
    halves = _halves(strata, unit, budget)
    if halves is not None:
        reached, beyond = _tails(*halves, excess, alternative)
        p_value, mid_p = min(1.0, reached), min(1.0, (reached + beyond) / 2)
        kind, draws, error = "exact", 0, 0.0
    else:
        drawn = _draws(strata, unit, budget, seed)
        draws = len(drawn)
        hits, beyond = _hits(drawn, excess, alternative)
        p_value, mid_p = (hits + 1) / (draws + 1), ((hits + beyond) / 2 + 1) / (draws + 1)
        kind, error = "Monte Carlo", math.sqrt(p_value * (1 - p_value) / draws)
        smallest = max(smallest, 1 / (draws + 1))
        remarks.append(f"from {draws:,} random splits, as the exact distribution is past the budget")
    return Test(
        p_value=p_value,
        mid_p=mid_p,
        smallest=smallest,
        method=_METHOD.format(kind),
        draws=draws,
        error=error,
        why="; ".join(remark for remark in remarks if remark),
        **found,
    )


_METHOD = "{} stratified rank sum (van Elteren) with ties"


def _stratum(values: Whole, group: Whole) -> _Stratum:
    order = np.argsort(group, kind="stable")
    return _Stratum(midranks_doubled(values)[order], int((group == 0).sum()))


def _left_out(count: int) -> str:
    if not count:
        return ""
    return f"{count} strat{'um says' if count == 1 else 'a say'} nothing: one technique or one grade only"


def _halves(strata: list[_Stratum], unit: int, budget: Budget) -> tuple[_Sums, _Sums] | None:
    """The distributions, about 0, of the sum over some strata and over the others; None past the budget.

    The tail of their sum needs no table of all sums: for each value of the one it takes one look into the other.
    """
    if not _fits(strata, unit):
        return None
    work = 0.0
    for one in strata:
        few = min(one.n1, one.size - one.n1)
        cells = subset_cells(whole_units(one.ranks)[0][0], few)
        work += one.size * (cells / 2 + 1_000 * few)
        ways = math.comb(one.size, few)
        if ways >= LARGEST_TOTAL or not budget.allows(work, 2 * cells):
            return None
    # Strata of one size share their weight, so their sums fall on few values: put these together first.
    by_size: dict[int, _Sums] = {}
    halves = [_NOTHING, _NOTHING]
    for one in strata:
        added = _added(by_size.get(one.size, _NOTHING), _distribution(one, unit), work, budget)
        if added is None:
            return None
        by_size[one.size], work = added
    for sums in sorted(by_size.values(), key=lambda sums: -len(sums.values)):
        k = 0 if len(halves[0].values) <= len(halves[1].values) else 1
        added = _added(halves[k], sums, work, budget)
        if added is None:
            return None
        halves[k], work = added
    return halves[0], halves[1]


def _distribution(one: _Stratum, unit: int) -> _Sums:
    """All sums of n1 of the stratum's scores less their mean, in common units."""
    few = min(one.n1, one.size - one.n1)
    (reduced,), factor = whole_units(one.ranks)
    row = subset_sums(reduced, few)[few]
    here = np.flatnonzero(row.counts)
    sums = int(one.ranks.min()) * few + factor * (row.offset + here)
    values = unit // (one.size + 1) * sums - unit * few
    chances = row.counts[here] / math.comb(one.size, few)
    # What the first technique is above its mean, the second is below its own.
    return _Sums(values, chances) if few == one.n1 else _Sums(values, chances).mirrored()


def _added(one: _Sums, two: _Sums, work: float, budget: Budget) -> tuple[_Sums, float] | None:
    """The distribution of the sum, and the work done so far; None past the budget."""
    pairs = len(one.values) * len(two.values)
    work += _SORTING * pairs
    if not budget.allows(work, 3 * pairs):
        return None
    values, place = np.unique(np.add.outer(one.values, two.values).ravel(), return_inverse=True)
    chances = np.multiply.outer(one.chances, two.chances).ravel()
    return _Sums(values, np.bincount(place.ravel(), weights=chances)), work


def _tails(one: _Sums, two: _Sums, excess: int, alternative: Alternative) -> tuple[float, float]:
    """Probability of a sum at least as extreme as `excess`, and of a more extreme one."""
    up, down = (one, two), (one.mirrored(), two.mirrored())
    if alternative == "greater":
        return _tail(*up, excess), _tail(*up, excess + 1)
    if alternative == "less":
        return _tail(*down, -excess), _tail(*down, -excess + 1)
    far = abs(excess)
    reached = _tail(*up, far) + _tail(*down, far) if far else 1.0
    return reached, _tail(*up, far + 1) + _tail(*down, far + 1)


def _tail(one: _Sums, two: _Sums, bound: int) -> float:
    """Probability that the two sums together are at least `bound`."""
    tails = np.append(np.cumsum(two.chances[::-1])[::-1], 0.0)
    return float((one.chances * tails[np.searchsorted(two.values, bound - one.values, "left")]).sum())


def _smallest(strata: list[_Stratum], unit: int, alternative: Alternative) -> float:
    """The p-value of the most extreme splits that these grades allow."""
    chance = {"greater": 1.0, "less": 1.0}
    reach = {"greater": 0, "less": 0}
    for one in strata:
        ordered = np.sort(one.ranks)
        mean = one.n1 * (one.size + 1)
        scale = unit // (one.size + 1)
        reach["greater"] += scale * (int(ordered[one.size - one.n1 :].sum()) - mean)
        reach["less"] += scale * (mean - int(ordered[: one.n1].sum()))
        for side in ("greater", "less"):
            chance[side] *= smallest_share(one.ranks, one.n1, side)
    if alternative != "two-sided":
        return chance[alternative]
    return sum(chance[side] for side in chance if reach[side] == max(reach.values()))


def _draws(strata: list[_Stratum], unit: int, budget: Budget, seed: int) -> Any:
    """Sums of random splits, about their mean, in common units: Python's integers where 64 bits would not hold them."""
    rng = np.random.default_rng(seed)
    cells = sum(len(np.unique(one.ranks)) for one in strata)
    draws = int(max(FEWEST_DRAWS, min(budget.draws, budget.operations / (HYPERGEOMETRIC * cells))))
    found = np.zeros(draws, dtype=np.int64 if _fits(strata, unit) else object)
    for one in strata:
        sums = draw_sums(one.ranks, np.full(draws, one.n1), rng) - one.n1 * (one.size + 1)
        found += unit // (one.size + 1) * sums.astype(found.dtype)
    return found


def _fits(strata: list[_Stratum], unit: int) -> bool:
    return 2 * unit * sum(one.size for one in strata) < _LARGEST


def _hits(drawn: Any, excess: int, alternative: Alternative) -> tuple[int, int]:
    """Count the draws at least as extreme as `excess`, and the more extreme ones."""
    if alternative == "two-sided":
        drawn, excess = np.abs(drawn), abs(excess)
    elif alternative == "less":
        drawn, excess = -drawn, -excess
    return int((drawn >= excess).sum()), int((drawn > excess).sum())
