"""Every technique's landings from best to worst as one bar of shares, the counts printed in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, INK, PALE, PAPER, SECOND, SOFT, TINT, Canvas, Pattern, Ruler
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
)
from analysis.publish.sizes import SMALL, Size
from analysis.publish.tables import used_rows


@dataclass(frozen=True)
class Fill:
    """How a category is filled: its ground, the colour of its edge and lines, and the pattern of the lines."""

    ground: str
    line: str
    pattern: Pattern


STUCK = (Fill(ACCENT, ACCENT, ""), Fill(ACCENT, PAPER, "upright"))
BETWEEN = (
    Fill(TINT, ACCENT, ""),
    Fill(PAPER, ACCENT, "rising"),
    Fill(SECOND, INK, ""),
    Fill(PAPER, SECOND, "falling"),
    Fill(PALE, SOFT, "upright"),
    Fill(TINT, ACCENT, "level"),
)
FALLS = (Fill(INK, INK, ""), Fill(PAPER, INK, "crossed"), Fill(SOFT, PAPER, "falling"))
"""Neighbours in a bar differ in lightness or in their lines, so grey print and colour-blind eyes keep them apart."""


@dataclass(frozen=True)
class Landings:
    """Routines of each technique in each category that occurs: `counts[technique][category]`, best first."""

    names: tuple[str, ...]
    totals: tuple[int, ...]
    categories: tuple[str, ...]
    fills: tuple[Fill, ...]
    counts: tuple[tuple[int, ...], ...]


def landings(comparison: Comparison) -> Landings | None:
    """Count the landings; None where no landing is known."""
    names = tuple(group.name for group in comparison.groups)
    found = {(one.technique, one.grade): one.routines for one in comparison.grades}
    kept = tuple(
        grade for grade in comparison.grade_names if any(found.get((name, grade), 0) for name in names)
    )
    if not kept:
        return None
    used = used_rows(comparison)
    stuck = set(used.loc[used["stuck"].astype("boolean").fillna(False), "landing"])
    falls = set(used.loc[used["fall"].astype("boolean").fillna(False), "landing"]) - stuck
    places = [0, 0, 0]
    fills = []
    for grade in kept:
        kind = 0 if grade in stuck else 2 if grade in falls else 1
        styles = (STUCK, BETWEEN, FALLS)[kind]
        fills.append(styles[places[kind] % len(styles)])
        places[kind] += 1
    counts = tuple(tuple(found.get((name, grade), 0) for grade in kept) for name in names)
    return Landings(names, tuple(sum(row) for row in counts), kept, tuple(fills), counts)


def landings_plan(shown: Landings, size: Size, width: float, room: float | None) -> Layout:
    """Lay out a key and one bar per technique; a count too wide for its part stands below it on a thin line."""
    unit, ruler = size.type, Ruler(size)
    blocks, label_width = labels(size, width, shown.names, ["" for _ in shown.names])
    sides = [f"n = {numbers.whole(total)}" for total in shown.totals]
    side_width = max(ruler.width(text, SMALL) for text in sides) + 0.8 * unit
    key = _key(shown, ruler, width)
    head = (1.5 * len(key) + 0.5) * unit
    bar = (1.9 if room is None else 1.5) * unit
    plot = (label_width + 0.8 * unit, width - side_width)
    outside = [bool(_outside(ruler, row, plot[1] - plot[0])) for row in shown.counts]
    least = [bar + (1.9 if below else 0.7) * unit for below in outside]
    needs = [
        block.height(size) + need + 0.2 * unit if size.narrow else max(block.height(size) + 0.5 * unit, need)
        for block, need in zip(blocks, least, strict=True)
    ]
    count = fitting(needs, room, head + AXIS_HEIGHT * unit, size)
    more = len(needs) - count
    fixed = head + (AXIS_HEIGHT + (NOTE_HEIGHT if more else 0.0)) * unit
    heights = spread(needs[:count], room, fixed, 1.5)
    ticks = [(share / 100, numbers.tick(share)) for share in (0.0, 25.0, 50.0, 75.0, 100.0)]

    def draw(canvas: Canvas, left: float, top: float) -> None:
        _draw_key(canvas, key, left, top + unit)
        y = top + head
        scale = Scale(0.0, 1.0, left + plot[0], left + plot[1])
        bottom = y + sum(heights)
        axis(canvas, scale, ticks, bottom - 0.3 * unit if size.narrow else y, bottom, "share of routines, %")
        left_out(canvas, left, y + sum(heights) + AXIS_HEIGHT * unit, more, "technique")
        for i in range(count):
            lift = blocks[i].height(size) if size.narrow else 0.0
            edge = y + lift + (heights[i] - lift - bar) / 2 - (0.6 * unit if outside[i] else 0.0)
            blocks[i].draw(canvas, left, y if size.narrow else edge + bar / 2 - blocks[i].height(size) / 2)
            _parts(canvas, scale, shown.counts[i], shown.fills, edge, bar)
            canvas.text(
                left + width - side_width + 0.7 * unit, edge + bar / 2 + 0.3 * unit, sides[i], SMALL, SOFT
            )
            y += heights[i]

    return Layout(fixed + sum(heights), draw)


def _parts(
    canvas: Canvas, scale: Scale, counts: Sequence[int], fills: Sequence[Fill], top: float, height: float
) -> None:
    unit, ruler = canvas.size.type, Ruler(canvas.size)
    total, before = sum(counts), 0
    thin = _outside(ruler, counts, scale.right - scale.left)
    outside: list[tuple[float, str]] = []
    for i, (count, fill) in enumerate(zip(counts, fills, strict=True)):
        if not count:
            continue
        start, end = scale(before / total), scale((before + count) / total)
        before += count
        canvas.bar(start, top, end - start, height, fill.ground, fill.line, fill.pattern)
        canvas.rule(end, top, end, top + height, PAPER, 0.12 * unit)
        words = numbers.whole(count)
        wide = ruler.width(words, SMALL)
        middle = (start + end) / 2
        if i in thin:
            outside.append((middle, words))
            continue
        base = top + height / 2 + 0.32 * unit
        if fill.pattern or fill.ground == SECOND:  # neither ink nor paper is read on every such ground
            canvas.bar(
                middle - wide / 2 - 0.2 * unit, base - 0.85 * unit, wide + 0.4 * unit, 1.1 * unit, PAPER
            )
        dark = fill.ground in (ACCENT, INK, SOFT) and not fill.pattern
        canvas.text(middle, base, words, SMALL, PAPER if dark else INK, anchor="middle")
    _below(canvas, scale, outside, top + height)


def _outside(ruler: Ruler, counts: Sequence[int], width: float) -> set[int]:
    """Parts too thin to hold their counts."""
    total, air = sum(counts), 0.7 * ruler.size.type
    return {
        i
        for i, count in enumerate(counts)
        if count and ruler.width(numbers.whole(count), SMALL) + air > count / total * width
    }


def _below(canvas: Canvas, scale: Scale, outside: Sequence[tuple[float, str]], foot: float) -> None:
    """Write counts under their parts, pushed apart where parts are thin, each tied to its part by a line."""
    unit, ruler = canvas.size.type, Ruler(canvas.size)
    wide = [ruler.width(words, SMALL) + 0.45 * unit for _, words in outside]
    places = apart([middle for middle, _ in outside], wide, scale.left - 0.4 * unit, scale.right + 0.4 * unit)
    for (middle, words), place in zip(outside, places, strict=True):
        canvas.rule(middle, foot, place, foot + 0.45 * unit, SOFT, 0.07 * unit)
        canvas.text(place, foot + 1.25 * unit, words, SMALL, INK, anchor="middle")


def apart(centres: Sequence[float], widths: Sequence[float], low: float, high: float) -> list[float]:
    """Places near `centres`, in their order, at which labels of these widths don't overlap and stay inside.

    >>> apart([10, 11, 30], [4, 4, 4], 0, 31)
    [10, 14.0, 29.0]
    """
    places: list[float] = []
    edge = low
    for centre, width in zip(centres, widths, strict=True):
        place = max(centre, edge + width / 2)
        places.append(place)
        edge = place + width / 2
    edge = high
    for i in range(len(places) - 1, -1, -1):
        places[i] = min(places[i], edge - widths[i] / 2)
        edge = places[i] - widths[i] / 2
    return places


def _key(shown: Landings, ruler: Ruler, width: float) -> list[list[tuple[float, Fill, str]]]:
    """The key in lines of (x, fill, words), best first; a name too long for one line is cut."""
    unit = ruler.size.type
    lines: list[list[tuple[float, Fill, str]]] = [[]]
    x = 0.0
    for name, fill in zip(shown.categories, shown.fills, strict=True):
        words = ruler.wrap(name, width - 2.2 * unit, SMALL, most=1)[0]
        needed = 2.0 * unit + ruler.width(words, SMALL) + 1.1 * unit
        if lines[-1] and x + needed - 1.1 * unit > width:
            lines.append([])
            x = 0.0
        lines[-1].append((x, fill, words))
        x += needed
    return lines


def _draw_key(
    canvas: Canvas, key: Sequence[Sequence[tuple[float, Fill, str]]], left: float, y: float
) -> None:
    unit = canvas.size.type
    for line in key:
        for x, fill, words in line:
            canvas.bar(
                left + x, y - 0.85 * unit, 1.5 * unit, 1.0 * unit, fill.ground, fill.line, fill.pattern
            )
            canvas.text(left + x + 1.9 * unit, y, words, SMALL, SOFT)
        y += 1.5 * unit
