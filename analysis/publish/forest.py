"""Intervals under each other on one scale: the headline's difference, the models, the priors, the meets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, INK, PALE, PAPER, SOFT, Canvas, Ruler, Size
from analysis.publish.layout import Layout, Scale, axis, spread, steps

RATIO_TICKS = (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100)
FURTHEST = math.log(200)
"""An odds ratio past this (or below its inverse) is drawn at the edge, with an arrow that says that it goes on."""


@dataclass(frozen=True)
class Bar:
    """One interval: the words above it, its numbers (None where there are none), and whether it is the main one."""

    words: str
    estimate: float | None
    low: float | None
    high: float | None
    strong: bool = False


@dataclass(frozen=True)
class Ground:
    """The scale of a forest: `factor` turns a value into what the axis prints; `ratio` asks for a log scale."""

    axis: str
    ends: tuple[str, str] = ("", "")
    factor: float = 1.0
    ratio: bool = False
    matters: float | None = None


def forest_plan(bars: Sequence[Bar], ground: Ground, size: Size, width: float, room: float | None) -> Layout:
    """Lay the intervals out, each under its words, over one scale with a dark line at no difference."""
    unit, ruler = size.type, Ruler(size)
    half = width / 2 - unit
    ends = [ruler.wrap(words, half, 0.92, most=3) for words in ground.ends]
    foot = (3.3 + 1.25 * max(len(end) for end in ends)) * unit
    said = [ruler.wrap(bar.words, width, 1.0 if bar.strong else 0.92, bar.strong, most=3) for bar in bars]
    needs = [
        (1.28 * len(words) + (2.6 if bar.strong else 2.2)) * unit
        for bar, words in zip(bars, said, strict=True)
    ]
    heights = spread(needs, room, foot, 1.8)
    low, high = _span(bars, ground)
    ticks = _ticks(low, high, ground)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        scale = Scale(low, high, left + 1.2 * unit, left + width - 1.2 * unit)
        bottom = top + sum(heights)
        y = top
        for bar, words, height in zip(bars, said, heights, strict=True):
            kind = 1.0 if bar.strong else 0.92
            below = canvas.lines(left, y + 1.1 * unit, words, kind, bold=bar.strong) - 0.8 * unit
            _band(canvas, scale, ticks, ground.matters, below, y + height)
            _interval(canvas, scale, bar, ground, (below + y + height) / 2 - 0.1 * unit)
            y += height
        axis(canvas, scale, ticks, bottom - 0.3 * unit, bottom, ground.axis)
        canvas.lines(left, bottom + 4.0 * unit, ends[0], 0.92, colour=SOFT)
        canvas.lines(left + width, bottom + 4.0 * unit, ends[1], 0.92, colour=SOFT, anchor="end")

    return Layout(sum(heights) + foot, draw)


def _place(value: float, ground: Ground) -> float:
    """Where a value stands on the scale, kept finite."""
    if not ground.ratio:
        return value
    if value <= 0:
        return -FURTHEST
    return min(max(math.log(value), -FURTHEST), FURTHEST)


def _span(bars: Sequence[Bar], ground: Ground) -> tuple[float, float]:
    """A scale that holds every limit and no difference, with a little air, and no more."""
    matters = (ground.matters or 0.0) * 1.3
    ends = [0.0, -matters, matters]
    for bar in bars:
        for end in (bar.low, bar.estimate, bar.high):
            if end is not None and not math.isnan(end) and (ground.ratio or math.isfinite(end)):
                ends.append(_place(end, ground))
    low, high = min(ends), max(ends)
    air = 0.08 * (high - low) or 0.1
    return low - air, high + air


def _ticks(low: float, high: float, ground: Ground) -> list[tuple[float, str]]:
    if ground.ratio:
        return [(math.log(v), f"{v:g}") for v in RATIO_TICKS if low <= math.log(v) <= high]
    found = steps(low * ground.factor, high * ground.factor, 7)
    return [(value / ground.factor, numbers.words.signed(f"{value:g}")) for value in found]


def _band(
    canvas: Canvas,
    scale: Scale,
    ticks: Sequence[tuple[float, str]],
    matters: float | None,
    top: float,
    bottom: float,
) -> None:
    """The ground of one interval: what is too small to matter, the scale's lines, and no difference."""
    if matters is not None:
        canvas.bar(scale(-matters), top, scale(matters) - scale(-matters), bottom - top, PALE)
    canvas.ticks([((scale(value), top), (scale(value), bottom)) for value, _ in ticks])
    canvas.rule(scale(0), top, scale(0), bottom, INK, 0.12 * canvas.size.type)


def _interval(canvas: Canvas, scale: Scale, bar: Bar, ground: Ground, y: float) -> None:
    unit, colour = canvas.size.type, ACCENT if bar.strong else SOFT
    weight = 0.3 if bar.strong else 0.18
    if bar.low is not None and bar.high is not None and not (math.isnan(bar.low) or math.isnan(bar.high)):
        low, high = (scale(_place(end, ground)) for end in (bar.low, bar.high))
        canvas.rule(low, y, high, y, colour, weight * unit)
        for end, at, mark in ((bar.low, low, "<"), (bar.high, high, ">")):
            if _goes_on(end, ground):
                canvas.marks([(at, y)], mark, 0.8 * unit, colour, colour, 0.0)
            else:
                canvas.rule(at, y - 0.4 * unit, at, y + 0.4 * unit, colour, 0.14 * unit)
    if bar.estimate is not None and not math.isnan(bar.estimate) and not _goes_on(bar.estimate, ground):
        fill = colour if bar.strong else PAPER
        place = [(scale(_place(bar.estimate, ground)), y)]
        canvas.marks(place, "D", (1.25 if bar.strong else 0.95) * unit, fill, colour, 0.15 * unit)


def _goes_on(value: float, ground: Ground) -> bool:
    """Whether a value lies past the drawn scale."""
    if ground.ratio:
        return value <= 0 or abs(math.log(value)) > FURTHEST if math.isfinite(value) else True
    return not math.isfinite(value)
