"""Exact power, sample size, the normal approximation and the expected width of an interval."""

import csv
import json
import math
import pickle
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from analysis.stats.budget import Budget
from analysis.stats.conditional import fisher, fisher_p
from analysis.stats.expected_width import expected_width
from analysis.stats.power import exact_power, sample_size
from analysis.stats.power_normal import normal_power, normal_sample_size
from analysis.stats.rejected_tables import TESTS, alpha_fraction, binomial, region_size, rejected_tables
from analysis.stats.two_groups import barnard, boschloo, difference_interval

REFERENCE = Path(__file__).parents[1] / "reference" / "power"
SIDES = ("two-sided", "greater", "less")


def rows(name):
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


def p_of(test, x1, n1, x2, n2, side):
    if test in ("barnard", "boschloo"):
        return Fraction({"barnard": barnard, "boschloo": boschloo}[test](x1, n1, x2, n2, side).p_value)
    return fisher_p(x1, n1, x2, n2, side, test == "fisher mid-p")


# Published and reference values


def test_exact_fisher_power_of_the_statmod_help_page():
    # R package statmod, help page of power.fisher.test: .5 v .9 with 20 and 20; the exact value was recomputed.
    found = exact_power(0.5, 0.9, 20, 20, test="fisher")
    assert found == pytest.approx(0.74239, abs=5e-6)
    assert found.power == pytest.approx(0.74239, abs=5e-6)


def test_exact_power_of_the_uncorrected_chi_square_stands_above_fishers():
    # The same page's case: the Pearson test's region, exactly weighted, is .83804 (recomputed with R).
    x1, x2 = np.arange(21)[:, None], np.arange(21)[None, :]
    with np.errstate(invalid="ignore"):
        z2 = 40 * (20.0 * x1 - 20.0 * x2) ** 2 / (400 * (x1 + x2) * (40 - x1 - x2))
    region = np.nan_to_num(z2) >= 3.841458820694124
    pearson = binom.pmf(np.arange(21), 20, 0.5) @ region @ binom.pmf(np.arange(21), 20, 0.9)
    assert pearson == pytest.approx(0.83804, abs=5e-6)
    # Barnard's region is one of the same family, cut where its size is at most .05.
    assert 0.74239 < exact_power(0.5, 0.9, 20, 20, test="barnard") <= pearson


@pytest.mark.parametrize("case", rows("fisher_power.csv"))
def test_fisher_power_against_rs_fisher_test_on_every_table(case):
    found = exact_power(
        float(case["p1"]),
        float(case["p2"]),
        int(case["n1"]),
        int(case["n2"]),
        "fisher",
        float(case["alpha"]),
        case["alternative"],
    )
    assert found.power == pytest.approx(float(case["power"]), abs=1e-12)


@pytest.mark.parametrize("case", rows("normal.csv"))
def test_normal_power_against_rs_power_prop_test(case):
    n = int(case["n"])
    found = normal_power(float(case["p1"]), float(case["p2"]), n, n, float(case["alpha"]))
    assert found == pytest.approx(float(case["power"]), abs=1e-12)


def test_normal_power_of_the_r_help_page():
    # R, help page of power.prop.test: n = 50, .50 v .75 gives .740 (.7401659, one tail only).
    assert normal_power(0.5, 0.75, 50, 50) == pytest.approx(0.7401659, abs=2e-6)


def test_normal_sample_sizes_of_the_r_help_page_and_statsmodels():
    # R, help page of power.prop.test: power .90 gives n = 76.7; statsmodels' own test compares 76.70692 with R.
    assert normal_sample_size(0.5, 0.75, 0.9) == pytest.approx(76.70692, abs=5e-5)
    # statsmodels, tests of proportion: difference -.15 from .65, power .5 with both tails, n = 83.4373.
    assert normal_power(0.5, 0.65, 83.4373, 83.4373) == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("p1", "p2", "power", "plain", "corrected"),
    [
        # Casagrande, Pike & Smith 1978: the published formula, values computed from it with R.
        (0.60, 0.70, 0.8, 355.9, 376),
        (0.25, 0.40, 0.9, 202.8, 216),
        (0.50, 0.75, 0.9, 76.7, 85),
        (0.10, 0.20, 0.8, 199.0, 219),
        (0.10, 0.30, 0.8, 61.6, 72),
        (0.20, 0.50, 0.8, 38.5, 45),
        (0.40, 0.80, 0.9, 29.4, 35),
    ],
)
def test_casagrande_pike_smith_1978_sizes(p1, p2, power, plain, corrected):
    assert normal_sample_size(p1, p2, power) == pytest.approx(plain, abs=0.051)
    assert math.ceil(normal_sample_size(p1, p2, power, corrected=True)) == corrected


