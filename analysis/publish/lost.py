"""Points lost on the landing for a room: routines counted by tenths, falls hollow, the average under the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, INK, PAPER, SECOND, SOFT, Canvas, Ruler
from analysis.publish.layout import AXIS_HEIGHT, Layout, Scale, axis, labels, spread, steps
from analysis.publish.sizes import SMALL, Size


@dataclass(frozen=True)
class Lost:
    """One technique: (points, routines without a fall, falls) in rising order, its average and how that is told."""

    name: str
    counts: tuple[tuple[float, int, int], ...]
    mean: float | None
    told: str


def lost_plan(
    techniques: Sequence[Lost], axis_name: str, size: Size, width: float, room: float | None
) -> Layout:
    """Lay out a row of bars for each technique over one scale in tenths."""
    unit, ruler = size.type, Ruler(size)
    blocks, label_width = labels(size, width, [one.name for one in techniques], ["" for _ in techniques])
    told = [ruler.wrap(one.told, 7 * unit, SMALL, most=3) for one in techniques]
    side = max(ruler.width(line, SMALL) for lines in told for line in lines) + unit
    needs = [
        max(block.height(size), 1.1 * unit * len(lines), 2.6 * unit) + 1.7 * unit
        for block, lines in zip(blocks, told, strict=True)
    ]
    fixed = AXIS_HEIGHT * unit
    heights = spread(needs, room, fixed, 2.2)
    values = sorted({value for one in techniques for value, _, _ in one.counts})
    top_value = max([*values, 0.5])
    largest = max((a + b for one in techniques for _, a, b in one.counts), default=1)
    ticks = [(value / 10, f"{value:g}") for value in steps(0.0, 10 * top_value, 8)]

    def draw(canvas: Canvas, left: float, top: float) -> None:
        start, end = left + label_width + 1.4 * unit, left + width - side - 1.4 * unit
        scale = Scale(0.0, top_value, start, end)
        step = min([b - a for a, b in pairwise(values)] + [top_value / 4]) / top_value * (end - start)
        counted = step > ruler.width(numbers.whole(largest), SMALL) + 0.2 * unit
        bar = max(1.2, min(0.72 * step, 2.2 * unit))
        axis(canvas, scale, ticks, top, top + sum(heights), axis_name)
        y = top
        for one, block, lines, height in zip(techniques, blocks, told, heights, strict=True):
            base = y + height - 0.8 * unit
            each = (height - 2.1 * unit) / largest
            block.draw(canvas, left, base - block.height(size))
            canvas.lines(
                left + width - side + unit, base - 1.1 * unit * (len(lines) - 1), lines, SMALL, colour=SOFT
            )
            for value, kept, falls in one.counts:
                x = scale(value) - bar / 2
                if kept:
                    canvas.bar(x, base - kept * each, bar, kept * each, ACCENT, ACCENT)
                if falls:
                    canvas.bar(x, base - (kept + falls) * each, bar, falls * each, PAPER, INK)
                if counted:
                    tip = base - (kept + falls) * each - 0.3 * unit
                    words = numbers.whole(kept + falls)
                    canvas.text(scale(value), tip, words, SMALL, INK, anchor="middle")
            canvas.rule(start - 0.8 * unit, base, end + 0.8 * unit, base, INK, 0.08 * unit)
            if one.mean is not None:
                canvas.marks([(scale(one.mean), base + 0.42 * unit)], "^", 0.8 * unit, SECOND, SECOND, 0.0)
            y += height

    return Layout(sum(heights) + fixed, draw)
