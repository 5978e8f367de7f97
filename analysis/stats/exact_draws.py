"""Exact conditional logistic regression past counting: arrangements of the outcomes drawn at random."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logsumexp
from scipy.stats import binom, chi2

from analysis.stats.budget import Budget
from analysis.stats.design_matrix import Design, Floats, Ints, Line
from analysis.stats.exact_counts import LARGEST_KEY, NO_OTHER, settling_order, too_fine, whole_numbers
from analysis.stats.penalised import Penalised, shifted
from analysis.stats.tilted import Tilted

_WORK = 60  # elementary operations that one state and number of ones costs
_DRAW = 1_000  # and one kind of row of one draw
_ROOM = 4  # float64 cells held for a moment for each state and number of ones
_DENSE = 4  # cells of a box that are worth filling for each state that enters it
_FEWEST = 2_000  # draws for each coefficient at which is drawn
_PASSES = 6  # coefficients at which is drawn, at the most; usually three
_SMALL = 1e-11  # states whose share of the arrangements is surely smaller are left out
_ENOUGH = 0.05  # share of one pass's draws that must bear on a limit, as draws of equal weight


def drawn_coefficient(design: Design, k: int, level: float, budget: Budget, seed: int) -> Line:
    """One coefficient (0 is the constant) from random arrangements; the columns of `design` are independent.

    Drawn are outcomes with the observed totals of all other columns, each exactly as often as the model with this
    coefficient says: at 0 and near the two limits. The draws together estimate how many arrangements each total has
    (every draw weighted by what all passes together would draw), and that distribution is read like the exact one.
    """
    try:
        arrangements = Arrangements(design, k)
    except OverflowError:
        return Line(why=too_fine(design, k))
    kinds = len(arrangements.ones)
    each = int(min(budget.draws // 3, budget.operations / (20 * _DRAW * kinds)))
    each = max(each, min(_FEWEST, budget.draws))
    drawn = _draw_where_needed(arrangements, level, budget, each, np.random.default_rng(seed))
    if drawn is None:
        return Line(why=f"{too_fine(design, k)} (neither counting nor drawing fits the budget)")
    return _read(drawn, arrangements.step, 1 - level, each)


def _draw_where_needed(
    arrangements: Arrangements, level: float, budget: Budget, each: int, rng: np.random.Generator
) -> _Drawn | None:
    """Draw at 0 and near the limits, and again nearer where few draws bear on a limit; None past the budget."""
    passes: list[_Pass] = []
    left = budget.operations
    wanted = [0.0, *arrangements.rough_limits(level)]
    while wanted and len(passes) < _PASSES:
        theta = wanted.pop(0)
        share = left / max(1, 3 - len(passes))  # three passes are needed
        made = arrangements.forward(theta, Budget(share, budget.cells))
        if made is None:
            break
        left -= made.work
        passes.append(_Pass(theta, made.log_count, made.left_out, arrangements.draw(made, each, rng)))
        if not wanted:
            drawn = _Drawn(passes)
            wanted = [t for t in drawn.shape.limits(1 - level) if drawn.bearing(t) < _ENOUGH * each]
    return _Drawn(passes) if len(passes) >= 3 else None


@dataclass(frozen=True, eq=False)
class _Forward:
    """What the recursion leaves at one coefficient: for each kind of row the states before it and their chances."""

    chances: list[Floats]
    stages: list[tuple[Ints, NDArray[np.float32]]]
    log_count: float
    left_out: float
    work: float


@dataclass(frozen=True, eq=False)
class _Pass:
    """Totals drawn at one coefficient, and the logarithm of the arrangements' summed weights there."""

    theta: float
    log_count: float
    left_out: float
    totals: Ints


