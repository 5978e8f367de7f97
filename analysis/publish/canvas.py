r"""A drawing sheet measured in points from the top left, with the report's own type, colours and marks.

The pictures are laid out by hand on this sheet instead of on a plotting library's axes: every text is measured before
it is placed, so names wrap and nothing overlaps. Text is never read as mathematics, so a name may hold $ or \.
No global setting of matplotlib is touched.
"""

from __future__ import annotations

import bisect
import io
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from html import escape
from typing import Any, Literal

import matplotlib as mpl
from fontTools import subset  # type: ignore[import-untyped]
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.figure import Figure as Paper
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.markers import MarkerStyle
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path
from matplotlib.transforms import IdentityTransform

from analysis.publish.sizes import Size

INK = "#1e2328"
SOFT = "#59636d"
FAINT = "#d5dadf"
PALE = "#eef1f3"
PAPER = "#ffffff"
ACCENT = "#0b5a73"
SECOND = "#cc7722"
TINT = "#b3d9e4"
"""Accent, second colour and tint differ in lightness (35, 58 and 84 of 100), so grey print keeps them apart; blue and
orange stay apart for colour-blind readers. Shape, fill or pattern says the same thing again."""

GROUP_STYLE: tuple[tuple[str, str, str], ...] = (
    ("o", ACCENT, ACCENT),
    ("s", PAPER, SECOND),
    ("^", INK, INK),
    ("D", PAPER, INK),
    ("v", SOFT, SOFT),
    ("P", PAPER, SOFT),
)
"""Marker, fill and edge of each technique, in the plan's order; past six they repeat."""

FONT = "DejaVu Sans"

UNBROKEN = "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}"
"""Spaces at which a line isn't broken, as before a percent sign."""

_SETTINGS: Any = {
    "font.family": [FONT],
    "svg.fonttype": "none",
    "svg.hashsalt": "landing-outcomes",
    "pdf.fonttype": 42,
    "path.simplify": False,
    "text.usetex": False,
}

Anchor = Literal["start", "middle", "end"]
Pattern = Literal["", "rising", "falling", "crossed", "upright", "level"]


def group_style(place: int) -> tuple[str, str, str]:
    """Marker, fill and edge of the technique in this place of the plan."""
    return GROUP_STYLE[place % len(GROUP_STYLE)]


def tidy(text: str) -> str:
    """One line without control characters: a name may hold a line break or worse. Spaces that don't break stay."""
    kept = "".join(c if c.isprintable() or c in UNBROKEN else " " for c in text)
    return " ".join(part for part in kept.split(" ") if part).strip()


