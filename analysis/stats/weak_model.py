"""The posterior of one logistic coefficient on a grid, the others integrated out at each point."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import expit, ndtr

from analysis.stats.design_matrix import Design, Floats, group_rows

CONSTANT_SCALE = 10.0
"""Standard deviation of the constant's prior: so wide that the common level is left to the data."""

_WORK = 8e6  # logits that may be computed for one grid
_MOST_NODES = 11
_POINTS = 41  # of a grid
_DROP = 25.0  # log density below the peak at which a grid ends
_LINE = 41  # points of the line along which the difference is followed
_LINE_DROP = 16.0  # log density below the peak at which that line ends
_FINE = 2001  # points between which a curve is taken as straight in its cubic


@dataclass(frozen=True, eq=False)
class Grid:
    """Values of one coefficient in the caller's units, its log density up to a constant, and the differences there.

    `differences` has one line per value and one column per place on a line through the others' posterior, with
    `log_shares` and, for what the line leaves out, a normal `spread`; all three are empty where not asked for.
    """

    at: Floats
    log_density: Floats
    differences: Floats
    log_shares: Floats
    spread: Floats

    def difference_quantiles(self, probabilities: Sequence[float]) -> list[float]:
        """Quantiles of the standardised difference, a mixture over the coefficient and the line."""
        fine, places = np.linspace(self.at[0], self.at[-1], 241), np.arange(self.differences.shape[1])
        dense = np.linspace(0, places[-1], 121)
        surfaces = (self.differences, self.log_shares + self.log_density[:, None])
        d, log_w = (
            CubicSpline(places, CubicSpline(self.at, table)(fine), axis=1)(dense).ravel()
            for table in surfaces
        )
        weights = np.exp(log_w - log_w.max())
        weights /= weights.sum()
        # The points stand apart, so each is blurred a little: a thousandth of the distance they spread over.
        blur = np.repeat(np.maximum(CubicSpline(self.at, self.spread)(fine), 0.0), len(dense))
        middle = float(weights @ d)
        blur = np.hypot(blur, 0.02 * math.sqrt(float(weights @ (d - middle) ** 2)))

        def excess(value: float, probability: float) -> float:
            return float(weights @ ndtr((value - d) / blur)) - probability

        return [float(brentq(excess, -2.0, 2.0, (probability,), xtol=1e-8)) for probability in probabilities]


class Curve:
    """A density known on a grid, made continuous: the log density is smooth, so a cubic through it is close."""

    def __init__(self, grid: Grid) -> None:
        self.fine = np.linspace(grid.at[0], grid.at[-1], _FINE)
        density = np.exp(CubicSpline(grid.at, grid.log_density - grid.log_density.max())(self.fine))
        self._area = CubicSpline(self.fine, density).antiderivative()
        self._total = float(self._area(self.fine[-1]))
        # Nothing is left at either end, so the trapezoidal rule is as good as any.
        self.weights = density / density.sum()
        mean = float(self.weights @ self.fine)
        self.sd = math.sqrt(float(self.weights @ (self.fine - mean) ** 2))

    def at_most(self, value: float) -> float:
        """Posterior chance of at most `value`."""
        inside = min(max(value, float(self.fine[0])), float(self.fine[-1]))
        return min(1.0, max(0.0, float(self._area(inside)) / self._total))

    def quantile(self, probability: float) -> float:
        """The value with this much probability below it."""
        ends = float(self.fine[0]), float(self.fine[-1])
        return float(
            brentq(lambda value: float(self._area(value)) / self._total - probability, *ends, xtol=1e-11)
        )


