"""The tables of points lost taken apart: how often, how much when any, and the trade against difficulty."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.comparison.evidence import PointsParts
from analysis.publish import numbers
from analysis.publish.measure_tables import Measure, measure, measures_table
from analysis.publish.tables import Table, sentence, table_of
from analysis.stats.two_part import TwoPart


def parts_tables(found: Sequence[PointsParts], first: str, second: str, level: float) -> list[Table]:
    """The two parts of the deduction, and the trade where the plan gives a difference in difficulty value."""
    tables = []
    if any(part.parts is not None for part in found):
        tables.append(_parts(found, first, second, level))
    if any(part.trade is not None for part in found):
        tables.append(_trade(found, first, level))
    return tables


def _parts(found: Sequence[PointsParts], first: str, second: str, level: float) -> Table:
    measures: list[Measure] = []
    notes = []
    for part in found:
        made = part.parts
        if made is None:
            notes.append(sentence(part.why, f"{numbers.capital(part.falls)}"))
            continue
        often, much = made.how_often, made.how_much
        measures += [
            measure("Share with any deduction", often, "proportion", routines=part.falls),
            measure("Mean when any", much, "points", routines=part.falls),
            measure("Mean of all routines", made.whole, "points", routines=part.falls),
        ]
        if part.standardised is not None:
            name = "Mean of all routines, for the same mix"
            measures.append(measure(name, part.standardised, "points", routines=part.falls))
        notes.append(_shares(part, made, (first, second)))
        notes += [sentence(text) for text in dict.fromkeys((much.why, made.why, part.why)) if text]
    notes.append(
        "First technique minus second. “When any” compares routines that lost something: other athletes on other days "
        "in each technique."
    )
    return measures_table(
        "points_parts",
        "Points lost: how often, and how much when any",
        level,
        measures,
        notes,
        "Difference in",
    )


def _shares(part: PointsParts, made: TwoPart, names: tuple[str, str]) -> str:
    said = []
    for name, (x, n), mean in zip(names, made.lost, made.amounts, strict=True):
        when_any = "" if math.isnan(mean) else f", {numbers.points(mean)} points when any"
        said.append(f"{name} {numbers.of(x, n)} with a deduction{when_any}")
    words = f"{numbers.capital(part.falls)}: {'; '.join(said)}."
    if math.isnan(made.from_how_often) or math.isnan(made.from_how_much):
        return words
    return (
        f"{words} Of the difference in means {numbers.points(made.from_how_often)} points come from how often, "
        f"{numbers.points(made.from_how_much)} from how much."
    )


def _trade(found: Sequence[PointsParts], first: str, level: float) -> Table:
    lines = []
    notes = [
        "The confidence that the trade pays is the level at which the interval of the net gain just touches 0, read as "
        "a confidence: it isn't the chance that it will pay, and it supposes that the routines are like those to come.",
    ]
    for part in found:
        deal = part.trade
        if deal is None:
            continue
        for name, interval in (
            ("Saved on the landing", deal.saved),
            ("Net gain", deal.net),
            ("Difficulty gain at which it is even", deal.break_even),
        ):
            lines.append(
                (
                    name,
                    part.falls,
                    numbers.points(interval.estimate),
                    numbers.limits(interval.low, interval.high, "points", deal.n),
                    numbers.amount(deal.confidence, "percent", 100) if interval is deal.net else "",
                )
            )
        notes.append(sentence(deal.why, part.falls))
    gain = next(part.trade.gain for part in found if part.trade is not None)
    header = (
        "Points per routine",
        "Routines",
        "Estimate",
        f"{numbers.level(level)} limits",
        "Confidence that it pays, %",
    )
    return table_of(
        "trade",
        f"Difficulty value against the landing: {numbers.points(gain)} points more for {first}",
        header,
        lines,
        (0, 1),
        notes,
    )
