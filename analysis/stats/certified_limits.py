"""The certified search for one limit of an exact unconditional interval.

A value u of the measure (`rays`) is accepted when the largest probability, over the rates with that value, of a table
whose score is as extreme as the observed one exceeds alpha. p(u) jumps and isn't monotone, so no root is sought: the
range is cut into boxes, from the outside in, and a box is discarded only with a proof. The proof for [a, b] below the
observed value, where the observed score z_o is positive and falls:

- A table with z >= z_o somewhere in the box has z(a) >= z_o(b); one with z <= -z_o somewhere has z(b) <= -z_o(b), since
  z + z_o falls. These two tails hold every table that counts anywhere in the box.
- The upper tail's probability rises with p1 and falls with p2, so along the lines of `rays` it is largest at b, the
  lower tail's at a. Their sum is a polynomial in t; `bernstein` proves that it stays below alpha.

Boxes that can't be discarded are cut again, down to 1e-8 (for the ratio 1e-8 relative), and the limit is the outer end
of the first that remains: no accepted value is cut off. At the null itself the verdict is that of `barnard`, exact ties
included, and a box that ends there doesn't hold the opposite tail's ties.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analysis.stats.bernstein import Blocks, Floats, blocks, stays_below, to_bernstein
from analysis.stats.rays import DIFFERENCE, Measure
from analysis.stats.rejection import log_factorials, pooled_z_limits

TIE = 1e-8  # scores closer than this count as tied, which can only widen the interval
PARTS = 16
MOST_BOXES = 20_000  # twenty times what 1,300 random limits took at most; near-tied tables can take more

Integers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Box:
    """A range of the coordinate that is still open, and what its parts inherit.

    `blocks` lists where along t the bound exceeded alpha: elsewhere it holds for every part too, whose tails are
    smaller. The tails of every part lie between those of a part's inside and the box: for each x2, the upper tail
    starts within `upper` (lowest, highest x1) and the lower tail ends before an x1 within `lower`.
    """

    low: float
    high: float
    blocks: Integers
    upper: tuple[Integers, Integers]
    lower: tuple[Integers, Integers]


class _Search:
    """The search for one lower limit: of the table (x1 of n1, x2 of n2), at error rate alpha."""

    def __init__(
        self, counts: tuple[int, int, int, int], measure: Measure, alpha: float, both_tails: bool
    ) -> None:
        self.counts, self.measure, self.both_tails = counts, measure, both_tails
        _, n1, _, n2 = counts
        # A longer step is cheaper and errs by 5e-10, which a usual alpha can afford.
        self.cut: Blocks = blocks(n1 + n2, step=1.0 if alpha > 1e-3 else 0.5)
        self.threshold = alpha * (1 - 1e-10) - 2 * self.cut.error - 1e-14
        self.boxes = 0

    def lower_limit(self, low: float, high: float) -> float | None:
        """The outer (lower) end of the first box in [low, high] that can't be discarded, None when all can."""
        _, n1, _, n2 = self.counts
        none, all_ = np.zeros(n2 + 1, dtype=np.int64), np.full(n2 + 1, n1 + 1, dtype=np.int64)
        everywhere = np.arange(len(self.cut.left))
        lower = (none, all_ if self.both_tails else none)
        return self.first_kept(_Box(low, high, everywhere, (none, all_), lower))

    def first_kept(self, box: _Box, depth: int = 0) -> float | None:
        """The outer end of the first part of a box that can't be discarded, at any fineness."""
        edges = np.linspace(box.low, box.high, PARTS + 1)
        narrow = edges[1] - edges[0] <= self.measure.width(box.low) or depth > 60
        upper, sure, lower = self.tails(box, edges)
        t = self.cut.nodes[box.blocks].ravel()
        at_high = self.chances(float(edges[0]), t)
        for k in range(PARTS):
            self.boxes += 1
            at_low, at_high = at_high, self.chances(float(edges[k + 1]), t)
            below, second = at_high
            values = np.einsum("ij,ij->i", below[:, -1:] - below[:, upper[k]], second)
            if self.both_tails:
                below, second = at_low
                values += np.einsum("ij,ij->i", below[:, lower[k + 1]], second)
            rows = to_bernstein(values.reshape(len(box.blocks), -1))
            still = rows.max(axis=1) > self.threshold
            if not still.any() or stays_below(rows[still], self.threshold):
                continue
            if narrow or self.boxes > MOST_BOXES:
                return float(edges[k])
            tails = (upper[k], sure[k]), (lower[k], lower[k + 1])
            part = _Box(float(edges[k]), float(edges[k + 1]), box.blocks[still], *tails)
            found = self.first_kept(part, depth + 1)
            if found is not None:
                return found
        return None

    def tails(self, box: _Box, edges: Floats) -> tuple[Integers, Integers, Integers]:
        """For each x2: where each part's upper tail starts, and that of every value in it; where lower tails end."""
        x1, n1, x2, n2 = self.counts
        observed = self.measure.score(x1, n1, x2, n2, edges)
        slack = TIE * (1 + np.where(np.isinf(observed), 0.0, np.abs(observed)))
        last = box.lower[1]
        if self.both_tails and edges[-1] == self.measure.null:
            # z + z_o falls, so below the null no table counts that only ties there.
            low, _ = pooled_z_limits(x1, n1, x2, n2, "two-sided", strict=True)
            first, second = np.arange(n1 + 1)[:, None], np.arange(n2 + 1)
            last = np.minimum(last, (first <= low[first + second]).sum(axis=0))
        shape = [PARTS, PARTS, PARTS + 1]
        found = self.first(
            np.concatenate([edges[:-1], edges[1:], edges]),
            np.concatenate([(observed - slack)[1:], observed[:-1], slack - observed]),
            np.repeat([box.upper[0], box.upper[0], np.minimum(box.lower[0], last)], shape, axis=0),
            np.repeat([box.upper[1], box.upper[1], last], shape, axis=0),
        )
        return found[:PARTS], found[PARTS : 2 * PARTS], found[2 * PARTS :]

    def first(self, u: Floats, mark: Floats, low: Integers, high: Integers) -> Integers:
        """For each u and x2 the smallest x1 from low to high with score >= mark, by halving: scores rise with x1."""
        _, n1, _, n2 = self.counts
        while (open_ := np.nonzero(low < high))[0].size:
            middle = (low[open_] + high[open_]) // 2
            reached = self.measure.score(middle, n1, open_[1], n2, u[open_[0]]) >= mark[open_[0]]
            high[open_] = np.where(reached, middle, high[open_])
            low[open_] = np.where(reached, low[open_], middle + 1)
        return high

    def chances(self, u: float, t: Floats) -> tuple[Floats, Floats]:
        """At each node: P(X1 < 0), P(X1 < 1), ..., P(X1 < n1 + 1), and P(X2 = 0), ..., P(X2 = n2)."""
        _, n1, _, n2 = self.counts
        p1, p2 = self.measure.rates(u, t)
        below = np.zeros((len(p1), n1 + 2))
        np.cumsum(_binomial(n1, p1), axis=1, out=below[:, 1:])
        return below, _binomial(n2, p2)


