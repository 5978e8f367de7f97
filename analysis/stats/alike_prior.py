"""Two stuck rates under a normal prior on their log odds ratio, by two-way integration."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

from analysis.stats.design_matrix import Floats
from analysis.stats.logit_nodes import logit_nodes

_DROP = 28.0  # log density below the peak at which the box ends: e^-28 is past rounding of what is summed
_PER_SD = 2.0  # nodes for each standard deviation


class AlikeRates:
    """Posterior of two logit rates: m + delta / 2 and m - delta / 2, delta normal around 0, m logistic.

    Assumes independent routines with one rate for each technique. The logistic prior on m makes the common level of
    the rates about uniform. The log posterior is strictly concave, so there is one peak and a box around it.
    """

    def __init__(self, counts: tuple[tuple[int, int], tuple[int, int]], sd: float) -> None:
        self.x = np.array([x for x, _ in counts], dtype=np.float64)
        self.n = np.array([n for _, n in counts], dtype=np.float64)
        self.sd = sd
        peak, information = self._peak()
        self.top = float(self._log(peak[0], peak[1]))
        self.spread = 1 / np.sqrt(np.diag(information))  # of one logit, the other held
        self.box = self._box(peak, np.sqrt(np.diag(np.linalg.inv(information))))
        steps = [math.ceil((high - low) / self._step(axis)) + 1 for axis, (low, high) in enumerate(self.box)]
        self.grids = [np.linspace(*self.box[axis], steps[axis]) for axis in (0, 1)]
        self.legendre = [np.polynomial.legendre.leggauss(count) for count in steps]
        density = np.exp(self._log(self.grids[0][:, None], self.grids[1][None, :]) - self.top)
        # Trapezoidal, and nothing at the edges of the box; an analytic function, so it converges exponentially.
        cell = [float(grid[1] - grid[0]) for grid in self.grids]
        self.total = float(density.sum()) * cell[0] * cell[1]
        weights = density / density.sum()
        self.means = (
            float(expit(self.grids[0]) @ weights.sum(axis=1)),
            float(expit(self.grids[1]) @ weights.sum(axis=0)),
        )

    def _log(self, eta1: Floats, eta2: Floats) -> Floats:
        """Log posterior of both logits, up to a constant."""
        middle = (eta1 + eta2) / 2
        found = self.x[0] * eta1 - self.n[0] * np.logaddexp(0, eta1)
        found = found + (self.x[1] * eta2 - self.n[1] * np.logaddexp(0, eta2))
        found = found + middle - 2 * np.logaddexp(0, middle) - ((eta1 - eta2) / self.sd) ** 2 / 2
        return np.asarray(found, dtype=np.float64)

    def _peak(self) -> tuple[Floats, Floats]:
        """Newton with halving; the prior alone makes the information positive definite."""
        eta = np.zeros(2)
        difference = np.array([[1.0, -1.0], [-1.0, 1.0]]) / self.sd**2
        for _ in range(200):
            p, middle = expit(eta), expit(eta.mean())
            score = self.x - self.n * p + (1 - 2 * middle) / 2 - difference @ eta
            information = np.diag(self.n * p * (1 - p)) + middle * (1 - middle) / 2 + difference
            step = np.linalg.solve(information, score)
            if float(score @ step) < 1e-18:
                break
            here = self._log(eta[0], eta[1])
            while self._log(*(eta + step)) < here and np.abs(step).max() > 1e-12:
                step = step / 2
            eta = eta + step
        return eta, information

    def _box(self, peak: Floats, sds: Floats) -> list[tuple[float, float]]:
        """Limits of both logits past which the density is nothing beside its peak: each side is moved until so."""
        ends = [peak - 6 * sds, peak + 6 * sds]
        moved = True
        while moved:
            moved = False
            for side, axis in product((0, 1), (0, 1)):
                other = np.linspace(ends[0][1 - axis], ends[1][1 - axis], 201)
                held = np.full(201, ends[side][axis])
                edge = self._log(held, other) if axis == 0 else self._log(other, held)
                if edge.max() > self.top - _DROP:
                    ends[side][axis] += (2 * side - 1) * 0.2 * (ends[1][axis] - ends[0][axis])
                    moved = True
        return [(float(ends[0][axis]), float(ends[1][axis])) for axis in (0, 1)]

    def _step(self, axis: int) -> float:
        return min(0.5, float(self.spread[axis])) / _PER_SD

    def _up_to(self, axis: int, limits: Floats, others: Floats) -> Floats:
        """Density of the other logit at `others`, with this one at most `limits`: the inner integral."""
        low, high = self.box[axis]
        node, weight = self.legendre[axis]
        half = (np.clip(limits, low, high) - low)[:, None] / 2
        inner = low + half * (1 + node)
        pair = (inner, others[:, None]) if axis == 0 else (others[:, None], inner)
        density = np.exp(self._log(*pair) - self.top)
        return np.asarray((density * half) @ weight / self.total, dtype=np.float64)

    def at_most(self, axis: int, logit: float) -> float:
        """P(logit of one rate <= `logit`)."""
        others = self.grids[1 - axis]
        return float(self._up_to(axis, np.full(len(others), logit), others).sum() * (others[1] - others[0]))

    def quantile(self, axis: int, probability: float) -> float:
        """Quantile of one rate."""
        found = brentq(lambda logit: self.at_most(axis, logit) - probability, *self.box[axis], xtol=1e-9)
        return float(expit(found))

    def difference_at_most(self, d: float) -> float:
        """P(p1 - p2 <= d)."""
        if abs(d) >= 1:
            return 1.0 if d >= 1 else 0.0
        # Over the narrower rate, so that the other's step at p1 - p2 = d falls between no two nodes.
        over = int(self.spread[1] <= self.spread[0])
        if over == 0:
            d = -d  # the same with the techniques' places changed, and 1 minus it
        low, high = self.box[over]
        nodes = logit_nodes(d, float(expit(low)), float(expit(-high)), self._step(over))
        # From p2 = 1 - d on, p1 can't be more than d higher.
        found = 1 - self.at_most(over, math.log1p(-d) - math.log(d)) if d > 0 else 0.0
        if len(nodes.p2):
            limits, others = np.log(nodes.p1 / nodes.rest1), np.log(nodes.p2 / nodes.rest2)
            density = self._up_to(1 - over, limits, others)
            found += float(density @ (nodes.weights / (nodes.p2 * nodes.rest2)))
        return found if over == 1 else 1 - found
