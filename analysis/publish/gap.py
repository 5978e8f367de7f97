"""The gap between two techniques as one bar for a room: where many more routines could end up."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.publish.canvas import ACCENT, FAINT, INK, PALE, PAPER, SOFT, Anchor, Canvas, Ruler
from analysis.publish.layout import Layout, Scale, steps
from analysis.publish.sizes import SMALL, Size


@dataclass(frozen=True)
class Gap:
    """First minus second with its limits, None where a limit isn't asked for.

    `below` and `above` are the words at the ends of the bar, `ends` what each side means. A tick is printed as its
    distance from even times `factor`, or counted on from `start` where there is one.
    """

    estimate: float
    low: float | None
    high: float | None
    below: str
    above: str
    even: str
    ends: tuple[str, str]
    axis: str
    factor: float
    start: float | None
    matters: float | None


def gap_plan(gap: Gap, size: Size, width: float, room: float | None) -> Layout:
    """Lay the bar out over its scale, the words at its ends beside it."""
    unit, ruler = size.type, Ruler(size)
    margin = max(ruler.width(words, 1.0, True) for words in (gap.below, gap.above, "0")) + 1.3 * unit
    known = [gap.estimate, 0.0, *(end for end in (gap.low, gap.high) if end is not None)]
    band = gap.matters or 0.0
    known += [-1.2 * band, 1.2 * band]
    least, most = min(known), max(known)
    air = 0.06 * (most - least) or 0.1
    least, most = least - air, most + air
    ends = [ruler.wrap(words, width / 2 - unit, SMALL, most=3) for words in gap.ends]
    ends_height = 1.28 * SMALL * unit * max(len(end) for end in ends)
    above, below = 1.7 * unit, 2.9 * unit + ends_height + 0.4 * unit
    body = 2.6 * unit if room is None else min(max(2.6 * unit, room - above - below), 6 * unit)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        scale = Scale(least, most, left + margin, left + width - margin)
        upper, lower = top + above, top + above + body
        if band:
            canvas.bar(scale(-band), upper, scale(band) - scale(-band), body, PALE)
        ticks = [value / gap.factor for value in steps(least * gap.factor, most * gap.factor, 7)]
        canvas.ticks([((scale(value), upper), (scale(value), lower)) for value in ticks], FAINT)
        for value in ticks:
            words = _tick(value, gap)
            canvas.text(scale(value), lower + 1.15 * unit, words, SMALL, SOFT, anchor="middle")
        canvas.rule(scale(0), upper, scale(0), lower, INK, 0.12 * unit)
        canvas.text(scale(0), upper - 0.4 * unit, gap.even, SMALL, INK, anchor="middle")
        _bar(canvas, scale, gap, (upper + lower) / 2)
        canvas.text(left + width / 2, lower + 2.35 * unit, gap.axis, SMALL, INK, anchor="middle")
        y = lower + 3.6 * unit
        canvas.lines(left, y, ends[0], SMALL, colour=SOFT)
        canvas.lines(left + width, y, ends[1], SMALL, colour=SOFT, anchor="end")

    return Layout(above + body + below, draw)


def _tick(value: float, gap: Gap) -> str:
    shown = abs(value * gap.factor) if gap.start is None else gap.start + value * gap.factor
    return f"{round(shown, 6):g}"


def _bar(canvas: Canvas, scale: Scale, gap: Gap, y: float) -> None:
    """The bar with its words, an arrow where it has no limit, and the diamond of what was seen."""
    unit = canvas.size.type
    start = scale.left if gap.low is None else scale(gap.low)
    stop = scale.right if gap.high is None else scale(gap.high)
    canvas.rule(start, y, stop, y, ACCENT, 0.4 * unit)
    for end, at, mark, words, away in (
        (gap.low, start, "<", gap.below, -1),
        (gap.high, stop, ">", gap.above, 1),
    ):
        if end is None:
            canvas.marks([(at, y)], mark, 0.9 * unit, ACCENT, ACCENT, 0.0)
            continue
        canvas.rule(at, y - 0.5 * unit, at, y + 0.5 * unit, ACCENT, 0.16 * unit)
        anchor: Anchor = "end" if away < 0 else "start"
        # Where the bar ends near even or near a tick, the words stay readable on a ground of their own.
        wide = Ruler(canvas.size).width(words, 1.0, True)
        x = at + away * 0.5 * unit
        canvas.bar(min(x, x + away * wide), y - 0.75 * unit, wide, 1.4 * unit, PAPER)
        canvas.text(x, y + 0.35 * unit, words, 1.0, INK, True, anchor)
    if math.isfinite(gap.estimate):
        canvas.marks([(scale(gap.estimate), y)], "D", 1.5 * unit, PAPER, ACCENT, 0.2 * unit)
