"""What the next meets must bring, as a table and in the words of the picture."""

from __future__ import annotations

from analysis.comparison.planning import Planning, Supposition
from analysis.publish import numbers
from analysis.publish.tables import Table, table_of

ROUGH = 1
"""Planned numbers are suppositions: they are printed with as many digits as a handful of routines would get."""


def planning_table(planning: Planning) -> Table:
    """Expected half width of the interval and chance of showing a difference, by routines per technique."""
    suppositions = planning.suppositions
    several = planning.design_effect > 1.005
    header = ["Routines per technique"]
    if several:
        header.append("Worth, independent routines")
    for one in suppositions:
        rates = f"if {rates_words(one)}"
        header += [f"Half width, percentage points, {rates}", f"Chance, %, {rates}"]
    lines = []
    for place, step in enumerate(suppositions[0].steps):
        line = [numbers.whole(step.routines)]
        if several:
            line.append(numbers.whole(step.effective))
        for one in suppositions:
            line += [half_width_words(one.steps[place].half_width), chance_words(one.steps[place].chance)]
        lines.append(line)
    level = numbers.level(planning.level)
    notes = [
        f"A new sample with as many routines of {planning.first} as of {planning.second}. "
        + " ".join(f"{numbers.capital(supposition_words(planning, one))}." for one in suppositions),
        "The rates seen are not taken as true: a power computed at them only repeats the p-value. Around their mean "
        f"(one stuck and one other routine added to each count) the difference is set to {_matters(planning)}"
        + (", and to half of what was seen." if len(suppositions) > 1 else "."),
        f"Half width: expected of the {level} interval by {planning.method}, averaged over every sample that could "
        f"come. Chance: exact power of the test {planning.test}{_side(planning)}.",
        f"Because athletes come back, {numbers.decimal(planning.design_effect, 1)} routines of this sample carry as "
        "much as one of an athlete seen once; the next meets are taken to be alike in that."
        if several
        else "",
    ]
    return table_of("planning", "What the next meets must bring", header, lines, text_columns=(), notes=notes)


def rates_words(one: Supposition) -> str:
    """Two supposed rates."""
    return f"{_bare(one.first)} against {numbers.percent(one.second, ROUGH)}"


def supposition_words(planning: Planning, one: Supposition) -> str:
    """A supposition in a phrase: how far apart, why that far, and the two rates."""
    apart = f"{numbers.percentage_points(abs(one.difference), ROUGH)} percentage points apart"
    if one.basis == "half":
        why = "half of what was seen"
    elif planning.matters_given:
        why = "the smallest difference that matters by the plan"
    else:
        why = "a difference that would matter"
    return f"{apart}, {why}: {rates_words(one)}"


def half_width_words(value: float) -> str:
    """A half width in percentage points, without the unit."""
    return numbers.percentage_points(value, ROUGH)


def chance_words(value: float) -> str:
    """A chance in percent, without the unit; near certainty it is only bounded."""
    return "> 99" if value >= 0.995 else _bare(value)


def enough_words(planning: Planning, one: Supposition) -> str:
    """How many routines per technique give the chance wanted."""
    wanted = numbers.percent(planning.wanted, ROUGH)
    if one.enough is not None:
        return f"about {numbers.whole(one.enough)} routines per technique give a chance of {wanted}"
    last = one.steps[-1]
    return (
        f"{numbers.whole(last.routines)} routines per technique don't reach a chance of {wanted}; there it is "
        f"{chance_words(last.chance)} %"
    )


def _bare(value: float) -> str:
    return numbers.percent(value, ROUGH).removesuffix("%").rstrip()


def _matters(planning: Planning) -> str:
    size = f"{numbers.percentage_points(planning.matters, ROUGH)} percentage points"
    if planning.matters_given:
        return f"{size}, the smallest difference that matters by the plan"
    return f"{size}, because the plan names no smallest difference that matters"


def _side(planning: Planning) -> str:
    return "" if planning.alternative == "two-sided" else f", one-sided ({planning.alternative})"
