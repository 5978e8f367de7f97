"""clinic.pptx: four slides for a room of athletes, in text that can be edited, with the numbers in the notes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from pptx.dml.color import RGBColor
from pptx.slide import Slide
from pptx.util import Pt

from analysis.comparison.result import Comparison
from analysis.publish.canvas import ACCENT, INK, Ruler, tidy
from analysis.publish.clinic import HEADS, Kit, Shown, clinic_kit, clinic_picture, clinic_text, fitted
from analysis.publish.methods import methods_paragraphs
from analysis.publish.sizes import Size
from analysis.publish.slide_template import (
    BOTTOM,
    INSIDE,
    LANGUAGE,
    MARGIN,
    PICTURE,
    TITLE_TOP,
    WORDS,
    blank_deck,
)
from analysis.reading.sentences import say
from analysis.study.archive import settle

LARGEST, SMALLEST = 28, 20
"""Type sizes of the words; below 20 points the back of a gym can't read."""
GOOD, LEAST = 190, 110
"""Height of a picture, in points: longer words are set smaller before it has less than the first, and the second is
kept whatever the words."""
SPACE = 7.0
"""Space between two paragraphs, in points."""
GENEROUS = 0.93
"""The ruler measures a font a good tenth wider than the deck's."""

Said = tuple[str, str]
"""A label ("" for none) and a sentence."""


def report_pptx(comparison: Comparison, kit: Kit) -> bytes:
    """Return the deck, the same bytes each time.

    The first slide has the question, every routine as one mark and the three sentences; then how sure, the points
    lost on the landing where they are known, and what it doesn't say with all the cautions. Every text is a
    placeholder's own; the notes have the sentence for an examiner, the counts, the methods and the sources.
    """
    deck = _Deck(comparison.question.title)
    labels = [say("clinic", head) for head in HEADS]
    deck.add(
        kit.question, kit.routines, list(zip(labels, kit.sentences, strict=True)), _first_notes(comparison)
    )
    sure = [("", kit.sentences[1])]
    if kit.sure is not None:
        sure.append((say("clinic", "head_picture"), kit.reading_the_bar))
    deck.add(say("clinic", "title_sure"), kit.sure, sure, _sure_notes(comparison))
    if kit.lost is not None:
        key = [(say("clinic", "head_picture"), say("clinic", "read_falls"))]
        deck.add(say("clinic", "title_points"), kit.lost, [*kit.points, *key], _points_notes(comparison))
    last = [("", kit.sentences[2]), *(("", caution) for caution in kit.cautions)]
    deck.add(say("clinic", "title_not"), None, last, [*comparison.reading.cannot_say, *_sources(comparison)])
    return deck.save()


def clinic_files(comparison: Comparison) -> dict[str, bytes]:
    """Return the whole kit as files of a report: the deck, the picture as png and svg, and the sentences as a text."""
    kit = clinic_kit(comparison)
    files = {f"clinic/clinic.{form}": content for form, content in clinic_picture(kit).items()}
    files["clinic/clinic.pptx"] = report_pptx(comparison, kit)
    files["clinic/clinic.md"] = clinic_text(kit).encode()
    return files


def _first_notes(comparison: Comparison) -> list[str]:
    head = comparison.reading
    counts = [
        f"{group.name}: {group.x} of {group.n} routines, {group.athletes} athletes."
        for group in comparison.groups
    ]
    return [comparison.question.title, head.headline, *counts, *_sources(comparison)]


def _sure_notes(comparison: Comparison) -> list[str]:
    head = comparison.headline
    found = [] if head.interval is None else [f"{head.first} minus {head.second}: {head.interval}."]
    return [*found, *comparison.reading.sentences, *methods_paragraphs(comparison)]


def _points_notes(comparison: Comparison) -> list[str]:
    said = []
    for contrast in comparison.deductions:
        effect = contrast.clustered or contrast.effect
        said.append(f"Points lost, {contrast.falls}: {effect or contrast.effect_why}.")
        said += [
            f"{group.name}: {group.none} of {group.n} routines lost nothing." for group in contrast.groups
        ]
    return said


def _sources(comparison: Comparison) -> list[str]:
    source = comparison.source
    named = (
        ("Sheet", source.sheet, source.sheet_sha256),
        ("Plan", source.plan, source.plan_sha256),
        ("Codebook", source.codebook, source.codebook_sha256),
    )
    return [f"{what}: {file}, sha256 {digest}" for what, file, digest in named]


