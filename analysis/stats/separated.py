"""Separation: is there a combination of columns that predicts some outcomes without a single error?

Where there is, maximum likelihood has no finite answer, and general routines print a large number instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import null_space, solve_triangular
from scipy.optimize import linprog
from scipy.sparse import csr_matrix, hstack, identity

from analysis.shown import Shown
from analysis.stats.design_matrix import Design, Floats, Ints, independent_columns, read_design
from analysis.stats.exact_counts import whole_numbers
from analysis.stats.separation_proof import proven

_NOTHING = 1e-8  # in units of standardised columns


@dataclass(frozen=True)
class Separation(Shown):
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
        The same in words; "" without separation. Where the proof fails (columns that repeat each other but for less
        than a millionth), `separated` is False and this says that nothing is proven.
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
    That these rows are predicted, and that no others can be, is then proven in whole numbers: columns count as they
    are written, or to a billionth of their range where they are written more finely.

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
    whole = _whole_rows(design.X)
    kept = list(independent_columns(whole[:, 1:].astype(float), design.names).kept)
    middle, spread = design.X[:, kept].mean(axis=0), design.X[:, kept].std(axis=0)
    whole = whole[:, [0, *(j + 1 for j in kept)]]
    kinds, first, member = np.unique(whole, axis=0, return_index=True, return_inverse=True)
    member = member.reshape(-1)  # numpy 2.0.0 alone returns another shape
    ones, trials = np.bincount(member, weights=y), np.bincount(member)
    signs = (ones == trials).astype(np.int64) - (ones == 0)
    standardised = np.column_stack([np.ones(len(kinds)), (design.X[first][:, kept] - middle) / spread])
    # Orthogonal columns and rows of length 1 keep the tolerances of the linear programme meaningful.
    Z, triangle = np.linalg.qr(standardised)
    lengths = np.linalg.norm(Z, axis=1)
    Z = Z / lengths[:, None]
    found = _separated_groups(Z, signs)
    if found is None or not proven(
        kinds,
        signs,
        found.predicted,
        found.margins * lengths[found.predicted],
        found.weights / lengths[~found.predicted],
    ):
        return Separation(False, (), (), 0, (), n, _UNPROVEN)
    predicted, direction = found.predicted, found.direction
    if not predicted.any():
        return Separation(False, (), (), 0, (), n)
    rows = tuple(int(i) for i in np.flatnonzero(predicted[member]))
    open_space = _null_space(Z[~predicted], Z.shape[1])
    margins = (signs[predicted, None] * Z[predicted]) @ open_space

    # In these units the constant is the value at the columns' means; at zero it is that minus the way there.
    functionals = {0: np.concatenate([[1.0], -middle / spread])}
    for position, j in enumerate(kept):
        functionals[j + 1] = np.eye(len(kept) + 1)[position + 1]
    infinite: dict[int, int] = {}
    for k, functional in functionals.items():
        functional = solve_triangular(triangle, functional, trans="T")
        functional = functional / np.linalg.norm(functional)
        along = functional @ open_space
        if np.linalg.norm(along) > _NOTHING:
            infinite[k] = _direction(along, float(functional @ direction), margins)
    columns = tuple(design.labels[k - 1] for k in infinite if k > 0)
    told = ", ".join(f"{design.names[k]} ({_SIGNS[sign]})" for k, sign in infinite.items())
    return Separation(
        True,
        columns,
        tuple(sign for k, sign in infinite.items() if k > 0),
        infinite.get(0, 0),
        rows,
        n,
        f"separation: {len(rows)} of {n} outcomes are predicted without error by {told}",
    )


_FINEST = 10**9
_UNPROVEN = "whether anything separates could not be proven: some columns nearly repeat others"


def _whole_rows(columns: Floats) -> Ints:
    """The constant and the columns in whole numbers: as written, or to a billionth of a column's range."""
    found = [np.ones(len(columns), dtype=np.int64)]
    for column in columns.T:
        exact = whole_numbers(column[:, None], shift=True)
        if exact is not None and exact[0].max() <= _FINEST:
            found.append(exact[0][:, 0])
        else:
            found.append(np.rint((column - column.min()) / np.ptp(column) * _FINEST).astype(np.int64))
    return np.column_stack(found)


_SIGNS = {1: "towards plus infinity", -1: "towards minus infinity", 0: "sign left open"}


@dataclass(frozen=True, eq=False)
class _Found:
    """The groups that can be predicted, a direction and its margins there, and the multipliers of the others."""

    predicted: NDArray[np.bool_]
    direction: Floats
    margins: Floats
    weights: Floats


def _separated_groups(Z: Floats, signs: Ints) -> _Found | None:
    """A direction that predicts as many groups as can be predicted, and which those are.

    Maximise sum t with 0 <= t <= 1 and margin >= t. Directions can be added and stretched, so at the optimum t is 1
    where a group can be predicted and 0 elsewhere; no threshold has to be chosen. The multipliers of margin >= t are
    at least 1 where t is 0, and with them the rows add up to 0: that is the proof that no more can be predicted.
    """
    groups, width = Z.shape
    pure, mixed = np.flatnonzero(signs), np.flatnonzero(signs == 0)
    if not len(pure):
        return _Found(np.zeros(groups, dtype=bool), np.zeros(width), np.zeros(0), np.zeros(groups))
    signed = signs[pure, None] * Z[pure]
    solved = _solved(
        np.concatenate([np.zeros(width), -np.ones(len(pure))]),
        A_ub=hstack([csr_matrix(-signed), identity(len(pure))], format="csr"),
        b_ub=np.zeros(len(pure)),
        A_eq=hstack([csr_matrix(Z[mixed]), csr_matrix((len(mixed), len(pure)))], format="csr"),
        b_eq=np.zeros(len(mixed)),
        bounds=[(None, None)] * width + [(0, 1)] * len(pure),
    )
    if solved is None:
        return None
    predicted = np.zeros(groups, dtype=bool)
    predicted[pure] = solved.x[width:] > 0.5
    weights = np.zeros(groups)
    weights[pure], weights[mixed] = -solved.ineqlin.marginals, solved.eqlin.marginals
    margins = signs[predicted] * (Z[predicted] @ solved.x[:width])
    return _Found(predicted, solved.x[:width], margins, weights[~predicted])


def _null_space(Z: Floats, width: int) -> Floats:
    """Directions that leave every row of Z where it is: the way is open for these."""
    return np.eye(width) if not len(Z) else null_space(Z, rcond=1e-10)


def _direction(along: Floats, inside: float, margins: Floats) -> int:
    """The sign that along'c has for every c with margins >= 0, or 0 where both occur.

    `inside` is its value for one c in the interior. A linear form that is nowhere negative on a cone and not zero
    on it is positive in the interior, so only the other sign has to be looked for.
    """
    sign = 1 if inside > 0 else -1
    solved = _solved(
        sign * along,
        A_ub=np.vstack([-margins, -sign * along]),
        b_ub=np.concatenate([np.zeros(len(margins)), [1.0]]),
        bounds=(None, None),
    )
    return sign if solved is not None and solved.fun > -0.5 else 0


def _solved(*objective: Floats, **given: Any) -> Any:
    """The linear programme's answer; None where neither way of solving it gets there."""
    for method in ("highs", "highs-ipm"):
        solved = linprog(*objective, **given, method=method)
        if solved.status == 0:
            return solved
    return None