class WeakModel:
    """Log-likelihood plus a normal prior on the coefficients of standardised columns: strictly concave.

    Columns have mean 0; 0/1 columns keep their step of 1 and others are divided by two standard deviations (Gelman et
    al. 2008). Columns with one value are left out: `kept` are the others' positions in the design.
    """

    def __init__(self, design: Design, scale: float) -> None:
        self.kept = [j for j in range(design.X.shape[1]) if design.X[:, j].min() < design.X[:, j].max()]
        columns = design.X[:, self.kept]
        binary = np.isin(columns, (0, 1)).all(axis=0)
        self.scale = np.concatenate([[1.0], np.where(binary, 1.0, 2 * columns.std(axis=0))])
        self.middle = np.concatenate([[0.0], columns.mean(axis=0)]) / self.scale
        rows = np.column_stack([np.ones(design.n), columns / self.scale[1:] - self.middle[1:]])
        grouped = group_rows(rows, design.y)
        self.Z, self.m, self.s = grouped.Z, grouped.m, grouped.s
        self.precision = np.diag([1 / CONSTANT_SCALE**2, *([1 / scale**2] * len(self.kept))])

    def affordable_nodes(self) -> int:
        """Nodes for each other coefficient that the work allows; 1 is Laplace's method."""
        each = _WORK / (_POINTS * len(self.Z))
        return int(min(_MOST_NODES, max(1, math.floor(each ** (1 / (len(self.scale) - 1)) + 1e-9))))

    def along(self, k: int, nodes: int, technique: bool = False) -> Grid:
        """The posterior of coefficient k (0 for the constant, else a column of the design plus 1) on a grid."""
        position = self.kept.index(k - 1) + 1 if k else 0
        Z, precision = self.Z, self.precision
        if position == 0:
            # The caller's constant belongs to columns that are 0: uncentre them, and the prior with them.
            turn = np.eye(len(self.scale))
            turn[0, 1:] = self.middle[1:]
            Z, precision = Z @ turn, turn.T @ precision @ turn
        line = _Line(Z, self.m, self.s, precision, position)
        values = line.grid()
        found = [line.at(value, nodes, technique) for value in values]
        log_density, differences, log_shares, spread = (
            np.array(column) for column in zip(*found, strict=True)
        )
        return Grid(values / self.scale[position], log_density, differences, log_shares, spread)


