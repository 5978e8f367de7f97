"""Write the same series as a coach would really leave it: one workbook, typed in a hurry.

The first worksheet is only notes. "Routines" has title rows, a blank column, merged meet cells, blank rows
between the meets, decimal commas typed as text, typos, a hidden row, a pasted row, three rows by the second
coder and a footer. "Second coder" has the part that was coded twice. The seed draws which cells
are spoilt.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from random import Random

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.worksheet.worksheet import Worksheet
from series import Routine

HEADERS = (
    "Routine",
    "Meet",
    "Date",
    "Round",
    "Start order",
    "Athlete ",
    "TECHNIQUE",
    None,  # the blank column
    "D score",
    "E score",
    "Landing",
    "Deduction",
    "other  faults",
    "Coder",
    "Clip",
    "Note",
)
TECHNIQUE_TYPED = {
    "piked double back": ("Piked double back", "double back piked", "piked duoble back", "PIKED DOUBLE BACK"),
    "tucked double back": ("tuked double back", "Tucked Double Back ", "double back tucked"),
    "double front piked half out": ("double front piked 1/2 out", "Double Front piked half out"),
    "tucked double back with full turn": ("tucked full-in", "tucked double back w. full turn"),
    "layout with full turn": ("layout full", "Layout  with full turn"),
}
LANDING_TYPED = {
    "stuck": ("Stuck", "STUCK", "stcuk", "stuck "),
    "small step or hop": ("small step", "small hop", "Small step or hop"),
    "large step or jump": ("large step", "Large Jump"),
    "several steps": ("Several steps",),
    "fall": ("Fall",),
    "not seen": ("n/s", "not  seen"),
}
AMBIGUOUS_TECHNIQUE = "double back"  # tucked or piked? Nobody can tell afterwards
AMBIGUOUS_LANDING = "step"  # small or large?
FIXED = (2025, 11, 22, 12, 0, 0)


def write_messy(path: Path, routines: list[Routine], seed: int) -> None:
    """Write the workbook to `path`, the same bytes each time."""
    book = Workbook()
    notes = book.active
    assert isinstance(notes, Worksheet)
    notes.title = "Notes"
    notes["A1"] = "Parallel bars, three meets. First sheet typed in the hall, second sheet from video."
    _routines_sheet(book.create_sheet("Routines"), routines, Random(seed))
    _second_sheet(book.create_sheet("Second coder"), routines)
    book.properties.creator = "landing-outcomes demo"
    book.properties.created = datetime(*FIXED)
    held = io.BytesIO()
    book.save(held)
    path.write_bytes(_without_clock(held.getvalue()))


def _routines_sheet(sheet: Worksheet, routines: list[Routine], rng: Random) -> None:
    sheet["A1"] = "Dismounts, parallel bars, autumn series"
    sheet["A1"].font = Font(bold=True, size=14)
    sheet["A2"] = "typed from my paper sheets; n/s = not seen"
    for column, name in enumerate(HEADERS, start=1):
        sheet.cell(4, column, name).font = Font(bold=True)
    spoilt = _spoil(routines, rng)
    line = 5
    for meet in dict.fromkeys(item.meet for item in routines):
        first = line
        for item in (one for one in routines if one.meet == meet):
            _write_line(sheet, line, item, spoilt, rng)
            line += 1
        for column, value in ((2, meet.name), (3, date.fromisoformat(meet.date))):
            sheet.cell(first, column, value)
            sheet.merge_cells(start_row=first, end_row=line - 1, start_column=column, end_column=column)
        line += 1  # a blank row between the meets
    sheet.row_dimensions[12].hidden = True
    line -= 1
    pasted = routines[-20]
    again = [item for item in routines if item.second_landing][-3:]
    for item, coder in ((pasted, "C1"), *((one, "C2") for one in again)):
        _write_line(sheet, line, item, {}, rng, coder)
        sheet.cell(line, 2, item.meet.name.upper())
        sheet.cell(line, 3, date.fromisoformat(item.meet.date))
        line += 1
    sheet.cell(line + 1, 1, "Total")
    sheet.cell(line + 1, 2, f"{len(routines)} routines")


def _write_line(
    sheet: Worksheet,
    line: int,
    item: Routine,
    spoilt: dict[str, dict[str, object]],
    rng: Random,
    coder: str = "C1",
) -> None:
    if coder == "C2":
        item = replace(item, landing=item.second_landing, deduction=item.second_deduction)
    typed = spoilt.get(item.routine, {})
    values = (
        item.routine,
        None,
        None,
        item.round,
        item.start_order,
        item.athlete.lower() if rng.random() < 0.05 else item.athlete,
        typed.get("technique", _typed(item.technique, TECHNIQUE_TYPED, rng)),
        None,
        _number(f"{item.difficulty:.1f}", rng),
        typed.get("execution", _number(f"{item.execution:.2f}", rng)),
        typed.get("landing", _typed(item.landing, LANDING_TYPED, rng)),
        typed.get("deduction", _number(item.deduction, rng)),
        typed.get("other faults", _number(item.other_faults, rng)),
        coder,
        _clip(item),
        item.note or None,
    )
    for column, value in enumerate(values, start=1):
        if value is not None:
            sheet.cell(line, column, value)


def _spoil(routines: list[Routine], rng: Random) -> dict[str, dict[str, object]]:
    """Cells that no careful person would mend without asking, and two that contradict their neighbours."""
    double_backs = _some(rng, routines, 2, lambda one: one.technique.endswith("double back"))
    steps = _some(rng, routines, 2, lambda one: one.landing in ("small step or hop", "large step or jump"))
    damaged = _some(rng, routines, 1, lambda one: one.landing == "fall" and one.deduction in ("1.1", "1.3"))
    stuck = _some(rng, routines, 2, lambda one: one.landing == "stuck" and one.deduction == "0.0")
    spoilt: dict[str, dict[str, object]] = {
        one.routine: {"technique": AMBIGUOUS_TECHNIQUE} for one in double_backs
    }
    for one in steps:
        spoilt.setdefault(one.routine, {})["landing"] = AMBIGUOUS_LANDING
    for one in damaged:  # a spreadsheet took "1.3" for the first of March
        spoilt.setdefault(one.routine, {})["deduction"] = date(2025, int(one.deduction[2]), 1)
    spoilt.setdefault(stuck[0].routine, {})["deduction"] = "0,3"  # stuck, and yet a step was deducted
    spoilt.setdefault(stuck[1].routine, {})["execution"] = round(
        10 * stuck[1].execution
    )  # the point was lost
    return spoilt


def _some(
    rng: Random, routines: list[Routine], count: int, wanted: Callable[[Routine], bool]
) -> list[Routine]:
    drawn = [(rng.random(), item) for item in routines if wanted(item)]
    return [item for _, item in sorted(drawn, key=lambda pair: pair[0])[:count]]


def _typed(name: str, spellings: dict[str, tuple[str, ...]], rng: Random) -> str:
    """About one cell in six is typed in another way."""
    mark = rng.random()
    others = spellings.get(name, ())
    return others[int(6 * mark * len(others))] if others and mark < 1 / 6 else name


def _number(text: str, rng: Random) -> object:
    """A number, or (one in three) text with a decimal comma; nothing where nothing was written."""
    if not text:
        return None
    return text.replace(".", ",") if rng.random() < 1 / 3 else float(text)


def _clip(item: Routine) -> str:
    return f"clip_{item.routine[1:]}.mp4"


def _second_sheet(sheet: Worksheet, routines: list[Routine]) -> None:
    """What the second coder saw, without the first coder's codes."""
    sheet.append(["routine", "meet", "athlete", "technique", "landing", "deduction", "coder", "clip"])
    for item in routines:
        if item.second_landing:
            points = float(item.second_deduction) if item.second_deduction else None
            technique = item.technique
            sheet.append(
                [
                    item.routine,
                    item.meet.name,
                    item.athlete,
                    technique,
                    item.second_landing,
                    points,
                    "C2",
                    _clip(item),
                ]
            )


def _without_clock(data: bytes) -> bytes:
    """The same workbook with every time stamp fixed, so that the script makes the same bytes each time."""
    stamp = "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{:02d}Z".format(*FIXED).encode()
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            new.writestr(zipfile.ZipInfo(name, FIXED), content, zipfile.ZIP_DEFLATED)
    return held.getvalue()