def _binomial(n: int, p: Floats) -> Floats:
    """P(X = 0..n) for each rate, shape (rates, n + 1)."""
    lf = log_factorials(n)
    x = np.arange(n + 1)
    rate = np.clip(p, 1e-300, 1 - 2.0**-53)[:, None]
    found: Floats = np.exp(lf[n] - lf - lf[::-1] + x * np.log(rate) + (n - x) * np.log1p(-rate))
    return found


def lower_limit(
    counts: tuple[int, int, int, int], measure: Measure, alpha: Fraction, both_tails: bool, accepted: bool
) -> tuple[float, bool]:
    """The lower limit on the measure's coordinate, and whether it was located as finely as wanted.

    `both_tails` asks for the two-sided test; `accepted` is the verdict of Barnard's test on the null.
    """
    x1, n1, x2, n2 = counts
    low, null, high = measure.lowest, measure.null, measure.highest
    first, second = x1 * n2, x2 * n1
    observed = (first - second) / (n1 * n2) if measure is DIFFERENCE else first / (first + second)
    if observed == low:
        return low, True
    # A two-sided search ends at the observed value, where p is 1; one tail may leave it out, at levels below a half.
    top = observed if both_tails or alpha < Fraction(1, 2) else high
    search = _Search(counts, measure, float(alpha), both_tails)
    found = search.lower_limit(low, min(top, null))
    if found is None and null < top:
        if accepted:
            return null, True
        found = search.lower_limit(null, top)
        found = None if found is None else max(found, math.nextafter(null, math.inf))
    return top if found is None else found, search.boxes <= MOST_BOXES
