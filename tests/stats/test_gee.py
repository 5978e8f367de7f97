"""Estimating equations against geepack and statsmodels, small samples against simulation, and what must be refused."""

from __future__ import annotations

import math
import re
import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.genmod.cov_struct import Exchangeable
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_estimating_equations import GEE

from analysis.stats.gee import gee
from analysis.stats.logistic import maximum_likelihood

REFERENCE = Path(__file__).parents[1] / "reference" / "clustered_models"
SETS = dict(list(pd.read_csv(REFERENCE / "generated.csv").groupby("set")))
GEEPACK = dict(list(pd.read_csv(REFERENCE / "gee.csv").groupby("set")))


def correlation(fit):
    return float(re.search(r"working correlation (-?[\d.]+)", fit.method).group(1))


def respiratory():
    table = pd.read_csv(REFERENCE / "respiratory.csv")
    X = pd.DataFrame(
        {
            "centre": table["center"],
            "placebo": (table["treat"] == "P").astype(int),
            "male": (table["sex"] == "M").astype(int),
            "age": table["age"],
            "baseline": table["baseline"],
        }
    )
    return table, X


def check(fit, reference):
    """Estimates and the working correlation; the errors of `gee` are corrected for few athletes, so larger."""
    assert fit.coefficients == pytest.approx(reference["estimate"].to_numpy(), abs=1e-5)
    assert correlation(fit) == pytest.approx(reference["correlation"].iloc[0], abs=1e-4)
    assert all(np.array(fit.standard_errors) > reference["error"].to_numpy())


@pytest.mark.parametrize("number", range(1, 13))
def test_geepack_exchangeable_on_generated_sets(number):
    # geepack 1.3.9, R 4.2.2: make_reference.R
    rows = SETS[number]
    check(gee(rows["stuck"], rows[["first", "difficulty"]], rows["athlete"]), GEEPACK[str(number)])


def test_geepack_ohio():
    # published-examples section 11: -1.9005 (.1191), -.1412 (.0582), .3138 (.1878), .0708 (.0883), alpha .355
    table = pd.read_csv(REFERENCE / "ohio.csv")
    X = np.column_stack([table["age"], table["smoke"], table["age"] * table["smoke"]])
    fit = gee(table["resp"], X, table["id"])
    assert fit.coefficients == pytest.approx((-1.9005, -0.1412, 0.3138, 0.0708), abs=5e-5)
    assert fit.standard_errors == pytest.approx((0.1191, 0.0582, 0.1878, 0.0883), rel=0.01)
    check(fit, GEEPACK["ohio"])


def test_geepack_respiratory_where_ids_start_anew_in_each_centre():
    # published-examples section 11: .6495, -1.2654 (.3467), -.1368, -.0188, 1.8457; alpha .329
    table, X = respiratory()
    fit = gee(table["outcome"], X, table["id"], within=table["center"])
    assert fit.coefficients[1:] == pytest.approx((0.6495, -1.2654, -0.1368, -0.0188, 1.8457), abs=5e-5)
    check(fit, GEEPACK["respiratory"])
    assert fit == gee(table["outcome"], X, list(zip(table["center"], table["id"], strict=True)))

    one_person_for_two = gee(table["outcome"], X, table["id"])
    check(one_person_for_two, GEEPACK["respiratory id alone"])
    assert one_person_for_two.coefficients[2] != pytest.approx(fit.coefficients[2], abs=0.05)


@pytest.mark.parametrize("number", [1, 3, 8, 12])
def test_statsmodels_bias_reduced_covariance(number):
    rows = SETS[number]
    X = np.column_stack([np.ones(len(rows)), rows[["first", "difficulty"]] - [0, 5.4]])
    other = GEE(
        rows["stuck"].to_numpy(), X, groups=rows["athlete"], family=Binomial(), cov_struct=Exchangeable()
    ).fit(cov_type="bias_reduced", ddof_scale=0, maxiter=300, ctol=1e-9)
    fit = gee(rows["stuck"], X[:, 1:], rows["athlete"])
    assert fit.standard_errors == pytest.approx(other.bse, rel=1e-6)


def test_degrees_of_freedom_by_the_full_matrices():
    # Satterthwaite's, written out with one large hat matrix instead of one p x p matrix an athlete
    rows = SETS[2]
    X = np.column_stack([np.ones(len(rows)), rows["first"]])
    fit = gee(rows["stuck"], rows["first"], rows["athlete"])
    alpha, athlete = correlation(fit), rows["athlete"].to_numpy()
    rate = 1 / (1 + np.exp(-X @ np.array(fit.coefficients)))
    alike = np.where(athlete[:, None] == athlete, alpha, 0.0)
    np.fill_diagonal(alike, 1)
    root = np.sqrt(rate * (1 - rate))
    half = np.linalg.inv(np.linalg.cholesky(alike))
    D = half @ (X * root[:, None])
    A = np.linalg.inv(D.T @ D)
    H = D @ A @ D.T
    G = []
    for code in np.unique(athlete):
        own = athlete == code
        weights = np.zeros(len(D))
        weights[own] = np.linalg.solve(np.eye(own.sum()) - H[np.ix_(own, own)], D[own] @ A[:, 1])
        G.append((np.eye(len(D)) - H) @ weights)
    P = np.array(G) @ np.array(G).T
    freedom = np.trace(P) ** 2 / np.trace(P @ P)
    reached = fit.intervals[1][1] - fit.coefficients[1]
    assert reached == pytest.approx(stats.t.isf(0.025, freedom) * fit.standard_errors[1], rel=1e-3)
    assert freedom < 10


