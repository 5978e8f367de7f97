"""What the landing costs for the same mix of routines: the standardised difference in points between techniques."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import t

from analysis.stats.clustered import CONSTANT
from analysis.stats.design_matrix import Design, Floats, Ints, independent_columns, read_design
from analysis.stats.effective import effective_sizes, shared_correlation, spreads
from analysis.stats.result import Interval, check_level
from analysis.stats.routines import Routines, few_athletes, number_codes
from analysis.stats.separated import separation_of
from analysis.stats.standardised import square_and_add
from analysis.stats.thousandths import thousandths

_METHOD = "standardised by a linear model, {slopes}, square-and-add of score limits at an effective n"
_PARTS = 1e8  # residuals are counted in parts of the largest, so that a group without spread has exactly none
_PER_COLUMN = (
    10  # routines (athletes) that the smaller technique needs for each column to have slopes of its own
)
_DEARER = 2  # and they may at most double the variance of the difference
_NOTHING = 1e-9  # a residual variance below this share of the plain one is rounding


def standardised_points(
    points: Any,
    first: Any,
    X: Any = None,
    level: float = 0.95,
    athlete: Sequence[Hashable] | None = None,
    names: Sequence[str] | None = None,
) -> Interval:
    """Difference in mean points lost if every routine here had been done with the first technique, and the second.

    Assumes mean points that are linear in the columns (for each technique by itself where there are enough routines,
    with the same slopes otherwise), and independent routines, or independent athletes if `athlete` is given. It is a
    comparison of like with like as far as the columns go, not a proof that the technique makes the difference.

    Parameters
    ----------
    points : sequence of n numbers
        Points lost per routine, whole thousandths.
    first : sequence of n bool
        True for the first technique.
    X : n x p numbers, a table or one column, optional
        What the two techniques are made alike in; without the constant and without `first`.
    level : float
        Confidence level.
    athlete : sequence of n hashable codes, optional
        With it, athletes are the units.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.

    Returns
    -------
    Interval
        In points, first minus second. NaN with `why` when there is nothing to compare: only one technique, no overlap
        (the columns tell who used which technique without error), columns that repeat the technique, or points that
        don't vary.

    Raises
    ------
    ValueError
        If points are missing or not whole thousandths, first is not true or false, X is not numeric and finite,
        lengths differ, or level makes no sense.

    Notes
    -----
    The estimate is the difference of the means predicted over all rows, by least squares. Each technique has slopes of
    its own where the smaller one has ten routines (athletes) for each column and that at most doubles the variance;
    this depends on the columns alone, and `method` says which it was. A standardised mean m has v, its variance in
    units of the residual variance, and an effective n = 1 / (v d), with d the design effect of the athletes' residuals
    (`analysis.stats.effective`). The limits are those of `clustered_difference`: ``(m - mu)^2 = t^2 phi mu / n_eff``
    counted from the smallest points seen, phi the residual variance in units of the mean, so that a technique that
    never lost a point borrows the other's spread; combined by square and add with the correlation that shared columns
    and shared athletes bring. t is on twice (athletes less slopes). Without columns it *is* the clustered difference.

    Evidence: tests/reference/points/standardised.csv, 40 cells of 300 meets, 30 to 200 routines, better athletes
    choosing the first technique, deductions on a logistic scale so that no line is true, nominal 95 %; worst cell,
    mean, mean width:

    - one routine per athlete: this .916, .956, .25; always common slopes .843, .952, .25; always own slopes .930, .957,
      .90; least squares with HC2 and Satterthwaite's t .710, .931, .17, with own slopes .767, .938, .21;
    - 20 to 100 athletes, 1 to 3 routines each: this .950, .969, .32; always common slopes .883, .961, .32; always own
      slopes .943, .966, .47; least squares with CR2 .673, .902, .18; this with repeats ignored .867, .927, .23.

    Below .93 are two cells in which few and good athletes (one in four) choose a technique that hardly ever loses
    points, 30 or 60 routines in all: falls that no routine showed, and a saving that would be larger for weaker ones.
    Common slopes don't mend with more routines (.84 at 200), which is why there are own ones.

    Examples
    --------
    >>> points = [0] * 7 + [.1, .1] + [0] * 14 + [.1, .1, .1, .3, .3, .5, .1, 1]
    >>> first = [True] * 9 + [False] * 22
    >>> final = [0, 0, 0, 0, 1, 1, 1, 1, 1] + [0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1] + [0] * 7 + [1]
    >>> found = standardised_points(points, first, final)
    >>> round(found.estimate, 4), round(found.low, 4), round(found.high, 4)
    (-0.0927, -0.25, 0.158)

    References
    ----------
    Zou & Donner 2008, Statistics in Medicine 27:1693-1702 (square and add). Lin 2013, Annals of Applied Statistics
    7:295-318 (separate slopes; from memory). Pustejovsky & Tipton 2018, Journal of Business & Economic Statistics
    36:672-683 (the small-sample cluster-robust variance that was tried; from memory).

    Not for: techniques that hardly overlap in the columns (the answer is then the model's, not the data's), or more
    columns than about one for ten routines.
    """
    level = check_level(level)
    lost = thousandths(points, "points")
    given = _read(lost, first, X, names)
    arm = given.y
    codes, _ = number_codes(range(given.n) if athlete is None else athlete, "athlete")
    if len(codes) != given.n:
        raise ValueError(f"athlete has {len(codes)} codes and points {given.n} values; they must be as many")

    rows, refused = _rows(given)
    sloped = rows if refused else _own_slopes(rows, codes)
    slopes = "the same slopes for both techniques" if sloped is rows else "own slopes for each technique"
    method = _METHOD.format(slopes=slopes) if rows.shape[1] > 2 else _METHOD.replace(" {slopes},", "")

    def interval(estimate: float, low: float, high: float, why: str) -> Interval:
        return Interval(
            quantity="standardised difference in points",
            estimate=estimate,
            low=low,
            high=high,
            level=level,
            method=method if athlete is None else f"{method} that counts athletes",
            n=given.n,
            assumes=f"{'routines' if athlete is None else 'athletes'} independent, mean linear in the columns",
            why=why,
        )

    if refused:
        return interval(math.nan, math.nan, math.nan, refused)
    return interval(*_limits(sloped, lost, arm, codes, level))


def _read(lost: Ints, first: Any, X: Any, names: Sequence[str] | None) -> Design:
    """The columns with the technique as their outcome: 1 for the first, 0 for the second."""
    arm = np.asarray(first)
    if arm.shape != lost.shape or not np.isin(arm, (0, 1)).all():
        raise ValueError(
            f"first must hold {len(lost)} values True or False, one per routine; it has shape {arm.shape}"
        )
    if len(lost) == 0:
        raise ValueError("points has no values; at least one routine is needed")
    columns = np.zeros((len(lost), 0)) if X is None else X
    if np.shape(columns)[:1] != lost.shape:
        raise ValueError(
            f"points has {len(lost)} values and X the shape {np.shape(columns)}; one row each is needed"
        )
    return read_design(arm, columns, names)


def _rows(given: Design) -> tuple[Floats, str]:
    """The model's rows (constant, technique, centred columns), and why the techniques can't be compared, or ""."""
    arm, nothing = given.y, np.zeros((given.n, 0))
    if arm.min() == arm.max():
        return nothing, "only one technique"
    names = ("constant", "the technique", *given.names[1:])
    independent = independent_columns(np.column_stack([arm, given.X]), names)
    if not independent.estimable[1]:
        return nothing, f"no comparison for the same mix: {independent.why}"
    told = separation_of(given)
    if len(told.rows) == given.n:
        by = ", ".join(str(given.names[given.labels.index(column) + 1]) for column in told.columns)
        return nothing, f"the techniques do not overlap: {by} tells without error who used which"
    columns = given.X[:, [j - 1 for j in independent.kept if j > 0]]
    if columns.shape[1] + 2 >= given.n:
        return nothing, f"{columns.shape[1]} columns are too many for {given.n} routines"
    return np.column_stack(
        [np.ones(given.n), arm, (columns - columns.mean(axis=0)) / columns.std(axis=0)]
    ), ""


def _own_slopes(rows: Floats, athlete: Ints) -> Floats:
    """The rows with own slopes for each technique, where there is enough to tell them; otherwise the rows.

    Decided by the columns alone and never by the points.
    """
    arm, columns = rows[:, 1], rows.shape[1] - 2
    fewest = min(len(np.unique(athlete[arm == technique])) for technique in (0, 1))
    if columns == 0 or fewest < _PER_COLUMN * columns:
        return rows
    sloped = np.column_stack([rows, rows[:, 2:] * arm[:, None]])
    if np.linalg.matrix_rank(sloped) < sloped.shape[1]:
        return rows
    variances = [np.linalg.inv(design.T @ design)[1, 1] for design in (sloped, rows)]
    return sloped if variances[0] <= _DEARER * variances[1] else rows


@dataclass(frozen=True, eq=False)
class _LeastSquares:
    """Both standardised means, the first technique's first, and what their limits need.

    `units` are the variances of the means in units of `variance`, the residual one.
    """

    estimate: float
    means: tuple[float, float]
    units: tuple[float, float]
    correlation: float
    residuals: Floats
    variance: float


def _least_squares(rows: Floats, lost: Floats) -> _LeastSquares:
    """Fit the line. At the mean of the columns all but the first two entries of a row are 0, own slopes included."""
    inverse = np.linalg.inv(rows.T @ rows)
    beta = inverse @ (rows.T @ lost)
    residuals = lost - rows @ beta
    second, both, first = inverse[0, 0], inverse[0, 1], inverse[:2, :2].sum()
    return _LeastSquares(
        estimate=float(beta[1]),
        means=(float(beta[0] + beta[1]), float(beta[0])),
        units=(float(first), float(second)),
        correlation=float((second + both) / math.sqrt(first * second)),
        residuals=residuals,
        variance=float(residuals @ residuals) / (len(lost) - rows.shape[1]),
    )


def _limits(
    rows: Floats, lost: Ints, arm: Ints, athlete: Ints, level: float
) -> tuple[float, float, float, str]:
    """Estimate, both limits, and why they are missing or weak."""
    fit = _least_squares(rows, lost / 1000)
    why = _no_spread(fit, lost, arm)
    if why:
        return fit.estimate, math.nan, math.nan, why
    # Athletes are judged by what the columns leave over: part of their likeness is in the columns.
    scaled = np.rint(fit.residuals / np.abs(fit.residuals).max() * _PARTS).astype(np.int64)
    residuals = Routines(scaled, 1 - arm, athlete)
    groups = spreads(residuals, _PARTS)
    sizes = effective_sizes(groups)
    correlation = min(1.0, fit.correlation + shared_correlation(residuals, _PARTS, groups, sizes))
    freedom = 2 * max(1, int(athlete.max()) + 1 - (rows.shape[1] - 2))
    quantile = float(t.isf((1 - level) / 2, freedom))
    origin = int(lost.min()) / 1000
    phi = fit.variance / (float(lost.mean()) / 1000 - origin)
    distances = []
    for mean, unit, group, size in zip(fit.means, fit.units, groups, sizes, strict=True):
        above = max(0.0, mean - origin)  # the line may run below the smallest points; the truth doesn't
        step = quantile**2 * phi * unit * group.n / size
        half = math.sqrt(step * above + step**2 / 4)
        distances.append((min(above, half - step / 2), half + step / 2))
    (down1, up1), (down2, up2) = distances
    low = fit.estimate - square_and_add(down1, up2, correlation)
    high = fit.estimate + square_and_add(up1, down2, correlation)
    return fit.estimate, low, high, few_athletes(group.athletes for group in groups)


def _no_spread(fit: _LeastSquares, lost: Ints, arm: Ints) -> str:
    """Why the data can't say how far off the estimate is, or ""."""
    if all(len(np.unique(lost[arm == technique])) == 1 for technique in (0, 1)):
        return CONSTANT
    if fit.variance < _NOTHING * float(np.var(lost / 1000)):
        return "the columns tell the points without error, so the data cannot say how far off the means are"
    return ""
