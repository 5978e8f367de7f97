"""Graded landings without a model: shares by cut, and the chance of the better landing.

In this module a grade counts from the best: 0 is the best landing, as in the codebook.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import stats

from analysis.shown import Shown
from analysis.stats.budget import Budget
from analysis.stats.clustered import clustered_difference
from analysis.stats.design_matrix import Floats, Ints
from analysis.stats.effective import effective_sizes, spreads
from analysis.stats.ordinal_fit import read_grades
from analysis.stats.proportions import wilson_limits
from analysis.stats.result import Interval, check_level
from analysis.stats.routines import Routines, few_athletes, two_techniques
from analysis.stats.two_groups import difference_interval

BRIEF = Budget(operations=3e8)  # a tenth of a second for each cut, enough for some 100 routines
_ADDED = 1.0  # routines of the pooled grades in each group; tests/reference/ordinal/simulate_ordinal.py


@dataclass(frozen=True)
class GradeShares(Shown):
    """How a routine of the first technique lands against one of the second: three chances that add up to 1.

    `first_better` and `second_better` are the chances of landing at least one grade better, `tie` that of the same
    grade.
    """

    first_better: Interval
    second_better: Interval
    tie: Interval

    def __str__(self) -> str:
        return "\n".join(str(share) for share in (self.first_better, self.second_better, self.tie))

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name."""
        return {name: getattr(self, name).to_dict() for name in ("first_better", "second_better", "tie")}


def cuts(
    grade: Iterable[Any],
    first: Iterable[bool],
    level: float = 0.95,
    athlete: Iterable[Hashable] | None = None,
    budget: Budget = BRIEF,
) -> tuple[Interval, ...]:
    """For each grade, the difference between techniques in the share of landings at least as good, first minus second.

    Assumes independent routines, one per athlete; with `athlete`, independent athletes.

    Parameters
    ----------
    grade : sequence of whole numbers
        One per routine, counted from the best: 0 is the best landing. (`proportional_odds` knows no best: there a
        higher number is a higher grade.)
    first : sequence of bool
        True for the first technique.
    level : float
        Confidence level of each interval by itself.
    athlete : sequence of hashable codes, optional
        Makes the intervals count athletes (`clustered.clustered_difference`).
    budget : Budget
        Work for each exact interval; past it Miettinen-Nurminen's, and the interval says so.

    Returns
    -------
    tuple of Interval
        One for each grade that occurs, from the best, without the worst (which every landing reaches); `quantity`
        names the grade. Where the difference sits in one cut only, one odds ratio for all cuts hides it.

    Raises
    ------
    ValueError
        If a grade isn't a whole number, lengths differ, or a technique has no routine.

    Examples
    --------
    Nine of nine routines of the first technique are stuck (grade 0), and 14 of 22 of the second:

    >>> for cut in cuts([0] * 9 + [0] * 14 + [1] * 4 + [2] * 3 + [3], [True] * 9 + [False] * 22):
    ...     print(cut.quantity, round(cut.estimate, 3), round(cut.low, 3), round(cut.high, 3))
    difference in landings of grade 0 or better 0.364 0.015 0.573
    difference in landings of grade 1 or better 0.182 -0.175 0.387
    difference in landings of grade 2 or better 0.045 -0.266 0.226

    Notes
    -----
    Each interval holds its level alone; all of them together hold less.

    References
    ----------
    Agresti & Min 2001, Biometrics 57:963-971. Miettinen & Nurminen 1985, Statistics in Medicine 4:213-226.
    """
    level = check_level(level)
    codes, grades = read_grades(grade)
    listed = list(first)
    group = two_techniques(codes, listed, range(len(codes)) if athlete is None else athlete).group
    who = None if athlete is None else list(athlete)
    found = []
    for k, name in enumerate(grades[:-1]):
        reached = codes <= k
        if who is not None:
            interval = clustered_difference(reached.tolist(), listed, who, level=level, kind="stuck")
        else:
            x1, n1, x2, n2 = (
                int(count)
                for place in (0, 1)
                for count in (reached[group == place].sum(), (group == place).sum())
            )
            interval = difference_interval(x1, n1, x2, n2, level=level, budget=budget)
        found.append(replace(interval, quantity=f"difference in landings of grade {name} or better"))
    return tuple(found)


