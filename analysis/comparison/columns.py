"""The columns that a plan adjusts for, as numbers: coded, checked for size, and named for a table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

PER_SD = " (per standard deviation)"

MOST_COLUMNS = 40
"""A column of names becomes one 0/1 column per name; past this many, strata are the honest tool."""


@dataclass(frozen=True, eq=False)
class Coded:
    """`X` has one line per routine; `labels` name its columns, `why` says why there are none.

    `classes` is the same with every number in thirds (0, 1, 2), for methods that need few different values.
    """

    X: np.ndarray
    labels: tuple[str, ...]
    classes: np.ndarray
    why: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """The labels without their unit."""
        return tuple(label.removesuffix(PER_SD) for label in self.labels)


def complete(frame: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    """Return the routines of the first two techniques that have a value in every column."""
    frame = frame[frame["arm"].isin([0, 1])]
    return frame[frame[list(names)].notna().all(axis=1)] if names else frame


def code_columns(frame: pd.DataFrame, names: tuple[str, ...]) -> Coded:
    """Turn columns into numbers: a number in standard deviations, any other as one 0/1 column per value but one.

    The value that is left out is the commonest. A coefficient in thousandths of a point would be unreadable, so
    numbers are centred and divided by their standard deviation over these routines.
    """
    columns: list[np.ndarray] = []
    classes: list[np.ndarray] = []
    labels: list[str] = []
    for name in names:
        values = frame[name]
        if is_number(values):
            number = values.astype(float).to_numpy()
            if number.min() < number.max():
                columns.append((number - number.mean()) / number.std())
                classes.append(np.searchsorted(np.quantile(number, [1 / 3, 2 / 3]), number).astype(float))
                labels.append(name + PER_SD)
            continue
        text = values.astype(str)
        counts = text.value_counts().sort_index().sort_values(ascending=False, kind="stable")
        if len(columns) + len(counts) - 1 > MOST_COLUMNS:
            why = f"{name} has {len(counts)} values, too many to adjust for; name it under strata instead"
            return no_columns(len(frame), why)
        for value in counts.index[1:]:
            columns.append((text == value).to_numpy().astype(float))
            classes.append(columns[-1])
            labels.append(f"{name}: {value}")
    if not columns:
        return no_columns(len(frame), "the columns to adjust for hold one value each" if names else "")
    return Coded(np.column_stack(columns), tuple(labels), np.column_stack(classes))


def no_columns(routines: int, why: str = "") -> Coded:
    """Return the coding of no column at all."""
    nothing = np.empty((routines, 0))
    return Coded(nothing, (), nothing, why)


def is_number(values: pd.Series) -> bool:
    """Whether a column of the sheet holds numbers."""
    return bool(pd.api.types.is_numeric_dtype(values))
