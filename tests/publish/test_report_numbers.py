"""How a number becomes a cell."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.publish import numbers
from analysis.stats.result import Effect, Interval, Test


@settings(deadline=None, max_examples=300)
@given(st.integers(1, 6000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_rate_is_shown_as_0_or_100_only_when_it_is(counts: tuple[int, int]) -> None:
    x, n = counts
    shown = numbers.percent(x / n, n)
    assert (shown == "0\N{NO-BREAK SPACE}%" or shown == "0.0\N{NO-BREAK SPACE}%") == (x == 0)
    assert (shown in ("100\N{NO-BREAK SPACE}%", "100.0\N{NO-BREAK SPACE}%")) == (x == n)


@settings(deadline=None, max_examples=300)
@given(st.floats(1e-5, 1e7))
def test_a_ratio_is_shown_as_1_only_when_it_is(value: float) -> None:
    shown = numbers.ratio(value)
    assert float(shown) == pytest.approx(value, rel=0.005, abs=0.0051)
    assert (float(shown) == 1) == (value == 1 or abs(value - 1) < 5e-7)


@settings(deadline=None, max_examples=200)
@given(st.integers(-99_999, 99_999), st.integers(0, 3))
def test_a_plain_number_comes_back_from_its_cell(value: int, digits: int) -> None:
    shown = numbers.words.decimal(value / 10**digits, digits)
    assert numbers.plain_number(shown) == (value / 10**digits, digits)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "9 of 9",
        "3 to 59",
        "−",
        ".",
        "−.",
        "1.",
        "1,23",
        "1,2345",
        ".03.4",
        "infinity",
        "< .001",
        "=1",
        "1e5",
        "½",
        "2²",
    ],
)
def test_what_is_not_one_plain_number_stays_text(text: str) -> None:
    assert numbers.plain_number(text) is None


def test_an_infinite_odds_ratio_is_said_to_be_infinite() -> None:
    odds = Interval("odds ratio", math.inf, 0.84, math.inf, 0.95, "exact", 31)
    assert numbers.interval_words(odds) == "infinity (95\N{NO-BREAK SPACE}% 0.84 to infinity)"


def test_what_could_not_be_estimated_says_so() -> None:
    assert numbers.limits(math.nan, None, "points", 9) == "not estimated"
    assert numbers.p_value(math.nan) == "not estimated"
    assert numbers.amount(None, "ratio", 9) == "not estimated"


def test_a_drawn_p_value_carries_its_error() -> None:
    drawn = Test(0.0312, "greater", "athlete permutation", 31, draws=20_000, error=0.0012)
    assert numbers.p_with_method(drawn) == (
        "p = .031, athlete permutation, one-sided (greater), 20,000 draws, standard error 0.0012"
    )


def test_each_quantity_has_its_unit() -> None:
    mean = Effect("mean difference", -0.12, -0.26, -0.01, 0.95, 0.04, "two-sided", "exact", "shift", 31)
    assert numbers.interval_words(mean).startswith("−0.12 points")
    rate = Interval("difference", 4 / 11, 0.0312, 0.587, 0.95, "exact", 31)
    assert numbers.interval_words(rate).startswith("36 percentage points")
    assert numbers.kind("chance of the better landing, less one half") == "probability"
