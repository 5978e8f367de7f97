"""Difficulty against the landing: the confidence belongs to the interval, and keeps its level when a trade is even."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.clustered import clustered_difference
from analysis.stats.trade import trade

CALIBRATION = Path(__file__).parents[1] / "reference" / "points" / "trade.csv"
FIRST = [True] * 9 + [False] * 22
POINTS = [0] * 7 + [0.1, 0.3] + [0] * 14 + [0.1, 0.1, 0.1, 0.3, 0.3, 0.5, 0.1, 1]
ATHLETE = [0, 0, 1, 1, 2, 3, 4, 5, 5, *range(6, 17), *range(6, 17)]


def test_net_is_the_gain_plus_the_headline_interval_turned_round():
    lost = clustered_difference(POINTS, FIRST, ATHLETE, kind="points")
    found = trade(POINTS, FIRST, 0.2, ATHLETE)
    assert (found.saved.estimate, found.saved.low, found.saved.high) == (
        -lost.estimate,
        -lost.high,
        -lost.low,
    )
    assert found.net.estimate == pytest.approx(0.2 + 2.5 / 22 - 0.4 / 9)
    assert (found.net.low, found.net.high) == pytest.approx((0.2 - lost.high, 0.2 - lost.low))
    assert (found.break_even.estimate, found.break_even.low, found.break_even.high) == (
        lost.estimate,
        lost.low,
        lost.high,
    )
    json.dumps(found.to_dict(), allow_nan=False)
    assert "confidence that the trade pays 0.9" in str(found)


@pytest.mark.parametrize("gain", [-0.4, -0.1, 0.0, 0.05, 0.2])
def test_at_twice_the_confidence_less_one_the_limit_just_touches_the_gain(gain):
    found = trade(POINTS, FIRST, gain, ATHLETE)
    one_side = max(found.confidence, 1 - found.confidence)
    touching = clustered_difference(POINTS, FIRST, ATHLETE, level=2 * one_side - 1, kind="points")
    limit = touching.high if found.confidence > 0.5 else touching.low
    assert limit == pytest.approx(gain, abs=1e-8)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(6, 40),
    st.sampled_from([-0.5, -0.2, -0.1, 0.0, 0.1, 0.3]),
    st.sampled_from([0.5, 0.8, 0.95, 0.99]),
    st.booleans(),
)
def test_the_interval_excludes_an_even_trade_exactly_where_the_confidence_says_so(
    seed, n, gain, level, clustered
):
    rng = np.random.default_rng(seed)
    first = rng.permutation(np.arange(n) < max(1, n // 4))
    points = rng.choice([0, 0.1, 0.3, 1], size=n, p=[0.6, 0.2, 0.15, 0.05])
    athlete = rng.integers(0, n // 3, n).tolist() if clustered else None
    found = trade(points, first, gain, athlete, level)
    if math.isnan(found.net.low):
        assert math.isnan(found.confidence)
        assert found.why
        return
    assert (found.net.low > 0) == (found.confidence > (1 + level) / 2)
    assert (found.net.high < 0) == (found.confidence < (1 - level) / 2)
    assert (found.net.estimate > 0) == (found.confidence > 0.5) or abs(found.net.estimate) < 1e-7
    other = trade(points, ~first, -gain, athlete, level)
    assert other.confidence == pytest.approx(1 - found.confidence, abs=1e-6)
    assert trade(points, first, gain + 0.05, athlete, level).confidence > found.confidence - 1e-9


def test_the_confidence_does_not_depend_on_the_level_shown():
    levels = [
        trade(POINTS, FIRST, 0.1, ATHLETE, level).confidence for level in (0.2, 0.8, 0.95, 0.999, 1 - 1e-12)
    ]
    assert levels == pytest.approx([levels[0]] * 5, abs=1e-8)


def test_an_even_trade_has_confidence_one_half_and_a_far_one_almost_certainty():
    even = clustered_difference(POINTS, FIRST, range(31), kind="points").estimate
    assert trade(POINTS, FIRST, even).confidence == 0.5
    assert trade(POINTS, FIRST, even + 1e-13).confidence == pytest.approx(0.5, abs=1e-6)
    assert 0.999999 < trade(POINTS, FIRST, 50).confidence < 1
    assert 0 < trade(POINTS, FIRST, -50).confidence < 1e-6


def test_a_technique_that_never_lost_a_point_has_an_interval_and_two_such_have_none():
    found = trade([0] * 9 + POINTS[9:], FIRST, -0.1)
    assert found.net.low < found.net.estimate < found.net.high
    assert 0.5 < found.confidence < 0.975
    same = trade([0] * 9 + [0.1] * 22, FIRST, 0.3)
    assert same.net.estimate == pytest.approx(0.4)
    assert math.isnan(same.confidence)
    assert "cannot say how far off" in same.why
    assert same.to_dict()["confidence"] is None


def test_gain_is_a_finite_number():
    for gain in (math.nan, math.inf, "0.2", None, True):
        with pytest.raises(ValueError, match="gain is"):
            trade(POINTS, FIRST, gain)
    assert trade(POINTS, FIRST, np.int64(1)).gain == 1.0
    with pytest.raises(ValueError, match="the first technique has no routine"):
        trade(POINTS, [False] * 31, 0.1)
    with pytest.raises(ValueError, match="level is 1"):
        trade(POINTS, FIRST, 0.1, level=1)


def test_committed_simulation_of_even_trades_keeps_the_confidence_and_rejects_reweighted_meets():
    # tests/reference/points/simulate_points.py; the standard error of a share of .025 is .008.
    table = pd.read_csv(CALIBRATION)
    ours = table[table["method"] == "confidence"]
    other = table[table["method"] == "athletes re-weighted"]
    assert len(ours) == len(other) == 26
    alike = ours[ours["eta_first"] == ours["eta_second"]]
    assert alike[["below_.025", "above_.975"]].to_numpy().max() < 0.025 + 3 * 0.008
    assert ours[["below_.025", "above_.975"]].to_numpy().mean() < 0.025
    assert ours[["below_.1", "above_.9"]].to_numpy().mean() < 0.1
    assert ours[["below_.025", "above_.975"]].to_numpy().max() < 0.09  # said in the docstring
    assert other[["below_.025", "above_.975"]].to_numpy().max() > 0.35
