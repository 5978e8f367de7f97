"""From the bytes of a text file (csv, tsv, ...) to a grid: encoding, delimiter, quotation marks."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence

from analysis.study.codebook import Codebook
from analysis.study.grid import Grid
from analysis.study.header import find_header
from analysis.study.problem import InputProblem, Problem, Repair

DELIMITERS = (",", ";", "\t", "|")
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_FIELD_LIMIT = 10_000_000


def text_grid(data: bytes, file: str, codebook: Codebook) -> Grid:
    """Read the bytes of a delimited text file. The delimiter is the one under which most headers are known."""
    text, encoding, repairs = _decoded(data, file)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    declared = re.fullmatch(r'"?sep=(.)"?', lines[0].strip("\ufeff "), re.IGNORECASE)
    delimiter = declared.group(1) if declared else _delimiter(lines, codebook, file)
    cells, torn = split(lines, delimiter)
    if declared:
        cells[0] = []
        repairs.append(Repair(file, 1, None, lines[0], "", "not a routine: this line names the delimiter"))
    while cells and not any(cell.strip() for cell in cells[-1]):
        cells.pop()
    return Grid(file, cells, encoding=encoding, delimiter=delimiter, torn=torn, repairs=repairs)


def _decoded(data: bytes, file: str) -> tuple[str, str, list[Repair]]:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return data.decode(encoding).lstrip("\ufeff"), encoding, []
            except UnicodeDecodeError:
                break
    zeros = data[:4000].count(0)
    if zeros > len(data[:4000]) // 4:
        encoding = "utf-16-le" if data[1:4000:2].count(0) > data[0:4000:2].count(0) else "utf-16-be"
        try:
            return data.decode(encoding), encoding, []
        except UnicodeDecodeError:
            pass
    repairs: list[Repair] = []
    text, encoding = data.decode("utf-8", "replace"), "utf-8"
    lost = text.count("\ufffd")
    if lost:
        if sum(not c.isascii() for c in text) > 3 * lost:
            why = "some characters are damaged: save the file again as UTF-8"
        else:
            text, encoding = _guessed(data)
            why = f"the file isn't UTF-8; read as {encoding}: check letters with accents"
        repairs = [Repair(file, None, None, "", encoding, why)]
    strange = sum(1 for c in text[:20000] if c < " " and c not in "\t\n\r\x0b\x0c\x1a")
    if strange > max(20, len(text[:20000]) // 100):
        raise InputProblem(
            Problem(
                file,
                None,
                None,
                None,
                "this is not a table of text",
                "save the sheet as csv or xlsx and name that file",
            )
        )
    return text.rstrip("\x1a"), encoding, repairs


FOREIGN_SHARE = 0.1
"""Share of bytes beyond ASCII from which a text may be in a script of its own (Cyrillic, Greek, East Asian)."""

LATIN = ("cp1252", "mac_roman", "cp1250")
FOREIGN = ("cp1251", "cp1253", "cp1254", "shift_jis", "gb18030", "big5", "euc_kr")


def _guessed(data: bytes) -> tuple[str, str]:
    """Choose among common encodings by how the text reads; windows-1252 where nothing reads clearly better.

    A few accented letters among English are too few to tell encodings apart by their statistics, and an East Asian
    guess would eat the letter beside each. So such a text is read as the first Latin encoding that makes words of it.
    """
    beyond = sum(byte > 0x7F for byte in data)
    if beyond < FOREIGN_SHARE * len(data):
        for encoding in LATIN:
            if _makes_words(data, encoding):
                return data.decode(encoding), encoding
    from charset_normalizer import from_bytes

    sample = data if len(data) <= 200_000 else data[:200_000].rsplit(b"\n", 1)[0]
    best = from_bytes(sample, cp_isolation=[*LATIN, *FOREIGN]).best()
    for encoding in ([best.encoding] if best is not None else []) + ["cp1252", "latin-1"]:
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise AssertionError("latin-1 decodes every byte")


def _makes_words(data: bytes, encoding: str) -> bool:
    """Whether every character beyond ASCII is a letter, or a mark where words allow one."""
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return False
    for place, character in enumerate(text):
        if character.isascii() or character.isalpha() or character in "\u2019\xa0":
            continue
        before, after = text[max(0, place - 1) : place], text[place + 1 : place + 2]
        if after.isalpha() and (before.isalpha() or character not in "\u2018\u201c\xab\xa1\xbf\u2013\u2014"):
            return False
    return True


def _delimiter(lines: Sequence[str], codebook: Codebook, file: str) -> str:
    """Return the delimiter under which the header row knows most variables, then the most even one."""
    head = list(lines[:400])
    best, best_score = ",", (0, 0, 0.0)
    for delimiter in DELIMITERS:
        cells, _ = split(head, delimiter)
        header = find_header(cells, codebook, file)
        lengths = [len(row) for row in cells if any(cell.strip() for cell in row)]
        common = max(set(lengths), key=lengths.count) if lengths else 1
        even = lengths.count(common) / len(lengths) if lengths and common > 1 else 0.0
        known = 0 if header is None else len(header.columns)
        score = (known, int(header is not None and header.complete), even)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def split(lines: Sequence[str], delimiter: str) -> tuple[list[list[str]], dict[int, str]]:
    """Split lines into cells; a quoted cell may run over several lines. Returns cells and torn rows with the reason.

    A quotation mark without its partner would swallow every row up to the next mark. So a cell that runs over several
    lines counts only where it is well formed and none of the lines inside looks like a row of its own; otherwise the
    line stands alone, its marks are taken as letters, and the row is named.
    """
    csv.field_size_limit(_FIELD_LIMIT)
    widths = Counter(line.count(delimiter) for line in lines[:400] if delimiter in line)
    usual = widths.most_common(1)[0][0] if widths else 0
    cells: list[list[str]] = []
    torn: dict[int, str] = {}
    place = 0
    while place < len(lines):
        line = lines[place]
        row, used = (line.split(delimiter) if line else []), 1
        if '"' in line:
            quoted, used = _quoted(lines, place, delimiter, usual)
            if used:
                row = quoted
            else:
                used = 1
                torn[len(cells)] = "a quotation mark has no partner"
        cells.append(row)
        place += used
    return cells, torn


def _quoted(lines: Sequence[str], place: int, delimiter: str, usual: int) -> tuple[list[str], int]:
    """Read one record with quotation marks: its cells and the lines it takes; 0 lines if it is not well formed.

    `usual` is the number of delimiters of an ordinary line.
    """
    spaced = re.search(re.escape(delimiter) + ' +"', lines[place]) is not None
    marks = 0
    for used in range(1, min(len(lines) - place, 200) + 1):
        inside = lines[place + used - 1]
        if used > 1 and usual > 1 and '"' not in inside and inside.count(delimiter) >= usual:
            return [], 0
        marks += inside.count('"')
        if marks % 2:
            continue
        record = [line + "\n" for line in lines[place : place + used]]
        try:
            rows = list(csv.reader(record, delimiter=delimiter, strict=True, skipinitialspace=spaced))
        except csv.Error:
            return [], 0
        return (rows[0], used) if len(rows) == 1 else ([], 0)
    return [], 0
