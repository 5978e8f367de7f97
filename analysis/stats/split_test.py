"""The exact test of a split into two groups, and random splits where the exact one would not fit.

Sampling assumption: given the pooled values, all splits into groups of the observed sizes are equally likely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from analysis.stats.budget import Budget
from analysis.stats.result import Alternative
from analysis.stats.splits import Splits, Whole, exact_size

HYPERGEOMETRIC = 400  # operations that one hypergeometric draw is worth
FEWEST_DRAWS = 1_000


@dataclass(frozen=True)
class SplitTest:
    """A permutation test of the difference of means, and the shifts that it accepts, in the values' unit."""

    p_value: float
    mid_p: float
    smallest: float
    limits: tuple[Fraction | float, Fraction | float]
    kind: str
    draws: int = 0
    error: float = 0.0
    why: str = ""


def split_test(
    first: Whole,
    second: Whole,
    alternative: Alternative,
    alpha: Fraction,
    budget: Budget,
    seed: int,
    limits: bool,
) -> SplitTest:
    """Test whether `first` and `second` split the pooled whole numbers at random.

    Parameters
    ----------
    first, second : arrays of non-negative integers
    alternative : {"two-sided", "greater", "less"}
    alpha : Fraction
        Error rate of the interval.
    budget, seed
        Past the budget, random splits with this seed.
    limits : bool
        Whether the accepted shifts are wanted too; otherwise they are NaN.
    """
    smallest = smallest_share(np.concatenate((first, second)), len(first), alternative)
    if not budget.allows(*exact_size(first, second)):
        return _drawn(first, second, alternative, alpha, smallest, budget, seed)
    splits = Splits(first, second)
    zero = Fraction(0)
    share = splits.share(zero, alternative, alpha)
    beyond = Fraction(splits.count(zero, alternative, strictly=True)) / splits.total
    low: Fraction | float = math.nan
    high: Fraction | float = math.nan
    why = ""
    if limits and budget.allows(*exact_size(first, second, limits=True)):
        low, high = _accepted(splits, alternative, alpha)
    elif limits:
        drawn = _drawn(first, second, alternative, alpha, smallest, budget, seed)
        low, high = drawn.limits
        why = f"the limits are {drawn.why}"
    return SplitTest(float(share), float((share + beyond) / 2), smallest, (low, high), "exact", why=why)


def _accepted(
    splits: Splits, alternative: Alternative, alpha: Fraction
) -> tuple[Fraction | float, Fraction | float]:
    low: Fraction | float = -math.inf
    high: Fraction | float = math.inf
    if alternative != "less":
        found = splits.lowest_accepted(alternative, alpha)
        low = -math.inf if found is None else found
    if alternative != "greater":
        found = splits.mirrored().lowest_accepted("greater" if alternative == "less" else alternative, alpha)
        high = math.inf if found is None else -found
    return low, high


def _drawn(
    first: Whole,
    second: Whole,
    alternative: Alternative,
    alpha: Fraction,
    smallest: float,
    budget: Budget,
    seed: int,
) -> SplitTest:
    exchanged, loss = draw_splits(first, second, budget, seed)
    draws = len(loss)
    hits, ties = _hits(first, second, loss, alternative)
    share = (hits + 1) / (draws + 1)
    rank = math.floor(alpha * (draws + 1))  # so many thresholds are needed for (b + 1) / (B + 1) > alpha
    low, high = -math.inf, math.inf
    if rank > 0 and alternative != "less":
        low = float(
            np.partition(_thresholds(first, second, exchanged, loss, alternative), rank - 1)[rank - 1]
        )
    if rank > 0 and alternative != "greater":
        mirrored: Alternative = "greater" if alternative == "less" else alternative
        high = -float(
            np.partition(_thresholds(second, first, exchanged, -loss, mirrored), rank - 1)[rank - 1]
        )
    return SplitTest(
        p_value=share,
        mid_p=(hits - ties / 2 + 1) / (draws + 1),
        smallest=max(smallest, 1 / (draws + 1)),
        limits=(low, high),
        kind="Monte Carlo",
        draws=draws,
        error=math.sqrt(share * (1 - share) / draws),
        why=f"from {draws:,} random splits, as the exact distribution is past the budget",
    )


