"""Graded landings: the check of proportional odds, shares by cut, the better landing, and athletes who come back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.clustered import clustered_difference
from analysis.stats.ordinal import better_by_a_grade, cuts, proportional_odds, proportionality
from analysis.stats.ordinal_clusters import leave_out_athletes
from analysis.stats.ordinal_fit import maximum, read_graded
from analysis.stats.two_groups import difference_interval

BEST_FIRST = [0] * 9 + [0] * 14 + [1] * 4 + [2] * 3 + [3]
FIRST = [True] * 9 + [False] * 22


def routines_of_athletes(seed, athletes=24, most=3, spread=1.0):
    rng = np.random.default_rng(seed)
    n = rng.integers(1, most + 1, athletes)
    first = np.repeat(np.arange(athletes) < athletes // 3, n)
    latent = first + np.repeat(rng.normal(size=athletes) * spread, n) + rng.logistic(size=n.sum())
    return np.searchsorted([-1.5, -0.5, 0.5], latent), first, np.repeat(np.arange(athletes), n)


# ---------------------------------------------------------------- one odds ratio for every cut?


def test_check_finds_a_technique_that_both_sticks_and_falls_more():
    grade = [3] * 12 + [0] * 8 + [3] * 6 + [2] * 14 + [1] * 12 + [0] * 4
    found = proportionality(grade, [1] * 20 + [0] * 36)
    assert found.p_value < 0.002
    assert found.draws == 1_999
    assert "2 degrees of freedom" in found.method


def test_check_accepts_what_proportional_odds_made():
    rng = np.random.default_rng(5)
    first = np.repeat([1.0, 0.0], [9, 22])
    found = [
        proportionality(
            np.searchsorted([-2, -1, 0], 1.5 * first + rng.logistic(size=31)), first, draws=199, seed=run
        ).p_value
        for run in range(120)
    ]
    # 120 samples at size 0.05 exceed 14 once in 1,000 times.
    assert np.nansum(np.array(found) <= 0.05) <= 14


def test_check_statistic_is_the_score_test_found_by_differences():
    # Source: the definition. Score and expected information of the larger model by differences of its log-likelihood.
    rng = np.random.default_rng(11)
    X = np.column_stack([np.repeat([1.0, 0.0], [12, 28]), rng.normal(size=40)])
    grade = np.searchsorted([-1.0, 0.0, 1.2], X @ [0.8, 0.5] + rng.logistic(size=40))
    fit = proportional_odds(grade, X)
    at = np.concatenate([fit.thresholds, fit.coefficients, [0.0, 0.0]])

    def log_chances(par):
        slopes = np.outer(X[:, 0], [0.0, *par[5:]]) + (X @ par[3:5])[:, None]
        reached = 1 / (1 + np.exp(slopes - par[:3]))
        return np.log(np.diff(np.column_stack([np.zeros(40), reached, np.ones(40)])))

    step = 1e-5 * np.eye(7)
    slope = np.array([(log_chances(at + s) - log_chances(at - s)) / 2e-5 for s in step])
    chances = np.exp(log_chances(at))
    information = np.einsum("inc,jnc,nc->ij", slope, slope, chances)
    score = slope[:, np.arange(40), grade].sum(axis=1)
    expected = score @ np.linalg.solve(information, score)
    assert proportionality(grade, X, draws=99).statistic == pytest.approx(expected, rel=1e-6)


def test_check_is_the_same_for_the_same_seed_and_in_other_units():
    grade, first, _ = routines_of_athletes(3)
    X = np.column_stack([first, np.arange(len(first))])
    found = proportionality(grade, X, draws=499, seed=7)
    assert found == proportionality(grade, X, draws=499, seed=7)
    scaled = proportionality(grade, X * [2.0, 0.01] + [0.0, 2026.0], draws=499, seed=7)
    assert scaled.statistic == pytest.approx(found.statistic, rel=1e-6)


@pytest.mark.parametrize(
    ("grade", "X", "told"),
    [
        ([0, 1] * 8, [1] * 5 + [0] * 11, "fewer than three grades"),
        ([0, 1, 2, 2] * 4, [1] * 16, "says nothing that the others don't"),
        ([0, 1, 2, 2], np.empty((4, 0)), "no column to check"),
    ],
)
def test_check_says_why_there_is_nothing_to_check(grade, X, told):
    found = proportionality(grade, X)
    assert math.isnan(found.p_value)
    assert told in found.why


def test_check_under_separation_says_so():
    found = proportionality([3 - grade for grade in BEST_FIRST], FIRST, draws=499)
    assert "separation" in found.why
    assert 0 < found.p_value <= 1


def test_check_refuses_too_few_draws():
    with pytest.raises(ValueError, match="draws is 10"):
        proportionality([0, 1, 2], [0, 1, 0], draws=10)


# ---------------------------------------------------------------- shares by cut


def test_cuts_are_the_differences_of_two_rates():
    found = cuts(BEST_FIRST, FIRST)
    expected = [
        difference_interval(*counts, method="exact")
        for counts in ((9, 9, 14, 22), (9, 9, 18, 22), (9, 9, 21, 22))
    ]
    assert [(c.estimate, c.low, c.high, c.counts) for c in found] == [
        (e.estimate, e.low, e.high, e.counts) for e in expected
    ]
    assert found[1].quantity == "difference in landings of grade 1 or better"


def test_cuts_count_from_the_best_and_skip_grades_that_do_not_occur():
    found = cuts([0, 0, 5, 0, 2, 5], [True, True, True, False, False, False])
    assert [cut.quantity[-17:] for cut in found] == ["grade 0 or better", "grade 2 or better"]
    assert found[0].estimate == pytest.approx(1 / 3)
    assert found[1].estimate == pytest.approx(0)
    assert cuts([4] * 5, [True, True, False, False, False]) == ()


def test_cuts_with_athletes_are_the_clustered_differences():
    grade, first, athlete = routines_of_athletes(4)
    for k, cut in enumerate(cuts(grade, first, athlete=athlete, level=0.9)):
        expected = clustered_difference(grade <= k, first, athlete, level=0.9)
        assert (cut.estimate, cut.low, cut.high) == (expected.estimate, expected.low, expected.high)


def test_cuts_past_the_budget_say_so():
    grade = np.arange(400) % 7 % 4
    found = cuts(grade, np.arange(400) % 3 == 0)
    assert all("Miettinen" in cut.method and cut.why for cut in found)


# ---------------------------------------------------------------- better by a grade


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 4), st.booleans()), min_size=2, max_size=20).filter(
        lambda routines: 0 < sum(first for _, first in routines) < len(routines)
    ),
    st.booleans(),
)
def test_shares_are_those_of_all_pairs_and_turn_with_the_techniques(routines, clustered):
    grade, first = zip(*routines, strict=True)
    athlete = [i // 2 for i in range(len(grade))] if clustered else None
    found = better_by_a_grade(grade, first, athlete=athlete)
    one = [g for g, f in routines if f]
    two = [g for g, f in routines if not f]
    pairs = [(a, b) for a in one for b in two]
    assert found.first_better.estimate == pytest.approx(sum(a < b for a, b in pairs) / len(pairs))
    assert found.second_better.estimate == pytest.approx(sum(a > b for a, b in pairs) / len(pairs))
    assert found.tie.estimate == pytest.approx(sum(a == b for a, b in pairs) / len(pairs))
    for share in (found.first_better, found.second_better, found.tie):
        assert 0 <= share.low <= share.estimate + 1e-12
        assert share.estimate - 1e-12 <= share.high <= 1
    turned = better_by_a_grade(grade, [not f for f in first], athlete=athlete)
    assert turned.second_better.low == pytest.approx(found.first_better.low, abs=1e-9)
    assert turned.second_better.high == pytest.approx(found.first_better.high, abs=1e-9)


def test_shares_of_nine_of_nine():
    found = better_by_a_grade(BEST_FIRST, FIRST)
    assert found.first_better.estimate == pytest.approx(8 / 22)
    assert found.second_better.estimate == 0
    assert 0.1 < found.second_better.high < 0.35
    assert "first technique better by a grade or more 0.3636" in str(found)
    assert set(found.to_dict()) == {"first_better", "second_better", "tie"}


def test_one_grade_for_all_is_a_tie_with_limits():
    found = better_by_a_grade([2] * 31, FIRST)
    assert found.tie.estimate == 1
    assert 0.5 < found.tie.low < 0.9
    assert found.first_better.low == 0


def test_athletes_widen_the_shares():
    grade, first, athlete = routines_of_athletes(6, spread=3.0)
    alone, counted = better_by_a_grade(grade, first), better_by_a_grade(grade, first, athlete=athlete)
    assert counted.first_better.estimate == alone.first_better.estimate
    assert (
        counted.first_better.high - counted.first_better.low
        > alone.first_better.high - alone.first_better.low
    )


# ---------------------------------------------------------------- the model when athletes come back


def test_leaving_each_athlete_out_is_what_refitting_finds_to_first_order():
    grade, first, athlete = routines_of_athletes(9, athletes=60)
    codes, _, design = read_graded(grade, first.astype(float))
    model, peak, _ = maximum(codes, design)
    robust = leave_out_athletes(model, peak, athlete)
    estimate = proportional_odds(grade, first).coefficients[0]
    shifts = [
        proportional_odds(grade[athlete != c], first[athlete != c]).coefficients[0] - estimate
        for c in range(60)
    ]
    scale = model.scale[0]
    assert robust.variances[-1] / scale**2 == pytest.approx(np.square(shifts).sum(), rel=0.05)
    assert (robust.athletes, robust.df) == (60, 58)


def test_routines_copied_within_athletes_add_nothing():
    grade, first, athlete = routines_of_athletes(12, athletes=40, most=1)
    once = proportional_odds(grade, first, athlete=athlete)
    thrice = proportional_odds(np.repeat(grade, 3), np.repeat(first, 3), athlete=np.repeat(athlete, 3))
    assert thrice.coefficients == pytest.approx(once.coefficients, abs=1e-8)
    assert thrice.standard_errors == pytest.approx(once.standard_errors, rel=1e-6)
    assert thrice.p_values == pytest.approx(once.p_values, rel=1e-5)
    plain = proportional_odds(np.repeat(grade, 3), np.repeat(first, 3))
    assert plain.standard_errors[0] < 0.7 * thrice.standard_errors[0]
    assert "40 athletes, t with 38 degrees of freedom" in thrice.method


def test_a_column_that_rests_on_one_athlete_says_so():
    grade, first, athlete = routines_of_athletes(15, most=3)
    alone = athlete == athlete[-1]
    fit = proportional_odds(grade, np.column_stack([first, alone]), athlete=athlete)
    assert math.isfinite(fit.standard_errors[0])
    assert math.isnan(fit.standard_errors[1])
    assert "rests on one athlete alone" in fit.reasons[1]


def test_separated_with_athletes_is_finite_and_not_surer_than_the_model():
    grade, first = [3] * 9 + [3] * 14 + [2] * 4 + [1] * 3 + [0], FIRST
    plain = proportional_odds(grade, first)
    fit = proportional_odds(grade, first, athlete=[i // 2 for i in range(31)])
    assert fit.coefficients == plain.coefficients
    assert fit.standard_errors[0] >= plain.standard_errors[0] - 1e-9
    assert fit.intervals[0][0] < plain.intervals[0][0]


def test_athletes_who_each_show_both_techniques_alike_say_nothing_about_the_spread():
    fit = proportional_odds([0, 0, 1, 1, 2, 2, 3, 3], [1, 0] * 4, athlete=[0, 0, 1, 1, 2, 2, 3, 3])
    assert fit.coefficients[0] == pytest.approx(0, abs=1e-9)
    assert "no athlete moves it" in fit.reasons[0]
