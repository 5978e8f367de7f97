"""The planning curve: expected half width and chance of showing a difference, by routines per technique."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import pairwise

from analysis.comparison.planning import Planning
from analysis.publish import numbers
from analysis.publish.canvas import FAINT, INK, PAPER, SOFT, Canvas, Ruler
from analysis.publish.layout import AXIS_HEIGHT, Layout, Scale, axis, steps
from analysis.publish.planning import (
    ROUGH,
    enough_words,
    half_width_words,
    supposition_words,
)
from analysis.publish.sizes import SMALL, Size
from analysis.publish.sketch import Sketch

STYLES = (("D", INK, INK), ("o", PAPER, SOFT))
"""Mark, fill and line of each supposition; other ones than those of the techniques."""
LEAST_HEIGHT = 9.0
MOST_SHAPE = 0.72
LEVELS = (0.5, 0.3, 0.1)
"""Heights at which the number of routines that is enough may stand."""


@dataclass(frozen=True)
class _Line:
    value: float
    words: tuple[str, str]  # as they are wanted, and short where a curve is in the way


@dataclass(frozen=True)
class _Panel:
    """One curve per supposition, as (routines, value); `found` are the routines at which one reaches the `mark`."""

    title: str
    curves: tuple[tuple[tuple[int, float], ...], ...]
    most: float  # of the scale, in percent
    mark: _Line
    found: tuple[int | None, ...] = ()


def planning_sketch(planning: Planning) -> Sketch:
    """Two panels over the same numbers of routines: how exact the answer will be, and the chance of one."""
    said = []
    for one in planning.suppositions:
        widths = ", ".join(
            f"{numbers.whole(step.routines)} routines {half_width_words(step.half_width)}"
            for step in one.steps
        )
        said.append(
            f"{numbers.capital(supposition_words(planning, one))}. Half width in percentage points: {widths}. "
            f"{numbers.capital(enough_words(planning, one))}."
        )
    level = numbers.level(planning.level)
    caption = (
        f"Expected half width of the {level} interval of the difference, and chance that the test shows the supposed "
        f"difference, its p at most {numbers.tick(round(1 - planning.level, 10))}. Routines per technique, as many of "
        "one as of the other, in a sample of its own. The rates are suppositions, not the rates seen"
    )
    caption += "; athletes come back as often as in this sample." if planning.design_effect > 1.005 else "."
    return Sketch(
        "planning",
        "What the next meets must bring",
        " ".join(said),
        caption,
        partial(planning_plan, planning),
    )


def planning_plan(planning: Planning, size: Size, width: float, room: float | None) -> Layout:
    """Lay out the key and the two panels, beside each other or, on a narrow sheet, one above the other."""
    unit, ruler = size.type, Ruler(size)
    keys = [
        ruler.wrap(numbers.capital(supposition_words(planning, one)), width - 2 * unit, 0.92, most=3)
        for one in planning.suppositions
    ]
    key_height = (sum(len(key) for key in keys) * 1.28 * 0.92 + 1.0) * unit
    panels = _panels(planning)
    across = 1 if size.narrow else 2
    each = width if size.narrow else (width - 2 * unit) / 2
    titles = [ruler.wrap(panel.title, each, 1.0, bold=True, most=3) for panel in panels]
    title_height = (1.28 * max(len(title) for title in titles) + 0.9) * unit
    around = title_height + (AXIS_HEIGHT + 0.4) * unit
    rows = len(panels) // across
    height = max(LEAST_HEIGHT * unit, MOST_SHAPE * (each - 3 * unit))
    if room is not None:
        free = (room - key_height - (rows - 1) * unit) / rows - around
        height = max(LEAST_HEIGHT * unit, min(height, free))

    def draw(canvas: Canvas, left: float, top: float) -> None:
        y = top + unit
        for key, (shape, fill, edge) in zip(keys, STYLES, strict=False):
            canvas.rule(left, y - 0.33 * unit, left + 1.4 * unit, y - 0.33 * unit, edge, 0.14 * unit)
            canvas.marks([(left + 0.7 * unit, y - 0.33 * unit)], shape, 0.8 * unit, fill, edge, 0.14 * unit)
            y = canvas.lines(left + 2 * unit, y, key, 0.92)
        for place, (panel, title) in enumerate(zip(panels, titles, strict=True)):
            x = left + (place % across) * (each + 2 * unit)
            upper = top + key_height + (place // across) * (around + height + unit)
            canvas.lines(x, upper + unit, title, bold=True)
            _draw_panel(canvas, panel, x, upper + title_height, each, height)

    return Layout(key_height + rows * (around + height) + (rows - 1) * unit, draw)


def _panels(planning: Planning) -> tuple[_Panel, _Panel]:
    widths = tuple(
        tuple((step.routines, step.half_width) for step in one.steps) for one in planning.suppositions[:1]
    )
    chances = tuple(
        tuple((step.routines, step.chance) for step in one.steps) for one in planning.suppositions
    )
    widest = max(value for curve in widths for _, value in curve)
    matters = numbers.percentage_points(planning.matters, ROUGH)
    wanted = numbers.percent(planning.wanted, ROUGH)
    return (
        _Panel(
            "Half width, percentage points",
            widths,
            100 * max(widest, planning.matters, 0.1),
            _Line(planning.matters, (f"{matters}: what would matter", "would matter")),
        ),
        _Panel(
            "Chance to show it, %",
            chances,
            100.0,
            _Line(planning.wanted, (f"{wanted}: the chance wanted", "wanted")),
            tuple(one.enough for one in planning.suppositions),
        ),
    )


def _draw_panel(canvas: Canvas, panel: _Panel, left: float, top: float, width: float, height: float) -> None:
    unit = canvas.size.type
    most_routines = max(routines for curve in panel.curves for routines, _ in curve)
    bottom = top + height
    levels = steps(0.0, panel.most, 6)
    if levels[-1] < panel.most:
        levels.append(2 * levels[-1] - levels[-2])
    x = Scale(0, most_routines, left + 2.2 * unit, left + width - 1.2 * unit)
    y = Scale(0.0, levels[-1] / 100, bottom, top)
    ticks = [(value, numbers.tick(value)) for value in steps(0, most_routines, 5)]
    axis(canvas, x, ticks, top, bottom, "routines per technique")
    canvas.ticks([((x.left, y(value / 100)), (x.right, y(value / 100))) for value in levels], FAINT)
    for value in levels:
        words = numbers.tick(value)
        canvas.text(left + 1.8 * unit, y(value / 100) + 0.3 * unit, words, SMALL, SOFT, anchor="end")
    canvas.rule(x.left, bottom, x.right, bottom, SOFT, 0.08 * unit)
    _across(canvas, panel, x, y)
    for curve, (shape, fill, edge) in reversed(list(zip(panel.curves, STYLES, strict=False))):
        places = [(x(routines), y(value)) for routines, value in curve]
        for (x1, y1), (x2, y2) in pairwise(places):
            canvas.rule(x1, y1, x2, y2, edge, 0.14 * unit)
        canvas.marks(places, shape, 0.7 * unit, fill, edge, 0.12 * unit)
    for place in range(len(panel.found)):
        _found(canvas, panel, place, x, y)


def _across(canvas: Canvas, panel: _Panel, x: Scale, y: Scale) -> None:
    """The line of what is wanted, with its words where no curve runs: above it or below, at its start or end."""
    unit, at = canvas.size.type, y(panel.mark.value)
    canvas.rule(x.left, at, x.right, at, SOFT, 0.12 * unit)
    places = []
    for words in panel.mark.words:
        long = Ruler(canvas.size).width(words, SMALL) + 0.6 * unit
        for above in (True, False):
            upper = at - 1.5 * unit if above else at
            for start in (x.left, x.right - long):
                box = (start, start + long, upper, upper + 1.5 * unit)
                places.append((_crossings(panel, x, y, box), box, words))
    _, (start, end, upper, lower), words = min(places, key=lambda place: place[0])
    # White below the words, so that the lines of the scale don't run through them.
    canvas.bar(start + 0.15 * unit, upper + 0.2 * unit, end - start - 0.3 * unit, 1.1 * unit, PAPER)
    canvas.text(start + 0.3 * unit, lower - 0.45 * unit, words, SMALL, INK)


def _crossings(panel: _Panel, x: Scale, y: Scale, box: tuple[float, float, float, float]) -> int:
    """How many of a box's places lie on a curve or on a line down from one."""
    start, end, upper, lower = box
    air = 0.04 * (x.right - x.left)
    found = sum(
        routines is not None and lower > y(panel.mark.value) and start - air < x(routines) < end + air
        for routines in panel.found
    )
    for curve in panel.curves:
        for i in range(41):
            routines = curve[0][0] + (curve[-1][0] - curve[0][0]) * i / 40
            place = y(_between(curve, routines))
            found += start - air < x(routines) < end + air and upper - air / 2 < place < lower + air / 2
    return found


def _found(canvas: Canvas, panel: _Panel, place: int, x: Scale, y: Scale) -> None:
    """A line down from where a curve reaches what is wanted, with its number of routines where no curve runs."""
    unit, routines, (_, _, edge) = canvas.size.type, panel.found[place], STYLES[place]
    if routines is None:
        return
    canvas.rule(x(routines), y(panel.mark.value), x(routines), y(0.0), edge, 0.1 * unit)
    others = [_between(curve, routines) for i, curve in enumerate(panel.curves) if i != place]
    level = max(LEVELS, key=lambda share: min((abs(share - other) for other in others), default=0.0))
    words = numbers.whole(routines)
    late = x(routines) + Ruler(canvas.size).width(words, SMALL) + 0.5 * unit > x.right
    shift = -0.4 * unit if late else 0.4 * unit
    canvas.text(x(routines) + shift, y(level), words, SMALL, INK, anchor="end" if late else "start")


def _between(curve: tuple[tuple[int, float], ...], routines: float) -> float:
    """The height of a curve at a number of routines."""
    for (left, low), (right, high) in pairwise(curve):
        if left <= routines <= right:
            return low + (high - low) * (routines - left) / (right - left)
    return curve[0][1] if routines < curve[0][0] else curve[-1][1]
