"""Points lost taken apart: how often, how much when any, for the same mix, and against a difference in difficulty."""

from __future__ import annotations

import math
from typing import Literal

import pandas as pd

from analysis.comparison.columns import code_columns, complete
from analysis.comparison.evidence import PointsParts
from analysis.comparison.headline import Arms, arms_of
from analysis.comparison.result import Question
from analysis.comparison.sample import Sample
from analysis.reading.claim import FEWEST
from analysis.reading.sentences import trade_sentence
from analysis.stats.overlap import overlap
from analysis.stats.result import Interval
from analysis.stats.standardised_points import standardised_points
from analysis.stats.trade import trade
from analysis.stats.two_part import two_part


def make_points_parts(sample: Sample, question: Question) -> tuple[PointsParts, ...]:
    """Take the deductions apart, with falls and without; nothing where the sheet has no deduction."""
    if "deduction" not in sample.sheet.rows:
        return ()
    frame = complete(sample.used("deduction"), ())
    falls = frame["fall"].fillna(False).astype(bool)
    made = [_parts("with falls", frame, question)]
    if falls.any():
        made.append(_parts("without falls", frame[~falls], question))
    return tuple(made)


def _parts(
    falls: Literal["with falls", "without falls"], frame: pd.DataFrame, question: Question
) -> PointsParts:
    arms = arms_of(frame, "deduction")
    if min(arms.sizes) < FEWEST:
        why = f"fewer than {FEWEST} routines in a group ({arms.sizes[0]} and {arms.sizes[1]})"
        return PointsParts(falls, None, None, None, "", why)
    units = _units(arms, question)
    parts = two_part(arms.values, arms.first, athlete=units, level=question.level)
    standardised, why = _standardised(frame, question)
    deal, reading = None, ""
    if question.difficulty_gain is not None:
        gain = question.difficulty_gain
        deal = trade(arms.values, arms.first, gain, athlete=units, level=question.level)
        if not math.isnan(deal.net.low):
            reading = trade_sentence(
                first=question.techniques[0],
                second=question.techniques[1],
                gain=gain,
                saved=deal.saved.estimate,
                net=deal.net.estimate,
                limits=(deal.net.low, deal.net.high),
                confidence=deal.confidence,
                level=question.level,
                falls=falls,
                language=question.language,
            )
    return PointsParts(falls, parts, standardised, deal, reading, why)


def _units(arms: Arms, question: Question) -> list[str] | None:
    return arms.athletes.tolist() if question.repeats == "cluster" and arms.clustered else None


def _standardised(frame: pd.DataFrame, question: Question) -> tuple[Interval | None, str]:
    """The difference in mean points for the same mix, or why there is none; nothing where no column is named."""
    if not question.adjust:
        return None, ""
    whole = complete(frame, question.adjust)
    arms = arms_of(whole, "deduction")
    coded = code_columns(whole, question.adjust)
    if coded.why or min(arms.sizes) < FEWEST:
        return None, coded.why or "too few routines have a value in every column"
    found = overlap(arms.first, coded.X, names=coded.names)
    if not found.enough:
        return None, found.why
    answer = standardised_points(
        arms.values, arms.first, coded.X, level=question.level, athlete=_units(arms, question)
    )
    return answer, answer.why
