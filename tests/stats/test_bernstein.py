"""The certified maximum, against rational arithmetic."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats import bernstein
from analysis.stats.bernstein import blocks, certified_maximum, evaluate, stays_below, to_bernstein


def exact_value(coefficients: list[float], t: Fraction) -> Fraction:
    n = len(coefficients) - 1
    return sum(
        (Fraction(c) * comb(n, s) * t**s * (1 - t) ** (n - s) for s, c in enumerate(coefficients)),
        Fraction(0),
    )


def exact_maximum(coefficients: list[Fraction], width: Fraction) -> tuple[Fraction, Fraction]:
    """Attained value and bound by de Casteljau at a half in fractions, every step exact."""
    pieces, best = [coefficients], max(coefficients[0], coefficients[-1])
    while True:
        pieces = [piece for piece in pieces if max(piece) > best * (1 + width)]
        if not pieces:
            return best, best * (1 + width)
        halves = []
        for piece in pieces:
            rows = [piece]
            while len(rows[-1]) > 1:
                rows.append([(a + b) / 2 for a, b in zip(rows[-1], rows[-1][1:], strict=False)])
            best = max(best, rows[-1][0])
            halves += [[row[0] for row in rows], [row[-1] for row in rows[::-1]]]
        pieces = halves


small = st.lists(st.integers(0, 12), min_size=1, max_size=8).map(lambda row: [value / 12 for value in row])


@given(small)
@settings(deadline=None, max_examples=60)
def test_bracket_holds_the_maximum_found_by_subdivision_in_fractions(row: list[float]) -> None:
    found = certified_maximum(row)
    if max(row) == 0:
        assert (found.attained, found.bound) == (0, 0)
        return
    reached, bound = exact_maximum([Fraction(c) for c in row], Fraction(1, 10**6))
    assert Fraction(found.bound) >= reached
    assert Fraction(found.attained) <= bound
    assert found.bound - found.attained <= 1e-9 * found.bound


@given(st.lists(st.floats(0, 1), min_size=2, max_size=40), st.fractions(0, 1, max_denominator=997))
@settings(deadline=None, max_examples=150)
def test_no_value_exceeds_the_bound(row: list[float], t: Fraction) -> None:
    assert exact_value(row, t) <= Fraction(certified_maximum(row).bound)


@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=30),
    st.tuples(st.integers(0, 100), st.integers(0, 100)).map(sorted),
    st.integers(0, 60),
)
@settings(deadline=None, max_examples=100)
def test_no_value_exceeds_the_bound_on_part_of_the_range(
    row: list[float], ends: list[int], place: int
) -> None:
    low, high = Fraction(ends[0], 100), Fraction(ends[1], 100)
    found = certified_maximum(row, float(low), float(high))
    t = Fraction(float(low)) + (Fraction(float(high)) - Fraction(float(low))) * Fraction(place, 60)
    assert exact_value(row, t) <= Fraction(found.bound)
    assert Fraction(found.attained) <= exact_value(row, Fraction(found.argmax))
    assert float(low) <= found.argmax <= float(high)


def test_known_maxima() -> None:
    for row, maximum in (
        ([0, 1, 1, 0], Fraction(3, 4)),
        ([0, 0, 1, 0], Fraction(4, 9)),  # 3 t^2 (1 - t) at 2/3
        ([1, 0, 0, 0], Fraction(1)),
        ([Fraction(1, 4)] * 9, Fraction(1, 4)),
    ):
        found = certified_maximum([float(c) for c in row])
        assert Fraction(found.attained) <= maximum <= Fraction(found.bound)
        assert found.bound - found.attained <= 1e-9 * found.bound


def test_a_narrow_peak_between_the_points_of_a_grid_is_found() -> None:
    degree = 4000
    row = np.zeros(degree + 1)
    row[1337] = 1.0
    found = certified_maximum(row)
    t = 1337 / degree
    peak = (
        comb(degree, 1337)
        * Fraction(1337, degree) ** 1337
        * Fraction(degree - 1337, degree) ** (degree - 1337)
    )
    assert Fraction(found.attained) <= peak <= Fraction(found.bound)
    assert found.bound - found.attained <= 1e-9 * found.bound
    assert abs(found.argmax - t) < 1e-5


@pytest.mark.parametrize("degree", [1, 7, 31, 62, 400, 1000, 4000])
def test_bracket_is_narrower_than_a_billionth(degree: int) -> None:
    row = np.random.default_rng(degree).random(degree + 1) ** 3
    found = certified_maximum(row)
    assert 0 <= found.bound - found.attained <= 1e-9 * found.bound


@pytest.mark.parametrize(
    ("degree", "step"), [(1, 0.5), (9, 1.0), (31, 0.5), (31, 1.0), (120, 1.0), (400, 0.5)]
)
def test_interpolants_stay_within_the_stated_error(degree: int, step: float) -> None:
    row = np.random.default_rng(degree).random(degree + 1)
    cut = blocks(degree, step=step)
    values, _ = evaluate(row, cut.nodes.ravel())
    polynomials = to_bernstein(values.reshape(cut.nodes.shape))
    places = np.linspace(0, 1, 41)
    points = cut.left[:, None] + cut.width[:, None] * places
    expected, _ = evaluate(row, points.ravel())
    found = polynomials @ bernstein._basis(places).T
    assert np.abs(found.ravel() - expected).max() <= cut.error + 1e-12


def test_error_of_the_blocks_is_as_documented() -> None:
    for degree in (1, 2, 5, 10, 31, 88, 400, 4000, 12000):
        assert blocks(degree).error < 2e-14
        assert blocks(degree, step=1.0).error < 5e-10


def test_change_of_form_repeats_the_values_and_lebesgue_constant_holds() -> None:
    basis = bernstein._basis(bernstein.POINTS)
    repeated = basis @ bernstein._TO_BERNSTEIN
    assert np.abs(repeated - np.eye(len(basis))).sum(axis=1).max() < bernstein.CONVERSION
    cardinal = bernstein._basis(np.linspace(0, 1, 5001)) @ bernstein._TO_BERNSTEIN
    assert np.abs(cardinal).sum(axis=1).max() < bernstein.LEBESGUE


def test_values_are_within_their_stated_relative_error() -> None:
    row = list(np.random.default_rng(5).random(61))
    points = [0.0, 1e-9, 0.013, 0.37, 0.5, 0.81, 1 - 2**-30, 1.0]
    values, error = evaluate(row, points)
    for t, value in zip(points, values, strict=True):
        exact = exact_value(row, Fraction(t))
        assert abs(Fraction(float(value)) - exact) <= exact * Fraction(error) + Fraction(bernstein.TAIL)


def test_stays_below_never_says_yes_above_the_threshold() -> None:
    rows = np.zeros((2, bernstein.DEGREE + 1))
    rows[1, 7] = 1.0
    peak = comb(14, 7) / 2**14
    assert stays_below(rows, peak * (1 + 1e-6))
    assert not stays_below(rows, peak * (1 - 1e-6))


@pytest.mark.parametrize(
    ("row", "low", "high"),
    [
        ([], 0, 1),
        ([[1.0]], 0, 1),
        ([0.2, -0.1], 0, 1),
        ([float("nan")], 0, 1),
        ([1.0], 0.6, 0.4),
        ([1.0], -0.1, 1),
    ],
)
def test_what_is_no_polynomial_or_interval_is_refused(row: list[float], low: float, high: float) -> None:
    with pytest.raises(ValueError, match=r"coefficients must|is not an interval"):
        certified_maximum(row, low, high)
