"""Graded landings: proportional odds against published and R values, its check, and the readings without a model."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from analysis.stats.logistic import firth, maximum_likelihood
from analysis.stats.ordinal import proportional_odds
from analysis.stats.ordinal_fit import Cumulative, read_graded

FOLDER = Path(__file__).parent.parent / "reference" / "ordinal"
NINE = [3] * 9 + [3] * 14 + [2] * 4 + [1] * 3 + [0]
FIRST = [1] * 9 + [0] * 22


def rows(name):
    with open(FOLDER / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def generated():
    """The fourteen generated sets with their reference values: grade, columns, and values by name."""
    data, values = defaultdict(list), defaultdict(dict)
    for row in rows("generated.csv"):
        data[int(row["set"])].append(row)
    for row in rows("values.csv"):
        values[int(row["set"])][row["name"]] = {
            key: float(value) if value else math.nan for key, value in row.items() if key != "name"
        }
    for number, found in data.items():
        X = [[float(row[name]) for name in ("first", "round", "quality")] for row in found]
        yield number, [int(row["grade"]) for row in found], X, values[number]


# ---------------------------------------------------------------- maximum likelihood


def test_christensen_wine_rating():
    # Source: Christensen's ordinal, clm (published-examples section 11; attribution from memory, recomputed in R).
    wine = pd.read_csv(FOLDER / "wine.csv")
    fit = proportional_odds(wine.rating, wine[["warm", "contact"]])
    assert fit.names == ("warm", "contact")
    assert fit.coefficients == pytest.approx((2.5031, 1.5278), abs=5e-5)
    assert fit.standard_errors == pytest.approx((0.5287, 0.4766), abs=5e-5)
    assert fit.thresholds == pytest.approx((-1.3444, 1.2508, 3.4669, 5.0064), abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-86.49, abs=5e-3)
    assert fit.why == ""


def test_venables_ripley_housing():
    # Source: MASS, polr on housing (published-examples section 11; attribution from memory, recomputed in R).
    housing = pd.read_csv(FOLDER / "housing.csv")
    housing = housing.loc[housing.index.repeat(housing["count"])]
    X = pd.DataFrame(
        {
            "medium": housing.infl == 2,
            "high": housing.infl == 3,
            "apartment": housing.type == "Apartment",
            "atrium": housing.type == "Atrium",
            "terrace": housing.type == "Terrace",
            "contact": housing.cont == 2,
        }
    )
    fit = proportional_odds(housing.sat, X.astype(int))
    assert fit.n == 1681
    assert fit.coefficients == pytest.approx((0.5664, 1.2888, -0.5724, -0.3662, -1.0910, 0.3603), abs=5e-5)
    assert fit.thresholds == pytest.approx((-0.4961, 0.6907), abs=5e-5)


CHEESE = {
    "A": (0, 0, 1, 7, 8, 8, 19, 8, 1),
    "B": (6, 9, 12, 11, 7, 6, 1, 0, 0),
    "C": (1, 1, 6, 8, 23, 7, 5, 1, 0),
    "D": (0, 0, 0, 1, 3, 7, 14, 16, 11),
}


def test_mccullagh_cheese():
    # Source: McCullagh's cheese data (published-examples section 11, recomputed in R); observed information.
    grade = [k for counts in CHEESE.values() for k, count in enumerate(counts, 1) for _ in range(count)]
    kind = np.repeat(list("ABCD"), 52)
    fit = proportional_odds(grade, np.column_stack([kind == name for name in "ABC"]), names=list("ABC"))
    assert fit.coefficients == pytest.approx((-1.6128, -4.9646, -3.3227), abs=6e-5)
    assert fit.standard_errors == pytest.approx((0.3805, 0.4767, 0.4218), abs=6e-5)
    assert -2 * fit.log_likelihood == pytest.approx(711.348, abs=5e-4)


def test_generated_sets_agree_with_r_clm_and_polr():
    # Source: tests/reference/ordinal (R 4.2.2, ordinal 2022.11.16, MASS 7.3-58.2); profile limits are splines there.
    seen = 0
    for number, grade, X, values in generated():
        if math.isnan(values["first"]["polr"]):
            continue
        seen += 1
        fit = proportional_odds(grade, X, names=["first", "round", "quality"])
        slopes = [values[name] for name in fit.names]
        assert fit.coefficients == pytest.approx([v["estimate"] for v in slopes], abs=2e-6), number
        assert fit.coefficients == pytest.approx([v["polr"] for v in slopes], abs=2e-6), number
        assert fit.standard_errors == pytest.approx([v["error"] for v in slopes], rel=1e-5), number
        limits = [limit for v in slopes for limit in (v["low"], v["high"])]
        assert [limit for pair in fit.intervals for limit in pair] == pytest.approx(limits, abs=2e-3), number
        thresholds = [values[f"cut{k + 1}"]["estimate"] for k in range(len(fit.thresholds))]
        assert fit.thresholds == pytest.approx(thresholds, abs=2e-6), number
        assert fit.log_likelihood == pytest.approx(values["first"]["log_likelihood"], abs=1e-6), number
        assert "penalised" not in fit.method
    assert seen >= 10


def test_separated_sets_agree_with_the_penalised_maximum_found_in_r():
    # Source: tests/reference/ordinal, optim on the penalised likelihood written out from its definition.
    for number, grade, X, values in generated():
        if not math.isnan(values["first"]["polr"]):
            continue
        fit = proportional_odds(grade, X, names=["first", "round", "quality"])
        assert "Jeffreys" in fit.method
        assert "infinite for first (towards plus infinity)" in fit.why
        assert fit.coefficients == pytest.approx(
            [values[name]["estimate"] for name in fit.names], abs=2e-4
        ), number
        assert fit.log_likelihood == pytest.approx(values["first"]["log_likelihood"], abs=1e-6), number
        assert "separated" in fit.reasons[0]
        assert not any(fit.reasons[1:])


@pytest.mark.parametrize(("held", "level"), [(0, 0.95), (1, 0.9)])
def test_profile_limits_satisfy_their_equation(held, level):
    # The limit put back in: the highest likelihood with the slope held there has fallen by half a chi-square quantile.
    number, grade, X, _ = next(iter(generated()))
    fit = proportional_odds(grade, X, level=level)
    codes, _, design = read_graded(grade, np.delete(np.array(X), held, axis=1))
    for limit in fit.intervals[held]:
        held_there = _best_with_offset(codes, design, np.array(X)[:, held] * limit)
        assert 2 * (fit.log_likelihood - held_there) == pytest.approx(chi2.ppf(level, 1), abs=1e-6), number


def _best_with_offset(codes, design, offset):
    """The maximum with an offset, by a general optimiser and the textbook's formula."""
    from scipy.optimize import minimize
    from scipy.special import expit

    def minus(par):
        theta = np.cumsum(np.concatenate([par[:1], np.exp(par[1 : codes.max()])]))
        eta = theta - (design.X @ par[codes.max() :] + offset)[:, None]
        reached = np.column_stack([np.zeros(len(codes)), expit(eta), np.ones(len(codes))])
        return -np.log(np.diff(reached)[range(len(codes)), codes]).sum()

    start = np.zeros(codes.max() + design.X.shape[1])
    for _ in range(3):
        start = minimize(minus, start, method="BFGS", options={"gtol": 1e-7}).x
    return -minus(start)


