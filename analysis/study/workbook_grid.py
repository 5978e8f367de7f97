"""From a workbook (xlsx, xls, xlsb, ods) to grids, one for each worksheet, by the values that are stored."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Iterator
from typing import Any

from analysis.study.grid import Grid
from analysis.study.problem import InputProblem, Problem

LARGEST_UNPACKED = 400_000_000
"""Bytes of a workbook after unpacking; 100,000 routines take about a tenth of it."""
MOST_CELLS = 20_000_000
"""Cells of the rectangle that a worksheet's filled cells span."""

_CELL = re.compile(
    rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})([0-9]{1,7})"([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)', re.DOTALL
)
_ODS_REPEAT = re.compile(rb'number-(?:rows|columns)-repeated="([0-9]+)"')


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are those of a zip or an older office file, whatever the file is called."""
    return data.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"))


def worksheets(data: bytes, file: str, named: str | None) -> Iterator[Grid]:
    """Yield the worksheets as grids, visible ones first; only the one that is named, if one is."""
    from python_calamine import CalamineWorkbook

    archive = _checked_archive(data, file) if data.startswith(b"PK") else None
    if archive is None and "EncryptedPackage".encode("utf-16-le") in data:
        raise _unreadable(file, "the workbook is protected by a password", "save a copy without a password")
    workbook = _guarded(file, lambda: CalamineWorkbook.from_filelike(io.BytesIO(data)))
    details = [item for item in workbook.sheets_metadata if "WorkSheet" in str(item.typ)]
    names = [item.name for item in sorted(details, key=lambda item: "Visible" not in str(item.visible))]
    if named is not None:
        names = [_named(file, named, names)]
    paths = {} if archive is None else _sheet_paths(archive)
    for name in names:
        xml = archive.read(paths[name]) if archive is not None and name in paths else b""
        faults = _scanned(xml, file, name)
        sheet = _guarded(file, lambda name=name: workbook.get_sheet_by_name(name))
        values = _guarded(file, lambda sheet=sheet: sheet.to_python(skip_empty_area=False))
        yield _grid(file, name, values, getattr(sheet, "merged_cell_ranges", None) or [], faults)


def _unreadable(file: str, problem: str, remedy: str) -> InputProblem:
    return InputProblem(Problem(file, None, None, None, problem, remedy))


def _guarded(file: str, read: Any) -> Any:
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


def _checked_archive(data: bytes, file: str) -> zipfile.ZipFile:
    """Open the zip after checking that it is whole, holds a workbook and does not unpack beyond measure."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        names = set(archive.namelist())
        sizes = sum(item.file_size for item in archive.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        raise _unreadable(file, "the workbook is damaged or cut short", "copy or download it again") from None
    if any(name.startswith("Index/") for name in names):
        raise _unreadable(file, "this is a Numbers document", "export it as xlsx or csv and name that file")
    if not names & {"xl/workbook.xml", "xl/workbook.bin", "content.xml"}:
        raise _unreadable(file, "this zip file holds no worksheet", "unpack it and name the sheet inside")
    if "word/document.xml" in names:
        raise _unreadable(file, "this is a text document", "save the table as xlsx or csv and name that file")
    if sizes > LARGEST_UNPACKED or _unpacked(archive, data) > LARGEST_UNPACKED:
        raise _unreadable(
            file,
            f"the workbook unpacks to more than {LARGEST_UNPACKED // 1_000_000} MB",
            "copy the table alone into a new workbook, or save it as csv",
        )
    return archive


def _unpacked(archive: zipfile.ZipFile, data: bytes) -> int:
    """Count what really comes out: the size that a zip declares can be a lie. Stops at the limit."""
    import zlib

    if len(data) * 1032 <= LARGEST_UNPACKED:  # deflate can't do better than 1032 to 1
        return 0
    total = 0
    for item in archive.infolist():
        if item.compress_type != zipfile.ZIP_DEFLATED:
            continue
        start = item.header_offset + 30
        start += int.from_bytes(data[start - 4 : start - 2], "little") + int.from_bytes(
            data[start - 2 : start], "little"
        )
        unpacker, rest = zlib.decompressobj(-15), data[start : start + item.compress_size]
        while rest and total <= LARGEST_UNPACKED:
            try:
                total += len(unpacker.decompress(rest, 4_000_000))
            except zlib.error:
                break
            rest = unpacker.unconsumed_tail
    return total


def _named(file: str, named: str, names: list[str]) -> str:
    from analysis.study.text import key, suggestion

    for name in names:
        if key(name) == key(named):
            return name
    remedy = suggestion(named, names, f"the workbook has: {', '.join(names)}")
    raise InputProblem(Problem(file, None, None, named, "there is no worksheet of that name", remedy))


def _sheet_paths(archive: zipfile.ZipFile) -> dict[str, str]:
    """Where the xml of each worksheet lies in an xlsx; empty for other kinds of workbook."""
    import xml.etree.ElementTree as ElementTree

    try:
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    except (KeyError, ElementTree.ParseError, zipfile.BadZipFile, OSError, ValueError):
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


def _scanned(xml: bytes, file: str, name: str) -> dict[tuple[int, int], str]:
    """Look through an xlsx worksheet for what the values don't show: errors, formulas never computed, far cells."""
    faults: dict[tuple[int, int], str] = {}
    rows = columns = 0
    for letters, number, attributes, body in _CELL.findall(xml):
        if not body:
            continue
        row, column = int(number) - 1, _column(letters)
        rows, columns = max(rows, row + 1), max(columns, column + 1)
        if b't="e"' in attributes:
            faults[row, column] = "this is a spreadsheet error"
        elif (
            (b"<f" in body or b":f" in body)
            and b"<v>" not in body
            and b":v>" not in body
            and b"<is>" not in body
        ):
            faults[row, column] = "this formula has no stored value"
    if rows * columns > MOST_CELLS:
        raise _unreadable(
            file,
            f"worksheet {name!r} reaches to row {rows:,} and column {columns:,}",
            "a cell stands far away from the table: delete it, or copy the table into a new workbook",
        )
    return faults


def _column(letters: bytes) -> int:
    place = 0
    for letter in letters:
        place = place * 26 + letter - 64
    return place - 1


def _grid(
    file: str, name: str, values: list[list[Any]], merged: list[Any], faults: dict[tuple[int, int], str]
) -> Grid:
    grid = Grid(file, [], worksheet=name, faults=faults)
    for i, line in enumerate(values):
        row = []
        for j, value in enumerate(line):
            if isinstance(value, (dt.date, dt.time, dt.timedelta)):
                grid.dates.add((i, j))
            row.append(value if isinstance(value, str) else _shown(value))
        grid.cells.append(row)
    for (i, j), why in faults.items():
        while len(grid.cells) <= i:
            grid.cells.append([])
        grid.cells[i].extend([""] * (j + 1 - len(grid.cells[i])))
        if not grid.cells[i][j]:
            grid.cells[i][j] = "#ERROR" if "error" in why else "#FORMULA"
    for (top, left), (bottom, _) in merged:
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
