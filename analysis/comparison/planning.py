"""What the next meets must bring: how wide the interval will be, and the chance of showing a difference."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.comparison.choose import alternative_of
from analysis.shown import Shown
from analysis.stats.expected_width import METHODS, expected_width
from analysis.stats.power import exact_power
from analysis.stats.rejected_tables import NAMES
from analysis.stats.result import Alternative

if TYPE_CHECKING:
    from analysis.comparison.result import Group, Headline, Question

LADDER = (10, 15, 20, 30, 40, 50, 60, 80, 100, 120, 150, 200)
"""Routines per technique: from a club meet to some seasons."""

MATTERS = 0.2
"""The difference that is planned for where the plan of the study names none."""

WANTED = 0.8
ROUNDING = 1e-9
TEST = "barnard"
METHOD = "newcombe"
"""As `choose.alternative_of`, which stands on the result that this module is part of."""


@dataclass(frozen=True)
class PlanStep(Shown):
    """One number of routines per technique under one supposition.

    `effective` is the number of independent routines that it is worth. `half_width` is the expected half width of
    the interval of the difference, `chance` the probability that the test's p is at most 1 - level.
    """

    routines: int
    effective: int
    half_width: float
    chance: float


@dataclass(frozen=True)
class Supposition(Shown):
    """Two rates that might be true; `basis` is "matters" or "half", and `first` - `second` is `difference`.

    `enough` is about the number of routines per technique at which the chance reaches the one wanted for good, None
    where the last step falls short of it.
    """

    basis: str
    first: float
    second: float
    difference: float
    steps: tuple[PlanStep, ...]
    enough: int | None


@dataclass(frozen=True)
class Planning(Shown):
    """The planning curve of the headline's two techniques, for a new sample as large in one as in the other.

    The observed rates are not taken as true: a power at the observed rates only repeats the observed p. `matters` is
    the difference planned for, `matters_given` whether the plan of the study named it. `design_effect` is how many
    routines of this sample carry as much as one independent routine.
    """

    first: str
    second: str
    seen_first: int
    seen_second: int
    matters: float
    matters_given: bool
    design_effect: float
    level: float
    alternative: str
    wanted: float
    test: str
    method: str
    suppositions: tuple[Supposition, ...]


def make_planning(question: Question, groups: Sequence[Group], headline: Headline) -> Planning | None:
    """Plan the next sample for outcome "stuck".

    None for other outcomes, where a technique has no routine, and where athletes come back so often that 200 routines
    are worth less than two independent ones.

    Assumes that athletes come back as often, and resemble themselves as much, as in this sample.

    Parameters
    ----------
    question, groups, headline
        As in the comparison.

    Returns
    -------
    Planning or None
    """
    by_name = {group.name: group for group in groups}
    first, second = by_name.get(headline.first), by_name.get(headline.second)
    if headline.outcome != "stuck" or first is None or second is None or min(first.n, second.n) == 0:
        return None
    side = alternative_of(question.sides)
    effect = (_design_effect(first) + _design_effect(second)) / 2
    matters = MATTERS if question.matters is None else question.matters
    if LADDER[-1] < 2 * effect:
        return None
    suppositions = tuple(
        _supposition(basis, rates, effect, question.level, side)
        for basis, rates in _rates(first, second, matters, side)
    )
    return Planning(
        first=first.name,
        second=second.name,
        seen_first=first.n,
        seen_second=second.n,
        matters=matters,
        matters_given=question.matters is not None,
        design_effect=effect,
        level=question.level,
        alternative=side,
        wanted=WANTED,
        test=NAMES[TEST],
        method=METHODS[METHOD],
        suppositions=suppositions,
    )


def _design_effect(group: Group) -> float:
    """How many of its routines carry as much as an independent one; never less than 1."""
    return max(1.0, group.n / group.effective_n) if group.effective_n > 0 else 1.0


def _rates(
    first: Group, second: Group, matters: float, side: Alternative
) -> list[tuple[str, tuple[float, float]]]:
    """The pairs of rates to suppose, both around the mean of the observed ones.

    One more stuck and one more not stuck are added to each count, so that 9 of 9 is not taken for a rate of 1.
    """
    seen = [(group.x + 1) / (group.n + 2) for group in (first, second)]
    mean, apart = sum(seen) / 2, seen[0] - seen[1]
    sign = {"greater": 1.0, "less": -1.0}.get(side, -1.0 if apart < 0 else 1.0)
    found = [("matters", _around(mean, sign * matters))]
    # Half of what was seen: a difference that caught the eye is larger than the true one more often than not.
    half = apart / 2
    if sign * half >= 0.05 and abs(abs(half) - matters) >= 0.02:
        found.append(("half", _around(mean, half)))
    return found


def _around(mean: float, difference: float) -> tuple[float, float]:
    """Two rates with this difference around a mean, moved where one would leave the scale."""
    reach = abs(difference) / 2
    mean = min(max(mean, reach), 1 - reach)
    first, second = (min(1.0, max(0.0, mean + shift)) for shift in (difference / 2, -difference / 2))
    return first, second


def _supposition(
    basis: str, rates: tuple[float, float], effect: float, level: float, side: Alternative
) -> Supposition:
    p1, p2 = rates
    alpha = round(1 - level, 12)

    def chance(effective: int) -> float:
        return exact_power(p1, p2, effective, effective, TEST, alpha, side).power

    steps = []
    for routines in LADDER:
        effective = math.floor(routines / effect + ROUNDING)
        if effective >= 2:
            width = expected_width(p1, p2, effective, effective, METHOD, level)
            steps.append(PlanStep(routines, effective, width.half_width, chance(effective)))
    return Supposition(basis, p1, p2, p1 - p2, tuple(steps), _enough(steps, effect, chance))


def _enough(steps: Sequence[PlanStep], effect: float, chance: Callable[[int], float]) -> int | None:
    """Halve the gap between the last step that falls short and the next one.

    The chance is a saw, so a size or two above this one can fall short by less than a percent; `power.sample_size`
    looks at every one.
    """
    if steps[-1].chance < WANTED:
        return None
    short = [step for step in steps if step.chance < WANTED]
    low = short[-1].effective if short else 0
    high = next(step.effective for step in steps if step.effective > low and step.chance >= WANTED)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= WANTED else (middle, high)
    return math.ceil(high * effect - ROUNDING)
