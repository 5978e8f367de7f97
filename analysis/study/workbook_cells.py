"""How the coding workbook looks, and cells that can't turn into formulas: shared by its pages."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.utils import get_column_letter

from analysis.study.archive import settle

INK, RULE = "27403C", "C9D6D2"
"""Text of headings; hairlines."""
WHO_HEAD, CODED, OTHER = "D5E3DF", "F2DFBF", "E6E7EA"
"""Heads of the columns that say who, that are coded from the video, and all others."""
BAND, TO_DO, MISFIT = "F5F8F7", "FBF1DE", "EFB9A4"
"""Every second row; a code that is still to come; points that don't fit the landing."""


@lru_cache
def fill(colour: str) -> PatternFill:
    """One plain colour, also where a condition sets it."""
    return PatternFill("solid", start_color=colour, end_color=colour)


@lru_cache
def hairline() -> Border:
    """The line under a row."""
    return Border(bottom=Side(style="thin", color=RULE))


def put_text(cell: Any, text: str, **look: Any) -> None:
    """Write a text that stays a text, whatever it begins with; what the format can't hold is dropped."""
    kept = "".join(c for c in text if c >= " " or c in "\t\n")[:32767]
    if kept:
        cell.value = kept
        cell.data_type = "s"  # set after the value, which made a formula of "=..."
        cell.quotePrefix = kept[0] in ("=", "+", "-", "@")
    _dress(cell, **look)


def put_number(cell: Any, value: int | float, number_format: str = "General", **look: Any) -> None:
    """Write a number."""
    cell.value = value
    cell.number_format = number_format
    _dress(cell, **look)


def put_known(cell: Any, variable: str, text: str, centre: bool = False) -> None:
    """Write what is known before coding (or a blank): a start order as a number, all else as text."""
    if variable == "start order" and text.isascii() and text.isdigit() and len(text) < 6:
        put_number(cell, int(text), ruled=True, centre=centre)
    else:
        put_text(cell, text, ruled=True, centre=centre)


def put_formula(cell: Any, formula: str, number_format: str = "General", **look: Any) -> None:
    """Write a formula of ours."""
    cell.value = formula
    cell.number_format = number_format
    _dress(cell, **look)


def _dress(
    cell: Any,
    bold: bool = False,
    colour: str = "",
    size: int = 11,
    wrap: bool = False,
    ruled: bool = False,
    centre: bool = False,
) -> None:
    cell.font = _font(size, bold)
    cell.alignment = _alignment(centre, wrap)
    if colour:
        cell.fill = fill(colour)
    if ruled:
        cell.border = hairline()


@lru_cache
def _font(size: int, bold: bool) -> Font:
    return Font(name="Calibri", size=size, bold=bold, color=INK)


@lru_cache
def _alignment(centre: bool, wrap: bool) -> Alignment:
    return Alignment(
        horizontal="center" if centre else None, vertical="top" if wrap else "center", wrap_text=wrap
    )


def widths(page: Any, sizes: Sequence[float]) -> None:
    """Set the widths of the first columns, in characters."""
    for place, size in enumerate(sizes, 1):
        page.column_dimensions[get_column_letter(place)].width = size


def fit_height(page: Any, row: int, texts: Sequence[str], sizes: Sequence[float]) -> None:
    """Make a row as high as its longest wrapped text: programs don't all do it by themselves."""
    lines = max(
        (math.ceil(1.1 * len(text) / size) for text, size in zip(texts, sizes, strict=True)), default=1
    )
    page.row_dimensions[row].height = 15.5 * max(lines, 1) + 2


def paper(page: Any, first_row: str = "") -> None:
    """Print on a wide page, all columns on one, the header on each, with page numbers."""
    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = page.PAPERSIZE_A4
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.page_margins.left = page.page_margins.right = 0.4
    page.oddFooter.center.text = "&A, page &P of &N"
    if first_row:
        page.print_title_rows = first_row


def guard(page: Any) -> None:
    """Protect a page from a slip of the hand; there is no password."""
    page.protection.sheet = True
    page.protection.formatColumns = page.protection.formatRows = False


def unlocked() -> Protection:
    """What a cell of a guarded page has that may be typed into."""
    return Protection(locked=False)


def packed(book: Workbook) -> bytes:
    """Return the workbook as xlsx without a clock in it."""
    book.properties.creator = "landing-outcomes"
    book.calculation.fullCalcOnLoad = True
    held = io.BytesIO()
    book.save(held)
    return settle(held.getvalue())
