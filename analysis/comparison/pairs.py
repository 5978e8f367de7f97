"""Three or more techniques: an overall test, then every pair with the family-wise error held."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd

from analysis.comparison.headline import Contrast, arms_of, contrast, values_of
from analysis.comparison.result import Pair, Pairs, Question
from analysis.reading.claim import FEWEST
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.many_groups import closed_testing, freeman_halton, holm
from analysis.stats.ordered_groups import kruskal_wallis
from analysis.stats.result import Test

MOST_CLOSED = 6
"""Closed testing visits every partition of the techniques (Bell numbers: 203 for six); past it, Holm."""


def make_pairs(frame: pd.DataFrame, question: Question, budget: Budget = DEFAULT) -> Pairs | None:
    """Compare every pair of three or more techniques; None for two.

    Where no athlete comes back, the overall test is exact given the margins and the pairs are closed by exact tests of
    their partitions. Otherwise each pair has the headline's own test and Holm's control.
    """
    techniques = question.techniques
    if len(techniques) < 3:
        return None
    clustered = question.repeats == "cluster" and bool(frame["athlete"].duplicated().any())
    places = list(combinations(range(len(techniques)), 2))
    level = 1 - (1 - question.level) / len(places)
    arms = [arms_of(frame, question.outcome, i, j) for i, j in places]
    found = [
        contrast(pair, question.outcome, clustered, level, "two-sided", question.seed, budget)
        for pair in arms
    ]
    family: list[float | None]
    if clustered:
        raw, family, control = _holm(found)
        known = [p for p in family if p is not None]
        overall, overall_why = (
            (_smallest(min(known), len(frame)), "") if known else (None, "no pair has a p-value")
        )
    else:
        overall, overall_why = _overall(frame, question, range(len(techniques)), budget), ""
        if len(techniques) > MOST_CLOSED:
            raw, family, control = _holm(found)
        else:
            raw, family, control = _closed(frame, question, found, places, budget)
    pairs = []
    for (i, j), pair, one, p, family_p in zip(places, arms, found, raw, family, strict=True):
        few = min(pair.sizes) < FEWEST
        pairs.append(
            Pair(
                techniques[i],
                techniques[j],
                one.interval,
                None if few else p,
                None if few else family_p,
                one.p_why or one.interval_why,
            )
        )
    return Pairs(overall, overall_why, tuple(pairs), control)


def _overall(frame: pd.DataFrame, question: Question, places: Sequence[int], budget: Budget) -> Test:
    """Test whether the techniques at these places have one distribution of the outcome, exactly where that fits.

    Stuck or not is a table of two columns. Points and grades have an order, so a test by ranks is used for three or
    more techniques.
    """
    values = values_of(frame, question.outcome)
    arms = frame["arm"].to_numpy()
    columns = np.unique(values)
    table = [[int(((arms == place) & (values == column)).sum()) for column in columns] for place in places]
    test = freeman_halton if question.outcome == "stuck" else kruskal_wallis
    return test(table, budget=budget, seed=question.seed)


def _closed(
    frame: pd.DataFrame,
    question: Question,
    found: Sequence[Contrast],
    places: Sequence[tuple[int, int]],
    budget: Budget,
) -> tuple[list[float | None], list[float | None], str]:
    """Closed testing: each set of equal techniques by its own exact test, two techniques by the pair's."""
    by_pair: dict[tuple[int, ...], float] = {
        pair: one.test.p_value
        for pair, one in zip(places, found, strict=True)
        if one.test is not None and question.outcome != "stuck"
    }

    @cache
    def block_p(block: tuple[int, ...]) -> float:
        pair = by_pair.get(block)
        return _overall(frame, question, block, budget).p_value if pair is None else pair

    family = closed_testing(len(question.techniques), block_p)
    control = "closed testing: every set of equal techniques by its own exact test"
    return [block_p(pair) for pair in places], list(family), control


def _smallest(p: float, n: int) -> Test:
    name = "smallest family-wise p of the pairs (Holm)"
    return Test(p, "two-sided", name, n, assumes="as each pair's own test")


def _holm(found: Sequence[Contrast]) -> tuple[list[float | None], list[float | None], str]:
    raw = [None if one.test is None else one.test.p_value for one in found]
    known = [p for p in raw if p is not None]
    adjusted = iter(holm(known))
    family = [None if p is None else next(adjusted) for p in raw]
    return raw, family, "Holm 1979, over the pairs that have a p-value"
