"""Counting the arrangements of 0/1 outcomes that have the observed totals of all columns but one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.design_matrix import Design, Floats, Ints

_CELLS = (
    12  # float64 cells that one state takes: its key, its count as a whole number, and the sort's scratch
)
_WORK = 1_000  # elementary operations that one state costs: multiplying, sorting and adding whole numbers
LARGEST_KEY = 2**62
_FINE = 8  # a column with more values than this is worth rounding before any is left out


@dataclass(frozen=True, eq=False)
class Conditional:
    """The conditional distribution of one sufficient statistic when its coefficient is 0.

    `totals` are its possible values in rising order, less the observed one, in steps of `step`; `counts` are exact
    whole numbers of arrangements of the outcomes. `why` is "" unless there is no distribution to work with, and
    `too_much` says whether that is for want of room only.
    """

    totals: Ints
    counts: tuple[int, ...]
    step: float
    why: str = ""
    too_much: bool = False

    @property
    def observed(self) -> int:
        """Position of the observed total."""
        return int(np.searchsorted(self.totals, 0))


def conditional_distribution(design: Design, k: int, budget: Budget = DEFAULT) -> Conditional:
    """Count the arrangements of the outcomes for each total of coefficient `k`, the others' totals held.

    A state is the vector of totals so far, packed into one whole number. Rows enter group by group; a state is
    dropped as soon as no choice among the rows to come could bring a held total to its observed value.
    """
    found = whole_numbers(design.with_constant(), shift=k != 0)
    if found is None:
        return _nothing(too_fine(design, k), too_much=True)
    grid, steps = found
    observed = design.y @ grid
    below, above = np.minimum(grid, 0).sum(axis=0), np.maximum(grid, 0).sum(axis=0)
    radix = [int(high - low) + 1 for low, high in zip(below, above, strict=True)]
    if math.prod(radix) > LARGEST_KEY:
        return _nothing(too_fine(design, k), too_much=True)
    place = np.array([math.prod(radix[:j]) for j in range(len(radix))], dtype=np.int64)
    held = [j for j in range(grid.shape[1]) if j != k]
    rows, m = np.unique(grid, axis=0, return_counts=True)
    order = settling_order(rows, held, k)
    rows, m = rows[order], m[order]

    keys = np.array([int(-below @ place)], dtype=np.int64)
    counts = np.ones(1, dtype=np.int64 if design.n <= 62 else object)  # whole numbers never overflow
    work = 0.0
    for stage, (row, trials) in enumerate(zip(rows, m, strict=True)):
        reach = _Reach(np.repeat(rows[stage + 1 :], m[stage + 1 :], axis=0), held)
        parts = []
        for stuck in range(int(trials) + 1):
            moved = keys + stuck * int(row @ place)
            so_far = {j: moved // place[j] % radix[j] + below[j] for j in held}
            alive = reach.can_end({j: observed[j] - so_far[j] for j in held}, len(moved))
            parts.append((moved[alive], counts[alive] * comb(int(trials), stuck)))
        states = sum(len(part) for part, _ in parts)
        work += states * _WORK
        if not budget.allows(work, states * _CELLS):
            return _nothing("exact work on these rows and columns exceeds the budget", too_much=True)
        keys, counts = _merge(np.concatenate([k for k, _ in parts]), np.concatenate([c for _, c in parts]))
    totals = keys // place[k] % radix[k] + below[k] - observed[k]
    if len(totals) == 1:
        return _nothing(NO_OTHER)
    order = np.argsort(totals)
    return Conditional(totals[order], tuple(int(c) for c in counts[order]), steps[k])


NO_OTHER = "no other arrangement of the outcomes has the same totals of the other columns"


def too_fine(design: Design, k: int) -> str:
    """Say which column makes the arrangements too many to keep apart, and what to do about it."""
    values = {name: len(np.unique(column)) for name, column in zip(design.names[1:], design.X.T, strict=True)}
    if k and whole_numbers(design.X[:, [k - 1]], shift=True) is None:
        finest = design.names[k]
    else:
        values.pop(design.names[k], None)
        finest = max(values, key=lambda name: values[name], default="")
    if values.get(finest, 0) > _FINE:
        return f"{finest} has {values[finest]} different values, too fine for exact work; round it or put it in classes"
    return f"the other {len(values)} columns are too many for exact work; leave some out"


def _nothing(why: str, too_much: bool = False) -> Conditional:
    return Conditional(np.zeros(0, dtype=np.int64), (), 1.0, why, too_much)


class _Reach:
    """What the rows still to come can add to each held total, for each number of ones among them."""

    def __init__(self, coming: Ints, held: Sequence[int]) -> None:
        self.size = len(coming)
        self.bounds = {}
        for j in held:
            rising = np.sort(coming[:, j])
            smallest = np.concatenate([[0], np.cumsum(rising)])
            largest = np.concatenate([[0], np.cumsum(rising[::-1])])
            if 0 not in held:  # the number of ones is free
                smallest, largest = (
                    np.full_like(smallest, smallest.min()),
                    np.full_like(largest, largest.max()),
                )
            self.bounds[j] = smallest, largest

    def can_end(self, missing: dict[int, Ints], states: int) -> NDArray[np.bool_]:
        """Which of the states can still reach the observed totals, each total looked at by itself."""
        ones = np.clip(missing[0], 0, self.size) if 0 in missing else np.zeros(states, dtype=np.int64)
        alive = np.ones(states, dtype=bool)
        for j, value in missing.items():
            least, most = self.bounds[j]
            alive &= (value >= least[ones]) & (value <= most[ones])
        return alive


def _merge(keys: Ints, counts: NDArray[Any]) -> tuple[Ints, NDArray[Any]]:
    """Add the counts of equal states."""
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    starts = np.flatnonzero(np.concatenate([[True], keys[1:] != keys[:-1]]))
    return keys[starts], np.add.reduceat(counts[order], starts)


def settling_order(rows: Ints, held: Sequence[int], k: int) -> Ints:
    """The order of `rows` that settles the held totals early: coarse columns first, large values first."""
    coarse_first = sorted(held, key=lambda j: len(np.unique(rows[:, j])))
    return np.lexsort([-rows[:, j] for j in reversed([*coarse_first, k])])


def whole_numbers(Z: Floats, shift: bool) -> tuple[Ints, list[float]] | None:
    """Each column as whole multiples of a step of its own, from its smallest value if `shift`; None if too large.

    A shift is harmless while the number of ones is held: it adds the same to every total.
    """
    grid, steps = [], []
    for column in Z.T:
        values, member = np.unique(column, return_inverse=True)
        exact = [_as_written(float(value)) for value in values]
        if shift and len(values) > 1:
            exact = [value - exact[0] for value in exact]
        denominator = math.lcm(*(value.denominator for value in exact))
        whole = [int(value * denominator) for value in exact]
        divisor = math.gcd(*whole) or 1
        whole = [value // divisor for value in whole]
        if max(abs(value) for value in whole) > LARGEST_KEY // len(column):
            return None
        grid.append(np.array(whole, dtype=np.int64)[member.reshape(-1)])
        steps.append(divisor / denominator)
    return np.column_stack(grid), steps


def _as_written(value: float) -> Fraction:
    """The fraction that a person meant by a float: a small denominator if one fits exactly, else its decimals."""
    near = Fraction(value).limit_denominator(1000)
    return near if float(near) == value else Fraction(repr(value))
