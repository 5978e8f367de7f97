"""Overlap: have both techniques routines with like columns, so that adjusting compares like things?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit

from analysis.stats.balance import check_arm
from analysis.stats.design_matrix import Design, Floats, read_design
from analysis.stats.penalised import Penalised, prediction_constant
from analysis.stats.result import _Shown
from analysis.stats.separated import separation_of

FEWEST = 5
"""Routines of each technique that must have their like in the other: fewer can't carry a comparison."""

LEAST_SHARE = 0.5
"""Share of each technique's routines that must: the rest of the answer is the model's, and it may not be most."""


@dataclass(frozen=True, eq=False)
class ColumnOverlap(_Shown):
    """One column: how many routines of each technique lie inside the other's range of values.

    `first` and `second` are (smallest, largest). For a 0/1 column `counts` has (ones, n) of each technique, and
    `inside` counts the routines whose value the other technique showed too.
    """

    name: str
    first: tuple[float, float]
    second: tuple[float, float]
    inside: tuple[int, int]
    n: tuple[int, int]
    counts: tuple[tuple[int, int], ...] = ()

    def __str__(self) -> str:
        return f"{self.name}: {self.inside[0]} of {self.n[0]} and {self.inside[1]} of {self.n[1]} inside"


@dataclass(frozen=True, eq=False)
class Overlap(_Shown):
    """Whether two techniques overlap enough in the columns to be adjusted for them.

    Parameters
    ----------
    enough : bool
    why : str
        Why not, with the columns' names; "" when `enough`.
    summary : str
        One sentence with the numbers.
    n, inside : (int, int)
        Routines of each technique, and how many of them have their like in the other: not told without error by the
        columns, and with a fitted chance of the first technique inside the range that both techniques cover.
    common : (float, float)
        That range; NaN where there is none.
    effective : (float, float)
        What each technique's routines are worth when weighted by the fitted chance of the *other* technique.
    columns : tuple of ColumnOverlap
    told_apart_by : tuple of str
        The columns in which the techniques differ most, jointly.
    """

    enough: bool
    why: str
    summary: str
    n: tuple[int, int]
    inside: tuple[int, int]
    common: tuple[float, float]
    effective: tuple[float, float]
    columns: tuple[ColumnOverlap, ...]
    told_apart_by: tuple[str, ...]

    def __str__(self) -> str:
        return self.summary if self.enough else f"{self.summary}; not enough: {self.why}"


def overlap(first: Any, X: Any, names: Sequence[str] | None = None) -> Overlap:
    """Decide whether the routines of two techniques overlap enough in the columns to be made alike in them.

    Assumes nothing about sampling, and never looks at the outcome: the decision can't be bent by the result.

    Parameters
    ----------
    first : sequence of n bool
        True for the first technique.
    X : n x p numbers, a table or one column; without the constant
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.

    Returns
    -------
    Overlap

    Raises
    ------
    ValueError
        If first isn't True/False with routines of both techniques, or X isn't numeric and finite.

    Notes
    -----
    The rule is the same for every sheet. It refuses when

    1. a combination of columns tells without error who used which technique (found exactly, by linear programming):
       then no routine has its like, and any adjusted number would be the model's alone; or
    2. fewer than 5 routines of either technique have their like in the other; or
    3. fewer than half of either technique's routines have; or
    4. in a single column fewer than 5, or than half, of either technique's routines lie inside the other's range of
       values: a fitted chance that is linear in the columns can't see middling routines between easy and hard ones.

    A routine has its like when no combination of columns gives its technique away without error, and when its chance
    of the first technique, fitted by penalised (Firth) logistic regression, lies between the larger of the two
    techniques' smallest and the smaller of their largest chances. That range is lenient: one routine can stretch it.
    So `enough` means that adjusting is not absurd, and `effective` tells how much is left to compare.

    How often it refuses (tests/reference/overlap/refusals.csv: 200 simulated meets a case; 1, 3 or 5 columns, of which
    the first moves the choice):

    - choice at random: 20 and 20 routines, 15 and 60, 60 and 60, at most 2 %; 9 and 22, 0, 10 and 31 %;
    - odds of the first technique times e^2 for each standard deviation: 20 and 20, 40 to 67 %; 60 and 60, 5 to 10 %;
    - times e^4: 20 and 20, 90 to 98 %; 60 and 60, 69 to 84 %.

    Examples
    --------
    Every routine of the first technique was harder than any of the second: nothing to adjust with.

    >>> first = [True] * 5 + [False] * 8
    >>> found = overlap(first, [5.6, 5.7, 5.8, 5.8, 6.0, 4.8, 4.9, 5.0, 5.1, 5.1, 5.2, 5.3, 5.5], names=["difficulty"])
    >>> found.enough, found.why
    (False, 'difficulty tells without error who used which technique')
    >>> print(overlap(first, [5.2, 5.7, 5.0, 5.3, 6.0, 4.8, 4.9, 5.9, 5.1, 5.1, 5.2, 5.3, 5.5], names=["difficulty"]))
    4 of 5 and 6 of 8 routines have their like in the other technique; weighted by overlap they count as 4.8 and 7.3;
    not enough: only 4 of 5 routines of the first technique have their like in the other, fewer than 5; the techniques
    differ most in difficulty

    References
    ----------
    Rosenbaum & Rubin 1983, Biometrika 70:41-55. Crump, Hotz, Imbens & Mitnik 2009, Biometrika 96:187-199. Li, Morgan
    & Zaslavsky 2018, Journal of the American Statistical Association 113:390-400 (overlap weights). Firth 1993,
    Biometrika 80:27-38.

    Not for: choosing columns. Dropping one until the rule lets the rest pass leaves the difference in it.
    """
    arm = check_arm(first)
    design = read_design(arm, X, names)
    columns = tuple(_column(name, design.X[:, j], arm) for j, name in enumerate(design.names[1:]))
    n = int(arm.sum()), int((~arm).sum())
    told = separation_of(design)
    if len(told.rows) == design.n:
        by = tuple(str(design.names[design.labels.index(column) + 1]) for column in told.columns)
        verb = "tells" if len(by) == 1 else "together tell"
        return _none(f"{_listed(by)} {verb} without error who used which technique", n, columns, by)
    model = Penalised(design)
    peak = model.best()
    if not peak.found:
        return _none(
            "the search for each routine's chance of the first technique did not settle", n, columns, ()
        )
    beta = np.concatenate([[prediction_constant(model, peak.beta)], peak.beta[1:]])
    chance = expit(model.rows @ beta)
    common = (
        float(max(chance[arm].min(), chance[~arm].min())),
        float(min(chance[arm].max(), chance[~arm].max())),
    )
    # Equal rows have equal chances only up to rounding.
    alike = (chance >= common[0] - 1e-12) & (chance <= common[1] + 1e-12)
    alike[list(told.rows)] = False
    inside = int(alike[arm].sum()), int(alike[~arm].sum())
    effective = _worth(1 - chance[arm]), _worth(chance[~arm])
    apart = _told_apart(design, model, beta, arm)
    why = _refusal(inside, n, apart) or _refused_by_column(columns)
    return Overlap(
        enough=not why,
        why=why,
        summary=f"{inside[0]} of {n[0]} and {inside[1]} of {n[1]} routines have their like in the other technique; "
        f"weighted by overlap they count as {effective[0]:.1f} and {effective[1]:.1f}",
        n=n,
        inside=inside,
        common=common if common[0] <= common[1] else (math.nan, math.nan),
        effective=effective,
        columns=columns,
        told_apart_by=apart,
    )


