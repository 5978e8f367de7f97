"""Points in two parts: they add up, they are the house's own intervals, and no width is 0."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.clustered import clustered_difference
from analysis.stats.two_groups import difference_interval
from analysis.stats.two_part import two_part

FIRST = [True] * 9 + [False] * 22
POINTS = [0] * 7 + [0.1, 0.3] + [0] * 14 + [0.1, 0.1, 0.1, 0.3, 0.3, 0.5, 0.1, 1]
ATHLETE = [0, 0, 1, 1, 2, 3, 4, 5, 5, *range(6, 17), *range(6, 17)]


def meets():
    return st.lists(
        st.tuples(st.booleans(), st.sampled_from([0, 0, 0, 0.1, 0.3, 0.5, 1.0]), st.integers(0, 6)),
        min_size=3,
        max_size=18,
    ).filter(lambda rows: len({row[0] for row in rows}) == 2)


def test_nine_against_22_routines_by_hand():
    found = two_part(POINTS, FIRST)
    assert found.lost == ((2, 9), (8, 22))
    assert found.shares == pytest.approx((2 / 9, 8 / 22))
    assert found.amounts == pytest.approx((0.2, 2.5 / 8))
    assert found.means == pytest.approx((0.4 / 9, 2.5 / 22))
    assert found.whole.estimate == pytest.approx(0.4 / 9 - 2.5 / 22)
    assert found.from_how_often == pytest.approx((2 / 9 - 8 / 22) * (0.2 + 0.3125) / 2)
    assert found.from_how_much == pytest.approx((0.2 - 0.3125) * (2 / 9 + 8 / 22) / 2)
    assert found.how_much.n == 10
    assert found.athletes == 31


def test_the_parts_are_the_mean_over_both_orders_of_changing_one_and_then_the_other():
    found = two_part(POINTS, FIRST)
    (p1, p2), (m1, m2) = found.shares, found.amounts
    one_way, other_way = (p1 - p2) * m2, (p1 - p2) * m1
    assert found.from_how_often == pytest.approx((one_way + other_way) / 2)


def test_independent_routines_get_the_exact_interval_and_athletes_the_clustered_one():
    plain = two_part(POINTS, FIRST, level=0.9)
    assert plain.how_often == difference_interval(2, 9, 8, 22, level=0.9)
    assert plain.whole == clustered_difference(POINTS, FIRST, range(31), level=0.9, kind="points")
    found = two_part(POINTS, FIRST, ATHLETE, level=0.9)
    lost = [int(value > 0) for value in POINTS]
    assert found.how_often == clustered_difference(lost, FIRST, ATHLETE, level=0.9, kind="stuck")
    assert found.whole == clustered_difference(POINTS, FIRST, ATHLETE, level=0.9, kind="points")
    some = [i for i in range(31) if POINTS[i] > 0]
    within = clustered_difference(
        [POINTS[i] for i in some], [FIRST[i] for i in some], [ATHLETE[i] for i in some], 0.9, kind="points"
    )
    assert (found.how_much.estimate, found.how_much.low, found.how_much.high) == (
        within.estimate,
        within.low,
        within.high,
    )
    assert found.athletes == 17


def test_a_technique_that_never_lost_a_point_leaves_all_to_how_often():
    found = two_part([0] * 9 + POINTS[9:], FIRST)
    assert math.isnan(found.amounts[0])
    assert math.isnan(found.how_much.estimate)
    assert found.how_much.why == "the first technique has no routine with a deduction; each needs two"
    assert found.from_how_much == 0
    assert found.from_how_often == pytest.approx(found.whole.estimate)
    for interval in (found.how_often, found.whole):
        assert interval.low < interval.estimate < interval.high
    json.dumps(found.to_dict(), allow_nan=False)


def test_one_routine_with_a_deduction_has_an_amount_but_no_interval():
    found = two_part([0] * 8 + [0.5] + POINTS[9:], FIRST)
    assert found.how_much.estimate == pytest.approx(0.5 - 0.3125)
    assert math.isnan(found.how_much.low)
    assert found.how_much.why == "the first technique has one routine with a deduction; each needs two"
    neither = two_part([0] * 31, FIRST)
    assert neither.why == "no routine lost anything"
    assert neither.how_much.why.count("no routine with a deduction") == 2
    assert neither.from_how_often == neither.from_how_much == 0
    assert math.isnan(neither.whole.low)
    assert "cannot say" in neither.whole.why


def test_a_technique_that_always_loses_the_same_borrows_the_other_ones_spread():
    found = two_part([0.1] * 9 + POINTS[9:], FIRST)
    assert found.how_much.low < -0.2125 < found.how_much.high
    assert found.whole.low < found.whole.estimate < found.whole.high
    same = two_part([0.1] * 9 + [0.3] * 22, FIRST)
    assert same.from_how_often == 0
    assert same.from_how_much == pytest.approx(-0.2)
    assert math.isnan(same.how_much.low)
    assert "cannot say how far off" in same.how_much.why


def test_without_falls_leaves_them_out_and_counts_them():
    falls = [value >= 1 for value in POINTS]
    found = two_part(POINTS, FIRST, ATHLETE, falls=falls)
    rest = [i for i in range(31) if not falls[i]]
    other = two_part(*([column[i] for i in rest] for column in (POINTS, FIRST, ATHLETE)))
    assert found.falls_left_out == (0, 1)
    assert (found.lost, found.how_much, found.whole) == (other.lost, other.how_much, other.whole)
    assert found.lost == ((2, 9), (7, 21))


def test_series_and_numpy_columns_are_read_like_lists():
    table = pd.DataFrame(
        {"points": POINTS, "first": FIRST, "athlete": [f"a{i}" for i in ATHLETE]}, index=range(5, 36)
    )
    found = two_part(table["points"], table["first"], table["athlete"], falls=table["points"] >= 1)
    assert found == two_part(POINTS, np.array(FIRST), ATHLETE, falls=[value == 1 for value in POINTS])


@settings(deadline=None, max_examples=60)
@given(meets(), st.booleans())
def test_parts_add_up_the_other_order_is_the_mirror_image_and_no_width_is_zero(rows, clustered):
    first, points, athlete = (list(column) for column in zip(*rows, strict=True))
    units = athlete if clustered else None
    found = two_part(points, first, units)
    other = two_part(points, [not value for value in first], units)
    exact = [Fraction(round(1000 * value), 1000) for value in points]
    means = [
        sum(value for value, own in zip(exact, first, strict=True) if own is side) / first.count(side)
        for side in (True, False)
    ]
    assert found.from_how_often + found.from_how_much == pytest.approx(float(means[0] - means[1]), abs=1e-15)
    assert other.from_how_often == -found.from_how_often
    assert other.from_how_much == -found.from_how_much
    for one, two in (
        (found.how_much, other.how_much),
        (found.whole, other.whole),
        (found.how_often, other.how_often),
    ):
        assert math.isnan(one.low) == math.isnan(two.low)
        if math.isnan(one.low):
            assert one.why
            continue
        assert (two.low, two.high) == pytest.approx((-one.high, -one.low), abs=1e-9)
        assert one.high - one.low > 1e-3
        assert one.low <= one.estimate <= one.high


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"points": POINTS[:-1]}, "31"),
        ({"points": [-0.1, *POINTS[1:]]}, r"loses -0.1 points; points lost are 0 or more"),
        ({"points": [None, *POINTS[1:]]}, r"outcome\[0\] is None"),
        ({"first": [True] * 31}, "the second technique has no routine"),
        ({"falls": [True] * 9 + [False] * 22}, "every routine of the first technique ended in a fall"),
        ({"falls": [False] * 30}, "falls must hold 31 values"),
        ({"falls": ["no"] * 31}, "falls must hold 31 values True or False"),
        ({"level": 95}, "level is 95"),
    ],
)
def test_input_of_two_part_is_checked(change, message):
    given = {"points": POINTS, "first": FIRST, **change}
    with pytest.raises(ValueError, match=message):
        two_part(**given)


def test_two_part_prints_all_three_intervals_and_the_sum():
    shown = str(two_part(POINTS, FIRST))
    assert "2 of 9 and 8 of 22" in shown
    assert "from how often" in shown
    assert shown.count("\n") == 3
