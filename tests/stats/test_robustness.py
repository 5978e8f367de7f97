"""E-value and tipping points: arithmetic against hand and published values."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.robustness import SHARES, e_value, tipping


def test_vanderweele_ding_2017_breast_feeding():
    """RR 3.9 (1.8 to 8.7): E 7.26, limit 3.0 (from memory of the paper; recomputed)."""
    found = e_value(3.9, 1.8, 8.7)
    assert found.e_value == pytest.approx(7.263, abs=5e-4)
    assert found.e_value_limit == pytest.approx(3.0, abs=5e-4)


def test_vanderweele_ding_2017_protective():
    """RR .80: E 1.81 (from memory of the paper; recomputed)."""
    found = e_value(0.80, 0.71, 0.91)
    assert found.e_value == pytest.approx(1.809, abs=5e-4)
    assert found.e_value_limit == pytest.approx(1 / 0.91 + math.sqrt(1 / 0.91 * (1 / 0.91 - 1)))


def test_an_interval_that_holds_1_needs_no_trait():
    assert e_value(1.57, 0.98, 2.4).e_value_limit == 1
    assert e_value(0.9, 0.5, 1.0).e_value_limit == 1
    assert e_value(1, 1, 1).e_value == 1


def test_a_rate_of_0_makes_the_estimate_infinite_and_the_limit_stays():
    found = e_value(math.inf, 2.5, math.inf)
    assert (found.e_value, found.e_value_limit) == (math.inf, pytest.approx(2.5 + math.sqrt(2.5 * 1.5)))
    assert "read the limit" in found.why
    nothing = e_value(0, 0, 0.4, outcome="not stuck")
    assert (nothing.e_value, nothing.e_value_limit) == (math.inf, pytest.approx(2.5 + math.sqrt(2.5 * 1.5)))
    assert "not stuck" in str(nothing)
    json.dumps(found.to_dict(), allow_nan=False)


@settings(deadline=None, max_examples=100)
@given(st.floats(1e-6, 1e6), st.floats(1, 100), st.floats(1, 100))
def test_the_reciprocal_has_the_same_e_value_and_it_solves_the_bound(ratio, below, above):
    one = e_value(ratio, ratio / below, ratio * above)
    two = e_value(1 / ratio, 1 / (ratio * above), 1 / (ratio / below))
    assert one.e_value == pytest.approx(two.e_value, rel=1e-6)
    assert one.e_value_limit == pytest.approx(two.e_value_limit, rel=1e-3)
    # Ding & VanderWeele 2016: the bias is at most E E / (E + E - 1), and that equals the ratio.
    assert one.e_value**2 / (2 * one.e_value - 1) == pytest.approx(max(ratio, 1 / ratio), rel=1e-9)


def test_huge_ratios_do_not_overflow():
    assert math.isfinite(e_value(1e200, 1, 1e300).e_value)


def test_tipping_by_hand():
    """9/9 against 14/22: .3636 / (.8 - .2) = .606; lower limit .02 / .6 = .033."""
    lines = tipping(9 / 9 - 14 / 22, 0.02, 0.58)
    assert [(line.share_first, line.share_second) for line in lines] == list(SHARES)
    assert [line.advantage for line in lines] == pytest.approx(
        [0.3636 / d for d in (0.8, 0.6, 0.25, 0.2)], rel=1e-3
    )
    assert [line.advantage_limit for line in lines] == pytest.approx(
        [0.02 / d for d in (0.8, 0.6, 0.25, 0.2)]
    )
    assert [line.possible for line in lines] == [True, True, False, False]
    assert all(line.possible_limit for line in lines)
    assert "more than 1 can't be" in lines[2].why


def test_the_bias_formula_holds_in_a_population():
    """Sticking .5 without and .5 + a with the trait, whatever the technique: the difference is a (q1 - q2)."""
    for line in tipping(0.2, 0.05, 0.35):
        if line.possible and line.advantage <= 0.5:
            first = 0.5 + line.advantage * line.share_first
            second = 0.5 + line.advantage * line.share_second
            assert first - second == pytest.approx(0.2)


def test_with_the_second_ahead_the_trait_is_commoner_there():
    one, two = tipping(0.2, 0.05, 0.35)[0], tipping(-0.2, -0.35, -0.05)[0]
    assert (two.share_first, two.share_second) == (one.share_second, one.share_first)
    assert (two.advantage, two.advantage_limit) == (one.advantage, one.advantage_limit)


def test_points_lost_count_the_other_way_and_have_no_cap():
    fewer = tipping(-0.3, -0.5, -0.1, shares=[(0.6, 0.4)], kind="points")[0]
    assert (fewer.share_first, fewer.share_second) == (0.6, 0.4)
    assert (fewer.advantage, fewer.advantage_limit) == pytest.approx((1.5, 0.5))
    assert fewer.possible
    assert fewer.why == ""
    assert tipping(3.0, 1.0, 5.0, kind="points")[0].share_first == 0.1


def test_limits_that_hold_0_or_are_not_there():
    holds = tipping(0.1, -0.1, 0.3)[0]
    assert (holds.advantage_limit, holds.possible_limit) == (0, True)
    assert "already holds 0" in holds.why
    assert tipping(0, -0.2, 0.2)[0].advantage == 0
    none = tipping(0.1, math.nan, math.nan)[0]
    assert math.isnan(none.advantage_limit)
    assert "no interval" in none.why
    open_ended = tipping(-0.1, -math.inf, -0.02, kind="points")[0]
    assert open_ended.advantage_limit == pytest.approx(0.025)
    assert tipping(-0.1, -0.4, math.inf, kind="points")[0].advantage_limit == 0
    beyond = tipping(0.9, 0.7, 1.0, shares=[(0.6, 0.4)])[0]
    assert not beyond.possible_limit
    assert "even the limit" in beyond.why
    json.dumps([line.to_dict() for line in (holds, none, beyond)], allow_nan=False)


@pytest.mark.parametrize(
    "given_", [(1.5, 1.6, 2), (1.5, 1, 1.4), (-1, -1, 1), (math.nan, 1, 2), (1, math.nan, 2)]
)
def test_e_value_refuses_limits_that_cannot_be(given_):
    with pytest.raises(ValueError, match="is needed"):
        e_value(*given_)


def test_options_that_do_not_exist_are_refused():
    with pytest.raises(ValueError, match="outcome 'fall' is not one of"):
        e_value(2, 1, 3, outcome="fall")
    with pytest.raises(ValueError, match="kind 'grade' is not one of"):
        tipping(0.1, 0, 0.2, kind="grade")
    with pytest.raises(ValueError, match="shares has"):
        tipping(0.1, 0, 0.2, shares=[(0.4, 0.6)])
    with pytest.raises(ValueError, match="low <= difference <= high"):
        tipping(0.1, 0.2, 0.3)
    with pytest.raises(ValueError, match="between -1 and 1"):
        tipping(1.1, 0.2, 1.3)
