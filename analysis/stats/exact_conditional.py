"""Exact conditional logistic regression: each coefficient from the distribution that no other coefficient touches."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import logsumexp

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.design_matrix import Design, Floats, Ints, independent_columns, read_design
from analysis.stats.result import Fit, check_level

_CELLS = (
    12  # float64 cells that one state takes: its key, its count as a whole number, and the sort's scratch
)
_WORK = 1_000  # elementary operations that one state costs: multiplying, sorting and adding whole numbers
_LARGEST_KEY = 2**62


@dataclass(frozen=True, eq=False)
class Conditional:
    """The conditional distribution of one sufficient statistic when its coefficient is 0.

    `totals` are its possible values in rising order, less the observed one, in steps of `step`; `counts` are exact
    whole numbers of arrangements of the outcomes. `why` is "" unless there is no distribution to work with.
    """

    totals: Ints
    counts: tuple[int, ...]
    step: float
    why: str = ""

    @property
    def observed(self) -> int:
        """Position of the observed total."""
        return int(np.searchsorted(self.totals, 0))


def exact_logistic(
    y: Any,
    X: Any,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    columns: Iterable[str | int] | None = None,
    budget: Budget = DEFAULT,
) -> Fit:
    """Exact conditional logistic regression: nothing is approximated, whatever the sample size.

    Assumes independent routines, one outcome 0 or 1 each, and a logit that is linear in the columns. Given the
    totals of y times every other column, the total of y times this one has a distribution in which only its own
    coefficient is left. It is counted in whole numbers, row by row, dropping every state that can no longer reach
    the observed totals.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant. Read as decimals, so 0.1 is a tenth.
    level : float
        Confidence level; (1 - level) / 2 a side, at the edge of the distribution too.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    columns : sequence of str or int, optional
        The coefficients wanted: names, or positions in X from 0; None for all. The others are NaN.
    budget : Budget
        Work, shared equally by the coefficients wanted, and memory; past it a coefficient is NaN and `reasons` says so.

    Returns
    -------
    Fit
        The constant first. Coefficients are conditional maximum-likelihood values; at the edge of the distribution
        these would be infinite, so there the median-unbiased value stands, its standard error is NaN and the
        interval is open to that side. The p-value adds the probabilities of all totals that are no more probable
        than the observed one (ties decided in whole numbers). It isn't the test that the interval belongs to (that
        is twice the smaller tail); where they disagree at this level, `reasons` says so.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric and finite, their lengths differ, or level or columns make no sense.

    Examples
    --------
    9 of 9 against 14 of 22: the best finite statement about the log odds ratio is its lower limit.

    >>> fit = exact_logistic([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, names=["first"])
    >>> print(fit)
    exact conditional logistic regression, 31 observations
      constant: 0.5596 (95 % −0.3781 to 1.5717), p = 0.2863
      first: 1.8430 (95 % −0.1973 to infinity), p = 0.0677 (the observed total is at the edge: ...)

    References
    ----------
    Cox & Snell 1989, Analysis of Binary Data, pages 26-105. Hirji, Mehta & Patel 1987, Journal of the American
    Statistical Association 82:1110-1117. Mehta & Patel 1995, Statistics in Medicine 14:2143-2160.

    Not for: columns measured so finely that hardly two arrangements share their totals (the answer is then NaN), or
    the same athlete several times.
    """
    level = check_level(level)
    design = read_design(y, X, names)
    wanted = design.wanted(columns)
    size = len(design.names)
    share = Budget(budget.operations / max(1, len(wanted)), budget.cells, budget.draws)
    lines = [
        exact_coefficient(design, k, level, share) if k in wanted else Line(why="not asked for")
        for k in range(size)
    ]
    return Fit(
        names=design.names,
        coefficients=tuple(line.estimate for line in lines),
        standard_errors=tuple(line.error for line in lines),
        intervals=tuple(line.interval for line in lines),
        p_values=tuple(line.p_value for line in lines),
        level=level,
        method="exact conditional logistic regression",
        n=design.n,
        assumes="independent outcomes, logit linear in the columns",
        reasons=tuple(line.why for line in lines) if any(line.why for line in lines) else (),
    )


@dataclass(frozen=True)
class Line:
    """What the conditional distribution says about one coefficient."""

    estimate: float = math.nan
    error: float = math.nan
    interval: tuple[float, float] = (math.nan, math.nan)
    p_value: float = math.nan
    why: str = ""


def exact_coefficient(design: Design, k: int, level: float, budget: Budget) -> Line:
    """One coefficient (0 is the constant) with its exact interval and p-value."""
    independent = independent_columns(design.X, design.names)
    if not independent.estimable[k]:
        return Line(why=independent.why)
    found = conditional_distribution(design, k, budget)
    return Line(why=found.why) if found.why else _read(found, level)


def _read(found: Conditional, level: float) -> Line:
    alpha = 1 - level
    logs = np.array([math.log(count) for count in found.counts])
    totals, at = found.totals.astype(float), found.observed
    lowest, highest = at == 0, at == len(totals) - 1

    def solve(part: slice, share: float) -> float:
        """The coefficient at which the totals in `part`, a tail, have probability `share`."""

        def excess(theta: float) -> float:
            tilted = logs + theta * totals
            return float(logsumexp(tilted[part]) - logsumexp(tilted) - math.log(share))

        return _root(excess, rising=part.stop is None) / found.step

    upper_tail, lower_tail = slice(at, None), slice(None, at + 1)
    low = -math.inf if lowest else solve(upper_tail, alpha / 2)
    high = math.inf if highest else solve(lower_tail, alpha / 2)
    if lowest or highest:
        estimate, error = solve(lower_tail if lowest else upper_tail, 0.5), math.nan
    else:
        theta = _root(lambda t: _moments(logs, totals, t)[0], rising=True)
        estimate, error = theta / found.step, 1 / math.sqrt(_moments(logs, totals, theta)[1]) / found.step
    everything = sum(found.counts)
    p_value = _ratio(sum(c for c in found.counts if c <= found.counts[at]), everything)
    why = "the observed total is at the edge: median-unbiased estimate" if lowest or highest else ""
    if (p_value <= alpha) != (low > 0 or high < 0):
        tails = _ratio(min(sum(found.counts[upper_tail]), sum(found.counts[lower_tail])), everything)
        told = f"the interval belongs to twice the smaller tail, p = {min(1.0, 2 * tails):.4f}"
        why = f"{why}; {told}" if why else told
    return Line(estimate, error, (low, high), p_value, why)


def _ratio(part: int, whole: int) -> float:
    """A quotient of whole numbers of any length, rounded once."""
    return float(Fraction(part, whole))


def _moments(logs: Floats, totals: Floats, theta: float) -> tuple[float, float]:
    """Mean and variance of the total, less the observed one, when the coefficient is `theta`."""
    tilted = logs + theta * totals
    weights = np.exp(tilted - logsumexp(tilted))
    mean = float(weights @ totals)
    return mean, float(weights @ (totals - mean) ** 2)


def _root(function: Callable[[float], float], rising: bool) -> float:
    """The zero of a monotone function on the whole line."""
    sign = 1.0 if rising else -1.0
    low, high = -1.0, 1.0
    while sign * function(low) > 0:
        low *= 2
    while sign * function(high) < 0:
        high *= 2
    return float(brentq(function, low, high, xtol=1e-13, rtol=1e-14))


_TOO_FINE = "the columns are too many or too fine for exact work; round them, or leave some out"


def conditional_distribution(design: Design, k: int, budget: Budget = DEFAULT) -> Conditional:
    """Count the arrangements of the outcomes for each total of coefficient `k`, the others' totals held.

    A state is the vector of totals so far, packed into one whole number. Rows enter group by group; a state is
    dropped as soon as no choice among the rows to come could bring a held total to its observed value.
    """
    found = _whole_numbers(design.with_constant(), shift=k != 0)
    if found is None:
        return _nothing(_TOO_FINE)
    grid, steps = found
    observed = design.y @ grid
    below, above = np.minimum(grid, 0).sum(axis=0), np.maximum(grid, 0).sum(axis=0)
    radix = [int(high - low) + 1 for low, high in zip(below, above, strict=True)]
    if math.prod(radix) > _LARGEST_KEY:
        return _nothing(_TOO_FINE)
    place = np.array([math.prod(radix[:j]) for j in range(len(radix))], dtype=np.int64)
    held = [j for j in range(grid.shape[1]) if j != k]
    rows, m = _ordered_groups(grid, held, k)

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
            return _nothing("exact work on these rows and columns exceeds the budget")
        keys, counts = _merge(np.concatenate([k for k, _ in parts]), np.concatenate([c for _, c in parts]))
    totals = keys // place[k] % radix[k] + below[k] - observed[k]
    if len(totals) == 1:
        return _nothing("no other arrangement of the outcomes has the same totals of the other columns")
    order = np.argsort(totals)
    return Conditional(totals[order], tuple(int(c) for c in counts[order]), steps[k])


def _nothing(why: str) -> Conditional:
    return Conditional(np.zeros(0, dtype=np.int64), (), 1.0, why)


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


def _ordered_groups(grid: Ints, held: Sequence[int], k: int) -> tuple[Ints, Ints]:
    """Equal rows together, in an order that settles the held totals early: coarse columns first, large values first."""
    rows, m = np.unique(grid, axis=0, return_counts=True)
    coarse_first = sorted(held, key=lambda j: len(np.unique(rows[:, j])))
    order = np.lexsort([-rows[:, j] for j in reversed([*coarse_first, k])])
    return rows[order], m[order]


def _whole_numbers(Z: Floats, shift: bool) -> tuple[Ints, list[float]] | None:
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
        if max(abs(value) for value in whole) > _LARGEST_KEY // len(column):
            return None
        grid.append(np.array(whole, dtype=np.int64)[member.reshape(-1)])
        steps.append(divisor / denominator)
    return np.column_stack(grid), steps


def _as_written(value: float) -> Fraction:
    """The fraction that a person meant by a float: a small denominator if one fits exactly, else its decimals."""
    near = Fraction(value).limit_denominator(1000)
    return near if float(near) == value else Fraction(repr(value))
