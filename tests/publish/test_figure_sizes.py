"""Figures at every named size: what can be asked for, type that stays legible, nothing that overlaps or is cut."""

from __future__ import annotations

import io
import re
import shutil
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from figure_checks import clashes, type_sizes
from publish_comparisons import build

from analysis.comparison.result import Comparison, Stratum
from analysis.publish.difference_figures import MOST_STRATA
from analysis.publish.figures import figure_plans, make_figures
from analysis.publish.landing_chart import landings
from analysis.publish.layout import paint
from analysis.publish.sizes import MM, PHONE, SIZES, SLIDE, sizes_named
from analysis.publish.style import NumberStyle, using
from analysis.stats.result import Interval

EVERY = (*SIZES.values(), PHONE)


@pytest.fixture(scope="module")
def long_names() -> dict[str, Comparison]:
    """From five to twelve techniques with names of several lines, and many meets, each with its own interval."""
    name = "Diamidov to handstand, then double front in straddle with half turn, out of group {}"
    found = {
        f"{many} techniques": build(
            names=tuple(name.format(i) for i in range(many)),
            counts=tuple((5 + 3 * i, 3, 2, 1, i % 2) for i in range(many)),
        )
        for many in (5, 12)
    }
    return found | {"many meets": _with_meets(build(), 30)}


def _with_meets(comparison: Comparison, many: int) -> Comparison:
    def difference(i: int) -> Interval | None:
        if i % 5 == 4:
            return None
        return Interval("difference", 0.1 - 0.02 * i, -0.4 - 0.01 * i, 0.5, 0.95, "typed in", 9)

    tables = tuple(
        Stratum(
            f"Meet number {i + 1} of a long autumn series",
            i % 4,
            4,
            i % 3,
            5 if i % 5 != 4 else 0,
            difference(i),
        )
        for i in range(many)
    )
    assert comparison.strata is not None
    return replace(comparison, strata=replace(comparison.strata, tables=tables))


@pytest.mark.parametrize("size", EVERY, ids=lambda size: size.name)
def test_with_long_names_no_text_is_cut_or_lies_on_another_and_none_is_too_small(
    long_names: dict[str, Comparison], size
) -> None:
    for kind, comparison in long_names.items():
        for sketch in figure_plans(comparison):
            if kind == "many meets" and sketch.name not in ("strata", "pooled"):
                continue
            canvas = paint(sketch.plan, size, sketch.title)
            assert clashes(canvas) == [], (kind, sketch.name)
            (axes,) = canvas.paper.axes
            smallest = min(text.get_fontsize() for text in axes.texts)
            assert smallest >= size.least - 0.01, (kind, sketch.name)


@pytest.mark.parametrize("size", [SIZES["single"], SIZES["poster"]], ids=lambda size: size.name)
def test_no_text_is_clipped_at_the_other_sizes(variants: dict[str, Comparison], size) -> None:
    for kind in ("hostile", "deduction", "six thousand", "nothing used"):
        for sketch in figure_plans(variants[kind]):
            assert clashes(paint(sketch.plan, size, sketch.title)) == [], (kind, sketch.name)


@pytest.mark.parametrize("size", EVERY, ids=lambda size: size.name)
def test_type_in_the_svg_is_as_large_as_the_size_promises(comparison: Comparison, size) -> None:
    for sketch in figure_plans(comparison):
        canvas = paint(sketch.plan, size, sketch.title)
        svg = canvas.save("x", sketch.title, sketch.alt, ("svg",))["svg"]
        sizes = type_sizes(svg)
        assert len(sizes) > 3
        # The svg is as wide as the print, in points, so its type is the printed type.
        assert min(sizes) >= size.least - 0.01, sketch.name
        width = float(re.search(rb'<svg[^>]* width="([\d.]+)pt"', svg)[1])
        assert width == pytest.approx(size.width, abs=0.01)


def test_the_rule_of_legibility() -> None:
    assert SIZES["single"].least >= 6
    assert SIZES["slide"].least >= 18
    for size in EVERY:
        assert size.type >= size.least


def test_a_column_is_as_wide_as_the_journals_say() -> None:
    widths = {name: round(size.width / MM, 1) for name, size in SIZES.items()}
    assert widths == {"single": 89.0, "double": 183.0, "thesis": 160.2, "slide": 338.7, "poster": 400.0}
    assert SLIDE.width / SLIDE.height == pytest.approx(16 / 9)


def test_an_unknown_size_is_refused_with_those_that_there_are(comparison: Comparison) -> None:
    with pytest.raises(ValueError, match="'Slide'; the sizes are single, double, thesis, slide, poster"):
        make_figures(comparison, sizes=("thesis", "Slide"))
    with pytest.raises(ValueError, match="'phone'"):
        sizes_named(["phone"])


