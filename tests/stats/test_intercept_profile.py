"""Profile limits of the random-intercept model against lme4, the equation that defines them, and their edges."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import chi2, norm

from analysis.stats.intercept_likelihood import Likelihood
from analysis.stats.logistic import maximum_likelihood
from analysis.stats.random_intercept import athletes_sd, random_intercept

REFERENCE = Path(__file__).parents[1] / "reference" / "clustered_models"
SETS = dict(list(pd.read_csv(REFERENCE / "generated.csv").groupby("set")))
LME4 = pd.read_csv(REFERENCE / "intercept.csv").set_index("set")


@pytest.mark.parametrize("number", range(1, 13))
def test_lme4_glmer_25_points_on_generated_sets(number):
    # lme4 1.1-31, R 4.2.2: make_reference.R. Its limits are interpolated, which shows where they come near to sd 0.
    rows, lme4 = SETS[number], LME4.loc[number]
    X = rows[["first", "difficulty"]]
    fit = random_intercept(rows["stuck"], X, rows["athlete"], columns=["first"])
    spread = athletes_sd(rows["stuck"], X, rows["athlete"])
    assert fit.coefficients == pytest.approx(
        lme4[["X.Intercept.", "first", "difficulty"]], rel=1e-4, abs=1e-4
    )
    assert fit.sd == pytest.approx(lme4["sd"], abs=1e-4)
    assert fit.log_likelihood == pytest.approx(lme4["log_likelihood"], abs=1e-5)
    assert fit.standard_errors[1] == pytest.approx(lme4["first_error"], rel=1e-4)
    assert fit.intervals[1] == pytest.approx(lme4[["first_low", "first_high"]], abs=5e-4)
    assert spread.estimate == fit.sd
    assert (spread.low, spread.high) == pytest.approx(
        lme4[["sd_low", "sd_high"]], abs=0.03 if number == 1 else 2e-3
    )
    assert fit.reasons[0] == fit.reasons[2] == "Wald interval and p-value"


def test_at_a_limit_the_likelihood_has_fallen_by_half_a_chi_squared_quantile():
    rows = SETS[7]
    X = rows[["first", "difficulty"]].to_numpy(float)
    fit = random_intercept(rows["stuck"], X, rows["athlete"])
    # with the coefficient put in as a fixed part of the logit, nothing is left of it in the model
    likelihood = Likelihood(rows["stuck"].to_numpy(), X, rows["athlete"].to_numpy() - 1, 25)
    for place in (1, 2):
        for limit in fit.intervals[place]:
            assert _highest(likelihood, place, limit, fit) == pytest.approx(
                fit.log_likelihood - chi2.isf(0.05, 1) / 2, abs=1e-4
            )
        null = _highest(likelihood, place, 0.0, fit)
        assert fit.p_values[place] == pytest.approx(chi2.sf(2 * (fit.log_likelihood - null), 1), abs=1e-4)


def _highest(likelihood, place, value, fit):
    """The largest log-likelihood with one coefficient held, by another search that uses no gradient."""
    from scipy.optimize import minimize

    start = np.array([*fit.coefficients, fit.sd])
    free = [k for k in range(len(start)) if k != place]

    def loss(part):
        theta = start.copy()
        theta[free], theta[place] = part, value
        return -likelihood(theta)

    found = minimize(
        loss, start[free], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000}
    )
    return -found.fun


@pytest.mark.parametrize("points", [1, 3, 9, 25])
def test_the_gradient_is_that_of_the_quadrature_itself(points):
    rows = SETS[3]
    X = rows[["first", "difficulty"]].to_numpy(float) - [0, 5.4]
    likelihood = Likelihood(rows["stuck"].to_numpy(), X, rows["athlete"].to_numpy() - 1, points)
    at = np.array([0.3, 0.8, -0.6, 1.4])
    steps = 1e-5 * np.eye(4)
    differences = [(likelihood(at + step) - likelihood(at - step)) / 2e-5 for step in steps]
    assert likelihood.with_gradient(at)[1] == pytest.approx(differences, abs=1e-6)


def test_a_search_for_modes_that_could_go_round_in_circles_settles():
    # Newton's method went to and fro between the two ends of its bracket, and the log-likelihood came out .03 too high.
    y = np.array([1, 0, 0, 1, 1, 1, 1, 1, 0, 0, 0, 1, 0, 1, 1, 1, 0])
    athlete = np.array([0, 1, 2, 3, 3, 3, 3, 3, 4, 5, 5, 5, 5, 5, 6, 6, 7])
    first = (athlete < 3) * 1.0
    X = ((first - first.mean()) / first.std())[:, None]
    theta = np.array([-0.32067641, -1.50846485, 8.661545806446135])
    u = np.linspace(-9, 9, 20_001)
    total = 0.0
    for code in range(8):
        rows = athlete == code
        chance = expit(theta[0] + X[rows] * theta[1] + theta[2] * u)
        each = np.where(y[rows][:, None] == 1, chance, 1 - chance).prod(axis=0)
        total += math.log(float((each * norm.pdf(u)).sum() * (u[1] - u[0])))
    assert Likelihood(y, X, athlete, 100)(theta) == pytest.approx(total, abs=2e-3)
    assert Likelihood(y, X, athlete, 25)(theta) == pytest.approx(total, abs=2e-2)


def test_where_the_sd_is_0_the_profile_still_weighs_larger_ones():
    rng = np.random.default_rng(5)
    athlete = np.tile(np.arange(13), 3)
    y = np.concatenate([np.ones(13), np.zeros(13), rng.integers(0, 2, 13)]).astype(int)
    X = (athlete < 4).astype(int)
    fit, plain = random_intercept(y, X, athlete), maximum_likelihood(y, X)
    spread = athletes_sd(y, X, athlete)
    assert (fit.sd, spread.estimate, spread.low, spread.p_value) == (0, 0, 0, 1)
    assert 0 < spread.high < 1
    assert fit.intervals[1][0] <= plain.intervals[1][0] + 0.1
    rows = SETS[12]  # lme4: sd 0
    assert random_intercept(rows["stuck"], rows["first"], rows["athlete"]).sd == 0


def test_a_profile_without_a_limit_is_said():
    # one of seven athletes contradicts themself: an ever larger sd explains an ever larger difference
    counts = [3, 3, 3, 0, 0, 3, 2]
    y = [int(i < count) for count in counts for i in range(3)]
    fit = random_intercept(y, [1] * 9 + [0] * 12, np.repeat(np.arange(7), 3), names=["first"], points=60)
    assert "separation" in fit.why  # the first technique is all stuck: named before anything is fitted
    counts = [3, 3, 0, 3, 0, 0, 3, 2, 0]
    y = [int(i < count) for count in counts for i in range(3)]
    fit = random_intercept(y, [1] * 12 + [0] * 15, np.repeat(np.arange(9), 3), names=["first"], points=60)
    assert fit.intervals[1][1] == math.inf
    assert "no upper limit" in fit.reasons[1]
    assert 0 < fit.p_values[1] < 1


def test_columns_choose_what_is_profiled():
    rows = SETS[5]
    X = rows[["first", "difficulty"]]
    every = random_intercept(rows["stuck"], X, rows["athlete"])
    one = random_intercept(rows["stuck"], X, rows["athlete"], columns=[0])
    none = random_intercept(rows["stuck"], X, rows["athlete"], columns=[])
    assert one.intervals[1] == every.intervals[1]
    assert one.intervals[2] == none.intervals[2] != every.intervals[2]
    assert every.reasons == none.reasons == ()
    assert "Wald" in none.method
    assert "profile" in every.method
    assert none.intervals[1][1] - none.coefficients[1] == pytest.approx(
        1.959964 * none.standard_errors[1], abs=1e-5
    )
    with pytest.raises(ValueError, match="columns has 'second'"):
        random_intercept(rows["stuck"], X, rows["athlete"], columns="second")


def test_profile_limits_follow_the_units():
    rows = SETS[4]
    X = rows[["first", "difficulty"]].to_numpy(float)
    plain = random_intercept(rows["stuck"], X, rows["athlete"])
    scaled = random_intercept(rows["stuck"], X * [1, 1000] + [2026, 0], rows["athlete"])
    assert scaled.intervals[1] == pytest.approx(plain.intervals[1], abs=1e-4)
    assert np.array(scaled.intervals[2]) * 1000 == pytest.approx(plain.intervals[2], abs=1e-4)
    turned = random_intercept(1 - rows["stuck"], X, rows["athlete"])
    assert turned.intervals[1] == pytest.approx([-limit for limit in plain.intervals[1][::-1]], abs=1e-4)


def test_an_interval_leaves_out_0_exactly_when_its_test_rejects():
    rng = np.random.default_rng(8)
    rejected = 0
    for _ in range(25):
        athlete = np.repeat(np.arange(15), rng.integers(1, 5, 15))
        first = rng.integers(0, 2, len(athlete))
        y = (rng.random(len(athlete)) < expit(1.2 * first + rng.normal(size=15)[athlete])).astype(int)
        fit = random_intercept(y, first, athlete, columns=[0])
        if fit.why.startswith(("separation", "the spread")):
            continue
        low, high = fit.intervals[1]
        assert low < fit.coefficients[1] < high
        assert (low > 0 or high < 0) == (fit.p_values[1] <= 0.05)
        rejected += fit.p_values[1] <= 0.05
    assert 3 < rejected < 22


def test_no_answer_has_no_spread_either():
    stuck, athlete = [1] * 9 + [1] * 14 + [0] * 8, [i // 2 for i in range(31)]
    found = athletes_sd(stuck, [1] * 9 + [0] * 22, athlete, names=["piked"])
    assert math.isnan(found.estimate)
    assert math.isnan(found.p_value)
    assert "piked" in found.why
    y = np.repeat([1, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1], 3)
    endless = athletes_sd(y, np.repeat([1] * 5 + [0] * 6, 3), np.repeat(np.arange(11), 3))
    assert endless.estimate == math.inf
    assert "always or never" in endless.why
