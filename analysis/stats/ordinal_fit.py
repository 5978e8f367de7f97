"""The cumulative logit model of a graded outcome: likelihood, penalty and separation.

With rising thresholds theta and the cut points eta_k = theta_k - x beta, P(Y <= k) = F(eta_k), F the logistic
function. The chance of a category between two cuts splits into three factors,

    F(eta_k) - F(eta_{k-1}) = F(eta_k) {1 - F(eta_{k-1})} {1 - exp(theta_{k-1} - theta_k)},

so the log-likelihood is that of a plain logistic model in which each routine meets only the cuts beside its own
grade, plus a term of the thresholds alone. It is concave, its second derivatives are those of logistic regression,
and it is infinite exactly where that logistic model is separated, for the last factor is at most 1.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from scipy.special import expit

from analysis.stats.design_matrix import (
    Design,
    Floats,
    Ints,
    group_rows,
    independent_columns,
    read_design,
)
from analysis.stats.penalised import Peak, Penalised
from analysis.stats.separated import Separation, separation_of
from analysis.stats.thousandths import is_missing

MOST_GRADES = 100
_ROUNDED = 1e-13
_FEW = 20
_SETTLED = 1e-12  # squared standard errors; on the way to infinity 20 steps don't come near it
_WELL_POSED = (
    1e6  # variance of a standardised slope up to which a vanishing Newton step proves a finite maximum
)


def read_grades(grade: Iterable[Any]) -> tuple[Ints, tuple[int, ...]]:
    """Return each routine's place among the grades that occur, and those grades in rising order.

    >>> codes, grades = read_grades([3, 0, 3, 1])
    >>> codes.tolist(), grades
    ([2, 0, 2, 1], (0, 1, 3))
    """
    if isinstance(grade, (str, bytes)) or not isinstance(grade, Iterable):
        raise ValueError(f"grade is {grade!r}; a list of whole numbers is needed, one per routine")
    found = [_whole(value, i) for i, value in enumerate(grade)]
    if not found:
        raise ValueError("grade is empty; at least one routine is needed")
    grades = sorted(set(found))
    if len(grades) > MOST_GRADES:
        raise ValueError(f"grade has {len(grades)} different values; up to {MOST_GRADES} are taken as grades")
    place = {value: k for k, value in enumerate(grades)}
    return np.array([place[value] for value in found], dtype=np.int64), tuple(grades)


def _whole(value: Any, position: int) -> int:
    if is_missing(value):
        raise ValueError(
            f"grade[{position}] is {value!r}: a missing grade has no place here; set the row aside"
        )
    try:
        whole = None if isinstance(value, (str, bytes)) else int(value)
    except (TypeError, ValueError, OverflowError):
        whole = None
    if whole is None or whole != value:
        raise ValueError(f"grade[{position}] is {value!r}; grades are whole numbers")
    return whole


def read_graded(grade: Iterable[Any], X: Any, names: Any = None) -> tuple[Ints, tuple[int, ...], Design]:
    """Check grades and columns; the outcome of the returned design is empty of meaning."""
    codes, grades = read_grades(grade)
    shape = np.shape(X)
    if shape and shape[0] != len(codes):
        raise ValueError(f"grade has {len(codes)} values and X has {shape[0]} rows; they must be as many")
    return codes, grades, read_design(np.zeros(len(codes), dtype=np.int64), X, names)


class Cumulative(Penalised):
    """The likelihood of one graded outcome, searched like the penalised logistic one.

    Parameters are the thresholds between the grades that occur, then the slopes; columns have mean 0 and standard
    deviation 1 inside. With `jeffreys` half the log determinant of the expected information is added, which is
    Firth's penalty when there are two grades.
    """

    def __init__(self, codes: Ints, design: Design, jeffreys: bool = False) -> None:
        self.independent = independent_columns(design.X, design.names)
        columns = design.X[:, list(self.independent.kept)]
        self.cuts = int(codes.max())
        self.jeffreys = jeffreys
        self.middle, self.scale = columns.mean(axis=0), columns.std(axis=0)
        self.codes = codes
        self.rows = (columns - self.middle) / self.scale
        grouped = group_rows(self.rows, codes)
        self.Z, self.m, self.member = grouped.Z, grouped.m, grouped.member
        self.counts = np.zeros((len(self.Z), self.cuts + 1))
        np.add.at(self.counts, (grouped.member, codes), 1.0)
        self.met = self.counts[:, :-1] + self.counts[:, 1:]
        self.of_grade = self.counts.sum(axis=0)
        self._units = float(np.log(self.scale).sum()) if jeffreys else 0.0

    def best(self) -> Peak:
        """The free maximum, from no effect at all."""
        return self.maximum(self.no_effect())

    def no_effect(self) -> Floats:
        """The maximum when every slope is 0."""
        shares = np.cumsum(self.of_grade)[:-1] / self.of_grade.sum()
        return np.concatenate([np.log(shares / (1 - shares)), np.zeros(self.Z.shape[1])])

    def maximum(self, start: Floats, held: int | None = None) -> Peak:
        """Climb from `start`; where its thresholds don't rise, from those of no effect."""
        if (np.diff(start[: self.cuts]) <= 0).any():
            start = np.concatenate([self.no_effect()[: self.cuts], start[self.cuts :]])
        return super().maximum(start, held)

    def at(self, beta: Floats) -> tuple[float, Floats, Floats, Floats]:
        """Log-likelihood, its gradient, the information and the step matrix at thresholds and slopes `beta`."""
        theta, slopes = beta[: self.cuts], beta[self.cuts :]
        gap = np.diff(theta)
        if (gap <= 0).any():
            raise np.linalg.LinAlgError("thresholds must rise")
        eta = theta - (self.Z @ slopes)[:, None]
        below = expit(eta)
        variance = expit(-eta) * below
        inside = self.of_grade[1:-1]  # routines between two cuts
        room = np.log(-np.expm1(-gap))
        up, down = np.logaddexp(0, -eta), np.logaddexp(0, eta)
        value = float(inside @ room - (self.counts[:, :-1] * up).sum() - (self.counts[:, 1:] * down).sum())
        residual = self.counts[:, :-1] * expit(-eta) - self.counts[:, 1:] * below
        pull, bend = gap_terms(gap)
        spread = inside * pull
        if not self.jeffreys:
            information = self._information(self.met * variance, inside * bend)
            _factor(information)
            return value, self._gradient(residual, spread), information, information
        log_chance = np.zeros_like(self.counts)
        log_chance[:, :-1] -= up
        log_chance[:, 1:] -= down
        log_chance[:, 1:-1] += room
        chance = np.exp(log_chance)
        expected = self.m @ chance
        near = chance[:, :-1] + chance[:, 1:]
        information = self._information(self.m[:, None] * near * variance, expected[1:-1] * bend)
        factor = _factor(information)
        covariance = np.linalg.inv(information)
        # Leverages: m' C m for each row at each cut, and the same for the distance of two neighbouring thresholds.
        corner, side, rest = (
            covariance[: self.cuts, : self.cuts],
            covariance[: self.cuts, self.cuts :],
            covariance[self.cuts :, self.cuts :],
        )
        leverage = np.diag(corner) - 2 * self.Z @ side.T + ((self.Z @ rest) * self.Z).sum(axis=1)[:, None]
        apart = np.diag(corner)[1:] + np.diag(corner)[:-1] - 2 * np.diag(corner, 1)
        spreading = np.concatenate([[0.0], apart * bend, [0.0]])
        drawn = leverage * variance
        push = leverage * near * (1 - 2 * below) + spreading[:-1] - spreading[1:]
        push[:, 1:] += drawn[:, :-1]
        push[:, :-1] -= drawn[:, 1:]
        residual = residual + self.m[:, None] * variance * push / 2
        spread = spread - apart * expected[1:-1] * bend / np.tanh(gap / 2) / 2
        value += float(np.log(np.diag(factor)).sum()) + self._units
        return value, self._gradient(residual, spread), information, information

    def _gradient(self, by_cut: Floats, by_gap: Floats) -> Floats:
        """From derivatives in each row's cut points and in the thresholds' distances to those in the parameters."""
        found = np.concatenate([by_cut.sum(axis=0), -(by_cut.sum(axis=1) @ self.Z)])
        found[1 : self.cuts] += by_gap
        found[: self.cuts - 1] -= by_gap
        return found

    def _information(self, by_cut: Floats, by_gap: Floats) -> Floats:
        """The same for minus the second derivatives, which are diagonal in cut points and distances."""
        k = self.cuts
        found = np.zeros((k + self.Z.shape[1],) * 2)
        diagonal = by_cut.sum(axis=0)
        diagonal[1:] += by_gap
        diagonal[:-1] += by_gap
        found[range(k), range(k)] = diagonal
        found[range(1, k), range(k - 1)] = found[range(k - 1), range(1, k)] = -by_gap
        found[:k, k:] = -(by_cut.T @ self.Z)
        found[k:, :k] = found[:k, k:].T
        found[k:, k:] = (self.Z * by_cut.sum(axis=1)[:, None]).T @ self.Z
        return found

    def chances(self, beta: Floats) -> Floats:
        """Chance of each grade for each distinct row."""
        eta = beta[: self.cuts] - (self.Z @ beta[self.cuts :])[:, None]
        below, above = expit(eta), expit(-eta)
        room = -np.expm1(-np.diff(beta[: self.cuts]))
        return np.column_stack([below[:, :1], below[:, 1:] * above[:, :-1] * room, above[:, -1:]])


