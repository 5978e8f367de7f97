"""Rejection regions of the exact unconditional tests, as conditional probabilities given the total.

Given the total s of both groups, x1 has the central hypergeometric distribution, whatever the common rate. The
probability c_s that the region has under it is the s-th Bernstein coefficient of the region's probability as a
function of the common rate. Which tables belong to a region is decided exactly: in integers for the pooled z, and
for Fisher p-values in floats with a proven error, then in integers wherever that error leaves doubt.

All routines here take the smaller group first (the callers see to it), so that a row holds at most n1 + 1 tables.

The error of a probability: a log-factorial from compensated summation is within 3 u lf(N) of the truth (u = 2^-53,
lf(N) = log N!), twelve such terms of total size at most 4 lf(N) enter, and their additions round eight times; so the
relative error of a hypergeometric probability is below 20 u lf(N): 2e-13 for 40 routines, 7e-11 for 4,000.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from analysis.stats.bernstein import UNIT, Floats

SMALLEST = 1e-280  # below it floats lose their digits, and a p-value is only bounded
CELLS = 1 << 19  # cells of a chunk of rows: 4 MB

Integers = NDArray[np.int64]


@lru_cache(maxsize=4)
def _log_factorials(length: int) -> Floats:
    """Log 0!, ..., log (length - 1)! by compensated summation, so that the error doesn't grow with the length."""
    found = np.zeros(length)
    total, lost = 0.0, 0.0
    for k in range(2, length):
        term = math.log(k)
        new = total + term
        lost += (total - new) + term  # total >= term from k = 3 on
        total = new
        found[k] = total + lost
    return found


def log_factorials(n: int) -> Floats:
    """Log 0!, ..., log n!."""
    return _log_factorials(1 << (n + 1).bit_length())[: n + 1]


def relative_error(total: int) -> float:
    """Bound on the relative error of the conditional probabilities for this number of observations."""
    return 20 * UNIT * float(log_factorials(total)[total]) + 4 * UNIT * (total + 2)


