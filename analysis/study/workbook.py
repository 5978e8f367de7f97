"""The coding workbook: one row per routine, drop-down lists from the codebook, counts that show the holes.

Routines are values, never links to the start list: with links, sorting the list after coding would hand every code
to another athlete, and nobody would see it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.formatting.rule import FormulaRule
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from analysis.study import workbook_cells as look
from analysis.study import workbook_pages as pages
from analysis.study.cells import points_text
from analysis.study.codebook import NOT_SEEN, Codebook
from analysis.study.workbook_columns import CODED, ROUTINES, WHO, Column, Reach, columns_of
from analysis.study.workbook_pages import Choice

PREPARED = 300
"""Rows that a new workbook has ready; lists and limits go on below them."""
_SPARE = 60
"""Rows ready below an imported start list, for those who come late."""
_REACH = 500
"""Rows below the prepared ones that still have lists and limits, and are counted."""

_WIDTHS = {
    "meet": 18,
    "round": 15,
    "start order": 11,
    "athlete": 11,
    "technique": 28,
    "landing": 22,
    "clip": 20,
    "note": 28,
    "date": 12,
    "apparatus": 14,
}


def coding_workbook(
    codebook: Codebook,
    routines: Sequence[Mapping[str, str]] = (),
    rows: int | None = None,
    start_list: bool = True,
) -> bytes:
    """Return the coding workbook as xlsx; the same input gives the same bytes.

    Parameters
    ----------
    codebook : Codebook
    routines : sequence of mappings
        What is known before coding, {variable: text}, one for each row from the top.
    rows : int or None
        Prepared rows; otherwise 300, or the routines and some to spare.
    start_list : bool
        Whether the workbook has a page to paste a start list into.

    Returns
    -------
    bytes
        Pages: Routines, Definitions, Counts, Start list, Lists.
    """
    ready = max(PREPARED, len(routines) + _SPARE) if rows is None else rows
    columns = columns_of(codebook)
    reach = Reach(columns, 1 + ready, 1 + ready + _REACH)
    book = Workbook()
    book.remove(book.worksheets[0])
    page = book.create_sheet(ROUTINES)
    lists = pages.lists(codebook)
    _routines_page(page, codebook, reach, routines, lists)
    pages.definitions_page(book.create_sheet("Definitions"), codebook)
    pages.counts_page(book.create_sheet("Counts"), codebook, reach)
    if start_list:
        pages.start_list_page(book.create_sheet("Start list"), routines, reach)
    pages.lists_page(book.create_sheet("Lists"), lists)
    return look.packed(book)


def _routines_page(
    page: Worksheet,
    codebook: Codebook,
    reach: Reach,
    routines: Sequence[Mapping[str, str]],
    lists: Mapping[str, Choice],
) -> None:
    page.freeze_panes = f"{reach.letter('technique')}2" if reach.letter("technique") == "E" else "A2"
    page.row_dimensions[1].height = 24
    look.paper(page, "1:1")
    for place, column in enumerate(reach.columns, 1):
        first = column.variables[0]
        size = _WIDTHS.get(first, 12)
        page.column_dimensions[column.letter].width = max(size, len(column.header) + 4)
        head = page.cell(1, place)
        colour = look.WHO_HEAD if first in WHO else look.CODED if first in CODED else look.OTHER
        centred = first in ("start order", *_POINTS)
        look.put_text(head, column.header, bold=True, colour=colour, ruled=True, centre=centred)
        head.comment = _comment(codebook, column)
        for row in range(2, reach.prepared + 1):
            routine = routines[row - 2] if row - 2 < len(routines) else {}
            text = next((routine[name] for name in column.variables if routine.get(name)), "")
            look.put_known(page.cell(row, place), first, text, centre=centred)
            page.cell(row, place).number_format = _number_format(column)
    for rule in _limits(codebook, reach, lists):
        page.add_data_validation(rule)
    _colours(page, reach, lists)


_POINTS = ("deduction", "other faults", "difficulty", "execution")


def _number_format(column: Column) -> str:
    """Codes are texts ("007" and "3-1" stay as typed), points are numbers."""
    first = column.variables[-1]
    if first in ("deduction", "other faults", "difficulty"):
        return "0.0##"
    return {"execution": "0.000", "start order": "General", "date": "yyyy-mm-dd"}.get(first, "@")


def _comment(codebook: Codebook, column: Column) -> Any:
    known = {item.name: item for item in codebook.variables}
    parts = []
    for name in column.variables:
        item = known[name]
        parts.append(item.definition + (f"\nNot: {item.excludes}" if item.excludes else ""))
    if "deduction" in column.variables:
        parts.append("A cell turns red where points and landing don't fit.")
    note = Comment("\n".join(parts), "codebook")
    note.width, note.height = 300, 40 + 18 * sum(1 + len(part) // 42 for part in parts)
    return note


def _limits(codebook: Codebook, reach: Reach, lists: Mapping[str, Choice]) -> list[Any]:
    """The rules for what may be typed, column by column."""
    rules = []
    for column in reach.columns:
        kind = next((name for name in ("deduction", *column.variables) if name in column.variables), "")
        where = f"{column.letter}2:{column.letter}{reach.last}"
        if kind in lists:
            strict = kind not in ("technique", "round") or (
                kind == "technique" and not codebook.other_techniques
            )
            rule = DataValidation("list", formula1=lists[kind].name, allow_blank=True)
            rule.errorStyle = "stop" if strict else "warning"
            rule.errorTitle, rule.error = _said(kind, codebook, strict)
        elif kind in ("difficulty", "execution"):
            low, high = (points_text(limit) for limit in codebook.ranges[kind])
            rule = DataValidation(
                "decimal", formula1=low, formula2=high, operator="between", allow_blank=True
            )
            rule.errorTitle = f"The {kind} score"
            rule.error = f"A number from {low} to {high}: not the total score."
        elif kind == "start order":
            rule = DataValidation(
                "whole", formula1="1", formula2="9999", operator="between", allow_blank=True
            )
            rule.errorStyle = "warning"
            rule.errorTitle, rule.error = "Start order", "A whole number, 1 for the first. Keep it as it is?"
        elif kind == "athlete":
            rule = DataValidation(allow_blank=True)
            rule.promptTitle, rule.prompt = "A code, not a name", "Such as A07, the same at every meet."
            rule.showInputMessage = True
        else:
            continue
        rule.showErrorMessage = kind != "athlete"
        rule.add(where)
        rules.append(rule)
    return rules


def _said(kind: str, codebook: Codebook, strict: bool) -> tuple[str, str]:
    """Title and text of the refusal, within what the format holds (32 and 255 letters)."""
    if kind == "technique" and strict:
        return "Not in the codebook", "Choose from the list, or add the technique to the codebook first."
    if kind in ("technique", "round"):
        return (
            f"A {kind} of your own?",
            "It is not in the codebook. Keep it only if this is no slip; write it the same way each time.",
        )
    if kind == "landing":
        return (
            "Not a landing category",
            "Choose from the list; a landing that nobody saw is 'not seen', never a guess.",
        )
    edition = codebook.edition[:60]
    return (
        "Not a sum of deductions",
        f"Points such as 0.3, in a sum that {edition} allows: choose from the list. The page Lists has them all.",
    )


def _colours(page: Worksheet, reach: Reach, lists: Mapping[str, Choice]) -> None:
    """Bands for the eye, what is still to be coded, and points that don't fit the landing."""
    athlete, landing, points = (reach.letter(name) for name in ("athlete", "landing", "deduction"))
    if reach.distinct("landing", "deduction"):
        # As `landings check` judges: the feet's part is the deduction without the other faults.
        other, found = reach.letter("other faults"), lists["landing"].name
        feet = f"ROUND(${points}2-N(${other}2),3)"
        at = f"MATCH(${landing}2,{found},0)"
        least, most = (f"INDEX({lists[name].name},{at})" for name in ("least", "most"))
        wrong = f'OR({feet}<{least},AND({feet}>{most},OR(${other}2<>"",{most}=0)))'
        rule = f'AND(ISNUMBER(${points}2),${landing}2<>"",IFERROR({wrong},FALSE))'
        page.conditional_formatting.add(
            f"{points}2:{points}{reach.last}",
            FormulaRule([rule], fill=look.fill(look.MISFIT), stopIfTrue=True),
        )
    for name in ("technique", "landing", "deduction"):
        letter = reach.letter(name)
        unseen = f',${landing}2<>"{NOT_SEEN}"' if name == "deduction" else ""
        rule = f'AND(${athlete}2<>"",${letter}2=""{unseen})'
        page.conditional_formatting.add(
            f"{letter}2:{letter}{reach.last}",
            FormulaRule([rule], fill=look.fill(look.TO_DO), stopIfTrue=True),
        )
    whole = f"A2:{reach.columns[-1].letter}{reach.prepared}"
    page.conditional_formatting.add(whole, FormulaRule(["MOD(ROW(),2)=1"], fill=look.fill(look.BAND)))
