"""report.docx: the report for a thesis, in real styles, with numbered captions that the text refers to."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from docx import Document
from docx.document import Document as Doc
from docx.enum.style import WD_STYLE_TYPE
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Cm, Emu, Pt, RGBColor
from docx.text.paragraph import Paragraph

from analysis.comparison.result import Comparison
from analysis.publish.canvas import ACCENT, SOFT
from analysis.publish.figures import Figure
from analysis.publish.html import (
    design_facts,
    difference_said,
    points_said,
    question_words,
    trades_said,
)
from analysis.publish.methods import methods_paragraphs, works_cited
from analysis.publish.tables import Table, sentence
from analysis.study.archive import settle

FONT = "Calibri"
TEXT_WIDTH = Cm(16)
TALLEST = Cm(20)
"""A taller picture is made smaller, so that it stands on one page with its caption."""
PADDING = Cm(0.5)
LETTER = Cm(0.2)
"""Width of a letter in a table's cell, on the generous side: the font may be replaced by a wider one."""


def report_docx(comparison: Comparison, tables: Sequence[Table], figures: Sequence[Figure]) -> bytes:
    """Return the document, the same bytes each time."""
    page = _Page(tables, figures)
    document, reading = page.document, comparison.reading
    document.core_properties.title = _clean(comparison.question.title)
    document.core_properties.author = ""
    document.core_properties.comments = ""
    points, trades = points_said(comparison), trades_said(comparison)

    page.say("Title", comparison.question.title)
    page.say("Lead", reading.headline)
    page.say("Heading 1", "The question")
    page.say("Normal", question_words(comparison))
    for name, value in design_facts(comparison):
        page.fact(name, value)
    page.say("Heading 1", "The rows")
    page.show([], ["rows"])
    page.say("Heading 1", "Every routine")
    page.show(["routines"], [])
    page.say("Heading 1", "Each technique")
    page.show(["rates"], ["rates"])
    page.say("Heading 1", "The difference")
    page.texts("Normal", difference_said(comparison))
    page.show(["difference"], ["contrast"])
    page.say("Heading 1", "Points on the landing")
    page.texts("Normal", points)
    if comparison.deductions_why:
        page.say("Normal", sentence(comparison.deductions_why, "Deductions aren’t compared"))
    page.show(["deductions"], ["deductions", "points_contrast"])
    page.texts("Normal", trades)
    page.show([], ["trade"])
    if comparison.adjusted is not None:
        page.say("Heading 1", "Like with like")
        page.texts("Normal", [comparison.adjusted.agreement, comparison.adjusted.reason])
        page.show(["models"], ["adjusted"])
    page.say("Heading 1", "What this sample can’t say")
    page.texts("List Bullet", reading.cannot_say)
    page.say("Heading 1", "Cautions")
    page.texts("List Bullet", reading.cautions)
    page.say("Heading 1", "Methods")
    page.texts("Normal", methods_paragraphs(comparison))
    page.say("Heading 1", "Further tables")
    if comparison.graded is not None:
        page.say("Normal", comparison.graded.reading)
    if comparison.priors is not None:
        page.say("Normal", comparison.priors.reading)
    page.show(["strata", "odds", "priors"], page.left())
    page.say("Heading 1", "Works cited")
    page.texts("Works", works_cited(comparison))
    out = io.BytesIO()
    document.save(out)
    return settle(out.getvalue())


def _clean(text: str) -> str:
    """Drop the control characters that XML can't hold."""
    return "".join(c for c in text if c >= " " or c in "\t\n")