def test_the_corrected_size_of_unequal_groups_turns_into_the_equal_one():
    # Fleiss, Tytun & Ury 1980 at ratio 1 is Casagrande, Pike & Smith; swapping the groups swaps the sizes.
    lopsided = normal_sample_size(0.9, 0.6, ratio=2.5, corrected=True)
    assert lopsided * 2.5 == pytest.approx(normal_sample_size(0.6, 0.9, ratio=0.4, corrected=True), rel=1e-12)
    assert lopsided < normal_sample_size(0.9, 0.6, corrected=True) < 2.5 * lopsided


# The region of all tables against the tests themselves


@pytest.mark.parametrize(("n1", "n2"), [(1, 4), (3, 3), (4, 7), (9, 6), (5, 14)])
@pytest.mark.parametrize("test", TESTS)
def test_region_is_that_of_calling_the_test_on_every_table(test, n1, n2):
    # Once by hand for fifteen pairs of sizes to 18, four tests, three sides and six alphas: 1,080 regions, none off.
    for side in SIDES:
        p = [[p_of(test, x1, n1, x2, n2, side) for x2 in range(n2 + 1)] for x1 in range(n1 + 1)]
        for alpha in (0.05, 0.1, 0.2, 0.99):
            wanted = [[value <= alpha_fraction(alpha) for value in row] for row in p]
            assert rejected_tables(n1, n2, test, alpha, side).tolist() == wanted, (side, alpha)


def test_a_p_that_equals_alpha_exactly_rejects():
    # 3 of 3 against 0 of 3: Fisher's one-sided p is 1/20, and 0.05 means 1/20.
    assert fisher_p(3, 3, 0, 3, "greater") == Fraction(1, 20)
    assert exact_power(1, 0, 3, 3, test="fisher", alternative="greater").power == 1
    assert exact_power(1, 0, 3, 3, test="fisher", alternative="two-sided").power == 0


@pytest.mark.parametrize("test", TESTS)
def test_power_is_the_sum_over_all_tables(test):
    n1, n2, p1, p2 = 7, 12, 0.85, 0.35
    total = sum(
        binom.pmf(x1, n1, p1) * binom.pmf(x2, n2, p2)
        for x1 in range(n1 + 1)
        for x2 in range(n2 + 1)
        if p_of(test, x1, n1, x2, n2, "two-sided") <= Fraction(1, 20)
    )
    assert exact_power(p1, p2, n1, n2, test).power == pytest.approx(total, abs=1e-13)


@pytest.mark.parametrize("alternative", SIDES)
@pytest.mark.parametrize("test", ["boschloo", "barnard", "fisher"])
@pytest.mark.parametrize(("n1", "n2"), [(9, 22), (30, 30), (41, 17)])
def test_size_never_exceeds_alpha(test, n1, n2, alternative):
    found = exact_power(0.9, 0.6, n1, n2, test, 0.05, alternative)
    assert found.size <= 0.05 * (1 + 1e-9)
    rates = np.linspace(0, 1, 301)
    reached = max(exact_power(rate, rate, n1, n2, test, 0.05, alternative).power for rate in rates[::10])
    assert reached <= found.size + 1e-12


def test_mid_p_can_exceed_alpha_and_says_so_in_its_size():
    # Its region at 50 and 50 has size .0569: the reason why no mid-p is a headline.
    assert exact_power(0.5, 0.5, 50, 50, "fisher mid-p").size == pytest.approx(0.05689, abs=1e-5)


@pytest.mark.parametrize(("n1", "n2"), [(9, 22), (25, 14), (30, 30)])
def test_boschloo_rejects_whatever_fisher_rejects(n1, n2):
    for side in SIDES:
        smaller = rejected_tables(n1, n2, "fisher", 0.05, side)
        larger = rejected_tables(n1, n2, "boschloo", 0.05, side)
        assert not (smaller & ~larger).any()
        assert larger.sum() > smaller.sum()


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(TESTS),
    st.integers(1, 16),
    st.integers(1, 16),
    st.floats(0, 1),
    st.floats(0, 1),
    st.sampled_from([0.01, 0.05, 0.1]),
)
def test_swapping_groups_or_successes_keeps_the_power(test, n1, n2, p1, p2, alpha):
    there = exact_power(p1, p2, n1, n2, test, alpha, "greater").power
    assert exact_power(p2, p1, n2, n1, test, alpha, "less").power == pytest.approx(there, abs=1e-12)
    assert exact_power(1 - p1, 1 - p2, n1, n2, test, alpha, "less").power == pytest.approx(there, abs=1e-12)
    both = exact_power(p1, p2, n1, n2, test, alpha).power
    assert exact_power(1 - p1, 1 - p2, n1, n2, test, alpha).power == pytest.approx(both, abs=1e-12)
    assert exact_power(p2, p1, n2, n1, test, alpha).power == pytest.approx(both, abs=1e-12)


