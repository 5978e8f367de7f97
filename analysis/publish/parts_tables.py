"""The tables of points lost taken apart: how often, how much when any, and the trade against difficulty."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.comparison.evidence import PointsParts
from analysis.publish import numbers
from analysis.publish.tables import Table, contrast_header, measure_line, sentence, table_of


def parts_tables(found: Sequence[PointsParts], first: str, second: str, level: float) -> list[Table]:
    """The two parts of the deduction, and the trade where the plan gives a difference in difficulty value."""
    tables = []
    if any(part.parts is not None for part in found):
        tables.append(_parts(found, first, second, level))
    if any(part.trade is not None for part in found):
        tables.append(_trade(found, first, level))
    return tables


def _parts(found: Sequence[PointsParts], first: str, second: str, level: float) -> Table:
    lines, notes = [], []
    for part in found:
        made = part.parts
        if made is None:
            notes.append(sentence(part.why, f"{numbers.capital(part.falls)}"))
            continue
        often, much = made.how_often, made.how_much
        lines.append(measure_line(f"Any deduction, {part.falls}: difference", often, "proportion", ""))
        lines.append(measure_line(f"Mean when any, {part.falls}: difference", much, "points", ""))
        lines.append(
            measure_line(f"Mean of all routines, {part.falls}: difference", made.whole, "points", "")
        )
        if part.standardised is not None:
            name = f"The same for the same mix, {part.falls}: difference"
            lines.append(measure_line(name, part.standardised, "points", ""))
        shares = "; ".join(
            f"{name} {numbers.of(x, n)} with a deduction, {numbers.points(amount)} points when any"
            for name, (x, n), amount in zip((first, second), made.lost, made.amounts, strict=True)
        )
        notes.append(
            f"{numbers.capital(part.falls)}: {shares}. Of the difference in means "
            f"{numbers.points(made.from_how_often)} points come from how often, {numbers.points(made.from_how_much)} "
            "from how much."
        )
        notes += [sentence(text) for text in dict.fromkeys((much.why, made.why, part.why)) if text]
    notes.append(
        "First technique minus second. “When any” compares routines that lost something: other athletes on other days "
        "in each technique."
    )
    return table_of(
        "points_parts",
        "Points lost: how often, and how much when any",
        contrast_header(level),
        lines,
        (0, 4),
        notes,
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
        n = deal.n
        for name, interval in (
            ("points saved on the landing", deal.saved),
            ("net gain per routine", deal.net),
            ("difficulty gain at which it is even", deal.break_even),
        ):
            confidence = numbers.percent(deal.confidence, 100) if name.startswith("net") else ""
            lines.append(
                (
                    f"{numbers.capital(part.falls)}: {name}, points",
                    numbers.points(interval.estimate),
                    numbers.limits(interval.low, interval.high, "points", n),
                    confidence,
                )
            )
        notes.append(sentence(deal.why, part.falls))
    gain = next(part.trade.gain for part in found if part.trade is not None)
    header = ("Per routine", "Estimate", f"{numbers.level(level)} limits", "Confidence that it pays")
    return table_of(
        "trade",
        f"Difficulty value against the landing: {numbers.points(gain)} points more for {first}",
        header,
        lines,
        notes=notes,
    )
