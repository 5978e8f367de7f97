"""The charts with a scale: rate or mean per technique, points lost, and both techniques within each stratum."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from analysis.comparison.result import Comparison, Group, Headline, PointsContrast, PointsSummary, Strata
from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, FAINT, INK, PAPER, SECOND, SOFT, Canvas, Ruler, group_style
from analysis.publish.difference_figures import largest_strata
from analysis.publish.layout import (
    AXIS_HEIGHT,
    NOTE_HEIGHT,
    Layout,
    Scale,
    axis,
    fitting,
    labels,
    left_out,
    spread,
    steps,
)
from analysis.publish.sizes import SMALL, Size

PERCENT_TICKS = [(0.0, "0"), (0.25, "25"), (0.5, "50"), (0.75, "75"), (1.0, "100")]


def rates_plan(comparison: Comparison, size: Size, width: float, room: float | None) -> Layout:
    """Rate (or mean deduction) of each technique with its interval, the counts printed beside it."""
    unit = size.type
    groups: Sequence[Group] = comparison.groups
    means = comparison.question.outcome == "deduction"
    blocks, label_width = labels(size, width, [g.name for g in groups], ["" for _ in groups])
    sides = [_beside(group, means) for group in groups]
    ruler = Ruler(size)
    side_width = max(max(ruler.width(a, 1.0, True), ruler.width(b, SMALL)) for a, b in sides) + 1.2 * unit
    needs = [
        block.height(size) + 2.9 * unit
        if size.narrow
        else max(block.height(size), 2.5 * unit) + (0.25 if size.tight else 0.9) * unit
        for block in blocks
    ]
    shown = fitting(needs, room, AXIS_HEIGHT * unit, size)
    more = len(groups) - shown
    groups = groups[:shown]
    fixed = (AXIS_HEIGHT + (NOTE_HEIGHT if more else 0.0)) * unit
    heights = spread(needs[:shown], room, fixed, 2.0)
    if means:
        # Where no routine lost anything, and nothing varies, a mean has no limits.
        highs = [g.mean_high for g in groups if g.mean_high is not None and math.isfinite(g.mean_high)]
        least, most = 0.0, max([*highs, 0.1]) * 1.05
        ticks = [(value, numbers.tick(value)) for value in steps(0.0, most, 6)]
        name = "mean deduction, points per routine"
    else:
        least, most = _rate_range(groups)
        whole = (least, most) == (0.0, 1.0)
        parts = [(value / 100, numbers.tick(value)) for value in steps(100 * least, 100 * most, 6)]
        ticks = PERCENT_TICKS if whole else parts
        name = {"stuck": "stuck"}.get(comparison.question.outcome, "best landing") + ", % of routines"
        name += "" if whole else " (part of the scale)"

    def draw(canvas: Canvas, left: float, top: float) -> None:
        right = left + width - side_width
        scale = Scale(least, most, left + label_width + 0.7 * unit, right - 0.7 * unit)
        axis(canvas, scale, ticks, top, top + sum(heights), name)
        left_out(canvas, left, top + sum(heights) + AXIS_HEIGHT * unit, more, "technique")
        y = top
        for place, (group, block, height) in enumerate(zip(groups, blocks, heights, strict=False)):
            lift = block.height(size) if size.narrow else 0.0
            middle = y + lift + (height - lift) / 2
            if size.narrow:
                canvas.bar(left, y + 0.1 * unit, width, lift, PAPER)
                block.draw(canvas, left, y + 0.1 * unit)
            else:
                block.draw(canvas, left, middle - block.height(size) / 2)
            _interval(canvas, scale, group, place, middle, means)
            canvas.text(right + 0.6 * unit, middle - 0.1 * unit, sides[place][0], bold=True)
            canvas.text(right + 0.6 * unit, middle + 1.05 * unit, sides[place][1], SMALL, SOFT)
            y += height

    return Layout(sum(heights) + fixed, draw)


def _rate_range(groups: Sequence[Group]) -> tuple[float, float]:
    """The whole scale, or a part of it where all intervals are so short that they would hide behind their marks."""
    known = [group for group in groups if group.n]
    low, high = min((g.low for g in known), default=0.0), max((g.high for g in known), default=1.0)
    if not high - low < 0.25:
        return 0.0, 1.0
    return max(0.0, math.floor(20 * low - 1) / 20), min(1.0, math.ceil(20 * high + 1) / 20)


def _beside(group: Group, means: bool) -> tuple[str, str]:
    if means:
        between = numbers.limits(group.mean_low, group.mean_high, "points", group.n)
        return f"{numbers.points(group.mean)} points", f"{between}, n = {numbers.whole(group.n)}"
    if group.n == 0:
        return numbers.of(0, 0), "no routine"
    rate = numbers.percent(group.x / group.n, group.n)
    return numbers.of(
        group.x, group.n
    ), f"{rate} ({numbers.limits(group.low, group.high, 'percent', group.n)})"


def _interval(canvas: Canvas, scale: Scale, group: Group, place: int, y: float, means: bool) -> None:
    shape, fill, edge = group_style(place)
    unit = canvas.size.type
    value = group.mean if means else group.x / group.n if group.n else None
    low, high = (group.mean_low, group.mean_high) if means else (group.low, group.high)
    if value is None:
        return
    if low is not None and high is not None and not math.isnan(low) and not math.isnan(high):
        canvas.rule(scale(low), y, scale(high), y, edge, 0.22 * unit)
        for end in (low, high):
            canvas.rule(scale(end), y - 0.35 * unit, scale(end), y + 0.35 * unit, edge, 0.13 * unit)
    canvas.marks([(scale(value), y)], "o", 1.35 * unit, PAPER, PAPER, 0.0)
    canvas.marks([(scale(value), y)], shape, 1.05 * unit, fill, edge, 0.2 * unit)


def deductions_plan(
    contrasts: Sequence[PointsContrast], size: Size, width: float, room: float | None
) -> Layout:
    """How many routines lost how many points, technique by technique; falls are hatched."""
    everyone: Sequence[PointsSummary] = contrasts[0].groups
    without = {g.name: dict(g.counts) for c in contrasts if c.falls == "without falls" for g in c.groups}
    values = sorted({value for group in everyone for value, _ in group.counts})
    unit, ruler = size.type, Ruler(size)
    facts = [
        [
            f"mean {numbers.points(g.mean)}",
            f"median {numbers.deduction(g.median)}",
            f"n\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}{numbers.whole(g.n)}",
        ]
        for g in everyone
    ]
    below = [", ".join(lines) for lines in facts]
    blocks, label_width = labels(size, width, [g.name for g in everyone], below)
    bars = (5.0 if room is None else 1.6 if size.tight else 2.6) * unit
    needs = [
        block.height(size) + bars + 2.0 * unit
        if size.narrow
        else max(block.height(size) + (0.2 if size.tight else 1.0) * unit, bars) + 1.6 * unit
        for block in blocks
    ]
    shown = fitting(needs, room, AXIS_HEIGHT * unit, size)
    more = len(everyone) - shown
    everyone = everyone[:shown]
    fixed = (AXIS_HEIGHT + (NOTE_HEIGHT if more else 0.0)) * unit
    heights = spread(needs[:shown], room, fixed, 1.6)
    most_share = max((count / g.n for g in everyone for _, count in g.counts), default=1.0)
    top_value = max(values[-1] if values else 0.0, 0.5)
    gaps = [b - a for a, b in pairwise(values)]
    ticks = [(value, numbers.tick(value)) for value in steps(0.0, top_value, 6 if size.narrow else 11)]

    def draw(canvas: Canvas, left: float, top: float) -> None:
        start, end = left + label_width + 1.2 * unit, left + width - 1.4 * unit
        scale = Scale(0.0, top_value, start, end)
        step = min([*gaps, top_value / 4]) / top_value * (end - start)
        bar = max(1.2, min(0.72 * step, 2.2 * unit))
        axis(canvas, scale, ticks, top, top + sum(heights), "points lost on the landing")
        left_out(canvas, left, top + sum(heights) + AXIS_HEIGHT * unit, more, "technique")
        y = top
        for group, block, height in zip(everyone, blocks, heights, strict=False):
            base = y + height - 0.9 * unit
            if size.narrow:
                canvas.bar(left, y, width, block.height(size), PAPER)
                block.draw(canvas, left, y + 0.1 * unit)
            else:
                block.draw(canvas, left, base - block.height(size))
            tallest = height - (block.height(size) if size.narrow else 0.0) - 2.4 * unit
            for value, count in group.counts:
                kept = without.get(group.name, {}).get(value, 0) if without else count
                _bar(canvas, scale(value), base, bar, tallest / most_share / group.n, kept, count - kept)
            tops = [(scale(v), base - c / group.n / most_share * tallest) for v, c in group.counts]
            for (x, tip), (_, count) in zip(tops, group.counts, strict=True):
                words = numbers.whole(count)
                if _is_free(x, tip, ruler.width(words, SMALL), bar, tops, unit):
                    canvas.text(x, tip - 0.3 * unit, words, SMALL, INK, anchor="middle")
            canvas.rule(start - 0.8 * unit, base, end + 0.8 * unit, base, INK, 0.08 * unit)
            if group.mean is not None:
                canvas.marks([(scale(group.mean), base + 0.42 * unit)], "^", 0.8 * unit, SECOND, SECOND, 0.0)
            y += height

    return Layout(sum(heights) + fixed, draw)


def _is_free(
    x: float, tip: float, wide: float, bar: float, tops: Sequence[tuple[float, float]], unit: float
) -> bool:
    """Whether a count fits over its bar: no taller bar, and no other count at its height, within its width."""
    for other, top in tops:
        apart = abs(other - x)
        if other != x and (
            (apart < (wide + bar) / 2 and top < tip) or (apart < wide + 0.2 * unit and abs(top - tip) < unit)
        ):
            return False
    return True


def _bar(canvas: Canvas, x: float, base: float, width: float, each: float, kept: int, falls: int) -> None:
    if kept:
        canvas.bar(x - width / 2, base - kept * each, width, kept * each, ACCENT, ACCENT)
    if falls:
        canvas.bar(x - width / 2, base - (kept + falls) * each, width, falls * each, PAPER, INK, "rising")


def strata_plan(strata: Strata, head: Headline, size: Size, width: float, room: float | None) -> Layout:
    """Both techniques' rates within each stratum, joined by a line."""
    tables = largest_strata(strata)
    unit, ruler = size.type, Ruler(size)
    blocks, label_width = labels(size, width, [t.name for t in tables], ["" for _ in tables])
    sides = [(numbers.of(t.x1, t.n1), numbers.of(t.x2, t.n2)) for t in tables]
    side_width = max(max(ruler.width(a, SMALL), ruler.width(b, SMALL)) for a, b in sides) + 2.4 * unit
    needs = [
        block.height(size) + 2.9 * unit if size.narrow else max(block.height(size), 2.4 * unit) + 0.5 * unit
        for block in blocks
    ]
    keys = [ruler.wrap(name, width - 2 * unit, 0.92, most=2) for name in (head.first, head.second)]
    key_height = sum(len(key) for key in keys) * 1.3 * unit + 0.8 * unit
    shown = fitting(needs, room, AXIS_HEIGHT * unit + key_height, size)
    more = len(tables) - shown
    fixed = (AXIS_HEIGHT + (NOTE_HEIGHT if more else 0.0)) * unit + key_height
    heights = spread(needs[:shown], room, fixed, 1.6)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        y = top + unit
        for place, key in enumerate(keys):
            shape, fill, edge = group_style(place)
            canvas.marks([(left + 0.5 * unit, y - 0.33 * unit)], shape, 0.95 * unit, fill, edge, 0.18 * unit)
            y = canvas.lines(left + 1.5 * unit, y, key, 0.92)
        y = top + key_height
        right = left + width - side_width
        scale = Scale(0.0, 1.0, left + label_width + 0.7 * unit, right - 0.7 * unit)
        axis(canvas, scale, PERCENT_TICKS, y, y + sum(heights), "stuck, % of routines")
        left_out(canvas, left, y + sum(heights) + AXIS_HEIGHT * unit, more, "line")
        for one, block, height, side in zip(tables, blocks, heights, sides, strict=False):
            lift = block.height(size) if size.narrow else 0.0
            middle = y + lift + (height - lift) / 2
            if size.narrow:
                canvas.bar(left, y + 0.1 * unit, width, lift, PAPER)
                block.draw(canvas, left, y + 0.1 * unit)
            else:
                block.draw(canvas, left, middle - block.height(size) / 2)
            rates = [x / n if n else None for x, n in ((one.x1, one.n1), (one.x2, one.n2))]
            if rates[0] is not None and rates[1] is not None:
                canvas.rule(scale(rates[0]), middle, scale(rates[1]), middle, FAINT, 0.35 * unit)
            # The second is drawn first: where both lie on one place, its open square frames the disc.
            for place, mark in ((1, 1.25), (0, 0.85)):
                rate = rates[place]
                if rate is not None:
                    shape, fill, edge = group_style(place)
                    canvas.marks([(scale(rate), middle)], shape, mark * unit, fill, edge, 0.18 * unit)
            for place, words in enumerate(side):
                shape, fill, edge = group_style(place)
                line = middle + (0.0 if place == 0 else 1.1) * unit - 0.1 * unit
                canvas.marks(
                    [(right + 0.8 * unit, line - 0.3 * unit)], shape, 0.6 * unit, fill, edge, 0.12 * unit
                )
                canvas.text(right + 1.5 * unit, line, words, SMALL, SOFT)
            y += height

    return Layout(sum(heights) + fixed, draw)