class _Deck:
    """The deck while it grows."""

    def __init__(self, title: str) -> None:
        self.deck = blank_deck()
        self.with_picture, self.words_only = self.deck.slide_layouts
        properties = self.deck.core_properties
        properties.title, properties.language = tidy(title), LANGUAGE
        properties.author = properties.last_modified_by = properties.comments = properties.keywords = ""

    def add(self, title: str, picture: Shown | None, said: Sequence[Said], notes: Sequence[str]) -> None:
        """Add a slide: its title, its picture, its words, and what the speaker has in the notes."""
        slide = self.deck.slides.add_slide(self.words_only if picture is None else self.with_picture)
        heading, height = _title(title)
        _write(slide.shapes.title, [("", title)], heading, bold=True)
        _place(slide.shapes.title, TITLE_TOP, height)
        top = TITLE_TOP + height + 12
        size, needed = _fit(said, BOTTOM - top, picture is not None)
        words = next(s for s in slide.placeholders if s.placeholder_format.idx == WORDS)
        _write(words, said, size)
        if picture is None:
            _place(words, top, BOTTOM - top)
        else:
            _put(slide, picture, top, BOTTOM - needed - 12 - top)
            _place(words, BOTTOM - needed, needed)
        frame = slide.notes_slide.notes_text_frame
        assert frame is not None
        frame.text = "\n".join(tidy(line) for line in notes if line)

    def save(self) -> bytes:
        """Return the deck's bytes."""
        for part in self.deck.part.package.iter_parts():
            element = getattr(part, "_element", None)
            if element is not None:
                _speak(element)
        out = io.BytesIO()
        self.deck.save(out)
        return settle(out.getvalue())


def _fit(said: Sequence[Said], room: float, picture: bool) -> tuple[int, float]:
    """Type of the words and the height that they take: large if a picture has its room, small only at the very last."""
    sizes = range(LARGEST, SMALLEST - 1, -2)
    for size, left in [
        *((size, room - GOOD * picture) for size in sizes),
        *((size, room - LEAST * picture) for size in (20, 18, 16, 14, 12)),
    ]:
        needed = _height(said, size)
        if needed <= left:
            break
    return size, min(needed, left)


def _height(said: Sequence[Said], size: int) -> float:
    """Height of paragraphs in this type."""
    lines = sum(_lines(f"{label}: {words}" if label else words, size) for label, words in said)
    return 1.2 * size * lines + SPACE * (len(said) - 1) + 4


def _lines(words: str, size: int, bold: bool = False) -> int:
    """How many lines a text takes on a slide."""
    ruler = Ruler(Size("deck", INSIDE, None, GENEROUS * size, 1.0, 72))
    return len(ruler.wrap(words, INSIDE, bold=bold, most=999))


def _title(title: str) -> tuple[int, float]:
    """Type and height of a title: one line if that can be large, else two, else as many as it takes."""
    one = next((size for size in (32, 30, 28) if _lines(title, size, True) == 1), None)
    two = next((size for size in (28, 26, 24, 22) if _lines(title, size, True) <= 2), None)
    size = one or two or SMALLEST
    return size, 1.2 * size * _lines(title, size, True) + 2


def _write(shape: Any, said: Sequence[Said], size: int, bold: bool = False) -> None:
    """Put paragraphs into a placeholder, each as runs of plain text."""
    frame = shape.text_frame
    for place, (label, words) in enumerate(said):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        if place:
            paragraph.space_before = Pt(SPACE)
        parts = [(f"{tidy(label)}: ", True, ACCENT)] if label else []
        for text, strong, colour in [*parts, (tidy(words), bold, INK)]:
            run = paragraph.add_run()
            run.text = text
            run.font.size, run.font.bold = Pt(size), strong
            run.font.color.rgb = _rgb(colour)
            run._r.get_or_add_rPr().set("lang", LANGUAGE)


def _place(shape: Any, top: float, height: float) -> None:
    shape.left, shape.top, shape.width, shape.height = Pt(MARGIN), Pt(top), Pt(INSIDE), Pt(height)


def _put(slide: Slide, picture: Shown, top: float, room: float) -> None:
    """Draw a picture for the room above the words and put it into the layout's place, described in words."""
    size = Size("deck", INSIDE, room, 22.0, 12.0, 150)
    canvas = fitted(picture.plan, size)
    content = canvas.save(f"deck-{picture.name}", picture.name, picture.alt, ("png",))["png"]
    holder: Any = next(s for s in slide.placeholders if s.placeholder_format.idx == PICTURE)
    placed = holder.insert_picture(io.BytesIO(content))
    placed.crop_left = placed.crop_right = placed.crop_top = placed.crop_bottom = 0
    _place(placed, top, room)
    named = placed._element.nvPicPr.cNvPr
    named.set("name", f"Picture: {picture.name}")
    named.set("descr", tidy(picture.alt))


def _rgb(colour: str) -> RGBColor:
    return RGBColor.from_string(colour.removeprefix("#").upper())


def _speak(element: Any) -> None:
    """Say in what language every text of a part is."""
    for found in element.iter():
        if found.get("lang"):
            found.set("lang", LANGUAGE)
