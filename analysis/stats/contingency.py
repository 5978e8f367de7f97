"""The exact probability of an r x c table at most as probable as the one seen, given both margins.

The columns are cut into two halves. What each row gives to the first half (the row shares) fixes what is left for
the second, and given the shares the halves are independent fills of two smaller tables. Each half is filled cell
by cell. A lower bound on what the cells still to come must cost (the dual of the transport problem, priced at the
logarithms of the column totals) settles a fill early: when every way to go on is extreme, its whole probability is
known in closed form; when none is, it is dropped. Only the multiset of a half's shares matters, so each multiset
is filled once. At each share the halves meet by a search in sorted keys.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analysis.stats.chains import chain_tail
from analysis.stats.paths import (
    CHUNK,
    Factorials,
    Floats,
    Ints,
    Ladder,
    Meter,
    OverBudget,
    factorials,
    ladder,
    meet,
    merge,
    ranges,
    runs,
)

BATCH = 128  # row shares filled at a time, at most: bounds the memory
PROBE = 8  # row shares that are filled first, to foretell the work


def table_tail(table: Ints, meter: Meter) -> tuple[float, float]:
    """Probability of a table at most as probable as `table`, given its margins: (attained, bound).

    `table` has no empty row or column and at least two of each. `bound` counts every table whose key is within
    rounding of the observed one or beyond; `attained` leaves out those within rounding that are not exactly tied.
    """
    numbers = factorials(int(table.sum()))
    keys, observed = numbers.keys, int(numbers.keys[table].sum())
    if min(table.shape) == 2:
        pairs = table if table.shape[1] == 2 else table.T
        weights = [keys[: n + 1] + keys[n::-1] for n in pairs.sum(axis=1)]
        return chain_tail(weights, int(pairs[:, 0].sum()), observed, numbers.scale, numbers.guard, meter)
    if _free(table.T) < _free(table):
        table = table.T
    rows = np.sort(table.sum(axis=1))[::-1]
    columns = sorted(table.sum(axis=0).tolist(), reverse=True)
    if float(np.prod(rows + 1.0)) * BATCH > 2.0**62:
        raise OverBudget  # the row shares no longer fit one integer each
    return _Search(rows, columns, observed, numbers, meter).tail()


def _free(table: Ints) -> int:
    """Cells that can be chosen freely in the larger half: what the work grows with."""
    return (table.shape[0] - 1) * ((table.shape[1] + 1) // 2)


@dataclass(frozen=True)
class _Column:
    """One column to fill and what bounds the columns after it.

    `cost[x]` is what x in a cell of this column costs: its key, or a lower bound where the column stands for a
    whole half. `slope` prices one unit still to place in this column. `after[s]` and `here[s]` bound from below
    what a row with s still to place costs in the later columns, without and with this one, up to `constant`.
    `mass` is the later columns' part of the key of all ways to fill them. `last`: only one column is left after it.
    """

    total: int
    cost: Ints
    slope: int
    after: Ints
    here: Ints
    constant: int
    mass: int
    last: bool


@dataclass(frozen=True)
class _Shares:
    """Row shares to fill, one column each: rows (rows x shares) and the limits set by the other half.

    A fill whose key exceeds `surely` is extreme whatever the other half does; one below `hardly` never is.
    """

    rows: Ints
    surely: Ints
    hardly: Ints


@dataclass(frozen=True)
class _Fills:
    """Unfinished fills: units still to place (rows x fills), number of the row share, key so far, ways."""

    rows: Ints
    share: Ints
    key: Ints
    count: Floats


@dataclass(frozen=True)
class _Cells:
    """Fills inside a column: as `_Fills`, with the units still to put, bound and mass of the rows passed."""

    rows: list[Ints]
    origin: Ints
    key: Ints
    put: Ints
    low: Ints
    mass: Ints


@dataclass(frozen=True)
class _Task:
    """One column of one batch: its fills, sums over the rows from each one on, and where results go."""

    column: _Column
    shares: _Shares
    base: Ints
    fills: _Fills
    units: Ints
    here: Ints
    mass: Ints
    always: Floats
    done: list[_Fills] = field(default_factory=list)


class _Search:
    """One exact run: margins, observed key and the work done so far."""

    def __init__(
        self, rows: Ints, columns: list[int], observed: int, numbers: Factorials, meter: Meter
    ) -> None:
        self.rows, self.observed, self.meter = rows, observed, meter
        self.first, self.second = columns[::2], columns[1::2]
        self.keys, self.scale, self.guard = numbers.keys, numbers.scale, numbers.guard
        self.slopes = {c: round(math.log(c) * numbers.scale) for c in columns}

    def tail(self) -> tuple[float, float]:
        """Go through the row shares and let the halves meet at each: (attained, bound)."""
        left, chance, found = self._split()
        (mine, of_mine), (theirs, of_theirs) = _distinct(self.rows[:, None] - left), _distinct(left)
        cheap_mine, dear_mine = self._key_range(mine, self.first)
        cheap_theirs, dear_theirs = self._key_range(theirs, self.second)
        others = self._shares(theirs, of_theirs, cheap_mine[of_mine], dear_mine[of_mine])
        own = self._shares(mine, of_mine, cheap_theirs[of_theirs], dear_theirs[of_theirs])

        ladders: dict[int, Ladder] = {}
        always = np.zeros(theirs.shape[1])
        for batch in self._batches(others, self.second):
            filled, always[batch] = self._fill(_take(others, batch), self.second)
            ladders.update(zip(batch.tolist(), filled, strict=True))
            self.meter.add(0, held=3 * sum(len(each.keys) for each in ladders.values()))

        unsure = 0.0
        pair, place = np.unique(of_mine * theirs.shape[1] + of_theirs, return_inverse=True)
        weight = np.bincount(place, chance)
        partners = np.searchsorted(pair, np.arange(mine.shape[1] + 1) * theirs.shape[1])
        for batch in self._batches(own, self.first):
            filled, settled = self._fill(_take(own, batch), self.first)
            for share, paths, sure in zip(batch.tolist(), filled, settled, strict=True):
                here = slice(partners[share], partners[share + 1])
                self.meter.add(len(paths.keys) * (here.stop - here.start) // 8)  # a search is cheap
                for other, probability in zip(pair[here] % theirs.shape[1], weight[here], strict=True):
                    reached, near = meet(paths, ladders[other], self.observed, self.guard)
                    found += probability * (sure + paths.from_here[0] * always[other] + reached)
                    unsure += probability * near
        return float(min(1.0, found - unsure)), float(min(1.0, found))

    def _batches(self, shares: _Shares, columns: list[int]) -> list[Ints]:
        """Cut the shares into batches that fit the memory; a few are tried first, to give up early if need be."""
        number = shares.rows.shape[1]
        size = BATCH
        if number > PROBE:
            whole, self.meter = self.meter, self.meter.part(PROBE / number)
            self._fill(_take(shares, np.linspace(0, number - 1, PROBE).astype(np.int64)), columns)
            each, self.meter = self.meter.tried / PROBE, whole
            size = max(1, min(BATCH, int(8 * CHUNK / max(each, 1.0))))
        pieces = math.ceil(number / size)
        return [np.arange(start, number, pieces) for start in range(pieces)]

    def _split(self) -> tuple[Ints, Floats, float]:
        """Row shares that are not settled: what is left for the second half, its chance; and what is settled."""
        totals = [sum(self.first), sum(self.second)]
        both = self.first + self.second
        column = _Column(
            total=totals[0],
            cost=self._cheapest(self.first),
            slope=0,
            after=self._cheapest(self.second),
            here=self._cheapest(both),
            constant=sum(c * self.slopes[c] for c in both),
            mass=0,
            last=False,
        )
        limits = np.array([self.observed + self.guard]), np.array([self.observed - self.guard])
        base = self.keys[self.rows].sum() + self.keys[totals].sum() - self.keys[sum(totals)]
        always = np.zeros(1)
        fills = self._column(
            column,
            _Shares(self.rows[:, None], *limits),
            np.array([base]),
            _Fills(self.rows[:, None], *(np.zeros(1, dtype=np.int64),) * 2, np.ones(1)),
            always,
        )
        chance = np.exp((base - fills.key - self.keys[fills.rows].sum(axis=0)) / self.scale)
        return fills.rows, chance, float(always[0])

    def _key_range(self, shares: Ints, columns: list[int]) -> tuple[Ints, Ints]:
        """Bounds of the key that a half can have at each share: (below, above)."""
        below = self._cheapest(columns)[shares].sum(axis=0) + sum(c * self.slopes[c] for c in columns)
        return below, np.minimum(self.keys[shares].sum(axis=0), self.keys[columns].sum())

    def _shares(self, rows: Ints, index: Ints, cheap: Ints, dear: Ints) -> _Shares:
        """Limits for each distinct share from the bounds of all its partners in the other half."""
        lowest = np.full(rows.shape[1], np.iinfo(np.int64).max)
        highest = np.zeros(rows.shape[1], dtype=np.int64)
        np.minimum.at(lowest, index, cheap)
        np.maximum.at(highest, index, dear)
        return _Shares(rows, self.observed + self.guard - lowest, self.observed - self.guard - highest)

    def _cheapest(self, columns: list[int]) -> Ints:
        """Lowest cost of a row of each total in these columns, less its units at the columns' prices.

        A row's cost is a sum of convex functions, so the cheapest s units are the s smallest increments.
        """
        steps = np.diff(self.keys[: int(self.rows[0]) + 1])[:, None] - [self.slopes[c] for c in columns]
        return np.concatenate([[0], np.cumsum(np.sort(steps, axis=None)[: int(self.rows[0])])])

    def _fill(self, shares: _Shares, columns: list[int]) -> tuple[list[Ladder], Floats]:
        """Fill every share with these columns: open fills by rising key, and the probability of the settled."""
        keys, number = self.keys, shares.rows.shape[1]
        base = keys[shares.rows].sum(axis=0) + keys[columns].sum() - keys[sum(columns)]
        always = np.zeros(number)
        fills = _Fills(shares.rows, np.arange(number), np.zeros(number, dtype=np.int64), np.ones(number))
        for j, total in enumerate(columns[:-1]):
            later = columns[j + 1 :]
            column = _Column(
                total=total,
                cost=keys,
                slope=self.slopes[total],
                after=self._cheapest(later),
                here=self._cheapest(columns[j:]),
                constant=sum(c * self.slopes[c] for c in later),
                mass=int(keys[sum(later)] - keys[later].sum()),
                last=len(later) == 1,
            )
            fills = self._column(column, shares, base, fills, always)
            if len(later) > 1:
                fills = _merged(fills)
        key = fills.key if len(columns) > 1 else keys[shares.rows].sum(axis=0)
        weight = fills.count * np.exp((base[fills.share] - key) / self.scale)
        order = np.argsort(
            fills.share.astype(np.uint8), kind="stable"
        )  # at most BATCH shares: sorted by radix
        key, weight = key[order], weight[order]
        ends = np.cumsum(np.bincount(fills.share, minlength=number))
        return [ladder(key[a:b], weight[a:b]) for a, b in zip([0, *ends[:-1]], ends, strict=True)], always

    def _column(self, column: _Column, shares: _Shares, base: Ints, fills: _Fills, always: Floats) -> _Fills:
        """Fill one column of all fills; what is settled is added to `always`."""

        def from_each_row(values: Ints) -> Ints:
            sums = np.cumsum(values[::-1], axis=0)[::-1]
            return np.concatenate([sums, np.zeros((1, values.shape[1]), dtype=np.int64)])

        task = _Task(
            column=column,
            shares=shares,
            base=base,
            fills=fills,
            units=from_each_row(fills.rows),
            here=from_each_row(column.here[fills.rows]),
            mass=from_each_row(self.keys[fills.rows]),
            always=always,
        )
        many = len(fills.key)
        nothing = np.zeros(many, dtype=np.int64)
        self._cell(
            task,
            0,
            _Cells(
                list(fills.rows), np.arange(many), fills.key, np.full(many, column.total), nothing, nothing
            ),
        )
        return _Fills(
            np.concatenate([each.rows for each in task.done], axis=1),
            np.concatenate([each.share for each in task.done]),
            np.concatenate([each.key for each in task.done]),
            np.concatenate([each.count for each in task.done]),
        )

    def _cell(self, task: _Task, row: int, cells: _Cells) -> None:
        """Try every value in the cell of this row, settle or drop what is decided, and go on to the next row.

        The last two rows are done together, since the last one takes what is left of the column; in the last column
        but one they complete the fill, and the bound is its key.
        """
        keys, column, shares = self.keys, task.column, task.shares
        last_choice = row == len(cells.rows) - 2
        complete = last_choice and column.last
        share, count = task.fills.share[cells.origin], task.fills.count[cells.origin]
        room = task.units[row + 1][cells.origin]
        surely, base, cost = shares.surely[share], task.base[share], column.cost
        so_far = cells.key + cells.low + column.constant - surely
        if not last_choice:
            so_far += task.here[row + 1][cells.origin] + column.slope * cells.put
            cost = column.cost - column.slope * np.arange(len(column.cost))
        # The rows below hold `room` units, of which the column gets `put`: (room over put) / product of factorials.
        ways = column.mass + base - cells.key - cells.mass + keys[room] - task.mass[row + 1][cells.origin]
        fewest = np.maximum(0, cells.put - room)
        tries = np.minimum(cells.rows[row], cells.put) - fewest + 1
        self.meter.add(int(tries.sum()))
        for part in runs(tries):
            run, offset = ranges(tries[part])
            run += part.start
            value = offset + fewest[run]
            rest, put = cells.rows[row][run] - value, cells.put[run] - value
            below = room[run] - put
            beyond = so_far[run] + cost[value] + column.after[rest]
            if last_choice:
                beyond += column.cost[put] + column.after[below]
            settled = beyond > 0
            sure, kept = np.flatnonzero(settled), np.flatnonzero(~settled)
            of = run[sure]
            if complete:
                log = base[of] - surely[of] - beyond[sure]
            else:
                log = ways[of] - keys[value[sure]] - keys[rest[sure]] - keys[put[sure]] - keys[below[sure]]
            task.always[:] += np.bincount(
                share[of], count[of] * np.exp(log / self.scale), minlength=len(task.always)
            )
            of = run[kept]
            if complete:
                key = beyond[kept] + surely[of]
                hope = key >= shares.hardly[share[of]]
                of = of[hope]
                task.done.append(_Fills(np.zeros((0, len(of)), np.int64), share[of], key[hope], count[of]))
                self.meter.add(0, held=3 * sum(len(each.key) for each in task.done))
                continue
            value, rest, put, below = value[kept], rest[kept], put[kept], below[kept]
            key, mass = cells.key[of] + keys[value], cells.mass[of] + keys[rest]
            rows = [each[of] for each in cells.rows]
            rows[row] = rest
            if last_choice:
                rows[row + 1] = below
                key += keys[put]
                hope = np.flatnonzero(key + mass + keys[below] >= shares.hardly[share[of]])
                of = of[hope]
                task.done.append(_Fills(np.stack(rows)[:, hope], share[of], key[hope], count[of]))
                self.meter.add(0, held=(len(rows) + 3) * sum(len(each.key) for each in task.done))
            else:
                low = cells.low[of] + column.after[rest] + column.cost[value] - keys[value]
                self._cell(task, row + 1, _Cells(rows, cells.origin[of], key, put, low, mass))


def _distinct(rows: Ints) -> tuple[Ints, Ints]:
    """Row shares that differ as multisets, each in falling order: (rows x distinct, which one each is)."""
    ordered = np.sort(rows, axis=0)[::-1]
    _, first, which = np.unique(_code(ordered), return_index=True, return_inverse=True)
    return ordered[:, first], which


def _code(rows: Ints) -> Ints:
    """One integer for each column of `rows`, all of the same sum: the first row follows from the others."""
    code = np.zeros(rows.shape[1], dtype=np.int64)
    for row in rows[1:]:
        code = code * (int(row.max(initial=0)) + 1) + row
    return code


def _merged(fills: _Fills) -> _Fills:
    """Merge fills with the same multiset left to place, the same share and the same key."""
    rows = np.sort(fills.rows, axis=0)[::-1]
    place, count = merge(
        _code(rows) * (int(fills.share.max(initial=0)) + 1) + fills.share, fills.key, fills.count
    )
    return _Fills(rows[:, place], fills.share[place], fills.key[place], count)


def _take(shares: _Shares, batch: Ints) -> _Shares:
    return _Shares(shares.rows[:, batch], shares.surely[batch], shares.hardly[batch])
