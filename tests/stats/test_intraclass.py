"""Intraclass correlations and limits of agreement: published values, the analysis of variance, edges."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.stats import pseudo_counts
from analysis.stats.agreement import intraclass, limits_of_agreement

SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
SINGLE = ("1,1", "2,1", "3,1")
POINTS = (0, 0.1, 0.3, 0.5, 1.0)


def agrees(value: float, printed: str) -> bool:
    decimals = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 0.5 * 10**-decimals * (1 + 1e-9)


@pytest.mark.parametrize(
    ("form", "printed"),
    [("1,1", ".17"), ("2,1", ".29"), ("3,1", ".71"), ("1,k", ".44"), ("2,k", ".62"), ("3,k", ".91")],
)
def test_shrout_fleiss_1979_six_forms(form, printed) -> None:
    """Recomputed; attribution from memory."""
    assert agrees(intraclass(SHROUT_FLEISS, form).estimate, printed)


@pytest.mark.parametrize(
    ("form", "low", "high"), [("1,1", "-.133", ".72"), ("2,1", ".019", ".76"), ("3,1", ".342", ".95")]
)
def test_shrout_fleiss_1979_f_limits(form, low, high) -> None:
    """Recomputed; attribution from memory."""
    found = intraclass(SHROUT_FLEISS, form, interval="f")
    assert agrees(found.low, low)
    assert agrees(found.high, high)
    mean = intraclass(SHROUT_FLEISS, form[0] + ",k", interval="f")
    assert mean.low == pytest.approx(4 * found.low / (1 + 3 * found.low))


def mean_squares(rows):
    """Two-way analysis of variance in plain loops."""
    n, m = len(rows), len(rows[0])
    grand = sum(map(sum, rows)) / (n * m)
    row_means = [sum(row) / m for row in rows]
    column_means = [sum(row[j] for row in rows) / n for j in range(m)]
    targets = m * sum((r - grand) ** 2 for r in row_means) / (n - 1)
    coders = n * sum((c - grand) ** 2 for c in column_means) / (m - 1)
    cells = [(i, j) for i in range(n) for j in range(m)]
    rest = sum((rows[i][j] - row_means[i] - column_means[j] + grand) ** 2 for i, j in cells)
    within = sum((rows[i][j] - row_means[i]) ** 2 for i, j in cells)
    return targets, coders, rest / ((n - 1) * (m - 1)), within / (n * (m - 1))


@settings(deadline=None, max_examples=60)
@given(
    st.integers(2, 4).flatmap(
        lambda m: st.lists(st.lists(st.integers(0, 20), min_size=m, max_size=m), min_size=2, max_size=12)
    )
)
def test_correlations_are_those_of_the_analysis_of_variance(rows) -> None:
    n, m = len(rows), len(rows[0])
    targets, coders, error, within = mean_squares(rows)
    bottoms = {
        "1,1": (targets - within, targets + (m - 1) * within),
        "2,1": (targets - error, targets + (m - 1) * error + m * (coders - error) / n),
        "3,1": (targets - error, targets + (m - 1) * error),
    }
    for form, (top, bottom) in bottoms.items():
        found = intraclass(rows, form, interval="f")
        if bottom > 1e-9:
            assert found.estimate == pytest.approx(top / bottom, abs=1e-9)
            shifted = intraclass([[x + 1000 for x in row] for row in rows], form, interval="f")
            assert shifted.estimate == pytest.approx(found.estimate, abs=1e-6)
        else:
            assert math.isnan(found.estimate)


def test_f_limits_return_to_the_f_distribution() -> None:
    """At the limits of (1,1) and (3,1) the ratio of mean squares has tails of 2.5 %."""
    targets, _, error, within = mean_squares(SHROUT_FLEISS)
    for form, noise, df in (("1,1", within, 18), ("3,1", error, 15)):
        found = intraclass(SHROUT_FLEISS, form, interval="f")
        for rho, tail in ((found.low, stats.f.sf), (found.high, stats.f.cdf)):
            expected = (1 + 3 * rho) / (1 - rho)
            assert tail(targets / noise / expected, 5, df) == pytest.approx(0.025)


def test_drawn_limits_cover_deductions_where_f_limits_do_not(monkeypatch) -> None:
    """Deductions 0 to 1.0, one in five coded a step off; in full in tests/reference/agreement.csv."""
    monkeypatch.setattr(pseudo_counts, "DRAWS", (2_000, 2_000))
    share = np.array([0.5, 0.25, 0.15, 0.07, 0.03])
    steps = np.abs(np.subtract.outer(np.arange(5), np.arange(5)))
    errs = (steps == 1) * 0.1
    cells = (share[:, None] * (errs + np.diag(1 - errs.sum(axis=1)))).ravel()
    one, two = np.repeat(POINTS, 5), np.tile(POINTS, 5)
    mean = cells @ one, cells @ two
    truth = 2 * (cells @ ((one - mean[0]) * (two - mean[1])))
    truth /= cells @ (one - mean[0]) ** 2 + cells @ (two - mean[1]) ** 2 + (mean[0] - mean[1]) ** 2
    drawn = np.random.default_rng(11).choice(25, p=cells, size=(150, 30))
    covered = {}
    for method in ("dirichlet", "f"):
        found = [
            intraclass(np.array([one[d], two[d]]).T, interval=method, values=POINTS, seed=i)
            for i, d in enumerate(drawn)
        ]
        covered[method] = np.mean([interval.low <= truth <= interval.high for interval in found])
    assert covered["dirichlet"] > 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 150)
    assert covered["f"] < 0.8


@pytest.mark.parametrize("form", SINGLE)
def test_coders_who_never_differ_are_not_certain(form) -> None:
    rows = [[x, x] for x in [0] * 20 + [0.1] * 6 + [0.3] * 3 + [1.0]]
    drawn, by_f = intraclass(rows, form), intraclass(rows, form, interval="f")
    assert (drawn.estimate, drawn.high) == (1, 1)
    assert drawn.low < 0.95
    assert (by_f.low, by_f.high) == (-1, 1)
    assert "no width" in by_f.why


def test_what_was_never_seen_widens_the_interval() -> None:
    rows = [[0, 0]] * 25 + [[0.1, 0.1]] * 4 + [[0.1, 0]]
    narrow, wide = intraclass(rows), intraclass(rows, values=POINTS)
    assert wide.high > narrow.high
    assert narrow.method == wide.method == "Dirichlet percentiles"


def test_many_values_are_measurements() -> None:
    rng = np.random.default_rng(2)
    quality = rng.normal(8, 0.5, size=(18, 1))
    rows = quality + rng.normal(0, 0.2, size=(18, 3))
    assert intraclass(rows).method == "F"
    assert "normal" in intraclass(rows).assumes


@pytest.mark.parametrize("form", [*SINGLE, "3,k"])
def test_no_spread_or_too_few_rows_are_answers(form) -> None:
    for rows, why in (
        ([[0.1, 0.1]] * 9, "equal"),
        ([[0, 0.1]], "fewer than two"),
        ([[None, 1], [2, None]], "fewer"),
    ):
        found = intraclass(rows, form)
        assert math.isnan(found.estimate)
        assert found.high == 1
        assert why in found.why


def test_missing_ratings_are_left_out_and_frames_are_read() -> None:
    frame = pd.DataFrame(SHROUT_FLEISS, columns=list("ABCD"), dtype=float)
    frame.loc[6] = [3, np.nan, 2, 2]
    found = intraclass(frame, interval="f")
    assert found.low == intraclass(SHROUT_FLEISS, interval="f").low
    assert "1 of 7 left out" in found.why


def test_bland_altman_limits_by_hand_and_by_their_definition() -> None:
    a = [0, 0.1, 0.3, 0, 0.1, 0.5, 0.3, 0, 0.1, None]
    b = [0, 0.1, 0.1, 0, 0.3, 0.5, 0.3, 0.1, 0.1, 0.3]
    found = limits_of_agreement(a, b)
    differences = np.array(a[:9], dtype=float) - np.array(b[:9])
    mean, sd = differences.mean(), differences.std(ddof=1)
    assert found.mean.estimate == pytest.approx(mean)
    assert (found.mean.low, found.mean.high) == pytest.approx(stats.t.interval(0.95, 8, mean, sd / 3))
    assert found.upper.estimate == pytest.approx(mean + 1.959964 * sd, abs=1e-6)
    # The limit put back: at a true 97.5 % quantile there, a sample as far off has probability 2.5 %.
    for limit, tail in ((found.upper.low, stats.nct.sf), (found.upper.high, stats.nct.cdf)):
        assert tail((limit - mean) / (sd / 3), 8, 1.959964 * 3) == pytest.approx(0.975, abs=1e-5)
    assert found.lower.low == pytest.approx(2 * mean - found.upper.high)
    assert "1 of 10 left out" in found.lower.why
    assert found.to_dict()["upper"]["quantity"] == "upper limit of agreement"


def test_limits_cover_a_normal_quantile() -> None:
    rng = np.random.default_rng(5)
    differences = rng.normal(0.05, 0.2, size=(400, 12))
    found = [limits_of_agreement(row, np.zeros(12)).upper for row in differences]
    truth = 0.05 + 0.2 * 1.959964
    assert np.mean([i.low <= truth <= i.high for i in found]) == pytest.approx(0.95, abs=0.035)


@pytest.mark.parametrize(("a", "b"), [([0.1, 0.2, 0.3], [0, 0.1, 0.2]), ([0.1], [0.3]), ([], [])])
def test_differences_that_do_not_vary_have_no_limits_and_say_so(a, b) -> None:
    found = limits_of_agreement(a, b)
    assert math.isnan(found.upper.low)
    assert found.upper.why
    assert found.upper.to_dict()["low"] is None


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: intraclass([0.1, 0.2]), "a table"),
        (lambda: intraclass([[0.1], [0.2]]), "at least two columns"),
        (lambda: intraclass([["stuck", 0.1]]), "not a finite number"),
        (lambda: intraclass([[0.1, math.inf]]), "not a finite number"),
        (lambda: intraclass([[1e300, 1e300], [0, 0]]), "not a finite number"),
        (lambda: intraclass([[0.1, 0.2], [0.1]]), "a table"),
        (lambda: intraclass([[0.1, [0.2]]]), "text or a number"),
        (lambda: intraclass(SHROUT_FLEISS, "2"), "form '2'"),
        (lambda: intraclass(SHROUT_FLEISS, interval="bootstrap"), "interval 'bootstrap'"),
        (lambda: intraclass([[0, 0.2], [0.1, 0.1]], values=POINTS), "rating 0.2 is not one of the values"),
        (lambda: limits_of_agreement([0.1], [0.1, 0.3]), "1 and 2 points"),
        (lambda: limits_of_agreement([0.1], [0.1], share=95), "share"),
    ],
)
def test_ratings_that_cannot_be_meant_are_refused(call, message) -> None:
    with pytest.raises(ValueError, match=message):
        call()


def test_coders_who_contradict_each_other_with_equal_means_have_limits() -> None:
    """Both terms of the degrees of freedom are 0 here: found by a longer run of the property test above."""
    found = intraclass([[0, 1], [0, 1], [1, 0], [1, 0]], interval="f")
    assert found.low <= found.estimate <= found.high
