"""Rounding happens in one module; these are its promises."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.reading import numbers


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.6364, "64 %"),
        (1.0, "100 %"),
        (0.0, "0 %"),
        (0.9996, "99.96 %"),  # never a rounded 100 %
        (0.0004, "0.04 %"),
        (math.nan, "not estimated"),
        (None, "not estimated"),
    ],
)
def test_a_percentage_never_rounds_to_certainty(value: float | None, shown: str) -> None:
    assert numbers.percent(value).replace("\N{NO-BREAK SPACE}", " ") == shown


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (0.0321, "p = .032"),
        (0.05, "p = .0500"),
        (0.0497, "p = .0497"),  # on which side of .05 must be visible
        (0.0502, "p = .0502"),
        (0.0004, "p < .001"),
        (1.0, "p = 1"),
        (0.9996, "p > .999"),
        (math.nan, "p not estimated"),
    ],
)
def test_a_p_value_shows_its_side_of_the_level(p: float, shown: str) -> None:
    assert numbers.p_value(p) == shown


def test_negative_numbers_carry_a_minus_sign_and_zero_none() -> None:
    assert numbers.percentage_points(-0.364) == "\N{MINUS SIGN}36"
    assert numbers.points(-0.0) == "0.00"
    assert numbers.decimal(-0.001, 2) == "0.00"
    assert numbers.decimal(-math.inf, 2) == "minus infinity"


@given(st.floats(min_value=1e-4, max_value=1 - 1e-4))
@settings(deadline=None, max_examples=300)
def test_a_rate_strictly_between_is_shown_strictly_between(value: float) -> None:
    shown = float(numbers.percent(value).removesuffix("\N{NO-BREAK SPACE}%"))
    assert 0 < shown < 100


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (0.2871, "p = 0.29"),
        (0.0041, "p = 0.004"),
        (0.0451, "p = 0.045"),
        (0.0004, "p < 0.001"),
        (0.995, "p > 0.99"),
        (1.0, "p = 1"),
    ],
)
def test_a_p_value_of_two_decimals_with_its_zero(p: float, shown: str) -> None:
    assert numbers.p_value(p, digits=2, leading_zero=True) == shown
