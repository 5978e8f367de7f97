"""Tiny sheets and the whole reading of each: `python tests/reading_sheets.py` writes tests/reading/readings.toml.

Where tests/reading_shapes.py calls one sentence at a time, these go through `analysis.compare`, so that the choice of
sentences and their order can be read too.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from reading_shapes import quoted
from studies import LAYOUT, PIKED, TUCKED, routines, write_study

import analysis
from analysis.comparison.result import Comparison

FILE = Path(__file__).parent / "reading" / "readings.toml"
STUCK, HOP, STEP, FALL = "stuck", "small step or hop", "large step or jump", "fall"
MIXED = [STUCK] * 14 + [HOP] * 5 + [STEP] * 3
Rows = list[tuple[Any, ...]]


def _two(piked: list[str], tucked: list[str], **more: str) -> Rows:
    return [*routines(PIKED, piked, "P", **more), *routines(TUCKED, tucked, "T", **more)]


def _returning() -> Rows:
    """Ten athletes at two meets: most come back, two with the other technique."""
    landings = [STUCK, HOP, STUCK, STUCK, STEP, STUCK, FALL, STUCK, HOP, STUCK]
    first = [*routines(PIKED, landings[:5], "A"), *routines(TUCKED, landings[3:8], "B")]
    again = [
        *routines(PIKED, landings[5:9], "A", "Sundern"),
        *routines(TUCKED, landings[1:4], "B", "Sundern"),
    ]
    crossed = [*routines(TUCKED, [HOP], "A", "Wittlich"), *routines(PIKED, [STUCK], "B", "Wittlich")]
    return [*first, *again, *crossed]


def _meets_apart() -> Rows:
    """Piked sticks less often in each of two meets, and more often over both."""
    easy = [*routines(PIKED, [STUCK] * 15 + [HOP] * 3, "P"), *routines(TUCKED, [STUCK] * 4, "T")]
    hard = [
        *routines(PIKED, [HOP] * 4, "p", "Sundern"),
        *routines(TUCKED, [STUCK] * 3 + [HOP] * 17, "t", "Sundern"),
    ]
    return [*easy, *hard]


CASES: dict[str, tuple[Callable[[], Rows], dict[str, Any]]] = {
    "9 of 9 against 14 of 22": (lambda: _two([STUCK] * 9, MIXED), {}),
    "nothing shown, with a trade": (lambda: _two(MIXED[5:16], MIXED), {"difficulty_gain": -0.1}),
    "deductions with falls": (
        lambda: _two([STUCK] * 7 + [FALL], [*MIXED[3:], FALL, FALL]),
        {"outcome": "deduction", "difficulty_gain": 0.2},
    ),
    "deductions without any fall": (lambda: _two(MIXED[9:20], MIXED), {"outcome": "deduction"}),
    "deductions that never vary": (lambda: _two([STUCK] * 9, [STEP] * 9), {"outcome": "deduction"}),
    "deductions, fewer asked": (lambda: _two(MIXED[8:], MIXED), {"outcome": "deduction", "sides": "fewer"}),
    "landing grade": (lambda: _two(MIXED[8:18], MIXED), {"outcome": "landing grade"}),
    "landing grade, every pair": (
        lambda: _two([STUCK] * 6, [STEP] * 5 + [HOP] * 2),
        {"outcome": "landing grade"},
    ),
    "more asked and not shown": (lambda: _two(MIXED[8:18], MIXED), {"sides": "more", "matters": 0.1}),
    "two routines": (lambda: _two([STUCK, STUCK], MIXED), {}),
    "no routine of the first": (
        lambda: [*routines(TUCKED, MIXED, "T"), ("Lindenau", "final", "P1", PIKED, "not seen", "")],
        {},
    ),
    "three techniques": (
        lambda: [*_two([STUCK] * 9, MIXED), *routines(LAYOUT, [HOP] * 6 + [FALL], "L")],
        {"compare": [PIKED, TUCKED, LAYOUT]},
    ),
    "athletes come back": (_returning, {}),
    "athletes come back, first routines": (_returning, {"repeats": "first"}),
    "athletes come back, all routines": (_returning, {"repeats": "all", "prior": [1, 1]}),
    "three athletes come back": (
        lambda: [*_two(MIXED[12:16], MIXED[10:13]), *_two(MIXED[13:16], MIXED[13:16], meet="Sundern")],
        {},
    ),
    "two athletes, five routines": (
        lambda: [
            *(row for meet in ("Lindenau", "Sundern") for row in routines(PIKED, [STUCK] * 2, "P", meet)),
            *(("Wittlich", "final", "P0", PIKED, HOP, "0.1") for _ in range(1)),
            *routines(TUCKED, MIXED[10:17], "T"),
        ],
        {},
    ),
    "athletes come back, landing grade": (_returning, {"outcome": "landing grade"}),
    "the sign turns within meets": (_meets_apart, {"strata": ["meet"]}),
    "the same within meets, adjusted": (
        lambda: [*_two(MIXED[10:20], MIXED[6:]), *_two(MIXED[9:19], MIXED[5:], meet="Sundern")],
        {"strata": ["meet"], "adjust": ["meet"], "repeats": "all"},
    ),
    "landing grade, adjusted": (
        lambda: [*_two(MIXED[10:20], MIXED[6:]), *_two(MIXED[9:19], MIXED[5:], meet="Sundern")],
        {"outcome": "landing grade", "adjust": ["meet"], "repeats": "all"},
    ),
    "nothing to adjust with": (lambda: _two(MIXED[12:20], MIXED[6:]), {"adjust": ["round"]}),
    "cells that could not be used": (
        lambda: [*_two(MIXED[8:18], MIXED), ("Lindenau", "final", "X1", PIKED, "", "")],
        {},
    ),
}


def compared(name: str, folder: Path) -> Comparison:
    """Compare one tiny sheet, written to a folder."""
    make, keys = CASES[name]
    return analysis.compare(write_study(folder, make(), **keys))


def file_text(readings: dict[str, Comparison]) -> str:
    """The whole file: headline, sentences and what can't be said, of every sheet."""
    lines = [
        "# What whole readings look like. Made by tests/reading_sheets.py; read each one before committing.",
    ]
    for name, comparison in readings.items():
        reading, graded, priors = comparison.reading, comparison.graded, comparison.priors
        more = [part.reading for part in (graded, priors) if part is not None]
        lines += ["", f"[{quoted(name)}]", f"headline = {quoted(reading.headline)}"]
        for key, said in (
            ("sentences", reading.sentences),
            ("cannot_say", reading.cannot_say),
            ("elsewhere", more),
        ):
            lines += [f"{key} = [", *(f"  {quoted(text)}," for text in said), "]"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    found = {}
    for case in CASES:
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            found[case] = compared(case, Path(folder))
        print(f"{time.perf_counter() - start:5.1f} s  {case}")
    FILE.write_text(file_text(found), encoding="utf-8")
