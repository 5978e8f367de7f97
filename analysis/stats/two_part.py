"""Points lost in two parts: how often anything is lost, how much when something is, and what each brings."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np

from analysis.stats.clustered import clustered_difference
from analysis.stats.result import Interval, _Shown, check_level, show_number
from analysis.stats.routines import Routines, two_techniques
from analysis.stats.two_groups import difference_interval

FEWEST_WITH_LOSS = 2  # one routine shows how much was lost, but not how much that varies


@dataclass(frozen=True, eq=False)
class TwoPart(_Shown):
    """Points lost on the landing, first technique minus second, taken apart.

    Parameters
    ----------
    lost : tuple of (int, int)
        (x, n) of each technique, the first one first: x of its n routines had any deduction.
    shares : tuple of float
        x / n of each.
    amounts : tuple of float
        Mean points lost over the x routines with a deduction; NaN where there is none.
    means : tuple of float
        Mean points lost per routine: share times amount.
    how_often : Interval
        Difference of the shares.
    how_much : Interval
        Difference of the amounts. NaN with `why` where it can't be had.
    whole : Interval
        Difference of the means.
    from_how_often, from_how_much : float
        Points per routine: what the two parts bring to the whole difference, which is their sum.
    falls_left_out : tuple of int
        Routines of each technique that were left out as falls.
    athletes : int
    level : float
    why : str
    """

    lost: tuple[tuple[int, int], tuple[int, int]]
    shares: tuple[float, float]
    amounts: tuple[float, float]
    means: tuple[float, float]
    how_often: Interval
    how_much: Interval
    whole: Interval
    from_how_often: float
    from_how_much: float
    falls_left_out: tuple[int, int]
    athletes: int
    level: float
    why: str = ""

    def __str__(self) -> str:
        parts = " + ".join(
            f"{show_number(value)} from {name}"
            for value, name in ((self.from_how_often, "how often"), (self.from_how_much, "how much"))
        )
        return f"{self.how_often}\n{self.how_much}\n{self.whole}\n{parts}"


def two_part(
    points: Iterable[Any],
    first: Iterable[bool],
    athlete: Iterable[Hashable] | None = None,
    level: float = 0.95,
    falls: Iterable[bool] | None = None,
) -> TwoPart:
    """Take the difference in points lost apart: how often anything is lost, and how much when something is.

    Assumes independent routines, or independent athletes if `athlete` is given.

    Parameters
    ----------
    points : sequence of n numbers
        Points lost per routine, 0 or more, whole thousandths.
    first : sequence of n bool
        True for the first technique.
    athlete : sequence of n hashable codes, optional
        With it, athletes are the units of all three intervals.
    level : float
        Confidence level.
    falls : sequence of n bool, optional
        True for a routine that ended in a fall. With it, those are left out (and counted), for the reading without
        falls.

    Returns
    -------
    TwoPart
        How often: the exact unconditional interval of two proportions, or with `athlete` the clustered difference.
        How much, and the whole: the clustered difference of points, which counts each routine as an athlete of its
        own where `athlete` is not given. A technique that always loses the same borrows the other's spread; where
        neither varies, the limits are NaN with `why`. So are those of "how much" where a technique has fewer than
        two routines with a deduction.

    Raises
    ------
    ValueError
        If lengths differ, a value is negative, missing or not a whole number of thousandths, or a technique has no
        routine (left).

    Notes
    -----
    With shares p and amounts m, the whole difference p1 m1 - p2 m2 is (p1 - p2)(m1 + m2)/2 from how often plus
    (m1 - m2)(p1 + p2)/2 from how much: each part moves while the other stays at the mean of the two techniques, so
    nothing is left over and the order of the techniques is no matter. A technique that never lost anything has no
    amount; it is given the other's, and the whole difference comes from how often.

    Examples
    --------
    Nine routines without a deduction, against 22 of which eight lost something:

    >>> points = [0] * 9 + [0] * 14 + [.1, .1, .1, .3, .3, .5, .1, 1]
    >>> found = two_part(points, [True] * 9 + [False] * 22)
    >>> found.lost, round(found.amounts[1], 4), found.how_much.why
    (((0, 9), (8, 22)), 0.3125, 'the first technique has no routine with a deduction; each needs two')
    >>> round(found.whole.estimate, 4), round(found.from_how_often, 4), found.from_how_much
    (-0.1136, -0.1136, 0.0)

    References
    ----------
    Kitagawa, E. M. (1955). Components of a difference between two rates. Journal of the American Statistical
    Association 50, 1168-1194 (the two parts of the difference; from memory).
    Duan, N., Manning, W. G., Morris, C. N. & Newhouse, J. P. (1983). A comparison of alternative models for the demand
    for medical care. Journal of Business & Economic Statistics 1, 115-126 (two parts; from memory).

    Not for: saying that a technique costs less once something goes wrong. The routines with a deduction are other
    athletes on other days in each technique, chosen by what happened.
    """
    level = check_level(level)
    listed = list(points)
    units = list(range(len(listed))) if athlete is None else list(athlete)
    kept, left_out = _without_falls(two_techniques(listed, first, units), falls)
    if kept.values.min() < 0:
        raise ValueError(f"a routine loses {kept.values.min() / 1000} points; points lost are 0 or more")
    loses = kept.values > 0
    lost = _pair(
        (int(loses[kept.group == place].sum()), int((kept.group == place).sum())) for place in (0, 1)
    )
    totals = [int(kept.values[kept.group == place].sum()) for place in (0, 1)]
    amounts = _pair(total / (1000 * x) if x else math.nan for total, (x, _) in zip(totals, lost, strict=True))
    from_often, from_much = _parts(lost, totals)
    return TwoPart(
        lost=lost,
        shares=_pair(x / n for x, n in lost),
        amounts=amounts,
        means=_pair(total / (1000 * n) for total, (_, n) in zip(totals, lost, strict=True)),
        how_often=_how_often(kept, loses, lost, athlete is not None, level),
        how_much=_how_much(kept, loses, lost, amounts, level),
        whole=_points_interval(kept, level),
        from_how_often=from_often,
        from_how_much=from_much,
        falls_left_out=left_out,
        athletes=len(np.unique(kept.athlete)),
        level=level,
        why="no routine lost anything" if not loses.any() else "",
    )


def _pair(values: Iterable[Any]) -> tuple[Any, Any]:
    one, two = values
    return one, two


def _without_falls(routines: Routines, falls: Iterable[bool] | None) -> tuple[Routines, tuple[int, int]]:
    """Return the routines that did not end in a fall, and how many of each technique did."""
    if falls is None:
        return routines, (0, 0)
    fell = np.asarray(list(falls))
    if fell.shape != routines.values.shape or not np.isin(fell, (0, 1)).all():
        raise ValueError(
            f"falls must hold {len(routines.values)} values True or False, one per routine; it has shape {fell.shape}"
        )
    fell = fell.astype(bool)
    for place, name in enumerate(("first", "second")):
        if fell[routines.group == place].all():
            raise ValueError(
                f"every routine of the {name} technique ended in a fall; without falls none is left"
            )
    left_out = _pair(int(fell[routines.group == place].sum()) for place in (0, 1))
    return _those(routines, ~fell), left_out


def _those(routines: Routines, which: np.ndarray) -> Routines:
    return Routines(*(column[which] for column in routines))


def _how_often(
    routines: Routines, loses: np.ndarray, lost: tuple[tuple[int, int], ...], clustered: bool, level: float
) -> Interval:
    if not clustered:
        (x1, n1), (x2, n2) = lost
        return difference_interval(x1, n1, x2, n2, method="exact", level=level)
    return clustered_difference(
        loses.astype(int), routines.group == 0, routines.athlete.tolist(), level, kind="stuck"
    )


def _how_much(
    routines: Routines,
    loses: np.ndarray,
    lost: tuple[tuple[int, int], ...],
    amounts: tuple[float, float],
    level: float,
) -> Interval:
    short = [
        f"the {name} technique has {'no routine' if x == 0 else 'one routine'} with a deduction"
        for name, (x, _) in zip(("first", "second"), lost, strict=True)
        if x < FEWEST_WITH_LOSS
    ]
    if not short:
        return replace(
            _points_interval(_those(routines, loses), level), quantity="mean difference when anything is lost"
        )
    return Interval(
        quantity="mean difference when anything is lost",
        estimate=amounts[0] - amounts[1],
        low=math.nan,
        high=math.nan,
        level=level,
        method="none",
        n=int(loses.sum()),
        why=f"{' and '.join(short)}; each needs two",
    )


def _points_interval(routines: Routines, level: float) -> Interval:
    return clustered_difference(
        [Fraction(int(value), 1000) for value in routines.values],
        routines.group == 0,
        routines.athlete.tolist(),
        level,
        kind="points",
    )


def _parts(lost: tuple[tuple[int, int], ...], totals: list[int]) -> tuple[float, float]:
    """Return what "how often" and "how much" bring to the difference of means; in fractions, so nothing is left."""
    p1, p2 = (Fraction(x, n) for x, n in lost)
    seen = [Fraction(total, 1000 * x) if x else None for total, (x, _) in zip(totals, lost, strict=True)]
    m1, m2 = (
        own if own is not None else other or Fraction(0)
        for own, other in zip(seen, reversed(seen), strict=True)
    )
    return float((p1 - p2) * (m1 + m2) / 2), float((m1 - m2) * (p1 + p2) / 2)
