"""Agreement on points: intraclass correlations, and the limits within which two coders' differences lie."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import fdtri, nctdtrit, ndtri, stdtrit

from analysis.stats.coded import clean_code
from analysis.stats.kappa import RANDOM_UNITS, Array
from analysis.stats.pseudo_counts import TOO_MANY, Measure, check_seed, drawn_limits, with_pseudo_patterns
from analysis.stats.result import Interval, _Shown, check_choice, check_level
from analysis.stats.thousandths import LARGEST

FORMS = {
    "1,1": "one-way, single coder",
    "2,1": "absolute agreement, single coder",
    "3,1": "consistency, single coder",
    "1,k": "one-way, mean of the coders",
    "2,k": "absolute agreement, mean of the coders",
    "3,k": "consistency, mean of the coders",
}
INTERVALS = ("dirichlet", "f")
FEW = 12  # different values up to which points are treated as categories with distances
NO_SPREAD = "all ratings are equal, so there is nothing to tell apart"


class Squares(NamedTuple):
    """Mean squares of a two-way table of targets by coders; `within` is that of the one-way model."""

    targets: Array
    coders: Array  # divided by the number of targets
    error: Array
    within: Array


def intraclass(
    ratings: Sequence[Sequence[float]] | npt.ArrayLike,
    form: str = "2,1",
    level: float = 0.95,
    interval: Literal["dirichlet", "f"] | None = None,
    seed: int = 0,
    values: Sequence[float] | None = None,
) -> Interval:
    """Intraclass correlation of points given by two or more coders to the same routines.

    Assumes that the routines coded twice are a random part of all and independent of each other; the F interval also
    assumes normal ratings, which deductions in steps of a tenth are far from.

    Parameters
    ----------
    ratings : routines by coders
        One row per routine, one column per coder, in points. Rows with a missing value are left out and counted.
    form : {"1,1", "2,1", "3,1", "1,k", "2,k", "3,k"}
        Shrout and Fleiss's model (1: each routine has its own coders; 2: the coders stand for others like them, and
        their bias counts; 3: these coders only, bias doesn't count) and unit (one coder, or the mean of all).
    level : float
    interval : {"dirichlet", "f"}, optional
        "dirichlet": percentiles under draws of the routines' weights with two pseudo-counts, for points that take few
        values. "f": Shrout and Fleiss's limits, for measurements with normal errors. By default the first for up to
        FEW (12) different values, otherwise the second: on simulated deductions the 95 % F limits covered 37 % at
        worst, on normal scores the drawn limits are several times too wide (tests/reference/agreement.csv).
    seed : int
        Of the draws.
    values : sequence of numbers, optional
        All points that a routine can lose, for the drawn limits: correlations live on the rare large deductions, and a
        sample that happens to have none doesn't show how uncertain that leaves them.

    Returns
    -------
    Interval
        NaN with the whole scale where all ratings are equal. F limits have no width where the coders never differ:
        then the interval is the whole scale and says so.

    Raises
    ------
    ValueError
        If the ratings aren't a table of numbers with two or more columns, or an option is unknown.

    Examples
    --------
    >>> points = [[0, 0], [0.1, 0.1], [0.3, 0.3], [0, 0], [0.1, 0.3], [1.0, 1.0], [0, 0], [0.5, 0.5], [0, 0.1]]
    >>> found = intraclass(points)
    >>> round(found.estimate, 2), found.low < 0.8, round(found.high, 2)
    (0.98, True, 0.99)

    Not for
    -------
    Saying how many tenths coders differ by: see `limits_of_agreement`. Comparing samples with different spread.

    References
    ----------
    Shrout & Fleiss 1979, Psychological Bulletin 86:420-428; McGraw & Wong 1996, Psychological Methods 1:30-46.
    """
    check_choice("form", form, tuple(FORMS))
    if interval is not None:
        check_choice("interval", interval, INTERVALS)
    level, seed = check_level(level), check_seed(seed)
    table, left_out = _table(ratings)
    n, m = table.shape
    floor = -1 / (m - 1)
    estimate = float(_of_rows(table, form[0])) if n > 1 else math.nan
    low, high, why = floor, 1.0, [left_out] if left_out else []
    scale = _scale(table, values)
    interval = interval or ("dirichlet" if len(scale) <= FEW else "f")
    made = (
        with_pseudo_patterns(np.searchsorted(scale, table), len(scale), near=True) if len(scale) > 1 else None
    )
    if math.isnan(estimate):
        why.append(NO_SPREAD if n > 1 else "fewer than two routines were rated by all coders")
    elif interval == "f":
        limits = _f_limits(table, form[0], level)
        low, high = limits or (low, high)
        if limits is None:
            why.append("the coders never differ, so F limits have no width")
    elif made is None:
        why.append(TOO_MANY)
    else:
        low, high = drawn_limits(_measure(scale[made[0]], form[0], n), made[1], n, estimate, level, seed)
    if form.endswith("k"):
        estimate, low, high = (_stepped_up(value, m) for value in (estimate, low, high))
    return Interval(
        quantity=f"intraclass correlation ({form}, {FORMS[form]})",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method="F" if interval == "f" else "Dirichlet percentiles",
        n=n,
        assumes=RANDOM_UNITS + (", ratings are normal" if interval == "f" else ""),
        why="; ".join(why),
    )


@dataclass(frozen=True)
class LimitsOfAgreement(_Shown):
    """How far two coders' points lie apart: mean difference and the limits that hold most differences."""

    mean: Interval
    lower: Interval
    upper: Interval

    def __str__(self) -> str:
        return f"{self.mean}\n{self.lower}\n{self.upper}"


