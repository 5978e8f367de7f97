"""The planned contrast under each coder, side by side."""

from __future__ import annotations

import textwrap

from analysis.comparison.under_coders import ALL, BOTH, Under, UnderCoders
from analysis.publish import numbers
from analysis.publish.agreement import WIDTH, in_columns
from analysis.publish.tables import Table, table_of
from analysis.reading.numbers import NOT_ESTIMATED


def under_coders_table(under: UnderCoders) -> Table:
    """Return the contrast under each coder and under the agreed codes, and with miscoding carried through."""
    question = under.question
    means = question.outcome == "deduction"
    what = "mean deduction" if means else {"stuck": "stuck"}.get(question.outcome, "best landing")
    header = [
        "Codes of",
        "Routines",
        *(f"{name}, {what}" for name in question.techniques[:2]),
        f"Difference ({numbers.level(question.level)} limits)",
        "p",
        "Claim",
    ]
    lines = [_line(item, means) for item in under.runs]
    if under.miscoding is not None:
        shown = (
            NOT_ESTIMATED if under.miscoding_why else numbers.interval_words(under.miscoding, "proportion")
        )
        lines.append([f"miscoding carried through (right: {under.reference})", ALL, "", "", shown, "", ""])
    notes = (
        f"First minus second technique. {BOTH.capitalize()}: the same routines under each coder. {ALL.capitalize()}: "
        "the first coder's whole sheet, and the agreed sheet.",
        *(f"{item.coder}, {item.scope}: {item.why}." for item in under.runs if item.why),
        f"Miscoding: {under.miscoding_why}." if under.miscoding_why else "",
        *under.notes,
    )
    return table_of(
        "under_coders", "The comparison under each coder", header, lines, (0, 1, len(header) - 1), notes
    )


def under_coders_text(under: UnderCoders) -> str:
    """Return the same for a terminal."""
    table = under_coders_table(under)
    lines = [table.title, "", *in_columns([table.header, *table.rows], table.numeric), ""]
    for note in table.notes:
        lines += textwrap.wrap(note, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines)


def _line(item: Under, means: bool) -> list[str]:
    head = item.headline
    groups = [
        (f"{numbers.points(g.mean)}, {numbers.whole(g.n)} routines" if means else numbers.of(g.x, g.n))
        for g in item.groups[:2]
    ] or ["", ""]
    interval = None if head is None else head.interval
    shown = NOT_ESTIMATED if head is None or interval is None else numbers.interval_words(interval, head.unit)
    p = "–" if head is None or head.test is None else numbers.p_value(head.test.p_value)
    return [item.coder, item.scope, *groups, shown, p, "not shown" if head is None else head.claim]
