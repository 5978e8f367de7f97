"""Which lines below the header are routines, and which are titles, notes, sums or blank."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from analysis.study.text import key

_SUM = re.compile(
    r"(sub)?total|totals|sum|mean|average|avg|median|count|minimum|maximum|min|max|sd|n|summe|gesamt|anzahl|mittelwert|"
    r"durchschnitt|totaal|somme|moyenne|suma|media|somma|промежуточный итог|итого|среднее|σ|∑"
)
_NOTE = re.compile(r"(notes?|legend|key|source|coded by|remarks?|comments?|footnote|page [0-9]+)\b.*")
_LABELLED = re.compile(
    r"\s*(notes?|legend|key|source|coded by|remarks?|comments?|footnotes?)\s*:.*", re.IGNORECASE | re.DOTALL
)
_DATA = ("athlete", "technique", "landing", "deduction", "other faults", "difficulty", "execution")


def not_a_routine(cells: Sequence[str], columns: Mapping[str, int], header: Sequence[str]) -> str:
    """Say why a line below the header is no routine; "" when it is one. `cells` are the line's own cells.

    The rule, in this order: a blank line; the header again; a line of one cell; a line that opens with "Note:" or the
    like, or with a word such as "Total" where it names no athlete or no technique; a line prepared but not filled in
    (no athlete, technique, landing, points or score). Every other line is a routine, however little of it can be read.
    """
    filled = [(place, cell) for place, cell in enumerate(cells) if cell.strip()]
    if not filled:
        return "blank line"
    if len(filled) >= 2 and all(
        place < len(header) and _alike(cell, header[place]) for place, cell in filled
    ):
        return "the header again"
    if len(filled) == 1:
        return "a title or note: only one cell is filled"
    if _LABELLED.fullmatch(filled[0][1]):
        return "a note"
    if not _has(cells, columns, "athlete") or not _has(cells, columns, "technique"):
        opening = key(filled[0][1]).rstrip(" :=")
        if _SUM.fullmatch(opening):
            return "a line of sums"
        if _NOTE.fullmatch(opening):
            return "a note"
    if not any(_has(cells, columns, name) for name in _DATA):
        return "a prepared line without athlete, technique, landing or points"
    return ""


def _alike(cell: str, header: str) -> bool:
    return cell == header or (len(cell) < 60 and key(cell) == key(header))


def _has(cells: Sequence[str], columns: Mapping[str, int], name: str) -> bool:
    place = columns.get(name)
    return place is not None and place < len(cells) and bool(cells[place].strip())
