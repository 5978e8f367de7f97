"""Profile-likelihood limits and likelihood-ratio tests of the random-intercept model, its sd included."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.linalg import null_space
from scipy.stats import chi2

from analysis.stats.intercept_likelihood import (
    LARGEST_SD,
    MOST_POINTS,
    Floats,
    Likelihood,
    Peak,
    climb,
    without_spread,
)

UNSETTLED = "the search along the profile did not settle"
OPEN = f"the profile doesn't fall far enough up to an sd of {LARGEST_SD:g}: no {{}} limit"
_AWAY_FROM_ZERO = 0.3  # a search that starts at sd 0 would stay there: the gradient vanishes by symmetry
_COARSE_FALL = 0.05  # of log-likelihood: it moves a 95 % limit to one of 94.7 or 95.3 %
_EXACT = 1e-6  # of the square root of the fall: a millionth of a standard error
_STEPS = 60


class Profiled(NamedTuple):
    """One parameter's profile limits, the p-value of its likelihood-ratio test, and what has to be said of them."""

    low: float
    high: float
    p_value: float
    why: str


class Profile:
    """The profile of a likelihood around its free maximum."""

    def __init__(self, likelihood: Likelihood, peak: Peak) -> None:
        self.likelihood, self.peak = likelihood, peak
        information = likelihood.information(peak.theta)
        if peak.sd == 0:
            # the likelihood is even in the sd, so it has no covariance with the coefficients there
            information[-1, :-1] = information[:-1, -1] = 0
            information[-1, -1] = max(information[-1, -1], 1.0)
        self.information = information
        self.positive = bool(np.linalg.eigvalsh(information)[0] > 0)
        if self.positive:
            self.covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
        self._finer = likelihood.at(MOST_POINTS)

    def coarseness(self, theta: Floats) -> float:
        """How much the log-likelihood changes with the most points that there are."""
        return self._finer(theta) - self.likelihood(theta)

    def coefficient(self, weights: Floats, level: float) -> Profiled:
        """Limits of a linear combination of the coefficients, and the test that it is 0."""
        weights = np.append(weights, 0.0)
        drop = float(chi2.isf(1 - level, 1)) / 2
        low, why_low = self._limit(weights, -1, drop)
        high, why_high = self._limit(weights, 1, drop)
        null = self._held(weights, 0.0, self.peak.theta)
        fall = max(0.0, self.peak.log_likelihood - null.log_likelihood)
        # where the search at 0 ran off to endless sds, its height is still one that the profile reaches
        p_value = float(chi2.sf(2 * fall, 1)) if null.found or null.sd > LARGEST_SD else math.nan
        whys = [why_low, why_high, "" if p_value == p_value else UNSETTLED]
        return Profiled(low, high, p_value, "; ".join(dict.fromkeys(why for why in whys if why)))

    def sd(self, level: float) -> Profiled:
        """Limits of the sd, and the test that there is no spread.

        At the edge of its range the statistic is 0 half of the time, so the p-value is half of the usual one.
        """
        weights = np.append(np.zeros(self.likelihood.width - 1), 1.0)
        drop = float(chi2.isf(1 - level, 1)) / 2
        fall = max(0.0, self.peak.log_likelihood - without_spread(self.likelihood).log_likelihood)
        low, why_low = self._limit(weights, -1, drop) if fall > drop else (0.0, "")
        high, why_high = self._limit(weights, 1, drop)
        p_value = float(chi2.sf(2 * fall, 1)) / 2 if fall > 0 else 1.0
        return Profiled(low, high, p_value, "; ".join(why for why in (why_low, why_high) if why))

    def _held(self, weights: Floats, value: float, start: Floats) -> Peak:
        """The maximum among parameters with weights @ parameters = value, from where `start` follows to first order."""
        along = self.covariance @ weights
        theta = start + (value - float(weights @ start)) / float(weights @ along) * along
        if not weights[-1] and theta[-1] < _AWAY_FROM_ZERO / 3:
            theta[-1] = _AWAY_FROM_ZERO
        theta += (value - float(weights @ theta)) / float(weights @ weights) * weights
        ways = null_space(weights[None])
        return climb(self.likelihood, theta, ways, np.linalg.inv(ways.T @ self.information @ ways))

    def _limit(self, weights: Floats, sign: int, drop: float) -> tuple[float, str]:
        """Where the profile has fallen by `drop`, below (-1) or above (1) its peak, and what has to be said of it.

        Newton on the square root of the fall, which is nearly a straight line, inside a bracket that only shrinks.
        """
        target = math.sqrt(drop)
        middle = inner = float(weights @ self.peak.theta)
        outer = math.inf * sign
        value = inner + sign * target * math.sqrt(2 * float(weights @ self.covariance @ weights))
        start = self.peak.theta
        for _ in range(_STEPS):
            if weights[-1] and sign < 0 and value <= 0:
                value = (
                    inner / 2
                )  # an sd stays positive; at 0 it has fallen far enough, so the limit lies between
            here = self._held(weights, value, start)
            root = math.sqrt(max(self.peak.log_likelihood - here.log_likelihood, 0.0))
            if here.sd > LARGEST_SD and root < target:
                return sign * math.inf, OPEN.format("upper" if sign > 0 else "lower")
            if not here.found and here.sd <= LARGEST_SD:
                return math.nan, UNSETTLED
            if abs(root - target) < _EXACT * target:
                return value, self._say_coarse(here)
            if root < target:
                inner, start = value, here.theta
            else:
                outer = value
            # at a constrained maximum the gradient is a multiple of the weights, and that is the profile's slope
            slope = (
                -float(here.gradient @ weights) / float(weights @ weights) / (2 * root) if root > 0 else 0.0
            )
            value = value + (target - root) / slope if slope * sign > 0 else math.nan
            if not min(inner, outer) < value < max(inner, outer):
                value = (
                    (inner + outer) / 2
                    if math.isfinite(outer)
                    else middle + 2 * (inner - middle) + sign * 0.1
                )
        return math.nan, UNSETTLED

    def _say_coarse(self, limit: Peak) -> str:
        change = self.coarseness(self.peak.theta) - self.coarseness(limit.theta)
        if abs(change) <= _COARSE_FALL:
            return ""
        return f"too coarse: {MOST_POINTS} points change the fall of the profile by {change:.2g} at a limit"
