"""Draw the invented autumn series: who competed, what they showed, how it landed.

Nothing here was seen in a gymnasium. The numbers in `TRUTH` are what an analysis should find back, so far as
180 routines allow; `make_demo.py` writes them to `truth.toml`. Only `Random.random` is used, which Python
keeps the same from version to version, so the same seed draws the same series on every machine.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from random import Random
from statistics import NormalDist

ATHLETES = 90
QUALIFIERS = 50  # per meet
FINALISTS = 10  # per meet
RECODED = 36  # routines that a second coder saw as well

LANDINGS = (
    "stuck",
    "small step or hop",
    "large step or jump",
    "several steps",
    "hand touch",
    "hand support",
    "fall",
)


@dataclass(frozen=True)
class Meet:
    """One meet: how much easier (+) or harder (-) its landings were, on the logit of sticking."""

    name: str
    date: str
    effect: float


@dataclass(frozen=True)
class Technique:
    """One dismount: the logit of a stick for an average athlete, and what it adds to D.

    `base` is its popularity on the log scale; `demand` times the athlete's quality is added to that, so that
    better athletes choose the demanding ones.
    """

    name: str
    stick: float
    value: float
    base: float
    demand: float


@dataclass(frozen=True)
class Truth:
    """Everything that the draws are made from."""

    athlete_sd: float
    selection: float
    switch: float
    final: float
    meets: tuple[Meet, ...]
    techniques: tuple[Technique, ...]


TRUTH = Truth(
    athlete_sd=1.0,
    selection=0.8,
    switch=0.12,
    final=-0.2,
    meets=(
        Meet("Kelvenau Open", "2025-09-20", 0.2),
        Meet("Brosslund Cup", "2025-10-18", -0.2),
        Meet("Ulmarsted Masters", "2025-11-15", 0.0),
    ),
    techniques=(
        Technique("piked double back", 0.8, 0.4, 0.7, 0.5),
        Technique("tucked double back", 0.4, 0.3, 1.0, -0.5),
        Technique("double front piked half out", -0.3, 0.6, 0.0, 1.0),
        Technique("tucked double back with full turn", 0.0, 0.5, 0.1, 0.8),
        Technique("layout with full turn", 0.6, 0.2, 0.3, -1.0),
    ),
)


@dataclass
class Routine:
    """One routine as the first coder wrote it down; `seen` is how it really landed."""

    routine: str
    meet: Meet
    round: str
    start_order: int
    athlete: str
    technique: str
    difficulty: float
    execution: float
    landing: str
    deduction: str
    other_faults: str
    note: str
    second_landing: str = ""
    second_deduction: str = ""


def draw(seed: int, truth: Truth = TRUTH) -> list[Routine]:
    """Draw the whole series, in the order in which a coder would have written it down."""
    rng = Random(seed)
    quality = [_normal(rng) for _ in range(ATHLETES)]
    main = [_choose(rng, truth, skill) for skill in quality]
    entries = _entries(rng, quality, len(truth.meets))
    routines: list[Routine] = []
    for meet, entered in zip(truth.meets, entries, strict=True):
        shown = []
        for place, athlete in enumerate(_shuffled(rng, entered), start=1):
            shown.append(_perform(rng, truth, meet, "qualification", place, athlete, quality, main))
        best = sorted(shown, key=lambda item: -(item.difficulty + item.execution))[:FINALISTS]
        for place, through in enumerate(reversed(best), start=1):
            athlete = int(through.athlete[1:]) - 1
            shown.append(_perform(rng, truth, meet, "final", place, athlete, quality, main))
        routines += shown
    for number, item in enumerate(routines, start=1):
        item.routine = f"R{number:03d}"
    _leave_gaps(rng, routines)
    _code_again(rng, routines)
    return routines


def shape_faults(routines: list[Routine]) -> list[str]:
    """What keeps a series from being a useful demo. No condition looks at how two techniques compare."""
    faults = []
    by_technique = Counter(item.technique for item in routines)
    if min(by_technique[technique.name] for technique in TRUTH.techniques) < 15:
        faults.append("a technique has fewer than 15 routines")
    if {item.landing for item in routines} != {*LANDINGS, "not seen"}:
        faults.append("a landing category never occurs")
    cells = Counter((item.technique, item.meet.name) for item in routines if item.landing != "not seen")
    sticks = Counter((item.technique, item.meet.name) for item in routines if item.landing == "stuck")
    full = [cell for cell, n in cells.items() if sticks[cell] == n and n >= 6]
    if len(full) != 1:
        faults.append("not exactly one technique is all stuck in one meet (6 routines or more)")
    if len({technique for technique, _ in cells}) * len(TRUTH.meets) != len(cells):
        faults.append("a technique is missing from a meet")
    shown: dict[str, set[str]] = {}
    for item in routines:
        shown.setdefault(item.athlete, set()).add(item.technique)
    if sum({"piked double back", "tucked double back"} <= kinds for kinds in shown.values()) < 3:
        faults.append("fewer than 3 athletes show both double backs")
    return faults


def first_seed() -> int:
    """The first seed, counted from 1, whose series meets the conditions of `shape_faults`."""
    seed = 1
    while shape_faults(draw(seed)):
        seed += 1
    return seed


def expected_rates(truth: Truth = TRUTH) -> dict[str, tuple[float, float]]:
    """Stuck rate of those who choose a technique, and of all athletes alike (average meet, qualification)."""
    grid = [i / 100 for i in range(-600, 601)]
    weights = [math.exp(-skill * skill / 2) for skill in grid]
    rates = {}
    for number, technique in enumerate(truth.techniques):
        stuck = [_logistic(technique.stick + truth.athlete_sd * skill) for skill in grid]
        chosen = [w * _shares(truth, skill)[number] for w, skill in zip(weights, grid, strict=True)]
        rates[technique.name] = (_mean(chosen, stuck), _mean(weights, stuck))
    return rates


def _mean(weights: list[float], values: list[float]) -> float:
    return math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(weights)


def _logistic(value: float) -> float:
    return 1 / (1 + math.exp(-value))


def _normal(rng: Random) -> float:
    return NormalDist().inv_cdf(max(rng.random(), 1e-12))


def _shares(truth: Truth, skill: float) -> list[float]:
    pull = [math.exp(item.base + truth.selection * item.demand * skill) for item in truth.techniques]
    return [one / sum(pull) for one in pull]


def _pick(rng: Random, shares: list[float]) -> int:
    mark, total = rng.random(), 0.0
    for number, share in enumerate(shares):
        total += share
        if mark < total:
            return number
    return len(shares) - 1


def _choose(rng: Random, truth: Truth, skill: float) -> int:
    return _pick(rng, _shares(truth, skill))


def _shuffled(rng: Random, items: list[int]) -> list[int]:
    return [item for _, item in sorted((rng.random(), item) for item in items)]


def _entries(rng: Random, quality: list[float], meets: int) -> list[list[int]]:
    """Everyone enters one meet; the other places of a meet go sooner to better athletes."""
    order = _shuffled(rng, list(range(ATHLETES)))
    entries = []
    for meet in range(meets):
        own = order[meet::meets]
        others = [athlete for athlete in range(ATHLETES) if athlete not in own]
        others.sort(key=lambda athlete: -(quality[athlete] + 1.5 * _normal(rng)))
        entries.append(own + others[: QUALIFIERS - len(own)])
    return entries


def _perform(
    rng: Random,
    truth: Truth,
    meet: Meet,
    round_name: str,
    place: int,
    athlete: int,
    quality: list[float],
    main: list[int],
) -> Routine:
    skill = quality[athlete]
    number = _choose(rng, truth, skill) if rng.random() < truth.switch else main[athlete]
    technique = truth.techniques[number]
    effect = meet.effect + (truth.final if round_name == "final" else 0.0)
    stuck = rng.random() < _logistic(technique.stick + truth.athlete_sd * skill + effect)
    landing = LANDINGS[0] if stuck else LANDINGS[1 + _pick(rng, [0.48, 0.22, 0.11, 0.05, 0.04, 0.10])]
    feet = _feet_points(rng, landing)
    other = (0, 100, 300)[_pick(rng, [0.62, 0.30, 0.08] if stuck else [0.50, 0.36, 0.14])]
    difficulty = round(4.3 + technique.value + 0.35 * skill + 0.15 * _normal(rng), 1)
    lost = 1.55 - 0.25 * skill + 0.25 * _normal(rng) + (feet + other) / 1000
    return Routine(
        routine="",
        meet=meet,
        round=round_name,
        start_order=place,
        athlete=f"A{athlete + 1:02d}",
        technique=technique.name,
        difficulty=difficulty,
        execution=round((10 - lost) * 20) / 20,  # the middle two of four judges: steps of 0.05
        landing=landing,
        deduction=_points(feet + other),
        other_faults=_points(other),
        note="",
    )


def _feet_points(rng: Random, landing: str) -> int:
    """Cost of feet and hands in thousandths: steps of 0.1 and 0.3 add up, a support or a fall costs 1.0."""
    if landing == "several steps":
        return (200, 400, 600)[_pick(rng, [0.5, 0.35, 0.15])]
    return {"stuck": 0, "small step or hop": 100, "large step or jump": 300, "hand touch": 300}.get(
        landing, 1000
    )


def _points(thousandths: int) -> str:
    return f"{thousandths / 1000:.1f}"


def _leave_gaps(rng: Random, routines: list[Routine]) -> None:
    """Six landings not seen, two of them with a deduction from the score sheet; two deductions left blank."""
    chosen = _shuffled(rng, list(range(len(routines))))[:8]
    for count, number in enumerate(chosen):
        item = routines[number]
        if count < 6:
            item.landing, item.other_faults = "not seen", ""
            item.note = "judge in the way" if count % 2 else "camera moved"
        if count in (0, 1, 2, 3, 6, 7):
            item.deduction, item.other_faults = "", ""


def _code_again(rng: Random, routines: list[Routine]) -> None:
    """A second coder on 36 of the routines: the same landing nine times in ten, else the next category."""
    chosen = sorted(_shuffled(rng, list(range(len(routines))))[:RECODED])
    for number in chosen:
        item = routines[number]
        agrees, upward = rng.random() < 0.9, rng.random() < 0.5
        if item.landing == "not seen" or agrees:
            item.second_landing, item.second_deduction = item.landing, item.deduction
            continue
        place = LANDINGS.index(item.landing)
        place = min(max(place + (1 if upward else -1), 0), len(LANDINGS) - 1)
        item.second_landing = LANDINGS[place]
        other = round(1000 * float(item.other_faults or 0))
        item.second_deduction = _points(_feet_points(rng, item.second_landing) + other)