def test_two_hundred_a_group_agrees_with_the_tests_at_the_border():
    n = 200
    region = rejected_tables(n, n - 3, "boschloo", 0.05, "two-sided")
    for x2 in (20, 90, 141):
        column = np.flatnonzero(region[:, x2])
        above = int(column[column > x2][0])
        assert boschloo(above, n, x2, n - 3).p_value <= 0.05 < boschloo(above - 1, n, x2, n - 3).p_value
    assert region_size(region) == pytest.approx(0.05, abs=1e-3)


# What a power is, and what is refused


def test_power_is_a_number_and_a_result():
    found = exact_power(0.9, 0.6, 9, 22)
    assert float(found) == found.power == found
    assert found != 0.8
    assert found < 0.5
    assert f"{found:.3f}" == "0.377"
    assert pickle.loads(pickle.dumps(found)).n2 == 22
    assert json.loads(json.dumps(found.to_dict()))["test"] == "boschloo"
    assert "0.3766" in found._repr_html_()
    with pytest.raises(AttributeError):
        found.power = 1.0


def test_power_at_the_edges_of_the_scale():
    assert exact_power(0, 0, 9, 22).power == 0
    assert exact_power(1, 0, 9, 22).power == 1
    assert exact_power(0.9, 0.6, 1, 1).power == 0
    assert exact_power(np.float64(0.9), 0.6, np.int64(9), np.int64(22)) == exact_power(0.9, 0.6, 9, 22)


def test_a_rate_next_to_nothing_is_no_overflow():
    # scipy's binomial probabilities overflow at the smallest normal float.
    assert exact_power(0, 2.2250738585072014e-308, 1, 4).power == 0
    assert exact_power(1, 5e-324, 9, 22).power == pytest.approx(1)
    assert expected_width(5e-324, 0.6, 9, 22).width == pytest.approx(expected_width(0, 0.6, 9, 22).width)


@pytest.mark.parametrize(("n", "rate"), [(1, 0.3), (9, 0.999), (200, 0.02), (2000, 0.61)])
def test_binomial_probabilities_against_scipy(n, rate):
    assert binomial(n, rate) == pytest.approx(binom.pmf(np.arange(n + 1), n, rate), rel=1e-10, abs=1e-300)


def test_design_effect_divides_the_routines_and_rounds_down():
    found = exact_power(0.9, 0.6, 15, 36, design_effect=1.6)
    assert (found.n1, found.effective_n1, found.effective_n2) == (15, 9, 22)
    assert found == exact_power(0.9, 0.6, 9, 22)
    # 1.1 is not a float: eleven routines at 1.1 are worth ten, not nine.
    assert exact_power(0.9, 0.6, 11, 22, design_effect=1.1).effective_n1 == 10
    assert sample_size(0.9, 0.6, design_effect=1.6).n1 == math.ceil(1.6 * sample_size(0.9, 0.6).n1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"p1": 1.2}, "p1 is 1.2; a rate lies between 0 and 1"),
        ({"p2": float("nan")}, "p2 is nan"),
        ({"n1": 0}, "leave a group without an independent routine"),
        ({"n1": 2.5}, "counts are whole numbers"),
        ({"n2": 3, "design_effect": 4}, "leave a group without"),
        ({"design_effect": 0.5}, "it is at least 1"),
        ({"alpha": 0}, "alpha is 0; it lies strictly between 0 and 1"),
        ({"test": "chi-square"}, "is not one of boschloo, barnard, fisher, fisher mid-p"),
        ({"alternative": "more"}, "is not one of two-sided, greater, less"),
    ],
)
def test_power_refuses_what_it_cannot_mean(arguments, words):
    with pytest.raises(ValueError, match=words):
        exact_power(**{"p1": 0.9, "p2": 0.6, "n1": 9, "n2": 22, **arguments})


def test_past_the_budget_the_normal_approximation_says_so():
    small = Budget(operations=1e3)
    found = exact_power(0.9, 0.6, 40, 70, budget=small)
    assert "normal approximation" in found.why
    assert math.isnan(found.size)
    assert found == pytest.approx(exact_power(0.9, 0.6, 40, 70).power, abs=0.03)
    size = sample_size(0.9, 0.6, budget=small)
    assert "normal approximation" in size.why
    assert size.checked == ()
    assert abs(size.n1 - sample_size(0.9, 0.6).n1) <= 3
    assert sample_size(0.5, 0.52).why


# Sample size