class _Line:
    """One coefficient held at a value, the others at their peak given it."""

    def __init__(self, Z: Floats, m: Floats, s: Floats, precision: Floats, position: int) -> None:
        self.Z, self.m, self.s, self.precision, self.position = Z, m, s, precision, position
        self.others = [k for k in range(Z.shape[1]) if k != position]
        everything = list(range(Z.shape[1]))
        self.peak, information = self._climb(np.zeros(Z.shape[1]), everything)
        self.covariance = np.linalg.inv(information)

    def _log(self, eta: Floats, theta: Floats) -> Floats:
        """Log posterior for columns of logits and of coefficients."""
        fit = self.s @ eta - self.m @ np.logaddexp(0, eta)
        return np.asarray(fit - (theta * (self.precision @ theta)).sum(axis=0) / 2, dtype=np.float64)

    def _climb(self, start: Floats, free: list[int]) -> tuple[Floats, Floats]:
        """Newton with halving; the prior alone makes the information positive definite."""
        theta = np.array(start, dtype=np.float64)
        for _ in range(200):
            p = expit(self.Z @ theta)
            score = (self.Z.T @ (self.s - self.m * p) - self.precision @ theta)[free]
            information = (self.Z.T @ (self.Z * (self.m * p * (1 - p))[:, None]) + self.precision)[
                np.ix_(free, free)
            ]
            step = np.zeros(len(theta))
            step[free] = np.linalg.solve(information, score)
            if float(score @ step[free]) < 1e-16:
                break
            here = self._log(self.Z @ theta, theta)
            while self._log(self.Z @ (theta + step), theta + step) < here and np.abs(step).max() > 1e-12:
                step = step / 2
            theta = theta + step
        return theta, information

    def _held(self, value: float) -> tuple[Floats, Floats]:
        """The others' peak with this coefficient at `value`, started from where they follow it to first order."""
        along = self.covariance[self.position] / self.covariance[self.position, self.position]
        return self._climb(self.peak + (value - self.peak[self.position]) * along, self.others)

    def grid(self) -> Floats:
        """Evenly spaced values that reach to where Laplace's density has fallen by `_DROP` on either side."""
        middle = float(self.peak[self.position])
        sd = math.sqrt(float(self.covariance[self.position, self.position]))
        top = self.at(middle, 1, False)[0]

        def fall(value: float) -> float:
            return top - self.at(value, 1, False)[0] - _DROP

        low = middle - _where(lambda r: fall(middle - r), 4 * sd)
        high = middle + _where(lambda r: fall(middle + r), 4 * sd)
        return np.linspace(low, high, _POINTS)

    def at(self, value: float, nodes: int, technique: bool) -> tuple[float, Floats, Floats, float]:
        """Log marginal density at `value`; differences with log shares along a line, and the spread about it."""
        theta, information = self._held(value)
        covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
        root = math.sqrt(2) * np.linalg.cholesky(covariance)
        unit, log_weight = _hermite(nodes, len(self.others))
        points = np.tile(theta[:, None], len(log_weight))
        points[self.others] += root @ unit
        eta = self.Z @ points
        terms = self._log(eta, points) + log_weight
        top = float(terms.max())
        shares = np.asarray(np.exp(terms - top), dtype=np.float64)
        log_density = top + math.log(float(shares.sum())) + float(np.log(np.diag(root)).sum())
        if not technique:
            return log_density, np.empty(0), np.empty(0), 0.0
        return log_density, *self._differences(theta, covariance, eta, shares)

    def _both(self, eta: Floats, value: float) -> tuple[Floats, Floats]:
        """Rates of every routine with the first technique and with the second, for columns of logits."""
        column = self.Z[:, self.position]
        base = eta - value * column[:, None]
        return expit(base + value * column.max()), expit(base + value * column.min())

    def _differences(
        self, theta: Floats, covariance: Floats, eta: Floats, shares: Floats
    ) -> tuple[Floats, Floats, float]:
        """Standardised differences along the direction that moves the mean rate, and what they leave out.

        With only the constant as other coefficient the line is all there is. Otherwise the differences are moved, and
        blurred, to the mean and the standard deviation that the quadrature's points have (to first order with one).
        """
        shares = shares / shares.sum()
        value, weights, Z = float(theta[self.position]), self.m / self.m.sum(), self.Z[:, self.others]
        one, two = self._both((self.Z @ theta)[:, None], value)
        slopes = [Z.T @ (weights * (rate * (1 - rate))[:, 0]) for rate in (one, two)]
        level = slopes[0] + slopes[1]
        along = np.zeros(len(theta))
        along[self.others] = covariance @ level / math.sqrt(float(level @ covariance @ level))
        z = np.linspace(*self._reach(theta, along), _LINE)
        points = theta[:, None] + along[:, None] * z
        line = self.Z @ points
        log_shares = self._log(line, points)
        log_shares = log_shares - log_shares.max()
        share = np.exp(log_shares)
        log_shares = log_shares - math.log(float(share.sum()))
        share = share / share.sum()
        one, two = self._both(line, value)
        found = weights @ (one - two)
        middle = float(share @ found)
        seen = float(share @ (found - middle) ** 2)
        if len(self.others) == 1:
            return found, log_shares, 0.0
        if len(shares) == 1:
            gradient = slopes[0] - slopes[1]
            left = float(gradient @ covariance @ gradient) - float(gradient @ along[self.others]) ** 2
            return found, log_shares, math.sqrt(max(0.0, left))
        one, two = self._both(eta, value)
        tensor = weights @ (one - two)
        mean = float(shares @ tensor)
        left = float(shares @ (tensor - mean) ** 2) - seen
        return found + mean - middle, log_shares, math.sqrt(max(0.0, left))

    def _reach(self, theta: Floats, along: Floats) -> tuple[float, float]:
        """How far the line goes until its density has fallen by `_LINE_DROP` on either side."""
        top = self._log(self.Z @ theta, theta)

        def fall(z: float) -> float:
            there = theta + z * along
            return float(top - self._log(self.Z @ there, there)) - _LINE_DROP

        return -_where(lambda z: fall(-z), 3.0), _where(fall, 3.0)


def _where(fall: Callable[[float], float], start: float) -> float:
    """Root of a function that is negative at 0 and rises, found by walking out from `start`."""
    inner, outer = 0.0, start
    while fall(outer) < 0:
        inner, outer = outer, 1.5 * outer
    return float(brentq(fall, inner, outer, xtol=1e-3 * start))


def _hermite(nodes: int, dimensions: int) -> tuple[Floats, Floats]:
    """Tensor nodes (dimensions x points) and log weights for integrals of exp(log f), f near exp(-z'z)."""
    z, w = np.polynomial.hermite.hermgauss(nodes)
    points = np.array(list(itertools.product(z, repeat=dimensions))).T
    log_w = np.log(w) + z**2
    return points, np.array(list(itertools.product(log_w, repeat=dimensions))).sum(axis=1)