@dataclass
class Canvas:
    """The sheet. x grows to the right and y grows down, both in points."""

    size: Size
    height: float
    paper: Paper = field(init=False)

    def __post_init__(self) -> None:
        self.paper = Paper(figsize=(self.size.width / 72, self.height / 72), dpi=72, facecolor=PAPER)
        FigureCanvasAgg(self.paper)
        axes = self.paper.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0, self.size.width)
        axes.set_ylim(self.height, 0)
        axes.axis("off")
        self._axes = axes
        self._layer = 1.0

    def _next(self) -> float:
        """What is drawn later lies above what was drawn before, whatever its kind."""
        self._layer += 0.001
        return self._layer

    def text(
        self,
        x: float,
        y: float,
        words: str,
        scale: float = 1.0,
        colour: str = INK,
        bold: bool = False,
        anchor: Anchor = "start",
    ) -> None:
        """Write one line whose baseline is at y; `scale` is relative to the picture's type size."""
        self._axes.text(
            x,
            y,
            tidy(words),
            fontfamily=[FONT],
            fontsize=self.size.type * scale,
            color=colour,
            fontweight="bold" if bold else "normal",
            ha={"start": "left", "middle": "center", "end": "right"}[anchor],
            va="baseline",
            parse_math=False,
            zorder=self._next(),
        )

    def lines(self, x: float, y: float, words: Sequence[str], scale: float = 1.0, **style: Any) -> float:
        """Write lines below each other, the first with its baseline at y; return the baseline after the last."""
        for line in words:
            self.text(x, y, line, scale, **style)
            y += self.leading(scale)
        return y

    def leading(self, scale: float = 1.0) -> float:
        """Distance between two baselines."""
        return 1.28 * self.size.type * scale

    def rule(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        colour: str = INK,
        width: float = 0.8,
    ) -> None:
        """Draw a straight line."""
        self._axes.add_line(
            Line2D(
                [x1, x2], [y1, y2], color=colour, linewidth=width, solid_capstyle="butt", zorder=self._next()
            )
        )

    def bar(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        fill: str,
        edge: str = "none",
        pattern: Pattern = "",
    ) -> None:
        """Draw a rectangle from its top left corner, with lines of the edge's colour in it where a pattern is named."""
        thin = 0.1 * self.size.type
        self._axes.add_patch(
            Rectangle((x, y), width, height, facecolor=fill, edgecolor="none", zorder=self._next())
        )
        lines = _hatching(x, y, width, height, pattern, 0.5 * self.size.type)
        if lines:
            self._strokes(lines, edge, 0.9 * thin)
        if edge != "none":
            self._axes.add_patch(
                Rectangle(
                    (x, y),
                    width,
                    height,
                    facecolor="none",
                    edgecolor=edge,
                    linewidth=thin,
                    zorder=self._next(),
                )
            )

    def marks(
        self,
        places: Sequence[tuple[float, float]],
        shape: str,
        diameter: float,
        fill: str,
        edge: str,
        width: float = 0.9,
    ) -> None:
        """Draw one mark at each place; `diameter` is in points, its outline included."""
        if not places:
            return
        marker = MarkerStyle(shape)
        inner = max(diameter - width, 0.3)
        collection = PathCollection(
            [marker.get_path().transformed(marker.get_transform())],
            sizes=[inner**2],
            facecolors=[fill],
            edgecolors=[edge],
            linewidths=[width],
            offsets=list(places),
            offset_transform=self._axes.transData,
            zorder=self._next(),
        )
        collection.set_transform(IdentityTransform())
        self._axes.add_collection(collection, autolim=False)

    def ticks(self, lines: Sequence[_Stroke], colour: str = FAINT) -> None:
        """Draw many thin lines at once."""
        self._strokes(lines, colour, 0.08 * self.size.type)

    def _strokes(self, lines: Sequence[_Stroke], colour: str, width: float) -> None:
        self._axes.add_collection(
            LineCollection(list(lines), colors=colour, linewidths=width, zorder=self._next()), autolim=False
        )

    def save(self, name: str, title: str, description: str, forms: Sequence[str]) -> dict[str, bytes]:
        """Return the picture in the forms asked for ("svg", "pdf", "png"), the same bytes each time."""
        settings: dict[str, dict[str, Any]] = {
            "svg": {"Date": None},
            "pdf": {"CreationDate": None, "Title": tidy(title)},
            "png": {"Software": None},
        }
        files = {}
        with mpl.rc_context(_SETTINGS), _letters_only(), warnings.catch_warnings():
            # A letter that the font lacks is a box in png and pdf, and itself in svg; it is no reason to stop.
            warnings.filterwarnings("ignore", message="Glyph .* missing")
            for form in forms:
                out = io.BytesIO()
                self.paper.savefig(
                    out, format=form, dpi=self.size.dpi, metadata=settings[form], facecolor=PAPER
                )
                files[form] = out.getvalue()
        if "svg" in files:
            files["svg"] = _finish_svg(files["svg"].decode(), name, title, description).encode()
        return files


LIGATURES = ("GSUB", "GPOS", "GDEF")


@contextmanager
def _letters_only() -> Iterator[None]:
    """Embed letters without a font's tables of ligatures: no picture needs them, and they take half of the time."""
    load = subset.load_font

    def load_letters(*args: Any, **options: Any) -> Any:
        font = load(*args, **options)
        for table in LIGATURES:
            if table in font:
                del font[table]
        return font

    subset.load_font = load_letters
    try:
        yield
    finally:
        subset.load_font = load


_Stroke = tuple[tuple[float, float], tuple[float, float]]