def _none(
    why: str, n: tuple[int, int], columns: tuple[ColumnOverlap, ...], apart: tuple[str, ...]
) -> Overlap:
    """No routine is known to have its like."""
    return Overlap(
        enough=False,
        why=why,
        summary=f"none of {n[0]} and {n[1]} routines has its like in the other technique",
        n=n,
        inside=(0, 0),
        common=(math.nan, math.nan),
        effective=(0.0, 0.0),
        columns=columns,
        told_apart_by=apart,
    )


def _column(name: str, values: Floats, arm: Any) -> ColumnOverlap:
    one, two = values[arm], values[~arm]
    ranges = [(float(group.min()), float(group.max())) for group in (one, two)]
    inside = tuple(
        int(((group >= low) & (group <= high)).sum())
        for group, (low, high) in zip((one, two), reversed(ranges), strict=True)
    )
    binary = bool(np.isin(values, (0, 1)).all())
    counts = tuple((int(group.sum()), len(group)) for group in (one, two)) if binary else ()
    return ColumnOverlap(
        name=name,
        first=ranges[0],
        second=ranges[1],
        inside=(inside[0], inside[1]),
        n=(len(one), len(two)),
        counts=counts,
    )


def _worth(weights: Floats) -> float:
    """How many equally weighted routines are as precise as these: (sum w)^2 / sum w^2."""
    return float(weights.sum() ** 2 / (weights**2).sum())


def _told_apart(design: Design, model: Penalised, beta: Floats, arm: Any) -> tuple[str, ...]:
    """The columns that make most of the distance between the techniques' mean fitted logits.

    That distance is a sum over columns of coefficient times difference in means, so each column has its part.
    """
    parts = beta[1:] * (model.rows[arm].mean(axis=0) - model.rows[~arm].mean(axis=0))[1:]
    if not len(parts) or parts.max() <= 1e-9:
        return ()
    large = [k for k in np.argsort(-parts, kind="stable") if parts[k] >= parts.max() / 2]
    return tuple(str(design.names[model.independent.kept[k] + 1]) for k in large)


def _too_few(inside: tuple[int, int], n: tuple[int, int]) -> list[tuple[str, str]]:
    """Which technique has too few routines inside, and the rule that says so."""
    found = []
    for which, seen, total in zip(("first", "second"), inside, n, strict=True):
        if seen < FEWEST or seen < LEAST_SHARE * total:
            rule = f"fewer than {FEWEST}" if seen < FEWEST else "fewer than half"
            found.append((f"only {seen} of {total} routines of the {which} technique", rule))
    return found


def _refusal(inside: tuple[int, int], n: tuple[int, int], apart: tuple[str, ...]) -> str:
    told = [f"{who} have their like in the other, {rule}" for who, rule in _too_few(inside, n)]
    if told and apart:
        told.append(f"the techniques differ most in {_listed(apart)}")
    return "; ".join(told)


def _refused_by_column(columns: tuple[ColumnOverlap, ...]) -> str:
    return "; ".join(
        f"{column.name}: {who} lie inside the other's range, {rule}"
        for column in columns
        for who, rule in _too_few(column.inside, column.n)
    )


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
