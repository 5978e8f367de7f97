"""Six tables at the edges, walked through by every routine for two groups, and what all of them refuse alike."""

import itertools
import math
import warnings

import numpy as np
import pandas as pd
import pytest

from analysis.stats.proportions import proportion_interval
from analysis.stats.score import score_test
from analysis.stats.two_groups import (
    barnard,
    boschloo,
    difference_interval,
    fisher,
    odds_ratio_interval,
    ratio_interval,
)

# The tables at which general libraries divide by zero, raise, or print intervals of width 0 (all checked for this
# project: see the comment at each test).
EDGES = {
    "9/9 v 14/22": (9, 9, 14, 22),
    "0/10 v 0/20": (0, 10, 0, 20),
    "10/10 v 0/20": (10, 10, 0, 20),
    "1/1 v 0/1": (1, 1, 0, 1),
    "0/16 v 15/72": (0, 16, 15, 72),
    "30/30 v 29/30": (30, 30, 29, 30),
}
DIFFERENCES = ("miettinen-nurminen", "newcombe", "agresti-caffo", "exact", "exact-two-one-sided")
RATIOS = ("koopman", "exact", "exact-two-one-sided")
ODDS_RATIOS = ("exact", "mid-p", "baptista-pike", "baptista-pike mid-p")
PROPORTIONS = ("wilson", "clopper-pearson", "mid-p", "jeffreys", "agresti-coull", "blaker")
TESTS = {
    "fisher": fisher,
    "fisher mid-p": lambda *t, alternative="two-sided": fisher(*t, alternative, mid_p=True),
    "boschloo": boschloo,
    "barnard": barnard,
    "score": score_test,
}
edges = pytest.mark.parametrize("table", list(EDGES.values()), ids=list(EDGES))


@edges
@pytest.mark.parametrize("name", TESTS)
@pytest.mark.parametrize("alternative", ["two-sided", "greater", "less"])
def test_every_test_gives_a_p_at_the_edges(table, name, alternative):
    # A general library prints p = 0 for 1/1 v 0/1 and NaN for 0/10 v 0/20.
    found = TESTS[name](*table, alternative=alternative)
    assert 0 < found.p_value <= 1
    assert found.alternative == alternative
    assert found.n == table[1] + table[3]
    if table[0] + table[2] == 0:
        assert found.p_value >= 0.5


@edges
@pytest.mark.parametrize("method", DIFFERENCES)
def test_every_difference_interval_answers_at_the_edges(table, method):
    # General libraries raise on all six, give 0 to 0 or 1 to 1, or leave -1 to 1 (1.088).
    x1, n1, x2, n2 = table
    found = difference_interval(*table, method=method)
    assert found.estimate == pytest.approx(x1 / n1 - x2 / n2, abs=1e-15)
    assert -1 <= found.low < found.high <= 1
    assert found.low <= found.estimate <= found.high
    if found.estimate == 1:
        assert found.high == 1
    else:
        assert found.high < 1
    for one_sided, other_end in (("greater", "high"), ("less", "low")):
        limit = difference_interval(*table, method=method, alternative=one_sided)
        assert getattr(limit, other_end) == (1 if one_sided == "greater" else -1)
        narrower = (
            limit.low >= found.low - 1e-7 if one_sided == "greater" else limit.high <= found.high + 1e-7
        )
        assert narrower


@edges
@pytest.mark.parametrize("method", RATIOS)
def test_every_ratio_interval_answers_at_the_edges(table, method):
    # General libraries divide by zero on four of them, or print lower limits below 0.
    found, swapped = (
        ratio_interval(*table, method=method),
        ratio_interval(*table[2:], *table[:2], method=method),
    )
    assert 0 <= found.low < found.high
    assert found.low == pytest.approx(1 / swapped.high if swapped.high else math.inf, rel=1e-6)
    if table[0] + table[2] == 0:
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (0, math.inf)
        assert found.why
    elif table[2] == 0:
        assert found.estimate == found.high == math.inf
        assert found.low > 0
    else:
        assert found.low <= found.estimate <= found.high < math.inf


@edges
@pytest.mark.parametrize("method", ODDS_RATIOS)
def test_every_odds_ratio_interval_answers_at_the_edges(table, method):
    # General libraries divide by zero on all six, or print 1e-5 to 3e8 after adding half a count.
    x1, n1, x2, _ = table
    found = odds_ratio_interval(*table, method=method)
    assert found.why
    if x1 + x2 == 0:
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (0, math.inf)
    elif x1 == 0:
        assert found.estimate == found.low == 0
        assert 0 < found.high < math.inf
    else:
        assert x1 == n1
        assert found.estimate == found.high == math.inf
        assert 0 < found.low < math.inf


