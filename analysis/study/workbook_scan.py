"""What a workbook's values don't show: errors, formulas never computed, merged and far cells, its true size."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
import zipfile
import zlib
from dataclasses import dataclass, field

LARGEST_UNPACKED = 400_000_000
"""Bytes of a workbook after unpacking; 100,000 routines take about a tenth of it."""
MOST_CELLS = 20_000_000
"""Cells of the rectangle that a worksheet's filled cells span."""

_CELL = re.compile(rb"<(?:\w+:)?c\s([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)", re.DOTALL)
_PLACE = re.compile(rb'\br="([A-Z]{1,3})([0-9]{1,7})"')
_VALUE = re.compile(rb"<(?:\w+:)?(?:v>[^<]|is>)")
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
ERROR = "this is a spreadsheet error"
NOT_COMPUTED = "this formula has no stored value"


@dataclass
class Scan:
    """What was seen in one worksheet, cells counted from 0. `merged` holds (top, left, bottom)."""

    rows: int = 0
    columns: int = 0
    faults: dict[tuple[int, int], str] = field(default_factory=dict)
    merged: list[tuple[int, int, int]] = field(default_factory=list)

    def reach(self, row: int, column: int) -> None:
        """Note that a filled cell stands here."""
        self.rows, self.columns = max(self.rows, row + 1), max(self.columns, column + 1)


def unpacked_size(archive: zipfile.ZipFile, data: bytes) -> int:
    """Return the bytes that a zip unpacks to, counting past the limit no further. What it declares can be a lie."""
    declared = sum(item.file_size for item in archive.infolist())
    if (
        declared > LARGEST_UNPACKED or len(data) * 1032 <= LARGEST_UNPACKED
    ):  # deflate does no better than 1032 to 1
        return declared
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
    return max(total, declared)


def scan_xlsx(xml: bytes) -> Scan:
    """Look through the xml of one xlsx worksheet."""
    scan = Scan()
    for cell in _CELL.finditer(xml):
        attributes, body = cell.groups()
        place = _PLACE.search(attributes) if body else None
        if place is None:
            continue
        row, column = int(place.group(2)) - 1, _column(place.group(1))
        scan.reach(row, column)
        if b't="e"' in attributes:
            scan.faults[row, column] = ERROR
        elif _FORMULA.search(body) and not _VALUE.search(body) and b't="str"' not in attributes:
            scan.faults[row, column] = NOT_COMPUTED
    return scan


def _column(letters: bytes) -> int:
    place = 0
    for letter in letters:
        place = place * 26 + letter - 64
    return place - 1


def scan_ods(archive: zipfile.ZipFile) -> dict[str, Scan]:
    """Look through the tables of an ods. Raises zipfile.BadZipFile or ElementTree.ParseError where it is damaged."""
    scans: dict[str, Scan] = {}
    scan, row, column = Scan(), 0, 0
    with archive.open("content.xml") as content:
        for event, element in ElementTree.iterparse(content, events=("start", "end")):
            tag = element.tag.rpartition("}")[2]
            if event == "start":
                if tag == "table":
                    scan, row = scans.setdefault(_attribute(element, "name", ""), Scan()), 0
                elif tag == "table-row":
                    column = 0
                continue
            if tag in ("table-cell", "covered-table-cell"):
                times = int(_attribute(element, "number-columns-repeated", "1"))
                kind = _attribute(element, "value-type", "")
                if kind or len(element):
                    scan.reach(row, column + times - 1)
                if any(
                    name.endswith("}value-type") and value == "error"
                    for name, value in element.attrib.items()
                ):
                    scan.faults[row, column] = ERROR
                down = int(_attribute(element, "number-rows-spanned", "1"))
                if down > 1:
                    scan.merged.append((row, column, row + down - 1))
                column += times
            elif tag == "table-row":
                times = int(_attribute(element, "number-rows-repeated", "1"))
                if scan.rows == row + 1:
                    scan.reach(row + times - 1, 0)
                row += times
                element.clear()
    return scans


def _attribute(element: ElementTree.Element, name: str, otherwise: str) -> str:
    return next((value for full, value in element.attrib.items() if full.endswith("}" + name)), otherwise)