class Arrangements:
    """The arrangements of the outcomes that have the observed totals of every column but one.

    Rows enter one kind after another; the state is the vector of the held totals so far, the tested column is no
    part of it. Rows get the rates of the penalised fit with the tested coefficient held at theta: given the held
    totals an arrangement then has a weight in proportion to exp(theta t), whatever the other coefficients are, and
    with fitted ones the chances stay in range and say which states matter.
    """

    def __init__(self, design: Design, k: int) -> None:
        self.model = Penalised(design, centred=k != 0)
        self.peak = self.model.best()
        self.k = k
        found = whole_numbers(design.with_constant(), shift=k != 0)
        if found is None:
            raise OverflowError
        grid, steps = found
        self.step = steps[k]
        held = [j for j in range(grid.shape[1]) if j != k]
        kinds, first, self.trials = np.unique(grid, axis=0, return_index=True, return_counts=True)
        order = settling_order(kinds, held, k)
        kinds, self.trials = kinds[order], self.trials[order]
        self.rows = self.model.rows[first[order]]
        self.ones = np.bincount(_positions(grid, kinds)[design.y == 1], minlength=len(kinds))
        self.held, self.tested = kinds[:, held], kinds[:, k]
        self.target = design.y @ grid[:, held]
        below, above = np.minimum(grid[:, held], 0).sum(axis=0), np.maximum(grid[:, held], 0).sum(axis=0)
        self.below, self.radix = below, [int(b) - int(a) + 1 for a, b in zip(below, above, strict=True)]
        if math.prod(self.radix) > LARGEST_KEY:
            raise OverflowError
        self.place = np.array([math.prod(self.radix[:j]) for j in range(len(held))], dtype=np.int64)
        self.end = int((self.target - below) @ self.place)
        self.jump = self.held @ self.place

    def rough_limits(self, level: float) -> tuple[float, float]:
        """Where to look for the limits: those of the penalised fit, in whole steps of the tested column."""
        drop, scale = float(chi2.ppf(level, 1)) / 2, float(self.model.scale[self.k])
        middle, error = float(self.peak.beta[self.k]), math.sqrt(float(self.peak.covariance[self.k, self.k]))
        limits = []
        for side in (-1, 1):
            limit = self.model.limit(self.peak, self.k, side, drop)
            limits.append(limit if math.isfinite(limit) else middle + side * math.sqrt(2 * drop) * error)
        return limits[0] / scale * self.step, limits[1] / scale * self.step

    def forward(self, theta: float, budget: Budget) -> _Forward | None:
        """Add up the chances of all states, kind by kind; None past the budget."""
        value = theta / self.step * float(self.model.scale[self.k])
        rates = expit(self.rows @ self.model.maximum(shifted(self.peak, self.k, value), self.k).beta)
        if not np.isfinite(rates).all():
            return None
        ahead = _Ahead(self.held, self.trials, rates, self.target)
        states, mass = np.zeros((len(self.target), 1), dtype=np.int64), np.ones(1)
        stages, left_out, moves, stored = [], 0.0, 0, 0.0
        for kind, rate in enumerate(rates):
            stages.append(
                (self._keys(states), mass.astype(np.float32))
            )  # seven digits: far below what drawing adds
            stored += 1.5 * len(mass)
            left = int(self.trials[kind])
            while left:  # all rows of a kind at once, or as many as there is room for
                now = min(left, max(1, int(budget.cells / (2 * _ROOM * len(mass))) - 1))
                left -= now
                entering = len(mass) * (now + 1)
                moves += entering
                if not budget.allows(moves * _WORK, stored + _ROOM * entering):
                    return None
                before = float(mass.sum())
                states, mass = _entered(states, mass, self.held[kind], _chances(now, rate), ahead.floor)
                left_out += max(0.0, before - float(mass.sum()))
                if not len(mass):
                    return None
            share = mass * ahead.most(states, kind + 1)
            large = share >= ahead.floor
            left_out += float(share[~large].sum())
            states, mass = states[:, large], mass[large]
            if not len(mass):
                return None
        ended = float(mass[0])  # after the last kind only the observed totals are left
        fit = float(
            np.sum(binom.logpmf(self.ones, self.trials, rates) - _log_choices(self.trials, self.ones))
        )
        chances = [_chances(int(m), rate) for m, rate in zip(self.trials, rates, strict=True)]
        return _Forward(chances, stages, math.log(ended) - fit, left_out / ended, moves * _WORK)

    def draw(self, made: _Forward, draws: int, rng: np.random.Generator) -> Ints:
        """Totals of the tested column, less the observed one, of `draws` independent arrangements.

        Backward from the observed totals: how many ones the last kind of row has, given where it must end, and so on.
        """
        state = np.full(draws, self.end, dtype=np.int64)
        total = np.full(draws, -int(self.ones @ self.tested), dtype=np.int64)
        for kind in reversed(range(len(made.chances))):
            keys, mass = made.stages[kind]
            chance, width = made.chances[kind], len(made.chances[kind])
            here, member = np.unique(state, return_inverse=True)
            before = here[:, None] - np.arange(width) * self.jump[kind]
            place = np.minimum(np.searchsorted(keys, before), len(keys) - 1)
            reached = np.cumsum(np.where(keys[place] == before, mass[place] * chance, 0.0), axis=1)
            # One search for all: the rows of cumulative shares stand one after the other, each in its own unit.
            line = (reached / reached[:, -1:] + np.arange(len(here))[:, None]).ravel()
            picked = np.searchsorted(line, member.reshape(-1) + rng.random(draws), side="right")
            ones = np.minimum(picked - member.reshape(-1) * width, width - 1)
            state = state - ones * self.jump[kind]
            total = total + ones * self.tested[kind]
        return total

    def _keys(self, states: Ints) -> Ints:
        """One whole number for each vector of held totals, in an order that rises with `states`."""
        return np.asarray(self.place @ states - self.place @ self.below, dtype=np.int64)