def gap_terms(gap: Floats) -> tuple[Floats, Floats]:
    """First derivative, and minus the second, of log(1 - exp(-gap))."""
    left = -np.expm1(-gap)
    return np.exp(-gap) / left, np.exp(-gap) / left**2


def _factor(information: Floats) -> Floats:
    """Cholesky's factor, or LinAlgError so far out that rounding is all that is left of the information."""
    factor = np.asarray(np.linalg.cholesky(information), dtype=np.float64)
    if (np.diag(factor) ** 2 < _ROUNDED * np.diag(information)).any():
        raise np.linalg.LinAlgError("the information vanishes")
    return factor


def maximum(codes: Ints, design: Design) -> tuple[Cumulative, Peak, Separation | None]:
    """The maximum of the likelihood or, where that is infinite, of the penalised one with the separation found.

    A Newton step that vanishes where the information doesn't proves that a concave likelihood has a finite maximum
    there; in every other case a linear programme decides.
    """
    model = Cumulative(codes, design)
    settled = _newton(model)
    if settled is not None:
        peak = model.maximum(settled)
        if peak.found and np.diag(peak.covariance).max() < _WELL_POSED:
            return model, peak, None
    separated = separation_of(_stacked(codes, design, model.independent.kept))
    if not separated.separated:
        return model, model.best(), None
    model = Cumulative(codes, design, jeffreys=True)
    return model, model.best(), separated