class _Page:
    """The document while it is written: it numbers captions and knows which tables have been shown."""

    def __init__(self, tables: Sequence[Table], figures: Sequence[Figure]) -> None:
        self.document = _document()
        self._tables = {table.key: table for table in tables}
        self._figures = {figure.name: figure for figure in figures}
        self._counts = {"Table": 0, "Figure": 0}
        self._mark = 0

    def say(self, style: str, words: str) -> Paragraph:
        return self.document.add_paragraph(_clean(words), style=style)

    def texts(self, style: str, words: Sequence[str]) -> None:
        for text in words:
            if text:
                self.say(style, text)

    def fact(self, name: str, value: str) -> None:
        paragraph = self.document.add_paragraph(style="Fact")
        run = paragraph.add_run(f"{name}: ")
        run.font.color.rgb = _colour(SOFT)
        paragraph.add_run(_clean(value))

    def left(self) -> list[str]:
        """Names of the tables that have not been shown yet."""
        return list(self._tables)

    def show(self, figures: Sequence[str], tables: Sequence[str]) -> None:
        """Point to figures and tables by fields that stay right when things move, then put them here."""
        figures = [name for name in figures if name in self._figures]
        tables = [key for key in tables if key in self._tables]
        pointers = [("Figure", name) for name in figures] + [("Table", key) for key in tables]
        if not pointers:
            return
        paragraph = self.say("Normal", "See ")
        paragraph.paragraph_format.keep_with_next = True
        numbers = dict(self._counts)
        for i, (label, name) in enumerate(pointers):
            numbers[label] += 1
            paragraph.add_run("" if i == 0 else " and " if i == len(pointers) - 1 else ", ")
            _field(paragraph, f" REF {_bookmark(label, name)} \\h ", f"{label} {numbers[label]}")
        paragraph.add_run(".")
        for name in figures:
            self._figure(name)
        for key in tables:
            self._table(key)

    def _figure(self, name: str) -> None:
        found = self._figures[name]
        paragraph = self.document.add_paragraph(style="Plate")
        picture = paragraph.add_run().add_picture(io.BytesIO(found.files["thesis.png"]), width=TEXT_WIDTH)
        if picture.height > TALLEST:
            picture.width, picture.height = Emu(int(picture.width * TALLEST / picture.height)), TALLEST
        properties = picture._inline.docPr
        properties.set("descr", _clean(f"{found.title}. {found.alt}"))
        properties.set("title", _clean(found.title))
        properties.set("name", f"Figure {self._counts['Figure'] + 1}")
        self._caption("Figure", name, f"{found.title}. {found.caption}", above=False)

    def _table(self, key: str) -> None:
        found = self._tables.pop(key)
        self._caption("Table", key, found.title, above=True)
        self._grid(found)
        for note in found.notes:
            self.say("Note", note)
        self.say("Note", "")

    def _caption(self, label: str, name: str, words: str, above: bool) -> None:
        self._counts[label] += 1
        self._mark += 1
        paragraph = self.document.add_paragraph(style="Caption")
        paragraph.paragraph_format.keep_with_next = above
        start, end = OxmlElement("w:bookmarkStart"), OxmlElement("w:bookmarkEnd")
        for mark in (start, end):
            mark.set(qn("w:id"), str(self._mark))
        start.set(qn("w:name"), _bookmark(label, name))
        paragraph._p.append(start)
        paragraph.add_run(f"{label} ").bold = True
        _field(paragraph, f" SEQ {label} \\* ARABIC ", str(self._counts[label]), bold=True)
        paragraph._p.append(end)
        paragraph.add_run(". ").bold = True
        paragraph.add_run(_clean(words))

    def _grid(self, table: Table) -> None:
        grid = self.document.add_table(rows=1 + len(table.rows), cols=len(table.header))
        grid.alignment = WD_TABLE_ALIGNMENT.LEFT
        grid.autofit = False
        widths = _widths(table)
        for i, cells in enumerate((table.header, *table.rows)):
            row = grid.rows[i]
            _keep_whole(row._tr, header=i == 0)
            for cell, words, numeric, width in zip(row.cells, cells, table.numeric, widths, strict=True):
                cell.width = width
                paragraph = cell.paragraphs[0]
                paragraph.style = self.document.styles["Cell"]
                if numeric:
                    paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
                paragraph.add_run(_clean(words)).bold = i == 0
                paragraph.paragraph_format.keep_with_next = i < min(len(table.rows), 12)
        for column, width in zip(grid.columns, widths, strict=True):
            column.width = width
        _rules(grid)


def _bookmark(label: str, name: str) -> str:
    return f"{label}_{name}"[:40]


def _widths(table: Table) -> list[int]:
    """No number is broken and no column narrower than its longest word; long cells share what is left."""
    least, most = [], []
    for i, head in enumerate(table.header):
        cells = [row[i] for row in table.rows]
        unbroken = cells if table.numeric[i] else [word for cell in cells for word in cell.split(" ")]
        bold = [1.2 * len(word) for word in head.split(" ")]
        least.append(max(bold + [len(words) for words in unbroken]))
        most.append(min(max(len(cell) for cell in [head, *cells]), 46))
    floor = [LETTER * length + PADDING for length in least]
    spare = max(0, TEXT_WIDTH - sum(floor))
    wishes = [max(0, wide - narrow) for wide, narrow in zip(most, least, strict=True)]
    share = spare / (sum(wishes) or 1)
    scale = min(1.0, TEXT_WIDTH / sum(floor))
    return [int(width * scale + min(share, LETTER) * wish) for width, wish in zip(floor, wishes, strict=True)]