class _Ahead:
    """How likely the rows to come are, at the most, to bring the held totals to the observed ones.

    Bennett's inequality along the direction of what is missing, in units of the standard deviation to come: with w
    the length missing and c the longest step of one row, the chance is at most exp(-((1 + cw) log(1 + cw) - cw) / c^2).
    A larger variance only raises the bound, so a little is added where the rows to come would hardly vary.
    """

    def __init__(self, held: Ints, trials: Ints, rates: Floats, target: Ints) -> None:
        self.held, self.target = held.astype(float), target
        self.longest = np.maximum(rates, 1 - rates)
        self.means = _from_behind(self.held * (trials * rates)[:, None])
        spread = (trials * rates * (1 - rates))[:, None, None]
        self.variances = _from_behind(spread * self.held[:, :, None] * self.held[:, None, :])
        size = held.shape[1]
        variance = self.variances[0] + _LITTLE * np.eye(size)
        # About the chance of the observed totals, if they are spread like a normal distribution.
        about = -0.5 * (size * math.log(2 * math.pi) + float(np.linalg.slogdet(variance)[1]))
        self.floor = _SMALL * math.exp(about)

    def most(self, states: Ints, kind: int) -> Floats:
        """The bound for each column of `states`, before rows of this kind enter."""
        missing = self.target[:, None] - states
        if kind == len(self.held):
            return (missing == 0).all(axis=0).astype(float)
        variance = self.variances[kind] + _LITTLE * np.eye(len(missing))
        to_units = np.linalg.inv(np.linalg.cholesky(variance))
        steps = np.linalg.norm(to_units @ self.held[kind:].T, axis=0) * self.longest[kind:]
        longest = max(float(steps.max()), 1e-6)
        away = to_units @ (missing - self.means[kind][:, None])
        product = longest * np.sqrt(np.einsum("ij,ij->j", away, away))
        return np.asarray(
            np.exp(-((1 + product) * np.log1p(product) - product) / longest**2), dtype=np.float64
        )


_LITTLE = 0.05


def _from_behind(values: Floats) -> Floats:
    """Sums over the kinds of row from each one on."""
    return np.asarray(np.cumsum(values[::-1], axis=0)[::-1], dtype=np.float64)


def _chances(trials: int, rate: float) -> Floats:
    return np.asarray(binom.pmf(np.arange(trials + 1), trials, rate), dtype=np.float64)


def _entered(states: Ints, mass: Floats, step: Ints, chance: Floats, floor: float) -> tuple[Ints, Floats]:
    """The states once rows of one kind have entered, from none of them 1 to all; those below `floor` are left out.

    States are columns, in an order that rises with the last total first.
    """
    most = len(chance) - 1
    low = states.min(axis=1) + most * np.minimum(step, 0)
    sides = (states.max(axis=1) + most * np.maximum(step, 0) - low + 1).tolist()
    place = np.array([math.prod(sides[:j]) for j in range(len(sides))], dtype=np.int64)
    keys, jump = place @ states - place @ low, int(step @ place)
    if math.prod(sides) <= _DENSE * len(keys) * len(chance):
        box = np.zeros(math.prod(sides))
        for ones, part in enumerate(chance):
            box[keys + ones * jump] += part * mass  # within one run no key comes twice
        found = np.flatnonzero(box >= floor)
        added = box[found]
    else:
        moved = (keys + np.arange(most + 1)[:, None] * jump).ravel()
        order = np.argsort(moved, kind="stable")  # rising runs, which this sort takes as they are
        moved = moved[order]
        starts = np.flatnonzero(np.concatenate([[True], moved[1:] != moved[:-1]]))
        found, added = moved[starts], np.add.reduceat((chance[:, None] * mass).ravel()[order], starts)
        found, added = found[added >= floor], added[added >= floor]
    totals = np.empty((len(sides), len(found)), dtype=np.int64)
    for j, side in enumerate(sides):
        rest = found // side
        totals[j] = found - rest * side + low[j]
        found = rest
    return totals, added