def draw_splits(first: Whole, second: Whole, budget: Budget, seed: int) -> tuple[Whole, Whole]:
    """Draw random splits: how many values each exchanges, and its loss W (see the module `splits`).

    The numbers drawn per distinct value follow hypergeometric laws, so heavy ties make it cheap.
    """
    rng = np.random.default_rng(seed)
    cells = len(np.unique(first)) + len(np.unique(second))
    draws = int(max(FEWEST_DRAWS, min(budget.draws, budget.operations / (HYPERGEOMETRIC * cells))))
    n1, n2 = len(first), len(second)
    exchanged = rng.hypergeometric(n2, n1, n1, size=draws)
    loss = draw_sums(first, exchanged, rng) - draw_sums(second, exchanged, rng)
    return exchanged, loss


def draw_sums(values: Whole, sizes: Whole, rng: np.random.Generator) -> Whole:
    """Return the sum of `sizes[i]` values drawn without replacement, for each i."""
    distinct, counts = np.unique(values, return_counts=True)
    left, rest = sizes.copy(), len(values)
    total = np.zeros(len(sizes), dtype=np.int64)
    for value, count in zip(distinct.tolist(), counts.tolist(), strict=True):
        rest -= count
        drawn = rng.hypergeometric(count, rest, left) if rest else left
        total += value * drawn
        left = left - drawn
    return total


def _hits(first: Whole, second: Whole, loss: Whole, alternative: Alternative) -> tuple[int, int]:
    """Count the draws at least as extreme as the observed split, and those exactly as extreme, in whole numbers."""
    n1, n2 = len(first), len(second)
    # The drawn difference of means is D - W (n1 + n2) / (n1 n2); times n1 n2 all terms are whole.
    observed = n2 * int(first.sum()) - n1 * int(second.sum())
    drawn = observed - (n1 + n2) * loss
    if alternative == "two-sided":
        observed, drawn = abs(observed), np.abs(drawn)
    elif alternative == "less":
        observed, drawn = -observed, -drawn
    return int((drawn >= observed).sum()), int((drawn == observed).sum())


def _thresholds(first: Whole, second: Whole, exchanged: Whole, loss: Whole, alternative: Alternative) -> Any:
    """For each drawn split, the shift below the observed difference from which on it counts as extreme."""
    n1, n2 = len(first), len(second)
    # H D - W and H - g of the module `splits`, both times n1 + n2: whole numbers, so the sign is never in doubt.
    opposite = 2 * (n2 * int(first.sum()) - n1 * int(second.sum())) - (n1 + n2) * loss
    room = 2 * n1 * n2 - (n1 + n2) * exchanged
    near = np.where(exchanged > 0, loss / np.maximum(exchanged, 1), -math.inf)
    if alternative != "two-sided":
        return near
    # The swap of two whole groups of one size has room 0 and is always exactly as extreme.
    far = np.where(room > 0, opposite / np.maximum(room, 1), -math.inf)
    return np.minimum(near, far)


def smallest_share(pooled: Whole, n1: int, alternative: Alternative) -> float:
    """Return the p-value of the most extreme split of `pooled` into n1 first and the rest."""
    ordered = np.sort(pooled)
    total = math.comb(len(ordered), n1)
    if ordered[0] == ordered[-1]:
        return 1.0
    ways = {}
    excess = {}
    for side, chosen in (("greater", ordered[len(ordered) - n1 :]), ("less", ordered[:n1])):
        cut = chosen[0] if side == "greater" else chosen[-1]
        ways[side] = math.comb(int((ordered == cut).sum()), int((chosen == cut).sum()))
        excess[side] = abs(len(ordered) * int(chosen.sum()) - n1 * int(ordered.sum()))
    if alternative != "two-sided":
        return float(Fraction(ways[alternative], total))
    top = max(excess.values())
    return float(Fraction(sum(ways[side] for side in ways if excess[side] == top), total))