def _hatching(
    x: float, y: float, width: float, height: float, pattern: Pattern, pitch: float
) -> list[_Stroke]:
    """Parallel lines inside a rectangle, `pitch` apart along its edge, whole in every file format."""
    right, foot = x + width, y + height
    found: list[_Stroke] = []
    if pattern in ("rising", "crossed"):  # x + y is constant on a line
        for i in range(1, int((width + height) / pitch) + 1):
            total = x + y + i * pitch
            start, end = max(x, total - foot), min(right, total - y)
            if end > start:
                found.append(((start, total - start), (end, total - end)))
    if pattern in ("falling", "crossed"):  # x - y is constant on a line
        for i in range(1, int((width + height) / pitch) + 1):
            apart = x - foot + i * pitch
            start, end = max(x, apart + y), min(right, apart + foot)
            if end > start:
                found.append(((start, start - apart), (end, end - apart)))
    if pattern == "upright":
        at = [x + i * pitch / 1.4 for i in range(1, int(1.4 * width / pitch) + 1)]
        found += [((place, y), (place, foot)) for place in at if place < right - 0.1 * pitch]
    if pattern == "level":
        at = [y + i * pitch / 1.4 for i in range(1, int(1.4 * height / pitch) + 1)]
        found += [((x, place), (right, place)) for place in at if place < foot - 0.1 * pitch]
    return found


@lru_cache(maxsize=10_000)
def _width_of_one_point(words: str, bold: bool) -> float:
    font = FontProperties(family=FONT, weight="bold" if bold else "normal", size=1)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        return float(text_to_path.get_text_width_height_descent(words, font, False)[0])


class Ruler:
    """Measures text before a sheet of known height exists."""

    def __init__(self, size: Size) -> None:
        self.size = size

    def width(self, words: str, scale: float = 1.0, bold: bool = False) -> float:
        """Width of one line in points; a little generous, because small type is set on whole pixels."""
        return 1.02 * self.size.type * scale * _width_of_one_point(tidy(words), bold)

    def wrap(
        self, words: str, room: float, scale: float = 1.0, bold: bool = False, most: int = 4
    ) -> list[str]:
        """Break a text into lines that fit; a word too long is cut, and past `most` lines an ellipsis stands."""
        lines: list[str] = []
        line = ""
        for word in tidy(words).split(" "):
            for piece in self._pieces(word, room, scale, bold):
                longer = f"{line} {piece}" if line else piece
                if line and self.width(longer, scale, bold) > room:
                    lines.append(line)
                    line = piece
                else:
                    line = longer
        lines.append(line)
        if len(lines) > most:
            last = lines[most - 1]
            while last and self.width(last + "…", scale, bold) > room:
                last = last[:-1]
            lines = [*lines[: most - 1], last.rstrip() + "…"]
        return lines

    def _pieces(self, word: str, room: float, scale: float, bold: bool) -> list[str]:
        pieces = []
        while len(word) > 1 and self.width(word, scale, bold) > room:
            fits = bisect.bisect_right(
                range(1, len(word)), room, key=lambda cut: self.width(word[:cut], scale, bold)
            )
            cut = max(1, fits)
            pieces.append(word[:cut])
            word = word[cut:]
        return [*pieces, word]


def _finish_svg(svg: str, name: str, title: str, description: str) -> str:
    """Give the svg a title and a description, ids of its own and fallback fonts; drop what no reader needs."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"\s*<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    # A style element would rule the whole page that the svg is put into.
    svg = re.sub(r"\s*<defs>\s*<style[^>]*>.*?</style>\s*</defs>", "", svg, count=1, flags=re.DOTALL)
    svg = re.sub(r'(\sid="|url\(#|href="#)', lambda m: f"{m.group(1)}{name}-", svg)
    svg = svg.replace(f"'{FONT}'", f"'{FONT}', Verdana, sans-serif")
    head, _, rest = svg.partition(">")
    named = (
        f'{head} stroke-linejoin="round" stroke-linecap="butt" role="img" aria-labelledby="{name}-title {name}-desc">\n'
        f'<title id="{name}-title">{escape(tidy(title))}</title>\n'
        f'<desc id="{name}-desc">{escape(tidy(description))}</desc>'
    )
    return f"{named}{rest}"
