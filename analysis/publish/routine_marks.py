"""The picture in which every routine is one mark: techniques in rows, landings (or points lost) from best to worst."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, FAINT, INK, PAPER, SECOND, SOFT, Canvas, Ruler, tidy
from analysis.publish.layout import NOTE_HEIGHT, Layout, fitting, labels, left_out, spread
from analysis.publish.sizes import SMALL, Size
from analysis.publish.tables import used_rows

MOST_COLUMNS = 8
KINDS = {
    "best": ("o", ACCENT, ACCENT, PAPER),
    "other": ("o", PAPER, SECOND, SECOND),
    "fall": ("X", INK, PAPER, PAPER),
}
"""Marker, fill, edge and pinhole of each kind of mark."""


@dataclass(frozen=True)
class Marked:
    """Every routine in its cell: `cells[technique][column]` lists (kind, whether the athlete comes back)."""

    names: tuple[str, ...]
    below: tuple[str, ...]
    columns: tuple[str, ...]
    cells: tuple[tuple[tuple[tuple[str, bool], ...], ...], ...]
    best: str
    fall: str

    @property
    def kinds(self) -> set[str]:
        """The kinds that occur."""
        return {kind for row in self.cells for cell in row for kind, _ in cell}

    @property
    def returning(self) -> bool:
        """Whether any mark is of an athlete with more than one routine."""
        return any(again for row in self.cells for cell in row for _, again in cell)


def mark_routines(comparison: Comparison) -> Marked:
    """Put each routine that the headline counts into its cell."""
    used = used_rows(comparison)
    if comparison.question.outcome != "deduction" and comparison.grade_names:
        column, columns, best = used["grade"].map(_place), list(comparison.grade_names), "stuck"
        good = used["stuck"].map(lambda value: not _missing(value) and bool(value))
    else:
        column, columns = _point_columns(used["points"])
        good, best = (
            used["points"].map(lambda value: not _missing(value) and float(value) == 0),
            "no deduction",
        )
    if (column < 0).any():
        columns.append("not seen")
        column = column.where(column >= 0, len(columns) - 1)
    kept = [place for place in range(len(columns)) if (column == place).any()] or [0]
    fall = used["fall"].map(lambda value: not _missing(value) and bool(value))
    kind = pd.Series("other", index=used.index).mask(good, "best").mask(fall, "fall")
    again = used["athlete"].map(used["athlete"].value_counts()) > 1
    cells = []
    for group in comparison.groups:
        here = used["technique"] == group.name
        row = []
        for place in kept:
            chosen = here & (column == place)
            row.append(tuple(sorted(zip(kind[chosen], again[chosen].map(bool), strict=True))))
        cells.append(tuple(row))
    return Marked(
        names=tuple(group.name for group in comparison.groups),
        below=tuple(
            f"{numbers.whole(g.n)} {'routine' if g.n == 1 else 'routines'}, "
            f"{numbers.whole(g.athletes)} {'athlete' if g.athletes == 1 else 'athletes'}"
            for g in comparison.groups
        ),
        columns=tuple(columns[place] for place in kept),
        cells=tuple(cells),
        best=best,
        fall=" or ".join(name for name in comparison.grade_names if (used.loc[fall, "landing"] == name).any())
        or "fall",
    )


def _missing(value: object) -> bool:
    return bool(pd.isna(value))  # type: ignore[call-overload]


def _place(grade: object) -> int:
    return -1 if _missing(grade) else int(grade)  # type: ignore[call-overload]


def _point_columns(points: pd.Series) -> tuple[pd.Series, list[str]]:
    """One column a value where there are few, else none, then steps of a round width."""
    known = sorted({float(value) / 1000 for value in points.dropna()})
    if len(known) <= MOST_COLUMNS:
        columns = [numbers.deduction(value) if value else "none" for value in known]
        return points.map(lambda v: -1 if _missing(v) else known.index(float(v) / 1000)), columns
    width = next(
        step
        for step in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 100.0)
        if known[-1] / step <= MOST_COLUMNS - 1
    )

    def bin_of(value: float) -> int:
        return math.ceil(value / width - 1e-9)

    columns = []
    for place in range(bin_of(known[-1]) + 1):
        here = [value for value in known if bin_of(value) == place]
        ends = dict.fromkeys(numbers.deduction(value) for value in (here or [place * width]))
        columns.append("none" if place == 0 else " to ".join([*ends][:: max(1, len(ends) - 1)]))
    return points.map(lambda v: -1 if _missing(v) else bin_of(float(v) / 1000)), columns


def routines_plan(marked: Marked, size: Size, width: float, room: float | None) -> Layout:
    """Lay out the picture: the largest marks that fit the height."""
    ruler = Ruler(size)
    type_size = size.type
    most = 0.27 if len(marked.names) > 2 else 0.0
    blocks, label_width = labels(size, width, marked.names, marked.below, most)
    widths = _column_widths(marked, width - label_width, ruler)
    heads = [
        ruler.wrap(name, w - 0.5 * type_size, SMALL, most=4)
        for name, w in zip(marked.columns, widths, strict=True)
    ]
    head_height = max(len(head) for head in heads) * 1.1 * type_size + 0.7 * type_size
    legend = _legend(marked, ruler, width)
    foot = (0.9 + 1.4 * len(legend)) * type_size
    above = [block.height(size) if size.narrow else 0.0 for block in blocks]
    least = [0.0 if size.narrow else block.height(size) for block in blocks]
    limit = (room if room is not None else 62 * type_size) - head_height - foot
    air = (0.5 if size.tight else 0.9) * type_size

    def rows_at(pitch: float) -> tuple[list[int], list[float]]:
        """Marks in a line of each column, and the height of each technique."""
        per_row = [max(1, int((w - 0.7 * type_size) / pitch)) for w in widths]
        per_row = [10 if 10 <= most < 20 else most for most in per_row]
        marks = [
            max(math.ceil(len(cell) / most) for cell, most in zip(row, per_row, strict=True))
            for row in marked.cells
        ]
        return per_row, [
            over + max(beside, lines * pitch + 1.25 * type_size) + air
            for over, beside, lines in zip(above, least, marks, strict=True)
        ]

    # A slide's type shrinks before its marks become small, and techniques are left out before marks can't be seen.
    smallest = 0.75 * type_size if room is not None and not size.smallest else 0.6
    pitch, shown = 0.95 * type_size, len(marked.cells)
    while pitch >= smallest and sum(rows_at(pitch)[1]) > limit:
        pitch *= 0.94
        if size.tight and pitch < 0.4 * type_size:
            shown = fitting(rows_at(pitch)[1], room, head_height + foot, size)
            if shown > 1:
                break
    more = len(marked.cells) - shown
    if more:
        foot += NOTE_HEIGHT * type_size
        limit -= NOTE_HEIGHT * type_size
        pitch = 0.95 * type_size
        while pitch >= smallest and sum(rows_at(pitch)[1][:shown]) > limit:
            pitch *= 0.94
    per_row, heights = rows_at(pitch)
    heights = spread(heights[:shown], room, head_height + foot, 1.5)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        lefts = [left + label_width + sum(widths[:j]) for j in range(len(widths))]
        for head, x in zip(heads, lefts, strict=True):
            y = top + head_height - 0.7 * type_size - (len(head) - 1) * 1.1 * type_size
            canvas.lines(x, y, head, SMALL, colour=SOFT)
        y = top + head_height
        for i, row in enumerate(marked.cells[:shown]):
            canvas.rule(left, y, left + width, y, FAINT, 0.09 * type_size)
            blocks[i].draw(canvas, left, y + 0.35 * type_size)
            for cell, x, most in zip(row, lefts, per_row, strict=True):
                _draw_cell(canvas, cell, x, y + above[i] + 0.55 * type_size, most, pitch)
            y += heights[i]
        canvas.rule(left, y, left + width, y, FAINT, 0.09 * type_size)
        left_out(canvas, left, y, more, "technique")
        _draw_legend(canvas, legend, left, y + (1.7 + (NOTE_HEIGHT if more else 0.0)) * type_size)

    return Layout(head_height + sum(heights) + foot, draw)


def _column_widths(marked: Marked, width: float, ruler: Ruler) -> list[float]:
    """Every column has room for its header; the rest goes to where the marks are."""
    most = [max((len(row[j]) for row in marked.cells), default=0) for j in range(len(marked.columns))]
    # A square root leaves room for short columns; with hundreds of marks it would make the long one a tower.
    power = 0.5 if max(most) <= 60 else 0.9
    weights = [count**power for count in most]
    words = [max(ruler.width(word, SMALL) for word in tidy(name).split(" ")) for name in marked.columns]
    least = [max(2.6 * ruler.size.type, word + 0.9 * ruler.size.type) for word in words]
    shrink = min(1.0, width / sum(least))
    rest = max(0.0, width - sum(least))
    total = sum(weights) or 1.0
    return [wide * shrink + rest * weight / total for wide, weight in zip(least, weights, strict=True)]


def _draw_cell(
    canvas: Canvas, cell: Sequence[tuple[str, bool]], x: float, top: float, per_row: int, pitch: float
) -> None:
    places = [(x + (i % per_row + 0.5) * pitch, top + (i // per_row + 0.5) * pitch) for i in range(len(cell))]
    for kind, (shape, fill, edge, hole) in KINDS.items():
        here = [place for place, (found, _) in zip(places, cell, strict=True) if found == kind]
        size = pitch * (0.86 if kind != "fall" else 0.96)
        canvas.marks(here, shape, size, fill, edge, 0.12 * pitch if kind != "fall" else 0.02)
        holes = [place for place, (found, again) in zip(places, cell, strict=True) if found == kind and again]
        canvas.marks(holes, "o", pitch * 0.24, hole, "none", 0.0)
    rows = math.ceil(len(cell) / per_row)
    canvas.text(
        x,
        top + rows * pitch + 0.95 * canvas.size.type,
        numbers.whole(len(cell)),
        SMALL,
        INK if cell else SOFT,
    )


@dataclass(frozen=True)
class _Entry:
    kind: str
    words: str
    dotted: bool
    width: float


def _legend(marked: Marked, ruler: Ruler, width: float) -> list[list[_Entry]]:
    """The key of the marks that occur, broken into lines that fit."""
    other = "not stuck" if marked.best == "stuck" else "with deduction"
    words = {"best": marked.best, "other": other, "fall": marked.fall}
    wanted = [(kind, words[kind], False) for kind in KINDS if kind in marked.kinds]
    if marked.returning:
        wanted.append((wanted[0][0], "dot: the athlete has more than one routine here", True))
    lines: list[list[_Entry]] = [[]]
    used = 0.0
    for kind, text, dotted in wanted:
        needed = 2.6 * ruler.size.type + ruler.width(text, SMALL)
        if lines[-1] and used + needed > width:
            lines.append([])
            used = 0.0
        lines[-1].append(_Entry(kind, text, dotted, needed))
        used += needed
    return lines


def _draw_legend(canvas: Canvas, lines: Sequence[Sequence[_Entry]], left: float, y: float) -> None:
    unit = canvas.size.type
    for line in lines:
        x = left
        for entry in line:
            shape, fill, edge, hole = KINDS[entry.kind]
            place = [(x + 0.45 * unit, y - 0.32 * unit)]
            canvas.marks(place, shape, 0.82 * unit, fill, edge, 0.11 * unit if entry.kind != "fall" else 0.02)
            if entry.dotted:
                canvas.marks(place, "o", 0.23 * unit, hole, "none", 0.0)
            canvas.text(x + 1.2 * unit, y, entry.words, SMALL, SOFT)
            x += entry.width
        y += 1.4 * unit
