"""The building blocks of report.docx: headings, text, numbered captions, and references to them that stay right."""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from docx.enum.section import WD_ORIENT, WD_SECTION
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Cm, Emu, Pt
from docx.text.paragraph import Paragraph
from docx.text.run import Run

from analysis.publish.canvas import SOFT
from analysis.publish.figures import Figure
from analysis.publish.tables import Table
from analysis.publish.word_styles import LANGUAGE, LONG_SIDE, SHORT_SIDE, add_field, colour, empty_document
from analysis.publish.word_table import SIDEWAYS, UPRIGHT, add_grid, needs_side

TALLEST_UPRIGHT, TALLEST_SIDEWAYS = Cm(20), Cm(13)
"""A taller picture is made smaller, so that it stands on one page with its caption."""
LONGEST_TITLE = 255
"""The properties of a document hold no longer title."""
MOST_LEADING = 1
"""So many texts of a section are kept on the page of the figure or table that they lead to."""
TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of the text around them, the next column's included."""


@dataclass(frozen=True)
class Part:
    """A section: its texts, then sentences that each name ("{}") a figure or table, then those that it shows.

    Names are "Figure rates" or "Table rates". What this comparison doesn't have is left out with its sentence;
    `pointers` are sentences about figures and tables that another part shows.
    """

    heading: str
    texts: Sequence[str] = ()
    shows: Sequence[tuple[str, str]] = ()
    pointers: Sequence[tuple[str, str]] = ()
    bullets: Sequence[str] = ()
    facts: Sequence[tuple[str, str]] = ()
    works: Sequence[str] = ()


def clean(text: str) -> str:
    """Text as one line that XML can hold: control characters become spaces, marks that turn text are dropped."""
    kept = []
    for c in text:
        kind = unicodedata.category(c)
        if kind in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        elif kind not in ("Cs", "Cn") and c not in TURNS:
            kept.append(c)
    return "".join(kept)


