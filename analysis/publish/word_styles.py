"""The empty document of report.docx: page, language, fonts, styles of text and of tables, page numbers."""

from __future__ import annotations

from typing import Any

from docx import Document
from docx.document import Document as Doc
from docx.enum.style import WD_STYLE_TYPE
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.opc.constants import RELATIONSHIP_TYPE
from docx.oxml import OxmlElement, parse_xml
from docx.oxml.ns import nsdecls, qn
from docx.shared import Cm, Pt, RGBColor
from docx.text.paragraph import Paragraph

from analysis.publish.canvas import ACCENT, INK, SOFT

FONT = "Arial"
"""Every office program has it or a font of exactly its widths, so that columns are as wide as they were planned."""
CELL_SIZE = 9
LANGUAGE = "en-GB"
TABLE_STYLE = "Report table"
MARGIN = Cm(2.5)
SHORT_SIDE, LONG_SIDE = Cm(21), Cm(29.7)
CELL_PADDING = Cm(0.2)
"""Empty space on the right of each cell and half of it on the left."""

# Name, size, bold, space before, space after, colour. Names that Word knows keep its outline and its lists.
LOOKS: tuple[tuple[str, float, bool, float, float, str], ...] = (
    ("Normal", 11, False, 0, 8, INK),
    ("Title", 13, False, 0, 8, SOFT),
    ("Lead", 15, False, 0, 14, INK),
    ("Heading 1", 15, True, 20, 6, ACCENT),
    ("Heading 2", 12, True, 16, 5, ACCENT),
    ("TOC Heading", 11, True, 6, 4, ACCENT),
    ("toc 1", 9.5, False, 0, 1, INK),
    ("toc 2", 9.5, False, 0, 1, INK),
    ("Caption", 9.5, False, 10, 5, INK),
    ("List Bullet", 11, False, 0, 5, INK),
    ("Fact", 10, False, 0, 2, INK),
    ("Figure", 11, False, 8, 0, INK),
    ("Table text", CELL_SIZE, False, 2, 2, INK),
    ("Table header", CELL_SIZE, True, 2, 2, INK),
    ("Table note", 8.5, False, 3, 0, SOFT),
    ("Bibliography", 10, False, 0, 5, INK),
    ("Footer", 9, False, 0, 0, SOFT),
)


def empty_document() -> Doc:
    """Return an empty A4 document with the styles of the report."""
    document = Document()
    for block in list(document.element.body):
        if block.tag != qn("w:sectPr"):
            document.element.body.remove(block)
    section = document.sections[0]
    section.page_width, section.page_height = SHORT_SIDE, LONG_SIDE
    section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = MARGIN
    _modern(document)
    for look in LOOKS:
        _dress(document, *look)
    styles: Any = document.styles
    for name in ("Heading 1", "Heading 2", "TOC Heading", "Figure"):
        styles[name].paragraph_format.keep_with_next = True
    for name in ("Table text", "Table header", "toc 1", "toc 2"):
        styles[name].paragraph_format.line_spacing = 1.0
    for name in ("Caption", "Table note", "Bibliography", "Fact", "Lead"):
        styles[name].paragraph_format.keep_together = True
    for name, left, hanging in (("Bibliography", 0.8, 0.8), ("Fact", 0.8, 0.8), ("toc 2", 0.6, 0.0)):
        styles[name].paragraph_format.left_indent = Cm(left)
        styles[name].paragraph_format.first_line_indent = -Cm(hanging) if hanging else None
    properties = styles["Title"].element.get_or_add_pPr()
    for border in properties.findall(qn("w:pBdr")):
        properties.remove(border)
    styles.element.append(_table_style())
    _page_number(document)
    return document


def colour(code: str) -> RGBColor:
    """A colour of the report as Word wants it."""
    return RGBColor.from_string(code.lstrip("#").upper())


