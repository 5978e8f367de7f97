"""How far coding errors could move the difference between two stuck rates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.stats.pseudo_counts import check_seed, expanded_tail
from analysis.stats.result import Interval, check_choice, check_count, check_level

Array = npt.NDArray[np.float64]

DRAWS = 100_000
DRAWN = ("at random", "by first code")
ASSUMES = (
    "the second column's codes are right, coding errors are as common in both techniques, and the double-coded "
    "routines were drawn {drawn}"
)


def difference_with_miscoding(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    table: Sequence[Sequence[int]] | npt.ArrayLike,
    level: float = 0.95,
    seed: int = 0,
    drawn: Literal["at random", "by first code"] = "at random",
    uncorrected: Interval | None = None,
) -> Interval:
    """Difference of two stuck rates (first minus second) as it would be without coding errors, with its interval.

    Assumes two independent groups of independent routines; that the reference codes of the double-coded part are right;
    that errors are as common in both techniques (the coder didn't judge one more kindly); and that the double-coded
    routines were drawn at random from all, or at random among those with each first code.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and second technique, as the main coder coded them.
    table : 2 by 2 counts
        The double-coded routines. Rows: stuck, not stuck by the reference (agreed codes, or the second coder);
        columns: stuck, not stuck by the main coder. With a second coder as reference the result is the difference as
        that coder would have seen it.
    level : float
    seed : int
        Of the draws.
    drawn : {"at random", "by first code"}
        How the double-coded routines were chosen. Where rare codes of the main coder were favoured, his share of right
        codes among all that the reference calls stuck can't be read off the table; it is then found from the share of
        right codes among those he called stuck (and not stuck) and from how often he did so in x1, n1, x2, n2.
    uncorrected : Interval, optional
        The interval that takes the codes as right, such as the headline's (exact, or with athletes as clusters). Its
        limits divided by sensitivity + specificity - 1 are then covered too, so that an interval that knows of coding
        errors is never the shorter one.

    Returns
    -------
    Interval
        Estimate: (r1 + specificity - 1) / (sensitivity + specificity - 1), cut to 0 to 1, less the same for r2. The
        interval: percentiles under draws of the two rates, whose own limits are the mid-p ones, and of the error rates
        by Jeffreys' rule, moved outwards as t with n1 + n2 - 2 degrees of freedom lies outside the normal quantile;
        without coding errors it comes near a mid-p interval. Draws in which the main coder's codes say nothing
        (sensitivity + specificity not above 1) count as -1 and as 1. Where errors can't be corrected (a kind of routine
        wasn't double-coded, or sensitivity + specificity is not above 1) the estimate is NaN and the interval -1 to 1.

    Raises
    ------
    ValueError
        If the counts aren't whole numbers with 0 <= x <= n, the table isn't 2 by 2, or an option is unknown.

    Examples
    --------
    9 of 9 against 14 of 22; of 24 double-coded routines the coder missed one stuck and wrongly gave one. Without
    coding errors it would be 0.01 to 0.57:

    >>> found = difference_with_miscoding(9, 9, 14, 22, [[14, 1], [1, 8]])
    >>> round(found.estimate, 2), round(found.low, 2), round(found.high, 2)
    (0.36, 0.0, 0.74)

    Not for
    -------
    A coder who knew the hypothesis and may have favoured one technique: have each technique's part coded twice and
    compare the coders within it.

    References
    ----------
    Rogan & Gladen 1978, American Journal of Epidemiology 107:71-76.
    """
    level, seed = check_level(level), check_seed(seed)
    check_choice("drawn", drawn, DRAWN)
    groups = check_count(x1, n1, "first"), check_count(x2, n2, "second")
    counts = _check_table(table)
    rng = np.random.default_rng(seed)
    estimate, scale, why = _estimate(groups, counts, drawn)
    low, high = -1.0, 1.0
    if not why:
        right, wrong = _draw_errors(groups, counts, drawn, rng)
        first, second = (_corrected(_draw_rate(x, n, rng), right, wrong) for x, n in groups)
        difference, impossible = first - second, right <= wrong
        tail = expanded_tail(groups[0][1] + groups[1][1] - 1, level)
        low = float(min(np.quantile(np.where(impossible, -1.0, difference), tail), estimate))
        high = float(max(np.quantile(np.where(impossible, 1.0, difference), 1 - tail), estimate))
        if uncorrected is not None:
            low = min(low, max(-1.0, uncorrected.low / scale))
            high = max(high, min(1.0, uncorrected.high / scale))
    return Interval(
        quantity="difference corrected for miscoding",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method="Rogan–Gladen, Beta draws",
        n=groups[0][1] + groups[1][1],
        counts=groups,
        assumes=ASSUMES.format(drawn=drawn),
        why=why,
    )


def _check_table(table: object) -> npt.NDArray[np.int64]:
    counts = np.asarray(table)
    if counts.shape != (2, 2):
        raise ValueError(f"table has shape {counts.shape}; 2 by 2 counts are needed, reference in rows")
    if (
        counts.dtype.kind not in "iuf"
        or not (np.isfinite(counts) & (counts >= 0) & (counts == np.floor(counts))).all()
    ):
        raise ValueError(f"table is {counts.tolist()}; counts are whole numbers from 0")
    return counts.astype(np.int64)


def _error_rates(first: Array, second: Array, called: Array, drawn: str) -> tuple[Array, Array]:
    """Return the shares of stuck and of not-stuck routines that the main coder calls stuck.

    Drawn at random, `first` and `second` are these shares. Drawn by first code they are the shares truly stuck among
    the routines called stuck and called not stuck; Bayes' rule turns them round by `called`, the share called stuck.
    """
    if drawn == "at random":
        return first, second
    with np.errstate(invalid="ignore", divide="ignore"):
        right = first * called / (first * called + second * (1 - called))
        wrong = (1 - first) * called / ((1 - first) * called + (1 - second) * (1 - called))
    return right, wrong


def _corrected(rate: Array, right: Array, wrong: Array) -> Array:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.clip((rate - wrong) / (right - wrong), 0, 1)


def _estimate(
    groups: tuple[tuple[int, int], tuple[int, int]], counts: npt.NDArray[np.int64], drawn: str
) -> tuple[float, float, str]:
    """Return the corrected difference and sensitivity + specificity - 1, or NaN and why there is none."""
    (x1, n1), (x2, n2) = groups
    if not n1 or not n2:
        return math.nan, math.nan, "a group without routines has no rate"
    strata = counts if drawn == "at random" else counts.T
    if not strata.sum(axis=1).all():
        source = "the reference calls" if drawn == "at random" else "the main coder called"
        which = "stuck" if not strata[0].sum() else "not stuck"
        return math.nan, math.nan, f"no double-coded routine that {source} {which}"
    shares = [np.array(row[0] / row.sum()) for row in strata]
    right, wrong = _error_rates(shares[0], shares[1], np.array((x1 + x2) / (n1 + n2)), drawn)
    if not right > wrong:
        return math.nan, math.nan, "sensitivity + specificity is not above 1: such codes can't be corrected"
    rates = [_corrected(np.array(x / n), right, wrong) for x, n in groups]
    return float(rates[0] - rates[1]), float(right - wrong), ""


def _draw_errors(
    groups: tuple[tuple[int, int], tuple[int, int]],
    counts: npt.NDArray[np.int64],
    drawn: str,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    strata = counts if drawn == "at random" else counts.T
    first, second = (rng.beta(row[0] + 0.5, row[1] + 0.5, DRAWS) for row in strata)
    x, n = (sum(values) for values in zip(*groups, strict=True))
    return _error_rates(first, second, rng.beta(x + 0.5, n - x + 0.5, DRAWS), drawn)


def _draw_rate(x: int, n: int, rng: np.random.Generator) -> Array:
    """Return draws of a rate whose quantiles are its mid-p limits: half from the lower, half from the upper exact ones.

    Jeffreys' draws leave too little room where all of a few routines were stuck: 9 of 9 would reach down to .76 only,
    and an interval that knows of coding errors would be shorter than the exact one that doesn't.
    """
    low = np.zeros(DRAWS) if x == 0 else rng.beta(x, n - x + 1, DRAWS)
    high = np.ones(DRAWS) if x == n else rng.beta(x + 1, n - x, DRAWS)
    return np.where(rng.random(DRAWS) < 0.5, low, high)
