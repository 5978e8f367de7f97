"""The certified search for one limit of the exact unconditional interval for the odds ratio.

The test that is turned round has Miettinen and Nurminen's score statistic z, at an odds ratio of 1 the pooled z; so the
interval belongs to `barnard`. The search runs from the outside in, as in `certified_limits`, on s = log odds ratio
below the observed one, where the observed score z_o is positive. The rates with a given s lie on the curve
logit p1 = w + s/2, logit p2 = w - s/2: for every w the first rises and the second falls with s. What differs from
`certified_limits` is that z needn't rise with x1, and that the probability of a region isn't a polynomial.

- *z falls in s* (proved). Given s, let m = n1 p1 be the first group's fitted count, h the sum of the reciprocals of the
  four fitted counts: z = (x1 - m) sqrt(h) and dm/ds = 1/h, so z falls where (x1 - m) h'(m) <= 2 h. For x1 > m the
  positive part of h' is 1/(n1 - m)^2 + 1/(S - m)^2 with S = x1 + x2, and x1 - m is at most n1 - m and S - m, so the
  left side is at most 1/(n1 - m) + 1/(S - m) <= h. For x1 < m likewise with the other two counts.
- *A box [a, b] of s*: a table with z >= z_o somewhere in it has z(a) >= z_o(b), one with z <= -z_o somewhere has
  z(b) <= -z_o(b). The first set is filled up to hold with (x1, x2) every (x1 + 1, x2) and (x1, x2 - 1), the second the
  other way round: the first's probability is then largest at b, the second's at a. Far out z can fall with x1 (tested:
  only where |z| > 4.5), so filling up can add tables; that can only widen the interval.
- *The sum as a function of w* has no pole within the strip |Im w| < pi, and there
  |p| + |1 - p| = (1 - 4 q (1 - q) sin^2(Im w / 2))^(-1/2), where q is p at the real part. So it is at most the product
  of the powers n1 and n2 of these, and on short blocks the interpolation and subdivision of `bernstein` apply.
- *Beyond the blocks*: towards w = -infinity the region, which never holds the table (0, 0) unless z_o is 0, has at most
  the probability n1 p1 + n2 p2; towards infinity likewise. Towards s = -infinity every table of the first set has
  x1 >= 1 and x2 < n2, with probability at most n1 n2 p1 (1 - p2) <= n1 n2 exp(s), and the second set is empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, log_expit, logit

from analysis.stats.bernstein import CELLS, DEGREE, POINTS, Floats, stays_below, to_bernstein
from analysis.stats.certified_limits import MOST_BOXES, PARTS, TIE
from analysis.stats.rejection import log_factorials, pooled_z_limits

Integers = NDArray[np.int64]
Table = tuple[int, int, int, int]

NARROW = 1e-8  # of log odds ratio: boxes this narrow aren't cut again
STRETCH = 2.0  # of log odds ratio that shares one set of blocks


def odds_ratio_score(x1: ArrayLike, n1: int, x2: ArrayLike, n2: int, s: ArrayLike) -> Floats:
    """Score statistic of tables at log odds ratio s, broadcasting; 0 where both groups are empty or both full.

    The fitted counts solve quadratics with one discriminant, a sum of nonnegative terms. In each row the count whose
    denominator can't cancel is computed and the other follows by addition, so all keep their digits. Fitted counts are
    stacked with the sign that makes observed minus fitted one number in all four.
    """
    a, b, s = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in (x1, x2, s)))
    size, total, psi = n1 + n2, a + b, np.exp(s)
    cross = n1 * n2 + total * (size - total)
    root = np.sqrt((psi * (n1 - total)) ** 2 + 2 * psi * cross + (n2 - total) ** 2)
    few, fewer = total <= n2, total <= n1
    with np.errstate(divide="ignore", invalid="ignore"):
        stuck1 = 2 * psi * n1 * total / (psi * (n1 + total) + n2 - total + root)
        missed2 = 2 * psi * n2 * (size - total) / (psi * (n2 + size - total) + total - n2 + root)
        missed1 = 2 * n1 * (size - total) / (n1 + size - total + psi * (total - n1) + root)
        stuck2 = 2 * n2 * total / (n2 + total + psi * (n1 - total) + root)
        fitted = np.stack(
            [
                np.where(few, stuck1, missed2 + total - n2),
                -np.where(fewer, stuck2 + n1 - total, missed1),
                -np.where(fewer, stuck2, missed1 + total - n1),
                np.where(few, stuck1 + n2 - total, missed2),
            ]
        )
        # The smallest fitted count gives the difference without cancellation.
        smallest = np.abs(fitted).argmin(axis=0)[None]
        away = np.take_along_axis(np.stack([a, a - n1, -b, n2 - b]) - fitted, smallest, axis=0)[0]
        found = away * np.sqrt((1 / np.abs(fitted)).sum(axis=0))
    return np.where((total == 0) | (total == size), 0.0, found)


def _blocks(n1: int, n2: int, low: float, high: float, alpha: float) -> tuple[Floats, float]:
    """Nodes in w, shape (blocks, 15), for log odds ratios from `low` to `high`, and the interpolation's error.

    Outside the blocks the region's probability is below a quarter of alpha and of 1 - alpha.
    """
    far = max(abs(low), abs(high)) / 2
    end = math.log(4 * (n1 + n2) / min(alpha, 1 - alpha)) + far
    fine = np.linspace(-end, end, 4001)
    # Narrow where the counts vary much, at most a few tenths where the poles at distance pi rule.
    spread = n1 * _variance(fine, low / 2 - 1, high / 2 + 1)
    spread += n2 * _variance(fine, -high / 2 - 1, 1 - low / 2)
    places = np.concatenate([[0], np.cumsum(np.sqrt(spread[1:] / 4 + 1.6) * np.diff(fine))])
    places *= 1 if alpha > 1e-3 else 2
    edges = np.interp(np.linspace(0, places[-1], math.ceil(places[-1]) + 1), places, fine)
    left, half = edges[:-1], np.diff(edges) / 2
    error = np.full(len(half), np.inf)
    for rho in (6.0, 8.0, 10.0, 12.0):
        across, up = half * (rho + 1 / rho) / 2, half * (rho - 1 / rho) / 2
        bend = 4 * np.sin(np.minimum(up, math.pi) / 2) ** 2
        middle = left + half
        first = _variance(middle, low / 2 - across, high / 2 + across)
        second = _variance(middle, -high / 2 - across, -low / 2 + across)
        with np.errstate(divide="ignore", invalid="ignore"):
            growth = -(n1 * np.log1p(-bend * first) + n2 * np.log1p(-bend * second)) / 2
        bound = 4 * np.exp(growth - DEGREE * math.log(rho)) / (rho - 1)
        error = np.where(up < 3.0, np.minimum(error, bound), error)
    return left[:, None] + 2 * half[:, None] * POINTS, float(error.max()) * (1 + 1e-9)


def _variance(w: Floats, low: Floats | float, high: Floats | float) -> Floats:
    """The largest q (1 - q) over logits from w + low to w + high."""
    nearest = np.maximum(0.0, np.maximum(w + low, -(w + high)))
    found: Floats = expit(nearest) * expit(-nearest)
    return found


@dataclass(frozen=True, eq=False)
class _Box:
    """A range of s that is still open, and what its parts inherit.

    `blocks` lists where along w the bound exceeded alpha. Everywhere in the box the upper set holds, for each x2, at
    least the x1 from `upper` on and the lower set at least those below `lower`; (x1, x2) of the tables that may come on
    top are listed in `more_upper` and `more_lower`, shape (2, tables).
    """

    low: float
    high: float
    blocks: Integers
    upper: Integers
    lower: Integers
    more_upper: Integers
    more_lower: Integers


class _Search:
    """The search for one lower limit: of a table, at error rate alpha."""

    def __init__(self, table: Table, alpha: float, both_tails: bool) -> None:
        self.table, self.alpha, self.both_tails = table, alpha, both_tails
        self.boxes = 0

    def start(self) -> float:
        """A value below which nothing is accepted: the first set has at most alpha / 2, the second is empty."""
        x1, n1, x2, n2 = self.table
        low = math.log(self.alpha / (2 * n1 * n2))
        tables = np.indices((n1 + 1, n2 + 1)).reshape(2, -1)
        while self.both_tails:
            observed = float(odds_ratio_score(x1, n1, x2, n2, low))
            if self.scores(tables, np.array([low])).min() > -observed * (1 - 1e-6):
                break
            low -= 1
        return low

    def lower_limit(self, low: float, high: float) -> float | None:
        """The lower end of the first box in [low, high] that can't be discarded, None when all can."""
        x1, n1, x2, n2 = self.table
        tables = np.indices((n1 + 1, n2 + 1)).reshape(2, -1)
        opposite = tables if self.both_tails else tables[:, :0]
        if self.both_tails and high == 0:
            # z + z_o falls, so below the null no table counts that only ties there.
            last, _ = pooled_z_limits(x1, n1, x2, n2, "two-sided", strict=True)
            opposite = tables[:, tables[0] <= last[tables.sum(axis=0)]]
        upper, lower = np.full(n2 + 1, n1 + 1), np.zeros(n2 + 1, dtype=np.int64)
        edges = np.linspace(low, high, math.ceil((high - low) / STRETCH) + 1)
        for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            nodes, error = _blocks(n1, n2, start, end, self.alpha)
            box = _Box(start, end, np.arange(len(nodes)), upper, lower, tables, opposite)
            found = self.first_kept(box, nodes, self.alpha * (1 - 1e-10) - 2 * error - 1e-14)
            if found is not None:
                return found
        return None

    def first_kept(self, box: _Box, nodes: Floats, threshold: float, depth: int = 0) -> float | None:
        """The lower end of the first part of a box that can't be discarded, at any fineness."""
        # A stretch is first looked at whole: far out that is mostly enough.
        edges = np.linspace(box.low, box.high, PARTS + 1 if depth else 2)
        x1, n1, x2, n2 = self.table
        observed = odds_ratio_score(x1, n1, x2, n2, edges)
        mark = (observed - TIE * (1 + np.abs(observed)))[1:, None]
        above, below = self.scores(box.more_upper, edges), self.scores(box.more_lower, edges)
        in_upper, in_lower = above[:-1] >= mark, below[1:] <= -mark
        upper = _fill(box.upper, box.more_upper, in_upper)
        lower = _fill_down(box.lower, box.more_lower, in_lower)
        w = nodes[box.blocks].ravel()
        at_high = self.chances(box.low, w)
        for k in range(len(edges) - 1):
            self.boxes += 1
            at_low, at_high = at_high, self.chances(float(edges[k + 1]), w)
            first, second = at_high
            values = np.einsum("ij,ij->i", first[:, -1:] - first[:, upper[k]], second)
            if self.both_tails:
                first, second = at_low
                values += np.einsum("ij,ij->i", first[:, lower[k]], second)
            rows = to_bernstein(values.reshape(len(box.blocks), -1))
            still = rows.max(axis=1) > threshold
            if not still.any() or stays_below(rows[still], threshold):
                continue
            if edges[k + 1] - edges[k] <= NARROW or self.boxes > MOST_BOXES:
                return float(edges[k])
            # In the sets everywhere in the part: z(high) >= z_o(low), and z + z_o <= 0 from the lower end on.
            sure_upper, sure_lower = above[k + 1] >= observed[k], below[k] <= -observed[k]
            part = _Box(
                float(edges[k]),
                float(edges[k + 1]),
                box.blocks[still],
                _fill(box.upper, box.more_upper, sure_upper[None])[0],
                _fill_down(box.lower, box.more_lower, sure_lower[None])[0],
                box.more_upper[:, in_upper[k] & ~sure_upper],
                box.more_lower[:, in_lower[k] & ~sure_lower],
            )
            found = self.first_kept(part, nodes, threshold, depth + 1)
            if found is not None:
                return found
        return None

    def scores(self, tables: Integers, edges: Floats) -> Floats:
        """The score of each table at each edge, shape (edges, tables); chunks keep the intermediate arrays small."""
        _, n1, _, n2 = self.table
        step = CELLS // len(edges)
        starts = range(0, max(tables.shape[1], 1), step)
        parts = (tables[:, i : i + step] for i in starts)
        return np.concatenate([odds_ratio_score(a, n1, b, n2, edges[:, None]) for a, b in parts], axis=1)

    def chances(self, s: float, w: Floats) -> tuple[Floats, Floats]:
        """At each node: P(X1 < 0), P(X1 < 1), ..., P(X1 < n1 + 1), and P(X2 = 0), ..., P(X2 = n2)."""
        _, n1, _, n2 = self.table
        below = np.zeros((len(w), n1 + 2))
        np.cumsum(_binomial(n1, w + s / 2), axis=1, out=below[:, 1:])
        return below, _binomial(n2, w - s / 2)


