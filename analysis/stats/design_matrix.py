"""Reading a 0/1 outcome and its columns: what every logistic routine checks before it computes anything."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.stats.result import Fit

CONSTANT = "constant"
_COLLINEAR = 1e-9  # a column whose part outside the others is smaller than this share of itself adds nothing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Design:
    """A checked outcome `y` (n values 0 or 1) and columns `X` (n x p, without the constant).

    `names` are the coefficients' names, the constant first. `labels` names the columns of X for a caller: their
    names where they had any, otherwise their positions from 0.
    """

    y: Ints
    X: Floats
    names: tuple[str, ...]
    labels: tuple[str | int, ...]

    @property
    def n(self) -> int:
        """Number of observations."""
        return len(self.y)

    def with_constant(self) -> Floats:
        """X with a column of ones before it."""
        return np.column_stack([np.ones(self.n), self.X])

    def only(self, kept: Sequence[int]) -> Design:
        """The same outcome with some of the columns."""
        names = (self.names[0], *(self.names[j + 1] for j in kept))
        return Design(self.y, self.X[:, list(kept)], names, tuple(self.labels[j] for j in kept))

    def wanted(self, columns: Iterable[str | int] | None) -> tuple[int, ...]:
        """Positions in `names` of the coefficients asked for; None asks for all."""
        if columns is None:
            return tuple(range(len(self.names)))
        found = []
        for column in [columns] if isinstance(columns, (str, int)) else columns:
            if isinstance(column, str) and column in self.names:
                found.append(self.names.index(column))
            elif not isinstance(column, (str, bool)) and 0 <= int(column) < len(self.labels):
                found.append(int(column) + 1)
            else:
                raise ValueError(f"columns has {column!r}; there are {', '.join(self.names)}")
        return tuple(found)


def read_design(y: Any, X: Any, names: Sequence[str] | None = None) -> Design:
    """Check outcome and columns, or raise ValueError that says what was given, where, and what is allowed."""
    columns, own = _columns(X)
    outcome = _outcome(y)
    if columns.shape[0] != len(outcome):
        raise ValueError(
            f"y has {len(outcome)} values and X has {columns.shape[0]} rows; they must be as many"
        )
    if not len(outcome):
        raise ValueError("y is empty; at least one observation is needed")
    if names is not None:
        given = (names,) if isinstance(names, str) else tuple(str(name) for name in names)
        if len(given) != columns.shape[1] or len(set(given)) != len(given):
            raise ValueError(f"names has {given!r}; {columns.shape[1]} different names are needed")
        own = given
    labels: tuple[str | int, ...] = own if own is not None else tuple(range(columns.shape[1]))
    shown = own if own is not None else tuple(f"column {j}" for j in range(columns.shape[1]))
    if CONSTANT in shown:
        raise ValueError(f"a column is called {CONSTANT!r}; the constant is added here, leave it out of X")
    _check_finite(columns, shown)
    return Design(outcome, columns, (CONSTANT, *shown), labels)


def _outcome(y: Any) -> Ints:
    values = np.asarray(y)
    if values.ndim != 1:
        raise ValueError(f"y has shape {values.shape}; a list of 0 and 1 is needed")
    try:
        numbers = values.astype(float)
    except (TypeError, ValueError):
        numbers = np.full(len(values), np.nan)
    bad = np.flatnonzero((numbers != 0) & (numbers != 1))
    if len(bad):
        raise ValueError(f"y[{bad[0]}] is {values[bad[0]]}; each outcome is 0 or 1")
    return numbers.astype(np.int64)


def _columns(X: Any) -> tuple[Floats, tuple[str, ...] | None]:
    """X as a matrix of floats, and its own column names if it came with any."""
    own: tuple[str, ...] | None = None
    if hasattr(X, "columns"):
        own = tuple(str(name) for name in X.columns)
    elif getattr(X, "name", None) is not None:
        own = (str(X.name),)
    table = np.asarray(X)
    if table.ndim == 1:
        table = table[:, None]
    if table.ndim != 2:
        raise ValueError(
            f"X has shape {table.shape}; one row per observation and one column per variable is needed"
        )
    found = np.empty(table.shape)
    for j in range(table.shape[1]):
        try:
            found[:, j] = table[:, j].astype(float)
        except (TypeError, ValueError):
            which = own[j] if own else f"column {j}"
            raise ValueError(
                f"{which} of X is not numeric; code its categories as 0/1 columns first"
            ) from None
    return found, own


def _check_finite(X: Floats, names: Sequence[str]) -> None:
    bad = np.argwhere(~np.isfinite(X))
    if len(bad):
        row, column = bad[0]
        raise ValueError(
            f"row {row} of {names[column]} is {X[row, column]}; leave out rows with missing values first"
        )


@dataclass(frozen=True)
class Line:
    """What a routine says of one coefficient, in the caller's units; NaN where it has no answer, with the reason.

    `draws` counts random arrangements behind it, if any.
    """

    estimate: float = math.nan
    error: float = math.nan
    interval: tuple[float, float] = (math.nan, math.nan)
    p_value: float = math.nan
    why: str = ""
    draws: int = 0


@dataclass(frozen=True, eq=False)
class Grouped:
    """Observations with the same row collapsed: rows `Z`, trials `m`, successes `s`, and each observation's group."""

    Z: Floats
    m: Floats
    s: Floats
    member: Ints