def limits_of_agreement(
    points_a: Iterable[Any], points_b: Iterable[Any], level: float = 0.95, share: float = 0.95
) -> LimitsOfAgreement:
    """Bland and Altman's limits of agreement, first coder minus second, each with an exact interval.

    Assumes independent routines and normal differences. Deductions differ in steps and mostly not at all, so read the
    limits as a rough scale in points and give the share of equal codes beside them.

    Parameters
    ----------
    points_a, points_b : sequences of numbers
        Position i is the same routine. Pairs with a missing value are left out and counted.
    level : float
        Confidence level of each interval.
    share : float
        Share of differences that the limits are to hold.

    Returns
    -------
    LimitsOfAgreement
        Where the coders never differ (or always by the same), or with fewer than two pairs, the limits' own intervals
        are NaN and say why.

    Raises
    ------
    ValueError
        If the lists differ in length or hold anything but numbers.

    Examples
    --------
    >>> a = [0, 0.1, 0.3, 0, 0.1, 0.5, 0.3, 0, 0.1]
    >>> b = [0, 0.1, 0.1, 0, 0.3, 0.5, 0.3, 0.1, 0.1]
    >>> found = limits_of_agreement(a, b)
    >>> print(found.upper)
    upper limit of agreement 0.1955 (95 % 0.1080 to 0.4097), noncentral t, 9 observations

    Not for
    -------
    Ordered grades, or differences that grow with the deduction.

    References
    ----------
    Bland & Altman 1986, The Lancet 327:307-310; Carkeet 2015, Optometry and Vision Science 92:e71-e80.
    """
    level = check_level(level)
    if isinstance(share, bool) or not 0 < share < 1:
        raise ValueError(f"share is {share!r}; it lies strictly between 0 and 1, such as 0.95")
    first, second = list(points_a), list(points_b)
    if len(first) != len(second):
        raise ValueError(
            f"{len(first)} and {len(second)} points; position i must be the same routine for both"
        )
    table, left_out = _table(list(zip(first, second, strict=True)))
    n = len(table)
    why = left_out
    # Sums of tenths: what differs in the thirteenth decimal is equal.
    differences = np.round(table[:, 0] - table[:, 1], 10)
    mean = float(differences.mean()) if n else math.nan
    sd = float(differences.std(ddof=1)) if n > 1 else math.nan
    if n > 1 and np.ptp(differences) == 0:
        why = "; ".join(
            part for part in (left_out, "the differences do not vary, so their spread is unknown") if part
        )
    elif n < 2:
        why = "; ".join(part for part in (left_out, "fewer than two routines were rated by both") if part)
    known = n > 1 and sd > 0 and np.ptp(differences) > 0
    tail = (1 - level) / 2
    z = float(ndtri((1 + share) / 2))
    half = float(stdtrit(n - 1, 1 - tail)) * sd / math.sqrt(n) if known else math.nan
    # The quantile mean + z sd has (mean + z sd - estimate) / (s / sqrt n) noncentral t (Carkeet 2015).
    near, far = (
        float(nctdtrit(n - 1, z * math.sqrt(n), p)) * sd / math.sqrt(n) if known else math.nan
        for p in (tail, 1 - tail)
    )
    reach = z * sd if known else math.nan

    def interval(quantity: str, estimate: float, low: float, high: float, method: str) -> Interval:
        return Interval(
            quantity=quantity,
            estimate=estimate,
            low=low,
            high=high,
            level=level,
            method=method,
            n=n,
            assumes="independent routines, normal differences",
            why=why,
        )

    return LimitsOfAgreement(
        mean=interval("mean difference", mean, mean - half, mean + half, "t"),
        lower=interval("lower limit of agreement", mean - reach, mean - far, mean - near, "noncentral t"),
        upper=interval("upper limit of agreement", mean + reach, mean + near, mean + far, "noncentral t"),
    )


