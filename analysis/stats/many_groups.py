"""Three or more techniques: the exact r x c test, and every pair with the family-wise error held."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np

from analysis.shown import Shown
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.conditional import fisher
from analysis.stats.contingency import table_tail
from analysis.stats.ordered_groups import kruskal_wallis, linear_by_linear, trend
from analysis.stats.paths import Ints, Meter, OverBudget, draw_tables, factorials, read_table
from analysis.stats.result import Test, check_alternative, check_count

__all__ = ["AllPairs", "all_pairs", "freeman_halton", "holm", "kruskal_wallis", "linear_by_linear", "trend"]

MOST_CLOSED = 6
"""Closed testing visits every partition of the techniques (203 for six); past it, Holm's procedure."""

SMALLEST = float(np.finfo(float).tiny)
METHOD = "exact r x c test (Freeman–Halton)"
ASSUMES = "independent routines; both margins of the table taken as given"


def freeman_halton(table: Any, budget: Budget = DEFAULT, seed: int = 0) -> Test:
    """Exact test of an r x c table: is the outcome distributed alike in all rows?

    Assumes independent routines, one per athlete. Given both margins, p sums the probabilities of the tables that are
    not likelier than the observed one; ties are decided in integers.

    Parameters
    ----------
    table : array of int, shape (rows, columns)
        Counts, such as one row per technique and one column per landing; lists, arrays and data frames will do.
        Empty rows and columns say nothing and are left out.
    budget : Budget
        Past it, `budget.draws` tables are drawn at random, `error` is the standard error of p, and `why` says so.
    seed : int
        Seed of those draws.

    Returns
    -------
    Test
        `p_value` is `bound`; it exceeds `attained` only where tables that differ agree to about one part in 10^11.
        1 with `why` where one row or column is left.

    Raises
    ------
    ValueError
        When the table isn't two-dimensional or holds what is no count.

    Notes
    -----
    Not for columns with an order, where it gives power away (`kruskal_wallis`, `linear_by_linear`), nor for athletes
    who come back. On a 2 x 2 table it is Fisher's test.

    Examples
    --------
    >>> round(freeman_halton([[9, 0], [14, 8], [3, 6]]).p_value, 4)
    0.012

    References
    ----------
    Freeman G. H., Halton J. H. (1951) Biometrika 38:141-149. Mehta C. R., Patel N. R. (1983) Journal of the American
    Statistical Association 78:427-434 (the idea of bounding what is still to come).
    """
    counts = read_table(table)
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    n = int(counts.sum())
    if min(counts.shape) < 2:
        why = "fewer than two rows or two columns hold a count, so there is nothing to compare"
        return Test(1.0, "two-sided", METHOD, n, attained=1.0, bound=1.0, assumes=ASSUMES, why=why)
    try:
        attained, bound = table_tail(counts, Meter(budget))
    except OverBudget:
        return _drawn(counts, budget.draws, seed)
    why = "" if bound >= SMALLEST else "p lies below the smallest number that can be held"
    p = max(bound, SMALLEST)
    return Test(p, "two-sided", METHOD, n, attained=attained, bound=p, assumes=ASSUMES, why=why)


def _drawn(counts: Ints, draws: int, seed: int) -> Test:
    n = int(counts.sum())
    numbers = factorials(n)
    # A table is as improbable as the observed one when the product of its factorials is as large.
    observed = int(numbers.keys[counts].sum()) - numbers.guard
    rng = np.random.default_rng(seed)
    reached = sum(
        int((numbers.keys[some].sum(axis=(1, 2)) >= observed).sum())
        for some in draw_tables(counts, draws, rng)
    )
    p = (reached + 1) / (draws + 1)
    why = f"the exact algorithm would exceed its budget; {draws:,} tables were drawn"
    error = math.sqrt(p * (1 - p) / draws)
    method = f"{METHOD}, Monte Carlo"
    return Test(p, "two-sided", method, n, draws=draws, error=error, assumes=ASSUMES, why=why)


