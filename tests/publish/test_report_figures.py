"""The pictures: their layout is measured, not looked at by a machine; colours must survive grey print."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from pathlib import Path

import pytest
from figure_checks import SVG, clashes
from lxml import etree

from analysis.comparison.result import Comparison
from analysis.publish.canvas import ACCENT, GROUP_STYLE, Ruler
from analysis.publish.figures import figure_plans
from analysis.publish.layout import paint, steps
from analysis.publish.routine_marks import mark_routines
from analysis.publish.sizes import PHONE, SLIDE, THESIS


@pytest.mark.parametrize("size", [THESIS, PHONE, SLIDE], ids=lambda size: size.name)
def test_no_text_is_clipped_or_lies_on_another(variants: dict[str, Comparison], size) -> None:
    for kind, comparison in variants.items():
        for plan in figure_plans(comparison):
            canvas = paint(plan.plan, size, plan.title)
            assert clashes(canvas) == [], (kind, plan.name)


def test_every_routine_is_one_mark(variants: dict[str, Comparison]) -> None:
    for comparison in variants.values():
        marked = mark_routines(comparison)
        cells = [[len(cell) for cell in row] for row in marked.cells]
        assert [sum(row) for row in cells] == [group.n for group in comparison.groups]
        if comparison.question.outcome == "stuck":
            best = [sum(kind == "best" for cell in row for kind, _ in cell) for row in marked.cells]
            assert best == [group.x for group in comparison.groups]


def test_marks_in_the_svg_are_counted(report: Path, comparison: Comparison) -> None:
    root = etree.parse(report / "figures" / "routines.svg").getroot()
    colours = Counter(
        re.search(r"fill: (#[0-9a-f]{6})", use.get("style", ""))[1]
        for use in root.iter(f"{SVG}use")
        if use.get("style")
    )
    legend = 2  # the key's own mark, and the one with a dot
    assert colours[ACCENT] == sum(group.x for group in comparison.groups) + legend


def test_every_svg_says_what_it_shows(report: Path, hostile_report: Path) -> None:
    for path in [*report.glob("figures/*.svg"), *hostile_report.glob("figures/*.svg")]:
        root = etree.parse(path).getroot()
        title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert root.get("role") == "img"
        assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
        assert len(title.text) > 5
        assert len(description.text) > 30
        assert len(list(root.iter(f"{SVG}text"))) > 3


def test_figures_come_in_three_forms_and_two_sizes(report: Path) -> None:
    names = {path.name for path in report.glob("figures/*")}
    for name in (
        "routines",
        "landings",
        "rates",
        "difference",
        "deductions",
        "strata",
        "pooled",
        "sensitivity",
        "planning",
    ):
        assert {f"{name}{size}.{form}" for size in ("", "-slide") for form in ("svg", "pdf", "png")} <= names
    assert len(names) == 72
    for path in report.glob("figures/*-slide.png"):
        width, height = (int.from_bytes(path.read_bytes()[at : at + 4], "big") for at in (16, 20))
        assert (width, height) == (1920, 1080)
    for path in report.glob("figures/*.pdf"):
        content = path.read_bytes()
        assert b"CreationDate" not in content
        assert b"/Type3" not in content.replace(b" ", b"")


def test_neighbouring_techniques_differ_in_shape_and_fill() -> None:
    for one, other in itertools.pairwise(GROUP_STYLE):
        assert one[0] != other[0]
        assert one[1] != other[1]
    assert len({(shape, fill) for shape, fill, _ in GROUP_STYLE}) == len(GROUP_STYLE)


def test_long_and_hostile_words_wrap() -> None:
    ruler = Ruler(THESIS)
    for words in (
        "Diamidov to handstand then tucked double back",
        "x" * 300,
        "",
        "a\nb\tc",
        "$\\alpha$ " * 20,
    ):
        lines = ruler.wrap(words, 90, most=3)
        assert 1 <= len(lines) <= 3
        assert all(ruler.width(line) <= 91 for line in lines)


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (-31.2, 60.4), (0, 0.07), (65, 80), (-0.00002, 0.00001), (0, 5954)]
)
def test_axis_steps_are_few_and_inside(low: float, high: float) -> None:
    found = steps(low, high, 7)
    assert 2 <= len(found) <= 7
    assert low - 1e-9 <= found[0] < found[-1] <= high + 1e-9
