"""Athlete names out, stable codes in: the same name and key give the same code at every meet.

The codes are keyed hashes: without the key file nobody can try names until one fits. Whoever has the key can, so it
lies apart from everything that is shared, readable by its owner alone.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.shown import Shown
from analysis.study.cells import person
from analysis.study.codebook import NUMERIC
from analysis.study.people import looks_like_names
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.text import key
from analysis.study.values import cell_text

CAUTION = (
    "Athletes are often minors: get consent and ethics approval as local rules ask, publish codes, not names, and keep "
    "the key file where only you can open it. Codes don't hide what a note, a clip's name or a rare score gives away."
)
_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""No 0, 1, I and O: codes are read aloud and typed."""
_LETTERS = 6
_HEAD = "Key of athlete codes. Keep it apart from sheets and reports; without it no code can be made again."
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


@dataclass(frozen=True)
class Pseudonyms(Shown):
    """A sheet written with codes for names. `problems` are cells that still hold a part of a name."""

    sheet: Path
    key: Path
    key_made: bool
    athletes: int
    problems: tuple[Problem, ...]
    caution: str = CAUTION

    def to_dict(self) -> dict[str, Any]:
        """Strict JSON values, without a name in them."""
        return {
            "sheet": str(self.sheet),
            "key": str(self.key),
            "key_made": self.key_made,
            "athletes": self.athletes,
            "problems": [problem.to_dict() for problem in self.problems],
            "caution": self.caution,
        }

    def __str__(self) -> str:
        made = "a new key" if self.key_made else "the key"
        return f"{self.sheet}: {self.athletes} athletes by codes, made with {made} {self.key}. {self.caution}"


def code_of(name: str, secret: bytes) -> str:
    """Return the code of a name: case, spaces and kinds of dash don't matter, every letter does.

    Examples
    --------
    >>> code_of("Mia  Berger", b"k" * 32) == code_of("mia berger", b"k" * 32)
    True
    >>> code_of("Mia Berger", b"k" * 32) == code_of("Mia Berger", b"m" * 32)
    False
    """
    plain = person(unicodedata.normalize("NFKC", name))
    number = int.from_bytes(hmac.new(secret, plain.encode(), hashlib.sha256).digest()[:8], "big")
    letters = ""
    for _ in range(_LETTERS):
        number, rest = divmod(number, len(_ALPHABET))
        letters += _ALPHABET[rest]
    return f"A{letters}"


def pseudonymise(sheet: Sheet, out: str | Path, key_file: str | Path) -> Pseudonyms:
    """Write a copy of the sheet with a code for each athlete; make the key where there is none yet.

    Parameters
    ----------
    sheet : Sheet
    out : path
        The copy, an xlsx file that isn't there yet. It holds the routines and all their columns.
    key_file : path
        Outside the folder of the copy and outside any report. The same key gives the same codes at the next meet, if
        the names are spelt the same way.

    Raises
    ------
    InputProblem
        When the copy is there already, the key lies where it would be shared, can be read by others or is damaged, a
        row of the sheet is torn (a name may stand anywhere in it), or two names get one code.
    """
    from analysis.study.starting import write_new

    out, key_file = Path(out), Path(key_file)
    if out.suffix.casefold() != ".xlsx":
        raise _refused(out, "the copy to write is an xlsx file", f"name it {out.stem or 'codes'}.xlsx")
    if out.exists():
        raise _refused(out, "this file is already there", "name another; nothing was written")
    torn = [problem for problem in sheet.problems if problem.blocks]
    if torn:
        raise InputProblem(torn)
    _check_place(key_file, out)
    secret, made = _secret(key_file)
    names = {name for row in sheet.rows.index if (name := cell_text(sheet, row, "athlete"))}
    codes = {name: code_of(name, secret) for name in sorted(names)}
    people = {person(unicodedata.normalize("NFKC", name)) for name in names}
    if len(set(codes.values())) < len(people):
        raise _refused(key_file, "two names get one code with this key", "use another key for all your meets")
    write_new(out.parent, {out.name: _copy(sheet, codes)})
    return Pseudonyms(out, key_file, made, len(people), tuple(_left(sheet, out, names)))


