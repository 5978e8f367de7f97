"""Result shapes and what they must say: `python tests/reading_shapes.py` writes tests/reading/shapes.csv.

A shape is one call of a sentence function with plain facts typed in here. The file is for people: read each line of it
for sense and grammar before it is committed. The tests then hold every sentence to it, word for word.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reading_shapes_further import FURTHER, PIKED, TUCKED, Call

from analysis.reading import sentences
from analysis.reading.claim import claim_of
from analysis.reading.sentences import Arm

FILE = Path(__file__).parent / "reading" / "shapes.csv"
UNITS = {"stuck": "proportion", "deduction": "points", "landing grade": "probability"}


@dataclass(frozen=True)
class Shape:
    """One call: the function's name in `sentences`, and what is passed to it."""

    name: str
    function: str
    facts: dict[str, Any]

    def says(self, language: str = "en") -> str:
        return getattr(sentences, self.function)(**self.facts, language=language)

    @property
    def told(self) -> str:
        """The facts on one line, for the reader of the file."""
        return "; ".join(f"{name} {_told(value)}" for name, value in self.facts.items())


def _told(value: Any) -> str:
    if isinstance(value, Arm):
        mean = "" if value.mean is None else f", mean {value.mean:g}"
        return f"{value.x}/{value.n} ({value.low:g} to {value.high:g}{mean})"
    if isinstance(value, (tuple, list)):
        return f"({', '.join(_told(item) for item in value)})"
    return f"{value:g}" if isinstance(value, float) else str(value)


def piked(x: int = 6, n: int = 9, low: float = 0.35, high: float = 0.88, mean: float | None = 0.20) -> Arm:
    return Arm(PIKED, x, n, low, high, mean)


def tucked(x: int = 14, n: int = 22, low: float = 0.43, high: float = 0.80, mean: float | None = 0.17) -> Arm:
    return Arm(TUCKED, x, n, low, high, mean)


def shapes() -> list[Shape]:
    """Every shape, in the order of the file; each has its own name."""
    found = [
        Shape(name, function, facts)
        for maker in (_headlines, _edges_of_headlines, _beside_headlines, *FURTHER)
        for name, function, facts in maker()
    ]
    names = [shape.name for shape in found]
    assert len(set(names)) == len(names), [name for name in names if names.count(name) > 1]
    return found


def _headline(name: str, outcome: str, limits: tuple[float, float] | None, **more: Any) -> Call:
    """A headline whose estimate is that of its arms, unless it is given; a chance less one half is always given."""
    low, high = limits or (math.nan, math.nan)
    first, second = more.pop("first", piked()), more.pop("second", tucked())
    facts: dict[str, Any] = {"outcome": outcome, "first": first, "second": second}
    if outcome == "stuck" and "estimate" not in more:
        more["estimate"] = round(first.x / first.n - second.x / second.n, 4)
    elif outcome == "deduction" and "estimate" not in more:
        more["estimate"] = round(first.mean - second.mean, 4)
    facts |= {"estimate": more.pop("estimate"), "limits": limits, "level": 0.95}
    facts["claim"] = claim_of(low, high, more.get("matters"))
    return name, "headline_sentence", {**facts, **more}


def _headlines() -> Iterator[Call]:
    """Outcomes by claims, sides and what matters. Points have the limits of rates, with their sign turned."""
    better = piked(15, 18, 0.61, 0.94, 0.09), tucked(12, 25, 0.30, 0.67, 0.42)
    worse = piked(8, 18, 0.25, 0.66, 0.42), tucked(21, 25, 0.65, 0.94, 0.09)
    even = piked(6, 9, 0.35, 0.88, 0.14), tucked(14, 22, 0.43, 0.80, 0.17)
    alike = piked(61, 80, 0.66, 0.84, 0.16), tucked(68, 91, 0.65, 0.83, 0.17)
    across = {
        "shown higher": (better, 0.33, (0.06, 0.48), {}),
        "shown lower": (worse, -0.33, (-0.48, -0.08), {}),
        "not shown": (even, 0.03, (-0.33, 0.37), {}),
        "not shown, the limit is 0": (better, 0.33, (0.0, 0.49), {}),
        "not shown, the upper limit is 0": (worse, -0.33, (-0.49, 0.0), {}),
        "inside what matters": (alike, 0.01, (-0.06, 0.08), {"matters": 0.1}),
        "inside what matters, and not 0": (alike, 0.015, (0.005, 0.08), {"matters": 0.1}),
        "not shown, wider than what matters": (even, 0.03, (-0.33, 0.37), {"matters": 0.1}),
        "shown higher, wider than what matters": (better, 0.33, (0.06, 0.48), {"matters": 0.1}),
        "more was asked, shown": (better, 0.33, (0.11, 1.0), {"sides": "more"}),
        "more was asked, not shown": (even, 0.03, (-0.27, 1.0), {"sides": "more"}),
        "more was asked, seems lower": (worse, -0.33, (-0.47, 1.0), {"sides": "more"}),
        "fewer was asked, shown": (worse, -0.33, (-1.0, -0.12), {"sides": "fewer"}),
        "fewer was asked, not shown": (even, 0.03, (-1.0, 0.31), {"sides": "fewer"}),
        "fewer was asked, seems higher": (better, 0.33, (-1.0, 0.48), {"sides": "fewer"}),
        "nothing is ruled out": (even, 0.03, (-1.0, 1.0), {}),
    }
    for outcome, (name, (arms, chance, (low, high), more)) in itertools.product(UNITS, across.items()):
        facts: dict[str, Any] = {"first": arms[0], "second": arms[1], **more}
        limits = (low, high)
        if outcome == "landing grade":
            limits = (max(low, -0.5), min(high, 0.5))
            facts["estimate"] = chance
        elif outcome == "deduction":
            # The technique that sticks more loses less.
            limits = (-high, -low)
            facts["sides"] = {"more": "fewer", "fewer": "more"}.get(more.get("sides", ""), "two")
            if facts["sides"] != "two":
                limits = tuple(end if abs(end) < 1 else math.copysign(math.inf, end) for end in limits)
        yield _headline(f"{outcome}: {name}", outcome, limits, **facts)


