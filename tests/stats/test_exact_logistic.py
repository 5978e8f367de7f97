"""Exact conditional logistic regression against published values, Fisher's test and enumeration."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logistic_sets import NINE, from_cells
from scipy.stats import fisher_exact
from scipy.stats.contingency import odds_ratio

from analysis.stats.budget import Budget
from analysis.stats.design_matrix import read_design
from analysis.stats.exact_counts import conditional_distribution
from analysis.stats.logistic import exact_logistic


def test_hand_1994_depression_exact():
    # Source: input as printed in the documentation of a commercial package, after Hand et al. 1994; output R
    # (published-examples section 10). Limit at the edge: alpha/2 a side (trap 12).
    y, X = from_cells(((1, 0), 13, 21), ((0, 1), 0, 8), ((0, 0), 15, 20))
    fit = exact_logistic(y, X, names=["diagnosis", "friendships poor"])
    assert fit.coefficients == pytest.approx((1.0986, -0.5981, -3.2612), abs=6e-5)
    assert fit.intervals[0] == pytest.approx((0.0358, 2.3562), abs=6e-5)
    assert fit.intervals[1] == pytest.approx((-2.197, 0.910), abs=6e-4)
    assert fit.p_values[1] == pytest.approx(0.5055, abs=6e-5)
    assert fit.p_values[2] == pytest.approx(0.00041, abs=6e-6)
    assert fit.intervals[2] == (-math.inf, pytest.approx(-1.2028, abs=6e-5))
    assert math.isnan(fit.standard_errors[2])
    assert fit.to_dict()["standard_errors"][2] is None
    assert "median-unbiased" in fit.reasons[2]


def test_dose_death_exact():
    # Published-examples section 10; attribution from memory, recomputed identical.
    y, X = from_cells(*(((dose,), deaths, 3) for dose, deaths in enumerate((0, 0, 0, 0, 1, 2))))
    fit = exact_logistic(y, X)
    assert fit.coefficients[1] == pytest.approx(1.8000, abs=6e-5)
    assert fit.intervals[1] == pytest.approx((0.1157, 5.8665), abs=6e-5)
    assert fit.p_values[1] == pytest.approx(0.0245, abs=6e-5)


def test_admission_by_calculus_exact_both_on_the_edge():
    # Source: input of a university's teaching page; output R (published-examples section 10).
    y, X = from_cells(((0, 0), 0, 12), ((0, 1), 4, 8), ((1, 0), 1, 5), ((1, 1), 7, 7))
    fit = exact_logistic(y, X, names=["female", "apcalc"])
    assert fit.coefficients[1:] == pytest.approx((2.3366, 3.4358), abs=6e-5)
    assert fit.p_values[1:] == pytest.approx((0.0151, 0.00015), rel=0.03)
    assert [limit[1] for limit in fit.intervals[1:]] == [math.inf, math.inf]


def test_admission_by_calculus_exact_later_page():
    # Source: as above, the page's later data.
    y, X = from_cells(((0, 0), 1, 8), ((0, 1), 7, 10), ((1, 0), 1, 6), ((1, 1), 6, 6))
    fit = exact_logistic(y, X, names=["female", "apcalc"])
    assert fit.coefficients[1:] == pytest.approx((1.3605, 3.3387), abs=6e-5)
    assert fit.intervals[1] == pytest.approx((-1.129, 5.368), abs=6e-4)
    assert fit.intervals[2] == pytest.approx((1.102, 7.266), abs=6e-4)
    assert fit.p_values[1] == pytest.approx(0.340, abs=6e-4)
    assert fit.p_values[2] == pytest.approx(0.0003, abs=6e-5)


def test_rabbits_exact_common_odds_ratio_is_a_stratum_column_each():
    # Source: R ?mantelhaen.test, Rabbits, exact = TRUE: 10.361 (1.0774-529.84), p .03994 (published-examples
    # section 8). Cured of (delay none, delay 1.5 h) at five penicillin levels.
    tables = [[(0, 6), (0, 5)], [(3, 3), (0, 6)], [(6, 0), (2, 4)], [(5, 1), (6, 0)], [(2, 0), (5, 0)]]
    cells = []
    for s, table in enumerate(tables):
        for none, (cured, died) in zip((1, 0), table, strict=True):
            dummies = [int(s == t) for t in range(1, len(tables))]
            cells.append(((none, *dummies), cured, cured + died))
    y, X = from_cells(*cells)
    fit = exact_logistic(y, X, columns=[0])
    assert math.exp(fit.coefficients[1]) == pytest.approx(10.361, abs=6e-4)
    assert math.exp(fit.intervals[1][0]) == pytest.approx(1.0774, abs=6e-5)
    # R stops its search for the upper limit early: at 529.84 the tail is .02508, at ours .0250000.
    upper = math.exp(fit.intervals[1][1])
    assert upper == pytest.approx(529.84, rel=4e-3)
    counts = {0: 1}
    for n1, n2, cured in ((6, 6, 3), (6, 6, 8), (6, 6, 11), (2, 5, 7)):
        step = {a: math.comb(n1, a) * math.comb(n2, cured - a) for a in range(n1 + 1) if 0 <= cured - a <= n2}
        counts = {
            t: sum(counts.get(t - a, 0) * c for a, c in step.items())
            for t in range(max(counts) + max(step) + 1)
        }
    weights = {t: c * upper**t for t, c in counts.items()}
    assert sum(w for t, w in weights.items() if t <= 16) / sum(weights.values()) == pytest.approx(
        0.025, rel=1e-8
    )
    assert fit.p_values[1] == pytest.approx(0.03994, abs=6e-6)


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 12), st.integers(1, 12), st.data())
def test_one_binary_column_is_fisher(n1, n2, data):
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    y, X = from_cells(((1,), x1, n1), ((0,), x2, n2))
    fit = exact_logistic(y, X, columns=[0])
    if x1 + x2 in (0, n1 + n2):
        assert math.isnan(fit.coefficients[1])
        assert "no other arrangement" in fit.reasons[1]
        return
    table = [[x1, n1 - x1], [x2, n2 - x2]]
    peer = odds_ratio(table)
    limits = peer.confidence_interval(0.95)
    assert fit.p_values[1] == pytest.approx(fisher_exact(table).pvalue, rel=1e-9)
    assert math.exp(fit.intervals[1][0]) == pytest.approx(limits.low, rel=1e-6, abs=1e-9)
    assert math.exp(fit.intervals[1][1]) == pytest.approx(limits.high, rel=1e-6)
    if 0 < peer.statistic < math.inf:
        assert math.exp(fit.coefficients[1]) == pytest.approx(peer.statistic, rel=1e-6)


def enumerated(y, X):
    """Every arrangement of the outcomes, one by one: for each column, its totals less the observed one, counted,
    where the others' totals are as observed."""
    Z = [[Fraction(1), *(Fraction(str(value)) for value in row)] for row in np.asarray(X).tolist()]
    scale = math.lcm(*(value.denominator for row in Z for value in row))
    whole = np.array([[int(value * scale) for value in row] for row in Z])
    arrangements = np.array(list(itertools.product((0, 1), repeat=len(y))))
    missing = arrangements @ whole - np.asarray(y) @ whole
    found = []
    for k in range(whole.shape[1]):
        others = np.delete(missing, k, axis=1)
        totals, counts = np.unique(missing[(others == 0).all(axis=1), k], return_counts=True)
        found.append({int(t) / scale: int(c) for t, c in zip(totals, counts, strict=True)})
    return found