def test_separation_is_named_and_nothing_is_printed():
    # measured.md: a general library prints 23.0 (SE .555), converged, no warning
    fit = gee([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, [i // 2 for i in range(31)], names=["piked"])
    assert all(math.isnan(value) for value in (*fit.coefficients, *fit.standard_errors, *fit.p_values))
    assert "piked" in fit.why
    assert "rows 0, 1, 2" in fit.why
    assert "every outcome is 1" in gee([1] * 8, [0, 1] * 4, [0, 0, 1, 1, 2, 2, 3, 3]).why


def test_no_athlete_comes_back():
    y, X = [1] * 8 + [0] + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22
    fit, plain = gee(y, X, range(31)), maximum_likelihood(y, X)
    assert fit.coefficients == pytest.approx(plain.coefficients, abs=1e-6)
    assert "no athlete comes back" in fit.why
    assert correlation(fit) == 0


def test_a_working_correlation_outside_its_range_is_said():
    # nearly every athlete lands both ways, and one has three routines: these can't all be opposites of each other
    y = [1, 0] * 8 + [1, 0, 0]
    fit = gee(y, [1, 1] * 3 + [0, 0] * 5 + [0, 1, 1], [*(i // 2 for i in range(16)), 8, 8, 8])
    assert "lies outside" in fit.why
    assert correlation(fit) == 0
    assert math.isfinite(fit.coefficients[1])
    always = np.repeat([1, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1], 3)
    fit = gee(always, np.repeat([1] * 5 + [0] * 6, 3), np.repeat(np.arange(11), 3))
    assert "0 takes its place" in fit.why
    assert fit.coefficients == pytest.approx(
        maximum_likelihood(always, np.repeat([1] * 5 + [0] * 6, 3)).coefficients
    )


def test_a_coefficient_that_hangs_on_one_athlete_has_no_error():
    y = [1, 0, 1, 1, 0, 0, 1, 1, 0, 1, 0, 0, 1, 1, 1]
    fit = gee(y, [1] * 3 + [0] * 12, [i // 3 for i in range(15)])
    assert "one athlete alone" in fit.why
    assert math.isnan(fit.standard_errors[1])


def test_few_athletes_and_repeated_columns_are_said():
    y, X = [1, 0, 1, 1, 0, 0], [1, 1, 0, 1, 0, 0]
    assert "can't carry" in gee(y, X, [0, 0, 0, 1, 1, 1]).why
    rows = SETS[4]
    assert "combination" in gee(rows["stuck"], np.column_stack([rows["first"]] * 2), rows["athlete"]).why


def test_the_equations_do_not_depend_on_order_units_or_names():
    rows = SETS[6]
    plain = gee(rows["stuck"], rows[["first", "difficulty"]], rows["athlete"])
    mixed = rows.sample(frac=1, random_state=3)
    other = gee(
        mixed["stuck"], mixed[["first", "difficulty"]] * [1, 1000], [f"athlete {a}" for a in mixed["athlete"]]
    )
    assert other.coefficients[1] == pytest.approx(plain.coefficients[1], abs=1e-6)
    assert np.array(other.intervals[2]) * 1000 == pytest.approx(plain.intervals[2], abs=1e-5)
    assert other.names == ("constant", "first", "difficulty")


def test_bad_input_to_the_equations_is_refused():
    with pytest.raises(ValueError, match="y has 4 values, cluster 3"):
        gee([1, 0, 1, 0], [1, 1, 0, 0], [0, 1, 2])
    with pytest.raises(ValueError, match="within 3"):
        gee([1, 0, 1, 0], [1, 1, 0, 0], [0, 1, 2, 3], within=["A", "B", "B"])
    with pytest.raises(ValueError, match="missing code"):
        gee([1, 0, 1, 0], [1, 1, 0, 0], [0, 1, None, 3])


def test_the_solver_of_the_simulation_is_gee():
    simulated = runpy.run_path(str(REFERENCE / "simulate_gee.py"))
    rows = SETS[5]
    sizes = rows["athlete"].value_counts(sort=False).to_numpy()
    weight = (np.arange(sizes.max()) < sizes[:, None]) * 1.0
    first, y = np.zeros_like(weight), np.zeros_like(weight)
    first[weight == 1], y[weight == 1] = rows["first"], rows["stuck"]
    X = np.stack([np.ones_like(first), first], axis=-1)
    beta, information, score, good = simulated["solve"](X[None], y[None], weight[None])
    _, reduced, freedom = simulated["limits"](information, score, 1)
    fit = gee(rows["stuck"], rows["first"], rows["athlete"])
    assert good.all()
    assert beta[0] == pytest.approx(fit.coefficients, abs=1e-6)
    assert reduced[0] == pytest.approx(fit.standard_errors[1], rel=1e-6)
    half = (fit.intervals[1][1] - fit.intervals[1][0]) / 2
    assert stats.t.isf(0.025, freedom[0]) * reduced[0] == pytest.approx(half, rel=1e-6)


def test_simulated_coverage_is_what_the_docstring_says():
    # 192 cells x 2,000 meets: simulate_gee.py
    table = pd.read_csv(REFERENCE / "gee_coverage.csv")
    assert len(table) == 192
    assert round(table["reduced_satterthwaite"].min(), 3) == 0.945
    assert round(table["reduced_t"].min(), 3) == 0.928
    assert round(table["robust_z"].min(), 3) == 0.788
