"""Separation: is there a combination of columns that predicts some outcomes without a single error?

Where there is, maximum likelihood has no finite answer, and general routines print a large number instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.linalg import null_space
from scipy.optimize import linprog
from scipy.sparse import csr_matrix, hstack, identity

from analysis.stats.design_matrix import Design, Floats, group_rows, independent_columns, read_design

_NOTHING = 1e-8  # in units of standardised columns


@dataclass(frozen=True)
class Separation:
    """Whether, where and which way the outcomes are separated.

    Parameters
    ----------
    separated : bool
    columns : tuple of str or int
        Columns whose coefficient maximum likelihood can't give: their names, or positions in X from 0.
    directions : tuple of int
        One for each of `columns`: 1 towards plus infinity, -1 towards minus infinity, 0 where the data leave the
        sign open.
    constant : int
        The same for the constant; 0 also where it is finite.
    rows : tuple of int
        Positions in y, from 0, of the outcomes that are predicted without error.
    n : int
        Number of observations.
    why : str
        The same in words; "" without separation.
    """

    separated: bool
    columns: tuple[str | int, ...]
    directions: tuple[int, ...]
    constant: int
    rows: tuple[int, ...]
    n: int
    why: str = ""

    def __str__(self) -> str:
        return self.why or f"no separation, {self.n} observations"

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name."""
        return {
            key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()
        }


def separation(y: Any, X: Any, names: Sequence[str] | None = None) -> Separation:
    """Find complete and quasi-complete separation exactly, by linear programming.

    Assumes nothing about sampling: it is a statement about these rows. One linear programme finds every row that
    some direction b predicts without error (x'b >= 0 where y = 1, <= 0 where y = 0, strictly for that row); a
    coefficient is infinite when it is positive (or negative) in every such direction, and open when it may be both.
    Differences smaller than one part in ten million of a column's spread count as none.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.

    Returns
    -------
    Separation

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric and finite, or their lengths differ.

    Examples
    --------
    9 of 9 against 14 of 22: the first technique's coefficient has no finite maximum-likelihood value.

    >>> found = separation([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, names=["first"])
    >>> found.separated, found.columns, found.directions, found.rows
    (True, ('first',), (1,), (0, 1, 2, 3, 4, 5, 6, 7, 8))

    References
    ----------
    Albert & Anderson 1984, Biometrika 71:1-10. Konis 2007, Linear programming algorithms for detecting separated
    data in binary logistic regression models, thesis, Oxford. Geyer 2009, Electronic Journal of Statistics 3:259-289.

    Not for: judging how well a model fits. Data without separation can still be too thin for maximum likelihood.
    """
    return separation_of(read_design(y, X, names))


def separation_of(design: Design) -> Separation:
    """`separation` for a design that was checked before."""
    n, y = design.n, design.y
    if y.min() == y.max():
        sign = 1 if y[0] == 1 else -1
        return Separation(True, (), (), sign, tuple(range(n)), n, f"every outcome is {y[0]}")
    kept = list(independent_columns(design.X, design.names).kept)
    middle, spread = design.X[:, kept].mean(axis=0), design.X[:, kept].std(axis=0)
    # Standardised columns keep the tolerances of the linear programme meaningful whatever the units.
    grouped = group_rows(np.column_stack([np.ones(n), (design.X[:, kept] - middle) / spread]), y)
    direction, predicted = _separated_groups(grouped.Z, grouped.s == grouped.m, grouped.s == 0)
    if not predicted.any():
        return Separation(False, (), (), 0, (), n)
    rows = tuple(int(i) for i in np.flatnonzero(predicted[grouped.member]))
    signs = np.where(grouped.s == 0, -1.0, 1.0)[predicted]
    open_space = _null_space(grouped.Z[~predicted], grouped.Z.shape[1])
    margins = (signs[:, None] * grouped.Z[predicted]) @ open_space

    # In these units the constant is the value at the columns' means; at zero it is that minus the way there.
    functionals = {0: np.concatenate([[1.0], -middle / spread])}
    for position, j in enumerate(kept):
        functionals[j + 1] = np.eye(len(kept) + 1)[position + 1]
    found: dict[int, int] = {}
    for k, functional in functionals.items():
        functional = functional / np.linalg.norm(functional)
        along = functional @ open_space
        if np.linalg.norm(along) > _NOTHING:
            found[k] = _direction(along, float(functional @ direction), margins)
    columns = tuple(design.labels[k - 1] for k in found if k > 0)
    told = ", ".join(f"{design.names[k]} ({_SIGNS[sign]})" for k, sign in found.items())
    return Separation(
        True,
        columns,
        tuple(sign for k, sign in found.items() if k > 0),
        found.get(0, 0),
        rows,
        n,
        f"separation: {len(rows)} of {n} outcomes are predicted without error by {told}",
    )


_SIGNS = {1: "towards plus infinity", -1: "towards minus infinity", 0: "sign left open"}


def _separated_groups(Z: Floats, all_ones: Any, all_zeros: Any) -> tuple[Floats, Any]:
    """A direction that predicts as many groups as can be predicted, and which those are.

    Maximise sum t with 0 <= t <= 1 and margin >= t. Directions can be added and stretched, so at the optimum t is 1
    where a group can be predicted and 0 elsewhere; no threshold has to be chosen.
    """
    groups, width = Z.shape
    pure = np.flatnonzero(all_ones | all_zeros)
    found = np.zeros(groups, dtype=bool)
    if not len(pure):
        return np.zeros(width), found
    mixed = Z[~(all_ones | all_zeros)]
    signed = np.where(all_zeros, -1.0, 1.0)[pure, None] * Z[pure]
    solved = linprog(
        np.concatenate([np.zeros(width), -np.ones(len(pure))]),
        A_ub=hstack([csr_matrix(-signed), identity(len(pure))], format="csr"),
        b_ub=np.zeros(len(pure)),
        A_eq=hstack([csr_matrix(mixed), csr_matrix((len(mixed), len(pure)))], format="csr")
        if len(mixed)
        else None,
        b_eq=np.zeros(len(mixed)) if len(mixed) else None,
        bounds=[(None, None)] * width + [(0, 1)] * len(pure),
        method="highs",
    )
    if solved.status != 0:
        raise ArithmeticError(f"the linear programme for separation failed: {solved.message}")
    found[pure] = solved.x[width:] > 0.5
    return solved.x[:width], found


def _null_space(Z: Floats, width: int) -> Floats:
    """Directions that leave every row of Z where it is: the way is open for these."""
    return np.eye(width) if not len(Z) else null_space(Z, rcond=1e-10)


def _direction(along: Floats, inside: float, margins: Floats) -> int:
    """The sign that along'c has for every c with margins >= 0, or 0 where both occur.

    `inside` is its value for one c in the interior. A linear form that is nowhere negative on a cone and not zero
    on it is positive in the interior, so only the other sign has to be looked for.
    """
    sign = 1 if inside > 0 else -1
    solved = linprog(
        sign * along,
        A_ub=np.vstack([-margins, -sign * along]),
        b_ub=np.concatenate([np.zeros(len(margins)), [1.0]]),
        bounds=(None, None),
        method="highs",
    )
    if solved.status != 0:
        raise ArithmeticError(
            f"the linear programme for the direction of separation failed: {solved.message}"
        )
    return sign if solved.fun > -0.5 else 0