class Page:
    """The document while it is written: it numbers captions and knows which tables and figures have been shown."""

    def __init__(self, title: str, tables: Sequence[Table], figures: Sequence[Figure]) -> None:
        self.document = empty_document()
        properties = self.document.core_properties
        properties.title = clean(title)[:LONGEST_TITLE]
        properties.author = properties.comments = ""
        properties.language = LANGUAGE
        self._styles = {style.name: style.style_id for style in self.document.styles}
        self._left: dict[str, Figure | Table] = {f"Figure {figure.name}": figure for figure in figures}
        self._left |= {f"Table {table.key}": _cleaned(table) for table in tables}
        self._known = frozenset(self._left)
        self._numbers: dict[str, str] = {}
        self._pointers: list[tuple[str, Run]] = []
        self._headings: list[tuple[int, str, str]] = []
        self._contents: Paragraph | None = None
        self._marks = 0
        self._under_table = False
        self._sideways = False

    def say(self, style: str, words: str) -> Paragraph:
        """Add a paragraph in a style of the report."""
        paragraph = self.document.add_paragraph(clean(words))
        paragraph._p.style = self._styles[style]
        if self._under_table and style in ("Normal", "List Bullet", "Fact"):
            paragraph.paragraph_format.space_before = Pt(10)
        self._under_table = style == "Table note"
        return paragraph

    def contents(self) -> None:
        """Keep a place for the list of the headings."""
        self.say("TOC Heading", "Contents")
        self._contents = self.say("toc 1", "")

    def part(self, level: int, part: Part, chapter: str = "") -> None:
        """Write one section, with the heading of a new chapter before it where it begins one.

        A part with a table that is too wide for an upright page stands on its side.
        """
        shown = [name for name, _ in part.shows if name in self._left]
        tables = [found for found in map(self._left.get, shown) if isinstance(found, Table)]
        turned = self._turn(any(needs_side(table) for table in tables))
        if chapter:
            self._heading(1, chapter, new_page=not turned)
        self._heading(level, part.heading)
        texts = [text for text in part.texts if text]
        # A short text stays with what it leads to; a longer one may fill the page before it.
        leads = bool(shown) and len(texts) <= MOST_LEADING
        for text in texts:
            self.say("Normal", text).paragraph_format.keep_with_next = leads or None
        for i, (name, value) in enumerate(part.facts, start=1):
            self._fact(name, value, last=i == len(part.facts))
        self._refer([*part.shows, *part.pointers], leads)
        for text in part.bullets:
            self.say("List Bullet", text)
        for text in part.works:
            self.say("Bibliography", text)
        for name in shown:
            self._show(name)

    def has(self, part: Part) -> bool:
        """Whether there is anything to write in this part."""
        shown = any(name in self._left for name, _ in part.shows)
        return shown or any(part.texts) or bool(part.bullets or part.facts or part.works)

    def left(self) -> list[str]:
        """Names of the figures and tables that have not been shown yet."""
        return list(self._left)

    def finish(self) -> bytes:
        """Fill in the contents and the numbers of what was pointed to before it was shown."""
        for name, run in self._pointers:
            run.text = self._numbers[name]
        if self._contents is not None:
            levels = [self._styles[f"toc {level}"] for level, _, _ in self._headings]
            _list_headings(self._contents, levels, self._headings)
        out = io.BytesIO()
        self.document.save(out)
        return out.getvalue()

    def _heading(self, level: int, words: str, new_page: bool = False) -> None:
        paragraph = self.say(f"Heading {level}", "")
        paragraph.paragraph_format.page_break_before = new_page or None
        mark = f"_Toc{len(self._headings) + 1:06d}"
        start, end = self._bookmark(mark)
        paragraph._p.append(start)
        paragraph.add_run(clean(words))
        paragraph._p.append(end)
        self._headings.append((level, clean(words), mark))

    def _turn(self, sideways: bool) -> bool:
        """Begin a page on its side, or an upright one again; False where the page already stands so."""
        if sideways == self._sideways:
            return False
        section = self.document.add_section(WD_SECTION.NEW_PAGE)
        section.orientation = WD_ORIENT.LANDSCAPE if sideways else WD_ORIENT.PORTRAIT
        sides = (LONG_SIDE, SHORT_SIDE) if sideways else (SHORT_SIDE, LONG_SIDE)
        section.page_width, section.page_height = sides
        self._sideways = sideways
        _carry_break(self.document.paragraphs[-1]._p, self._styles["Table note"])
        return True

    def _fact(self, name: str, value: str, last: bool) -> None:
        paragraph = self.say("Fact", f"{name}: ")
        paragraph.paragraph_format.keep_with_next = not last or None
        paragraph.runs[0].font.color.rgb = colour(SOFT)
        paragraph.add_run(clean(value))

    def _refer(self, sentences: Sequence[tuple[str, str]], leads: bool) -> None:
        """One paragraph of sentences that name figures and tables by fields, which stay right when things move."""
        said = [(name, words) for name, words in sentences if words and name in self._known]
        if not said:
            return
        paragraph = self.say("Normal", "")
        paragraph.paragraph_format.keep_with_next = leads or None
        for i, (name, words) in enumerate(said):
            before, _, after = words.partition("{}")
            paragraph.add_run((" " if i else "") + clean(before))
            run = add_field(paragraph, f"REF {_mark(name)} \\h", name)
            self._pointers.append((name, run))
            paragraph.add_run(clean(after))

    def _show(self, name: str) -> None:
        found = self._left.pop(name)
        if isinstance(found, Figure):
            self._figure(name, found)
        else:
            self._table(name, found)

    def _figure(self, name: str, found: Figure) -> None:
        paragraph = self.say("Figure", "")
        picture = paragraph.add_run().add_picture(io.BytesIO(found.files["thesis.png"]), width=Emu(UPRIGHT))
        tallest = TALLEST_SIDEWAYS if self._sideways else TALLEST_UPRIGHT
        if picture.height > tallest:
            picture.width, picture.height = Emu(int(picture.width * tallest / picture.height)), tallest
        self._caption(name, f"{found.title}. {found.caption}", above=False)
        properties = picture._inline.docPr
        properties.set("descr", clean(f"{found.title}. {found.alt}"))
        properties.set("title", clean(found.title))
        properties.set("name", self._numbers[name])

    def _table(self, name: str, found: Table) -> None:
        self._caption(name, found.title, above=True)
        add_grid(self.document, found, SIDEWAYS if self._sideways else UPRIGHT)
        for i, note in enumerate(found.notes):
            self.say("Table note", note).paragraph_format.keep_with_next = i < len(found.notes) - 1 or None
        self._under_table = True

    def _caption(self, name: str, words: str, above: bool) -> None:
        label = name.partition(" ")[0]
        number = 1 + sum(known.startswith(f"{label} ") for known in self._numbers)
        self._numbers[name] = f"{label} {number}"
        paragraph = self.say("Caption", "")
        if above:
            paragraph.paragraph_format.keep_with_next = True
        else:
            paragraph.paragraph_format.space_before, paragraph.paragraph_format.space_after = Pt(2), Pt(12)
        start, end = self._bookmark(_mark(name))
        paragraph._p.append(start)
        paragraph.add_run(f"{label} ").bold = True
        add_field(paragraph, f"SEQ {label} \\* ARABIC", str(number), bold=True)
        paragraph._p.append(end)
        paragraph.add_run(". ").bold = True
        paragraph.add_run(clean(words))

    def _bookmark(self, name: str) -> tuple[Any, Any]:
        self._marks += 1
        start, end = OxmlElement("w:bookmarkStart"), OxmlElement("w:bookmarkEnd")
        for mark in (start, end):
            mark.set(qn("w:id"), str(self._marks))
        start.set(qn("w:name"), name)
        return start, end