def _keep_whole(row: Any, header: bool) -> None:
    properties = row.get_or_add_trPr()
    properties.append(OxmlElement("w:cantSplit"))
    if header:
        properties.append(OxmlElement("w:tblHeader"))


def _rules(grid: Any) -> None:
    """Rules above, below and under the header; no boxes."""
    borders = OxmlElement("w:tblBorders")
    for side in ("top", "bottom"):
        borders.append(_rule(side, 8))
    grid._tbl.tblPr.append(borders)
    for cell in grid.rows[0].cells:
        under = OxmlElement("w:tcBorders")
        under.append(_rule("bottom", 6))
        cell._tc.get_or_add_tcPr().append(under)


def _rule(side: str, eighths: int) -> Any:
    rule = OxmlElement(f"w:{side}")
    for key, value in (("val", "single"), ("sz", str(eighths)), ("space", "0"), ("color", "1E2328")):
        rule.set(qn(f"w:{key}"), value)
    return rule


def _field(paragraph: Paragraph, instruction: str, shown: str, bold: bool = False) -> None:
    """A field with the result that it has now."""
    for kind, content in (
        ("begin", None),
        (None, instruction),
        ("separate", None),
        ("shown", shown),
        ("end", None),
    ):
        run = paragraph.add_run()
        run.bold = bold or None
        if kind == "shown":
            run.text = content or ""
        elif kind is None:
            code = OxmlElement("w:instrText")
            code.set(qn("xml:space"), "preserve")
            code.text = content
            run._r.append(code)
        else:
            mark = OxmlElement("w:fldChar")
            mark.set(qn("w:fldCharType"), kind)
            run._r.append(mark)


def _colour(code: str) -> RGBColor:
    return RGBColor.from_string(code.lstrip("#").upper())


def _document() -> Doc:
    """An empty A4 document with the styles of the report."""
    document = Document()
    section = document.sections[0]
    section.page_width, section.page_height = Cm(21), Cm(29.7)
    section.left_margin = section.right_margin = Cm(2.5)
    section.top_margin = section.bottom_margin = Cm(2.5)
    styles = document.styles
    looks: tuple[tuple[str, float, bool, float, float, str | None], ...] = (
        ("Normal", 11, False, 0, 8, None),
        ("Title", 14, False, 0, 10, SOFT),
        ("Lead", 16, False, 0, 14, None),
        ("Heading 1", 16, True, 20, 8, ACCENT),
        ("Caption", 9.5, False, 4, 6, None),
        ("List Bullet", 11, False, 0, 5, None),
        ("Fact", 10.5, False, 0, 3, None),
        ("Plate", 11, False, 6, 2, None),
        ("Cell", 9.5, False, 2, 2, None),
        ("Note", 9, False, 3, 3, SOFT),
        ("Works", 10, False, 0, 5, None),
    )
    for name, size, bold, before, after, colour in looks:
        known = name in [style.name for style in styles]
        style: Any = styles[name] if known else styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
        style.font.name, style.font.size, style.font.bold, style.font.italic = FONT, Pt(size), bold, False
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for kind in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
            fonts.attrib.pop(qn(f"w:{kind}"), None)
        for kind in ("ascii", "hAnsi", "eastAsia", "cs"):
            fonts.set(qn(f"w:{kind}"), FONT)
        style.font.color.rgb = _colour(colour or "#1e2328")
        style.paragraph_format.space_before, style.paragraph_format.space_after = Pt(before), Pt(after)
        style.paragraph_format.line_spacing = 1.0 if name == "Cell" else 1.15
    styles["Plate"].paragraph_format.keep_with_next = True
    _unruled(styles["Title"])
    _language(styles["Normal"])
    return document


def _unruled(style: Any) -> None:
    """Take away the line that the default title stands on."""
    properties = style.element.get_or_add_pPr()
    for border in properties.findall(qn("w:pBdr")):
        properties.remove(border)


def _language(style: Any) -> None:
    language = OxmlElement("w:lang")
    language.set(qn("w:val"), "en-GB")
    style.element.get_or_add_rPr().append(language)
