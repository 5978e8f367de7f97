"""Points as whole thousandths: the one place where a deduction stops being a float."""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from numbers import Real
from typing import Any

import numpy as np
import numpy.typing as npt

LARGEST = 1_000_000  # points; far past any deduction, and safe from float spacing and int64
REPRESENTATION = 1e-6  # thousandths that a float may be off: room for sums such as 0.1 + 0.2, not for 0.0001


def thousandths(values: Iterable[Any], what: str = "values") -> npt.NDArray[np.int64]:
    """Return points as whole thousandths.

    Parameters
    ----------
    values : iterable of numbers
        Points, such as 0.3; floats, integers, decimals and fractions.
    what : str
        What the values are, for the message.

    Returns
    -------
    array of int64

    Raises
    ------
    ValueError
        If a value is missing, not a finite number, or not a whole number of thousandths.

    Examples
    --------
    >>> thousandths([0.1 + 0.2, 0, 1]).tolist()
    [300, 0, 1000]
    """
    if isinstance(values, (str, bytes)) or not isinstance(values, Iterable):
        raise ValueError(f"{what} is {values!r}; a list of points is needed, such as [0, 0.1, 0.3]")
    return np.array([_thousandth(value, i, what) for i, value in enumerate(values)], dtype=np.int64)


def _thousandth(value: Any, position: int, what: str) -> int:
    where = f"{what}[{position}] is {value!r}"
    if is_missing(value):
        raise ValueError(f"{where}: a missing value has no place here; set the row aside first")
    if isinstance(value, np.floating):  # a short float says what it means in its shortest decimals
        value = float(str(value))
    if isinstance(value, (bool, np.bool_, np.integer)):
        value = int(value)
    if not isinstance(value, (Real, Decimal)) or not math.isfinite(value) or abs(float(value)) > LARGEST:
        raise ValueError(f"{where}: points are finite numbers up to {LARGEST:,} in size")
    exact = Fraction(value) * 1000  # type: ignore[arg-type]
    whole = round(exact)
    if abs(exact - whole) > REPRESENTATION:
        raise ValueError(f"{where}: points are held as whole thousandths, at most three decimals")
    return whole


def is_missing(value: Any) -> bool:
    """Whether a cell is empty: None, or anything that doesn't equal itself (not-a-number, pandas' missing marks)."""
    if value is None:
        return True
    try:
        return bool(value != value)
    except TypeError:  # pandas.NA refuses to be true or false
        return True


def check_groups(first: Iterable[Any], second: Iterable[Any]) -> tuple[npt.NDArray[np.int64], ...]:
    """Return both groups in thousandths, or raise ValueError when one has no values."""
    groups = tuple(thousandths(values, what) for what, values in (("first", first), ("second", second)))
    for what, group in zip(("first", "second"), groups, strict=True):
        if len(group) == 0:
            raise ValueError(f"{what} has no values; each group needs at least one")
    return groups
