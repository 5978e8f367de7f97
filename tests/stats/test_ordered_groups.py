"""Tables with an order: published values, enumeration in fractions, edges.

"R" = R 4.2.2 with its packages, computed for the project's table of references; "authors' package" = the test file of
the package that accompanies Fagerland, Lydersen & Laake 2017; "from memory" = attributed to a paper from memory.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from all_tables import as_columns, share, small_tables
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kruskal

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.conditional import fisher
from analysis.stats.many_groups import kruskal_wallis, linear_by_linear, trend

TINY = Budget(operations=1.0, draws=20_000)
LUND = [[22, 4, 12], [24, 9, 10], [51, 7, 6]]
DRINKS, BIRTHS = [48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]


@pytest.mark.parametrize(
    ("scores", "z", "upper"),
    [((0, 0.5, 1.5, 4, 7), 2.563, 0.0168), (None, 1.352, 0.1046)],
)
def test_mills_graubard_1987_alcohol_trend(scores, z, upper):
    # z: authors' package and R; exact upper: R, from memory (Graubard & Korn quote .017)
    found = trend(DRINKS, BIRTHS, scores, "greater")
    assert found.statistic == pytest.approx(z, abs=5e-4)
    assert found.p_value == pytest.approx(upper, abs=5e-5)


def test_mills_graubard_1987_alcohol_trend_mid_p():
    # R, from memory
    found = trend(DRINKS, BIRTHS, (0, 0.5, 1.5, 4, 7), "greater", mid_p=True)
    assert found.p_value == pytest.approx(0.0153, abs=5e-5)


def test_indredavik_2008_trend_z():
    # authors' package: Cochran-Armitage -1.788
    x, n = [8, 10, 11, 22, 6], [61, 58, 111, 124, 135]
    assert trend(x, n).statistic == pytest.approx(-1.788, abs=5e-4)
    # It prints -1.790 for the linear-by-linear statistic, z times the root of n / (n - 1); the root of (n - 1) r^2,
    # which R and the same package's other table (7.7, below) have, is smaller than z.
    table = [[total - stuck, stuck] for stuck, total in zip(x, n, strict=True)]
    assert linear_by_linear(table).statistic == pytest.approx(trend(x, n).statistic * math.sqrt(488 / 489))


def test_pain_trend_of_a_manual_of_a_statistics_program():
    # R, from memory: Z -4.7918, exact one-sided 7.24e-7
    found = trend([26, 26, 23, 18, 9], [32, 33, 32, 32, 32], alternative="less")
    assert found.statistic == pytest.approx(-4.7918, abs=5e-5)
    assert found.p_value == pytest.approx(7.24e-7, abs=5e-10)


def test_smokers_trend_r_prop_trend_test():
    # input R ?prop.trend.test, output R: chi-square 8.2249
    assert trend([83, 90, 129, 70], [86, 93, 136, 82]).statistic ** 2 == pytest.approx(8.2249, abs=5e-5)


def test_jullumstro_2009_table_7_7_linear_by_linear():
    # authors' package: -2.854; the exact p is drawn, since 784 patients are past the budget
    table = [[2, 4, 29, 19], [7, 6, 116, 51], [19, 27, 201, 76], [18, 22, 133, 54]]
    found = linear_by_linear(table, budget=Budget(operations=1e7, draws=20_000))
    assert found.statistic == pytest.approx(-2.854, abs=5e-4)
    assert abs(found.p_value - 0.004321) < 5 * found.error + 1e-4


def test_lydersen_2012a_linear_by_linear_on_midranks_is_the_rank_sum():
    # R: 2.132, the square of z on n - 1, p .1442 asymptotically
    midranks = [13, 34, 48, 56.5]
    found = linear_by_linear([[14, 10, 3, 2], [11, 7, 8, 4]], column_scores=midranks)
    assert found.statistic**2 == pytest.approx(2.132, abs=5e-4)


def test_lund_2012_table_7_6_kruskal_wallis():
    # authors' package and R: 9.162
    found = kruskal_wallis(LUND)
    assert found.statistic == pytest.approx(9.162, abs=5e-4)
    assert found.p_value == pytest.approx(0.0095, abs=5e-5)  # ours; the asymptotic one is .01024


def linear_sum(columns, rows_scores, column_scores):
    return sum(
        Fraction(u) * Fraction(v) * x
        for v, column in zip(column_scores, columns, strict=True)
        for u, x in zip(rows_scores, column, strict=True)
    )


@settings(deadline=None, max_examples=150)
@given(small_tables, st.lists(st.integers(-3, 5), min_size=8, max_size=8), st.booleans())
def test_linear_by_linear_equals_enumeration(table, scores, mid_p):
    rows, columns = scores[: len(table)], scores[4 : 4 + len(table[0])]
    if len(set(rows)) == 1 or len(set(columns)) == 1:
        return
    array = np.asarray(table)
    seen = linear_sum(as_columns(table), rows, columns)
    mean = Fraction(int(array.sum(axis=1) @ rows) * int(array.sum(axis=0) @ columns), int(array.sum()))
    far = {
        "greater": (
            lambda t: linear_sum(t, rows, columns) >= seen,
            lambda t: linear_sum(t, rows, columns) == seen,
        ),
        "less": (
            lambda t: linear_sum(t, rows, columns) <= seen,
            lambda t: linear_sum(t, rows, columns) == seen,
        ),
        "two-sided": (
            lambda t: abs(linear_sum(t, rows, columns) - mean) >= abs(seen - mean),
            lambda t: abs(linear_sum(t, rows, columns) - mean) == abs(seen - mean),
        ),
    }
    for side, (reached, tied) in far.items():
        found = linear_by_linear(table, rows, columns, side, mid_p)
        if "nothing" in found.why:
            assert share(table, reached) == 1
            continue
        exact = share(table, reached) - (share(table, tied) / 2 if mid_p else 0)
        assert found.p_value == pytest.approx(float(exact), rel=1e-10)


@settings(deadline=None, max_examples=150)
@given(small_tables)
def test_kruskal_wallis_equals_enumeration_and_scipys_statistic(table):
    array = np.asarray(table)
    array = array[array.sum(axis=1) > 0][:, array.sum(axis=0) > 0]
    found = kruskal_wallis(table)
    if min(array.shape) < 2:
        assert found.p_value == 1
        return
    groups = [np.repeat(np.arange(array.shape[1]), row) for row in array]
    assert found.statistic == pytest.approx(kruskal(*groups).statistic)
    totals = array.sum(axis=0)
    ranks = [Fraction(int(2 * totals[:j].sum() + totals[j] + 1), 2) for j in range(len(totals))]

    def spread(columns):
        return sum(
            sum((r * x for r, x in zip(ranks, row, strict=True)), Fraction(0)) ** 2 / sum(row)
            for row in zip(*columns, strict=True)
        )

    seen = spread(as_columns(array))
    assert found.p_value == pytest.approx(float(share(array, lambda t: spread(t) >= seen)), rel=1e-10)


def test_trend_on_two_groups_is_fishers_one_sided_test():
    assert trend([14, 9], [22, 9], alternative="greater").p_value == pytest.approx(
        fisher(9, 9, 14, 22, alternative="greater").p_value, rel=1e-12
    )


def test_decimal_scores_are_taken_as_written():
    x, n = [3, 14, 9, 2], [9, 22, 9, 8]
    assert trend(x, n, [0.1, 0.2, 0.3, 0.4]).p_value == trend(x, n).p_value
    assert trend(x, n, [Fraction(1, 3), Fraction(2, 3), 1, Fraction(4, 3)]).p_value == trend(x, n).p_value


def test_reversing_the_scores_turns_the_trend_round():
    x, n = [3, 14, 9], [9, 22, 9]
    one, other = trend(x, n, [1, 2, 5], "greater"), trend(x, n, [-1, -2, -5], "less")
    assert other.p_value == one.p_value
    assert other.statistic == pytest.approx(-one.statistic)


@pytest.mark.parametrize(
    "call",
    [
        lambda budget: trend([30, 41, 55, 60], [60, 62, 70, 71], budget=budget, seed=2),
        lambda budget: linear_by_linear(LUND, budget=budget, seed=2),
        lambda budget: kruskal_wallis(LUND, budget=budget, seed=2),
    ],
)
def test_an_ordered_test_past_its_budget_draws_within_its_error(call):
    exact, drawn = call(DEFAULT), call(TINY)
    assert (exact.draws, drawn.draws) == (0, 20_000)
    assert "drawn" in drawn.why
    assert drawn.statistic == exact.statistic
    assert abs(drawn.p_value - exact.p_value) < 5 * drawn.error


def test_groups_without_routines_and_nothing_that_varies():
    full = trend([3, 14, 9], [9, 22, 9]).p_value
    assert trend([3, 0, 14, 9], [9, 0, 22, 9], [1, 9, 2, 3]).p_value == pytest.approx(full, rel=1e-12)
    for found in (trend([9, 22], [9, 22]), trend([3, 14], [9, 22], [2, 2]), kruskal_wallis([[3, 14]])):
        assert found.p_value == 1
        assert "nothing" in found.why


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (([3, 4], [9]), "go together"),
        (([10, 4], [9, 9]), "10 of 9"),
        (([3, 4], [9, 9], [1, math.inf]), "finite"),
        (([3, 4], [9, 9], [1, 2, 3]), "3 values"),
        (([3, 4, 5], [9, 9, 9], [0.1, 1e-17, 1e9]), "digits"),
        (([3.5, 4], [9, 9]), "whole"),
    ],
)
def test_trend_refuses_what_it_cannot_mean(arguments, said):
    with pytest.raises(ValueError, match=said):
        trend(*arguments)
