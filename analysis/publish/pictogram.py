"""The picture for a room: each technique a row of marks in tens, one a routine, with its count beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.canvas import FAINT, INK, SOFT, Canvas, Ruler
from analysis.publish.layout import Layout, labels, spread
from analysis.publish.routine_marks import KINDS, mark_routines
from analysis.publish.sizes import SMALL, Size
from analysis.reading.sentences import say

GAP = 0.45
"""Gap after each ten marks, in marks: tens are counted at a glance."""

WORDED = 3
"""So many techniques have their athletes counted under the name; of more, a line each must do."""


MOST = 6
"""More rows than this couldn't be read; the others stand in the report."""


@dataclass(frozen=True)
class Row:
    """One technique: its marks in order, best first, and the count that stands beside them."""

    name: str
    below: str
    marks: tuple[str, ...]
    count: str


@dataclass(frozen=True)
class Pictogram:
    """The rows, the line under them, what each kind of mark is called, and the whole in words for who can't see it."""

    rows: tuple[Row, ...]
    each: str
    key: tuple[tuple[str, str], ...]
    alt: str


def pictogram(comparison: Comparison, names: tuple[str, ...], best: str) -> Pictogram:
    """Collect every routine of the headline under these names, of many techniques those of the first ones."""
    marked = mark_routines(comparison)
    order = list(KINDS)
    rows = []
    drawn = zip(names[:MOST], marked.below, marked.cells, comparison.groups, strict=False)
    for name, below, cells, group in drawn:
        kinds = sorted((kind for cell in cells for kind, _ in cell), key=order.index)
        few = below if len(names) <= WORDED else ""
        rows.append(Row(name, few, tuple(kinds), numbers.of(group.x, group.n)))
    each, more = say("clinic", "mark_each"), len(names) - len(rows)
    if more:
        each = say("clinic", "not_drawn", each=each, more=more)
    called = {"best": best, "other": f"not {best}", "fall": marked.fall}
    if comparison.question.outcome == "deduction":
        called |= {"best": "nothing lost", "other": "points lost"}
    key = [(kind, called[kind]) for kind in order if kind in marked.kinds]
    told = []
    for row in rows:
        falls = row.marks.count("fall")
        with_falls = f", {numbers.whole(falls)} {marked.fall}" if falls else ""
        told.append(f"{row.name}: {row.count} {called['best']}{with_falls}.")
    return Pictogram(tuple(rows), each, tuple(key), " ".join([each, *told]))


def pictogram_plan(shown: Pictogram, size: Size, width: float, room: float | None) -> Layout:
    """Lay out the rows with the largest marks that fit the room."""
    unit, ruler = size.type, Ruler(size)
    blocks, label_width = labels(size, width, [r.name for r in shown.rows], [r.below for r in shown.rows])
    side = max(ruler.width(row.count, 1.25, True) for row in shown.rows) + 0.5 * unit
    area = width - label_width - side - unit
    key = _key_lines(shown, ruler, width)
    foot = (0.5 + 1.45 * len(key)) * unit
    limit = (room if room is not None else math.inf) - foot
    pitch = 1.5 * unit
    air = (0.7 if len(shown.rows) <= WORDED else 0.4) * unit
    while True:
        per_row = _per_row(area, pitch)
        lines = [max(1, math.ceil(len(row.marks) / per_row)) for row in shown.rows]
        heights = [
            max(block.height(size), many * pitch) + air for block, many in zip(blocks, lines, strict=True)
        ]
        if sum(heights) <= limit or pitch < 0.6:
            break
        pitch *= 0.94
    heights = spread(heights, room, foot, 1.25)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        y = top
        for row, block, height, many in zip(shown.rows, blocks, heights, lines, strict=True):
            canvas.rule(left, y, left + width, y, FAINT, 0.8)
            middle = y + height / 2
            block.draw(canvas, left, middle - block.height(size) / 2)
            _draw_marks(canvas, row, left + label_width, middle - many * pitch / 2, per_row, pitch)
            canvas.text(left + width, middle + 0.45 * unit, row.count, 1.25, INK, True, "end")
            y += height
        canvas.rule(left, y, left + width, y, FAINT, 0.8)
        y += 1.45 * unit
        for line in key:
            x = left
            for kind, words, needed in line:
                if kind:
                    shape, fill, edge, _ = KINDS[kind]
                    place = [(x + 0.45 * unit, y - 0.32 * unit)]
                    canvas.marks(place, shape, 0.85 * unit, fill, edge, _edge(kind, unit))
                canvas.text(x + (1.2 * unit if kind else 0.0), y, words, SMALL, SOFT)
                x += needed
            y += 1.45 * unit

    return Layout(sum(heights) + foot, draw)


def _edge(kind: str, pitch: float) -> float:
    return 0.02 if kind == "fall" else 0.12 * pitch


def _per_row(area: float, pitch: float) -> int:
    """How many marks stand in a row: whole tens where ten fit."""
    if area < 10 * pitch:
        return max(1, int(area / pitch))
    return 10 * max(1, int((area / pitch + GAP) / (10 + GAP)))


def _draw_marks(canvas: Canvas, row: Row, left: float, top: float, per_row: int, pitch: float) -> None:
    places: dict[str, list[tuple[float, float]]] = {}
    for i, kind in enumerate(row.marks):
        column = i % per_row
        x = left + (column + 0.5 + GAP * (column // 10)) * pitch
        places.setdefault(kind, []).append((x, top + (i // per_row + 0.5) * pitch))
    for kind, here in places.items():
        shape, fill, edge, _ = KINDS[kind]
        canvas.marks(here, shape, pitch * (0.94 if kind == "fall" else 0.84), fill, edge, _edge(kind, pitch))


def _key_lines(shown: Pictogram, ruler: Ruler, width: float) -> list[list[tuple[str, str, float]]]:
    """What the marks mean, broken into lines that fit: (kind, words, width)."""
    lines: list[list[tuple[str, str, float]]] = [[]]
    used = 0.0
    for kind, words in [("", shown.each), *shown.key]:
        for piece in ruler.wrap(words, width - 3 * ruler.size.type, SMALL, most=2):
            needed = (2.6 if kind else 1.4) * ruler.size.type + ruler.width(piece, SMALL)
            if lines[-1] and used + needed > width:
                lines.append([])
                used = 0.0
            lines[-1].append((kind, piece, needed))
            used += needed
    return lines
