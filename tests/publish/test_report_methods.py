"""methods.md names what was done, and cites the works behind it and no others."""

from __future__ import annotations

import re
from pathlib import Path

from docx import Document
from docx.oxml.ns import qn
from publish_comparisons import build

from analysis.comparison.result import Comparison
from analysis.publish.methods import known_works, methods_paragraphs, methods_used, works_cited


def test_works_of_this_run_are_cited(comparison: Comparison) -> None:
    cited = " ".join(works_cited(comparison))
    for author in (
        "Barnard",
        "Agresti, A., & Min",
        "Koopman",
        "Fisher",
        "Boschloo",
        "Zelen",
        "Freeman",
        "Marcus",
        "Firth",
    ):
        assert author in cited
    for author in ("Miettinen", "Holm", "Blaker", "Clopper"):
        assert author not in cited


def test_a_run_with_fewer_methods_cites_fewer_works(comparison: Comparison) -> None:
    assert set(works_cited(build(full=False))) < set(works_cited(comparison))


def test_every_method_is_named(comparison: Comparison) -> None:
    said = " ".join(methods_paragraphs(comparison))
    for method in (
        "exact unconditional, Agresti–Min",
        "Barnard, pooled z",
        "Koopman",
        "Zelen",
        "penalised logistic (Firth)",
    ):
        assert method in said
        assert method in methods_used(comparison)


def test_each_work_has_a_pattern_a_year_and_a_place() -> None:
    for pattern, work in known_works():
        re.compile(pattern)
        assert re.search(r"\((18|19|20)\d\d\)", work)
        assert work.endswith(".")
        assert pattern == pattern.lower()


def test_the_document_numbers_its_captions_by_fields(report: Path) -> None:
    body = Document(report / "report.docx").element.body
    codes = [code.text for code in body.iter(qn("w:instrText"))]
    marks = {mark.get(qn("w:name")) for mark in body.iter(qn("w:bookmarkStart"))}
    refs = {code.split()[1] for code in codes if code.split()[0] == "REF"}
    sequences = [code.split()[1] for code in codes if code.split()[0] == "SEQ"]
    assert refs == marks
    assert sequences.count("Figure") == 8
    assert sequences.count("Table") == len(Document(report / "report.docx").tables)


def test_the_document_repeats_headers_and_describes_pictures(report: Path, comparison: Comparison) -> None:
    document = Document(report / "report.docx")
    for grid in document.tables:
        assert len(list(grid.rows[0]._tr.iter(qn("w:tblHeader")))) == 1
    pictures = [shape._inline.docPr for shape in document.inline_shapes]
    assert len(pictures) == 8
    assert all(len(picture.get("descr")) > 30 for picture in pictures)
    said = [paragraph.text for paragraph in document.paragraphs]
    assert said[0] == comparison.question.title
    assert said[1] == comparison.reading.headline
    assert set(comparison.reading.cautions) <= set(said)
