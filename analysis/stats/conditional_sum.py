"""The distribution of the sum of first cells of several 2 x 2 tables, given all their margins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from scipy.special import gammaln

MOST_BITS = 4_000_000
"""Above this many bits for all weights together, ties are left to the float's own bound (they then count as ties)."""


class ConditionalSum:
    """The sum of first cells given the margins, at any common odds ratio exp(t).

    `observed` is the sum that was seen, `place` its position in the support, `at_least` whether a smaller sum is
    possible and `at_most` whether a larger one is.
    """

    def __init__(self, rows: Sequence[tuple[int, int, int, int]]) -> None:
        self._tables = [_log_weights(x1 + x2, n1, n2) for x1, n1, x2, n2 in rows]
        self.lowest = sum(max(0, x1 + x2 - n2) for x1, n1, x2, n2 in rows)
        self.highest = sum(min(n1, x1 + x2) for x1, n1, x2, n2 in rows)
        self.observed = sum(row[0] for row in rows)
        self.place = self.observed - self.lowest
        self.at_least = self.observed > self.lowest
        self.at_most = self.observed < self.highest
        self.chances = lru_cache(maxsize=256)(self._chances)

    def _chances(self, t: float) -> np.ndarray:
        """Probabilities of every sum at odds ratio exp(t); each stratum is normalised first, so nothing overflows."""
        total = np.ones(1)
        for logs in self._tables:
            tilted = logs + t * np.arange(len(logs))
            weights = np.exp(tilted - tilted.max())
            total = np.convolve(total, weights / weights.sum())
        return total / total.sum()

    def tails(self, t: float) -> tuple[float, float]:
        """P(sum <= observed) and P(sum >= observed)."""
        chances = self.chances(t)
        return float(chances[: self.place + 1].sum()), float(chances[self.place :].sum())

    def point(self, t: float) -> float:
        """P(sum = observed)."""
        return float(self.chances(t)[self.place])

    def mean(self, t: float) -> float:
        """The expected sum."""
        chances = self.chances(t)
        return float((chances * np.arange(self.lowest, self.highest + 1)).sum())


def _log_weights(stuck: int, n1: int, n2: int) -> np.ndarray:
    """Log of C(n1, a) C(n2, stuck - a) for each possible a."""
    a = np.arange(max(0, stuck - n2), min(n1, stuck) + 1)

    def log_choose(n: int, k: np.ndarray) -> np.ndarray:
        return gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)

    return log_choose(n1, a) + log_choose(n2, stuck - a)


def exact_weights(rows: Sequence[tuple[int, int, int, int]]) -> list[int] | None:
    """Whole-number weights of every sum at odds ratio 1, or None where they would not fit.

    The polynomials are multiplied as single integers (Kronecker's substitution): with room for the largest
    coefficient between the digits, the product's digits are the coefficients.
    """
    bits = sum(n1 + n2 for _, n1, _, n2 in rows) + len(rows) + 1
    length = 1 + sum(min(n1, x1 + x2) - max(0, x1 + x2 - n2) for x1, n1, x2, n2 in rows)
    if bits * length > MOST_BITS:
        return None
    product = 1
    for x1, n1, x2, n2 in rows:
        stuck = x1 + x2
        first = max(0, stuck - n2)
        product *= sum(
            (math.comb(n1, a) * math.comb(n2, stuck - a)) << (bits * (a - first))
            for a in range(first, min(n1, stuck) + 1)
        )
    mask = (1 << bits) - 1
    return [(product >> (bits * place)) & mask for place in range(length)]
