"""The shapes of what stands beside the headline: like with like, points, trades, graded landings, earlier beliefs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any

PIKED, TUCKED = "piked double back", "tucked double back"
CLAIMS = ("first higher", "first lower", "about the same", "not shown")

Call = tuple[str, str, dict[str, Any]]
"""The name of a shape, its function in `analysis.reading.sentences`, and what is passed to it."""


def _strata() -> Iterator[Call]:
    """Within strata: nothing changes, the claim changes, the sign changes."""

    def call(name: str, claim: str, claim_within: str, **more: Any) -> Call:
        sides = {"first higher": 0.16, "first lower": -0.16, "about the same": 0.02, "not shown": 0.09}
        facts = {"by": ["meet"], "plain": sides[claim], "within": sides[claim_within], "n": 83, **more}
        said = {
            "sign_changes": facts["plain"] * facts["within"] < 0,
            "claim": claim,
            "claim_within": claim_within,
        }
        return f"within strata: {name}", "strata_sentence", {**facts, **said}

    for plain, within in itertools.product(CLAIMS, CLAIMS):
        yield call(f"{plain}, then {within}", plain, within)
    yield call("the sign turns, not shown", "not shown", "not shown", within=-0.04)
    yield call("two columns", "not shown", "not shown", by=["meet", "round"])
    yield call("three columns", "first higher", "not shown", by=["meet", "round", "day"], n=214)
    yield call("one point within", "not shown", "not shown", within=0.01, plain=0.0)
    yield call("a hair's breadth of the other sign", "not shown", "not shown", plain=0.002, within=-0.001)


def _adjusted() -> Iterator[Call]:
    """For the same mix of columns, in the headline's own unit."""

    def call(name: str, claim: str, claim_adjusted: str, unit: str = "proportion", **more: Any) -> Call:
        facts: dict[str, Any] = {"columns": ["difficulty", "round"], "unit": unit, "plain": 0.14}
        facts |= {"adjusted": (0.11, -0.18, 0.37), "level": 0.95, "n": 81, "fewer": False}
        facts |= {"claim": claim, "claim_adjusted": claim_adjusted, "why": ""}
        return f"same mix, {unit}: {name}", "adjusted_sentence", {**facts, **more}

    limits = {
        "first higher": (0.11, 0.02, 0.37),
        "first lower": (-0.11, -0.37, -0.02),
        "about the same": (0.01, -0.04, 0.06),
        "not shown": (0.11, -0.18, 0.37),
    }
    for unit in ("proportion", "points"):
        for claim, adjusted in itertools.product(CLAIMS, CLAIMS):
            plain = {"first higher": 0.14, "first lower": -0.14, "about the same": 0.02}.get(claim, 0.07)
            name = f"{claim}, then {adjusted}"
            yield call(name, claim, adjusted, unit, plain=plain, adjusted=limits[adjusted])
    yield call("gaps, same claim", "not shown", "not shown", fewer=True)
    yield call("gaps, other claim", "first higher", "not shown", fewer=True)
    yield call("gaps, other sign", "not shown", "not shown", fewer=True, plain=-0.02)
    yield call("one column", "not shown", "not shown", columns=["difficulty"])
    yield call("three columns", "not shown", "not shown", columns=["difficulty", "round", "meet"])
    yield call("the plain one is missing", "not shown", "first higher", plain=None, adjusted=(0.3, 0.1, 0.5))
    yield call("the plain one is missing, with gaps", "not shown", "not shown", plain=None, fewer=True)
    yield call("one percentage point", "not shown", "not shown", adjusted=(0.01, -0.2, 0.22), plain=0.01)
    why = "12 routines have a value in every column, fewer than 20"
    yield call("refused", "first higher", "not shown", adjusted=None, why=why)
    yield call("refused with a full stop", "first higher", "not shown", adjusted=None, why=why + ".")
    yield call("no answer", "not shown", "not shown", adjusted=(None, None, None))
    yield call("no limits", "not shown", "not shown", adjusted=(0.1, None, None))


