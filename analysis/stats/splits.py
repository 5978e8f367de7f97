"""Every way of splitting pooled whole numbers into two groups of fixed size: the shift algorithm.

Sampling assumption: given the pooled values, all C(n1 + n2, n1) splits are equally likely.

Let a split take the set R out of the first group and put the set Q of the second group, of the same size g, in its
place, and call W = sum(R) - sum(Q) its loss. When the first group is lowered by delta, the observed difference of
means is D - delta and the split's is D - delta - (W - g delta) (n1 + n2) / (n1 n2). With H = 2 n1 n2 / (n1 + n2) the
split is as extreme as the observed one (delta < D)

    on the same side      when W <= g delta,
    on the opposite side  when W >= g delta + H (D - delta).

So two tables of subset sums, one per group, serve every delta; and since g <= min(n1, n2) <= H, both conditions get
easier as delta rises to D: the two-sided p rises up to D and falls after it, and its accepted set has no gaps.

References
----------
Streitberg, B. & Röhmel, J. (1986). Exact distributions for permutation and rank tests. Statistical Software
Newsletter 12, 10-17 (the shift algorithm; pages from memory).
Pagano, M. & Tritchler, D. (1983). On obtaining permutation distributions in polynomial time. Journal of the
American Statistical Association 78, 435-440.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.stats.result import Alternative

Whole = npt.NDArray[np.int64]

EXACT_COUNTS = 2**53  # below it every count and every partial sum is a whole float, without rounding
LARGEST_TOTAL = 2**1000  # counts of splits above it may overflow a float
WHOLE_OPERATIONS = 2e9  # past this size the recount in Python's integers would take minutes
DOUBT = 1e-11  # relative; a sum of n positive terms in floats errs by less than n * 2**-53, here below 1e-12


class Sums(NamedTuple):
    """Subsets of one size: `counts[k]` of them sum to `offset + k`, `above[k]` to at least that."""

    offset: int
    counts: Any
    above: Any


def _row_ends(values: Whole, most: int) -> tuple[list[int], list[int]]:
    """Return the smallest and the largest sum of j values, for j = 0 to `most`; `values` in rising order."""
    low = np.concatenate(([0], np.cumsum(values)))[: most + 1]
    high = np.concatenate(([0], np.cumsum(values[::-1])))[: most + 1]
    return [int(x) for x in low], [int(x) for x in high]


def subset_cells(values: Whole, most: int) -> int:
    """Return the number of cells that `subset_sums` fills."""
    low, high = _row_ends(np.sort(values), most)
    return sum(high) - sum(low) + most + 1


def subset_sums(values: Whole, most: int, dtype: Any = np.float64) -> list[Sums]:
    """Count the subsets of each size 0 to `most` by their sum.

    Parameters
    ----------
    values : array of non-negative integers
    most : int
        Largest subset size, at most ``len(values)``.
    dtype : float64 or object
        Floats (exact below 2**53, else to a relative 1e-12: only positive terms are added), or Python's integers.

    Examples
    --------
    >>> [list(map(int, row.counts)) for row in subset_sums(np.array([0, 1, 1]), 2)]
    [[1], [1, 2], [2, 1]]
    """
    ordered = np.sort(values)
    low, high = _row_ends(ordered, most)
    rows = [np.zeros(high[j] - low[j] + 1, dtype=dtype) for j in range(most + 1)]
    rows[0][0] = 1
    reach = np.concatenate(([0], np.cumsum(ordered)))
    for seen, value in enumerate(ordered.tolist()):
        for j in range(min(seen + 1, most), 0, -1):
            # Row j - 1 is filled up to the sum of the largest j - 1 of the values seen so far.
            filled = int(reach[seen] - reach[seen - j + 1]) - low[j - 1] + 1
            start = value + low[j - 1] - low[j]
            rows[j][start : start + filled] += rows[j - 1][:filled]
    return [Sums(low[j], row, np.cumsum(row[::-1])[::-1]) for j, row in enumerate(rows)]


def _pairs_at_most(out: Sums, into: Sums, most: int) -> Any:
    """Count the pairs of a subset `out` and a subset `into` with sum(out) - sum(into) <= most."""
    shift = out.offset - into.offset - most  # position k of `out` needs position >= k + shift of `into`
    length = len(into.counts)
    free = min(max(-shift, 0), len(out.counts))  # up to here every subset `into` will do
    end = min(max(length - shift, free), len(out.counts))
    every = out.counts[:free].sum() * into.above[0]
    if end == free:
        return every
    # Not np.dot: its threads cost more than they save here, and their order of adding differs between machines.
    return every + (out.counts[free:end] * into.above[free + shift : end + shift]).sum()


class Splits:
    """All splits of two groups of whole numbers, for any shift of the first group."""

    def __init__(self, first: Whole, second: Whole, dtype: Any = np.float64) -> None:
        self.first, self.second = first, second
        self.n1, self.n2 = len(first), len(second)
        self.most = min(self.n1, self.n2)
        self.total = math.comb(self.n1 + self.n2, self.n1)
        self.difference = Fraction(int(first.sum()), self.n1) - Fraction(int(second.sum()), self.n2)
        self.harmonic = Fraction(2 * self.n1 * self.n2, self.n1 + self.n2)
        self.exact = dtype is object or self.total < EXACT_COUNTS
        self._out = subset_sums(first, self.most, dtype)
        self._into = subset_sums(second, self.most, dtype)
        self._whole: Splits | None = self if dtype is object else None
        # Only a structured sample (a handful of values above zero) can land on alpha; its tables are small.
        self._small = exact_size(first, second)[0] < WHOLE_OPERATIONS

    def mirrored(self) -> Splits:
        """The same splits with the second group first."""
        other = object.__new__(Splits)
        other.__dict__.update(self.__dict__)
        other.first, other.second, other.n1, other.n2 = self.second, self.first, self.n2, self.n1
        other.difference = -self.difference
        other._out, other._into = self._into, self._out
        other._whole = None
        return other

    def count(self, delta: Fraction, alternative: Alternative, strictly: bool = False) -> Any:
        """Count the splits at least as extreme (or more extreme) than the observed one at shift `delta`."""
        rest = self.difference - delta
        if alternative == "two-sided" and rest == 0 and not strictly:
            return self.total
        upward = alternative == "greater" or (alternative == "two-sided" and rest >= 0)
        out, into = (self._out, self._into) if upward else (self._into, self._out)
        if not upward:
            delta, rest = -delta, -rest
        found = []
        for size in range(self.most + 1):
            near = size * delta
            found.append(
                _pairs_at_most(out[size], into[size], math.ceil(near) - 1 if strictly else math.floor(near))
            )
            if alternative == "two-sided":
                far = near + self.harmonic * rest
                found.append(
                    _pairs_at_most(
                        into[size], out[size], -math.floor(far) - 1 if strictly else -math.ceil(far)
                    )
                )
        return sum(found) if isinstance(found[0], int) else math.fsum(found)

    def share(self, delta: Fraction, alternative: Alternative, alpha: Fraction) -> Fraction:
        """Return the p-value at shift `delta`; in whole numbers where floats can't tell it from `alpha`."""
        found = self.count(delta, alternative)
        share = Fraction(found) / self.total
        if not self.exact and abs(share - alpha) <= DOUBT * alpha and self._small:
            if self._whole is None:
                self._whole = Splits(self.first, self.second, object)
            return Fraction(int(self._whole.count(delta, alternative)), self.total)
        return share

    def lowest_accepted(self, alternative: Alternative, alpha: Fraction) -> Fraction | None:
        """Return the smallest shift with p > alpha for "two-sided" or "greater"; None when every shift has it.

        p is a step function that rises up to the observed difference (one-sided: throughout) and takes the higher
        value at its jumps. Bisection leaves a bracket with few possible jumps, and a search among those is exact.
        """
        # Far below, only the observed split counts, and for two sides the exchange of two groups of one size.
        always = 2 if alternative == "two-sided" and self.n1 == self.n2 else 1
        if Fraction(always, self.total) > alpha:
            return None
        values = np.concatenate((self.first, self.second))
        step = Fraction(max(1, round(4 * float(values.std()) / math.sqrt(float(self.harmonic) / 2))))
        inside = self.difference if alternative == "two-sided" else Fraction(int(values.max() - values.min()))
        outside = min(inside, self.difference) - step
        while self.share(outside, alternative, alpha) > alpha:
            inside, step = outside, 2 * step
            outside -= step
        while inside - outside > 1 / self.harmonic:
            middle = (inside + outside) / 2
            if self.share(middle, alternative, alpha) > alpha:
                inside = middle
            else:
                outside = middle
        jumps = self._jumps(outside, inside, alternative)
        return jumps[bisect_left(jumps, True, key=lambda jump: self.share(jump, alternative, alpha) > alpha)]

    def _jumps(self, outside: Fraction, inside: Fraction, alternative: Alternative) -> list[Fraction]:
        """Shifts in (outside, inside] at which the p-value may change, in rising order, and `inside`."""
        found = {inside}
        for size in range(1, self.most + 1):
            found.update(
                Fraction(loss, size)
                for loss in range(math.floor(outside * size) + 1, math.floor(inside * size) + 1)
            )
            slope = self.harmonic - size
            if alternative == "two-sided" and slope > 0:
                top = self.harmonic * self.difference
                losses = range(math.ceil(top - inside * slope), math.ceil(top - outside * slope))
                found.update((top - loss) / slope for loss in losses)
        return sorted(found)


def exact_size(first: Whole, second: Whole, limits: bool = False) -> tuple[float, float]:
    """Return the operations and the cells that `Splits` (and two limits) need, or infinity past a float's range."""
    most = min(len(first), len(second))
    if math.comb(len(first) + len(second), len(first)) >= LARGEST_TOTAL:
        return math.inf, math.inf
    each = [(len(group), subset_cells(group, most)) for group in (first, second)]
    filled = sum(n * (cells / 2 + 1_000 * most) for n, cells in each)
    cells = 2.0 * sum(cells for _, cells in each)
    questions = 70 if limits else 2  # shifts to evaluate
    return filled + questions * (4 * cells + 10_000 * most), cells


def whole_units(*groups: Sequence[int] | Whole) -> tuple[list[Whole], int]:
    """Take the smallest value off all groups and divide by the common factor; return them and that factor."""
    pooled = [int(value) for group in groups for value in group]
    least = min(pooled)
    factor = math.gcd(*(value - least for value in pooled)) or 1
    return [np.array([(int(v) - least) // factor for v in group], dtype=np.int64) for group in groups], factor
