"""Who does which technique, and how strong a hidden advantage would have to be to explain the difference."""

from __future__ import annotations

import pandas as pd

from analysis.comparison.columns import is_number
from analysis.comparison.evidence import Selection
from analysis.comparison.result import Group, Headline, Question
from analysis.comparison.sample import BEFORE_LANDING, Sample, before_landing
from analysis.stats.balance import Balance, balance
from analysis.stats.ratio_limits import ratio_from_limits
from analysis.stats.robustness import EValue, Tipping, e_value, tipping

KNOWN = ("difficulty", "execution", "round", "meet", "team")
"""Columns of a sheet that may tell who chose which technique, where the sheet has them."""

MOST_VALUES = 40
"""A column of names with more values than this (athletes, clips) tells nothing about a choice."""

FAULTS_INSIDE = (
    "A published execution score holds the landing's own deduction; where the sheet has both, the deduction is given "
    f'back first ("{BEFORE_LANDING}").'
)


def make_selection(
    sample: Sample, question: Question, groups: tuple[Group, ...], headline: Headline
) -> Selection | None:
    """Compare what is known of the routines of both techniques; None where one has no routine."""
    frame = sample.used()
    frame = frame[frame["arm"].isin([0, 1])]
    first = (frame["arm"] == 0).to_numpy()
    if not len(frame) or first.all() or not first.any():
        return None
    columns, notes = _columns(sample, frame, question)
    found: Balance | None = balance(first, columns, (headline.first, headline.second)) if columns else None
    strength, why = _e_value(question, groups)
    limits = headline.interval
    table: tuple[Tipping, ...] = ()
    if limits is not None and headline.unit != "probability" and question.sides == "two":
        kind = "stuck" if headline.unit == "proportion" else "points"
        table = tipping(limits.estimate, limits.low, limits.high, kind=kind)
    return Selection(found, strength, why, table, tuple(notes))


def _columns(
    sample: Sample, frame: pd.DataFrame, question: Question
) -> tuple[dict[str, list[object]], list[str]]:
    """The known columns and those that the plan adjusts for, as plain values (None where missing)."""
    rows = sample.sheet.rows
    notes: list[str] = []
    columns: dict[str, list[object]] = {}
    for name in dict.fromkeys((*KNOWN, *question.adjust)):
        if name == "execution" and "deduction" in rows and "execution" in rows:
            name, values = BEFORE_LANDING, before_landing(sample.sheet)
            notes.append(FAULTS_INSIDE)
        elif name == BEFORE_LANDING and name not in rows:
            values = before_landing(sample.sheet)
        elif name in rows:
            values = rows[name]
        else:
            continue
        if name == question.group or name in columns:
            continue
        here = values.reindex(frame.index)
        if here.notna().sum() == 0:
            continue
        if is_number(here):
            columns[name] = [None if pd.isna(value) else float(value) / 1000 for value in here]
        elif here.nunique() <= MOST_VALUES:
            columns[name] = [None if pd.isna(value) else str(value) for value in here]
        else:
            notes.append(f"{name} has {here.nunique()} values, too many to compare one by one.")
    return columns, notes


def _e_value(question: Question, groups: tuple[Group, ...]) -> tuple[EValue | None, str]:
    """The E-value of the ratio of stuck rates, with limits that belong to the limits of both rates."""
    if question.outcome != "stuck":
        return None, 'an E-value needs the ratio of two rates, so only outcome "stuck" has one'
    if question.sides != "two":
        return None, "the question is one-sided"
    one, two = groups[:2]
    if not one.n or not two.n:
        return None, "one technique has no routine"
    ratio = ratio_from_limits(one.x / one.n, one.low, one.high, two.x / two.n, two.low, two.high)
    if ratio is None:
        return None, "no routine was stuck, so there is no ratio of rates"
    return e_value(*ratio), ""
