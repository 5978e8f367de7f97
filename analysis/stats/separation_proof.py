"""Proof, in whole numbers, that exactly those outcomes are predicted without error which a linear programme named."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr

from analysis.stats.design_matrix import Floats, Ints

Whole = NDArray[np.object_]  # Python's integers, which never overflow
_UNIT = 2**24  # weights are rounded to parts of this


def proven(rows: Ints, signs: Ints, predicted: NDArray[np.bool_], margins: Floats, weights: Floats) -> bool:
    """Check both halves of the claim that a direction predicts the rows `predicted` and none predicts another.

    Parameters
    ----------
    rows : groups x width whole numbers
        The constant and the columns, one row for each group of equal rows.
    signs : 1 where every outcome of a group is 1, -1 where every one is 0, 0 where both occur
    predicted : the groups claimed to be predicted without error
    margins : about how far the direction found goes for each of those (positive)
    weights : about the multipliers of the other groups: with them their rows add up to 0, positive where signs aren't 0

    A direction is proven by one near it that is exactly 0 on all other rows and positive on these. That there is no
    better one is proven by the weights: sum of weight x sign x row = 0 over the other rows, so that no direction that
    is nowhere wrong can be right on any of them (Farkas).
    """
    signed = np.where(signs == 0, 1, signs)[:, None] * rows
    others = signed[~predicted].astype(object)
    basis = _independent(signed[~predicted].astype(float), np.where(signs[~predicted] == 0, np.inf, weights))
    return _direction_exists(signed[predicted].astype(object), others, basis, margins) and _none_is_better(
        others, signs[~predicted], basis, weights
    )


def _independent(rows: Floats, weights: Floats) -> list[int]:
    """Positions of rows that span all of them, those of large weight preferred."""
    if not len(rows):
        return []
    size = np.linalg.norm(rows / np.maximum(np.abs(rows).max(axis=0), 1), axis=1)
    scaled = rows / np.maximum(np.abs(rows).max(axis=0), 1)
    liked = np.clip(weights, 1e-3, 1e3)
    _, triangle, order = qr(
        (scaled / np.maximum(size, 1e-300)[:, None] * liked[:, None]).T, mode="economic", pivoting=True
    )
    diagonal = np.abs(np.diag(triangle))
    return [int(i) for i in order[: int((diagonal > 1e-9 * diagonal[0]).sum())]]


def _direction_exists(ahead: Whole, others: Whole, basis: list[int], margins: Floats) -> bool:
    if not len(ahead):
        return True
    free = _null_space([[Fraction(int(v)) for v in others[i]] for i in basis], ahead.shape[1])
    if (others @ free).any():
        return False  # the rows of the basis don't span all others
    reached = ahead @ free
    if not reached.size:
        return False
    scale = [max(1, max(abs(int(v)) for v in column)) for column in reached.T]
    along = np.array([[int(v) / s for v, s in zip(row, scale, strict=True)] for row in reached])
    found = np.linalg.lstsq(along, margins, rcond=None)[0]
    top = float(np.abs(found).max()) or 1.0
    # Whole multiples of a small part of the largest: column by column in units of its own scale.
    common = math.lcm(*scale)
    whole = np.array(
        [round(value / top * _UNIT**2) * (common // s) for value, s in zip(found, scale, strict=True)],
        dtype=object,
    )
    return all(int(value) > 0 for value in reached @ whole)


def _none_is_better(others: Whole, signs: Ints, basis: list[int], weights: Floats) -> bool:
    if not len(others):
        return True
    parts = np.array([round(w * _UNIT) for w in weights], dtype=object)
    inside = np.zeros(len(others), dtype=bool)
    inside[basis] = True
    if any(part <= 0 for part, sign, taken in zip(parts, signs, inside, strict=True) if sign and not taken):
        return False
    rest = -(parts[~inside] @ others[~inside]) if (~inside).any() else np.zeros(others.shape[1], dtype=object)
    solved = _solve([[Fraction(int(v)) for v in others[i]] for i in basis], [Fraction(int(v)) for v in rest])
    return solved is not None and all(x > 0 for x, i in zip(solved, basis, strict=True) if signs[i])


def _echelon(rows: list[list[Fraction]]) -> list[int]:
    """Reduce the rows in place; return the pivots' columns."""
    pivots: list[int] = []
    for column in range(len(rows[0]) if rows else 0):
        at = next((i for i in range(len(pivots), len(rows)) if rows[i][column]), None)
        if at is None:
            continue
        here = len(pivots)
        rows[here], rows[at] = rows[at], rows[here]
        pivot = rows[here][column]
        rows[here] = [value / pivot for value in rows[here]]
        for i, row in enumerate(rows):
            if i != here and row[column]:
                rows[i] = [a - row[column] * b for a, b in zip(row, rows[here], strict=True)]
        pivots.append(column)
    return pivots


def _null_space(rows: list[list[Fraction]], width: int) -> Whole:
    """Whole-number columns that span all vectors to which every row is orthogonal."""
    rows = [list(row) for row in rows]
    pivots = _echelon(rows)
    columns = []
    for free in (j for j in range(width) if j not in pivots):
        vector = [Fraction(0)] * width
        vector[free] = Fraction(1)
        for row, pivot in zip(rows, pivots, strict=False):
            vector[pivot] = -row[free]
        common = math.lcm(*(value.denominator for value in vector))
        columns.append([int(value * common) for value in vector])
    return np.array(columns, dtype=object).reshape(len(columns), width).T


def _solve(rows: list[list[Fraction]], wanted: list[Fraction]) -> list[Fraction] | None:
    """The x with sum of x_i rows_i = wanted; None if there is none or more than one."""
    size = len(rows)
    system = [[*(row[j] for row in rows), wanted[j]] for j in range(len(wanted))]
    pivots = _echelon(system)
    if pivots != list(range(size)):
        return None
    return [system[i][size] for i in range(size)]