def _adjusted_odds() -> Iterator[Call]:
    """For routines alike in the columns, as odds of a better landing."""

    def call(name: str, claim: str, claim_adjusted: str, ratio: tuple, **more: Any) -> Call:
        facts: dict[str, Any] = {"columns": ["difficulty", "round"], "unit": "odds ratio", "plain": 0.14}
        facts |= {"adjusted": ratio, "level": 0.95, "n": 81, "fewer": False}
        facts |= {"claim": claim, "claim_adjusted": claim_adjusted, "why": ""}
        return f"alike, odds: {name}", "adjusted_sentence", {**facts, **more}

    yield call("same, open", "not shown", "not shown", (1.62, 0.71, 3.7))
    yield call("same, better", "first higher", "first higher", (2.41, 1.08, 5.4))
    yield call("same, worse", "first lower", "first lower", (0.41, 0.19, 0.93), plain=-0.14)
    yield call("turns open", "first higher", "not shown", (1.62, 0.71, 3.7))
    yield call("turns better", "not shown", "first higher", (2.41, 1.08, 5.4))
    yield call("turns worse", "not shown", "first lower", (0.41, 0.19, 0.93), plain=-0.02)
    yield call("from the same to better", "about the same", "first higher", (2.41, 1.08, 5.4), plain=0.02)
    yield call("other sign, open", "not shown", "not shown", (0.84, 0.41, 1.8))
    yield call("other sign, better", "first lower", "first higher", (2.41, 1.08, 5.4), plain=-0.14)
    yield call("gaps", "not shown", "not shown", (1.62, 0.71, 3.7), fewer=True)
    yield call("gaps, other claim", "first higher", "not shown", (1.62, 0.71, 3.7), fewer=True)
    yield call("gaps, other sign", "not shown", "not shown", (0.84, 0.41, 1.8), fewer=True)
    yield call("no bound", "first higher", "first higher", (math.inf, 1.2, math.inf))
    yield call("no bound, claim changes", "not shown", "first higher", (math.inf, 1.2, math.inf))
    yield call("no upper limit", "not shown", "not shown", (8.4, 0.9, math.inf))
    yield call("no odds", "first lower", "first lower", (0.0, 0.0, 0.8), plain=-0.3)
    yield call("no limits at all", "not shown", "not shown", (1.3, 0.0, math.inf))
    yield call("huge", "first higher", "first higher", (8400.0, 3.1, 2e9))
    yield call("tiny", "first lower", "first lower", (0.002, 1e-9, 0.31), plain=-0.4)
    yield call("the plain one is missing", "not shown", "first higher", (2.41, 1.08, 5.4), plain=None)
    yield call("refused", "not shown", "not shown", (), adjusted=None, why="round has one value only")


def _points() -> Iterator[Call]:
    """Points saved per routine: saved, costing, open, equal; with falls and without; without an interval."""

    def call(
        name: str, estimate: float, low: float, high: float, falls: str = "with falls", **more: Any
    ) -> Call:
        facts = {"first": PIKED, "second": TUCKED, "estimate": estimate, "low": low, "high": high}
        return f"points: {name}, {falls}", "points_sentence", {**facts, "level": 0.95, "falls": falls, **more}

    for falls in ("with falls", "without falls", "no falls"):
        yield call("saved", -0.12, -0.21, -0.04, falls)
        yield call("costing", 0.12, 0.04, 0.21, falls)
        yield call("open, seems to save", -0.05, -0.21, 0.11, falls)
        yield call("open, seems to cost", 0.05, -0.11, 0.21, falls)
        yield call("equal", 0.0, -0.11, 0.13, falls)
        yield call(
            "no interval", -0.3, math.nan, math.nan, falls, why="all routines of a technique lose the same"
        )
        yield call("no interval and equal", 0.0, math.nan, math.nan, falls)
    yield call("the limit is 0", -0.08, -0.16, 0.0)
    yield call("a thousandth saved", -0.0004, -0.02, 0.019)
    yield call("one point", 1.0, 0.4, 1.6)
    yield call("few routines, less", -0.3, -0.5, -0.1, few=True)
    yield call("few routines, more", 0.3, -0.2, 0.8, few=True)
    yield call("few routines, equal", 0.0, -0.2, 0.2, few=True)
    yield call("one side asked, saved", -0.12, -math.inf, -0.03)
    yield call("one side asked, not shown", -0.12, -math.inf, 0.06)
    yield call("other side asked, costing", 0.12, 0.03, math.inf)
    yield call("other side asked, not shown", 0.12, -0.06, math.inf)
    yield call("one side asked, seems to cost", 0.12, -math.inf, 0.21)
    yield call("other side asked, seems to save", -0.12, -0.21, math.inf)


