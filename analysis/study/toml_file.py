"""Read a TOML file and tell everything that is wrong with it in the reader's words."""

from __future__ import annotations

import codecs
import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.study.problem import InputProblem, Problem
from analysis.study.text import suggestion

LARGEST = 5_000_000
"""Bytes. A plan or codebook is a page or two; anything past this is some other file."""


@dataclass(frozen=True)
class TomlFile:
    """A TOML file as read: its tables, its text and the hash of its bytes."""

    path: Path
    tables: dict[str, Any]
    text: str
    sha256: str


def read_bytes(path: Path, kind: str, largest: int) -> bytes:
    """Return the bytes of the file, or raise InputProblem in the reader's words. `kind` names it ("plan")."""

    def refuse(problem: str, remedy: str) -> InputProblem:
        return InputProblem(Problem(str(path), None, None, None, problem, remedy))

    try:
        if path.is_dir():
            raise refuse(f"this is a folder, not a {kind}", f"name the {kind} file inside it")
        if not path.exists():
            raise refuse(f"the {kind} was not found", _neighbours(path))
        if not path.is_file():
            raise refuse(f"this is not an ordinary file, so not a {kind}", f"name a {kind} file")
        size = path.stat().st_size
        if size > largest:
            raise refuse(
                f"the file holds {size / 1e6:.0f} MB, more than a {kind} has ({largest / 1e6:.0f} MB)",
                f"check that this is the {kind}",
            )
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise refuse(f"the {kind} can't be opened: {reason}", "check the name and who may read it") from None
    if not data.strip(b" \t\r\n\x00"):
        raise refuse(f"the {kind} is empty", "save it again from the program that made it")
    return data


def _neighbours(path: Path) -> str:
    try:
        names = sorted(item.name for item in path.parent.iterdir())[:2000]
    except OSError:
        return f"there is no folder {path.parent}; check the path"
    return suggestion(path.name, names, "check the name and the folder")


def read_toml(path: Path, kind: str) -> TomlFile:
    """Read a TOML file (a plan or a codebook), whatever byte-order mark its editor left."""
    data = read_bytes(path, kind, LARGEST)

    def refuse(problem: str, remedy: str) -> InputProblem:
        return InputProblem(Problem(str(path), None, None, None, problem, remedy))

    encoding = "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        raise refuse(f"the {kind} is not UTF-8 text", "save it as UTF-8 in the editor") from None
    try:
        tables = tomllib.loads(text.replace("\r\n", "\n").replace("\r", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise refuse(
            f"the {kind} is not valid TOML: {error}",
            "texts stand in quotation marks, lists in [square brackets], and a folder is written with /",
        ) from None
    return TomlFile(path, tables, text, hashlib.sha256(data).hexdigest())


def unknown_keys(file: str, where: str, found: Iterable[str], known: Iterable[str]) -> list[Problem]:
    """Return one problem for each key that is not known, with the nearest known one suggested."""
    names = list(known)
    problems = []
    for name in found:
        if name not in names:
            path = f"{where}.{name}" if where else name
            remedy = suggestion(name, names, f"known here: {', '.join(names)}")
            problems.append(Problem(file, None, path, None, f"unknown key {name!r}", remedy))
    return problems


def table(
    file: str, where: str, parent: Mapping[str, Any], name: str, problems: list[Problem]
) -> dict[str, Any]:
    """Return the table `name` of `parent` ({} where absent), noting a problem when it is something else."""
    found = parent.get(name, {})
    if isinstance(found, dict):
        return found
    path = f"{where}.{name}" if where else name
    problems.append(
        Problem(file, None, path, str(found), "this should be a table", f"write [{path}] above its keys")
    )
    return {}
