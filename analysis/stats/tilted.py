"""Totals of one column, tilted by its coefficient: the coefficient at which a tail or the mean is as wanted."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp

from analysis.stats.design_matrix import Floats


@dataclass(frozen=True, eq=False)
class Tilted:
    """The distribution of one sufficient statistic: at coefficient theta, total t has weight exp(log + theta t).

    `totals` are in rising order, in whole steps, less the observed one, which is among them as 0; `logs` are the
    logarithms of the numbers of arrangements, counted or estimated.
    """

    totals: Floats
    logs: Floats

    @property
    def lowest(self) -> bool:
        """Whether the observed total is the lowest."""
        return bool(self.totals[0] == 0)

    @property
    def highest(self) -> bool:
        """Whether the observed total is the highest."""
        return bool(self.totals[-1] == 0)

    def chances(self, theta: float) -> Floats:
        """The probability of each total when the coefficient is `theta`."""
        tilted = self.logs + theta * self.totals
        return np.asarray(np.exp(tilted - logsumexp(tilted)), dtype=np.float64)

    def moments(self, theta: float) -> tuple[float, float]:
        """Mean and variance of the total, less the observed one, when the coefficient is `theta`."""
        chances = self.chances(theta)
        mean = float(chances @ self.totals)
        return mean, float(chances @ (self.totals - mean) ** 2)

    def in_tail(self, side: int) -> Floats:
        """1 for the totals at or above (side 1) or at or below (-1) the observed one, 0 for the others."""
        return (side * self.totals >= 0).astype(float)

    def with_tail(self, side: int, share: float) -> float:
        """The coefficient at which that tail has probability `share`."""
        inside = self.in_tail(side) > 0

        def excess(theta: float) -> float:
            tilted = self.logs + theta * self.totals
            return float(logsumexp(tilted[inside]) - logsumexp(tilted) - math.log(share))

        return _root(excess, rising=side > 0)

    def estimate(self) -> float:
        """The conditional maximum-likelihood value; at the edge, where that is infinite, the median-unbiased one."""
        if self.lowest or self.highest:
            return self.with_tail(-1 if self.lowest else 1, 0.5)
        return _root(lambda theta: self.moments(theta)[0], rising=True)

    def limits(self, alpha: float) -> tuple[float, float]:
        """The coefficients at which a tail has probability alpha / 2, infinite on the side of an edge."""
        low = -math.inf if self.lowest else self.with_tail(1, alpha / 2)
        high = math.inf if self.highest else self.with_tail(-1, alpha / 2)
        return low, high


def _root(function: Callable[[float], float], rising: bool) -> float:
    """The zero of a monotone function on the whole line."""
    sign = 1.0 if rising else -1.0
    low, high = -1.0, 1.0
    while sign * function(low) > 0:
        low *= 2
    while sign * function(high) < 0:
        high *= 2
    return float(brentq(function, low, high, xtol=1e-13, rtol=1e-14))
