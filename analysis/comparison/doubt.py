"""The headline under other choices, side by side: what re-runs the analysis lives here."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.comparison.choose import alternative_of
from analysis.comparison.headline import Arms, arms_of, interval_of
from analysis.comparison.result import Alternative, Doubt, Headline, Outcome, Question
from analysis.comparison.sample import Sample
from analysis.reading.claim import FEWEST, claim_of
from analysis.stats.budget import DEFAULT, Budget, Progress, no_progress
from analysis.stats.result import Alternative as Sides

MOST_ATHLETES = 200
"""Past this many athletes, one of them can't carry the finding, and leaving out each in turn is not run."""


def make_doubt(
    sample: Sample,
    question: Question,
    headline: Headline,
    budget: Budget = DEFAULT,
    progress: Progress = no_progress,
) -> Doubt | None:
    """Re-run the headline under other choices; None where the headline has no interval."""
    if headline.interval is None:
        return None
    alternatives = [
        _alternative(what, arms_of(frame, outcome), outcome, repeats, question, budget)
        for what, frame, outcome, repeats in _choices(sample, question)
    ]
    low, high, claims, runs = _leave_one_out(sample.used(), question, headline, budget, progress)
    return Doubt(tuple(alternatives), low, high, claims, runs)


def _alternative(
    what: str, arms: Arms, outcome: Outcome, repeats: str, question: Question, budget: Budget
) -> Alternative:
    """Return the two-sided interval of one other choice and the claim that it supports."""
    n = len(arms.values)
    if min(arms.sizes) == 0:
        return Alternative(what, n, None, None, None, "not shown")
    found = interval_of(arms, outcome, repeats == "cluster", question.level, "two-sided", budget)
    if math.isnan(found.low):
        return Alternative(what, n, found.estimate, None, None, "not shown")
    few = min(arms.sizes) < FEWEST
    claim = "not shown" if few else claim_of(found.low, found.high, question.matters)
    return Alternative(what, n, found.estimate, found.low, found.high, claim)


def _choices(sample: Sample, question: Question) -> list:
    """List (what, rows, outcome, repeats) for each other choice that this sheet allows."""
    here = question.outcome
    choices = []
    returning = sample.used(repeats="all")["athlete"].duplicated().any()
    words = {
        "first": "the first routine of each athlete only",
        "cluster": "all routines, athletes as units",
        "all": "all routines, as if each were another athlete's",
    }
    if returning:
        choices += [
            (words[repeats], sample.used(repeats=repeats), here, repeats)
            for repeats in words
            if repeats != question.repeats
        ]
    if here == "stuck":
        frame = sample.used()
        if frame["grade"].notna().all() and frame["grade"].nunique() > 2:
            milder = frame.assign(stuck=frame["grade"].astype(int) <= _smallest_step(sample))
            choices.append(("stuck or one small step counts", milder, here, question.repeats))
        clean = sample.used("deduction")
        if len(clean):
            none = clean.assign(stuck=clean["points"].astype(int) == 0)
            choices.append(("no landing deduction at all counts", none, here, question.repeats))
    if here == "deduction":
        frame = sample.used()
        kept = frame[~frame["fall"].fillna(False).astype(bool)]
        if len(kept) < len(frame):
            choices.append(("without falls", kept, here, question.repeats))
    return choices


def _smallest_step(sample: Sample) -> int:
    """Return the grade just below the stuck ones in the codebook's order."""
    grades = sample.sheet.codebook.grades
    return sum(1 for grade in grades if grade.stuck)


def _leave_one_out(
    frame: pd.DataFrame, question: Question, headline: Headline, budget: Budget, progress: Progress
) -> tuple[float | None, float | None, int, int]:
    """Return the range of the estimate with each athlete left out, how often the claim changes, and the runs."""
    arms = arms_of(frame, question.outcome)
    people = list(dict.fromkeys(arms.athletes))
    if not 2 < len(people) <= MOST_ATHLETES:
        return None, None, 0, 0
    estimates, changed = [], 0
    # Athletes with the same record give the same answer, so each record is run once.
    seen: dict[tuple, tuple[float, str]] = {}
    for done, person in enumerate(people):
        progress("leaving out each athlete", done, len(people))
        gone = arms.athletes == person
        record = tuple(sorted(zip(arms.first[gone].tolist(), arms.values[gone].tolist(), strict=True)))
        if record not in seen:
            rest = Arms(arms.values[~gone], arms.first[~gone], arms.athletes[~gone])
            seen[record] = _without(rest, question, budget)
        estimate, claim = seen[record]
        if math.isnan(estimate):
            continue
        estimates.append(estimate)
        changed += claim != headline.claim
    progress("leaving out each athlete", len(people), len(people))
    if not estimates:
        return None, None, 0, 0
    return float(np.min(estimates)), float(np.max(estimates)), changed, len(estimates)


def _without(arms: Arms, question: Question, budget: Budget) -> tuple[float, str]:
    """Return the estimate and the claim of what is left; NaN where one technique has gone."""
    if min(arms.sizes) == 0:
        return math.nan, "not shown"
    alternative: Sides = alternative_of(question.sides)
    clustered = question.repeats == "cluster"
    interval = interval_of(arms, question.outcome, clustered, question.level, alternative, budget)
    if min(arms.sizes) < FEWEST:
        return interval.estimate, "not shown"
    return interval.estimate, claim_of(interval.low, interval.high, question.matters)
