"""Tell whether a committed report is still the one that the code makes: stale.py COMMITTED FRESH

Compares the two folders: results.json number by number (a part in 1e9 may differ, as libraries do from one machine
to another; `source` names the versions of one machine and is left out), every text file to the letter, the page
without its drawings. Drawings and office files follow from the same numbers and differ with the drawing library.
"""

import json
import math
import re
import sys
from pathlib import Path

TEXTS = ("*.md", "*.csv", "*.html", "tables/*.csv", "tables/*.tex")
DRAWING = re.compile(r"<svg.*?</svg>", re.DOTALL)


def differences(old: object, new: object, where: str) -> list[str]:
    """List the places where two pieces of JSON differ."""
    if isinstance(old, dict) and isinstance(new, dict):
        keys = sorted(set(old) | set(new))
        return [line for key in keys for line in differences(old.get(key), new.get(key), f"{where}.{key}")]
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = zip(old, new, strict=True)
        return [line for i, (a, b) in enumerate(pairs) for line in differences(a, b, f"{where}[{i}]")]
    numbers = isinstance(old, float) and isinstance(new, float)
    if old == new or (numbers and math.isclose(old, new, rel_tol=1e-9, abs_tol=1e-12)):
        return []
    return [f"{where}: {old!r} is now {new!r}"]


def results(folder: Path) -> object:
    """The results of a report without the versions of the machine that made it."""
    body = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    body.pop("source", None)
    return body


def texts(folder: Path) -> dict[str, str]:
    """The text files of a report by their place in it, without drawings."""
    files = sorted(path for pattern in TEXTS for path in folder.glob(pattern))
    return {
        path.relative_to(folder).as_posix(): DRAWING.sub("", path.read_text(encoding="utf-8"))
        for path in files
    }


def main(committed: Path, fresh: Path) -> int:
    """Print the differences; 0 when there are none."""
    if not (committed / "results.json").is_file():
        print(f"{committed} holds no report")
        return 1
    found = differences(results(committed), results(fresh), "results.json")
    old, new = texts(committed), texts(fresh)
    found += [f"{name} differs" for name in sorted(set(old) | set(new)) if old.get(name) != new.get(name)]
    for line in found[:20]:
        print(line)
    if found:
        print(f"{len(found)} differences: make the report anew (see DEVELOPERS.md), look at it and commit it")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(*map(Path, sys.argv[1:])))
