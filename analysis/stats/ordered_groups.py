"""Tables with an order: trend over techniques or seasons, linear by linear, and Kruskal-Wallis, each exactly.

All three add up one whole number per group and ask how often, given both margins, the sum is as large as the one
seen. The groups are taken in turn; paths with the same remaining margins and the same sum are merged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.paths import (
    CHUNK,
    Floats,
    Ints,
    Meter,
    OverBudget,
    draw_tables,
    factorials,
    merge,
    ranges,
    read_table,
)
from analysis.stats.result import Test, check_alternative

ASSUMES = "independent routines; both margins of the table taken as given"
Score = Callable[[int, Ints], Ints]
"""The whole number that group i adds when it holds these counts (..., categories)."""


def trend(
    x: Sequence[int],
    n: Sequence[int],
    scores: Sequence[Any] | None = None,
    alternative: str = "two-sided",
    mid_p: bool = False,
    budget: Budget = DEFAULT,
    seed: int = 0,
) -> Test:
    """Cochran-Armitage test for trend: does the stuck rate rise or fall with the groups' scores?

    Assumes independent binomials, one routine per athlete. Exact given the total stuck: p is the probability of a
    sum of scores over the stuck routines at least as far out as the one seen; two-sided, as far from its mean.

    Parameters
    ----------
    x, n : sequences of int
        Stuck and total of each group, in order. Groups without routines are left out.
    scores : sequence of numbers, optional
        One per group, such as difficulty; decimals are taken as written. 1, 2, 3, ... by default.
    alternative : {"two-sided", "greater", "less"}
        "greater": the rate rises with the score.
    mid_p : bool
        Subtract half the probability of the observed sum (two-sided: of all sums as far out as it).
    budget : Budget
        Past it, `budget.draws` tables are drawn at random, `error` is the standard error of p, and `why` says so.
    seed : int
        Seed of those draws.

    Returns
    -------
    Test
        `statistic` is the asymptotic z with variance p(1 - p) sum n (s - mean)^2; NaN where nothing varies.

    Raises
    ------
    ValueError
        For lists of different lengths, what is no count, or scores that are no finite numbers.

    Notes
    -----
    Not for groups without an order (`freeman_halton`). The scores are part of the question: choose them beforehand.

    Examples
    --------
    >>> found = trend([3, 14, 9], [9, 22, 9], alternative="greater")
    >>> round(found.p_value, 4), round(found.statistic, 3)
    (0.0027, 2.965)

    References
    ----------
    Cochran W. G. (1954) Biometrics 10:417-451. Armitage P. (1955) Biometrics 11:375-386.
    """
    if len(x) != len(n):
        raise ValueError(f"x has {len(x)} groups and n has {len(n)}; they must go together")
    side = check_alternative(alternative)
    stuck, total = read_table([x])[0], read_table([n])[0]
    if np.any(stuck > total):
        at = int(np.argmax(stuck > total))
        raise ValueError(f"{stuck[at]} of {total[at]} is not a count: it needs 0 <= x <= n")
    table = np.stack([stuck, total - stuck], axis=1)
    own = _whole_scores(scores, len(stuck), "scores")
    rate = float(stuck.sum() / max(1, total.sum()))
    mean = float(np.dot(total, own) / max(1, total.sum()))
    spread = rate * (1 - rate) * float(np.dot(total, (own - mean) ** 2))
    z = float(np.dot(stuck, own) - mean * stuck.sum()) / math.sqrt(spread) if spread > 0 else math.nan
    return _linear(
        "exact Cochran–Armitage trend test", table, own, np.array([1, 0]), z, side, mid_p, budget, seed
    )


def linear_by_linear(
    table: Any,
    row_scores: Sequence[Any] | None = None,
    column_scores: Sequence[Any] | None = None,
    alternative: str = "two-sided",
    mid_p: bool = False,
    budget: Budget = DEFAULT,
    seed: int = 0,
) -> Test:
    """Linear-by-linear association: do higher rows go with higher columns?

    Assumes independent routines. Exact given both margins, on the sum of row score times column score.

    Parameters
    ----------
    table : array of int, shape (rows, columns)
    row_scores, column_scores : sequences of numbers, optional
        Decimals are taken as written. 1, 2, 3, ... by default.
    alternative : {"two-sided", "greater", "less"}
        "greater": higher rows go with higher columns. Two-sided: as far from the mean as observed.
    mid_p, budget, seed
        As in `trend`.

    Returns
    -------
    Test
        `statistic` is the correlation of the scores times sqrt(n - 1); NaN where nothing varies.

    Raises
    ------
    ValueError
        When the table holds what is no count, or the scores don't fit it.

    Notes
    -----
    Not for rows without an order (`kruskal_wallis`).

    Examples
    --------
    >>> round(linear_by_linear([[5, 3, 1], [6, 8, 8]]).p_value, 4)
    0.1433

    References
    ----------
    Agresti A., Mehta C. R., Patel N. R. (1990) Journal of the American Statistical Association 85:453-458.
    """
    side = check_alternative(alternative)
    counts = read_table(table)
    rows = _whole_scores(row_scores, counts.shape[0], "row_scores")
    columns = _whole_scores(column_scores, counts.shape[1], "column_scores")
    size = int(counts.sum())
    z = math.nan
    if size > 1:
        off_rows = rows - np.dot(counts.sum(axis=1), rows) / size
        off_columns = columns - np.dot(counts.sum(axis=0), columns) / size
        spread = np.dot(counts.sum(axis=1), off_rows**2) * np.dot(counts.sum(axis=0), off_columns**2)
        if spread > 0:
            z = float(off_rows @ counts @ off_columns / math.sqrt(spread) * math.sqrt(size - 1))
    return _linear("exact linear-by-linear test", counts, rows, columns, z, side, mid_p, budget, seed)


def kruskal_wallis(table: Any, budget: Budget = DEFAULT, seed: int = 0) -> Test:
    """Kruskal-Wallis test on a table: do the groups land alike, when landings have an order and groups have none?

    Assumes independent routines, one per athlete. Exact given both margins: p is the probability of a statistic at
    least as large as the one seen, with midranks for ties; compared in integers.

    Parameters
    ----------
    table : array of int, shape (groups, categories)
        Counts; the categories in order (from either end).
    budget, seed
        As in `trend`.

    Returns
    -------
    Test
        `statistic` is H, corrected for ties; NaN where nothing varies.

    Raises
    ------
    ValueError
        When the table isn't two-dimensional or holds what is no count.

    Examples
    --------
    >>> found = kruskal_wallis([[9, 0, 0], [14, 5, 3], [4, 3, 3]])
    >>> round(found.p_value, 4), round(found.statistic, 3)
    (0.0191, 7.489)

    References
    ----------
    Kruskal W. H., Wallis W. A. (1952) Journal of the American Statistical Association 47:583-621.
    """
    counts = _without_empty(read_table(table))
    method = "exact Kruskal–Wallis test"
    if min(counts.shape) < 2:
        return _nothing(method, int(counts.sum()))
    groups, categories = counts.sum(axis=1), counts.sum(axis=0)
    size = int(counts.sum())
    # Twice the midrank of each category, less its mean: whole numbers.
    rank = 2 * np.cumsum(categories) - categories - size
    common = math.lcm(*groups.tolist())
    share = [common // int(group) for group in groups]

    def score(group: int, held: Ints) -> Ints:
        return share[group] * (held @ rank) ** 2

    largest = sum(part * (int(group) * size) ** 2 for part, group in zip(share, groups, strict=True))
    fits = largest < 2**62
    observed = sum(part * int(row @ rank) ** 2 for part, row in zip(share, counts, strict=True))
    ties = float(np.dot(categories, rank.astype(float) ** 2))
    statistic = (size - 1) * observed / common / ties
    exact = None if not fits else _distribution(groups, categories, score, budget)
    if exact is not None:
        sums, chances = exact
        p = float(min(1.0, chances[sums >= observed].sum()))
        return Test(p, "two-sided", method, size, statistic=statistic, assumes=ASSUMES)
    reached, near = 0, 1e-9 * observed / common
    for some in draw_tables(counts, budget.draws, np.random.default_rng(seed)):
        held = (some @ rank).astype(float)
        beyond = (held**2 / groups).sum(axis=1) - observed / common
        reached += int((beyond > near).sum())
        for one in some[np.abs(beyond) <= near]:  # too close for floats: Python's integers decide
            reached += (
                sum(part * int(row @ rank) ** 2 for part, row in zip(share, one, strict=True)) >= observed
            )
    return _drawn(method, size, statistic, reached, budget.draws)


def _linear(
    method: str,
    table: Ints,
    rows: Ints,
    columns: Ints,
    statistic: float,
    alternative: Any,
    mid_p: bool,
    budget: Budget,
    seed: int,
) -> Test:
    """Test the sum of row score times column score, whole numbers all."""
    live_rows, live_columns = table.sum(axis=1) > 0, table.sum(axis=0) > 0
    table, rows, columns = table[live_rows][:, live_columns], rows[live_rows], columns[live_columns]
    size = int(table.sum())
    method += ", mid-p" if mid_p else ""
    if min(table.shape) < 2 or math.isnan(statistic):
        return _nothing(method, size, alternative)
    if table.shape[0] < table.shape[1]:
        table, rows, columns = table.T, columns, rows
    groups, categories = table.sum(axis=1), table.sum(axis=0)
    observed = int(rows @ table @ columns)
    mean = int(np.dot(groups, rows)) * int(np.dot(categories, columns))  # times size
    if size * int(np.abs(rows).max()) * int(np.abs(columns).max()) * size >= 2**62:
        raise ValueError(
            "the scores have too many digits for exact sums; give them as whole numbers or fewer decimals"
        )

    def judge(sums: Ints) -> tuple[Any, Any]:
        """Which sums are as far out as the observed one, and which exactly as far."""
        if alternative == "greater":
            return sums >= observed, sums == observed
        if alternative == "less":
            return sums <= observed, sums == observed
        far, seen = np.abs(size * sums - mean), abs(size * observed - mean)
        return far >= seen, far == seen

    exact = _distribution(groups, categories, lambda group, held: rows[group] * (held @ columns), budget)
    if exact is not None:
        sums, chances = exact
        reached, tied = judge(sums)
        p = float(chances[reached].sum() - (0.5 * chances[tied].sum() if mid_p else 0.0))
        return Test(min(1.0, p), alternative, method, size, statistic=statistic, assumes=ASSUMES)
    found = 0.0
    for some in draw_tables(table, budget.draws, np.random.default_rng(seed)):
        reached, tied = judge(np.einsum("i,kij,j->k", rows, some, columns))
        found += float(reached.sum() - (0.5 * tied.sum() if mid_p else 0.0))
    return _drawn(method, size, statistic, found, budget.draws, alternative)


def _drawn(
    method: str, size: int, statistic: float, reached: float, draws: int, alternative: Any = "two-sided"
) -> Test:
    p = (reached + 1) / (draws + 1)
    return Test(
        p,
        alternative,
        f"{method}, Monte Carlo",
        size,
        statistic=statistic,
        draws=draws,
        error=math.sqrt(p * (1 - p) / draws),
        assumes=ASSUMES,
        why=f"the exact algorithm would exceed its budget; {draws:,} tables were drawn",
    )


def _nothing(method: str, size: int, alternative: Any = "two-sided") -> Test:
    why = "the margins leave nothing that could differ"
    return Test(1.0, alternative, method, size, assumes=ASSUMES, why=why)


def _without_empty(counts: Ints) -> Ints:
    return counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]


def _whole_scores(scores: Sequence[Any] | None, number: int, what: str) -> Ints:
    """Scores as whole numbers that keep their proportions: decimals as written, shifted and scaled."""
    if scores is None:
        return np.arange(1, number + 1)
    if len(scores) != number:
        raise ValueError(f"{what} has {len(scores)} values for {number} groups")
    try:
        exact = [each if isinstance(each, Fraction) else Fraction(str(each)) for each in scores]
    except ValueError:
        raise ValueError(f"{what} must be finite numbers; got {list(scores)!r}") from None
    steps = [each - min(exact) for each in exact]
    scale = math.lcm(*(step.denominator for step in steps))
    whole = [int(step * scale) for step in steps]
    shared = math.gcd(*whole) or 1
    if max(whole) // shared >= 2**40:
        raise ValueError(
            f"{what} have too many digits for exact sums; give them as whole numbers or fewer decimals"
        )
    return np.array([each // shared for each in whole], dtype=np.int64)


def _distribution(groups: Ints, categories: Ints, score: Score, budget: Budget) -> tuple[Ints, Floats] | None:
    """Sums over the groups and their probabilities given both margins, or None past the budget."""
    meter = Meter(budget)
    try:
        if float(np.prod(categories[1:] + 1.0)) >= 2.0**62:
            raise OverBudget
        log = factorials(int(groups.sum()))
        left, key, chance = categories[None, :], np.zeros(1, dtype=np.int64), np.ones(1)
        order = np.argsort(groups, kind="stable")
        for group in order[:-1]:
            number = int(groups[group])
            meter.add(len(key) * _how_many(number, categories), held=(len(categories) + 2) * len(key))
            ways = _ways(number, categories)
            added = score(int(group), ways)
            of_ways = -log.keys[ways].sum(axis=1)
            pieces = []
            step = max(1, CHUNK // len(ways))
            for start in range(0, len(key), step):
                part = slice(start, start + step)
                path, way = np.nonzero((left[part][:, None, :] >= ways[None]).all(axis=2))
                path += start
                rest = left[path] - ways[way]
                size = int(left[0].sum())
                # Multivariate hypergeometric probability of these counts, given what was left.
                exponent = (
                    log.keys[left[path]].sum(axis=1)
                    - log.keys[rest].sum(axis=1)
                    + of_ways[way]
                    - (log.keys[size] - log.keys[number] - log.keys[size - number])
                )
                pieces.append((rest, key[path] + added[way], chance[path] * np.exp(exponent / log.scale)))
            left, key, chance = (np.concatenate([piece[i] for piece in pieces]) for i in range(3))
            code = np.zeros(len(key), dtype=np.int64)
            for column, category in zip(left.T[1:], categories[1:], strict=True):
                code = code * (int(category) + 1) + column
            place, chance = merge(code, key, chance)
            left, key = left[place], key[place]
        last = int(order[-1])
        sums, place = np.unique(key + score(last, left), return_inverse=True)
        return sums, np.bincount(place, chance).astype(float)
    except OverBudget:
        return None


def _how_many(number: int, categories: Ints) -> int:
    """Ways to share `number` routines among the categories."""
    counts = np.ones(1)
    for category in categories:
        counts = np.convolve(counts, np.ones(min(int(category), number) + 1))[: number + 1]
    return int(counts[number])


def _ways(number: int, categories: Ints) -> Ints:
    """All ways to share `number` routines among the categories, at most the category's total in each."""
    held = np.zeros((1, 0), dtype=np.int64)
    left = np.array([number])
    for at, category in enumerate(categories[:-1]):
        fewest = np.maximum(0, left - int(categories[at + 1 :].sum()))
        run, value = ranges(np.minimum(int(category), left) - fewest + 1)
        value += fewest[run]
        held = np.column_stack([held[run], value])
        left = left[run] - value
    return np.column_stack([held, left])
