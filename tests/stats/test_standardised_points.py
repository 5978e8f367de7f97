"""The difference in points for the same mix: what it equals, when it is refused, and that it covers."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.clustered import clustered_difference
from analysis.stats.standardised_points import standardised_points

COVERAGE = Path(__file__).parents[1] / "reference" / "points" / "standardised.csv"
FIRST = [True] * 9 + [False] * 22
POINTS = [0] * 7 + [0.1, 0.3] + [0] * 14 + [0.1, 0.1, 0.1, 0.3, 0.3, 0.5, 0.1, 1]
ATHLETE = [0, 0, 1, 1, 2, 3, 4, 5, 5, *range(6, 17), *range(6, 17)]
FINAL = [0, 0, 0, 0, 1, 1, 1, 1, 1] + [0] * 6 + [1] * 8 + [0] * 7 + [1]
DIFFICULTY = [6.2 - 0.3 * (i % 4) for i in range(9)] + [5.3 + 0.1 * (i % 7) for i in range(22)]


def meet(seed, n, columns=2):
    rng = np.random.default_rng(seed)
    first = rng.permutation(np.arange(n) < n // 3)
    points = rng.choice([0, 0.1, 0.3, 1], size=n, p=[0.6, 0.2, 0.15, 0.05])
    return points, first, rng.normal(size=(n, columns)), rng.integers(0, n // 2, n).tolist()


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(9, 40), st.sampled_from([0.8, 0.95]), st.booleans())
def test_without_columns_it_is_the_clustered_difference(seed, n, level, clustered):
    points, first, _, athlete = meet(seed, n)
    found = standardised_points(points, first, level=level, athlete=athlete if clustered else None)
    plain = clustered_difference(points, first, athlete if clustered else range(n), level, kind="points")
    for name in ("estimate", "low", "high"):
        assert getattr(found, name) == pytest.approx(getattr(plain, name), abs=1e-7, nan_ok=True)
    assert math.isnan(plain.low) or found.why == plain.why


def test_estimate_is_the_coefficient_of_ordinary_least_squares():
    # statsmodels OLS, with the constant and both columns in their own units.
    table = pd.DataFrame({"final": FINAL, "difficulty": DIFFICULTY})
    fit = sm.OLS(POINTS, sm.add_constant(table.assign(first=np.array(FIRST, dtype=float)))).fit()
    found = standardised_points(POINTS, FIRST, table)
    assert found.estimate == pytest.approx(fit.params["first"], abs=1e-12)
    assert found.low < found.estimate < found.high
    assert found.n == 31
    assert found.quantity == "standardised difference in points"
    swapped = [fit.predict(sm.add_constant(table).assign(first=value)).mean() for value in (1.0, 0.0)]
    assert found.estimate == pytest.approx(swapped[0] - swapped[1])


def test_enough_athletes_give_each_technique_its_own_slopes_and_the_mean_over_all_routines():
    # statsmodels OLS fitted to each technique alone; the mean of its predictions over all routines.
    points, first, X, _ = meet(11, 90)
    means = [
        sm.OLS(points[own], sm.add_constant(X[own])).fit().predict(sm.add_constant(X)).mean()
        for own in (first, ~first)
    ]
    found = standardised_points(points, first, X)
    assert found.estimate == pytest.approx(means[0] - means[1], abs=1e-12)
    assert "own slopes for each technique" in found.method
    # 15 athletes a technique are too few for two columns, however many routines they do.
    few = standardised_points(points, first, X, athlete=[i % 15 for i in range(90)])
    fit = sm.OLS(points, sm.add_constant(np.column_stack([first, X]))).fit()
    assert few.estimate == pytest.approx(fit.params[1], abs=1e-12)
    assert "the same slopes for both techniques" in few.method


def test_a_column_that_one_technique_hardly_shows_gets_no_slope_of_its_own():
    points, first, _, _ = meet(12, 120)
    final = np.zeros(120)
    final[~first] = np.arange((~first).sum()) % 2
    for shown in (0, 1):  # no final routine of the first technique, then one
        final[np.flatnonzero(first)[:shown]] = 1
        found = standardised_points(points, first, final)
        assert "the same slopes for both techniques" in found.method
        assert found.low < found.estimate < found.high
    assert "slopes" not in standardised_points(points, first).method


def test_a_year_in_other_units_and_a_repeated_column_change_nothing():
    plain = standardised_points(POINTS, FIRST, np.column_stack([FINAL, DIFFICULTY]), athlete=ATHLETE)
    moved = np.column_stack(
        [np.array(FINAL) + 2026, np.array(DIFFICULTY) * 1000, 3 - np.array(FINAL), [1] * 31]
    )
    found = standardised_points(POINTS, FIRST, moved, athlete=ATHLETE)
    assert (found.estimate, found.low, found.high) == pytest.approx((plain.estimate, plain.low, plain.high))


def test_athletes_who_come_back_alike_widen_the_interval():
    athlete = np.repeat(range(40), 3)
    rng = np.random.default_rng(5)
    points = rng.choice([0, 0.1, 0.5], size=40)[athlete]
    first, quality = athlete % 3 == 0, rng.normal(size=40)[athlete]
    plain = standardised_points(points, first, quality)
    found = standardised_points(points, first, quality, athlete=athlete)
    assert found.estimate == plain.estimate
    assert found.high - found.low > 1.4 * (plain.high - plain.low)
    assert "counts athletes" in found.method
    assert "athletes independent" in found.assumes


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(12, 60), st.booleans())
def test_the_other_order_is_the_mirror_image_in_points_too(seed, n, clustered):
    points, first, X, athlete = meet(seed, n)
    units = athlete if clustered else None
    found = standardised_points(points, first, X, athlete=units)
    other = standardised_points(points, ~first, X, athlete=units)
    assert found.why == other.why
    if math.isnan(found.low):
        assert found.why
        return
    assert other.estimate == pytest.approx(-found.estimate, abs=1e-9)
    assert (other.low, other.high) == pytest.approx((-found.high, -found.low), abs=1e-7)
    assert found.low < found.estimate < found.high


def test_a_technique_that_never_lost_a_point_borrows_the_other_ones_spread():
    clean = [0] * 9 + POINTS[9:]
    found = standardised_points(clean, FIRST, FINAL)
    assert found.low < found.estimate < 0 < found.high
    for points in ([0] * 31, [0.1] * 9 + [0] * 22):
        same = standardised_points(points, FIRST, FINAL)
        assert same.estimate == pytest.approx(points[0])
        assert math.isnan(same.low)
        assert "cannot say how far off" in same.why


def test_no_comparison_for_the_same_mix_is_refused_in_words():
    apart = [6.2 + 0.1 * (i % 3) for i in range(9)] + [5.2 + 0.1 * (i % 5) for i in range(22)]
    found = standardised_points(POINTS, FIRST, apart, names=["difficulty"])
    assert math.isnan(found.estimate)
    assert found.why == "the techniques do not overlap: difficulty tells without error who used which"
    assert found.to_dict()["low"] is None
    assert "combination of the technique" in standardised_points(POINTS, FIRST, FIRST).why
    assert standardised_points(POINTS, [True] * 31).why == "only one technique"
    corners = np.array([[0, 0], [1, 1], [0, 1], [1, 0]])
    many = standardised_points([0, 0.1, 0.3, 0], [True, True, False, False], corners)
    assert many.why == "2 columns are too many for 4 routines"
    told = standardised_points(POINTS, FIRST, POINTS)
    assert math.isnan(told.low)
    assert told.why.startswith("the columns tell the points without error")


def test_few_athletes_in_a_group_are_said():
    found = standardised_points(POINTS, FIRST, FINAL, athlete=[i % 4 for i in range(9)] + list(range(4, 26)))
    assert found.why.startswith("a group has 4 athletes")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"first": FIRST[:-1]}, "first must hold 31 values True or False"),
        ({"first": ["piked"] * 31}, "first must hold 31 values True or False"),
        ({"points": [math.nan, *POINTS[1:]]}, r"points\[0\] is nan"),
        ({"points": [0.12345, *POINTS[1:]]}, "whole thousandths"),
        ({"points": [], "first": []}, "points has no values"),
        ({"X": FINAL[:-1]}, "points has 31 values and X the shape"),
        ({"X": ["a"] * 31}, "not numeric"),
        ({"X": [math.nan, *FINAL[1:]]}, "row 0 of column 0 is nan"),
        ({"X": FINAL, "names": ["a", "b"]}, "1 different names are needed"),
        ({"athlete": ["a", "b"]}, "athlete has 2 codes and points 31 values"),
        ({"level": 95}, "level is 95"),
    ],
)
def test_input_of_the_standardised_points_is_checked(change, message):
    given = {"points": POINTS, "first": FIRST, **change}
    with pytest.raises(ValueError, match=message):
        standardised_points(**given)


def test_committed_simulation_shows_that_points_are_covered_where_robust_variances_are_not():
    # tests/reference/points/simulate_points.py; the standard error of one cell's coverage is about .013.
    table = pd.read_csv(COVERAGE)
    cells = ["athletes", "most_routines", "sd", "base", "effect", "columns", "both", "chooses", "losses"]
    assert len(table.drop_duplicates(cells)) == 40
    coverage = table.set_index("method")["coverage"]
    again = table[table["most_routines"] > 1].set_index("method")["coverage"]
    assert coverage["standardised_points"].min() > 0.91
    assert coverage["standardised_points"].mean() > 0.95
    assert again["standardised_points"].min() > 0.94
    assert coverage["standardised_points, common slopes"].min() < 0.86
    assert again["standardised_points, repeats ignored"].min() < 0.88
    for slopes in ("common", "separate"):
        assert coverage[f"CR2, Satterthwaite t, {slopes} slopes"].min() < 0.80
