"""Tell whether a committed results.json still has the numbers that the code makes: stale.py COMMITTED FRESH

Compares everything but `source`, which names the versions of one machine. Numbers may differ by a part in 1e9, as
libraries do from one machine to another.
"""

import json
import math
import sys
from pathlib import Path


def differences(old: object, new: object, where: str) -> list[str]:
    """List the places where the two differ."""
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


def main(committed: str, fresh: str) -> int:
    """Print the differences; 0 when there are none."""
    if not Path(committed).is_file():
        print(f"{committed} is missing; copy the fresh report there")
        return 1
    old, new = (json.loads(Path(name).read_text(encoding="utf-8")) for name in (committed, fresh))
    for body in (old, new):
        body.pop("source", None)
    found = differences(old, new, "results")
    for line in found[:20]:
        print(line)
    if found:
        print(f"{len(found)} places differ: make the report anew (see DEVELOPERS.md) and commit it")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