def better_by_a_grade(
    grade: Iterable[Any],
    first: Iterable[bool],
    level: float = 0.95,
    athlete: Iterable[Hashable] | None = None,
) -> GradeShares:
    """Chance that a routine of one technique lands at least one grade better than one of the other, and of a tie.

    Assumes independent routines, one per athlete; with `athlete`, independent athletes.

    Parameters
    ----------
    grade : sequence of whole numbers
        One per routine, counted from the best: 0 is the best landing.
    first : sequence of bool
        True for the first technique.
    level : float
        Confidence level of each interval by itself.
    athlete : sequence of hashable codes, optional
        Makes the intervals count athletes.

    Returns
    -------
    GradeShares
        Shares of all pairs of a routine of the first and one of the second technique. The limits are Wilson's at the
        number of independent pairs that the shares are worth: p (1 - p) over the variance of the placements (how
        often a routine beats, or ties with, the other technique's), at most twice the smaller group. p and that
        variance are taken with one more routine of the pooled grades in each group, for few routines show less
        spread than there is. With `athlete` each group counts with its effective n and t has twice as many degrees of
        freedom as there are athletes.

    Raises
    ------
    ValueError
        If a grade isn't a whole number, lengths differ, or a technique has no routine.

    Examples
    --------
    >>> shares = better_by_a_grade([0] * 9 + [0] * 14 + [1] * 4 + [2] * 3 + [3], [True] * 9 + [False] * 22)
    >>> print(shares.first_better)
    first technique better by a grade or more 0.3636 ...
    >>> [round(share.estimate, 4) for share in (shares.first_better, shares.second_better, shares.tie)]
    [0.3636, 0.0, 0.6364]

    Notes
    -----
    Coverage of nominal 95 % in 540 cells of five grades, 4 v 6 to 40 v 40 and 10 v 60 routines (100 samples each,
    tests/reference/ordinal/coverage.csv): .974 on average, .88 at worst; with athletes of one to three routines
    (40 samples each) .989 and .90. The three intervals hold their level each alone.

    Not for: comparing two techniques of one athlete; the pairs here are of any two routines.

    References
    ----------
    Wilson 1927, Journal of the American Statistical Association 22:209-212. Brunner & Munzel 2000, Biometrical Journal
    42:17-25 (placements). Newcombe 2006, Statistics in Medicine 25:559-573 (the chance of superiority).
    """
    level = check_level(level)
    codes, _ = read_grades(grade)
    routines = two_techniques(codes, first, range(len(codes)) if athlete is None else athlete)
    group = routines.group
    counts = np.array([np.bincount(codes[group == place], minlength=codes.max() + 1) for place in (0, 1)])
    remark = ""
    if athlete is not None:
        remark = few_athletes(len(set(routines.athlete[group == place].tolist())) for place in (0, 1))
    athletes = None if athlete is None else int(routines.athlete.max()) + 1
    found = {}
    for name, kind in (("first_better", "first"), ("second_better", "second"), ("tie", "tie")):
        sizes = [float(n) for n in counts.sum(axis=1)]
        if athletes is not None:
            sizes = effective_sizes(spreads(_placed(codes, routines, counts, kind), sizes[0] * sizes[1]))
        estimate = float(_placements(counts, kind)[0] @ counts[0] / (counts[0].sum() * counts[1].sum()))
        low, high = _limits(counts, kind, estimate, sizes, athletes, level)
        found[name] = Interval(
            quantity=_QUANTITIES[name],
            estimate=estimate,
            low=low,
            high=high,
            level=level,
            method="Wilson limits at the effective number of pairs"
            + ("" if athletes is None else ", athletes counted"),
            n=len(codes),
            assumes="independent routines" if athletes is None else "independent athletes",
            why=remark,
        )
    return GradeShares(**found)


_QUANTITIES = {
    "first_better": "first technique better by a grade or more",
    "second_better": "second technique better by a grade or more",
    "tie": "same grade",
}


def _placements(counts: Any, kind: str) -> tuple[Any, Any]:
    """For a routine of each grade, in the first and in the second group: how many of the others count for `kind`."""
    if kind == "tie":
        return counts[1], counts[0]
    better = [np.cumsum(row) - row for row in counts]  # routines of a better grade
    worse = [row.sum() - np.cumsum(row) for row in counts]
    return (worse[1], better[0]) if kind == "first" else (better[1], worse[0])


def _placed(codes: Ints, routines: Routines, counts: Any, kind: str) -> Routines:
    """The routines with their placements as outcome, in units of one pair for both groups alike."""
    values = np.where(
        routines.group == 0,
        _placements(counts, kind)[0][codes] * counts[0].sum(),
        _placements(counts, kind)[1][codes] * counts[1].sum(),
    )
    return Routines(values.astype(np.int64), routines.group, routines.athlete)


def _limits(
    counts: Any, kind: str, estimate: float, sizes: list[float], athletes: int | None, level: float
) -> tuple[float, float]:
    pooled = counts.sum(axis=0) / counts.sum()
    padded: Floats = counts + _ADDED * pooled
    n = padded.sum(axis=1)
    first, second = _placements(padded, kind)
    chance = float(padded[0] @ first / (n[0] * n[1]))
    variances = (
        float(padded[0] @ (first / n[1] - chance) ** 2 / n[0]),
        float(padded[1] @ (second / n[0] - chance) ** 2 / n[1]),
    )
    variance = sum(v / max(size - 1, 1.0) for v, size in zip(variances, sizes, strict=True))
    # Pairs share routines: they are never worth more than that, and fewer than the smaller group only by chance.
    most = 2 * min(sizes)
    pairs = min(sizes) if variance <= 0 else min(most, max(1.0, chance * (1 - chance) / variance))
    df = counts.sum() - 2 if athletes is None else 2 * athletes
    return wilson_limits(estimate, pairs, float(stats.t.isf((1 - level) / 2, max(1, df))))