def _fill(start: Integers, tables: Integers, inside: NDArray[np.bool_]) -> Integers:
    """Where the smallest upper set starts for each x2: with (x1, x2) it holds (x1 + 1, x2) and (x1, x2 - 1).

    `inside`, shape (sets, tables), says which tables come on top of those from `start` on.
    """
    found = np.repeat(start[None], len(inside), axis=0)
    row, column = np.nonzero(inside)
    np.minimum.at(found, (row, tables[1, column]), tables[0, column])
    return np.minimum.accumulate(found[:, ::-1], axis=1)[:, ::-1]


def _fill_down(end: Integers, tables: Integers, inside: NDArray[np.bool_]) -> Integers:
    """Where the smallest lower set ends for each x2: with (x1, x2) it holds (x1 - 1, x2) and (x1, x2 + 1)."""
    found = np.repeat(end[None], len(inside), axis=0)
    row, column = np.nonzero(inside)
    np.maximum.at(found, (row, tables[1, column]), tables[0, column] + 1)
    return np.maximum.accumulate(found, axis=1)


def _binomial(n: int, logits: Floats) -> Floats:
    """P(X = 0..n) at each logit of the rate, shape (logits, n + 1)."""
    lf, x, stuck, missed = log_factorials(n), np.arange(n + 1), log_expit(logits), log_expit(-logits)
    found: Floats = np.exp(lf[n] - lf - lf[::-1] + x * stuck[:, None] + (n - x) * missed[:, None])
    return found


