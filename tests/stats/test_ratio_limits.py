"""The ratio of two rates from the limits of each."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.proportions import proportion_interval
from analysis.stats.ratio_limits import ratio_from_limits


def limits(x: int, n: int) -> tuple[float, float, float]:
    found = proportion_interval(x, n)
    return x / n, found.low, found.high


@settings(deadline=None, max_examples=200)
@given(st.data())
def test_it_holds_one_exactly_when_square_and_add_holds_zero(data: st.DataObject) -> None:
    n1, n2 = data.draw(st.integers(1, 40)), data.draw(st.integers(1, 40))
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    (p1, l1, u1), (p2, l2, u2) = limits(x1, n1), limits(x2, n2)
    found = ratio_from_limits(p1, l1, u1, p2, l2, u2)
    if x1 == x2 == 0:
        assert found is None
        return
    assert found is not None
    ratio, low, high = found
    assert 0 <= low <= ratio <= high
    below = p1 - p2 - math.hypot(p1 - l1, u2 - p2)
    above = p1 - p2 + math.hypot(u1 - p1, p2 - l2)
    if abs(below) > 1e-9:
        assert (low > 1) == (below > 0)
    if abs(above) > 1e-9:
        assert (high < 1) == (above < 0)


def test_each_limit_solves_its_equation() -> None:
    (p1, l1, u1), (p2, l2, u2) = limits(7, 34), limits(14, 22)
    found = ratio_from_limits(p1, l1, u1, p2, l2, u2)
    assert found is not None
    _, low, high = found
    assert p1 - low * p2 == pytest.approx(math.hypot(p1 - l1, low * (u2 - p2)), rel=1e-12)
    assert high * p2 - p1 == pytest.approx(math.hypot(u1 - p1, high * (p2 - l2)), rel=1e-12)


def test_a_group_without_a_stuck_routine_gives_an_infinite_ratio_with_a_finite_lower_limit() -> None:
    found = ratio_from_limits(*limits(9, 9), *limits(0, 12))
    assert found is not None
    ratio, low, high = found
    assert (ratio, high) == (math.inf, math.inf)
    assert 1 < low < 10
    turned = ratio_from_limits(*limits(0, 12), *limits(9, 9))
    assert turned is not None
    assert turned[0] == turned[1] == 0
    assert turned[2] == pytest.approx(1 / low, rel=1e-12)


def test_limits_that_do_not_hold_the_rate_are_refused() -> None:
    with pytest.raises(ValueError, match="0 <= low <= rate"):
        ratio_from_limits(0.5, 0.6, 0.7, 0.5, 0.4, 0.6)