def _refused(path: Path, problem: str, remedy: str) -> InputProblem:
    return InputProblem(Problem(str(path), None, None, None, problem, remedy))


def _check_place(key_file: Path, out: Path) -> None:
    """The key lies in no report, and not where the copy lies: that folder is the one that is shared."""
    at = key_file.resolve()
    if any(
        (folder / "results.json").exists() and (folder / "manifest.json").exists() for folder in at.parents
    ):
        raise _refused(
            key_file, "this is inside a report, which is published", "keep the key in a private folder"
        )
    if out.resolve().parent in at.parents:
        problem = f"this is inside {out.parent}, the folder of the copy"
        raise _refused(key_file, problem, "keep the key in a private folder of its own")


def _secret(path: Path) -> tuple[bytes, bool]:
    """The secret of a key file, and whether it was made just now."""
    try:
        if path.exists():
            return _read_secret(path), False
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        secret = secrets.token_bytes(32)
        with os.fdopen(
            os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="ascii"
        ) as file:
            file.write(f"{_HEAD}\n{secret.hex()}\n")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refused(
            path, f"the key can't be read or made: {reason}", "check the name and the folder"
        ) from None
    return secret, True


def _read_secret(path: Path) -> bytes:
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise _refused(path, "others can read this key", f"make it private: chmod 600 {path}")
    text = path.read_bytes()[:4000].decode("ascii", "replace")
    found = re.fullmatch(r"[^\r\n]*\r?\n([0-9a-f]{64})\s*", text)
    if found is None:
        raise _refused(
            path, "this is no key of athlete codes, or it was changed", "name the key that you made first"
        )
    return bytes.fromhex(found.group(1))


def _copy(sheet: Sheet, codes: dict[str, str]) -> bytes:
    """The routines as xlsx: athletes by code, points as numbers, all else as the text that stands there."""
    from openpyxl import Workbook

    from analysis.study import workbook_cells as look

    book = Workbook()
    page = book.worksheets[0]
    page.title = "Routines"
    variable = {header: name for name, header in sheet.headers.items()}
    for place, header in enumerate(sheet.original.columns, 1):
        look.put_text(page.cell(1, place), str(header), bold=True, colour=look.OTHER, ruled=True)
        page.column_dimensions[page.cell(1, place).column_letter].width = max(
            12, min(40, len(str(header)) + 4)
        )
        name = variable.get(header, "")
        for line, row in enumerate(sheet.original.index, 2):
            cell, text = page.cell(line, place), str(sheet.original.at[row, header])
            if name == "athlete":
                text = codes.get(cell_text(sheet, row, "athlete"), "")
            elif not text and name and name not in ("landing", *NUMERIC):
                text = cell_text(sheet, row, name)  # part of a merged cell
            if name in ("start order", *NUMERIC) and _NUMBER.fullmatch(text):
                look.put_number(cell, float(text) if "." in text else int(text))
            else:
                look.put_text(cell, text)
    page.freeze_panes = "A2"
    return look.packed(book)


def _left(sheet: Sheet, out: Path, names: set[str]) -> list[Problem]:
    """Cells of other columns that hold a word of a name."""
    words = {word for name in looks_like_names(sorted(names)) for word in _words(name) if len(word) > 2}
    found = []
    for header in sheet.original.columns:
        if header == sheet.headers["athlete"]:
            continue
        for line, row in enumerate(sheet.original.index, 2):
            if words & _words(str(sheet.original.at[row, header])):
                problem = "this cell holds a word that is part of an athlete's name"
                found.append(
                    Problem(str(out), line, str(header), None, problem, "reword it before you share the copy")
                )
    return found


def _words(text: str) -> set[str]:
    return {word for word in re.split(r"[\W\d_]+", key(text)) if word}
