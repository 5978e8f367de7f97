"""Intervals under each other on one scale: the headline's difference, the models, the priors, the meets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, FAINT, INK, PALE, PAPER, SOFT, Canvas, Ruler
from analysis.publish.layout import NOTE_HEIGHT, Layout, Scale, axis, left_out, spread, steps
from analysis.publish.sizes import SMALL, Size

RATIO_TICKS = (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100)
FURTHEST = math.log(200)
"""An odds ratio past this (or below its inverse) is drawn at the edge, with an arrow that says that it goes on."""


@dataclass(frozen=True)
class Bar:
    """One interval: its name, a smaller line below it, its numbers in words and as numbers, and how it is drawn.

    `words` are the estimate and its limits, or why there are none. `strong` marks what is read; `range` is a span of
    estimates rather than an interval, and has no estimate of its own.
    """

    name: str
    words: str
    estimate: float | None
    low: float | None
    high: float | None
    strong: bool = False
    below: str = ""
    range: bool = False


@dataclass(frozen=True)
class Ground:
    """The scale of a forest: `factor` turns a value into what the axis prints; `ratio` asks for a log scale.

    `header` stands over the column of numbers and says what they are; `rows` names what a row is, in the singular.
    """

    axis: str
    header: str
    ends: tuple[str, str] = ("", "")
    factor: float = 1.0
    ratio: bool = False
    matters: float | None = None
    rows: str = "line"


@dataclass(frozen=True)
class _Row:
    """One interval with its texts wrapped; `words` is empty where the numbers stand in the lines of the name."""

    bar: Bar
    name: list[str]
    below: list[str]
    words: list[str]

    @property
    def type(self) -> float:
        return 1.0 if self.bar.strong else 0.92

    @property
    def text_height(self) -> float:
        """Height of the name and of what stands below it, in type sizes."""
        return 1.28 * (len(self.name) * self.type + len(self.below) * SMALL)


def forest_plan(bars: Sequence[Bar], ground: Ground, size: Size, width: float, room: float | None) -> Layout:
    """Lay the intervals out over one scale with a dark line at no difference.

    On a wide sheet a row is name, interval, numbers; on a narrow one name and numbers stand above the interval. A slide
    that is full drops the smaller lines first, then the last rows, and the bold ones never before the others.
    """
    frame = _framed(bars, ground, size, width)
    if room is not None and size.tight and frame.height > room:
        frame = _framed([replace(bar, below="") for bar in bars], ground, size, width)
    kept = list(range(len(frame.rows)))
    while room is not None and size.tight and len(kept) > 1:
        note = NOTE_HEIGHT * size.type if len(kept) < len(bars) else 0.0
        if frame.fixed + note + sum(frame.needs[i] for i in kept) <= room:
            break
        kept.remove(max([i for i in kept if not bars[i].strong] or kept))
    more = len(bars) - len(kept)
    fixed = frame.fixed + (NOTE_HEIGHT * size.type if more else 0.0)
    heights = spread([frame.needs[i] for i in kept], room, fixed, 1.8)
    rows = [frame.rows[i] for i in kept]

    def draw(canvas: Canvas, left: float, top: float) -> None:
        _draw(canvas, frame, list(zip(rows, heights, strict=True)), more, left, top)

    return Layout(fixed + sum(heights), draw)


@dataclass(frozen=True)
class _Frame:
    """A forest with its texts wrapped and its columns measured; `scale` and `middle` count from its left edge."""

    rows: tuple[_Row, ...]
    needs: tuple[float, ...]
    ground: Ground
    width: float
    beside: bool
    scale: Scale
    ticks: list[tuple[float, str]]
    middle: float
    header: list[str]
    ends: list[list[str]]
    unit: float

    @property
    def head(self) -> float:
        """Height of the header above the first row."""
        return (1.1 * len(self.header) + 0.8) * self.unit

    @property
    def fixed(self) -> float:
        """Height of everything but the rows."""
        ends = 1.2 * max(len(end) for end in self.ends) if any(self.ground.ends) else 0.0
        return self.head + (3.2 + ends) * self.unit

    @property
    def height(self) -> float:
        """Height with every row."""
        return self.fixed + sum(self.needs)


def _framed(bars: Sequence[Bar], ground: Ground, size: Size, width: float) -> _Frame:
    unit, ruler = size.type, Ruler(size)
    beside = not size.narrow
    names, words = _columns(bars, ruler, width) if beside else (width, width)
    rows = tuple(_row(bar, ruler, names, words, beside) for bar in bars)
    # The plot lies between the columns, or under the words.
    start, stop = (names + unit, width - words - unit) if beside else (0.0, width)
    low, high = _span(bars, ground)
    scale = Scale(low, high, start + unit, stop - unit)
    # What each side means stands on either side of no difference, moved where a side needs more room.
    needed = [ruler.width(text, SMALL) + unit for text in ground.ends]
    least, most = (needed[0], width - needed[1]) if sum(needed) < width else (0.4 * width, 0.6 * width)
    middle = min(max(scale(0.0), least), most)
    air = (0.5 if size.tight else 0.8) * unit
    if beside:
        needs = [max(row.text_height, 1.28 * len(row.words) * row.type) * unit + air for row in rows]
    else:
        needs = [(row.text_height + (2.4 if row.bar.strong else 2.1)) * unit for row in rows]
    return _Frame(
        rows=rows,
        needs=tuple(needs),
        ground=ground,
        width=width,
        beside=beside,
        scale=scale,
        ticks=_ticks(scale, ground, ruler),
        middle=middle,
        header=ruler.wrap(ground.header, width, SMALL, most=3),
        ends=[
            ruler.wrap(text, space - 0.8 * unit, SMALL, most=3)
            for text, space in zip(ground.ends, (middle, width - middle), strict=True)
        ],
        unit=unit,
    )


def _draw(
    canvas: Canvas, frame: _Frame, rows: Sequence[tuple[_Row, float]], more: int, left: float, top: float
) -> None:
    unit, beside = frame.unit, frame.beside
    scale = replace(frame.scale, left=left + frame.scale.left, right=left + frame.scale.right)
    right = left + frame.width
    canvas.lines(
        right if beside else left,
        top + unit,
        frame.header,
        SMALL,
        colour=SOFT,
        anchor="end" if beside else "start",
    )
    y = top + frame.head
    for row, height in rows:
        lift = 0.0 if beside else row.text_height * unit
        middle = y + lift + (height - lift) / 2
        _band(canvas, scale, frame.ticks, frame.ground.matters, y + (lift and lift + 0.3 * unit), y + height)
        _write(canvas, row, left, middle - row.text_height * unit / 2 if beside else y)
        line = middle - 1.28 * len(row.words) * row.type * unit / 2 + row.type * unit
        canvas.lines(right, line, row.words, row.type, bold=row.bar.strong, anchor="end")
        _interval(canvas, scale, row.bar, frame.ground, middle)
        y += height
    left_out(canvas, left, y, more, frame.ground.rows)
    y += NOTE_HEIGHT * unit if more else 0.0
    axis(canvas, scale, frame.ticks, y - 0.3 * unit, y, frame.ground.axis)
    for words, side, anchor in zip(frame.ends, (-0.5, 0.5), ("end", "start"), strict=True):
        place = left + frame.middle + side * unit
        canvas.lines(place, y + 3.85 * unit, words, SMALL, colour=SOFT, anchor=anchor)


def _columns(bars: Sequence[Bar], ruler: Ruler, width: float) -> tuple[float, float]:
    """Widths of the column of names and of the column of numbers."""

    def widest(texts: Sequence[tuple[str, float, bool]], share: float) -> float:
        return min(max(ruler.width(text, scale, bold) for text, scale, bold in texts), share * width) + 1

    kind = [(1.0, True) if bar.strong else (0.92, False) for bar in bars]
    names = [(bar.name, scale, bold) for bar, (scale, bold) in zip(bars, kind, strict=True)]
    below = [(bar.below, SMALL, False) for bar in bars]
    words = [(bar.words, scale, bold) for bar, (scale, bold) in zip(bars, kind, strict=True)]
    named = widest([*names, *below], 0.34 if ruler.size.height is None else 0.36)
    # Where names are short the numbers may take more: the plot keeps about a third of the width.
    return named, widest(words, max(0.3, 0.64 - named / width))


def _row(bar: Bar, ruler: Ruler, names: float, words: float, beside: bool) -> _Row:
    kind = 1.0 if bar.strong else 0.92
    below = ruler.wrap(bar.below, names, SMALL, most=3) if bar.below else []
    if beside:
        name = ruler.wrap(bar.name, names, kind, bar.strong, most=4)
        return _Row(bar, name, below, ruler.wrap(bar.words, words, kind, bar.strong, most=6))
    text = f"{bar.name}: {bar.words}"
    return _Row(bar, ruler.wrap(text, names, kind, bar.strong, most=4), below, [])


def _write(canvas: Canvas, row: _Row, x: float, top: float) -> None:
    y = canvas.lines(x, top + row.type * canvas.size.type, row.name, row.type, bold=row.bar.strong)
    canvas.lines(x, y - 0.1 * canvas.size.type, row.below, SMALL, colour=SOFT)


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


def _ticks(scale: Scale, ground: Ground, ruler: Ruler) -> list[tuple[float, str]]:
    """The finest round values, seven at most, whose words don't touch under the axis; two at least where that goes."""
    if ground.ratio:
        inside = [value for value in RATIO_TICKS if scale.low <= math.log(value) <= scale.high]
        # All of them, or every second one counted from 1.
        choices = [inside, [value for value in inside if RATIO_TICKS.index(value) % 2 == 0]]
        tried = [[(math.log(value), numbers.tick(value)) for value in values] for values in choices]
    else:
        tried = []
        for most in (7, 6, 5, 4, 3, 2):
            values = steps(scale.low * ground.factor, scale.high * ground.factor, most)
            found = [(value / ground.factor, numbers.tick(value)) for value in values]
            middle = values.index(0.0)
            tried += [found, found[middle % 2 :: 2]]
    apart = [found for found in tried if _apart(found, scale, ruler)]
    return next((found for found in apart if len(found) > 1), apart[0] if apart else tried[-1])