def _table(ratings: Any) -> tuple[Array, str]:
    """Return the complete rows as floats, and what was left out."""
    listed = ratings.to_numpy(dtype=object) if hasattr(ratings, "to_numpy") else ratings
    try:
        rows = [[clean_code(value, "row", place) for value in row] for place, row in enumerate(listed)]
    except TypeError:
        rows = [[]]
    width = len(rows[0]) if rows else 2
    if width < 2 or any(len(row) != width for row in rows):
        raise ValueError(
            "ratings are a table: a row per routine and a column per coder, at least two columns"
        )
    complete = [row for row in rows if None not in row]
    for row in complete:
        for value in row:
            if not isinstance(value, Real) or not abs(value) <= LARGEST:  # type: ignore[operator]
                raise ValueError(f"rating {value!r} is not a finite number up to {LARGEST:,} in size")
    lost = len(rows) - len(complete)
    note = f"{lost} of {len(rows)} left out: a rating is missing" if lost else ""
    return np.array(complete, dtype=float).reshape(len(complete), width), note


def _scale(table: Array, values: Sequence[float] | None) -> Array:
    """Return the points that occur or are said to be possible, in order."""
    if values is None:
        return np.unique(table)
    given, _ = _table([[value, value] for value in values])
    missing = np.setdiff1d(table, given)
    if len(missing):
        allowed = ", ".join(f"{value:g}" for value in np.unique(given))
        raise ValueError(f"rating {missing[0]:g} is not one of the values {allowed}")
    return np.unique(given)


def _moments(rows: Array) -> Array:
    """Return what the mean squares need of each row: the ratings, the square of their mean, and their mean square."""
    return np.column_stack((rows, rows.mean(axis=1) ** 2, (rows**2).mean(axis=1)))


def _squares(moments: Array, n: int) -> Squares:
    """Return the mean squares of weighted rows from their mean moments (the last axis), for n targets."""
    coders, of_mean, of_all = moments[..., :-2], moments[..., -2], moments[..., -1]
    m = coders.shape[-1]
    middle = coders.mean(axis=-1)
    targets = m * (of_mean - middle**2) * n / (n - 1)
    within = m * (of_all - of_mean) / (m - 1)
    bias = ((coders - middle[..., None]) ** 2).sum(axis=-1) / (m - 1)
    error = (within - bias) * n / (n - 1)
    small = 1e-13 * (of_all + 1e-300)  # what subtraction leaves of nothing
    return Squares(
        *(np.where(np.abs(square) < small, 0.0, square) for square in (targets, bias, error, within))
    )


def _correlation(squares: Squares, model: str, m: int, n: int) -> Array:
    """Return the correlation for a single coder."""
    noise = squares.within if model == "1" else squares.error
    below = squares.targets + (m - 1) * noise
    if model == "2":
        below = below + m * (squares.coders - squares.error / n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(below > 0, (squares.targets - noise) / below, np.nan)


def _of_rows(table: Array, model: str) -> Array:
    n, m = table.shape
    centred = table - table.mean()  # nothing is lost when all ratings are high
    return _correlation(_squares(_moments(centred).mean(axis=0), n), model, m, n)


def _measure(rows: Array, model: str, n: int) -> Measure:
    """Return the correlation as a function of the rows' weights."""
    moments = _moments(rows - rows.mean())

    def correlation(drawn: Array) -> Array:
        return _correlation(_squares(drawn @ moments, n), model, rows.shape[1], n)

    return correlation


def _f_limits(table: Array, model: str, level: float) -> tuple[float, float] | None:
    """Return Shrout and Fleiss's limits for a single coder, or None where the coders never differ."""
    n, m = table.shape
    squares = _squares(_moments(table - table.mean()).mean(axis=0), n)
    targets, coders, error, within = (float(square) for square in squares)
    upper = 1 - (1 - level) / 2
    noise = within if model == "1" else error
    if noise <= 0:
        return None
    if model != "2":
        df = n * (m - 1) if model == "1" else (n - 1) * (m - 1)
        ratios = targets / noise / fdtri(n - 1, df, upper), targets / noise * fdtri(df, n - 1, upper)
        low, high = (float((ratio - 1) / (ratio + m - 1)) for ratio in ratios)
        return low, high
    rho = float(_correlation(squares, model, m, n))
    bias = n * coders / error
    own = n * (1 + (m - 1) * rho) - m * rho
    spread = (n - 1) * (m * rho * bias) ** 2 + own**2
    # Where the coders' means don't differ (bias 0) the own term cancels, and it must also where it is 0 itself.
    df = (m - 1) * (n - 1) * ((m * rho * bias + own) ** 2 / spread if spread else 1.0)
    rest = m * n * coders + (m * n - m - n) * error
    f_low, f_high = float(fdtri(n - 1, df, upper)), float(fdtri(df, n - 1, upper))
    low = n * (targets - f_low * error) / (f_low * rest + n * targets)
    high = n * (f_high * targets - error) / (rest + n * f_high * targets)
    return low, high


def _stepped_up(value: float, m: int) -> float:
    """Return the correlation of the mean of m coders from that of one (Spearman and Brown)."""
    below = 1 + (m - 1) * value
    return m * value / below if below > 1e-12 or math.isnan(below) else -math.inf
