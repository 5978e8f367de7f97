"""What the exact tests on whole tables share: probabilities as integers, merged paths, halves that meet.

A table with fixed margins has a probability proportional to 1 / (product of the factorials of its cells). Which of
two tables is less probable must not depend on rounding, so each factorial gets an integer key: ln n! in fixed
point, put together from the rounded logarithms of its prime factors. Two products of factorials that are equal
have equal keys, always; two that differ have keys in the right order unless they agree to about one part in
10^12, and how close that may be is known (`guard`). Floating point only adds probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.stats.budget import Budget

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

OPERATIONS_A_CELL = 100.0  # rough cost of trying one value in one cell, in the unit of `Budget.operations`

ABOVE = np.int64(1) << np.int64(62)  # above every key
CHUNK = 1 << 18  # values tried at a time: bounds the memory of one step and keeps it in the cache


class OverBudget(Exception):  # noqa: N818 - it is an outcome, not a fault
    """Raised when an exact algorithm would exceed its budget; the public routines fall back and say so."""


class Meter:
    """Counts the work of one exact run, so that giving up depends on the table and not on the clock."""

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.tried = 0

    def add(self, tried: int, expected: float = 0.0, held: int = 0) -> None:
        """Note `tried` more cells; `expected` is the forecast for the whole run, `held` the cells in memory."""
        self.tried += tried
        if not self.budget.allows(OPERATIONS_A_CELL * max(self.tried, expected), held):
            raise OverBudget

    def part(self, share: float) -> Meter:
        """A meter for this share of what is left, to try a sample of the work on."""
        left = self.budget.operations - OPERATIONS_A_CELL * self.tried
        return Meter(replace(self.budget, operations=share * left))


@dataclass(frozen=True)
class Factorials:
    """Integer keys of 0!, 1!, ... : `keys[n]` is ln n! times `scale`, rounded prime by prime.

    `guard` bounds the rounding of the difference between two tables of the size asked for.
    """

    keys: Ints
    scale: float
    guard: int


@lru_cache(maxsize=16)
def factorials(largest: int) -> Factorials:
    """Keys of all factorials up to `largest`, for tables of at most that many observations."""
    top = max(largest, 2)
    scale = 2.0 ** min(46, 59 - math.ceil(math.log2(top * math.log(top) + 2)))
    step: Ints = np.zeros(top + 1, dtype=np.int64)
    factors: Ints = np.zeros(top + 1, dtype=np.int64)
    for number in range(2, top + 1):
        if factors[number]:
            continue  # has a smaller prime factor
        key, power = round(math.log(number) * scale), number
        while power <= top:
            step[power::power] += key
            factors[power::power] += 1
            power *= number
    keys: Ints = np.cumsum(step)
    keys.setflags(write=False)
    # Each prime factor is rounded by at most .6 units, in each of the two tables that are compared.
    return Factorials(keys, scale, math.ceil(1.2 * float(factors.sum())) + 2)


def ranges(counts: Ints) -> tuple[Ints, Ints]:
    """Number the elements of runs of the given lengths: (which run, place within the run)."""
    total = int(counts.sum())
    run = np.repeat(np.arange(len(counts)), counts)
    return run, np.arange(total) - np.repeat(np.cumsum(counts) - counts, counts)


def runs(counts: Ints) -> list[slice]:
    """Cut a list of runs into pieces of about CHUNK elements."""
    edges = np.searchsorted(np.cumsum(counts), np.arange(CHUNK, int(counts.sum()), CHUNK))
    cuts = np.unique(np.concatenate([[0], edges, [len(counts)]]))
    return [slice(a, b) for a, b in pairwise(cuts.tolist())]


def merge(code: Ints, key: Ints, count: Floats) -> tuple[Ints, Floats]:
    """Find paths that share both code and key: (place of one of each, their summed counts)."""
    if not len(key):
        return np.arange(0), count
    mixed = code * np.int64(-7046029254386353131) + key * np.int64(6364136223846793005)  # wraps on purpose
    order = np.argsort(mixed)
    code, key = code[order], key[order]
    first = np.concatenate([[True], (code[1:] != code[:-1]) | (key[1:] != key[:-1])])
    starts = np.flatnonzero(first)
    return order[starts], np.add.reduceat(count[order], starts)


@dataclass(frozen=True)
class Ladder:
    """Keys in rising order, a sentinel above them all, and for each place the probability from there upwards."""

    keys: Ints
    weights: Floats
    from_here: Floats


def ladder(keys: Ints, weights: Floats) -> Ladder:
    """Sort keys for `meet`; equal ones become one."""
    order = np.argsort(keys)
    keys, weights = keys[order], weights[order]
    if len(keys):
        starts = np.flatnonzero(np.concatenate([[True], keys[1:] != keys[:-1]]))
        keys, weights = keys[starts], np.add.reduceat(weights, starts)
    from_here = np.concatenate([np.cumsum(weights[::-1])[::-1], [0.0]])
    return Ladder(np.append(keys, ABOVE), weights, from_here)


def meet(one: Ladder, other: Ladder, observed: int, guard: int) -> tuple[float, float]:
    """Probability that a key of `one` and a key of `other` add up to `observed` or more.

    Returns the sum over every pair that may reach it, and the part of it that lies within `guard` of the observed
    key without being equal to it.
    """
    wanted = observed - one.keys[:-1]
    place = np.searchsorted(other.keys, wanted - guard)
    found = float(np.dot(one.weights, other.from_here[place]))
    near = np.flatnonzero(other.keys[place] <= wanted + guard)
    place, wanted = place[near], wanted[near]
    first, following = other.keys[place], other.keys[place + 1]
    alone = (first == wanted) & (
        following > wanted + guard
    )  # the usual case: one exact tie and nothing beside it
    doubtful = 0.0
    for at, key, weight in zip(place[~alone], wanted[~alone], one.weights[near[~alone]], strict=True):
        zone = slice(at, np.searchsorted(other.keys, key + guard, side="right"))
        doubtful += float(weight * np.sum(other.weights[zone][other.keys[zone] != key]))
    return found, doubtful


def read_table(table: Any) -> Ints:
    """Return the counts of an r x c table, or raise ValueError that says what is wrong with it."""
    given = np.asarray(table)
    if given.dtype.kind not in "iufbO":
        raise ValueError(f"the table must hold counts only; got {table!r}")
    if given.ndim != 2:
        raise ValueError(f"the table has {given.ndim} dimensions; an r x c table of counts has two")
    try:
        numbers = given.astype(float)
    except (TypeError, ValueError):
        raise ValueError(f"the table must hold counts only; got {table!r}") from None
    bad = ~np.isfinite(numbers) | (numbers < 0) | (numbers != np.floor(numbers))
    if bad.any():
        raise ValueError(f"the table holds {numbers[bad][0]:g}; counts are whole numbers from 0")
    return numbers.astype(np.int64)


def draw_tables(table: Ints, draws: int, rng: np.random.Generator) -> Iterator[Ints]:
    """Draw tables at random given both margins of `table`, in pieces of shape (some, rows, columns)."""
    piece = max(1, 2_000_000 // table.size)  # at most 16 MB of tables at a time
    for start in range(0, draws, piece):
        size = min(piece, draws - start)
        left = np.repeat(table.sum(axis=1)[:, None], size, axis=1)
        drawn = np.empty((size, *table.shape), dtype=np.int64)
        for column, total in enumerate(table.sum(axis=0)):
            put = np.full(size, total)
            below = left.sum(axis=0)
            for row in range(table.shape[0]):
                below -= left[row]
                value = rng.hypergeometric(left[row], below, put)
                drawn[:, row, column] = value
                left[row] -= value
                put -= value
        yield drawn
