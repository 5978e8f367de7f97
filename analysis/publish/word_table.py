"""A table of report.docx: how wide its columns are, whether it needs a page on its side, and its grid in Word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from docx.document import Document as Doc
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH, WD_TAB_ALIGNMENT
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Emu, Pt
from docx.table import Table as Grid
from docx.text.paragraph import Paragraph

from analysis.publish.tables import Table
from analysis.publish.word_styles import CELL_PADDING, CELL_SIZE, LONG_SIDE, MARGIN, SHORT_SIDE, TABLE_STYLE

UPRIGHT, SIDEWAYS = SHORT_SIDE - 2 * MARGIN, LONG_SIDE - 2 * MARGIN
"""Width of the text on an upright page and on a page on its side."""
MOST_LINES = 5
"""A table with a taller cell than this many lines goes on a page on its side, if that makes it lower."""
WHOLE = 26
"""A table of up to this many lines stands on one page; a longer one may break between rows."""
STEP = 0.01
"""Columns are widened by this share of the text's width at a time."""
NARROW, WIDE = frozenset("ijltfrI.,:;'|!()[] -"), frozenset("mwMW%@&")


@dataclass(frozen=True)
class Layout:
    """Widths of the columns and how many lines each row then has, the header first."""

    widths: tuple[int, ...]
    lines: tuple[int, ...]


@lru_cache(maxsize=20_000)
def text_width(words: str, bold: bool = False) -> int:
    """Width of words in a cell, a little on the generous side."""
    ems = sum(
        0.32 if c in NARROW else 0.87 if c in WIDE else 0.72 if c.isupper() or ord(c) > 0x2FF else 0.56
        for c in words
    )
    return int(Pt(CELL_SIZE) * ems * (1.08 if bold else 1.0))