def test_two_grades_are_logistic_regression():
    rng = np.random.default_rng(3)
    X = rng.normal(size=(40, 2))
    y = (X[:, 0] + rng.logistic(size=40) > 0.4).astype(int)
    fit, logistic = proportional_odds(y, X), maximum_likelihood(y, X)
    assert fit.coefficients == pytest.approx(logistic.coefficients[1:], abs=1e-8)
    assert fit.standard_errors == pytest.approx(logistic.standard_errors[1:], rel=1e-7)
    assert fit.thresholds == pytest.approx((-logistic.coefficients[0],), abs=1e-8)
    assert fit.log_likelihood == pytest.approx(logistic.log_likelihood, abs=1e-9)


def test_two_separated_grades_are_firth():
    y = [1] * 9 + [1] * 14 + [0] * 8
    fit, logistic = proportional_odds(y, FIRST), firth(y, FIRST)
    assert fit.coefficients == pytest.approx(logistic.coefficients[1:], abs=1e-7)
    assert fit.intervals[0] == pytest.approx(logistic.intervals[1], abs=1e-6)
    assert fit.p_values == pytest.approx(logistic.p_values[1:], abs=1e-8)
    assert fit.log_likelihood == pytest.approx(logistic.log_likelihood, abs=1e-8)


# ---------------------------------------------------------------- infinite estimates, missing grades


