"""Groups of yes/no outcomes given their grand total: how probable is a split as improbable as the one seen?

One engine for two questions. A k x 2 table (stuck or not by technique) is k binomials given their total; several
2 x 2 tables with a common odds ratio are as many hypergeometric counts given their total. In both, the number of
stuck routines in group j has log-concave weights, the groups are independent, and only their total is given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq

from analysis.stats.paths import Floats, Ints, Ladder, Meter, ladder, meet, merge, ranges, runs


def tilted(log_weights: Floats, theta: float) -> Floats:
    """Probabilities in proportion to exp(log_weights[x] + theta x)."""
    log_terms = log_weights + theta * np.arange(len(log_weights))
    terms = np.exp(log_terms - log_terms.max())
    return np.asarray(terms / terms.sum())


def tilt_to_total(log_weights: Sequence[Floats], total: float) -> float:
    """The theta at which the expected sum of the groups is `total` (infinite at either end of the support).

    With noncentral hypergeometric weights, exp(theta) is the conditional maximum likelihood odds ratio.
    """
    if total <= 0:
        return -math.inf
    if total >= sum(len(each) - 1 for each in log_weights):
        return math.inf

    def excess(theta: float) -> float:
        return math.fsum(
            float(np.dot(tilted(each, theta), np.arange(len(each)))) for each in log_weights
        ) - float(total)

    low, high = -1.0, 1.0
    while excess(low) > 0:
        low *= 2
    while excess(high) < 0:
        high *= 2
    return float(brentq(excess, low, high, xtol=1e-14, rtol=8.9e-16))


def convolve_all(parts: Sequence[Floats]) -> Floats:
    """Distribution of the sum of independent counts that start at 0, the shortest ones first."""
    found = np.ones(1)
    for part in sorted(parts, key=len):
        found = np.convolve(found, part)
    return found


def chain_tail(
    keys: Sequence[Ints], total: int, observed: int, scale: float, guard: int, meter: Meter
) -> tuple[float, float]:
    """Probability, given the total, of a split whose summed key is `observed` or more: (attained, bound).

    Parameters
    ----------
    keys : sequence of int64 arrays
        For each group and each count x = 0, 1, ... the key of its weight, which is exp(-key / scale).
    total, observed : int
        The total of the groups' counts; the observed sum of keys.
    scale, guard : float, int
        As in `Factorials`.
    meter : Meter
        Raises OverBudget when the work is too much.

    Notes
    -----
    The groups are cut into two halves. Each half lists its splits by (sum so far, key), equal ones merged; a split
    that stays extreme however the others fall is added to `always` and followed no further, one that can never
    become extreme is dropped. The halves meet at every sum by a search in sorted keys. Weights are tilted so that
    the groups' expected sum is the total: then what matters neither over- nor underflows.
    """
    spare = sum(len(key) - 1 for key in keys) - total
    if total == 0 or spare == 0:
        return 1.0, 1.0
    ordered = sorted(keys, key=len, reverse=True)
    halves = ordered[::2], ordered[1::2]
    logs = [[-key / scale for key in half] for half in halves]
    theta = tilt_to_total(logs[0] + logs[1], total)
    shares = [[tilted(log, theta) for log in half] for half in logs]
    sums = [convolve_all(half) for half in shares]
    first, always_first = _half(halves[0], halves[1], shares[0], theta, total, observed, scale, guard, meter)
    second, always_second = _half(
        halves[1], halves[0], shares[1], theta, total, observed, scale, guard, meter
    )
    room = min(len(sums[0]) - 1, total)
    here = np.arange(max(0, total - (len(sums[1]) - 1)), room + 1)
    everything = float(np.dot(sums[0][here], sums[1][total - here]))
    bound = math.fsum(always_first[at] * sums[1][total - at] for at in here if at < len(always_first))
    doubtful = 0.0
    for at, left in first.items():
        if total - at < len(always_second):
            bound += float(left.from_here[0] * always_second[total - at])
        right = second.get(total - at)
        if right is not None:
            found, unsure = meet(left, right, observed, guard)
            bound += found
            doubtful += unsure
    return float(min(1.0, (bound - doubtful) / everything)), float(min(1.0, bound / everything))


def _half(
    own: Sequence[Ints],
    other: Sequence[Ints],
    shares: Sequence[Floats],
    theta: float,
    total: int,
    observed: int,
    scale: float,
    guard: int,
    meter: Meter,
) -> tuple[dict[int, Ladder], Floats]:
    """Splits of one half that are not yet decided, by their sum; and the probability of those always extreme."""
    at, key, count = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64), np.ones(1)
    always = np.zeros(1)
    log_norm = work = 0.0
    for step, (choices, share) in enumerate(zip(own, shares, strict=True)):
        rest = [*own[step + 1 :], *other]
        # Each key is convex in x up to rounding, so the smallest increments give a bound below for every sum.
        rises = np.sort(np.concatenate([np.diff(each) for each in rest]))
        cheapest = sum(int(each[0]) for each in rest) + np.concatenate([[0], np.cumsum(rises)])
        dearest = sum(int(max(each[0], each[-1])) for each in rest)
        likeliest = int(np.argmax(share))
        log_norm += float(theta * likeliest - choices[likeliest] / scale - np.log(share[likeliest]))
        always = np.convolve(always, share)
        low = np.maximum(0, total - len(rises) - at)
        tries = np.maximum(np.minimum(len(choices) - 1, total - at) - low + 1, 0)
        work, before = float(tries.sum()), work
        # Past a million the growth only slows, so two more steps at the last rate are a fair forecast.
        ahead = (work / before) ** min(len(own) - 1 - step, 2) if work > 1e6 and before else 1.0
        meter.add(int(work), expected=work * ahead, held=3 * len(at))
        kept = []
        for part in runs(tries):
            run, offset = ranges(tries[part])
            value = offset + low[part][run]
            new_at = at[part][run] + value
            new_key = key[part][run] + choices[value]
            sure = new_key + cheapest[total - new_at] > observed + guard
            if sure.any():
                weight = count[part][run[sure]] * np.exp(
                    theta * new_at[sure] - new_key[sure] / scale - log_norm
                )
                found = np.bincount(new_at[sure], weight)
                always[: len(found)] += found
            open_ = np.flatnonzero(~sure & (new_key + dearest >= observed - guard))
            kept.append((new_at[open_], new_key[open_], count[part][run[open_]]))
        at, key, count = (np.concatenate([each[i] for each in kept]) for i in range(3))
        if step < len(own) - 1:
            place, count = merge(at, key, count)
            at, key = at[place], key[place]
    weights = count * np.exp(theta * at - key / scale - log_norm)
    small = np.uint16 if total < 1 << 16 else np.int64  # numpy sorts 16 bits by radix
    order = np.argsort(at.astype(small), kind="stable")
    at, key, weights = at[order], key[order], weights[order]
    sums, starts = np.unique(at, return_index=True)
    ends = np.append(starts[1:], len(at))
    return {
        int(here): ladder(key[a:b], weights[a:b]) for here, a, b in zip(sums, starts, ends, strict=True)
    }, always
