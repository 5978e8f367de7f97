"""The landing as an ordered outcome: every category counts, not only stuck or not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.comparison.columns import code_columns, complete
from analysis.comparison.evidence import Cut, Graded
from analysis.comparison.result import Question
from analysis.comparison.sample import Sample
from analysis.reading.claim import FEWEST
from analysis.reading.sentences import graded_sentence
from analysis.stats.ordinal import (
    better_by_a_grade,
    cuts,
    proportional_odds,
    proportionality,
    stratified_rank,
)
from analysis.stats.result import Fit, Test


def make_graded(sample: Sample, question: Question) -> Graded | None:
    """Compare all landing categories at once; None where the sheet has no grades for both techniques."""
    if "landing" not in sample.sheet.rows:
        return None
    frame = complete(sample.used("landing grade"), ())
    first = (frame["arm"] == 0).to_numpy()
    if min(first.sum(), (~first).sum()) < FEWEST or frame["grade"].nunique() < 3:
        return None
    grade = frame["grade"].astype(int).to_numpy()
    athletes = frame["athlete"].tolist()
    clustered = question.repeats == "cluster" and len(set(athletes)) < len(athletes)
    units = athletes if clustered else None
    named = sample.sheet.codebook.grades
    found = cuts(grade, first, level=question.level, athlete=units)
    present = sorted(set(grade.tolist()))[:-1]
    shares = better_by_a_grade(grade, first, level=question.level, athlete=units)
    fit, check, why = _model(frame, question, units)
    rank, basis = _rank(sample, question)
    return Graded(
        fit=fit,
        check=check,
        rank=rank,
        rank_basis=basis,
        shares=shares,
        cuts=tuple(Cut(named[k].name, interval) for k, interval in zip(present, found, strict=True)),
        reading=graded_sentence(
            first=question.techniques[0],
            second=question.techniques[1],
            first_better=shares.first_better.estimate,
            second_better=shares.second_better.estimate,
            tie=shares.tie.estimate,
            n=len(grade),
            language=question.language,
        ),
        why=why,
    )


def _model(
    frame: pd.DataFrame, question: Question, units: list[str] | None
) -> tuple[Fit | None, Test | None, str]:
    """The proportional-odds fit of the turned grade (a better landing is higher), and the check of the model."""
    whole = complete(frame, tuple(name for name in question.adjust if name in frame))
    coded = code_columns(whole, question.adjust)
    first = (whole["arm"] == 0).to_numpy()
    if coded.why:
        return None, None, coded.why
    if first.all() or not first.any() or whole["grade"].nunique() < 2:
        return None, None, "too few routines have a value in every column"
    better = _better(whole)
    design = np.column_stack([first.astype(float), coded.X])
    names = (question.techniques[0], *coded.labels)
    athlete = whole["athlete"].tolist() if units is not None else None
    fit = proportional_odds(better, design, level=question.level, names=names, athlete=athlete)
    return fit, proportionality(better, design, seed=question.seed), ""


def _rank(sample: Sample, question: Question) -> tuple[Test | None, str]:
    """The exact rank test within strata: on first routines only, because it takes routines as independent."""
    if not question.strata:
        return None, ""
    frame = complete(sample.used("landing grade", repeats="first"), ())
    frame = frame[frame["stratum"].notna()]
    first = (frame["arm"] == 0).to_numpy()
    if first.all() or not first.any():
        return None, ""
    basis = f"each athlete's first routine, {len(frame)} routines, within {' and '.join(question.strata)}"
    better = _better(frame)
    return stratified_rank(better, first, frame["stratum"].tolist(), seed=question.seed), basis


def _better(frame: pd.DataFrame) -> np.ndarray:
    """The grades that occur, numbered so that a better landing is higher; what never occurs has no number."""
    _, place = np.unique(-frame["grade"].astype(int).to_numpy(), return_inverse=True)
    return place.reshape(-1)