@pytest.mark.parametrize("seed", range(20))
def test_exact_distribution_equals_enumeration(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 13))
    X = np.column_stack([rng.integers(0, 2, n), rng.integers(-2, 3, n) / 2, rng.integers(50, 54, n) / 10])
    y = rng.integers(0, 2, n)
    for k, expected in enumerate(enumerated(y, X)):
        found = conditional_distribution(read_design(y, X), k)
        if len(expected) == 1:
            assert "no other arrangement" in found.why
            continue
        got = {round(total * found.step, 9): c for total, c in zip(found.totals, found.counts, strict=True)}
        assert got == {round(total, 9): c for total, c in expected.items()}


def test_exact_limits_satisfy_their_own_equation():
    rng = np.random.default_rng(4)
    n = 11
    X = np.column_stack([rng.integers(0, 2, n), rng.integers(0, 3, n)])
    y = np.array([0, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0])
    counts = enumerated(y, X)[2]
    fit = exact_logistic(y, X, level=0.9)

    def tail(theta, keep):
        weights = {t: c * math.exp(theta * float(t)) for t, c in counts.items()}
        return sum(w for t, w in weights.items() if keep(t)) / sum(weights.values())

    low, high = fit.intervals[2]
    assert tail(low, lambda t: t >= 0) == pytest.approx(0.05, rel=1e-9)
    assert tail(high, lambda t: t <= 0) == pytest.approx(0.05, rel=1e-9)
    weights = {t: c * math.exp(fit.coefficients[2] * float(t)) for t, c in counts.items()}
    assert sum(float(t) * w for t, w in weights.items()) == pytest.approx(0, abs=1e-9 * sum(weights.values()))


def test_exact_counts_stay_whole_past_64_bits():
    # 90 routines: the counts have up to 27 digits; two groups are hypergeometric.
    y, X = from_cells(((1,), 30, 40), ((0,), 25, 50))
    found = conditional_distribution(read_design(y, X), 1)
    assert sum(found.counts) == math.comb(90, 55)
    assert found.counts[found.observed] == math.comb(40, 30) * math.comb(50, 25)


def test_exact_says_when_the_work_is_too_much():
    rng = np.random.default_rng(5)
    y, X = rng.integers(0, 2, 120), np.column_stack([rng.integers(0, 2, 120), rng.normal(size=120).round(2)])
    fit = exact_logistic(y, X, columns=[0], budget=Budget(operations=1e6, cells=1e5))
    assert math.isnan(fit.coefficients[1])
    assert "round it or put it in classes (neither counting nor drawing fits the budget)" in fit.reasons[1]
    fine = exact_logistic(y, np.column_stack([X, rng.normal(size=(120, 2))]), columns=[0])
    assert "too fine" in fine.reasons[1]


def test_exact_says_when_p_and_interval_disagree():
    fit = exact_logistic(*from_cells(((1,), 9, 9), ((0,), 13, 21)), columns=[0])
    assert fit.p_values[1] == pytest.approx(fisher_exact([[9, 0], [13, 8]]).pvalue)
    disagree = (fit.p_values[1] <= 0.05) != (fit.intervals[1][0] > 0)
    assert disagree == ("twice the smaller tail" in fit.reasons[1])
    for level in (0.92, 0.94):
        fit = exact_logistic(*NINE, level=level, columns=[0])
        disagree = (fit.p_values[1] <= 1 - level) != (fit.intervals[1][0] > 0)
        assert disagree == ("twice the smaller tail" in fit.reasons[1])