def test_nine_of_nine_has_a_finite_answer_that_says_so():
    fit = proportional_odds(NINE, FIRST, names=["first"])
    low, high = fit.intervals[0]
    assert 0 < low < fit.coefficients[0] < high < 10
    assert "penalised" in fit.method
    assert "first (towards plus infinity)" in fit.why
    assert list(fit.thresholds) == sorted(fit.thresholds)


def test_direction_of_an_infinite_estimate_follows_the_grades():
    down = proportional_odds([3 - grade for grade in NINE], FIRST, names=["first"])
    up = proportional_odds(NINE, FIRST, names=["first"])
    assert "towards minus infinity" in down.why
    assert down.coefficients[0] == pytest.approx(-up.coefficients[0], abs=1e-8)


def test_separation_in_one_cut_alone_is_not_separation():
    # The first technique never has the middle grade, which leaves every estimate finite.
    fit = proportional_odds([2] * 8 + [0] + [2] * 10 + [1] * 7 + [0] * 5, [1] * 9 + [0] * 22)
    assert "penalised" not in fit.method
    assert math.isfinite(fit.coefficients[0])


def test_complete_order_along_a_column_is_separated():
    fit = proportional_odds([0, 0, 1, 1, 1, 2, 2], [1.0, 2.0, 3.0, 4.0, 4.5, 5.0, 6.0])
    assert "penalised" in fit.method
    assert math.isfinite(fit.coefficients[0])
    touching = proportional_odds([0, 0, 1, 1, 1, 2, 2], [1.0, 4.2, 3.0, 4.0, 4.5, 4.4, 6.0])
    assert "penalised" not in touching.method


def test_grades_that_do_not_occur_have_no_threshold_and_are_named():
    gap = proportional_odds([0, 4, 1, 0, 4, 1, 4, 0, 1, 4], [1, 0, 1, 0, 1, 0, 1, 0, 0, 1])
    closed = proportional_odds([0, 2, 1, 0, 2, 1, 2, 0, 1, 2], [1, 0, 1, 0, 1, 0, 1, 0, 0, 1])
    assert len(gap.thresholds) == 2
    assert gap.why == "no routine has grade 2, 3"
    assert gap.coefficients == closed.coefficients
    assert closed.why == ""


def test_one_grade_only_says_why_nothing_is_estimated():
    fit = proportional_odds([3] * 31, FIRST, names=["first"])
    assert math.isnan(fit.coefficients[0])
    assert fit.why == "every grade is 3, so nothing can be compared"
    assert fit.thresholds == ()


def test_columns_that_repeat_each_other_are_named():
    rng = np.random.default_rng(8)
    x = rng.integers(0, 2, 40)
    grade = rng.integers(0, 4, 40)
    fit = proportional_odds(
        grade, pd.DataFrame({"first": x, "second": 1 - x, "quality": rng.normal(size=40).round(2)})
    )
    assert math.isnan(fit.coefficients[0])
    assert math.isnan(fit.coefficients[1])
    assert math.isfinite(fit.coefficients[2])
    assert "second is a combination of constant, first" in fit.why