@edges
@pytest.mark.parametrize("method", PROPORTIONS)
def test_every_proportion_interval_answers_at_the_edges(table, method):
    for x, n in (table[:2], table[2:]):
        found = proportion_interval(x, n, method)
        assert 0 <= found.low < found.high <= 1
        assert found.low <= x / n <= found.high
        assert (found.low == 0) == (x == 0) or method == "agresti-coull"


@edges
def test_results_are_strict_json_and_one_line(table):
    found = [difference_interval(*table), ratio_interval(*table), odds_ratio_interval(*table), fisher(*table)]
    for result in found:
        assert "\n" not in str(result)
        for value in result.to_dict().values():
            assert not (isinstance(value, float) and not math.isfinite(value))


def test_no_interval_mixes_up_the_groups():
    # Lopsided on purpose: a symmetric table hides swapped groups, rows and tails.
    for method in DIFFERENCES:
        found, swapped = (difference_interval(*t, method=method) for t in ((9, 9, 14, 22), (14, 22, 9, 9)))
        assert (found.low, found.high) == pytest.approx((-swapped.high, -swapped.low), abs=1e-7)
        assert found.counts == ((9, 9), (14, 22))
        assert found.low > -0.05
    assert odds_ratio_interval(9, 9, 14, 22).high == math.inf
    assert odds_ratio_interval(14, 22, 9, 9).low == 0
    for name, test in TESTS.items():
        assert test(9, 9, 14, 22, alternative="greater").p_value < 0.1, name
        assert test(9, 9, 14, 22, alternative="less").p_value > 0.7, name


def test_groups_are_not_taken_from_columns():
    # The trap of groups as columns: for Chan's data (7/15 v 12/15) rows give .0682, columns .0598.
    assert barnard(7, 15, 12, 15).p_value == pytest.approx(0.0682, abs=1e-4)
    assert boschloo(7, 15, 12, 15).p_value == pytest.approx(0.0682, abs=1e-4)


@pytest.mark.parametrize(
    ("routine", "methods"),
    [(difference_interval, DIFFERENCES), (ratio_interval, RATIOS), (odds_ratio_interval, ODDS_RATIOS)],
)
def test_an_unknown_method_is_refused_with_those_that_exist(routine, methods):
    with pytest.raises(ValueError, match="wald") as refused:
        routine(9, 9, 14, 22, method="wald")
    assert all(method in str(refused.value) for method in methods)


def test_hostile_counts_are_refused_in_words():
    routines = [difference_interval, ratio_interval, odds_ratio_interval, *TESTS.values()]
    for routine, table in itertools.product(
        routines, [(10, 9, 14, 22), (-1, 9, 14, 22), (9, 9, 14.5, 22), (9, 9, 14, math.nan), (9, 9, "x", 22)]
    ):
        with pytest.raises(ValueError, match=r".+"):
            routine(*table)
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        difference_interval(9, 9, 14, 22, level=95)
    with pytest.raises(ValueError, match="two-sided, greater, less"):
        difference_interval(9, 9, 14, 22, method="newcombe", alternative="bigger")


def test_counts_may_come_from_numpy_and_pandas():
    counts = pd.Series([9, 9, 14, 22])
    for routine in (difference_interval, ratio_interval, odds_ratio_interval, *TESTS.values()):
        plain = routine(9, 9, 14, 22)
        assert routine(*counts) == plain or math.isnan(getattr(plain, "bound", 0.0))
        assert str(routine(*np.array([9, 9, 14, 22]))) == str(plain)
        assert str(routine(9.0, 9.0, 14.0, 22.0)) == str(plain)


def test_an_empty_group_has_no_rate_and_every_routine_says_so():
    for table in ((0, 0, 3, 5), (3, 5, 0, 0), (0, 0, 0, 0)):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for method in DIFFERENCES:
                found = difference_interval(*table, method=method)
                assert (found.low, found.high) == (-1, 1)
                assert math.isnan(found.estimate)
                assert found.why
            for routine, methods in ((ratio_interval, RATIOS), (odds_ratio_interval, ODDS_RATIOS)):
                for method in methods:
                    found = routine(*table, method=method)
                    assert (found.low, found.high) == (0, math.inf)
                    assert found.why
            for test in TESTS.values():
                found = test(*table)
                assert math.isnan(found.p_value)
                assert found.why
