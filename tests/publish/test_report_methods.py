"""methods.md names what was done, and cites the works behind it and no others."""

from __future__ import annotations

import re
from pathlib import Path

from docx import Document
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


def test_the_document_opens_with_the_answer_and_carries_the_cautions(
    report: Path, comparison: Comparison
) -> None:
    document = Document(str(report / "report.docx"))
    said = [paragraph.text for paragraph in document.paragraphs]
    assert said[0] == comparison.question.title
    assert said[1] == comparison.reading.headline
    assert set(comparison.reading.cautions) <= set(said)
    assert set(methods_paragraphs(comparison)) <= set(said)
    assert set(works_cited(comparison)) <= set(said)
    assert len(document.inline_shapes) == len(list((report / "figures").glob("*.svg"))) // 2