@lru_cache(maxsize=200)
def layout(table: Table, room: int) -> Layout:
    """Divide the width among the columns: no word is broken while that can be helped, and rows stay low.

    Numbers are never broken. What is left after that is given, step by step, to the column in which it saves most,
    a row of many lines counting for more than many rows of two.
    """
    step = int(room * STEP)
    columns = [_column(table, i) for i in range(len(table.header))]
    widths = [_widest_part(cells) for cells in columns]
    steps = max(0, (room - sum(widths)) // step)
    # Heights of each column's rows at its least width, one step wider, two steps wider ...
    heights = [
        [_heights(cells, width + step * more) for more in range(steps + 1)]
        for cells, width in zip(columns, widths, strict=True)
    ]
    costs = [[sum(lines**3 for lines in one) for one in column] for column in heights]
    at = [0] * len(columns)
    while steps:
        gain, place, more = max(
            ((cost[at[i]] - cost[at[i] + more]) / more, -i, more)
            for i, cost in enumerate(costs)
            for more in range(1, steps + 1)
        )
        if gain <= 0:
            break
        at[-place] += more
        steps -= more
    widths = [width + step * more for width, more in zip(widths, at, strict=True)]
    lines = [column[more] for column, more in zip(heights, at, strict=True)]
    if sum(widths) > room:
        widths = [int(width * room / sum(widths)) for width in widths]
        lines = [_heights(cells, width) for cells, width in zip(columns, widths, strict=True)]
    return Layout(tuple(widths), tuple(max(row) for row in zip(*lines, strict=True)))


def needs_side(table: Table) -> bool:
    """Whether an upright page makes the columns so narrow that a page on its side reads better."""
    upright = layout(table, UPRIGHT)
    return max(upright.lines) > MOST_LINES and sum(layout(table, SIDEWAYS).lines) < sum(upright.lines)


def add_grid(document: Doc, table: Table, room: int) -> None:
    """Add the table with its style: its header row repeats, no row breaks, and what belongs together stays so."""
    planned = layout(table, room)
    grid = document.add_table(rows=1 + len(table.rows), cols=len(table.header))
    grid.style = document.styles[TABLE_STYLE]
    header, text = (document.styles[name].style_id for name in ("Table header", "Table text"))
    grid.alignment = WD_TABLE_ALIGNMENT.LEFT
    grid.autofit = False
    _describe(grid, table.title, planned.widths)
    whole, last = sum(planned.lines) <= WHOLE, len(table.rows)
    for i, (row, cells) in enumerate(zip(grid.rows, (table.header, *table.rows), strict=True)):
        _keep_whole(row._tr, header=i == 0)
        # A long table may break, but not after its first rows nor before its last ones.
        tied = bool(table.notes) if i == last else whole or i < 3 or i >= last - 2
        for place, cell in enumerate(row._tr.tc_lst):
            cell.width = planned.widths[place]
            paragraph = Paragraph(cell.p_lst[0], grid)
            # The style by its id: looking it up for every cell takes longer than all the rest.
            paragraph._p.style = text if i else header
            _align(paragraph, table, place, cells[place], planned.widths[place], header=i == 0)
            paragraph.add_run(cells[place])
            if tied:
                paragraph.paragraph_format.keep_with_next = True
    for column, width in zip(grid.columns, planned.widths, strict=True):
        column.width = Emu(width)


def _column(table: Table, place: int) -> list[tuple[str, bool, bool]]:
    """The cells of a column, header first: words, whether bold, whether they may be broken."""
    numeric = table.numeric[place]
    body = [(row[place], False, not numeric) for row in table.rows]
    return [(table.header[place], True, True), *body]


def _widest_part(cells: Sequence[tuple[str, bool, bool]]) -> int:
    parts = [
        text_width(part, bold)
        for words, bold, breaks in cells
        for part in (words.split() if breaks else [words])
    ]
    return max(parts, default=0) + CELL_PADDING * 2


def _heights(cells: Sequence[tuple[str, bool, bool]], width: int) -> list[int]:
    return [_lines(words, width - CELL_PADDING * 3 // 2, bold) for words, bold, _ in cells]


def _lines(words: str, room: int, bold: bool) -> int:
    """How many lines words take, broken between words, and within one that is wider than the room."""
    lines, used, space = 1, 0, text_width(" ", bold)
    for word in words.split():
        wide = text_width(word, bold)
        if used and used + space + wide > room:
            lines, used = lines + 1, 0
        used += wide + (space if used else 0)
        if used > room > 0:
            lines, used = lines + used // room, used % room
    return lines


def _align(paragraph: Paragraph, table: Table, place: int, words: str, width: int, header: bool) -> None:
    """Numbers stand at their decimal mark where one of the column has one, else at the right."""
    align = table.align[place]
    if align == "left":
        return
    if header or align == "right" or not _is_number(table, words):
        paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        return
    # A decimal tab in a cell works without a tab character, so that the cell's text is the number and nothing else.
    tails = [table.halves(row[place])[1] for row in table.rows]
    room = width - CELL_PADDING * 3 // 2
    stop = room - max(text_width(tail) for tail in tails)
    paragraph.paragraph_format.tab_stops.add_tab_stop(Emu(stop), WD_TAB_ALIGNMENT.DECIMAL)


def _is_number(table: Table, words: str) -> bool:
    whole, tail = table.halves(words)
    return bool(tail) or whole.lstrip("−-<> ").isdigit()


def _keep_whole(row: Any, header: bool) -> None:
    properties = row.get_or_add_trPr()
    properties.append(OxmlElement("w:cantSplit"))
    if header:
        properties.append(OxmlElement("w:tblHeader"))


def _describe(grid: Grid, title: str, widths: Sequence[int]) -> None:
    """Width, look and alternative text, in the order that the schema wants."""
    properties = grid._tbl.tblPr
    for name in ("tblW", "tblLook"):
        for found in properties.findall(qn(f"w:{name}")):
            properties.remove(found)
    width = OxmlElement("w:tblW")
    width.set(qn("w:type"), "dxa")
    width.set(qn("w:w"), str(int(Emu(sum(widths)).twips)))
    style = properties.find(qn("w:tblStyle"))
    style.addnext(width)
    look = OxmlElement("w:tblLook")
    for key, value in (("val", "0020"), ("firstRow", "1"), ("lastRow", "0"), ("firstColumn", "0")):
        look.set(qn(f"w:{key}"), value)
    for key in ("lastColumn", "noHBand", "noVBand"):
        look.set(qn(f"w:{key}"), "0" if key == "lastColumn" else "1")
    caption = OxmlElement("w:tblCaption")
    caption.set(qn("w:val"), title)
    properties.extend([look, caption])