def _edges_of_headlines() -> Iterator[Call]:
    """Full and empty houses, few routines, one routine, no routine, no interval, rounding."""
    nine, none, every = piked(9, 9, 0.70, 1.0, 0.0), piked(0, 16, 0.0, 0.19), tucked(22, 22, 0.85, 1.0)
    nothing = tucked(0, 22, 0.0, 0.15, 0.3)
    for name, limits, first, second in (
        ("9 of 9 stuck, shown", (0.02, 0.58), nine, tucked()),
        ("9 of 9 stuck, not shown", (-0.03, 0.58), nine, tucked()),
        ("0 of 16 stuck, shown", (-0.80, -0.31), none, tucked()),
        ("0 of 16 against 22 of 22", (-1.0, -0.75), none, every),
        ("everything stuck", (-0.15, 0.30), nine, every),
        ("nothing stuck", (-0.15, 0.19), none, nothing),
        ("9 of 9 against 0 of 22", (0.67, 1.0), nine, nothing),
        ("a full house whose limit is not known", (-0.2, 0.6), piked(9, 9, math.nan, math.nan), tucked()),
        ("one percentage point", (-0.15, 0.18), piked(30, 40), tucked(37, 50)),
        ("minus one percentage point", (-0.18, 0.15), piked(37, 50), tucked(30, 40)),
        ("less than half a percentage point", (-0.18, 0.19), piked(30, 47), tucked(28, 44)),
        ("the same rate in the sample", (-0.28, 0.28), piked(12, 18), tucked(14, 21)),
        ("a half is rounded away from 0", (-0.025, 0.345), piked(33, 40), tucked(33, 50)),
    ):
        yield _headline(name, "stuck", limits, first=first, second=second)
    large = {"first": piked(61, 104, 0.490, 0.676, 0.213), "second": tucked(70, 131, 0.449, 0.617, 0.302)}
    yield _headline("stuck: more than a hundred routines", "stuck", (-0.0764, 0.1764), **large)
    yield _headline("deduction: more than a hundred routines", "deduction", (-0.1745, -0.0035), **large)
    chance = {"estimate": 0.0541, **large}
    yield _headline(
        "landing grade: more than a hundred routines", "landing grade", (-0.0231, 0.1312), **chance
    )
    for outcome, sign in (("stuck", 1), ("deduction", -1), ("landing grade", 1)):
        two, one = {"first": piked(2, 2, 0.34, 1.0, 0.0)}, {"first": piked(1, 1, 0.21, 1.0, 0.0)}
        if outcome == "landing grade":
            two["estimate"], one["estimate"] = 0.18, 0.5
        ends = {"limits": (0.04, 0.5)} if sign > 0 else {"limits": (-0.5, -0.04)}
        named = f"{outcome}: two routines, although the interval excludes 0"
        yield _headline(named, outcome, **ends, **two, claim="not shown")
        against = {"second": tucked(0, 1, 0.0, 0.79, 0.3)}
        yield _headline(
            f"{outcome}: one routine each",
            outcome,
            (-0.5, 0.5) if outcome != "stuck" else (-0.5, 1.0),
            **one,
            **against,
        )
        named = f"{outcome}: two routines and a one-sided question"
        limits = (-0.3, math.inf) if sign > 0 else (-math.inf, 0.3)
        yield _headline(named, outcome, limits, **two, sides="more" if sign > 0 else "fewer")
        why = "the first technique has no routine that can be used"
        yield _headline(f"{outcome}: no routine of the first", outcome, None, estimate=None, why=why)
    why = "all routines of a technique lose the same, so the data cannot say how far off the difference is"
    yield _headline("deduction: never varies", "deduction", None, why=why, first=nine, second=nothing)
    alike = {"first": piked(0, 9, 0.0, 0.30, 0.3), "second": nothing}
    yield _headline("deduction: never varies and is equal", "deduction", None, why=why, **alike)
    why = "every athlete showed both techniques once and landed them alike."
    yield _headline("stuck: no interval", "stuck", None, why=why, first=nine)
    why = "the routines of a technique all land alike"
    for name, value in (("higher", 0.21), ("always higher", 0.5), ("always lower", -0.5), ("even", 0.0)):
        yield _headline(f"landing grade: no interval, {name}", "landing grade", None, why=why, estimate=value)
    for name, limits, value, first in (
        ("landing grade: better in every pair", (0.38, 0.5), 0.5, nine),
        ("landing grade: worse in every pair", (-0.5, -0.33), -0.5, none),
    ):
        yield _headline(name, "landing grade", limits, estimate=value, first=first, second=nothing)
    yield _headline(
        "a margin wider than a chance can be", "landing grade", (-0.3, 0.4), matters=0.6, estimate=0.1
    )
    many = {"first": piked(700, 1000), "second": tucked(699, 1000)}
    yield _headline("a margin of one percentage point", "stuck", (-0.004, 0.006), matters=0.01, **many)
    yield _headline("a margin in points", "deduction", (-0.02, 0.045), matters=0.05, first=piked(mean=0.18))
    better = {"first": piked(15, 18), "second": tucked(12, 25)}
    yield _headline("a level of 90 %", "stuck", (0.12, 0.52), level=0.9, **better)
    yield _headline("a level of 99.5 %", "stuck", (-0.07, 0.69), level=0.995, **better)
    brace = Arm('{0.__class__} & "half"', 6, 9, 0.35, 0.88, 0.20)
    yield _headline("braces and quotation marks in a name", "stuck", (-0.33, 0.37), first=brace)


