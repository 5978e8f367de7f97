"""The difference in stuck rate for the same mix: what it equals, when it is refused, and that it covers."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import t

from analysis.stats.logistic import firth, standardised_difference
from analysis.stats.proportions import wilson_limits

REFERENCE = Path(__file__).parents[1] / "reference" / "logistic"
STUCK = [1] * 9 + [1] * 14 + [0] * 8  # 9 of 9 against 14 of 22
FIRST = [True] * 9 + [False] * 22


def generated(number):
    rows = pd.read_csv(REFERENCE / "generated.csv").query("set == @number")
    return rows["stuck"].to_numpy(), rows["first"].to_numpy(), rows[["round", "difficulty", "quality"]]


@pytest.mark.parametrize("number", range(1, 13))
def test_estimate_is_the_mean_difference_of_predicted_rates(number):
    # Predicted from brglm2's slopes and glm's corrected constant (make_reference.R), not from our own fit.
    y, first, X = generated(number)
    values = pd.read_csv(REFERENCE / "values.csv").query("set == @number").set_index("name")
    slopes = values["firth"]
    base = values.loc["constant", "prediction_constant"] + X.to_numpy() @ slopes[X.columns].to_numpy()
    expected = (expit(base + slopes["first"]) - expit(base)).mean()
    found = standardised_difference(y, first, X)
    assert found.estimate == pytest.approx(expected, abs=1e-6)
    assert -1 <= found.low < found.estimate < found.high <= 1
    assert found.counts == ((y[first == 1].sum(), first.sum()), (y[first == 0].sum(), (1 - first).sum()))


def test_without_columns_it_is_square_and_add_of_wilson_limits_at_the_penalised_rates():
    fit = firth(STUCK, FIRST, columns=())
    rates = [float(expit(fit.prediction_constant + fit.coefficients[1] * here)) for here in (1, 0)]
    assert 9 * rates[0] + 22 * rates[1] == pytest.approx(23)
    quantile = float(t.ppf(0.975, 29))
    (l1, u1), (l2, u2) = (wilson_limits(p, n, quantile) for p, n in zip(rates, (9, 22), strict=True))
    found = standardised_difference(STUCK, FIRST)
    assert found.estimate == pytest.approx(rates[0] - rates[1])
    assert found.low == pytest.approx(found.estimate - math.hypot(rates[0] - l1, u2 - rates[1]))
    assert found.high == pytest.approx(found.estimate + math.hypot(u1 - rates[0], rates[1] - l2))


def test_all_stuck_on_both_sides_is_no_difference_with_width():
    found = standardised_difference([1] * 31, FIRST, [i % 3 for i in range(31)])
    assert found.estimate == 0
    assert found.low < -0.2
    assert found.high > 0.1
    none = standardised_difference([0] * 31, FIRST, [i % 3 for i in range(31)])
    assert (none.low, none.high) == pytest.approx((-found.high, -found.low))


def test_athletes_who_come_back_alike_widen_the_interval():
    athlete = [*range(9), *np.repeat(range(9, 20), 2)]
    stuck = [1] * 9 + [1] * 14 + [0] * 8  # the second technique's athletes stick both or neither
    plain = standardised_difference(stuck, FIRST)
    found = standardised_difference(stuck, FIRST, athlete=athlete)
    assert found.estimate == plain.estimate
    assert found.high - found.low > plain.high - plain.low
    assert "counts athletes" in found.method
    assert "athletes independent" in found.assumes


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(12, 60), st.booleans())
def test_the_other_order_is_the_mirror_image(seed, n, clustered):
    rng = np.random.default_rng(seed)
    X = np.column_stack([rng.normal(size=n), rng.integers(0, 2, n)])
    first, y = rng.integers(0, 2, n), rng.integers(0, 2, n)
    athlete = rng.integers(0, n // 2, n).tolist() if clustered else None
    found = standardised_difference(y, first, X, athlete=athlete)
    other = standardised_difference(y, 1 - first, X, athlete=athlete)
    failed = standardised_difference(1 - y, first, X, athlete=athlete)
    # Which columns repeat each other depends on the order of the groups; that they do doesn't.
    assert found.why.split(":")[0] == other.why.split(":")[0]
    if found.why:
        assert math.isnan(found.low)
        return
    for mirror in (other, failed):
        assert mirror.estimate == pytest.approx(-found.estimate, abs=1e-7)
        assert (mirror.low, mirror.high) == pytest.approx((-found.high, -found.low), abs=1e-6)


def test_no_overlap_and_one_technique_are_refused_in_words():
    difficulty = [6.2 + 0.1 * (i % 3) for i in range(9)] + [5.2 + 0.1 * (i % 5) for i in range(22)]
    found = standardised_difference(STUCK, FIRST, difficulty, names=["difficulty"])
    assert math.isnan(found.low)
    assert found.why == "the techniques do not overlap: difficulty tells without error who used which"
    assert found.to_dict()["estimate"] is None
    same = standardised_difference(STUCK, FIRST, FIRST)
    assert "combination of the technique" in same.why
    assert standardised_difference(STUCK, [True] * 31).why == "only one technique"


def test_input_of_the_standardised_difference_is_checked():
    with pytest.raises(ValueError, match="first must hold 31 values True or False"):
        standardised_difference(STUCK, FIRST[:-1])
    with pytest.raises(ValueError, match="first must hold 31 values True or False"):
        standardised_difference(STUCK, ["tucked"] * 31)
    with pytest.raises(ValueError, match="athlete has 2 codes and y 31 values"):
        standardised_difference(STUCK, FIRST, athlete=["a", "b"])
    with pytest.raises(ValueError, match="level is 95"):
        standardised_difference(STUCK, FIRST, level=95)


def test_committed_simulation_shows_that_it_covers_where_others_do_not():
    # tests/reference/logistic/simulate_coverage.py; the standard error of one cell's coverage is about .013.
    table = pd.read_csv(REFERENCE / "coverage.csv")
    cells = ["athletes", "most_routines", "sd", "constant", "effect", "columns", "both"]
    assert len(table.drop_duplicates(cells)) == 68
    ours = table[table["method"] == "standardised_difference"]
    alone, again = ours[ours["most_routines"] == 1], ours[ours["most_routines"] > 1]
    assert alone["coverage"].mean() > 0.95
    assert alone["coverage"].min() > 0.91
    assert again["coverage"].min() > 0.93
    robust = table[table["method"] == "cluster-robust delta, t"]
    ignored = table[table["method"] == "standardised_difference, repeats ignored"]
    assert robust["coverage"].min() < 0.90
    assert ignored["coverage"].min() < 0.90
