"""Zelen's exact test of homogeneity: all sets of tables with the observed margins and the observed sum."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.stats.budget import Budget
from analysis.stats.result import Test

_METHOD = "Zelen's exact test of one odds ratio in all strata"
_ASSUMES = "independent routines"
SLACK = 1e-9
"""Relative slack of a drawn set's probability, computed in floats, within which it counts as a tie."""


def zelen_test(rows: Sequence[tuple[int, int, int, int]], budget: Budget, seed: int) -> Test:
    """Test homogeneity for (x1, n1, x2, n2) per stratum, every one of them informative."""
    n = sum(n1 + n2 for _, n1, _, n2 in rows)
    supports = [(max(0, x1 + x2 - n2), min(n1, x1 + x2)) for x1, n1, x2, n2 in rows]
    total = sum(row[0] for row in rows)
    sets = _count_sets(supports, total)
    if sets <= 1:
        why = "the margins allow one set of tables only, so it carries no information"
        return Test(1.0, "two-sided", _METHOD, n, assumes=_ASSUMES, why=why, smallest=1.0)
    # A merged product costs a big-integer multiplication, some 200 elementary operations.
    if budget.allows(operations=200.0 * sets, cells=10.0 * sets):
        smaller, whole = _enumerated(rows, supports, total)
        return Test(
            float(smaller) / float(whole) if whole < 10**300 else _share(smaller, whole),
            "two-sided",
            _METHOD,
            n,
            assumes=_ASSUMES,
        )
    share, draws = _drawn(rows, supports, total, budget, seed)
    error = math.sqrt(share * (1 - share) / draws)
    why = f"the sets of tables are too many for the budget; {draws:,} were drawn"
    return Test(share, "two-sided", _METHOD, n, draws=draws, error=error, assumes=_ASSUMES, why=why)


def _share(part: int, whole: int) -> float:
    """Divide two integers that are too large for floats."""
    shift = max(0, whole.bit_length() - 900)
    return (part >> shift) / (whole >> shift)


def _count_sets(supports: Sequence[tuple[int, int]], total: int) -> int:
    """Count the sets of tables with the observed sum."""
    counts = {0: 1}
    for low, high in supports:
        nxt: dict[int, int] = {}
        for done, ways in counts.items():
            for a in range(low, high + 1):
                nxt[done + a] = nxt.get(done + a, 0) + ways
        counts = nxt
    return counts.get(total, 0)


def _weights(row: tuple[int, int, int, int], support: tuple[int, int]) -> list[int]:
    x1, n1, x2, n2 = row
    return [math.comb(n1, a) * math.comb(n2, x1 + x2 - a) for a in range(support[0], support[1] + 1)]


def _enumerated(
    rows: Sequence[tuple[int, int, int, int]], supports: Sequence[tuple[int, int]], total: int
) -> tuple[int, int]:
    """Return the summed weights of the sets that are not likelier than the observed one, and of all sets.

    Sets with the same sum and the same product so far behave alike, so they are merged with their number.
    """
    least = [0] * (len(rows) + 1)
    most = [0] * (len(rows) + 1)
    for i in range(len(rows) - 1, -1, -1):
        least[i] = least[i + 1] + supports[i][0]
        most[i] = most[i + 1] + supports[i][1]
    observed = 1
    states: dict[tuple[int, int], int] = {(0, 1): 1}
    for i, (row, support) in enumerate(zip(rows, supports, strict=True)):
        weights = _weights(row, support)
        observed *= weights[row[0] - support[0]]
        nxt: dict[tuple[int, int], int] = {}
        for (done, product), ways in states.items():
            for a, weight in enumerate(weights, start=support[0]):
                left = total - done - a
                if least[i + 1] <= left <= most[i + 1]:
                    key = (done + a, product * weight)
                    nxt[key] = nxt.get(key, 0) + ways
        states = nxt
    smaller = sum(product * ways for (_, product), ways in states.items() if product <= observed)
    return smaller, sum(product * ways for (_, product), ways in states.items())


def _drawn(
    rows: Sequence[tuple[int, int, int, int]],
    supports: Sequence[tuple[int, int]],
    total: int,
    budget: Budget,
    seed: int,
) -> tuple[float, int]:
    """Draw sets of tables given the sum, stratum by stratum, and return (b + 1) / (B + 1) and B."""
    rng = np.random.default_rng(seed)
    logs = []
    for row, support in zip(rows, supports, strict=True):
        found = np.array([math.log(weight) for weight in _weights(row, support)])
        logs.append(found - found.max())
    # rest[i][s]: chance that strata i, i + 1, ... add s above their least sum.
    rest = [np.ones(1)]
    for log in reversed(logs):
        rest.append(np.convolve(rest[-1], np.exp(log)))
        rest[-1] /= rest[-1].max()
    rest.reverse()
    draws = budget.draws
    left = np.full(draws, total - sum(support[0] for support in supports))
    score = np.zeros(draws)
    seen = 0.0
    for i, log in enumerate(logs):
        step = np.arange(len(log))
        sums = np.arange(len(rest[i]))
        after = sums[:, None] - step[None, :]
        inside = (after >= 0) & (after < len(rest[i + 1]))
        chances = np.where(inside, np.exp(log) * rest[i + 1][np.clip(after, 0, len(rest[i + 1]) - 1)], 0.0)
        totals = chances.sum(axis=1, keepdims=True)
        # One sorted line for all rows: row r holds r to r + 1, so one search serves every draw.
        line = np.cumsum(chances / np.where(totals > 0, totals, 1.0), axis=1)
        line[:, -1] = 1.0
        place = np.searchsorted((line + sums[:, None]).ravel(), left + rng.random(draws), side="right")
        chosen = np.minimum(place - left * len(log), len(log) - 1)
        score += log[chosen]
        left = left - chosen
        seen += float(log[rows[i][0] - supports[i][0]])
    reached = int((score <= seen + SLACK * max(1.0, abs(seen))).sum())
    return (reached + 1) / (draws + 1), draws