def lower_limit_of_odds_ratio(
    table: Table, alpha: Fraction, both_tails: bool, accepted: bool
) -> tuple[float, bool]:
    """The lower limit of log odds ratio, and whether it was located as finely as wanted.

    `accepted` is the verdict of Barnard's test on an odds ratio of 1.
    """
    x1, n1, x2, n2 = table
    if x1 == 0 or x2 == n2:
        return -math.inf, True
    # Exchanging groups and outcomes changes nothing: one of the two forms stands for both.
    x1, n1, x2, n2 = table = min(table, (n2 - x2, n2, n1 - x1, n1))
    error = float(alpha)
    if x1 == n1 or x2 == 0:
        # Here P(X1 = n1, X2 = 0) reaches alpha, and this table is the most extreme: no need to go on to infinity.
        top = 2 * float(logit(error ** (1 / (n1 + n2))))
    else:
        top = math.log(x1 * (n2 - x2)) - math.log((n1 - x1) * x2)
    search = _Search(table, error, both_tails)
    found = search.lower_limit(search.start(), min(top, 0.0))
    if found is None and top > 0:
        if accepted:
            return 0.0, True
        found = search.lower_limit(0.0, top)
        found = None if found is None else max(found, math.nextafter(0.0, 1.0))
    return top if found is None else found, search.boxes <= MOST_BOXES
