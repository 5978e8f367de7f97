"""The permutation test that exchanges whole athletes, for athletes who come back."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.result import Alternative, Test, check_alternative
from analysis.stats.routines import Routines, two_techniques
from analysis.stats.split_test import FEWEST_DRAWS, HYPERGEOMETRIC, draw_sums
from analysis.stats.splits import LARGEST_TOTAL, Whole, subset_cells, subset_sums, whole_units

ASSUMES = (
    "whole athletes exchangeable between techniques; the routines of an athlete who shows both exchangeable among "
    "themselves"
)


def athlete_permutation(
    outcome: Iterable[Any],
    first: Iterable[bool],
    athlete: Iterable[Hashable],
    alternative: Alternative = "two-sided",
    budget: Budget = DEFAULT,
    seed: int = 0,
) -> Test:
    """Test whether the technique makes a difference by exchanging whole athletes, not routines.

    Assumes that, if the techniques made no difference, any choice of the same number of athletes could have shown the
    first technique (whole athletes exchangeable), and that an athlete who shows both could have shown them in any
    order. Routines of one athlete may resemble each other as much as they like.

    Parameters
    ----------
    outcome : sequence of numbers
        One per routine: 0 or 1, points, or midranks; whole thousandths.
    first : sequence of bool
        True for the first technique.
    athlete : sequence of hashable codes
    alternative : {"two-sided", "greater", "less"}
        "greater": the first technique has the higher rate or mean.
    budget : Budget
        Past it, random exchanges take over, and the result says so.
    seed : int
        Seed of those random exchanges.

    Returns
    -------
    Test
        `statistic` is D, the difference of the pooled rates (or means), first minus second. The reference set holds
        all reassignments of the athletes with one technique that keep the number of athletes per technique, times
        all relabellings of the routines of each athlete with both that keep their counts. The two-sided p is the
        share with ``|D*| >= |D|``, ties included, compared in whole numbers; from B random exchanges it is
        (b + 1)/(B + 1). `smallest` is the smallest p that these outcomes could have given; `mid_p` counts half of
        the ties.

    Raises
    ------
    ValueError
        If lengths differ, an outcome or a code is missing, or a technique has no routine.

    Examples
    --------
    Nine of nine by three athletes against 14 of 22 by eleven; with routines as units, Fisher's p is .0677.

    >>> stuck = [1] * 9 + [1, 1] * 5 + [0, 1] * 4 + [0, 0] * 2
    >>> who = ["A", "B", "C"] * 3 + [name for name in "DEFGHIJKLMN" for _ in range(2)]
    >>> test = athlete_permutation(stuck, [True] * 9 + [False] * 22, who)
    >>> round(test.statistic, 4), round(test.p_value, 4)
    (0.3636, 0.0687)

    Notes
    -----
    With few athletes the smallest p may lie above .05 whatever the landings were: read `smallest` first. The test is
    about exchangeable athletes; where better athletes choose one technique, it answers the wrong question.

    References
    ----------
    Edgington, E. S. & Onghena, P. (2007). Randomization Tests, 4th ed., chapters 4 and 6 (from memory).
    Phipson, B. & Smyth, G. K. (2010). Permutation p-values should never be zero. Statistical Applications in Genetics
    and Molecular Biology 9, article 39: (b + 1)/(B + 1).
    """
    alternative = check_alternative(alternative)
    design = _design(two_techniques(outcome, first, athlete))
    exchange = _exact(design, budget)
    if exchange is None:
        return _drawn(design, alternative, budget, seed)
    observed = design.difference
    p_value = exchange.share(observed, alternative, strictly=False)
    beyond = exchange.share(observed, alternative, strictly=True)
    return Test(
        p_value=p_value,
        alternative=alternative,
        method="exact permutation of whole athletes",
        n=design.routines,
        statistic=float(observed * design.unit),
        smallest=exchange.smallest(alternative),
        assumes=ASSUMES,
        why=design.remark,
        mid_p=(p_value + beyond) / 2,
    )


class _Design(NamedTuple):
    """Outcomes in whole units above the smallest; athletes with one technique apart from those with both."""

    sizes: Whole  # routines of each athlete with one technique
    sums: Whole  # their summed outcomes
    firsts: int  # how many of them show the first technique
    both: tuple[
        tuple[Whole, int], ...
    ]  # per athlete with both: outcomes, and how many of the first technique
    routines: int
    total: int  # summed outcomes of all routines
    size1: int  # routines of the first technique
    sum1: int
    unit: Fraction  # one unit, in the outcome's own scale

    @property
    def difference(self) -> Fraction:
        """The observed difference of means, in units."""
        return Fraction(self.sum1, self.size1) - Fraction(self.total - self.sum1, self.routines - self.size1)

    @property
    def base(self) -> int:
        """Routines of the first technique by athletes who show both: the same in every relabelling."""
        return sum(count for _, count in self.both)

    @property
    def remark(self) -> str:
        """A warning where the design leaves nothing to exchange."""
        if self.firsts in (0, len(self.sizes)) and not self.both:
            return "no athlete can be exchanged"
        return ""


def _design(routines: Routines) -> _Design:
    (values,), unit = whole_units(routines.values)
    is_first = routines.group == 0
    order = np.argsort(routines.athlete, kind="stable")
    starts = np.flatnonzero(np.diff(routines.athlete[order], prepend=-1))
    sizes, sums, firsts, both = [], [], 0, []
    for rows in np.split(order, starts[1:]):
        count = int(is_first[rows].sum())
        if 0 < count < len(rows):
            both.append((values[rows], count))
            continue
        sizes.append(len(rows))
        sums.append(int(values[rows].sum()))
        firsts += count > 0
    return _Design(
        np.array(sizes, dtype=np.int64),
        np.array(sums, dtype=np.int64),
        firsts,
        tuple(both),
        len(values),
        int(values.sum()),
        int(is_first.sum()),
        int(values[is_first].sum()),
        Fraction(unit, 1000),
    )


class Relabelled(NamedTuple):
    """Relabellings of the athletes with both techniques: probability of each sum in the first technique.

    `chances[i]` belongs to the sum `offset` + i.
    """

    offset: int
    chances: npt.NDArray[np.float64]


def own_relabellings(both: Sequence[tuple[npt.NDArray[np.int64], int]], budget: Budget) -> Relabelled | None:
    """Convolve the relabellings of athletes with both techniques; None past the budget.

    Parameters
    ----------
    both : sequence of (values, count)
        The routines of each athlete as whole numbers, and how many of them are in the first technique.
    budget : Budget
    """
    operations, cells, width = 0.0, 0.0, 1
    for values, count in both:
        if math.comb(len(values), count) >= LARGEST_TOTAL:
            return None
        own_cells = subset_cells(values, count)
        ordered = np.sort(values)
        span = int(ordered[len(values) - count :].sum() - ordered[:count].sum()) + 1
        operations += own_cells * len(values) + 4.0 * span * width
        width += span - 1
        cells = max(cells, float(own_cells + span + width))
    if not budget.allows(operations, cells):
        return None
    offset, chances = 0, np.ones(1)
    for values, count in both:
        row = subset_sums(values, count)[count]
        chances = np.convolve(chances, row.counts / math.comb(len(values), count))
        offset += row.offset
    return Relabelled(offset, chances)


class _Exchange:
    """The exact distribution of (routines, summed outcome) in the first technique."""

    def __init__(
        self, design: _Design, base: int, grid: npt.NDArray[np.float64], start: int, own: Relabelled
    ) -> None:
        self.design = design
        self.base = base  # row i of `grid` has base + i routines in the first technique
        self.grid = grid  # probability of the sum start + column, from athletes with one technique
        self.start = start + own.offset
        self.own_below = np.concatenate(([0.0], np.cumsum(own.chances)))
        self.own_above = np.concatenate((np.cumsum(own.chances[::-1])[::-1], [0.0]))

    def share(self, bound: Fraction, alternative: Alternative, strictly: bool) -> float:
        """Return P(D* >= bound), P(D* <= bound) or P(|D*| >= |bound|); the strict inequality if asked."""
        parts = []
        if alternative == "two-sided":
            bound = abs(bound)
            if bound == 0 and not strictly:
                return 1.0
        for i in np.flatnonzero(self.grid.any(axis=1)).tolist():
            size = self.base + i
            if alternative != "less":
                parts.append(self._at_least(i, _lowest_sum(self.design, size, bound, strictly)))
            if alternative != "greater":
                low = -bound if alternative == "two-sided" else bound
                parts.append(self._at_most(i, _highest_sum(self.design, size, low, strictly)))
        return min(1.0, math.fsum(parts))

    def _at_least(self, row: int, least: int) -> float:
        need = least - self.start - np.arange(self.grid.shape[1])
        return float((self.grid[row] * self.own_above[np.clip(need, 0, len(self.own_above) - 1)]).sum())

    def _at_most(self, row: int, most: int) -> float:
        room = most - self.start - np.arange(self.grid.shape[1]) + 1
        return float((self.grid[row] * self.own_below[np.clip(room, 0, len(self.own_below) - 1)]).sum())

    def smallest(self, alternative: Alternative) -> float:
        """Return the p-value of the most extreme exchange."""
        ends = []
        for i in np.flatnonzero(self.grid.any(axis=1)).tolist():
            seen = np.flatnonzero(self.grid[i])
            for total in (self.start + int(seen[0]), self.start + int(seen[-1]) + len(self.own_below) - 2):
                ends.append(_difference(self.design, self.base + i, total))
        if alternative == "two-sided":
            return self.share(max(abs(end) for end in ends), alternative, strictly=False)
        return self.share(max(ends) if alternative == "greater" else min(ends), alternative, strictly=False)


def _difference(design: _Design, size: int, total: int) -> Fraction:
    return Fraction(total, size) - Fraction(design.total - total, design.routines - size)


def _lowest_sum(design: _Design, size: int, bound: Fraction, strictly: bool) -> int:
    """Smallest sum in a first technique of `size` routines whose difference reaches (or passes) `bound`.

    D* = (S N - T M) / (M (N - M)) with N routines and total T, so D* >= bound means S >= (T M + bound M (N - M)) / N.
    """
    edge = (design.total * size + bound * size * (design.routines - size)) / design.routines
    return math.floor(edge) + 1 if strictly else math.ceil(edge)


def _highest_sum(design: _Design, size: int, bound: Fraction, strictly: bool) -> int:
    """Largest sum in a first technique of `size` routines whose difference is at most (or below) `bound`."""
    edge = (design.total * size + bound * size * (design.routines - size)) / design.routines
    return math.ceil(edge) - 1 if strictly else math.floor(edge)


def _exact(design: _Design, budget: Budget) -> _Exchange | None:
    """Count all exchanges by (athletes chosen, routines, summed outcome); None past the budget.

    D* depends on an exchange through the routines and the sum that it gives to the first technique. The smaller side
    is the one that is built up; its complement has the rest.
    """
    athletes = len(design.sizes)
    complement = design.firsts > athletes - design.firsts
    chosen = athletes - design.firsts if complement else design.firsts
    if math.comb(athletes, chosen) >= LARGEST_TOTAL:
        return None
    least_size = int(design.sizes.min()) if athletes else 0
    least_sum = int(design.sums.min()) if athletes else 0
    size_steps, sum_steps = design.sizes - least_size, design.sums - least_sum
    rows = int(np.sort(size_steps)[athletes - chosen :].sum()) + 1
    columns = int(np.sort(sum_steps)[athletes - chosen :].sum()) + 1
    cells = float((chosen + 1) * rows * columns)
    if not budget.allows(cells * max(athletes, 1), cells):
        return None
    own = own_relabellings(design.both, budget)
    if own is None or not budget.allows(4.0 * rows * columns, float(len(own.chances))):
        return None
    counts = _count_choices(size_steps, sum_steps, chosen, rows, columns) / math.comb(athletes, chosen)
    base, start = chosen * least_size, chosen * least_sum
    if complement:
        counts = counts[::-1, ::-1]
        base = int(design.sizes.sum()) - base - (rows - 1)
        start = int(design.sums.sum()) - start - (columns - 1)
    return _Exchange(design, base + design.base, counts, start, own)


def _count_choices(
    size_steps: Whole, sum_steps: Whole, chosen: int, rows: int, columns: int
) -> npt.NDArray[np.float64]:
    """Count the ways to choose `chosen` athletes, by their routines (rows) and their summed outcome (columns).

    Only positive terms are added, so the floats are right to a relative 1e-12 and whole below 2**53.
    """
    counts = np.zeros((chosen + 1, rows, columns))
    counts[0, 0, 0] = 1
    order = np.lexsort((sum_steps, size_steps))
    most_rows, most_columns = np.zeros(chosen + 1, dtype=np.int64), np.zeros(chosen + 1, dtype=np.int64)
    for seen, i in enumerate(order.tolist()):
        down, right = int(size_steps[i]), int(sum_steps[i])
        for k in range(min(seen + 1, chosen), 0, -1):
            high, wide = int(most_rows[k - 1]) + 1, int(most_columns[k - 1]) + 1
            high, wide = min(high, rows - down), min(wide, columns - right)
            counts[k, down : down + high, right : right + wide] += counts[k - 1, :high, :wide]
            most_rows[k] = max(most_rows[k], down + high - 1)
            most_columns[k] = max(most_columns[k], right + wide - 1)
    return counts[chosen]


def _drawn(design: _Design, alternative: Alternative, budget: Budget, seed: int) -> Test:
    """Draw exchanges at random: hypergeometric counts for each kind of athlete, then the relabellings."""
    rng = np.random.default_rng(seed)
    step = design.total + 1  # routines and sum of an athlete in one whole number
    kinds = design.sizes * step + design.sums
    own = own_relabellings(design.both, budget)
    singles = len(np.unique(kinds))
    cost = singles + (1 if own is not None else sum(len(np.unique(values)) for values, _ in design.both))
    draws = int(max(FEWEST_DRAWS, min(budget.draws, budget.operations / (4 * HYPERGEOMETRIC * cost))))
    sizes, sums = np.divmod(draw_sums(kinds, np.full(draws, design.firsts), rng), step)
    sizes = sizes + design.base
    if own is not None:
        reached = np.cumsum(own.chances)
        picked = np.searchsorted(reached, rng.random(draws) * reached[-1], side="right")
        sums = sums + own.offset + np.minimum(picked, len(reached) - 1)
    else:
        for values, count in design.both:
            sums = sums + draw_sums(values, np.full(draws, count), rng)
    seen, place = np.unique(sizes, return_inverse=True)
    bound = design.difference
    high = abs(bound) if alternative == "two-sided" else bound
    low = -high if alternative == "two-sided" else bound

    def hits(strictly: bool) -> int:
        found = np.zeros(draws, dtype=bool)
        if alternative != "less":
            found |= (
                sums >= np.array([_lowest_sum(design, int(size), high, strictly) for size in seen])[place]
            )
        if alternative != "greater":
            found |= (
                sums <= np.array([_highest_sum(design, int(size), low, strictly) for size in seen])[place]
            )
        return int(found.sum())

    reached_by = hits(strictly=False)
    p_value = (reached_by + 1) / (draws + 1)
    remark = f"from {draws:,} random exchanges, as the exact distribution is past the budget"
    return Test(
        p_value=p_value,
        alternative=alternative,
        method="Monte Carlo permutation of whole athletes",
        n=design.routines,
        statistic=float(bound * design.unit),
        smallest=1 / (draws + 1),
        draws=draws,
        error=math.sqrt(p_value * (1 - p_value) / draws),
        assumes=ASSUMES,
        why=f"{design.remark}; {remark}" if design.remark else remark,
        mid_p=((reached_by + hits(strictly=True)) / 2 + 1) / (draws + 1),
    )
