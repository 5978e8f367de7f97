"""Tables for a spreadsheet: csv, and a workbook with one table a sheet. No cell can ever be a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter

from analysis.publish.numbers import machine, plain_number
from analysis.publish.style import NumberStyle
from analysis.publish.tables import Table
from analysis.study.archive import settle

HOSTILE = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""A cell of text that starts so could be run as a formula; in csv it gets an apostrophe in front."""


def csv_text(lines: Iterable[Sequence[str]], separator: str = ",") -> bytes:
    """Lines as csv that spreadsheets read as UTF-8 (with its mark at the start)."""
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\r\n").writerows(lines)
    return out.getvalue().encode("utf-8-sig")


NUMBER = re.compile(r"[-+]?[0-9]+([.,][0-9]+)?")


def guarded(text: str) -> str:
    """A text cell for csv: an apostrophe in front of what a spreadsheet could run; a signed number is let be.

    >>> guarded("=cmd()"), guarded("stuck"), guarded(" @x"), guarded("-0.1")
    ("'=cmd()", 'stuck', "' @x", '-0.1')
    """
    if NUMBER.fullmatch(text) or not text.lstrip(" ").startswith(HOSTILE):
        return text
    return f"'{text}"


def csv_table(table: Table) -> bytes:
    """One table; a plain number in a numeric column is written without thousands marks and with a plain minus.

    Numbers have decimal points and cells are separated by commas, unless the table's style asks for decimal commas.
    """
    comma = table.style.csv_comma
    lines = [[guarded(name) for name in table.header]]
    for row in table.rows:
        cells = []
        for cell, numeric in zip(row, table.numeric, strict=True):
            number = machine(cell, table.style) if numeric else None
            cells.append(guarded(cell) if number is None else number.replace(".", "," if comma else "."))
        lines.append(cells)
    return csv_text(lines, ";" if comma else ",")


def workbook(tables: Sequence[Table]) -> bytes:
    """All tables as xlsx; numbers are numbers that show the same digits, everything else is text."""
    book = Workbook(write_only=True)
    taken: set[str] = set()
    for table in tables:
        name = re.sub(r"[^A-Za-z0-9 ]", " ", table.key)[:28].strip().capitalize()
        if name in taken:
            raise ValueError(f"two tables are called {name!r}")
        taken.add(name)
        sheet = book.create_sheet(name)
        for place in range(len(table.header)):
            longest = max(len(row[place]) for row in (table.header, *table.rows))
            sheet.column_dimensions[get_column_letter(place + 1)].width = min(max(10, longest + 2), 60)
        sheet.freeze_panes = "A4"
        sheet.append([_text(sheet, table.title, bold=True)])
        sheet.append([])
        sheet.append(
            [
                _text(sheet, cell, True, numeric, True)
                for cell, numeric in zip(table.header, table.numeric, strict=True)
            ]
        )
        for row in table.rows:
            sheet.append(
                [
                    _cell(sheet, cell, numeric, table.style)
                    for cell, numeric in zip(row, table.numeric, strict=True)
                ]
            )
        sheet.append([])
        for note in table.notes:
            sheet.append([_text(sheet, note)])
    out = io.BytesIO()
    book.save(out)
    return settle(out.getvalue())


def _text(
    sheet: object, words: str, bold: bool = False, right: bool = False, ruled: bool = False
) -> WriteOnlyCell:
    cell = WriteOnlyCell(sheet, value=_storable(words))
    cell.data_type = "s"  # set after the value: a text that starts with = stays a text
    cell.quotePrefix = True
    cell.font = Font(bold=bold)
    if right:
        cell.alignment = Alignment(horizontal="right")
    if ruled:
        cell.border = Border(bottom=Side(style="thin"))
    return cell


def _cell(sheet: object, words: str, numeric: bool, style: NumberStyle) -> WriteOnlyCell:
    number = plain_number(words, style) if numeric else None
    if number is None:
        return _text(sheet, words, right=numeric)
    value, digits = number
    cell = WriteOnlyCell(sheet, value=int(value) if digits == 0 else value)
    # The spreadsheet puts in the marks of its own language; whether there are any is told by the format.
    whole = "" if words.startswith(style.decimal) else "#,##0" if style.marks.group in words else "0"
    cell.number_format = whole + ("." + "0" * digits if digits else "")
    return cell


def _storable(text: str) -> str:
    """Drop the control characters that the format can't hold."""
    return "".join(c for c in text if c >= " " or c in "\t\n")[:32767]
