"""From a layout to a finished sheet: margins, the title of a slide, and type that shrinks until all fits."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from analysis.publish import numbers
from analysis.publish.canvas import FAINT, INK, SOFT, Canvas, Ruler
from analysis.publish.sizes import SMALL, Size

SHRINK = 0.96
MOST_SHRINKS = 40


@dataclass(frozen=True)
class Layout:
    """A drawing of known height; `draw(canvas, left, top)` puts it on a sheet."""

    height: float
    draw: Callable[[Canvas, float, float], None]


Plan = Callable[[Size, float, float | None], Layout]
"""Called as plan(size, width, room): `room` is the height on offer on a slide and None where height is free. A plan of
rows that don't fit at the smallest type (`size.tight`) leaves some of them out and says so; see `fitting`."""


def paint(plan: Plan, size: Size, title: str) -> Canvas:
    """Draw a plan on a sheet of this size; a slide has the title on it, the page has it in the caption."""
    if size.height is None:
        layout = plan(size, size.width - 4, None)
        canvas = Canvas(size, math.ceil(layout.height + 4))
        layout.draw(canvas, 2, 2)
        return canvas
    margin = 0.05 * size.width
    ruler = Ruler(size)
    heading = ruler.wrap(title, size.width - 2 * margin, TITLE, bold=True, most=2)
    top = 0.7 * margin + (len(heading) - 1) * 1.28 * TITLE * size.type + 2.1 * size.type
    room = size.height - top - 0.6 * margin
    small = size
    # Down to the smallest type that the size allows, and below it only for a plan that can't leave rows out.
    for _ in range(MOST_SHRINKS):
        layout = plan(small, size.width - 2 * margin, room)
        if layout.height <= room + 0.01:
            break
        floor = 0.0 if small.smallest else size.least / SMALL
        small = replace(small, type=max(floor, SHRINK * small.type))
    canvas = Canvas(small, size.height)
    scale = TITLE * size.type / small.type
    canvas.lines(margin, 0.7 * margin + TITLE * size.type, heading, scale, bold=True)
    layout.draw(canvas, margin, top + max(0.0, (room - layout.height) * 0.3))
    return canvas


TITLE = 1.2
"""Type of a slide's title, in type sizes."""

NOTE_HEIGHT = 1.6
"""Height of the line that tells how many rows are left out, in type sizes."""


def fitting(needs: Sequence[float], room: float | None, fixed: float, size: Size) -> int:
    """How many rows are shown: all, or as many as a slide holds at its smallest type, beside a line that says so."""
    if room is None or not size.tight or fixed + sum(needs) <= room:
        return len(needs)
    left = room - fixed - NOTE_HEIGHT * size.type
    return next((count for count in range(len(needs) - 1, 1, -1) if sum(needs[:count]) <= left), 1)


def left_out(canvas: Canvas, x: float, top: float, more: int, what: str) -> None:
    """Say how many rows aren't on the slide, in the line kept free for it."""
    if more:
        words = f"and {numbers.whole(more)} more {what}{'' if more == 1 else 's'}, in the report"
        canvas.text(x, top + 1.1 * canvas.size.type, words, SMALL, SOFT)


@dataclass(frozen=True)
class Label:
    """A row's name and the smaller line below it, wrapped."""

    name: tuple[str, ...]
    below: tuple[str, ...]

    def height(self, size: Size) -> float:
        """Height of the block in points."""
        return 1.28 * size.type * (len(self.name) + SMALL * len(self.below))

    def draw(self, canvas: Canvas, x: float, top: float) -> None:
        """Write the block with its upper edge at `top`."""
        y = canvas.lines(x, top + canvas.size.type, self.name, bold=True)
        canvas.lines(x, y - 0.1 * canvas.size.type, self.below, SMALL, colour=SOFT)


def labels(
    size: Size, width: float, names: Sequence[str], below: Sequence[str], most: float = 0.0
) -> tuple[list[Label], float]:
    """Wrap the names of rows, and return the width of their column (0 where they stand above the rows).

    `most` is the largest share of the width that the column may take; 0 leaves it to the size.
    """
    ruler = Ruler(size)
    if size.narrow:
        room = width
    else:
        widest = max(*(ruler.width(n, 1.0, True) for n in names), *(ruler.width(b, SMALL) for b in below))
        room = min(max(widest, 0.14 * width), (most or (0.27 if size.height is None else 0.34)) * width) + 1
    # A full slide can show more techniques where their names are shorter.
    crowded = size.tight and len(names) > 3
    blocks = [
        Label(
            tuple(_begin_and_end(ruler, name, room, 2 if crowded else 4)),
            tuple(ruler.wrap(text, room, SMALL, most=1 if crowded else 3)) if text else (),
        )
        for name, text in zip(names, below, strict=True)
    ]
    return blocks, 0.0 if size.narrow else room + 1.5 * size.type


def _begin_and_end(ruler: Ruler, name: str, room: float, most: int) -> list[str]:
    """A name in at most so many lines; the middle of a longer one is left out, since names differ at their ends too."""
    lines = ruler.wrap(name, room, 1.0, True, most=1000)
    if len(lines) <= most:
        return lines
    end = ""
    for word in reversed(" ".join(lines[most - 1 :]).split(" ")):
        longer = f"{word} {end}".rstrip()
        if ruler.width(f"… {longer}", 1.0, True) > room:
            break
        end = longer
    return [*lines[: most - 1], f"… {end}"] if end else ruler.wrap(name, room, 1.0, True, most=most)


def spread(needs: Sequence[float], room: float | None, fixed: float, most: float) -> list[float]:
    """Heights of rows: what they need, or more of it (up to `most` times) where a slide has room."""
    if room is None or not needs:
        return list(needs)
    factor = min(most, max(1.0, (room - fixed) / sum(needs)))
    return [need * factor for need in needs]


@dataclass(frozen=True)
class Scale:
    """A straight scale from `low`..`high` to `left`..`right` in points."""

    low: float
    high: float
    left: float
    right: float

    def __call__(self, value: float) -> float:
        """Place of a value; what lies outside is put on the edge."""
        inside = min(max(value, self.low), self.high)
        return self.left + (inside - self.low) / (self.high - self.low) * (self.right - self.left)


def steps(low: float, high: float, most: int) -> list[float]:
    """Round values between low and high for an axis, at most `most` of them."""
    span = high - low
    unit = 10.0 ** math.floor(math.log10(span))
    step = next(
        size
        for size in (unit / 10 * factor for factor in (1, 2, 2.5, 5, 10, 20, 25, 50, 100))
        if span / size <= most - 1 + 1e-9
    )
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


def axis(
    canvas: Canvas, scale: Scale, ticks: Sequence[tuple[float, str]], top: float, bottom: float, name: str
) -> None:
    """Draw faint upright lines with their values below, and the axis' name under them."""
    canvas.ticks([((scale(value), top), (scale(value), bottom)) for value, _ in ticks], FAINT)
    for value, words in ticks:
        canvas.text(scale(value), bottom + 1.25 * canvas.size.type, words, SMALL, SOFT, anchor="middle")
    canvas.text(
        (scale.left + scale.right) / 2, bottom + 2.5 * canvas.size.type, name, SMALL, INK, anchor="middle"
    )


AXIS_HEIGHT = 2.9
"""Height under the last row that an axis takes, in type sizes."""
