"""Exact conditional logistic regression from random arrangements, against counting, enumeration and Fisher."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logistic_sets import NINE, from_cells
from scipy.stats import chi2, nchypergeom_fisher

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.design_matrix import read_design
from analysis.stats.exact_conditional import exact_coefficient
from analysis.stats.exact_counts import conditional_distribution
from analysis.stats.exact_draws import Arrangements, drawn_coefficient
from analysis.stats.logistic import exact_logistic, maximum_likelihood

FEW = Budget(draws=60_000)


def small_set(seed, n=14):
    rng = np.random.default_rng(seed)
    X = np.column_stack([rng.integers(0, 2, n), rng.integers(0, 2, n), rng.integers(52, 56, n) / 10])
    y = rng.integers(0, 2, n)
    y[:2] = 0, 1
    return y, X


def arrangements_with_the_totals(y, X, k):
    """Every arrangement, one by one, that has the observed totals of all columns but the k-th (0 is the constant)."""
    Z = np.column_stack([np.ones(len(y)), np.rint(10 * X)]).astype(int)
    every = np.array(list(itertools.product((0, 1), repeat=len(y))))
    others = np.delete((every - y) @ Z, k, axis=1)
    return every[(others == 0).all(axis=1)], Z[:, k]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("theta", [0.0, 0.7])
def test_arrangements_are_drawn_as_often_as_enumeration_says(seed, theta):
    y, X = small_set(seed)
    for k in (1, 2):
        members, column = arrangements_with_the_totals(y, X, k)
        totals = (members - y) @ column // 10
        if len(set(totals)) == 1:
            continue
        drawn = Arrangements(read_design(y, X), k)
        made = drawn.forward(theta, DEFAULT)
        # The recursion knows the number of arrangements, weighted by exp(theta t).
        assert math.exp(made.log_count) == pytest.approx(np.exp(theta * totals).sum(), rel=1e-6)
        assert made.left_out < 1e-6
        draws = 20_000
        found = drawn.draw(made, draws, np.random.default_rng(seed))
        values = np.unique(totals)
        weights = np.array([np.exp(theta * totals[totals == value]).sum() for value in values])
        expected = draws * weights / weights.sum()
        seen = np.array([(found == value).sum() for value in values])
        assert seen.sum() == draws
        # Pearson's statistic: beyond this in one of a million sets of draws.
        assert ((seen - expected) ** 2 / expected).sum() < chi2.isf(1e-6, len(values) - 1)


@pytest.mark.parametrize("seed", range(12))
def test_drawn_equals_counted_within_its_own_errors(seed):
    # Run by hand on 300 such sets with 12,000 draws: of 1,178 differences none was beyond 3 of the standard errors
    # told, whose ratio to the differences' own spread was 1.05 to 1.36.
    rng = np.random.default_rng(seed)
    n = 50
    X = np.column_stack([rng.integers(0, 2, n), rng.integers(0, 2, n), rng.integers(50, 60, n) / 10])
    y = (rng.random(n) < 1 / (1 + np.exp(-(0.3 + X[:, 0] - 0.5 * X[:, 1])))).astype(int)
    design = read_design(y, X)
    counted = conditional_distribution(design, 1)
    everything, at = sum(counted.counts), counted.observed
    twice = min(1, 2 * min(sum(counted.counts[at:]), sum(counted.counts[: at + 1])) / everything)
    exact, drawn = (
        exact_coefficient(design, 1, 0.95, DEFAULT, 0),
        drawn_coefficient(design, 1, 0.95, FEW, seed),
    )
    assert drawn.draws == 60_000
    assert drawn.p_value == pytest.approx(twice, abs=0.012)
    assert drawn.estimate == pytest.approx(exact.estimate, abs=0.02)
    assert drawn.error == pytest.approx(exact.error, rel=0.02)
    assert drawn.interval == pytest.approx(exact.interval, abs=0.04)


def test_nine_of_nine_drawn_stays_at_the_edge():
    y, X = NINE
    design = read_design(y, X, names=["first"])
    exact, drawn = exact_coefficient(design, 1, 0.95, DEFAULT, 0), drawn_coefficient(design, 1, 0.95, FEW, 0)
    assert drawn.interval[1] == math.inf
    assert math.isnan(drawn.error)
    assert drawn.estimate == pytest.approx(exact.estimate, abs=0.03)
    assert drawn.interval[0] == pytest.approx(exact.interval[0], abs=0.04)
    assert "median-unbiased" in drawn.why
    assert "limits" in drawn.why
    assert "and none" in drawn.why
    # The doubled smaller tail, which is what the limit belongs to.
    tail = nchypergeom_fisher.sf(8, 31, 23, 9, 1)
    assert drawn.p_value == pytest.approx(2 * tail, abs=0.006)


def test_published_sets_drawn():
    # Sources: as in test_exact_logistic.py (published-examples section 10), with room for the draws.
    hand = from_cells(((1, 0), 13, 21), ((0, 1), 0, 8), ((0, 0), 15, 20))
    design = read_design(*hand)
    diagnosis, friendships = (drawn_coefficient(design, k, 0.95, FEW, 1) for k in (1, 2))
    assert diagnosis.estimate == pytest.approx(-0.5981, abs=0.03)
    assert diagnosis.interval == pytest.approx((-2.197, 0.910), abs=0.05)
    assert friendships.estimate == pytest.approx(-3.2612, abs=0.05)
    assert friendships.interval == (-math.inf, pytest.approx(-1.2028, abs=0.04))
    dose = from_cells(*(((dose,), deaths, 3) for dose, deaths in enumerate((0, 0, 0, 0, 1, 2))))
    found = drawn_coefficient(read_design(*dose), 1, 0.95, FEW, 1)
    assert found.estimate == pytest.approx(1.8000, abs=0.04)
    assert found.interval == pytest.approx((0.1157, 5.8665), rel=0.06)
    later = from_cells(((0, 0), 1, 8), ((0, 1), 7, 10), ((1, 0), 1, 6), ((1, 1), 6, 6))
    found = drawn_coefficient(read_design(*later), 2, 0.95, FEW, 1)
    assert found.estimate == pytest.approx(3.3387, abs=0.04)
    assert found.interval == pytest.approx((1.102, 7.266), rel=0.04)


@settings(deadline=None, max_examples=15)
@given(st.integers(2, 12), st.integers(2, 12), st.data())
def test_two_groups_drawn_hold_the_exact_limits_equation(n1, n2, data):
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    if x1 + x2 in (0, n1 + n2):
        return
    y, X = from_cells(((1,), x1, n1), ((0,), x2, n2))
    low, high = drawn_coefficient(read_design(y, X), 1, 0.95, FEW, 3).interval

    def law(theta):
        return nchypergeom_fisher(n1 + n2, x1 + x2, n1, math.exp(theta))

    if math.isfinite(low):
        assert law(low).sf(x1 - 1) == pytest.approx(0.025, abs=0.004)
    else:
        assert x1 == max(0, x1 + x2 - n2)
    if math.isfinite(high):
        assert law(high).cdf(x1) == pytest.approx(0.025, abs=0.004)
    else:
        assert x1 == min(n1, x1 + x2)


def three_hundred(seed=1):
    """300 routines: technique, round, and difficulty in tenths."""
    rng = np.random.default_rng(seed)
    X = np.column_stack(
        [rng.integers(0, 2, 300), rng.integers(0, 2, 300), (5.4 + 0.3 * rng.normal(size=300)).round(1)]
    )
    return (rng.random(300) < 1 / (1 + np.exp(0.4 - X[:, 0]))).astype(int), X


def test_three_hundred_routines_are_drawn_when_counting_is_too_much():
    y, X = three_hundred()
    fit = exact_logistic(y, X, names=["first", "round", "difficulty"], columns=["first"], budget=FEW)
    assert fit.method == "exact conditional logistic regression, drawn"
    low, high = fit.intervals[1]
    assert low < fit.coefficients[1] < high
    assert 0 < fit.p_values[1] < 1
    assert (fit.p_values[1] < 0.05) == (low > 0 or high < 0)
    assert "arrangements drawn" in fit.reasons[1]
    assert "standard errors of the drawing" in fit.reasons[1]
    # Large enough for the likelihood: both stand near each other.
    assert fit.coefficients[1] == pytest.approx(maximum_likelihood(y, X).coefficients[1], abs=0.02)
    assert exact_logistic(y, X, names=["first", "round", "difficulty"], columns=["first"], budget=FEW) == fit
    other = exact_logistic(y, X, columns=[0], budget=FEW, seed=7)
    assert other.coefficients[1] != fit.coefficients[1]
    assert other.intervals[1] == pytest.approx(fit.intervals[1], abs=0.02)


def test_an_infinite_coefficient_gets_its_drawn_limit():
    y, X = three_hundred()
    y = np.where(X[:, 0] == 1, 1, y)
    fit = maximum_likelihood(y, X, names=["first", "round", "difficulty"], budget=FEW)
    assert fit.coefficients[1] == math.inf
    assert 0 < fit.intervals[1][0] < math.inf
    assert fit.intervals[1][1] == math.inf
    assert fit.p_values[1] < 1e-4
    assert "separated: exact conditional limit" in fit.reasons[1]
    assert "arrangements drawn" in fit.reasons[1]


def test_past_drawing_too_the_column_to_round_is_named():
    rng = np.random.default_rng(2)
    y, X = three_hundred()
    fine = np.column_stack([X, rng.normal(size=300).round(2), rng.normal(size=300)])
    fit = exact_logistic(
        y, fine, names=["first", "round", "difficulty", "height", "speed"], columns=["first"]
    )
    assert math.isnan(fit.coefficients[1])
    assert "speed has 300 different values, too fine for exact work; round it" in fit.reasons[1]
    many = rng.integers(0, 2, (300, 9))
    fit = exact_logistic(y, many, columns=[0], budget=Budget(operations=1e8, cells=1e6))
    assert "the other 8 columns are too many for exact work" in fit.reasons[1]


def test_a_tested_column_too_fine_to_count_is_named():
    y, X = three_hundred()
    speed = np.random.default_rng(4).normal(size=300)
    fit = exact_logistic(y, np.column_stack([speed, X[:, 1]]), names=["speed", "final"], columns=["speed"])
    assert "speed has 300 different values, too fine for exact work; round it" in fit.reasons[1]


def test_columns_that_leave_no_room_are_said_to():
    y, X = three_hundred()
    marks = np.arange(12) ** 3 + 0.5
    fit = exact_logistic(y[:12], np.column_stack([X[:12, 0], marks]), columns=[0])
    assert math.isnan(fit.coefficients[1])
    assert "no other arrangement" in fit.reasons[1]


@pytest.mark.parametrize("seed", [-1, 1.5, True])
def test_seed_of_the_draws_is_checked(seed):
    for routine in (exact_logistic, maximum_likelihood):
        with pytest.raises(ValueError, match="seed"):
            routine(*NINE, seed=seed)