@pytest.mark.parametrize(
    ("p1", "p2", "power", "ratio", "test", "alternative"),
    [
        (0.9, 0.6, 0.8, 1, "boschloo", "two-sided"),
        (0.9, 0.6, 0.8, 2.5, "barnard", "two-sided"),
        (0.95, 0.5, 0.9, 0.4, "boschloo", "greater"),
        (0.6, 0.95, 0.8, 1, "fisher", "two-sided"),
        (1.0, 0.7, 0.8, 1, "fisher mid-p", "two-sided"),
    ],
)
def test_sample_size_against_every_size_from_one_on(p1, p2, power, ratio, test, alternative):
    found = sample_size(p1, p2, power, ratio, test, 0.05, alternative)
    most = found.checked[1] + 3
    holds = [
        exact_power(p1, p2, n, math.ceil(ratio * n), test, 0.05, alternative).power >= power
        for n in range(1, most + 1)
    ]
    assert found.first_n1 == holds.index(True) + 1
    assert found.n1 == most - holds[::-1].index(False) + 1
    assert found.n2 == math.ceil(found.n1 * ratio)
    assert found.power == exact_power(p1, p2, found.n1, found.n2, test, 0.05, alternative).power >= power
    assert tuple(found) == (found.n1, found.n2)


def test_the_saw_has_two_answers():
    # 102 routines have the power, 103 don't again; from 108 on all do (checked to 219 by hand).
    found = sample_size(0.6, 0.4, test="fisher")
    assert (found.first_n1, found.n1) == (102, 108)
    assert exact_power(0.6, 0.4, 102, 102, "fisher") >= 0.8 > exact_power(0.6, 0.4, 103, 103, "fisher")
    assert exact_power(0.6, 0.4, 107, 107, "fisher") < 0.8
    low, high = found.checked
    assert low <= 92 < 118 <= high


def test_rare_landings_have_wide_teeth():
    # 99 % against 90 %: 92 routines have the power, 99 don't. (5 % against 0.1 %: 146 and 166, by hand.)
    found = sample_size(0.99, 0.9)
    assert (found.first_n1, found.n1) == (92, 100)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"p2": 0.9}, "there is no difference on that side"),
        ({"alternative": "less"}, "there is no difference on that side"),
        ({"power": 1}, "power is 1; it lies strictly between 0 and 1"),
        ({"ratio": 0}, "ratio is 0; it is a finite number above 0"),
    ],
)
def test_sample_size_refuses_what_it_cannot_mean(arguments, words):
    with pytest.raises(ValueError, match=words):
        sample_size(**{"p1": 0.9, "p2": 0.6, **arguments})


# Expected width


@pytest.mark.parametrize("method", ["newcombe", "miettinen-nurminen"])
@pytest.mark.parametrize(("p1", "p2", "n1", "n2"), [(0.9, 0.6, 9, 13), (1.0, 0.6, 6, 4), (0.0, 0.3, 5, 2)])
def test_expected_width_is_the_mean_over_all_tables(method, p1, p2, n1, n2):
    width = outside = 0.0
    for x1 in range(n1 + 1):
        for x2 in range(n2 + 1):
            chance = binom.pmf(x1, n1, p1) * binom.pmf(x2, n2, p2)
            interval = difference_interval(x1, n1, x2, n2, method)
            width += chance * (interval.high - interval.low)
            outside += chance * (interval.low > 0 or interval.high < 0)
    found = expected_width(p1, p2, n1, n2, method)
    assert found.width == pytest.approx(width, abs=1e-9)
    assert found.half_width == found.width / 2
    assert found.excludes_zero == pytest.approx(outside, abs=1e-12)


def test_four_times_the_routines_halve_the_width():
    small, large = (expected_width(0.8, 0.6, n, n, "newcombe").width for n in (100, 400))
    assert large / small == pytest.approx(0.5, abs=0.01)


def test_expected_width_refuses_what_it_cannot_mean():
    with pytest.raises(ValueError, match="both groups need at least one routine"):
        expected_width(0.9, 0.6, 0, 22)
    with pytest.raises(ValueError, match="is not one of newcombe, miettinen-nurminen"):
        expected_width(0.9, 0.6, 9, 22, method="exact")
    with pytest.raises(ValueError, match=r"p1 is -0\.1"):
        expected_width(-0.1, 0.6, 9, 22)


def test_fisher_and_boschloo_part_on_9_of_9_against_14_of_22():
    assert not rejected_tables(9, 22, "fisher", 0.05, "two-sided")[9, 14]
    assert fisher(9, 9, 14, 22).p_value > 0.05
    assert rejected_tables(9, 22, "boschloo", 0.05, "two-sided")[9, 14]
    assert boschloo(9, 9, 14, 22).p_value <= 0.05