def _mark(name: str) -> str:
    """Name of the bookmark of a figure or table; Word takes letters, digits and _, up to 40 of them."""
    return re.sub(r"\W", "_", name)[:40]


def _carry_break(empty: Any, small: str) -> None:
    """Move a section's end from its own empty paragraph, which could fill a page alone, to the one before it."""
    before = empty.getprevious()
    if before is not None and before.tag == qn("w:p"):
        before.get_or_add_pPr().append(empty.pPr.sectPr)
        empty.getparent().remove(empty)
    else:
        empty.style = small


def _cleaned(table: Table) -> Table:
    return replace(
        table,
        title=clean(table.title),
        header=tuple(map(clean, table.header)),
        rows=tuple(tuple(map(clean, row)) for row in table.rows),
        notes=tuple(map(clean, table.notes)),
    )


def _list_headings(place: Paragraph, styles: Sequence[str], headings: Sequence[tuple[int, str, str]]) -> None:
    """A contents field whose result is the headings as links; Word adds the page numbers when it is updated."""
    paragraphs = [place]
    for _ in headings[1:]:
        paragraphs.append(place.insert_paragraph_before(""))
    # insert_paragraph_before puts each new one between the earlier ones and the place, which stays the last.
    paragraphs = [*paragraphs[1:], place]
    for paragraph, style, (_, words, mark) in zip(paragraphs, styles, headings, strict=True):
        paragraph._p.style = style
        link = OxmlElement("w:hyperlink")
        link.set(qn("w:anchor"), mark)
        link.set(qn("w:history"), "1")
        paragraph._p.append(link)
        link.append(_plain_run(words))
    first, last = paragraphs[0]._p, paragraphs[-1]._p
    begin = Paragraph(OxmlElement("w:p"), place._parent)
    add_field(begin, 'TOC \\o "1-2" \\h \\z \\u')
    runs = list(begin._p)
    for run in reversed(runs[:3]):
        first.insert(1 if first.pPr is not None else 0, run)
    last.append(runs[-1])


def _plain_run(words: str) -> Any:
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = words
    text.set(qn("xml:space"), "preserve")
    run.append(text)
    return run
