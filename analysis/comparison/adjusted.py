"""The contrast for the same mix of difficulty, round or whatever else the plan names, beside every other model."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from analysis.comparison.choose_model import choose_model
from analysis.comparison.columns import Coded, code_columns, complete, no_columns
from analysis.comparison.evidence import Adjusted, Model
from analysis.comparison.models import (
    Case,
    first_routines_line,
    ordered_models,
    plain_line,
    points_models,
    same_rows_line,
    stuck_models,
    within_lines,
)
from analysis.comparison.result import Headline, Question
from analysis.comparison.sample import BEFORE_LANDING, Sample
from analysis.reading.sentences import adjusted_sentence
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.overlap import Overlap, overlap
from analysis.stats.result import Fit, Interval

FEWEST_ROUTINES = 20
"""Below this many routines nothing is adjusted: each column costs information that such a sample doesn't have."""

FEW_PER_COLUMN = 10
"""Routines of the rarer outcome for each column; with fewer the report says that the model is stretched."""


def make_adjusted(
    sample: Sample, question: Question, headline: Headline, budget: Budget = DEFAULT
) -> Adjusted | None:
    """Adjust for the plan's columns and set every model beside the one that the rule chooses.

    None where the plan names no column and no athlete comes back: the headline then has no rival.
    """
    frame = complete(sample.used(), question.adjust)
    clustered = question.repeats == "cluster" and bool(frame["athlete"].duplicated().any())
    choice = choose_model(question.outcome, bool(question.adjust), clustered)
    if choice is None or headline.estimate is None:
        return None
    coded, found, refusal = _refusal(frame, question)
    case = Case(frame, question, question.outcome, coded, refusal if question.adjust else "")
    lines, fit, difference = _lines(sample, case, headline, budget)
    read = next((line for line in lines if line.key == choice.model), None)
    chosen = choice.model if read is not None and read.low is not None else ""
    models = tuple(replace(line, chosen=line.key == chosen) for line in lines)
    return Adjusted(
        columns=question.adjust,
        fit=fit,
        difference=difference if chosen == "standardised" else None,
        rows=len(frame),
        why=refusal if question.adjust else "",
        chosen=chosen,
        reason=choice.reason if chosen else "",
        drivers=_drivers(sample, case, found, models),
        models=models,
        overlap=found,
        agreement=_agreement(case, headline, models, chosen),
        changes=_changes(case, models, chosen),
    )


def _refusal(frame: pd.DataFrame, question: Question) -> tuple[Coded, Overlap | None, str]:
    """Code the columns, look whether the techniques overlap in them, and say why nothing may be adjusted."""
    empty = no_columns(len(frame))
    if not question.adjust:
        return empty, None, ""
    first = (frame["arm"] == 0).to_numpy()
    if len(frame) == 0 or first.all() or not first.any():
        return empty, None, "one technique has no routine with a value in every column"
    if len(frame) < FEWEST_ROUTINES:
        why = f"{len(frame)} routines have a value in every column, fewer than {FEWEST_ROUTINES}"
        return empty, None, why
    coded = code_columns(frame, question.adjust)
    if coded.why:
        return coded, None, coded.why
    found = overlap(first, coded.X, names=coded.names)
    return coded, found, "" if found.enough else found.why


def _lines(
    sample: Sample, case: Case, headline: Headline, budget: Budget
) -> tuple[list[Model], Fit | None, Interval | None]:
    """All lines in the order of the table, the fit whose coefficients are shown, and the difference that is read."""
    lines = [plain_line(case, headline)]
    same = same_rows_line(case, headline)
    if same is not None:
        lines.append(same)
    fit, difference = None, None
    if case.outcome == "stuck":
        found, fit, difference = stuck_models(case, budget)
    elif case.outcome == "deduction":
        found, difference = points_models(case)
    else:
        found, fit = ordered_models(case)
    lines += found
    first_only = complete(sample.used(repeats="first"), case.question.adjust)
    alone = first_routines_line(case, first_only)
    if alone is not None:
        lines.append(alone)
    # Who is compared with themself needs no column, so a gap in one costs no routine here.
    everyone = replace(case, frame=complete(sample.used(), ()), coded=no_columns(0))
    return lines + within_lines(everyone, budget), fit, difference


def _drivers(sample: Sample, case: Case, found: Overlap | None, models: tuple[Model, ...]) -> tuple[str, ...]:
    """The facts of this sample that decide which model can be trusted with it."""
    said = []
    frame, question = case.frame, case.question
    left = int(sample.used()["arm"].isin([0, 1]).sum()) - len(frame)
    if left:
        said.append(f"{left} routines have no value in one of the columns and are left out of the models")
    if case.arms.clustered:
        counts = frame["athlete"].value_counts()
        both = int((frame.groupby("athlete")["arm"].nunique() > 1).sum())
        said.append(
            f"{int((counts > 1).sum())} of {len(counts)} athletes come back, at most {int(counts.max())} times; "
            f"{both} showed both techniques"
        )
    if case.outcome == "stuck" and case.coded.labels:
        stuck = int(case.arms.values.sum())
        rarer, name = min((stuck, "stuck"), (len(frame) - stuck, "not stuck"))
        columns = len(case.coded.labels) + 1
        few = "" if rarer >= FEW_PER_COLUMN * columns else f", fewer than {FEW_PER_COLUMN} for each"
        said.append(f"{rarer} routines are {name}, for {columns} columns with the technique{few}")
    infinite = next((line for line in models if line.key == "maximum_likelihood" and line.why), None)
    if infinite is not None and not case.refusal:
        said.append(f"maximum likelihood: {infinite.why}")
    if found is not None and found.enough:
        said.append(found.summary)
    if question.adjust and "execution" in question.adjust:
        said.append(
            "where the execution score holds the landing's own deduction, adjusting for it takes part of the outcome "
            f'away; "{BEFORE_LANDING}" gives it back'
        )
    return tuple(said)


def _compared(models: tuple[Model, ...], chosen: str) -> tuple[Model, Model | None]:
    """The plain line over the same rows as the models, and the line that is read."""
    plain = next((line for line in models if line.key == "plain_same_rows"), models[0])
    return plain, next((line for line in models if line.key == chosen), None)


def _changes(case: Case, models: tuple[Model, ...], chosen: str) -> bool:
    """Whether the answer for the same mix has another sign or another claim than the plain one."""
    plain, read = _compared(models, chosen)
    if not case.question.adjust or read is None or read.estimate is None or plain.estimate is None:
        return False
    null = 1.0 if read.quantity == "odds ratio" else 0.0
    return (read.estimate - null) * plain.estimate < 0 or read.claim != plain.claim


def _agreement(case: Case, headline: Headline, models: tuple[Model, ...], chosen: str) -> str:
    """The sentence that sets the adjusted answer beside the plain one; "" where they are the same line."""
    if not case.question.adjust:
        return ""
    plain, read = _compared(models, chosen)
    return adjusted_sentence(
        columns=case.question.adjust,
        unit=headline.unit if read is None or read.quantity != "odds ratio" else "odds ratio",
        plain=plain.estimate,
        adjusted=None if read is None else (read.estimate, read.low, read.high),
        level=case.question.level,
        n=len(case.frame),
        fewer=plain.key == "plain_same_rows",
        claim=plain.claim,
        claim_adjusted="not shown" if read is None else read.claim,
        why=case.refusal,
        language=case.question.language,
    )