def add_field(place: Paragraph, instruction: str, shown: str = "", bold: bool = False) -> Any:
    """Add a field with the result that it has now; returns the run of that result.

    Instructions are the report's own words: nothing that was read from a sheet may come here.
    """
    run_of_result = None
    for kind in ("begin", "code", "separate", "shown", "end"):
        run = place.add_run()
        run.bold = bold or None
        if kind == "shown":
            run.text = shown
            run_of_result = run
        elif kind == "code":
            code = OxmlElement("w:instrText")
            code.set(qn("xml:space"), "preserve")
            code.text = f" {instruction} "
            run._r.append(code)
        else:
            mark = OxmlElement("w:fldChar")
            mark.set(qn("w:fldCharType"), kind)
            run._r.append(mark)
    return run_of_result


def _dress(document: Doc, name: str, size: float, bold: bool, before: float, after: float, ink: str) -> None:
    styles: Any = document.styles
    known = name in [style.name for style in styles]
    style = styles[name] if known else styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH, builtin=_builtin(name))
    style.font.name, style.font.size, style.font.bold, style.font.italic = FONT, Pt(size), bold, False
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for kind in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{kind}"), None)
    for kind in ("ascii", "hAnsi", "eastAsia", "cs"):
        fonts.set(qn(f"w:{kind}"), FONT)
    style.font.color.rgb = colour(ink)
    style.paragraph_format.space_before, style.paragraph_format.space_after = Pt(before), Pt(after)
    style.paragraph_format.line_spacing = 1.15
    style.hidden, style.quick_style = False, True
    if name == "TOC Heading":
        # It stays out of the outline that the navigation pane shows.
        style.base_style = styles["Normal"]
        outline = style.element.get_or_add_pPr().find(qn("w:outlineLvl"))
        if outline is not None:
            style.element.pPr.remove(outline)


def _builtin(name: str) -> bool:
    return name in ("Bibliography", "TOC Heading", "Footer", "toc 1", "toc 2")


def _table_style() -> Any:
    """Rules above, below and under the header; no boxes. The header row repeats on every page."""
    half = int(CELL_PADDING.twips) // 2
    rule = 'w:val="single" w:space="0" w:color="1E2328"'
    return parse_xml(
        f'<w:style {nsdecls("w")} w:type="table" w:customStyle="1" w:styleId="ReportTable">'
        f'<w:name w:val="{TABLE_STYLE}"/><w:basedOn w:val="TableNormal"/><w:uiPriority w:val="59"/><w:qFormat/>'
        '<w:pPr><w:spacing w:before="0" w:after="0" w:line="240" w:lineRule="auto"/></w:pPr>'
        f'<w:tblPr><w:tblBorders><w:top {rule} w:sz="8"/><w:bottom {rule} w:sz="8"/></w:tblBorders>'
        f'<w:tblCellMar><w:top w:w="0" w:type="dxa"/><w:left w:w="{half}" w:type="dxa"/>'
        f'<w:bottom w:w="0" w:type="dxa"/><w:right w:w="{2 * half}" w:type="dxa"/></w:tblCellMar></w:tblPr>'
        '<w:tblStylePr w:type="firstRow"><w:rPr><w:b/></w:rPr><w:tblPr/><w:trPr><w:tblHeader/></w:trPr>'
        f'<w:tcPr><w:tcBorders><w:bottom {rule} w:sz="6"/></w:tcBorders><w:vAlign w:val="bottom"/></w:tcPr>'
        "</w:tblStylePr></w:style>"
    )


def _page_number(document: Doc) -> None:
    footer = document.sections[0].footer.paragraphs[0]
    footer.style = document.styles["Footer"]
    footer.alignment = WD_ALIGN_PARAGRAPH.CENTER
    add_field(footer, "PAGE", "1")


def _modern(document: Doc) -> None:
    """Language of the text, the layout of today's Word instead of its compatibility mode, and no stale thumbnail."""
    for language in document.styles.element.iter(qn("w:lang")):
        language.set(qn("w:val"), LANGUAGE)
    settings = document.settings.element
    for language in settings.iter(qn("w:themeFontLang")):
        language.set(qn("w:val"), LANGUAGE)
    for setting in settings.iter(qn("w:compatSetting")):
        if setting.get(qn("w:name")) == "compatibilityMode":
            setting.set(qn("w:val"), "15")
    package = document.part.package
    for key, relation in list(package.rels.items()):
        if relation.reltype.endswith("/thumbnail") or relation.reltype == RELATIONSHIP_TYPE.THUMBNAIL:
            del package.rels[key]
