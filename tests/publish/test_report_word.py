"""report.docx is a document that a thesis can take parts from: real styles, tables, captions and references."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from docx import Document
from docx.enum.section import WD_ORIENT
from docx.oxml.ns import qn
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Paper
from publish_comparisons import HOSTILE, build, nothing_used

from analysis.comparison.result import Comparison
from analysis.publish.checklist import checklist_items
from analysis.publish.detail_tables import make_tables
from analysis.publish.figures import Figure, figure_plans
from analysis.publish.sections import FILES
from analysis.publish.tables import Table, table_of
from analysis.publish.word import report_docx
from analysis.publish.word_page import Page, Part, clean
from analysis.publish.word_table import SIDEWAYS, UPRIGHT, layout, needs_side, text_width

TWELVE = tuple(f"technique number {i} of a long list" for i in range(12))
EMPTY = Document()
CONTROL = "bell\x07 null\x00 break\x0b turned\u202e half\ud800"

# ECMA-376, part 1, 17.4.60, 17.4.70, 17.3.1.26, 17.3.2.28 and 17.6.17: the order in which children must come.
ORDER = {
    "tblPr": "tblStyle tblpPr tblOverlap bidiVisual tblStyleRowBandSize tblStyleColBandSize tblW jc tblCellSpacing "
    "tblInd tblBorders shd tblLayout tblCellMar tblLook tblCaption tblDescription",
    "tcPr": "cnfStyle tcW gridSpan hMerge vMerge tcBorders shd noWrap tcMar textDirection tcFitText vAlign hideMark",
    "pPr": "pStyle keepNext keepLines pageBreakBefore framePr widowControl numPr suppressLineNumbers pBdr shd tabs "
    "suppressAutoHyphens kinsoku wordWrap overflowPunct topLinePunct autoSpaceDE autoSpaceDN bidi adjustRightInd "
    "snapToGrid spacing ind contextualSpacing mirrorIndents suppressOverlap jc textDirection textAlignment "
    "textboxTightWrap outlineLvl divId cnfStyle rPr sectPr pPrChange",
    "rPr": "rStyle rFonts b bCs i iCs caps smallCaps strike dstrike outline shadow emboss imprint noProof snapToGrid "
    "vanish webHidden color spacing w kern position sz szCs highlight u effect bdr shd fitText vertAlign rtl cs em "
    "lang eastAsianLayout specVanish oMath",
    "sectPr": "headerReference footerReference footnotePr endnotePr type pgSz pgMar paperSrc pgBorders lnNumType "
    "pgNumType cols formProt vAlign noEndnote titlePg textDirection bidi rtlGutter docGrid",
    "style": "name aliases basedOn next link autoRedefine hidden uiPriority semiHidden unhideWhenUsed qFormat locked "
    "personal personalCompose personalReply rsid pPr rPr tblPr trPr tcPr tblStylePr",
    "tblStylePr": "pPr rPr tblPr trPr tcPr",
    "tbl": "tblPr tblGrid tr",
}


@lru_cache(maxsize=1)
def _picture() -> bytes:
    paper = Paper(figsize=(3, 1), dpi=50)
    FigureCanvasAgg(paper)
    out = io.BytesIO()
    paper.savefig(out, format="png")
    return out.getvalue()


def _pictures(comparison: Comparison, *more: str) -> tuple[Figure, ...]:
    """The figures that the comparison has, their drawings replaced by a blank one."""
    files = {"thesis.png": _picture()}
    names = [sketch.name for sketch in figure_plans(comparison)] + list(more)
    return tuple(Figure(name, f"About {name}", f"What {name} shows", "A caption.", files) for name in names)


def _written(comparison: Comparison) -> Any:
    made = report_docx(comparison, make_tables(comparison), _pictures(comparison))
    return Document(io.BytesIO(made))


@pytest.fixture(scope="module")
def cases() -> dict[str, Comparison]:
    return {
        "three": build(),
        "hostile": build(names=HOSTILE, title=r"=1+1 <b>bold</b> $\beta$ & \end{table}"),
        "deduction": build(outcome="deduction"),
        "twelve": build(names=TWELVE, counts=tuple((i, 3, 2, 1, 1) for i in range(12))),
        "nothing used": nothing_used(),
    }


@pytest.fixture(scope="module")
def written(cases: dict[str, Comparison]) -> dict[str, Any]:
    return {name: _written(comparison) for name, comparison in cases.items()}


def _codes(document: Any) -> list[list[str]]:
    return [code.text.split() for code in document.element.body.iter(qn("w:instrText"))]


def _marks(document: Any) -> list[str]:
    return [mark.get(qn("w:name")) for mark in document.element.body.iter(qn("w:bookmarkStart"))]


def test_every_table_is_in_the_document_once(cases: dict[str, Comparison], written: dict[str, Any]) -> None:
    for name, comparison in cases.items():
        wanted = sorted([list(table.header), *map(list, table.rows)] for table in make_tables(comparison))
        found = [[[cell.text for cell in row.cells] for row in grid.rows] for grid in written[name].tables]
        assert sorted(found) == wanted, name


def test_every_figure_is_in_the_document_once_with_its_words(
    cases: dict[str, Comparison], written: dict[str, Any]
) -> None:
    for name, comparison in cases.items():
        pictures = [shape._inline.docPr for shape in written[name].inline_shapes]
        wanted = [f"{figure.title}. {figure.alt}" for figure in _pictures(comparison)]
        # In the same order, so that Figure 7 is Figure 7 in report.html too.
        assert [picture.get("descr") for picture in pictures] == wanted
        assert len({picture.get("name") for picture in pictures}) == len(wanted)


def test_every_known_table_and_figure_has_a_place_of_its_own(written: dict[str, Any]) -> None:
    for document in written.values():
        headings = [p.text for p in document.paragraphs if p.style.name.startswith("Heading ")]
        assert "Further figures and tables" not in headings
        assert len(set(headings)) == len(headings)


def test_a_table_and_a_figure_without_a_place_come_under_a_heading_of_their_own() -> None:
    comparison = nothing_used()
    strange = table_of("strange", "A table from elsewhere", ("What", "How many"), [("apples", "3")])
    tables, figures = (*make_tables(comparison), strange), _pictures(comparison, "unheard of")
    found = Document(io.BytesIO(report_docx(comparison, tables, figures)))
    headings = [p.text for p in found.paragraphs if p.style.name == "Heading 2"]
    assert "Further figures and tables" in headings
    assert [grid.rows[1].cells[0].text for grid in found.tables].count("apples") == 1
    assert "Figure_unheard_of" in _marks(found)


def test_the_checklist_points_to_headings_of_the_document(
    cases: dict[str, Comparison], written: dict[str, Any]
) -> None:
    for name, comparison in cases.items():
        headings = {p.text for p in written[name].paragraphs if p.style.name.startswith("Heading ")}
        where = {place for item in checklist_items(comparison) for place in item.where}
        assert where - headings <= set(FILES), name


def test_captions_are_numbered_in_order_and_all_are_referred_to(written: dict[str, Any]) -> None:
    for document in written.values():
        codes, marks = _codes(document), _marks(document)
        assert len(marks) == len(set(marks))
        captions = [p.text for p in document.paragraphs if p.style.name == "Caption"]
        for label in ("Table", "Figure"):
            numbers = [
                int(m[1]) for m in (re.match(rf"{label} (\d+)\. \S", words) for words in captions) if m
            ]
            assert numbers == list(range(1, len(numbers) + 1))
            assert sum(code[:2] == ["SEQ", label] for code in codes) == len(numbers)
        captioned = {mark for mark in marks if not mark.startswith("_Toc")}
        assert {code[1] for code in codes if code[0] == "REF"} == captioned


def test_a_reference_shows_the_number_of_its_caption(written: dict[str, Any]) -> None:
    for document in written.values():
        numbered = {}
        for mark in document.element.body.iter(qn("w:bookmarkStart")):
            texts = [t.text for t in mark.getparent().iter(qn("w:t"))]
            numbered[mark.get(qn("w:name"))] = "".join(texts[:2])
        for code in document.element.body.iter(qn("w:instrText")):
            if code.text.split()[0] == "REF":
                shown = code.getparent().getnext().getnext()
                assert "".join(t.text for t in shown.iter(qn("w:t"))) == numbered[code.text.split()[1]]


def test_tables_have_our_style_repeat_their_header_and_break_no_row(written: dict[str, Any]) -> None:
    for document in written.values():
        for grid in document.tables:
            assert grid.style.name == "Report table"
            headers = [row._tr.find(f".//{qn('w:tblHeader')}") is not None for row in grid.rows]
            assert headers == [True] + [False] * (len(grid.rows) - 1)
            assert all(row._tr.find(f".//{qn('w:cantSplit')}") is not None for row in grid.rows)
            assert {c.paragraphs[0].style.name for c in grid.rows[0].cells} == {"Table header"}
            assert {c.paragraphs[0].style.name for r in grid.rows[1:] for c in r.cells} <= {"Table text"}
            assert grid._tbl.tblPr.find(qn("w:tblCaption")).get(qn("w:val"))


def test_numbers_stand_at_their_decimal_mark_and_cells_hold_nothing_else(written: dict[str, Any]) -> None:
    (contrast,) = [grid for grid in written["three"].tables if grid.rows[0].cells[0].text == "Measure"][:1]
    place = [cell.text for cell in contrast.rows[0].cells].index("Estimate")
    cells = [row.cells[place] for row in contrast.rows[1:] if any(c.isdigit() for c in row.cells[place].text)]
    stops = [[(t.get(qn("w:val")), t.get(qn("w:pos"))) for t in c._tc.iter(qn("w:tab"))] for c in cells]
    assert {len({len(cell.text.partition(".")[2]) for cell in cells}) > 1} == {True}
    assert {kind for stop in stops for kind, _ in stop} == {"decimal"}
    assert len({place for stop in stops for _, place in stop}) == 1


def test_what_belongs_together_is_kept_together(written: dict[str, Any]) -> None:
    for document in written.values():
        blocks = list(document.element.body)
        styles = {style.style_id: style for style in document.styles}
        for block, after in pairwise(blocks):
            note = after.tag == qn("w:p") and after.style == "Tablenote" and after.pPr.sectPr is None
            if block.tag == qn("w:tbl") and note:
                last = block.findall(qn("w:tr"))[-1]
                assert all(p.find(f".//{qn('w:keepNext')}") is not None for p in last.iter(qn("w:p")))
            if after.tag == qn("w:tbl"):
                assert styles[block.style].name == "Caption"
                assert block.pPr.find(qn("w:keepNext")) is not None
            if block.tag == qn("w:p") and block.find(f".//{qn('w:drawing')}") is not None:
                assert styles[block.style].name == "Figure"
                assert styles[after.style].name == "Caption"
        for name in ("Heading 1", "Heading 2", "Figure"):
            assert document.styles[name].paragraph_format.keep_with_next


def test_no_paragraph_is_empty(written: dict[str, Any]) -> None:
    for name, document in written.items():
        for paragraph in document.paragraphs:
            section = paragraph._p.find(f".//{qn('w:sectPr')}") is not None
            held = paragraph.text.strip() or section or paragraph._p.find(f".//{qn('w:drawing')}") is not None
            assert held, (name, paragraph.style.name)


def test_a_page_on_its_side_is_followed_by_an_upright_one(written: dict[str, Any]) -> None:
    turned = [section.orientation == WD_ORIENT.LANDSCAPE for section in written["twelve"].sections]
    assert turned.count(True) >= 2
    assert not turned[0]
    assert all(a != b for a, b in pairwise(turned))
    for document in written.values():
        for section in document.sections:
            sideways = section.orientation == WD_ORIENT.LANDSCAPE
            assert (section.page_width > section.page_height) == sideways


def test_contents_list_the_headings_and_lead_to_them(written: dict[str, Any]) -> None:
    for document in written.values():
        assert sum(code[0] == "TOC" for code in _codes(document)) == 1
        headings = [p for p in document.paragraphs if p.style.name.startswith("Heading ")]
        listed = [p for p in document.paragraphs if p.style.name.startswith("toc ")]
        assert [(p.style.name[-1], p.text) for p in listed] == [(p.style.name[-1], p.text) for p in headings]
        links = [link.get(qn("w:anchor")) for link in document.element.body.iter(qn("w:hyperlink"))]
        assert links == [mark for mark in _marks(document) if mark.startswith("_Toc")]
        begun = [mark.get(qn("w:fldCharType")) for mark in document.element.body.iter(qn("w:fldChar"))]
        assert begun.count("begin") == begun.count("separate") == begun.count("end")


def test_the_main_part_comes_before_the_appendix(written: dict[str, Any]) -> None:
    for document in written.values():
        levels = [p.style.name for p in document.paragraphs if p.style.name.startswith("Heading ")]
        first = [p.text for p in document.paragraphs if p.style.name == "Heading 1"]
        assert first[0] == "The question"
        assert first[-3:] == ["Methods", "Works cited", "Appendix: details"]
        assert levels == sorted(levels)


def test_the_document_names_its_title_and_language_and_numbers_its_pages(written: dict[str, Any]) -> None:
    for name, document in written.items():
        assert document.core_properties.title, name
        assert document.core_properties.author == ""
        languages = {lang.get(qn("w:val")) for lang in document.styles.element.iter(qn("w:lang"))}
        assert languages == {"en-GB"}
        footer = document.sections[0].footer._element
        assert [code.text.strip() for code in footer.iter(qn("w:instrText"))] == ["PAGE"]


def test_children_come_in_the_order_of_the_standard(written: dict[str, Any]) -> None:
    for name, document in written.items():
        footer = document.sections[0].footer._element
        for root in (document.element, document.styles.element, footer):
            for parent, order in ORDER.items():
                places = {qn(f"w:{child}"): i for i, child in enumerate(order.split())}
                for element in root.iter(qn(f"w:{parent}")):
                    found = [places[child.tag] for child in element if child.tag in places]
                    assert found == sorted(found), (name, parent, [child.tag for child in element])
                    assert {child.tag for child in element} <= set(places), (name, parent)


def test_text_of_a_sheet_becomes_neither_field_nor_link_nor_control_character() -> None:
    names = (HOSTILE[1] + CONTROL, ' REF Table_rows \\h " HYPERLINK "http://a.b', "line\nand\ttab")
    comparison = build(names=names, title=CONTROL + "long title " * 40)
    document = _written(comparison)
    kinds = {code[0] for code in _codes(document)}
    assert kinds == {"TOC", "REF", "SEQ"}
    targets = {code[1] for code in _codes(document) if code[0] == "REF"}
    assert targets == {mark for mark in _marks(document) if not mark.startswith("_Toc")}
    assert not [rel for rel in document.part.rels.values() if rel.is_external]
    text = "".join(t.text or "" for t in document.element.body.iter(qn("w:t")))
    assert clean(names[0]) in text
    assert "line and tab" in text
    assert not set("\x00\x07\x0b\u202e\n\t") & set(text)
    assert len(document.core_properties.title) == 255


@given(st.text(max_size=30))
@settings(deadline=None, max_examples=200)
def test_any_text_can_be_written(text: str) -> None:
    written = clean(text)
    assert len(written) <= len(text)
    assert clean(written) == written
    assert EMPTY.add_paragraph(written).text == written


def test_the_same_comparison_gives_the_same_bytes() -> None:
    comparison = nothing_used()
    tables, figures = make_tables(comparison), _pictures(comparison)
    assert report_docx(comparison, tables, figures) == report_docx(comparison, tables, figures)


@pytest.mark.parametrize("room", [UPRIGHT, SIDEWAYS])
def test_columns_fill_no_more_than_the_page_and_break_no_number(
    cases: dict[str, Comparison], room: int
) -> None:
    for comparison in cases.values():
        for table in make_tables(comparison):
            planned = layout(table, room)
            assert sum(planned.widths) <= room
            if sum(planned.widths) < room * 0.99 and max(planned.lines) == 1:
                continue
            for place, width in enumerate(planned.widths):
                numbers = [row[place] for row in table.rows] if table.numeric[place] else []
                assert all(text_width(cell) <= width for cell in numbers), (table.key, place)


def test_a_wide_table_goes_on_its_side_and_a_small_one_does_not() -> None:
    small = table_of("small", "Small", ("Technique", "Stuck"), [("piked double back", "9 of 9")])
    words = "a description of what this column of the comparison compares with what"
    wide = Table("wide", "Wide", ("Model", *[words] * 8), (("plain", *["0.36"] * 8),), (False, *[True] * 8))
    assert not needs_side(small)
    assert needs_side(wide)
    assert sum(layout(small, UPRIGHT).widths) < UPRIGHT / 2


def test_a_part_that_shows_nothing_leaves_no_heading() -> None:
    page = Page("Nothing", (), ())
    assert not page.has(Part("Empty", ["", ""], [("Table rows", "{} isn't here.")]))
    assert page.has(Part("Words", ["Something is said."]))


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice (soffice) isn't installed")
def test_an_office_program_opens_the_document(written: dict[str, Any], tmp_path: Path) -> None:
    written["twelve"].save(str(tmp_path / "report.docx"))
    office = ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless"]
    done = subprocess.run(
        [*office, "--convert-to", "pdf", "--outdir", str(tmp_path), str(tmp_path / "report.docx")],
        capture_output=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "report.pdf").read_bytes()
    assert page.startswith(b"%PDF")
    assert len(page) > 50_000
