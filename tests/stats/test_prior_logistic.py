"""Logistic regression with a weak prior against brute-force integration."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import chi2, norm, qmc

from analysis.stats.prior_logistic import weak_prior_logistic


def table(x1, n1, x2, n2):
    return [1] * x1 + [0] * (n1 - x1) + [1] * x2 + [0] * (n2 - x2), [1] * n1 + [0] * n2


def dense(x1, n1, x2, n2, scale=2.5, points=1000):
    """Quantiles of the coefficient and of the difference from a dense grid over both coefficients."""
    share = n1 / (n1 + n2)

    def log_posterior(c, b):
        one, two = c + b * (1 - share), c - b * share
        fit = x1 * one - n1 * np.logaddexp(0, one) + x2 * two - n2 * np.logaddexp(0, two)
        return fit - c**2 / 200 - b**2 / (2 * scale**2)

    c, b = np.linspace(-50, 50, 1001)[:, None], np.linspace(-22, 22, 801)[None, :]
    near = log_posterior(c, b)
    near = near > near.max() - 22
    c = np.linspace(c[near.any(axis=1)].min() - 0.1, c[near.any(axis=1)].max() + 0.1, points)[:, None]
    b = np.linspace(b[0, near.any(axis=0)].min() - 0.1, b[0, near.any(axis=0)].max() + 0.1, points)[None, :]
    weights = np.exp(log_posterior(c, b) - log_posterior(c, b).max())
    weights /= weights.sum()
    difference = expit(c + b * (1 - share)) - expit(c - b * share)
    along = weights.sum(axis=0)
    return quantiles(b[0], along), quantiles(difference.ravel(), weights.ravel())


def quantiles(values, weights):
    order = np.argsort(values)
    up_to = np.cumsum(weights[order]) - weights[order] / 2
    return [float(np.interp(p, up_to, values[order])) for p in (0.025, 0.5, 0.975)]


def ends(interval):
    return [interval.low, interval.estimate, interval.high]


@pytest.mark.parametrize("counts", [(9, 9, 14, 22), (0, 16, 15, 72), (8, 10, 9, 20), (300, 500, 20, 60)])
def test_without_columns_it_is_the_dense_grid(counts):
    """9 of 9 against 14 of 22 is separated: maximum likelihood would be infinite."""
    coefficient, difference = dense(*counts)
    found = weak_prior_logistic(*table(*counts))
    assert ends(found.coefficient) == pytest.approx(coefficient, abs=1e-3)
    assert ends(found.difference) == pytest.approx(difference, abs=2e-3)


@pytest.mark.parametrize("counts", [(9, 9, 22, 22), (1, 1, 0, 1), (0, 3, 4, 4)])
def test_where_hardly_anything_is_known_it_stays_close(counts):
    coefficient, difference = dense(*counts)
    found = weak_prior_logistic(*table(*counts))
    assert ends(found.coefficient) == pytest.approx(coefficient, abs=0.015)
    assert ends(found.difference) == pytest.approx(difference, abs=2e-3)


def meet(seed, n, p, separated=False):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, p))
    X[:, 0] = np.arange(n) < n // 3
    if p > 2:
        X[:, 2] = rng.random(n) < 0.2
    y = (rng.random(n) < expit(0.8 + X[:, 0] + 0.7 * X[:, -1])).astype(int)
    if separated:
        y[: n // 3] = 1
    return y, X


def scattered(y, X, scale=2.5, seed=1):
    """Quasi-random importance points from a multivariate t around the peak: quantiles of each column and difference."""
    spread = np.where(np.isin(X, (0, 1)).all(axis=0), 1, 2 * X.std(axis=0))
    Z = np.column_stack([np.ones(len(y)), (X - X.mean(axis=0)) / spread])
    precision = np.diag([0.01] + [scale**-2] * X.shape[1])
    peak = np.zeros(Z.shape[1])
    for _ in range(50):
        p = expit(Z @ peak)
        information = Z.T @ (Z * (p * (1 - p))[:, None]) + precision
        peak = peak + np.linalg.solve(information, Z.T @ (y - p) - precision @ peak)
    u = qmc.Sobol(len(peak) + 1, seed=seed).random_base2(16)
    t = norm.ppf(u[:, :-1]) / np.sqrt(chi2.ppf(u[:, -1], 5) / 5)[:, None]
    drawn = peak[:, None] + np.linalg.cholesky(np.linalg.inv(information)) @ t.T
    eta = Z @ drawn
    log = y @ eta - np.logaddexp(0, eta).sum(axis=0) - (drawn * (precision @ drawn)).sum(axis=0) / 2
    log += (5 + len(peak)) / 2 * np.log1p((t**2).sum(axis=1) / 5)
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    base = eta - np.outer(Z[:, 1], drawn[1])
    one, two = (expit(base + drawn[1] * level).mean(axis=0) for level in (Z[:, 1].max(), Z[:, 1].min()))
    columns = [quantiles(drawn[k + 1] / spread[k], weights) for k in range(X.shape[1])]
    constant = drawn[0] - (X.mean(axis=0) / spread) @ drawn[1:]
    return columns, quantiles(constant, weights), quantiles(one - two, weights), weights[drawn[1] > 0].sum()


@pytest.mark.parametrize(
    ("n", "p", "separated"), [(31, 2, True), (45, 3, True), (50, 5, False), (60, 8, False)]
)
def test_with_columns_it_agrees_with_quasi_random_integration(n, p, separated):
    y, X = meet(8, n, p, separated)
    columns, constant, difference, higher = scattered(y, X)
    found = weak_prior_logistic(y, X)
    assert ends(found.coefficient) == pytest.approx(columns[0], abs=0.03)
    assert ends(found.difference) == pytest.approx(difference, abs=0.01)
    assert found.first_higher == pytest.approx(higher, abs=2e-3)
    for k, expected in enumerate([constant, *columns]):
        low, high = found.fit.intervals[k]
        assert [low, found.fit.coefficients[k], high] == pytest.approx(expected, abs=0.06)


def test_laplace_and_quadrature_agree_where_both_can_be_had(monkeypatch):
    y, X = meet(3, 60, 3)
    quadrature = weak_prior_logistic(y, X)
    monkeypatch.setattr("analysis.stats.weak_model._WORK", 1.0)
    laplace = weak_prior_logistic(y, X)
    assert "by Laplace's method" in laplace.method
    assert "quadrature, 11 nodes each" in quadrature.method
    assert ends(laplace.coefficient) == pytest.approx(ends(quadrature.coefficient), abs=0.03)
    assert ends(laplace.difference) == pytest.approx(ends(quadrature.difference), abs=0.01)


def test_the_tighter_the_prior_the_nearer_to_nothing():
    found = [weak_prior_logistic(*table(9, 9, 14, 22), scale=scale) for scale in (0.2, 1, 2.5, 5)]
    medians = [posterior.coefficient.estimate for posterior in found]
    assert medians == sorted(medians)
    assert found[0].difference.estimate == pytest.approx(0, abs=0.02)


def test_the_other_technique_first_turns_the_sign():
    y, X = meet(5, 40, 3)
    one, two = weak_prior_logistic(y, X), weak_prior_logistic(y, np.column_stack([1 - X[:, 0], X[:, 1:]]))
    assert ends(one.coefficient) == pytest.approx([-value for value in ends(two.coefficient)][::-1], abs=1e-5)
    assert ends(one.difference) == pytest.approx([-value for value in ends(two.difference)][::-1], abs=1e-3)
    assert one.first_higher == pytest.approx(1 - two.first_higher, abs=1e-6)


def test_the_units_of_other_columns_do_not_matter():
    y, X = meet(5, 40, 2)
    scaled = X * [1, 1000] + [0, 2024]
    one, two = weak_prior_logistic(y, X), weak_prior_logistic(y, scaled)
    assert ends(one.coefficient) == pytest.approx(ends(two.coefficient), abs=1e-6)
    assert one.fit.coefficients[2] == pytest.approx(1000 * two.fit.coefficients[2], rel=1e-5)


def test_columns_by_name_and_only_those_asked_for():
    y, X = meet(5, 40, 3)
    frame = pd.DataFrame(X, columns=["pike", "difficulty", "final"])[["difficulty", "pike", "final"]]
    found = weak_prior_logistic(pd.Series(y), frame, first="pike", columns=["final"])
    whole = weak_prior_logistic(y, X)
    assert ends(found.coefficient) == pytest.approx(ends(whole.coefficient), abs=1e-9)
    assert found.fit.names == ("constant", "difficulty", "pike", "final")
    assert math.isnan(found.fit.coefficients[1])
    assert found.fit.reasons == ("not asked for", "not asked for", "", "")
    assert found.fit.coefficients[3] == pytest.approx(whole.fit.coefficients[3], abs=1e-6)
    assert all(math.isnan(p) for p in found.fit.p_values)
    json.dumps(found.to_dict(), allow_nan=False)


def test_columns_that_the_data_cannot_tell_apart_are_left_to_the_prior():
    y, arm = table(9, 9, 14, 22)
    found = weak_prior_logistic(y, np.column_stack([arm, arm, [3.0] * 31]), names=["pike", "again", "three"])
    assert "again is a combination of pike" in found.why
    assert "the prior alone" in found.why
    assert found.fit.coefficients[1] == pytest.approx(found.fit.coefficients[2], abs=0.1)
    assert math.isnan(found.fit.coefficients[3])
    assert found.fit.reasons[3] == "the column holds one value"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"X": [0.5] * 31}, "must hold 0 and 1"),
        ({"X": [1] * 31}, "must hold 0 and 1"),
        ({"scale": 0}, "scale is 0"),
        ({"scale": math.inf}, "scale is inf"),
        ({"level": 1}, "level is 1"),
        ({"first": "pike"}, "columns has 'pike'"),
        ({"first": "constant"}, "must hold 0 and 1"),
        ({"y": [2] * 31}, "0 or 1"),
    ],
)
def test_weak_prior_refuses_what_makes_no_sense(options, message):
    y, arm = table(9, 9, 14, 22)
    with pytest.raises(ValueError, match=message):
        weak_prior_logistic(**{"y": y, "X": arm, **options})
