"""The picture of where two coders differ: one field per pair of codes, a square as large as its routines are many."""

from __future__ import annotations

import math
from functools import partial

from analysis.comparison.agreement import Agreement, PairAgreement
from analysis.comparison.agreement_words import NAMES, capital
from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, FAINT, INK, PAPER, SECOND, SOFT, Canvas, Ruler
from analysis.publish.layout import Layout, labels
from analysis.publish.sizes import Size
from analysis.publish.sketch import Sketch

SHOWN = ("technique", "landing")
"""Variables with a picture; stuck or not has two numbers, and points take too many values."""


def confusion_figures(agreement: Agreement) -> list[Sketch]:
    """Return one picture per pair of coders and variable that has more than one code."""
    found = []
    for name in SHOWN:
        item = agreement.variable(name)
        for pair in item.pairs if item is not None else ():
            if len(pair.categories) > 1:
                found.append(_sketch(agreement, name, pair))
    return found


def _sketch(agreement: Agreement, name: str, pair: PairAgreement) -> Sketch:
    first, second = agreement.coders[pair.first], agreement.coders[pair.second]
    tail = f"-{pair.first + 1}-{pair.second + 1}" if len(agreement.coders) > 2 else ""
    said = [
        f"{first}: {one}; {second}: {two}: {count}."
        for one, row in zip(pair.categories, pair.table, strict=True)
        for two, count in zip(pair.categories, row, strict=True)
        if count
    ]
    caption = (
        f"Rows: codes of {first}; columns: codes of {second}, in the same order. Filled squares lie where the two "
        "agree, open ones where they differ; the area of a square and its number count routines."
    )
    title = f"{capital(NAMES[name])}: {first} and {second}"
    plan = partial(confusion_plan, pair, first, second)
    return Sketch(f"confusion-{name}{tail}", title, " ".join(said), caption, plan)


def confusion_plan(
    pair: PairAgreement, first: str, second: str, size: Size, width: float, room: float | None
) -> Layout:
    """Lay out the fields. Columns are numbered as rows are: the names of codes are too long to stand over them."""
    unit, ruler, k = size.type, Ruler(size), len(pair.categories)
    names = [f"{place}  {code}" for place, code in enumerate(pair.categories, start=1)]
    blocks, label_width = labels(size, width, names, ["" for _ in names])
    totals = [sum(row) for row in pair.table]
    below = [sum(row[j] for row in pair.table) for j in range(k)]
    total_width = max(ruler.width(numbers.whole(n), 0.86) for n in [*totals, *below, 1]) + 1.2 * unit
    words = f"rows: {first}; columns: {second}" if size.narrow else f"columns: {second}"
    head = ruler.wrap(words, width - label_width, 0.86, most=2)
    legend = ruler.wrap("filled: both gave this code; open: they differ", width, 0.86, most=2)
    foot = (2.2 + 1.15 * len(legend)) * unit
    head_height = (1.15 * len(head) + 1.6) * unit
    side = (width - label_width - total_width) / k
    if room is not None:
        side = min(side, (room - head_height - foot) / k)
    side = min(side, 3.8 * unit)
    above = [block.height(size) + 0.2 * unit if size.narrow else 0.0 for block in blocks]
    heights = [
        up + (side if size.narrow else max(side, block.height(size) + 0.4 * unit))
        for up, block in zip(above, blocks, strict=True)
    ]
    most = max(max(row) for row in pair.table) or 1
    across = k * side

    def draw(canvas: Canvas, left: float, top: float) -> None:
        x0 = left + label_width
        canvas.lines(x0, top + unit, head, 0.86, colour=SOFT)
        if not size.narrow:
            own = ruler.wrap(f"rows: {first}", label_width - unit, 0.86, most=2)
            canvas.lines(left, top + unit, own, 0.86, colour=SOFT)
        y = top + head_height
        for j in range(k):
            canvas.text(x0 + (j + 0.5) * side, y - 0.5 * unit, str(j + 1), 0.86, INK, True, "middle")
        canvas.text(x0 + across + 0.5 * unit, y - 0.5 * unit, "all", 0.86, SOFT)
        for i, row in enumerate(pair.table):
            canvas.rule(left, y, x0 + across + total_width, y, FAINT, 0.8)
            blocks[i].draw(canvas, left, y + (0.1 * unit if size.narrow else 0.25 * unit))
            y += above[i]
            cell = heights[i] - above[i]
            for j, count in enumerate(row):
                _field(canvas, x0 + (j + 0.5) * side, y + cell / 2, side, count / most, count, i == j)
            canvas.text(
                x0 + across + 0.5 * unit, y + cell / 2 + 0.3 * unit, numbers.whole(totals[i]), 0.86, SOFT
            )
            y += cell
        canvas.rule(left, y, x0 + across + total_width, y, FAINT, 0.8)
        for j, count in enumerate(below):
            canvas.text(
                x0 + (j + 0.5) * side, y + 1.2 * unit, numbers.whole(count), 0.86, SOFT, anchor="middle"
            )
        canvas.text(x0 + across + 0.5 * unit, y + 1.2 * unit, numbers.whole(sum(totals)), 0.86, SOFT)

        canvas.lines(left, y + 2.9 * unit, legend, 0.86, colour=SOFT)

    return Layout(head_height + sum(heights) + foot, draw)


def _field(canvas: Canvas, x: float, y: float, side: float, share: float, count: int, agree: bool) -> None:
    """Draw one field: its square, and its number inside where it fits, else under the square."""
    unit = canvas.size.type
    if not count:
        canvas.marks([(x, y)], "o", 0.18 * unit, FAINT, "none", 0.0)
        return
    square = max(0.3 * unit, 0.9 * side * math.sqrt(share))
    inside = square >= 1.35 * unit * max(1.0, 0.62 * len(str(count)))
    middle = y if inside else y - 0.55 * unit
    fill, edge = (ACCENT, ACCENT) if agree else (PAPER, SECOND)
    canvas.bar(x - square / 2, middle - square / 2, square, square, fill, edge)
    if inside:
        canvas.text(x, y + 0.32 * unit, numbers.whole(count), 0.9, PAPER if agree else INK, True, "middle")
    else:
        canvas.text(x, middle + square / 2 + unit, numbers.whole(count), 0.86, INK, agree, "middle")