def group_rows(Z: Floats, y: Ints) -> Grouped:
    """Collapse equal rows; the likelihood is the same and the work much smaller."""
    rows, member, m = np.unique(Z, axis=0, return_inverse=True, return_counts=True)
    member = member.reshape(-1)  # numpy 2.0.0 alone returns another shape
    s = np.asarray(np.bincount(member, weights=y, minlength=len(rows)), dtype=np.float64)
    return Grouped(rows, m.astype(np.float64), s, member)


@dataclass(frozen=True)
class Independent:
    """Which coefficients the columns can tell apart.

    `kept` are columns of X that together with the constant are independent and span the same space; `estimable`
    says for the constant and each column whether its coefficient is the same whatever is kept; `why` names the
    columns that are combinations of others.
    """

    kept: tuple[int, ...]
    estimable: tuple[bool, ...]
    why: str


def independent_columns(X: Floats, names: Sequence[str]) -> Independent:
    """Keep columns from left to right, and name those that repeat what is already there.

    `names` has the constant first.
    """
    middle = X.mean(axis=0) if len(X) else np.zeros(X.shape[1])
    centred = X - middle
    size = np.sqrt((centred**2).sum(axis=0))
    kept: list[int] = []
    estimable = [True] * (X.shape[1] + 1)
    told = []
    basis: list[Floats] = []
    for j in range(X.shape[1]):
        rest = centred[:, j].copy()
        for _ in range(2):  # twice is enough: the second pass removes what rounding left of the first
            for direction in basis:
                rest -= (direction @ rest) * direction
        left = float(np.sqrt(rest @ rest))
        floor = max(size[j], abs(middle[j]) * np.sqrt(len(X)) * 1e-6)
        if left > _COLLINEAR * floor and left > 0:
            kept.append(j)
            basis.append(rest / left)
            continue
        weights = np.linalg.lstsq(centred[:, kept], centred[:, j], rcond=None)[0] if kept else np.zeros(0)
        parts = [k for k, weight in zip(kept, weights, strict=True) if abs(weight) * size[k] > 1e-7 * size[j]]
        offset = middle[j] - sum(w * middle[k] for k, w in zip(kept, weights, strict=True) if k in parts)
        uses_constant = abs(offset) > 1e-7 * max(abs(middle[j]), size[j])
        estimable[j + 1] = False
        estimable[0] = estimable[0] and not uses_constant
        for k in parts:
            estimable[k + 1] = False
        others = ([names[0]] if uses_constant else []) + [names[k + 1] for k in parts]
        told.append(
            f"{names[j + 1]} is a combination of {', '.join(others)}" if others else f"{names[j + 1]} is 0"
        )
    return Independent(tuple(kept), tuple(estimable), "; ".join(told))


def no_fit(design: Design, level: float, method: str, assumes: str, why: str, sd: float = math.nan) -> Fit:
    """Return the fit of a model that has no answer here: NaN for every coefficient, with the reason."""
    empty = (math.nan,) * len(design.names)
    limits = ((math.nan, math.nan),) * len(design.names)
    return Fit(
        design.names, empty, empty, limits, empty, level, method, design.n, sd=sd, assumes=assumes, why=why
    )
