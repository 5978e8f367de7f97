"""A second language for tests: the English file with every text changed by a function."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from reading_shapes import quoted

from analysis.reading.words import cautions, words


def write_language(
    folder: Path, change: Callable[[str, str, str], str], edit: Callable[[dict], Any] = lambda _: None
) -> str:
    """Write the words and the cautions of a language and return its name, the path of the words.

    `change(group, key, text)` gives each new text; `edit` may alter the tables before they are written.
    """
    tables: dict[str, dict[str, str]] = {
        group: {key: change(group, key, text) for key, text in table.items()}
        for group, table in words().items()
    }
    edit(tables)
    lines = []
    for group, table in tables.items():
        lines += [f"[{quoted(group)}]", *(f"{quoted(key)} = {quoted(text)}" for key, text in table.items())]
    warned = [f"  {quoted(change('cautions', str(i), text))}," for i, text in enumerate(cautions())]
    for kind, text in (("words", "\n".join(lines)), ("cautions", "\n".join(["cautions = [", *warned, "]"]))):
        path = folder / kind / "other.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        tomllib.loads(text)
        path.write_text(text + "\n", encoding="utf-8")
    return str(folder / "words" / "other.toml")