def _beside_headlines() -> Iterator[Call]:
    """p-values, the overall test, one side, disagreement, who comes back."""
    for p in (0.0004, 0.0339, 0.0497, 0.05, 0.0503, 0.287, 0.9996, 1.0):
        facts = {"p": p, "test": "exact unconditional, pooled score", "why": ""}
        yield f"a p-value of {p:g}", "p_sentence", facts
    yield (
        "a p-value without an interval",
        "p_sentence",
        {"p": 0.004, "test": "rank sum", "why": "", "interval": False},
    )
    for name, p in (("none", None), ("not a number", math.nan)):
        why = "the p-value could not be computed" if p is None else "Nothing varies."
        yield f"a p-value that is {name}", "p_sentence", {"p": p, "test": "", "why": why}
    for techniques, p, by_pairs in ((3, 0.021, False), (3, 0.0002, True), (5, 1.0, False), (4, 0.31, True)):
        facts = {"techniques": techniques, "p": p, "by_pairs": by_pairs}
        yield (
            f"{techniques} techniques together, {'pairs' if by_pairs else 'exact'}",
            "overall_sentence",
            facts,
        )
    yield "one side only", "one_sided_sentence", {}
    for excludes, clustered in itertools.product((True, False), repeat=2):
        name = f"interval {'excludes' if excludes else 'holds'} 0 against its p{', athletes' if clustered else ''}"
        yield name, "disagreement_sentence", {"excludes": excludes, "clustered": clustered}
    for choice, returning, later in (
        ("first", 21, 31),
        ("first", 1, 1),
        ("first", 1, 3),
        ("cluster", 21, 31),
        ("cluster", 1, 1),
        ("all", 21, 31),
        ("all", 1, 1),
        ("cluster", 0, 0),
    ):
        facts = {"choice": choice, "athletes": 52, "returning": returning, "later": later}
        yield f"{returning} come back with {later} later routines, {choice}", "repeats_sentence", facts


def quoted(text: str) -> str:
    """A text as TOML writes it."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def file_text(found: list[Shape]) -> str:
    """The whole file: one line a shape, with its name, its call and its sentence."""
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow(("shape", "call", "says"))
    lines.writerows((shape.name, f"{shape.function}: {shape.told}", shape.says()) for shape in found)
    return text.getvalue()


if __name__ == "__main__":
    FILE.write_text(file_text(shapes()), encoding="utf-8")