def test_the_sizes_asked_for_are_made_and_the_phone_always() -> None:
    for figure in make_figures(build(full=False), sizes=["single"]):
        assert set(figure.files) == {"single.svg", "single.pdf", "single.png", "phone.svg"}
        content = figure.files["single.png"]
        (width,) = struct.unpack(">I", content[16:20])
        assert width == pytest.approx(89 / 25.4 * 300, abs=1)
        at = content.index(b"pHYs") + 4
        across, down, unit = struct.unpack(">IIB", content[at : at + 9])
        assert across == down == round(300 / 0.0254)
        assert unit == 1  # pixels a metre


def test_a_size_named_alone_and_twice() -> None:
    assert [size.name for size in sizes_named("poster")] == ["poster"]
    assert [size.name for size in sizes_named(("slide", "single", "slide"))] == ["slide", "single"]


def test_fonts_are_embedded_as_truetype(comparison: Comparison, tmp_path: Path) -> None:
    for sketch in figure_plans(comparison)[:4]:
        content = paint(sketch.plan, SIZES["double"], sketch.title).save("x", "x", "x", ("pdf",))["pdf"]
        assert b"/FontFile2" in content  # a TrueType font that is in the file
        assert b"/CIDFontType2" in content
        assert b"/Type3" not in content
        if shutil.which("pdffonts"):
            path = tmp_path / "figure.pdf"
            path.write_bytes(content)
            told = subprocess.run(["pdffonts", path], capture_output=True, text=True, check=True).stdout
            fonts = told.splitlines()[2:]
            assert fonts
            assert all(
                "TrueType" in line and re.search(r"Identity-H\s+yes\s+yes\s+yes", line) for line in fonts
            )


def test_a_full_slide_says_how_many_techniques_it_leaves_out(long_names: dict[str, Comparison]) -> None:
    comparison = long_names["12 techniques"]
    for sketch in figure_plans(comparison):
        if sketch.name in ("routines", "landings", "rates", "deductions"):
            svg = paint(sketch.plan, SLIDE, sketch.title).save("x", "x", "x", ("svg",))["svg"].decode()
            left_out = int(re.search(r"and (\d+) more techniques, in the report", svg)[1])
            shown = len(set(re.findall(r"\bgroup (\d+)<", svg)))
            assert 0 < left_out < 12
            assert shown == 12 - left_out >= 2


def test_a_full_slide_keeps_the_pooled_difference(long_names: dict[str, Comparison]) -> None:
    (sketch,) = (s for s in figure_plans(long_names["many meets"]) if s.name == "pooled")
    svg = paint(sketch.plan, SLIDE, sketch.title).save("x", "x", "x", ("svg",))["svg"].decode()
    assert "Pooled within meet" in svg
    assert "more lines, in the report" in svg
    assert f"The {MOST_STRATA} with the most routines are shown, {30 - MOST_STRATA} more" in sketch.caption


def test_the_landings_are_counted_in_the_picture(variants: dict[str, Comparison]) -> None:
    for comparison in variants.values():
        shown = landings(comparison)
        if shown is None:
            continue
        assert list(shown.totals) == [
            sum(one.routines for one in comparison.grades if one.technique == group.name)
            for group in comparison.groups
        ]
        (sketch,) = (s for s in figure_plans(comparison) if s.name == "landings")
        svg = paint(sketch.plan, SIZES["thesis"], sketch.title).save("x", "x", "x", ("svg",))["svg"].decode()
        printed = re.findall(r"<text[^>]*>([\d,]+)</text>", svg)
        for row in shown.counts:
            for count in row:
                assert not count or f"{count:,}" in printed or str(count) in printed


def test_every_stratum_has_its_own_interval_in_the_comparison() -> None:
    import analysis

    comparison = analysis.compare(Path(__file__).parents[2] / "data_demo" / "plan.toml")
    assert comparison.strata is not None
    for one in comparison.strata.tables:
        assert one.difference is not None
        assert one.difference.estimate == pytest.approx(one.x1 / one.n1 - one.x2 / one.n2)
        assert one.difference.low < one.difference.estimate < one.difference.high


def test_axis_values_follow_the_language() -> None:
    deductions = build(outcome="deduction")
    with using(NumberStyle(language="de")):
        for sketch in figure_plans(deductions):
            if sketch.name == "priors":
                continue  # a belief has a number in its name, which is a sentence
            svg = (
                paint(sketch.plan, SIZES["thesis"], sketch.title)
                .save("x", "x", "x", ("svg",))["svg"]
                .decode()
            )
            assert not re.findall(r"<text[^>]*>[^<]*\d\.\d[^<]*</text>", svg), sketch.name


def test_figures_are_the_same_bytes_each_time(comparison: Comparison) -> None:
    sketch = figure_plans(comparison)[1]
    once, again = (
        paint(sketch.plan, SIZES["single"], sketch.title).save("x", "t", "d", ("svg", "pdf", "png"))
        for _ in range(2)
    )
    assert once == again
    assert io.BytesIO(once["png"]).read(4) == b"\x89PNG"
