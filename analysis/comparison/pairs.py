"""Three or more techniques: an overall test, then every pair with the family-wise error held."""

from __future__ import annotations

from itertools import combinations

import pandas as pd

from analysis.comparison.headline import arms_of, contrast
from analysis.comparison.result import Pair, Pairs, Question
from analysis.reading.claim import FEWEST
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.many_groups import all_pairs, freeman_halton, holm
from analysis.stats.result import Test

MOST_CLOSED = 6
"""Closed testing visits every partition of the techniques (Bell numbers: 203 for six); past it, Holm."""


def make_pairs(frame: pd.DataFrame, question: Question, budget: Budget = DEFAULT) -> Pairs | None:
    """Compare every pair of three or more techniques; None for two.

    With stuck as outcome and no athlete coming back, the overall test is the exact r x c test and the pairs are
    closed by exact tests of their partitions. Otherwise each pair has the headline's own test and Holm's control.
    """
    techniques = question.techniques
    if len(techniques) < 3:
        return None
    clustered = question.repeats == "cluster" and bool(frame["athlete"].duplicated().any())
    places = list(combinations(range(len(techniques)), 2))
    level = 1 - (1 - question.level) / len(places)
    found = [
        contrast(
            arms_of(frame, question.outcome, i, j),
            question.outcome,
            clustered,
            level,
            "two-sided",
            question.seed,
            budget,
        )
        for i, j in places
    ]
    overall: Test | None = None
    overall_why = ""
    if question.outcome == "stuck" and not clustered:
        stuck, total = _counts(frame, len(techniques))
        overall = freeman_halton(
            [[x, n - x] for x, n in zip(stuck, total, strict=True)], budget=budget, seed=question.seed
        )
        if len(techniques) <= MOST_CLOSED:
            closed = all_pairs(list(zip(stuck, total, strict=True)))
            raw: list[float | None] = list(closed.p_values)
            family: list[float | None] = list(closed.family_p_values)
            control = closed.control
        else:
            raw, family, control = _holm(found)
    else:
        raw, family, control = _holm(found)
        known = [p for p in family if p is not None]
        if known:
            overall = Test(
                min(known),
                "two-sided",
                "smallest family-wise p of the pairs (Holm)",
                len(frame),
                assumes="as each pair's own test",
            )
        else:
            overall_why = "no pair has a p-value"
    pairs = []
    for (i, j), one, p, family_p in zip(places, found, raw, family, strict=True):
        few = min(arms_of(frame, question.outcome, i, j).sizes) < FEWEST
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


def _counts(frame: pd.DataFrame, techniques: int) -> tuple[list[int], list[int]]:
    stuck, total = [], []
    for place in range(techniques):
        here = frame[frame["arm"] == place]
        stuck.append(int(here["stuck"].astype(int).sum()))
        total.append(len(here))
    return stuck, total


def _holm(found: list) -> tuple[list[float | None], list[float | None], str]:
    raw = [None if one.test is None else one.test.p_value for one in found]
    known = [p for p in raw if p is not None]
    adjusted = iter(holm(known))
    family = [None if p is None else next(adjusted) for p in raw]
    return raw, family, "Holm 1979, over the pairs that have a p-value"