@pytest.mark.parametrize(
    ("grade", "X", "options", "told"),
    [
        ([1, 2.5, 3], [0, 1, 0], {}, r"grade\[1\] is 2.5; grades are whole numbers"),
        ([1, None, 3], [0, 1, 0], {}, r"grade\[1\] is None: a missing grade"),
        ([1, math.nan, 3], [0, 1, 0], {}, r"grade\[1\] is nan: a missing grade"),
        (["1", 2, 3], [0, 1, 0], {}, r"grade\[0\] is '1'; grades are whole numbers"),
        ([1, math.inf, 3], [0, 1, 0], {}, r"grade\[1\] is inf; grades are whole numbers"),
        ("123", [0, 1, 0], {}, "grade is '123'; a list"),
        ([], [], {}, "grade is empty"),
        ([1, 2, 3], [0, 1], {}, "grade has 3 values and X has 2 rows"),
        ([1, 2, 3], ["a", "b", "c"], {}, "not numeric"),
        ([1, 2, 3], [0, 1, 0], {"level": 95}, "level is 95"),
        ([1, 2, 3], [0, 1, 0], {"names": ["a", "b"]}, "1 different names"),
        ([1, 2, 3], [0, 1, 0], {"athlete": ["a", "b"]}, "athlete has 2 codes and grade 3 values"),
        (range(101), range(101), {}, "101 different values"),
    ],
)
def test_what_proportional_odds_refuses(grade, X, options, told):
    with pytest.raises(ValueError, match=told):
        proportional_odds(grade, X, **options)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.booleans(), st.integers(-2, 2)), min_size=2, max_size=25),
    st.booleans(),
)
def test_every_answer_is_finite_and_turns_with_the_grades(routines, clustered):
    grade = [g for g, _, _ in routines]
    X = [[float(first), float(x)] for _, first, x in routines]
    athlete = [i // 2 for i in range(len(grade))] if clustered else None
    fit = proportional_odds(grade, X, athlete=athlete)
    turned = proportional_odds([-g for g in grade], X, athlete=athlete)
    for value, opposite, reason in zip(
        fit.coefficients, turned.coefficients, fit.reasons or ("", ""), strict=True
    ):
        assert math.isnan(value) == ("combination" in reason or "every grade" in reason or "is 0" in reason)
        assert math.isnan(value) or value == pytest.approx(-opposite, abs=1e-5 + 1e-5 * abs(value))
    assert fit.log_likelihood == pytest.approx(turned.log_likelihood, abs=1e-6, nan_ok=True)
    for k, (low, high) in enumerate(fit.intervals):
        assert low < fit.coefficients[k] < high or fit.reasons[k]
    assert fit.to_dict()["n"] == len(routines)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.booleans())
def test_score_and_information_are_the_derivatives_of_the_likelihood(seed, jeffreys):
    rng = np.random.default_rng(seed)
    grade = np.concatenate([[0, 1, 2, 3], rng.integers(0, 4, 20)])
    codes, _, design = read_graded(grade, rng.normal(size=(24, 2)))
    model = Cumulative(codes, design, jeffreys)
    at = np.concatenate([np.cumsum(rng.uniform(0.2, 1.5, 3)) - 1.5, rng.normal(size=2)])
    _, score, information, _ = model.at(at)
    steps = 1e-5 * np.eye(5)
    numeric = [(model.at(at + step)[0] - model.at(at - step)[0]) / 2e-5 for step in steps]
    assert score == pytest.approx(numeric, abs=1e-6)
    if not jeffreys:
        bend = [(model.at(at - step)[1] - model.at(at + step)[1]) / 2e-5 for step in steps]
        assert information.ravel() == pytest.approx(np.ravel(bend), abs=1e-5)
