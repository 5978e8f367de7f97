"""Every table with given margins, in fractions: what the exact tests on tables are compared with."""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache

import numpy as np
from hypothesis import strategies as st

small_tables = (
    st.integers(2, 4)
    .flatmap(
        lambda rows: st.integers(2, 4 if rows < 4 else 3).flatmap(
            lambda columns: st.lists(
                st.lists(st.integers(0, 3), min_size=columns, max_size=columns), min_size=rows, max_size=rows
            )
        )
    )
    .filter(lambda table: 0 < sum(map(sum, table)) <= 16)
)


@cache
def one_column(total: int, rows: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    if len(rows) == 1:
        return ((total,),) if total <= rows[0] else ()
    return tuple(
        (first, *others)
        for first in range(min(total, rows[0]) + 1)
        for others in one_column(total - first, rows[1:])
    )


def tables_with_margins(rows, columns):
    """Every table with these margins, as a tuple of columns."""
    if len(columns) == 1:
        yield (tuple(rows),)
        return
    for first in one_column(columns[0], tuple(rows)):
        left = [have - taken for have, taken in zip(rows, first, strict=True)]
        for others in tables_with_margins(left, columns[1:]):
            yield (first, *others)


def chance(columns) -> Fraction:
    """The table's probability given its margins, up to a constant."""
    return Fraction(1, math.prod(math.factorial(x) for column in columns for x in column))


def share(table, reached) -> Fraction:
    """Probability, given the margins of `table`, of the tables for which `reached` holds."""
    table = np.asarray(table)
    every = list(tables_with_margins(table.sum(axis=1).tolist(), table.sum(axis=0).tolist()))
    return sum((chance(t) for t in every if reached(t)), Fraction(0)) / sum(map(chance, every))


def as_columns(table):
    return tuple(tuple(column) for column in np.asarray(table).T.tolist())
