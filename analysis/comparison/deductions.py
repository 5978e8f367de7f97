"""Points lost on the landing, per technique and as a contrast, with falls and without."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from analysis.comparison.choose import alternative_of
from analysis.comparison.headline import arms_of, contrast
from analysis.comparison.result import PointsContrast, PointsSummary, Question
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.deductions import permutation_mean_difference, rank_sum
from analysis.stats.result import Alternative


def make_deductions(
    frame: pd.DataFrame, question: Question, budget: Budget = DEFAULT
) -> tuple[tuple[PointsContrast, ...], str]:
    """Summarise the routines whose deduction is known, or say why there is nothing to summarise.

    Parameters
    ----------
    frame : DataFrame
        The rows used for outcome "deduction".

    Returns
    -------
    contrasts, why
        One contrast with falls and one without; empty with a reason where no deduction is known.
    """
    if frame.empty:
        return (), "no deduction is known for the compared techniques"
    # A landing that was not seen but has a deduction is kept as "not a fall": the fall's own points would show it.
    fall = frame["fall"].fillna(False).astype(bool)
    everything = _points(frame, "with falls", question, budget)
    if not fall.any():
        return (everything, replace(everything, falls="without falls")), ""
    return (everything, _points(frame[~fall], "without falls", question, budget)), ""


def _points(
    frame: pd.DataFrame, falls: Literal["with falls", "without falls"], question: Question, budget: Budget
) -> PointsContrast:
    summaries = tuple(_summary(frame, place, name) for place, name in enumerate(question.techniques))
    arms = arms_of(frame, "deduction")
    if min(arms.sizes) == 0:
        return PointsContrast(
            falls, summaries, None, "a technique has no routine with a known deduction", None, None, None
        )
    first, second = arms.values[arms.first], arms.values[~arms.first]
    # The plan's one-sided question is about its own outcome; these tables beside it are two-sided otherwise.
    alternative: Alternative = (
        alternative_of(question.sides) if question.outcome == "deduction" else "two-sided"
    )
    effect = permutation_mean_difference(
        first, second, alternative=alternative, level=question.level, budget=budget, seed=question.seed
    )
    rank = rank_sum(first, second, alternative=alternative, level=question.level, budget=budget)
    clustered, test = None, None
    if question.repeats == "cluster" and arms.clustered:
        found = contrast(arms, "deduction", True, question.level, alternative, question.seed, budget)
        clustered, test = found.interval, found.test
    return PointsContrast(falls, summaries, effect, "", rank, clustered, test)


def _summary(frame: pd.DataFrame, place: int, name: str) -> PointsSummary:
    here = frame[frame["arm"] == place]
    points = here["points"].astype(int).to_numpy()
    counts = tuple((value / 1000, rows) for value, rows in sorted(Counter(points.tolist()).items()))
    empty = len(points) == 0
    return PointsSummary(
        name=name,
        n=len(points),
        athletes=here["athlete"].nunique(),
        none=int((points == 0).sum()),
        mean=None if empty else float(points.sum() / len(points) / 1000),
        median=None if empty else float(np.median(points) / 1000),
        largest=None if empty else float(points.max() / 1000),
        counts=counts,
    )