def conditional_rows(n1: int, n2: int) -> Iterator[tuple[int, Floats]]:
    """Yield (first total, log probabilities of x1 = 0..n1 given each total), a chunk of totals at a time."""
    size = n1 + n2
    lf = log_factorials(size)
    # The brackets make C(n, x) and C(n, n - x) the same float, so tables that mirror each other tie in every bit.
    first = lf[n1] - (lf[: n1 + 1] + lf[n1::-1])
    second = np.full(2 * n1 + n2 + 1, -np.inf)
    second[n1 : n1 + n2 + 1] = lf[n2] - (lf[: n2 + 1] + lf[n2::-1])
    both = lf[size] - lf[: size + 1] - lf[size::-1]
    windows = sliding_window_view(second, n1 + 1)[:, ::-1]  # row s, column x1: log C(n2, s - x1)
    rows = max(1, CELLS // (n1 + 1))
    for start in range(0, size + 1, rows):
        stop = min(size + 1, start + rows)
        yield start, windows[start:stop] + first - both[start:stop, None]


def _tail_probabilities(n1: int, n2: int, low: Integers, high: Integers) -> Floats:
    """P(x1 <= low[s] or x1 >= high[s] | s) for each total s."""
    found = np.empty(n1 + n2 + 1)
    x = np.arange(n1 + 1)
    for start, logs in conditional_rows(n1, n2):
        part = slice(start, start + len(logs))
        outside = (x <= low[part, None]) | (x >= high[part, None])
        found[part] = np.exp(logs, out=np.zeros_like(logs), where=outside).sum(axis=1)
    return np.minimum(found, 1.0)


def pooled_z_limits(
    x1: int, n1: int, x2: int, n2: int, alternative: Literal["two-sided", "greater"], strict: bool = False
) -> tuple[Integers, Integers]:
    """For each total s, the tables whose pooled z is as extreme as the observed one: x1 <= low[s] or x1 >= high[s].

    With `strict` (two-sided only) the tables that are more extreme, ties left out.

    With D = x1 n2 - x2 n1 = x1 N - s n1 and K = s (N - s), z^2 = N D^2 / (n1 n2 K): z^2 >= z_obs^2 exactly when
    D^2 K_obs >= D_obs^2 K. Where K = 0 all agree and z = 0. Squares pass 2^63 from n = 1,449: Python's integers.
    """
    size, total = n1 + n2, x1 + x2
    lead, spread = x1 * n2 - x2 * n1, total * (size - total)
    totals = np.arange(size + 1, dtype=np.int64)
    if strict:
        need = [math.isqrt(lead * lead * s * (size - s) // max(spread, 1)) + 1 for s in range(size + 1)]
    elif lead == 0:
        need = [0] * (size + 1)
    elif lead > 0 or alternative == "two-sided":
        square, beyond = lead * lead, n1 * n2 * 2
        need = [
            math.isqrt((square * s * (size - s) - 1) // spread) + 1 if 0 < s < size else beyond
            for s in range(size + 1)
        ]
    else:
        square = lead * lead
        need = [-math.isqrt(square * s * (size - s) // spread) for s in range(size + 1)]
    wanted = np.array(need, dtype=np.int64)
    high = -((-wanted - totals * n1) // size)
    low = (totals * n1 - wanted) // size if alternative == "two-sided" else np.full(size + 1, -1)
    return low, high


def pooled_z_region(
    x1: int, n1: int, x2: int, n2: int, alternative: Literal["two-sided", "greater"]
) -> Floats:
    """Conditional probability, for each total, of a pooled z as extreme as the observed one."""
    low, high = pooled_z_limits(x1, n1, x2, n2, alternative)
    return _tail_probabilities(n1, n2, low, high)


def _weights(n1: int, n2: int, total: int) -> tuple[int, list[int]]:
    """The smallest possible x1 given the total, and C(n1, x) C(n2, total - x) for it and all that follow."""
    x, last = max(0, total - n2), min(n1, total)
    weight = math.comb(n1, x) * math.comb(n2, total - x)
    found = [weight]
    while x < last:
        weight = weight * (n1 - x) * (total - x) // ((x + 1) * (n2 - total + x + 1))
        found.append(weight)
        x += 1
    return max(0, total - n2), found


def _exact_sum(n1: int, n2: int, total: int, low: int, high: int) -> Fraction:
    """P(low <= x1 < high | total) as a fraction."""
    first, weights = _weights(n1, n2, total)
    return Fraction(sum(weights[max(0, low - first) : max(0, high - first)]), math.comb(n1 + n2, total))


def fisher_greater_region(x1: int, n1: int, x2: int, n2: int) -> tuple[Floats, float]:
    """Conditional probability of a one-sided Fisher p (x1 high) as small as the observed one, and that p.

    The probabilities never exceed p_obs, so below `SMALLEST` they are given as zero.

    Given s the region is x1 >= high, where high is the first x with P(x1 >= x | s) <= p_obs, or, which is the same
    and keeps its digits when p_obs is near 1, with P(x1 < x | s) >= 1 - p_obs.
    """
    size, total = n1 + n2, x1 + x2
    if x1 == max(0, total - n2):
        return np.ones(size + 1), 1.0
    observed = _exact_sum(n1, n2, total, x1, n1 + 1)
    if observed < SMALLEST:
        return np.zeros(size + 1), float(observed)
    upper = observed <= Fraction(1, 2)
    target = observed if upper else 1 - observed
    mark = max(float(target), 5e-324)
    doubt = 4 * relative_error(size)
    found = np.empty(size + 1)
    for start, logs in conditional_rows(n1, n2):
        row = np.arange(len(logs))
        chances = np.exp(logs[:, ::-1] if upper else logs)
        sums = np.zeros((len(logs), n1 + 2))
        np.cumsum(chances, axis=1, out=sums[:, 1:])
        if upper:  # column k: P(x1 > n1 - k)
            place = (sums[:, 1:] <= mark * (1 + doubt)).sum(axis=1)
        else:  # column k: P(x1 < k)
            place = (sums[:, :-1] < mark * (1 - doubt)).sum(axis=1)
        unsure = np.abs(sums[row, place] - mark) <= mark * doubt
        for i in np.flatnonzero(unsure & (start + row != total)):
            k = int(place[i])
            if upper and _exact_sum(n1, n2, start + int(i), n1 + 1 - k, n1 + 1) > target:
                place[i] = k - 1
            elif not upper and _exact_sum(n1, n2, start + int(i), 0, k) < target:
                place[i] = k + 1
        inside = sums[row, place]
        found[start : start + len(logs)] = inside if upper else 1 - inside
    return np.clip(found, 0.0, 1.0), float(observed)


def fisher_two_sided_region(x1: int, n1: int, x2: int, n2: int) -> tuple[Floats, float]:
    """Conditional probability of a two-sided Fisher p as small as the observed one, and that p.

    The two-sided p adds the probabilities of all tables that are no likelier than the observed one. Given s, sorted
    probabilities add up to the possible p-values; equal ones, one on each side of the mode, enter together. No sum
    exceeds p_obs, so below `SMALLEST` they are given as zero.
    """
    size, total = n1 + n2, x1 + x2
    first, weights = _weights(n1, n2, total)
    observed = Fraction(sum(w for w in weights if w <= weights[x1 - first]), math.comb(size, total))
    if observed == 1:
        return np.ones(size + 1), 1.0
    if observed < SMALLEST:
        return np.zeros(size + 1), float(observed)
    p_obs = float(observed)
    doubt = 4 * relative_error(size)
    found = np.empty(size + 1)
    for start, logs in conditional_rows(n1, n2):
        rising = np.sort(np.exp(logs), axis=1)
        sums = np.zeros((len(rising), n1 + 2))
        np.cumsum(rising, axis=1, out=sums[:, 1:])
        row = np.arange(len(rising))
        kept = (sums[:, 1:] <= p_obs * (1 + doubt)).sum(axis=1)
        last, following = rising[row, np.maximum(kept - 1, 0)], rising[row, np.minimum(kept, n1)]
        tied = (kept > 0) & (kept <= n1) & (last > 0) & (following <= last * (1 + doubt))
        # Where the row is its own mirror image the only tie is with the mirrored table: both stay out.
        mirrored = tied & (last == following) & ((n1 == n2) | (2 * (start + row) == size))
        kept -= mirrored
        unsure = (tied & ~mirrored) | (sums[row, kept] >= p_obs * (1 - doubt))
        for i in np.flatnonzero(unsure):
            kept[i] = n1 + 1 - _exact_surplus(n1, n2, start + int(i), observed)
        found[start : start + len(rising)] = sums[row, kept]
    return np.clip(found, 0.0, 1.0), p_obs


def _exact_surplus(n1: int, n2: int, total: int, observed: Fraction) -> int:
    """How many of the tables with this total have a two-sided Fisher p above the observed one."""
    _, weights = _weights(n1, n2, total)
    limit = observed * math.comb(n1 + n2, total)
    weights.sort()
    level, inside = 0, 0
    for i, weight in enumerate(weights):
        level += weight
        if i + 1 < len(weights) and weights[i + 1] == weight:
            continue
        if level > limit:
            break
        inside = i + 1
    return len(weights) - inside