def _trades() -> Iterator[Call]:
    """Difficulty value against points on the landing: signs of both, and what comes out."""

    def call(gain: float, saved: float, half: float, sure: float, falls: str = "with falls") -> Call:
        net = round(gain + saved, 6)
        limits = (round(net - half, 6), round(net + half, 6))
        name = f"trade: {gain:+g} difficulty, {saved:+g} saved, {limits[0]:g} to {limits[1]:g}, {falls}"
        facts = {"first": PIKED, "second": TUCKED, "gain": gain, "saved": saved, "net": net, "limits": limits}
        more = {"confidence": sure, "level": 0.95, "falls": falls}
        return name, "trade_sentence", {**facts, **more}

    for falls in ("with falls", "without falls"):
        yield call(0.1, 0.12, 0.10, 0.9998, falls)
        yield call(0.1, 0.12, 0.24, 0.97, falls)
        yield call(0.1, -0.15, 0.03, 0.0003, falls)
        yield call(0.1, -0.15, 0.24, 0.31, falls)
        yield call(-0.1, 0.15, 0.03, 0.998, falls)
        yield call(-0.1, 0.08, 0.24, 0.44, falls)
        yield call(-0.1, -0.05, 0.06, 0.004, falls)
    yield call(0.1, -0.1, 0.2, 0.5)
    yield call(0.0, 0.12, 0.10, 0.99)
    yield call(0.0, -0.12, 0.20, 0.12)
    yield call(0.2, 0.0, 0.10, 1.0)
    yield call(0.0, 0.0, 0.10, 0.5)
    yield call(-0.2, 0.0, 0.10, 0.0)
    yield call(0.1, -0.0004, 0.12, 0.951)


def _graded_and_prior() -> Iterator[Call]:
    """Pairs a grade apart, and what an earlier belief makes of the counts."""
    for first, second, tie in (
        (0.36, 0.22, 0.42),
        (1.0, 0.0, 0.0),
        (0.0, 1.0, 0.0),
        (0.0, 0.0, 1.0),
        (0.0, 0.364, 0.636),
        (0.9975, 0.0, 0.0025),
    ):
        facts = {"first": PIKED, "second": TUCKED, "first_better": first, "second_better": second, "tie": tie}
        yield f"graded: {first:g}, {second:g}, {tie:g}", "graded_sentence", {**facts, "n": 83}
    for name, prior, difference, chance in (
        ("even", (1.0, 1.0), (0.29, 0.02, 0.53), 0.982),
        ("weak", (0.5, 0.5), (-0.13, -0.36, 0.11), 0.14),
        ("strong", (40.0, 25.0), (0.01, -0.08, 0.10), 0.58),
        ("sure of more", (1.0, 1.0), (0.71, 0.52, 0.86), 0.99999),
        ("sure of fewer", (1.0, 1.0), (-0.71, -0.86, -0.52), 1e-7),
    ):
        facts = {"stuck": prior[0], "missed": prior[1], "difference": difference, "chance": chance}
        yield f"earlier belief: {name}", "prior_sentence", {**facts, "level": 0.95, "n": 83}


FURTHER = (_strata, _adjusted, _adjusted_odds, _points, _trades, _graded_and_prior)