@dataclass(frozen=True)
class AllPairs(Shown):
    """Every pair of techniques in the caller's order, (0, 1), (0, 2), ..., (1, 2), ...

    `p_values` holds each pair's own exact p and `family_p_values` the family-wise one: rejecting all pairs with a
    family-wise p of alpha or less makes any false rejection with a chance of at most alpha, whichever techniques truly
    differ. `control` says how, `why` what had to be drawn at random.
    """

    pairs: tuple[tuple[int, int], ...]
    p_values: tuple[float, ...]
    family_p_values: tuple[float, ...]
    control: str
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name."""
        return asdict(self)


def all_pairs(
    counts: Sequence[tuple[int, int]],
    budget: Budget = DEFAULT,
    seed: int = 0,
    alternative: str = "two-sided",
) -> AllPairs:
    """Compare every pair of techniques by exact tests with the family-wise error held.

    Assumes independent routines. Each intersection hypothesis says which techniques are alike, so it is a partition of
    the techniques. A block of the partition is tested by its own exact test; given the margins the blocks are
    independent, and a partition's p is 1 - (1 - smallest p)^blocks. A pair's family-wise p is the largest over all
    partitions that join the two. Past six techniques, and for one-sided questions, Holm's procedure takes over.

    Parameters
    ----------
    counts : sequence of (x, n)
        Stuck and total of each technique. One without routines can't differ from any: its p-values are 1.
    budget, seed
        As in `freeman_halton`.
    alternative : {"two-sided", "greater", "less"}
        "greater": the first technique of each pair is higher.

    Returns
    -------
    AllPairs

    Raises
    ------
    ValueError
        For fewer than two techniques, or what is no count.

    Notes
    -----
    Not for athletes who show several techniques: permute athletes for each pair, then `holm`.

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
    side = check_alternative(alternative)
    groups = [check_count(x, n) for x, n in counts]
    if len(groups) < 2:
        raise ValueError(f"{len(groups)} technique was given; a pair needs two")
    pairs = tuple(combinations(range(len(groups)), 2))
    drawn = []

    @cache
    def block_p(block: tuple[int, ...]) -> float:
        rows = [[groups[i][0], groups[i][1] - groups[i][0]] for i in block]
        test = freeman_halton(rows, budget, seed)
        if test.draws:
            drawn.append(block)
        return test.p_value

    if side == "two-sided":
        raw = tuple(block_p(pair) for pair in pairs)
    else:
        raw = tuple(fisher(*groups[i], *groups[j], alternative=side).p_value for i, j in pairs)
    if side != "two-sided" or len(groups) > MOST_CLOSED:
        family, control = holm(raw), "Holm's procedure over the pairs' exact tests"
    else:
        family = closed_testing(len(groups), block_p)
        control = "closed testing: every set of equal techniques by its own exact test"
    why = f"{len(drawn)} of the exact tests would exceed the budget and were drawn at random" if drawn else ""
    return AllPairs(pairs, raw, family, control, why)


def closed_testing(techniques: int, block_p: Callable[[tuple[int, ...]], float]) -> tuple[float, ...]:
    """Family-wise p of every pair, in the order of `itertools.combinations`: the largest over partitions that join it.

    Parameters
    ----------
    techniques : int
        How many there are; all partitions of them are visited (203 for six).
    block_p : callable
        p of the hypothesis that the techniques at these places are alike, by a test given the block's own margins.
    """
    pairs = tuple(combinations(range(techniques), 2))
    largest = dict.fromkeys(pairs, 0.0)
    for partition in _partitions(tuple(range(techniques))):
        joined = [block for block in partition if len(block) > 1]
        if not joined:
            continue
        smallest = min(block_p(block) for block in joined)
        p = smallest
        if len(joined) > 1 and smallest < 1:
            p = -math.expm1(
                len(joined) * math.log1p(-smallest)
            )  # 1 - (1 - p)^blocks that keeps small p exact
        for block in joined:
            for pair in combinations(block, 2):
                largest[pair] = max(largest[pair], p)
    return tuple(min(1.0, largest[pair]) for pair in pairs)


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

    Assumes nothing about how the tests hang together.

    Parameters
    ----------
    p_values : sequence of float
        One for each hypothesis of the family, each from 0 to 1.

    Returns
    -------
    tuple of float

    Raises
    ------
    ValueError
        When a value isn't between 0 and 1.

    Notes
    -----
    For up to six groups of counts `all_pairs` uses closed testing, which usually claims more.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03, 0.005])
    (0.03, 0.06, 0.06, 0.02)

    References
    ----------
    Holm S. (1979) Scandinavian Journal of Statistics 6:65-70.
    """
    values = [float(p) for p in p_values]
    for p in values:
        if not 0 <= p <= 1:
            raise ValueError(f"{p!r} is no p-value; it lies between 0 and 1")
    order = sorted(range(len(values)), key=values.__getitem__)
    adjusted, highest = [0.0] * len(values), 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(1.0, (len(values) - rank) * values[place]))
        adjusted[place] = highest
    return tuple(adjusted)
