"""Three or more techniques: the exact r x c test, and every pair with the family-wise error held."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
from scipy import stats

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.contingency import table_tail
from analysis.stats.paths import Meter, OverBudget, whole_numbers
from analysis.stats.result import Test, check_count

MOST_CLOSED = 6
"""Closed testing visits every partition of the techniques (203 for six); past it, Holm's procedure."""

TIE = 1e-9
"""Relative slack within which a drawn table's probability counts as tied with the observed one."""


def freeman_halton(table: Any, budget: Budget = DEFAULT, seed: int = 0) -> Test:
    """Exact test of an r x c table: is the outcome distributed alike in all rows?

    Assumes independent routines. Given both margins, p sums the probabilities of the tables that are not likelier than
    the observed one; ties are decided in integers.

    Parameters
    ----------
    table : array of int, shape (rows, columns)
        Counts; empty rows and columns say nothing and are left out.
    budget : Budget
        Past it, `budget.draws` tables are drawn at random, `error` is the standard error of p, and `why` says so.
    seed : int
        Seed of those draws.

    Returns
    -------
    Test
        `p_value` is `bound`, at most some 1e-9 above the exact value. 1 with `why` where one row or column is left.

    Raises
    ------
    ValueError
        When the table isn't two-dimensional or holds what is no count.

    Examples
    --------
    >>> round(freeman_halton([[9, 0], [14, 8], [3, 6]]).p_value, 4)
    0.012

    References
    ----------
    Freeman G. H., Halton J. H. (1951) Biometrika 38:141-149.
    """
    counts = whole_numbers(table, "table")
    if counts.ndim != 2:
        raise ValueError(f"table has {counts.ndim} dimensions; an r x c table of counts has two")
    n = int(counts.sum())
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    method, assumes = "exact r x c test (Freeman–Halton)", "independent routines"
    if min(counts.shape, default=0) < 2:
        why = "fewer than two rows or two columns hold a count, so there is nothing to compare"
        return Test(1.0, "two-sided", method, n, assumes=assumes, why=why)
    try:
        attained, bound = table_tail(counts, Meter(budget))
    except OverBudget:
        return _drawn(counts, budget, seed, method, assumes)
    return Test(
        min(1.0, bound),
        "two-sided",
        method,
        n,
        attained=min(1.0, attained),
        bound=min(1.0, bound),
        assumes=assumes,
    )


def _drawn(counts: np.ndarray, budget: Budget, seed: int, method: str, assumes: str) -> Test:
    n = int(counts.sum())
    logs = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, n + 1)))])
    seen = float(logs[counts].sum())
    margins = stats.random_table(counts.sum(axis=1), counts.sum(axis=0), seed=np.random.default_rng(seed))
    reached, left = 0, budget.draws
    while left:
        size = min(left, max(1, 1_000_000 // counts.size))
        sums = logs[margins.rvs(size).astype(np.int64)].sum(axis=(1, 2))
        # A table is as improbable as the observed one when its factorials' product is as large.
        reached += int((sums >= seen - TIE * max(1.0, seen)).sum())
        left -= size
    p = (reached + 1) / (budget.draws + 1)
    why = f"the exact algorithm would exceed its budget; {budget.draws:,} tables were drawn"
    error = math.sqrt(p * (1 - p) / budget.draws)
    return Test(
        p, "two-sided", method, n, draws=budget.draws, error=error, assumes=assumes, why=why
    )


@dataclass(frozen=True)
class AllPairs:
    """Every pair of techniques in the caller's order: its own exact p and the family-wise p."""

    pairs: tuple[tuple[int, int], ...]
    p_values: tuple[float, ...]
    family_p_values: tuple[float, ...]
    control: str

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name."""
        return asdict(self)


def all_pairs(counts: Sequence[tuple[int, int]], budget: Budget = DEFAULT, seed: int = 0) -> AllPairs:
    """Compare every pair of techniques by exact tests with the family-wise error held.

    Assumes independent routines. Each intersection hypothesis says which techniques are alike, so it is a partition of
    the techniques. A block of the partition is tested by its own exact test; given the margins the blocks are
    independent, and a partition's p is 1 - (1 - smallest p)^blocks. A pair's family-wise p is the largest over all
    partitions that join the two. Past six techniques Holm's procedure takes over.

    Parameters
    ----------
    counts : sequence of (x, n)
        Stuck and total of each technique.
    budget, seed
        As in `freeman_halton`.

    Returns
    -------
    AllPairs

    Raises
    ------
    ValueError
        For fewer than two techniques, or what is no count.

    Examples
    --------
    >>> found = all_pairs([(9, 9), (14, 22), (3, 9)])
    >>> [round(p, 3) for p in found.p_values], [round(p, 3) for p in found.family_p_values]
    ([0.068, 0.009, 0.233], [0.068, 0.012, 0.233])

    References
    ----------
    Marcus R., Peritz E., Gabriel K. R. (1976) Biometrika 63:655-660 (closed testing). Holm S. (1979) Scandinavian
    Journal of Statistics 6:65-70.
    """
    groups = [check_count(x, n) for x, n in counts]
    if len(groups) < 2:
        raise ValueError(f"{len(groups)} technique was given; a pair needs two")
    pairs = tuple(combinations(range(len(groups)), 2))

    @cache
    def block_p(block: tuple[int, ...]) -> float:
        rows = [[groups[i][0], groups[i][1] - groups[i][0]] for i in block]
        return freeman_halton(rows, budget, seed).p_value

    raw = tuple(block_p(pair) for pair in pairs)
    if len(groups) > MOST_CLOSED:
        return AllPairs(pairs, raw, holm(raw), "Holm's procedure over the pairs' exact tests")
    largest = dict.fromkeys(pairs, 0.0)
    for partition in _partitions(tuple(range(len(groups)))):
        joined = [block for block in partition if len(block) > 1]
        if not joined:
            continue
        smallest = min(block_p(block) for block in joined)
        # expm1 and log1p keep small p-values exact.
        p = -math.expm1(len(joined) * math.log1p(-smallest)) if smallest < 1 else 1.0
        for block in joined:
            for pair in combinations(block, 2):
                largest[pair] = max(largest[pair], p)
    control = "closed testing: every set of equal techniques by its own exact test"
    return AllPairs(pairs, raw, tuple(min(1.0, largest[pair]) for pair in pairs), control)


def _partitions(items: tuple[int, ...]) -> Iterator[list[tuple[int, ...]]]:
    """Yield every way to cut the items into blocks."""
    if not items:
        yield []
        return
    head, rest = items[0], items[1:]
    for size in range(len(rest) + 1):
        for others in combinations(rest, size):
            left = tuple(item for item in rest if item not in others)
            for partition in _partitions(left):
                yield [(head, *others), *partition]


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjust p-values for their number by Holm's step-down procedure, in the caller's order.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03, 0.005])
    (0.03, 0.06, 0.06, 0.02)
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    adjusted = [0.0] * len(p_values)
    reached = 0.0
    for rank, i in enumerate(order):
        reached = max(reached, min(1.0, (len(p_values) - rank) * p_values[i]))
        adjusted[i] = reached
    return tuple(adjusted)
