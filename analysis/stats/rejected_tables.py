"""Which of all two by two tables an exact test of two rates rejects: the whole region at once.

Calling a test on every one of the (n1 + 1)(n2 + 1) tables would take minutes. Barnard's and Boschloo's tests order the
tables and reject from the extreme end inwards, so only the border has to be found: a grid of common rates guesses it,
and the test itself, with its certified p-value, decides there. Fisher's p is computed for all tables in floats; where
it lies near alpha, or rests on tables that are nearly tied, it is computed again as a fraction.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlog1py, xlogy

from analysis.stats.bernstein import Floats, certified_maximum
from analysis.stats.coherence import error_rate
from analysis.stats.conditional import fisher_p
from analysis.stats.rejection import conditional_rows, log_factorials, relative_error
from analysis.stats.result import Alternative
from analysis.stats.unconditional_tests import barnard, boschloo

TESTS = ("boschloo", "barnard", "fisher", "fisher mid-p")
NAMES = {
    "boschloo": "Boschloo, Fisher p",
    "barnard": "Barnard, pooled z",
    "fisher": "Fisher's exact test",
    "fisher mid-p": "Fisher's exact test, mid-p",
}

Region = NDArray[np.bool_]

# Far above the rounding of a key, far below the gap between keys that differ: nearer ones are settled exactly.
_NEAR = 1e-9
_RATES = 48  # common rates of the grid that guesses where the border lies


def alpha_fraction(alpha: float) -> Fraction:
    """Return alpha as the decimal that was meant: 1/20 for 0.05."""
    return 1 - error_rate(float(alpha))


def binomial(n: int, rate: float) -> Floats:
    """Return the probabilities of 0..n successes, at any rate from 0 to 1 (scipy's overflow at rates near 1e-308).

    Examples
    --------
    >>> binomial(2, 0.9).round(2).tolist()
    [0.01, 0.18, 0.81]
    """
    x, logs = np.arange(n + 1), log_factorials(n)
    ways = logs[n] - (logs + logs[::-1])
    found: Floats = np.exp(ways + xlogy(x, rate) + xlog1py(n - x, -rate))
    return found


def region_work(n1: int, n2: int) -> float:
    """Elementary operations of finding a region, roughly."""
    return 400.0 * (n1 + 1) * (n2 + 1) + 1e5 * (n1 + n2)


@lru_cache(maxsize=32)
def rejected_tables(n1: int, n2: int, test: str, alpha: float, alternative: Alternative) -> Region:
    """Return which tables the test rejects: entry [x1, x2] is True where its p is at most alpha.

    Assumes two independent binomial counts, both groups with at least one routine. Parameters as in
    `power.exact_power`. The array is read-only.

    Examples
    --------
    >>> region = rejected_tables(9, 22, "boschloo", 0.05, "two-sided")
    >>> bool(region[9, 14]), int(region.sum())
    (True, 104)
    """
    if alternative == "less":
        region = rejected_tables(n2, n1, test, alpha, "greater").T
    elif test in ("fisher", "fisher mid-p"):
        region = _fisher_region(n1, n2, alternative, test == "fisher mid-p", alpha_fraction(alpha))
    else:
        region = _ordered_region(n1, n2, test, alternative, alpha_fraction(alpha))
    region.setflags(write=False)
    return region


def region_size(region: Region) -> float:
    """Return the largest probability of the region over all common rates, as a certified bound.

    Examples
    --------
    >>> round(region_size(rejected_tables(9, 22, "boschloo", 0.05, "two-sided")), 4)
    0.0474
    """
    n1, n2 = region.shape[0] - 1, region.shape[1] - 1
    by_total = np.zeros(n1 + n2 + 1)
    x1 = np.arange(n1 + 1)
    for start, logs in conditional_rows(n1, n2):
        x2 = start + np.arange(len(logs))[:, None] - x1
        inside = (x2 >= 0) & (x2 <= n2)
        inside[inside] = region[np.broadcast_to(x1, x2.shape)[inside], x2[inside]]
        by_total[start : start + len(logs)] = np.where(inside, np.exp(logs), 0.0).sum(axis=1)
    return min(1.0, certified_maximum(np.minimum(by_total, 1.0)).bound)


def _fisher_region(n1: int, n2: int, side: Alternative, mid: bool, alpha: Fraction) -> Region:
    p, unsure = _fisher_values(n1, n2, side, mid)
    near = np.abs(p - float(alpha)) <= _NEAR * float(alpha)
    region: Region = p <= float(alpha)
    for x1, x2 in np.argwhere(near | unsure):
        region[x1, x2] = fisher_p(int(x1), n1, int(x2), n2, side, mid) <= alpha
    return region


def _fisher_values(n1: int, n2: int, side: Alternative, mid: bool = False) -> tuple[Floats, Region]:
    """Fisher's p of every table, and which ones rest on tables that may or may not be tied."""
    p, unsure = np.zeros((n1 + 1, n2 + 1)), np.zeros((n1 + 1, n2 + 1), dtype=bool)
    doubt = 4 * relative_error(n1 + n2)
    for start, logs in conditional_rows(n1, n2):
        chances = np.exp(logs)
        if side == "two-sided":
            mirrored = (n1 == n2) | (2 * (start + np.arange(len(logs))) == n1 + n2)
            found, shaky = _sums_of_small(chances, mirrored, mid, doubt)
        else:
            found = np.cumsum(chances[:, ::-1], axis=1)[:, ::-1] - (0.5 * chances if mid else 0.0)
            shaky = np.zeros(chances.shape, dtype=bool)
        row, x1 = np.nonzero(np.isfinite(logs))
        p[x1, start + row - x1] = found[row, x1]
        unsure[x1, start + row - x1] = shaky[row, x1]
    return np.minimum(p, 1.0), unsure


def _sums_of_small(chances: Floats, mirrored: Region, mid: bool, doubt: float) -> tuple[Floats, Region]:
    """Two-sided p along each row: the sum of the probabilities that are no larger, ties entering together.

    A row that is its own mirror image has ties, which agree in every bit. Other near ties are marked: whether they are
    ties is for integers to say.
    """
    order = np.argsort(chances, axis=1, kind="stable")
    rising = np.take_along_axis(chances, order, axis=1)
    sums = np.zeros((len(rising), rising.shape[1] + 1))
    np.cumsum(rising, axis=1, out=sums[:, 1:])
    tied = (rising[:, 1:] > 0) & (rising[:, 1:] <= rising[:, :-1] * (1 + doubt))
    certain = tied & (rising[:, 1:] == rising[:, :-1]) & mirrored[:, None]
    column = np.arange(rising.shape[1])
    edge = np.ones(len(rising), dtype=bool)[:, None]
    begins = np.maximum.accumulate(np.where(np.hstack([edge, ~tied]), column, 0), axis=1)
    ends = np.where(np.hstack([~tied, edge]), column, len(column))
    ends = np.minimum.accumulate(ends[:, ::-1], axis=1)[:, ::-1]
    last = np.take_along_axis(sums, ends + 1, axis=1)
    found = (last + np.take_along_axis(sums, begins, axis=1)) / 2 if mid else last
    doubtful = np.cumsum(np.hstack([~edge, tied & ~certain]), axis=1)
    shaky = np.take_along_axis(doubtful, ends, axis=1) > np.take_along_axis(doubtful, begins, axis=1)
    p, unsure = np.empty_like(found), np.empty_like(shaky)
    np.put_along_axis(p, order, found, axis=1)
    np.put_along_axis(unsure, order, shaky, axis=1)
    return p, unsure


def _ordered_region(n1: int, n2: int, test: str, side: Alternative, alpha: Fraction) -> Region:
    """The region of a test that orders all tables: everything before the border."""
    call = barnard if test == "barnard" else boschloo
    keys = _pooled_z_keys(n1, n2, side) if test == "barnard" else _fisher_keys(n1, n2, side)
    order = np.argsort(keys, axis=None, kind="stable")
    ranked = keys.ravel()[order]
    # Keys nearer than their rounding stand in one cluster; clusters are in their exact order.
    fresh = np.concatenate([[True], np.diff(ranked) > _NEAR * np.abs(ranked[1:])])
    starts = np.append(np.flatnonzero(fresh), len(ranked))

    def table(place: int) -> tuple[int, int]:
        x1, x2 = divmod(int(order[place]), n2 + 1)
        return x1, x2

    def rejects(x1: int, x2: int) -> bool:
        return Fraction(call(x1, n1, x2, n2, side).p_value) <= alpha

    guess = int(np.searchsorted(_guessed_p(n1, n2, order)[starts[1:] - 1], float(alpha), side="right")) - 1
    border = _last_true(lambda cluster: rejects(*table(starts[cluster])), guess, len(starts) - 1)
    region = np.zeros(keys.size, dtype=bool)
    region[order[: starts[max(border, 0)]]] = True
    # The first table of a cluster spoke for it; in the two clusters at the border every table speaks for itself.
    verdicts: dict[Hashable, bool] = {}
    for place in range(starts[max(border, 0)], starts[min(border + 2, len(starts) - 1)]):
        x1, x2 = table(place)
        exact = _exact_key(x1, n1, x2, n2, test, side)
        if exact not in verdicts:
            verdicts[exact] = rejects(x1, x2)
        region[order[place]] = verdicts[exact]
    return region.reshape(keys.shape)


def _last_true(holds: Callable[[int], bool], guess: int, count: int) -> int:
    """The last place of 0..count-1 at which `holds`, which is true up to it and false after it; -1 if nowhere."""
    low, high, step = -1, count, 1
    probe = min(max(guess, 0), count - 1)
    while high - low > 1:
        if holds(probe):
            low = probe
        else:
            high = probe
        if low == -1:
            probe = max(high - step, 0)
        elif high == count:
            probe = min(low + step, count - 1)
        else:
            probe = (low + high) // 2
        step *= 2
    return low


def _fisher_keys(n1: int, n2: int, side: Alternative) -> Floats:
    keys, unsure = _fisher_values(n1, n2, side)
    for x1, x2 in np.argwhere(unsure):
        keys[x1, x2] = float(fisher_p(int(x1), n1, int(x2), n2, side))
    return keys


def _pooled_z_keys(n1: int, n2: int, side: Alternative) -> Floats:
    """Less the square of the pooled z, with its sign when one-sided; up to a factor that all tables share."""
    x1, x2 = np.arange(n1 + 1)[:, None], np.arange(n2 + 1)[None, :]
    lead = (x1 * n2 - x2 * n1).astype(float)
    spread = ((x1 + x2) * (n1 + n2 - x1 - x2)).astype(float)
    square = np.divide(lead * lead, spread, out=np.zeros_like(spread), where=spread > 0)
    return -square if side == "two-sided" else -np.sign(lead) * square


def _exact_key(x1: int, n1: int, x2: int, n2: int, test: str, side: Alternative) -> Fraction | float:
    if test == "boschloo":
        return fisher_p(x1, n1, x2, n2, side)
    lead, spread = x1 * n2 - x2 * n1, (x1 + x2) * (n1 + n2 - x1 - x2)
    sign = 1 if side == "two-sided" or lead >= 0 else -1
    return Fraction(sign * lead * lead, spread) if spread else Fraction(0)


def _guessed_p(n1: int, n2: int, order: NDArray[np.int64]) -> Floats:
    """The probability of each table and all before it in this order, at the least favourable rate of a grid."""
    found = np.zeros(len(order))
    for rate in np.sin(np.linspace(0, np.pi / 2, _RATES + 2)[1:-1]) ** 2:
        first = binomial(n1, rate)
        second = binomial(n2, rate)
        np.maximum(found, np.cumsum(np.outer(first, second).ravel()[order]), out=found)
    return found
