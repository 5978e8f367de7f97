"""Files on the way to an agreed sheet: the workbook in which disagreements are decided, and the agreed sheet itself."""

from __future__ import annotations

import io
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.properties import PageSetupProperties

from analysis.publish.spreadsheet import csv_text, guarded
from analysis.study.archive import settle
from analysis.study.codebook import NOT_SEEN, Codebook
from analysis.study.coders import Pairing
from analysis.study.decisions import COLUMNS, Decision, decision_lines, disagreements
from analysis.study.problem import InputProblem, Problem
from analysis.study.reconcile import Reconciled

FILLED_IN = ("agreed", "decided by", "why")
_WIDTHS = {"routine": 12, "round": 14, "clip": 18, "decided by": 18, "why": 40, "variable": 13, "agreed": 24}


def decisions_workbook(pairing: Pairing, decisions: tuple[Decision, ...] | None = None) -> bytes:
    """Return the list of disagreements as xlsx, with drop-down lists for what was agreed and every code as text.

    A text cell keeps 0.3 as it is; in a csv a spreadsheet may turn it into a date.
    """
    found = disagreements(pairing) if decisions is None else decisions
    header, *lines = decision_lines(pairing, found)
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Decisions"
    fill = [COLUMNS.index(name) for name in FILLED_IN]
    for row, line in enumerate([header, *lines], start=1):
        for place, text in enumerate(line):
            cell = sheet.cell(row, place + 1)
            cell.value = "".join(c for c in text if c >= " ")[:32767]
            # Set after the value: a text that starts with = stays a text.
            cell.data_type, cell.number_format, cell.quotePrefix = "s", "@", True
            cell.alignment = Alignment(wrap_text=COLUMNS[place] == "why", vertical="top")
            if place in fill:
                cell.fill = PatternFill("solid", start_color="FFF4D6")
            if row == 1:
                cell.font, cell.border = Font(name="Calibri", bold=True), Border(bottom=Side(style="thin"))
    for place, name in enumerate(COLUMNS, start=1):
        longest = max(len(line[place - 1]) for line in [header, *lines])
        wide = max(_WIDTHS.get(name, 10), min(longest + 2, 34))
        sheet.column_dimensions[get_column_letter(place)].width = wide
    sheet.freeze_panes = "B2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.print_title_rows = "1:1"
    _lists(book, pairing, found)
    out = io.BytesIO()
    book.save(out)
    return settle(out.getvalue())


def _lists(book: Workbook, pairing: Pairing, found: tuple[Decision, ...]) -> None:
    """Give each landing and technique cell its list; the lists stand on a page of their own, because they are long."""
    page = book.create_sheet("Codes")
    page.append(["landing", "technique"])
    lists = {"landing": _landings(pairing.sheets[0].codebook), "technique": _techniques(pairing)}
    column = get_column_letter(COLUMNS.index("agreed") + 1)
    for place, (name, codes) in enumerate(lists.items(), start=1):
        for row, code in enumerate(codes, start=2):
            cell = page.cell(row, place)
            cell.value = code
            cell.data_type = "s"
        letter = get_column_letter(place)
        page.column_dimensions[letter].width = 34
        rule = DataValidation("list", f"Codes!${letter}$2:${letter}${len(codes) + 1}", allow_blank=True)
        rule.error = f"Choose a {name} from the list, or leave the cell blank."
        for row, item in enumerate(found, start=2):
            if item.variable == name:
                rule.add(f"{column}{row}")
        if rule.sqref:
            book["Decisions"].add_data_validation(rule)
    for cell in page[1]:
        cell.font = Font(name="Calibri", bold=True)


def _landings(book: Codebook) -> list[str]:
    return [*(grade.name for grade in book.grades), NOT_SEEN]


def _techniques(pairing: Pairing) -> list[str]:
    shown = [str(code) for codes in pairing.codes("technique") for code in codes if code is not None]
    return list(dict.fromkeys([*pairing.sheets[0].codebook.technique_names.names, *shown]))


def write_decisions(made: Reconciled, path: str | Path) -> Path:
    """Write the list of disagreements, with what is already decided in it. A file that is there is never replaced."""
    return _new_file(path, decisions_workbook(made.pairing, made.decisions))


def write_agreed(made: Reconciled, path: str | Path) -> Path:
    """Write the agreed sheet as csv, to be named in a plan. A file that is there is never replaced."""
    original = made.sheet.original
    lines = [list(original.columns), *original.itertuples(index=False, name=None)]
    return _new_file(path, csv_text([[guarded(str(cell)) for cell in line] for line in lines]))


def _new_file(path: str | Path, content: bytes) -> Path:
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "xb") as out:
            out.write(content)
    except FileExistsError:
        problem = "there is such a file already, and it may hold decisions"
        raise InputProblem(Problem(str(path), None, None, None, problem, "name another file")) from None
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = "check the name and who may write there"
        raise InputProblem(
            Problem(str(path), None, None, None, f"it can't be written: {reason}", remedy)
        ) from None
    return path
