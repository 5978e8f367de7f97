"""The random intercept against published fits, integration by another rule, and its limits at sd 0 and infinity."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special, stats

from analysis.stats.clustered import random_intercept
from analysis.stats.logistic import maximum_likelihood

# lme4's cbpp: cases of contagious bovine pleuropneumonia per herd and period. The data are from memory; that they are
# right is shown by the log-likelihood and the estimates that they reproduce.
CASES = [2, 3, 4, 0, 3, 1, 1, 8, 2, 0, 2, 2, 0, 2, 0, 5, 0, 0, 1, 3, 0, 0, 1, 8, 1, 3, 0, 12]
CASES += [2, 0, 0, 0, 1, 1, 0, 2, 0, 5, 3, 1, 2, 1, 0, 0, 1, 2, 0, 0, 11, 0, 0, 0, 1, 1, 1, 0]
SIZES = [
    14,
    12,
    9,
    5,
    22,
    18,
    21,
    22,
    16,
    16,
    20,
    10,
    10,
    9,
    6,
    18,
    25,
    24,
    4,
    17,
    17,
    18,
    20,
    16,
    10,
    9,
    5,
    34,
]
SIZES += [
    9,
    6,
    8,
    6,
    22,
    22,
    18,
    22,
    25,
    27,
    22,
    22,
    10,
    8,
    6,
    5,
    21,
    24,
    19,
    23,
    19,
    2,
    3,
    2,
    19,
    15,
    15,
    15,
]


def cbpp():
    periods = {2: (1, 2, 3), 8: (1,)}
    rows = [(herd, period) for herd in range(1, 16) for period in periods.get(herd, (1, 2, 3, 4))]
    y, X, cluster = [], [], []
    for cases, size, (herd, period) in zip(CASES, SIZES, rows, strict=True):
        y += [1] * cases + [0] * (size - cases)
        X += [[int(period == later) for later in (2, 3, 4)]] * size
        cluster += [f"herd {herd}"] * size
    ways = sum(math.log(math.comb(size, cases)) for cases, size in zip(CASES, SIZES, strict=True))
    return y, X, cluster, ways


def test_lme4_cbpp_nine_point_quadrature():
    # published-examples section 11: R; M for the attribution to the lme4 documentation
    y, X, cluster, _ = cbpp()
    fit = random_intercept(y, X, cluster, points=9)
    assert fit.coefficients == pytest.approx((-1.3992, -0.9914, -1.1278, -1.5795), abs=5e-5)
    assert fit.sd == pytest.approx(0.6475, abs=5e-5)


def test_lme4_cbpp_laplace():
    # AIC 194.05 and log-likelihood -92.03 are of grouped counts. lme4's first stage leaves its printed Laplace
    # coefficients (-1.3983 -.9919 -1.1282 -1.5797, sd .6421) a little off the maximum, which is what is found here.
    y, X, cluster, ways = cbpp()
    fit = random_intercept(y, X, cluster, points=1)
    assert fit.log_likelihood + ways == pytest.approx(-92.03, abs=0.005)
    assert fit.coefficients == pytest.approx((-1.3983, -0.9919, -1.1282, -1.5797), abs=1e-3)
    assert fit.sd == pytest.approx(0.6421, abs=1e-3)
    assert fit.standard_errors == pytest.approx((0.2312, 0.3032, 0.3228, 0.4220), abs=0.006)


def lopsided(sd, seed):
    rng = np.random.default_rng(seed)
    athlete = np.repeat(np.arange(31), rng.integers(1, 5, 31))
    first = (athlete < 9).astype(int)
    difficulty = rng.choice([3.2, 3.6, 4.0], len(athlete))
    logit = 0.4 + first - 0.5 * (difficulty - 3.6) + sd * rng.normal(size=31)[athlete]
    return (
        (rng.random(len(athlete)) < special.expit(logit)).astype(int),
        np.column_stack([first, difficulty]),
        athlete,
    )


def test_log_likelihood_equals_integration_by_another_rule():
    y, X, athlete = lopsided(1.5, seed=3)
    fit = random_intercept(y, X, athlete)
    eta = fit.coefficients[0] + X @ np.array(fit.coefficients[1:])

    u = np.linspace(-12, 12, 4_801)  # the trapezium rule on a smooth integrand that dies out at both ends
    total = 0.0
    for code in range(31):
        rows = athlete == code
        chance = special.expit(eta[rows][:, None] + fit.sd * u)
        each = np.where(y[rows][:, None] == 1, chance, 1 - chance).prod(axis=0)
        total += math.log(float((each * stats.norm.pdf(u)).sum() * (u[1] - u[0])))
    assert fit.sd > 1
    assert fit.log_likelihood == pytest.approx(total, abs=1e-6)


def test_no_spread_between_athletes_is_the_plain_logistic_fit():
    rng = np.random.default_rng(5)
    athlete = np.tile(np.arange(13), 3)  # each athlete lands both ways: less alike than chance
    y = np.concatenate([np.ones(13), np.zeros(13), rng.integers(0, 2, 13)]).astype(int)
    X = (athlete < 4).astype(int)
    fit, plain = random_intercept(y, X, athlete), maximum_likelihood(y, X)
    assert fit.sd == 0
    assert "sd 0" in fit.why
    assert fit.coefficients == pytest.approx(plain.coefficients, abs=1e-5)
    assert fit.standard_errors == pytest.approx(plain.standard_errors, abs=1e-4)
    assert fit.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-9)


def test_the_fit_does_not_depend_on_units_row_order_or_names():
    y, X, athlete = lopsided(1.0, seed=3)
    plain = random_intercept(y, X, athlete)
    order = np.random.default_rng(0).permutation(len(y))
    other = random_intercept(
        y[order], (X * [1, 1000] + [0, 7])[order], [("athlete", int(a)) for a in athlete[order]]
    )
    assert other.coefficients[1] == pytest.approx(plain.coefficients[1], abs=1e-4)
    assert 1000 * other.coefficients[2] == pytest.approx(plain.coefficients[2], abs=1e-4)
    assert (other.sd, other.log_likelihood) == pytest.approx((plain.sd, plain.log_likelihood), abs=1e-4)
    assert random_intercept(y, X, athlete, names=["first", "difficulty"]).names == (
        "constant",
        "first",
        "difficulty",
    )


def test_athletes_who_never_contradict_themselves_have_an_infinite_sd():
    y = np.repeat([1, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1], 3)
    fit = random_intercept(y, np.repeat([1] * 5 + [0] * 6, 3), np.repeat(np.arange(11), 3))
    assert fit.sd == math.inf
    assert all(math.isnan(value) for value in fit.coefficients)
    assert "always or never" in fit.why


def test_what_cannot_be_estimated_is_named():
    stuck = [1] * 9 + [1] * 14 + [0] * 8
    first = [1] * 9 + [0] * 22
    athlete = [i // 2 for i in range(31)]
    separated = random_intercept(stuck, first, athlete, names=["piked"])
    assert math.isnan(separated.coefficients[1])
    assert "piked" in separated.why
    y, X, codes = lopsided(1.0, seed=4)
    twice = random_intercept(y, np.column_stack([X, X[:, 0]]), codes)
    assert "combination" in twice.why
    assert "comes back" in random_intercept(y, X, range(len(y))).why
    assert "one athlete" in random_intercept(y, X, ["A"] * len(y)).why


def test_a_spread_too_large_for_the_points_is_said():
    y, X, athlete = lopsided(3.0, seed=3)
    assert "too coarse" in random_intercept(y, X, athlete, points=9).why
    assert random_intercept(y, X, athlete, points=100).why == ""


def test_bad_input_is_refused():
    y, X, codes = lopsided(1.0, seed=4)
    with pytest.raises(ValueError, match="points is 0"):
        random_intercept(y, X, codes, points=0)
    with pytest.raises(ValueError, match="each routine needs one of each"):
        random_intercept(y, X, codes[:-1])
    with pytest.raises(ValueError, match="missing code"):
        random_intercept(y, X, [None, *codes[1:]])
    with pytest.raises(ValueError, match="0 or 1"):
        random_intercept([2, *y[1:]], X, codes)