def _newton(model: Cumulative) -> Floats | None:
    """Where a few plain Newton steps settle; None where they don't, as on the way to infinity."""
    beta = model.no_effect()
    try:
        value, score, information, _ = model.at(beta)
        for _ in range(_FEW):
            step = np.linalg.solve(information, score)
            if step @ score < _SETTLED:
                return beta
            for _ in range(_FEW):
                if (np.diff((beta + step)[: model.cuts]) > 0).all():
                    tried = model.at(beta + step)
                    if tried[0] >= value:
                        break
                step /= 2
            else:
                return None
            beta = beta + step
            value, score, information, _ = tried
    except np.linalg.LinAlgError:
        pass
    return None


def _stacked(codes: Ints, design: Design, kept: tuple[int, ...]) -> Design:
    """The logistic model in which each routine meets the cuts beside its own grade; `labels` number X's columns.

    Thresholds after the first are numbered -1, -2, ... there: they follow the slopes to infinity and aren't told.
    """
    cuts = int(codes.max())
    places, sides = [], []
    for side, met in ((1, np.flatnonzero(codes < cuts)), (0, np.flatnonzero(codes > 0))):
        places.append(met)
        sides.append(np.full(len(met), side))
    rows, y = np.concatenate(places), np.concatenate(sides)
    cut = codes[rows] - (1 - y)
    thresholds = (cut[:, None] == np.arange(1, cuts)).astype(float)
    labels = (*range(-1, -cuts, -1), *kept)
    return Design(
        y.astype(np.int64),
        np.column_stack([thresholds, -design.X[rows][:, list(kept)]]),
        tuple(str(label) for label in ("constant", *labels)),
        labels,
    )