def _positions(grid: Ints, kinds: Ints) -> Ints:
    """The place in `kinds` of each row of `grid`."""
    place = {kind.tobytes(): i for i, kind in enumerate(np.ascontiguousarray(kinds))}
    return np.array([place[row.tobytes()] for row in np.ascontiguousarray(grid)], dtype=np.int64)


def _log_choices(trials: Ints, ones: Ints) -> Floats:
    return np.array([math.log(math.comb(int(m), int(s))) for m, s in zip(trials, ones, strict=True)])


class _Drawn:
    """What the draws of all passes say together: for each total, the estimated number of arrangements."""

    def __init__(self, passes: Sequence[_Pass]) -> None:
        pooled = np.concatenate(
            [[0], *(one.totals for one in passes)]
        )  # the observed arrangement counts as a draw
        totals, times = np.unique(pooled, return_counts=True)
        self.totals, self.times = totals.astype(float), times.astype(float)
        self.draws = len(pooled) - 1
        self.left_out = max(one.left_out for one in passes)
        # How often all passes together draw one arrangement with this total.
        self.rates = logsumexp(
            [math.log(len(one.totals)) + one.theta * self.totals - one.log_count for one in passes],
            axis=0,
        )
        self.shape = Tilted(self.totals, np.log(self.times) - self.rates)

    def weights(self, theta: float) -> Floats:
        """The weight of one draw of each total when the coefficient is `theta`; those of all draws add to 1."""
        return self.shape.chances(theta) / self.times

    def bearing(self, theta: float) -> float:
        """The number of draws of equal weight that would say as much about `theta`; all, where it is infinite."""
        if not math.isfinite(theta):
            return math.inf
        return 1 / float(self.times @ self.weights(theta) ** 2)

    def share_error(self, theta: float, inside: Floats) -> float:
        """The standard error of the share of arrangements with `inside` 1 (or of the mean of `inside`)."""
        share = float(self.shape.chances(theta) @ inside)
        return math.sqrt(float(self.times @ (self.weights(theta) * (inside - share)) ** 2))

    def root_error(self, theta: float, inside: Floats) -> float:
        """The standard error of the coefficient at which the share (or mean) of `inside` is as wanted."""
        if not math.isfinite(theta):
            return 0.0
        chances = self.shape.chances(theta)
        slope = float(chances @ ((inside - chances @ inside) * (self.totals - chances @ self.totals)))
        return self.share_error(theta, inside) / abs(slope) if slope else math.inf


def _read(drawn: _Drawn, step: float, alpha: float, each: int) -> Line:
    """The coefficient, its limits and the p-value, with the standard errors that drawing leaves in them."""
    shape = drawn.shape
    if len(shape.totals) == 1:
        return Line(why=f"{NO_OTHER}, among {drawn.draws:,} drawn")
    edge = shape.lowest or shape.highest
    estimate, limits = shape.estimate(), shape.limits(alpha)
    error = math.nan if edge else 1 / math.sqrt(shape.moments(estimate)[1]) / step
    tails = [shape.in_tail(side) for side in (1, -1)]
    inside = tails[0 if shape.highest else 1] if edge else shape.totals
    smaller = min(tails, key=lambda tail: float(shape.chances(0.0) @ tail))
    p_value = min(1.0, 2 * float(shape.chances(0.0) @ smaller))
    p_error = 2 * drawn.share_error(0.0, smaller)
    low, high = (limit if drawn.bearing(limit) >= _ENOUGH * each else math.nan for limit in limits)
    errors = [
        drawn.root_error(theta, part) / step
        for theta, part in zip((estimate, *limits), (inside, *tails), strict=True)
    ]
    told = [f"{drawn.draws:,} arrangements drawn, as counting them all is past the budget"]
    told.append(
        f"standard errors of the drawing: p {p_error:.1g}, estimate {errors[0]:.1g}, "
        f"limits {_told(limits[0], errors[1])} and {_told(limits[1], errors[2])}"
    )
    told.append("p is twice the smaller tail")
    if edge:
        told.append("no drawn total lies beyond the observed one: median-unbiased estimate")
    if math.isnan(low) or math.isnan(high):
        told.append("too few draws bear on the missing limit")
    if drawn.left_out > 1e-4:
        told.append(f"arrangements with a share of up to {drawn.left_out:.1g} could not be drawn")
    return Line(estimate / step, error, (low / step, high / step), p_value, "; ".join(told), drawn.draws)


def _told(limit: float, error: float) -> str:
    return f"{error:.1g}" if math.isfinite(limit) else "none"
