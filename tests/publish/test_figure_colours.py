"""Colours that carry meaning stay apart in grey print and for colour-blind readers, or are told apart by shape too.

Simulation: Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency,
IEEE Transactions on Visualization and Computer Graphics 15 (2009) 1291-1298, matrices of severity 1.0 (from memory;
that each keeps grey grey, as theirs do, is tested), applied to linear RGB. Contrast: Web Content Accessibility
Guidelines 2.1, success criteria 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3). Difference: CIE 1976 Lab, illuminant D65.
"""

from __future__ import annotations

import itertools

import pytest

from analysis.comparison.result import Comparison
from analysis.publish.canvas import ACCENT, FAINT, GROUP_STYLE, INK, PALE, PAPER, SECOND, SOFT, TINT
from analysis.publish.figures import figure_plans
from analysis.publish.landing_chart import BETWEEN, FALLS, STUCK, Fill, landings
from analysis.publish.layout import paint
from analysis.publish.routine_marks import KINDS
from analysis.publish.sizes import SIZES

Triple = tuple[float, float, float]

DEFICIENCIES = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
EYES = ("as drawn", "grey", *DEFICIENCIES)

APART = 20.0
"""Difference in Lab that two colours of one picture keep in every simulation; about ten times what can just be seen."""


def linear(code: str) -> Triple:
    parts = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return red, green, blue


def luminance(colour: Triple) -> float:
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def seen(code: str, eye: str) -> Triple:
    colour = linear(code)
    if eye == "grey":
        return (luminance(colour),) * 3
    if eye in DEFICIENCIES:
        rows = (
            sum(weight * part for weight, part in zip(row, colour, strict=True)) for row in DEFICIENCIES[eye]
        )
        red, green, blue = (min(max(value, 0.0), 1.0) for value in rows)
        return red, green, blue
    return colour


def lab(colour: Triple) -> Triple:
    red, green, blue = colour
    x = (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.95047
    y = luminance(colour)
    z = (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.08883
    fx, fy, fz = (v ** (1 / 3) if v > (6 / 29) ** 3 else v / (3 * (6 / 29) ** 2) + 4 / 29 for v in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def difference(one: str, other: str, eye: str) -> float:
    return sum((a - b) ** 2 for a, b in zip(lab(seen(one, eye)), lab(seen(other, eye)), strict=True)) ** 0.5


def contrast(one: str, other: str, eye: str = "as drawn") -> float:
    high, low = sorted((luminance(seen(one, eye)), luminance(seen(other, eye))), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measures_give_known_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the guidelines' own near miss
    assert lab(linear("#ffffff")) == pytest.approx((100, 0, 0), abs=0.02)
    assert lab(linear("#ff0000")) == pytest.approx((53.24, 80.09, 67.20), abs=0.05)
    for matrix in DEFICIENCIES.values():  # grey looks grey to every eye
        assert [sum(row) for row in matrix] == pytest.approx([1, 1, 1], abs=2e-6)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(
    ("one", "other", "where"),
    [
        (ACCENT, SECOND, "stuck and not stuck; first and second technique; bars and the mean"),
        (ACCENT, INK, "stuck and fall; first and third technique"),
        (SECOND, INK, "not stuck and fall; second and third technique"),
        (ACCENT, TINT, "stuck and the next category"),
        (TINT, SECOND, "categories in one bar"),
        (ACCENT, PAPER, "filled and open marks"),
        (SECOND, PAPER, "mark and ground"),
        (SOFT, PAPER, "mark and ground"),
        (INK, PAPER, "mark and ground"),
    ],
)
def test_colours_that_carry_meaning_stay_apart(one: str, other: str, where: str, eye: str) -> None:
    assert difference(one, other, eye) >= APART, where


@pytest.mark.parametrize("eye", EYES)
def test_marks_stand_out_from_the_paper(eye: str) -> None:
    for colour in (ACCENT, SECOND, INK, SOFT):
        assert contrast(colour, PAPER, eye) >= 3


def test_what_lies_behind_stays_behind() -> None:
    for eye in EYES:
        assert contrast(FAINT, PAPER, eye) < 1.6
        assert contrast(PALE, PAPER, eye) < 1.3


def test_colours_too_near_each_other_have_another_difference() -> None:
    """Each pair of techniques and of marks differs in shape or in fill, whatever the colours do."""
    assert len({(shape, fill) for shape, fill, _ in GROUP_STYLE}) == len(GROUP_STYLE)
    for (shape, fill, _, _), (other, ground, _, _) in itertools.combinations(KINDS.values(), 2):
        assert shape != other or difference(fill, ground, "grey") >= APART


def shown_apart(one: Fill, other: Fill, eye: str) -> bool:
    """By the lines in them, or else by their grounds."""
    return one.pattern != other.pattern or difference(one.ground, other.ground, eye) >= APART


@pytest.mark.parametrize("eye", EYES)
def test_every_landing_category_differs_from_every_other(eye: str) -> None:
    everything = (*STUCK, *BETWEEN, *FALLS)
    for one, other in itertools.combinations(everything, 2):
        assert shown_apart(one, other, eye), (one, other)
    for fill in everything:
        if fill.pattern:  # lines that can't be seen are no pattern
            assert difference(fill.ground, fill.line, eye) >= APART, fill


def test_neighbours_in_a_bar_differ_in_grey(variants: dict[str, Comparison]) -> None:
    for comparison in variants.values():
        shown = landings(comparison)
        for one, other in itertools.pairwise(shown.fills if shown else ()):
            assert shown_apart(one, other, "grey")


def test_words_can_be_read() -> None:
    for eye in EYES:
        for ink in (INK, SOFT, ACCENT):
            for ground in (PAPER, PALE):
                assert contrast(ink, ground, eye) >= 4.5
        for ink, ground in ((PAPER, ACCENT), (PAPER, INK), (PAPER, SOFT), (INK, TINT)):
            assert contrast(ink, ground, eye) >= 4.5


def test_only_these_colours_are_drawn_as_words(comparison: Comparison) -> None:
    for sketch in figure_plans(comparison):
        (axes,) = paint(sketch.plan, SIZES["thesis"], sketch.title).paper.axes
        assert {text.get_color() for text in axes.texts} <= {INK, SOFT, PAPER}, sketch.name
