"""From a plan to its comparison: the order of evidence, one section after the other."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analysis.comparison.adjusted import make_adjusted
from analysis.comparison.deductions import make_deductions
from analysis.comparison.doubt import make_doubt
from analysis.comparison.graded import make_graded
from analysis.comparison.headline import make_beside, make_groups, make_headline
from analysis.comparison.pairs import make_pairs
from analysis.comparison.planning import make_planning
from analysis.comparison.points_parts import make_points_parts
from analysis.comparison.priors import make_priors
from analysis.comparison.result import Comparison, GradeCount, PointsContrast, Question, Source
from analysis.comparison.sample import Sample, count_repeats, draw_sample, row_counts
from analysis.comparison.selection import make_selection
from analysis.comparison.strata import make_strata
from analysis.comparison.wording import make_reading
from analysis.reading.words import cautions, words
from analysis.stats.budget import DEFAULT, Budget, Progress, no_progress
from analysis.study.plan import Plan, read_plan
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import read_sheet

SHOWN = (
    "status",
    "reason",
    "technique",
    "athlete",
    "meet",
    "round",
    "landing",
    "grade",
    "stuck",
    "points",
    "fall",
)

STEPS = 7


def compare(
    plan: Plan | str | Path, budget: Budget = DEFAULT, progress: Progress = no_progress
) -> Comparison:
    """Run a plan: read its sheet, decide who counts, compare, and say what can be said.

    Parameters
    ----------
    plan : Plan or path
        The plan, read or to be read.
    budget : Budget
        How much exact work may be done before a routine falls back and says so.
    progress : callable
        Called as progress(task, done, total).

    Returns
    -------
    Comparison

    Raises
    ------
    InputProblem
        When plan, codebook or sheet can't be used; every problem is named with its place and remedy.
    """
    progress("reading the sheet", 0, STEPS)
    if not isinstance(plan, Plan):
        plan = read_plan(plan)
    _check_language(plan)
    sheet = read_sheet(plan.sheet, codebook=plan.codebook, worksheet=plan.worksheet)
    sample = draw_sample(plan, sheet)
    question = question_of(sample)
    frame = sample.used()
    progress("comparing", 1, STEPS)
    headline = make_headline(frame, question, budget)
    groups = make_groups(frame, question)
    beside = make_beside(frame, question, budget)
    progress("deductions", 2, STEPS)
    deductions: tuple[PointsContrast, ...] = ()
    deductions_why = "the sheet has no deduction column"
    if "deduction" in sheet.rows:
        deductions, deductions_why = make_deductions(sample.used("deduction"), question, budget)
    progress("within strata and pairs", 3, STEPS)
    strata = make_strata(sample, question, headline, budget)
    pairs = make_pairs(frame, question, budget)
    progress("adjusting", 4, STEPS)
    adjusted = make_adjusted(sample, question, headline, budget)
    selection = make_selection(sample, question, groups, headline)
    progress("grades and points", 5, STEPS)
    graded = make_graded(sample, question)
    points_parts = make_points_parts(sample, question)
    priors = make_priors(sample, question)
    planning = make_planning(question, groups, headline)
    progress("other choices", 6, STEPS)
    doubt = make_doubt(sample, question, headline, budget, progress)
    repeats = count_repeats(sample)
    rows = row_counts(sample)
    meets = int(frame["meet"].nunique())
    unknown = int((sample.table["arm"] >= 0).sum()) - repeats.routines
    reading = make_reading(
        question,
        groups,
        headline,
        repeats,
        strata,
        pairs,
        deductions,
        adjusted,
        points_parts,
        doubt,
        meets,
        unknown,
    )
    progress("done", STEPS, STEPS)
    return Comparison(
        question=question,
        rows=rows,
        groups=groups,
        headline=headline,
        beside=beside,
        grades=_grades(sample, frame),
        grade_names=tuple(grade.name for grade in sheet.codebook.grades),
        deductions=deductions,
        deductions_why=deductions_why,
        repeats=repeats,
        strata=strata,
        pairs=pairs,
        adjusted=adjusted,
        selection=selection,
        graded=graded,
        points_parts=points_parts,
        priors=priors,
        planning=planning,
        doubt=doubt,
        reading=reading,
        source=_source(sample),
        table=sample.table[list(SHOWN)].copy(),
        original=sheet.original,
    )


def question_of(sample: Sample) -> Question:
    """Return the plan's question as it was matched to the sheet."""
    plan, codebook = sample.plan, sample.sheet.codebook
    return Question(
        title=plan.title,
        group=plan.group,
        techniques=sample.techniques,
        outcome=plan.outcome,
        sides=plan.sides,
        level=plan.level,
        repeats=plan.repeats,
        athlete=" and ".join(plan.athlete),
        strata=plan.strata,
        adjust=sample.adjust,
        matters=plan.matters,
        difficulty_gain=plan.difficulty_gain,
        prior=plan.prior,
        seed=plan.seed,
        discipline=codebook.discipline,
        edition=codebook.edition,
        language=plan.language,
    )


def _check_language(plan: Plan) -> None:
    """Refuse a language that isn't there, or whose file lacks a sentence, before anything is computed."""
    try:
        words(plan.language)
        cautions(plan.language)
    except (ValueError, KeyError) as problem:
        remedy = "leave the key out for English, or mend the file of words"
        raise InputProblem(
            [Problem(str(plan.path), None, "study.language", plan.language, str(problem), remedy)]
        ) from problem


def _grades(sample: Sample, frame: pd.DataFrame) -> tuple[GradeCount, ...]:
    """Count the used routines per technique and landing category, categories that occur nowhere left out."""
    names = [grade.name for grade in sample.sheet.codebook.grades if (frame["landing"] == grade.name).any()]
    return tuple(
        GradeCount(technique, name, int(((frame["arm"] == place) & (frame["landing"] == name)).sum()))
        for place, technique in enumerate(sample.techniques)
        for name in names
    )


def _source(sample: Sample) -> Source:
    """Name the inputs by file name and hash: a full path would tell about the machine, not about the study."""
    plan, sheet = sample.plan, sample.sheet
    codebook = sheet.codebook
    return Source(
        sheet=Path(sheet.path).name,
        sheet_sha256=sheet.sha256,
        plan=Path(plan.path).name,
        plan_sha256=plan.sha256,
        codebook=Path(codebook.path).name if codebook.path else codebook.name,
        codebook_sha256=codebook.sha256,
    )
