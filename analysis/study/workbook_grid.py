"""From a workbook (xlsx, xls, xlsb, ods) to grids, one for each worksheet, by the values that are stored."""

from __future__ import annotations

import datetime as dt
import io
import xml.etree.ElementTree as ElementTree
import zipfile
import zlib
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, TypeVar

from analysis.study.grid import Grid
from analysis.study.problem import InputProblem, Problem
from analysis.study.text import key, suggestion
from analysis.study.workbook_scan import (
    LARGEST_UNPACKED,
    MOST_CELLS,
    Scan,
    scan_ods,
    scan_xlsx,
    unpacked_size,
)

_T = TypeVar("_T")
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    ElementTree.ParseError,
    ValueError,
    OSError,
    EOFError,
    KeyError,
    RuntimeError,  # a member that asks for a password, or (NotImplementedError) for an unknown packing
)


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are those of a zip or an older office file, whatever the file is called."""
    return data.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"))


def worksheets(data: bytes, file: str, named: str | None) -> Iterator[Grid]:
    """Yield the worksheets as grids, visible ones first; only the one that is named, if one is."""
    from python_calamine import CalamineWorkbook

    archive = _archive(data, file) if data.startswith(b"PK") else None
    if archive is None and "EncryptedPackage".encode("utf-16-le") in data:
        raise _unreadable(file, "the workbook is protected by a password", "save a copy without a password")
    scans: dict[str, Scan] = {}
    if archive is not None and "content.xml" in archive.namelist():
        scans = _guarded(file, lambda: scan_ods(archive))
        for name, scan in scans.items():
            _check_reach(file, name, scan)
    workbook = _guarded(file, lambda: CalamineWorkbook.from_filelike(io.BytesIO(data)))
    details = [item for item in workbook.sheets_metadata if str(item.typ).endswith(".WorkSheet")]
    names = [
        item.name for item in sorted(details, key=lambda item: not str(item.visible).endswith(".Visible"))
    ]
    if named is not None:
        names = [_named(file, named, names)]
    paths = {} if archive is None else _sheet_paths(archive)
    for name in names:
        scan = scans.get(name, Scan())
        if archive is not None and name in paths:
            scan = _scanned(file, archive, paths[name])
            _check_reach(file, name, scan)
        yield _guarded(file, partial(_grid, file, workbook, name, scan))


def _unreadable(file: str, problem: str, remedy: str) -> InputProblem:
    return InputProblem(Problem(file, None, None, None, problem, remedy))


def _guarded(file: str, read: Callable[[], _T]) -> _T:
    """Call the workbook library; whatever it raises on a damaged file (a panic included) is a problem of the input."""
    try:
        return read()
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        reason = " ".join(str(error).split())[:200]
        raise _unreadable(
            file,
            f"the workbook can't be read ({reason})",
            "open it in a spreadsheet program and save it again as xlsx",
        ) from None


def _archive(data: bytes, file: str) -> zipfile.ZipFile:
    """Open the zip after checking that it is whole, holds a workbook and doesn't unpack beyond measure."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        names = set(archive.namelist())
        size = unpacked_size(archive, data)
    except _DAMAGED:
        raise _unreadable(file, "the workbook is damaged or cut short", "copy or download it again") from None
    if any(name.startswith("Index/") for name in names):
        raise _unreadable(file, "this is a Numbers document", "export it as xlsx or csv and name that file")
    if not names & {"xl/workbook.xml", "xl/workbook.bin", "content.xml"}:
        raise _unreadable(file, "this zip file holds no worksheet", "unpack it and name the sheet inside")
    if size > LARGEST_UNPACKED:
        raise _unreadable(
            file,
            f"the workbook unpacks to more than {LARGEST_UNPACKED // 1_000_000} MB",
            "copy the table alone into a new workbook, or save it as csv",
        )
    return archive


def _check_reach(file: str, name: str, scan: Scan) -> None:
    if scan.rows * scan.columns > MOST_CELLS:
        raise _unreadable(
            file,
            f"worksheet {name!r} reaches to row {scan.rows:,} and column {scan.columns:,}",
            "a cell stands far away from the table: delete it, or copy the table into a new workbook",
        )


def _named(file: str, named: str, names: list[str]) -> str:
    for name in names:
        if key(name) == key(named):
            return name
    remedy = suggestion(named, names, f"the workbook has: {', '.join(names)}")
    raise InputProblem(Problem(file, None, None, named, "there is no worksheet of that name", remedy))


def _sheet_paths(archive: zipfile.ZipFile) -> dict[str, str]:
    """Where the xml of each worksheet lies in an xlsx; empty for other kinds of workbook."""
    try:
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    except _DAMAGED:
        return {}
    targets = {link.get("Id"): link.get("Target", "") for link in links}
    found = {}
    for sheet in book.iter():
        if sheet.tag.endswith("}sheet"):
            link = next((value for name, value in sheet.attrib.items() if name.endswith("}id")), None)
            target = targets.get(link, "")
            path = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            if path in archive.namelist():
                found[sheet.get("name", "")] = path
    return found


def _scanned(file: str, archive: zipfile.ZipFile, path: str) -> Scan:
    try:
        xml = archive.read(path)
    except _DAMAGED:
        raise _unreadable(file, "the workbook is damaged or cut short", "copy or download it again") from None
    return scan_xlsx(xml)


def _grid(file: str, workbook: Any, name: str, scan: Scan) -> Grid:
    sheet = workbook.get_sheet_by_name(name)
    grid = Grid(file, [], worksheet=name, faults=scan.faults)
    for i, line in enumerate(sheet.to_python(skip_empty_area=False)):
        row = []
        for j, value in enumerate(line):
            if isinstance(value, (dt.date, dt.time, dt.timedelta)):
                grid.dates.add((i, j))
            row.append(value if isinstance(value, str) else _shown(value))
        grid.cells.append(row)
    for i, j in scan.faults:
        # The library gives an empty text here; an empty cell would pass for one that was left blank.
        while len(grid.cells) <= i:
            grid.cells.append([])
        grid.cells[i].extend([""] * (j + 1 - len(grid.cells[i])))
        grid.cells[i][j] = grid.cells[i][j] or "#"
    merged = [(top, left, bottom) for (top, left), (bottom, _) in sheet.merged_cell_ranges or ()]
    for top, left, bottom in merged or scan.merged:
        _fill_down(grid, top, left, bottom)
    return grid


def _fill_down(grid: Grid, top: int, left: int, bottom: int) -> None:
    """Note the value of a merged cell for the rows below it, in its first column: a cell merged across is a title."""
    if top >= len(grid.cells) or left >= len(grid.cells[top]) or not grid.cells[top][left].strip():
        return
    for i in range(top + 1, min(bottom + 1, len(grid.cells))):
        if left >= len(grid.cells[i]) or not grid.cells[i][left].strip():
            grid.filled[i, left] = grid.cells[top][left]
            if (top, left) in grid.dates:
                grid.dates.add((i, left))


def _shown(value: Any) -> str:
    """Show a stored value as the cell reads: whole numbers without a point, no dust of binary fractions."""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        if value.is_integer() and abs(value) < 1e15:
            return str(int(value))
        return repr(float(f"{value:.12g}"))
    if isinstance(value, dt.datetime):
        plain = value.time() == dt.time()
        return value.date().isoformat() if plain else value.isoformat(" ")
    return str(value)