def _apart(ticks: Sequence[tuple[float, str]], scale: Scale, ruler: Ruler) -> bool:
    """Whether the words of an axis stand apart."""
    halves = [(scale(value), ruler.width(words, SMALL) / 2) for value, words in ticks]
    gaps = [b - wide - (a + half) for (a, half), (b, wide) in pairwise(halves)]
    return all(gap > 0.5 * ruler.size.type for gap in gaps)


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
    if bar.range:
        _range(canvas, scale, bar, ground, y)
        return
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


def _range(canvas: Canvas, scale: Scale, bar: Bar, ground: Ground, y: float) -> None:
    """An open box from the lowest to the highest estimate: no interval, so it has no caps and no middle."""
    if bar.low is None or bar.high is None:
        return
    unit = canvas.size.type
    low, high = (scale(_place(end, ground)) for end in (bar.low, bar.high))
    low, high = min(low, high - 0.3 * unit), max(high, low + 0.3 * unit)
    canvas.bar(low, y - 0.35 * unit, high - low, 0.7 * unit, FAINT, INK, "upright")


def _goes_on(value: float, ground: Ground) -> bool:
    """Whether a value lies past the drawn scale."""
    if ground.ratio:
        return value <= 0 or abs(math.log(value)) > FURTHEST if math.isfinite(value) else True
    return not math.isfinite(value)
