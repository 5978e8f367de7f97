"""Two rates with a prior: posteriors against exact rational values, other integration and simple identities."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad
from scipy.special import expit
from scipy.stats import beta

from analysis.stats import alike_prior
from analysis.stats.alike_prior import AlikeRates
from analysis.stats.priors import ALIKE, NAMED, _Beta, _difference_at_most, beta_binomial, prior_sensitivity


def chance_first_higher(a1, b1, a2, b2):
    """P(p1 > p2) for whole parameters, as a fraction.

    The sum over i < a1 of B(a2 + i, b1 + b2) / ((b1 + i) B(1 + i, b1) B(a2, b2)), from the distribution function of a
    beta variable with whole parameters, which is a binomial tail.
    """

    def whole_beta(a, b):
        return Fraction(math.factorial(a - 1) * math.factorial(b - 1), math.factorial(a + b - 1))

    return sum(
        whole_beta(a2 + i, b1 + b2) / ((b1 + i) * whole_beta(1 + i, b1) * whole_beta(a2, b2))
        for i in range(a1)
    )


COUNTS = [
    (9, 9, 14, 22),
    (0, 16, 15, 72),
    (1, 1, 0, 1),
    (30, 30, 29, 30),
    (0, 0, 3, 5),
    (0, 10, 0, 20),
    (340, 400, 21, 60),
]


@pytest.mark.parametrize("counts", COUNTS)
def test_chance_that_the_first_is_higher_is_the_exact_fraction(counts):
    x1, n1, x2, n2 = counts
    exact = chance_first_higher(1 + x1, 1 + n1 - x1, 1 + x2, 1 + n2 - x2)
    assert beta_binomial(*counts).first_higher == pytest.approx(float(exact), abs=1e-12)


def test_every_small_table_agrees_with_the_exact_fraction():
    """All tables of 4 and 7; run once by hand for all of up to 30 and 30 at steps of 3: largest difference 3e-14."""
    for x1 in range(5):
        for x2 in range(8):
            exact = chance_first_higher(1 + x1, 5 - x1, 1 + x2, 8 - x2)
            assert beta_binomial(x1, 4, x2, 7).first_higher == pytest.approx(float(exact), abs=1e-12)


@pytest.mark.parametrize("prior", [(0.5, 0.5), (0.1, 0.1), (0.2, 30), ((8, 2), (0.5, 3))])
@pytest.mark.parametrize("d", [-0.6, -0.05, 0.0, 0.001, 0.4])
def test_the_distribution_of_the_difference_agrees_with_adaptive_integration(prior, d):
    """scipy's quad with the beta quantile as variable, which takes the singular ends away."""
    (a1, b1), (a2, b2) = np.broadcast_to(prior, (2, 2))
    first, second = beta(a1 + 9, b1), beta(a2 + 14, b2 + 8)

    def at(u):
        return first.cdf(second.ppf(u) + d)

    kinks = [second.cdf(edge) for edge in (-d, 1 - d) if 0 < edge < 1]
    expected, error = quad(at, 0, 1, points=kinks, epsabs=1e-11, limit=400)
    assert error < 1e-8
    found = _difference_at_most(_Beta(a1 + 9, b1), _Beta(a2 + 14, b2 + 8), d)
    assert found == pytest.approx(expected, abs=2e-8)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 30), st.integers(0, 30), st.integers(0, 300), st.integers(0, 300),
    st.sampled_from([(1, 1), (0.5, 0.5), (0.1, 4), (20, 1)]),
)  # fmt: skip
def test_swapping_the_techniques_mirrors_the_posterior(x1, rest1, x2, rest2, prior):
    one = beta_binomial(x1, x1 + rest1, x2, x2 + rest2, prior)
    two = beta_binomial(x2, x2 + rest2, x1, x1 + rest1, prior)
    assert one.first_higher + two.first_higher == pytest.approx(1, abs=1e-11)
    assert one.difference.estimate == pytest.approx(-two.difference.estimate, abs=1e-8)
    assert (one.difference.low, one.difference.high) == pytest.approx(
        (-two.difference.high, -two.difference.low), abs=1e-8
    )
    assert one.difference.low < one.difference.estimate < one.difference.high
    assert -1 <= one.difference.low <= one.difference_mean <= one.difference.high <= 1


def test_the_limits_of_the_difference_have_their_tails():
    found = beta_binomial(9, 9, 14, 22, (0.5, 0.5), level=0.9)
    first, second = _Beta(9.5, 0.5), _Beta(14.5, 8.5)
    assert _difference_at_most(first, second, found.difference.low) == pytest.approx(0.05, abs=1e-8)
    assert _difference_at_most(first, second, found.difference.high) == pytest.approx(0.95, abs=1e-8)
    assert found.first.low == pytest.approx(beta(9.5, 0.5).ppf(0.05))
    assert found.second.high == pytest.approx(beta(14.5, 8.5).ppf(0.95))
    assert found.difference_mean == pytest.approx(9.5 / 10 - 14.5 / 23)


def test_thousands_of_routines_come_near_the_normal():
    found = beta_binomial(52_000, 100_000, 310_000, 600_000)
    sd = math.sqrt(0.52 * 0.48 / 1e5 + 31 / 60 * 29 / 60 / 6e5)
    assert (found.difference.high - found.difference.low) / (2 * 1.959964 * sd) == pytest.approx(1, abs=1e-3)
    assert 0 <= beta_binomial(0, 10**5, 10**5, 10**5).first_higher < 1e-9
    assert beta_binomial(10**6, 2 * 10**6, 1, 3).difference.low == pytest.approx(
        0.5 - beta(2, 3).ppf(0.975), abs=1e-3
    )


@pytest.mark.parametrize("counts", [(9, 9, 14, 22), (1, 1, 0, 1)])
def test_alike_rates_agree_with_two_way_adaptive_integration(counts):
    x1, n1, x2, n2 = counts

    def density(delta, m):
        one, two = expit(m + delta / 2), expit(m - delta / 2)
        like = one**x1 * (1 - one) ** (n1 - x1) * two**x2 * (1 - two) ** (n2 - x2)
        return 1e6 * like * math.exp(-(delta**2) / 2) * expit(m) * expit(-m)

    total = dblquad(density, -30, 30, -9, 9, epsabs=1e-9)[0]
    above = dblquad(density, -30, 30, 0, 9, epsabs=1e-9)[0]
    rates = AlikeRates(((x1, n1), (x2, n2)), 1.0)
    assert 1 - rates.difference_at_most(0.0) == pytest.approx(above / total, abs=1e-6)


@pytest.mark.parametrize(
    "counts", [((9, 9), (14, 22)), ((30, 30), (29, 30)), ((0, 0), (3, 5)), ((3000, 5000), (20, 60))]
)
@pytest.mark.parametrize("sd", [0.5, 2.0])
def test_alike_rates_do_not_depend_on_the_nodes(counts, sd, monkeypatch):
    found = AlikeRates(counts, sd)
    monkeypatch.setattr(alike_prior, "_PER_SD", 4.0)
    monkeypatch.setattr(alike_prior, "_DROP", 36.0)
    finer = AlikeRates(counts, sd)
    assert found.means == pytest.approx(finer.means, abs=1e-9)
    for d in (-0.5, -0.02, 0.0, 0.1, 0.3):
        assert found.difference_at_most(d) == pytest.approx(finer.difference_at_most(d), abs=1e-6)
    for axis in (0, 1):
        assert found.quantile(axis, 0.975) == pytest.approx(finer.quantile(axis, 0.975), abs=1e-7)


def test_the_tighter_the_rates_are_held_together_the_smaller_the_difference():
    found = {posterior.prior: posterior.difference for posterior in prior_sensitivity(9, 9, 14, 22)}
    alike = [found[label] for label, _ in ALIKE]
    assert [line.estimate for line in alike] == sorted(line.estimate for line in alike)
    assert alike[0].low < 0 < alike[2].low
    # An almost free log odds ratio leaves each rate to itself, with a logit that is free as well.
    wide = AlikeRates(((9, 20), (14, 22)), 30.0)
    assert wide.means == pytest.approx((0.45, 14 / 22), abs=0.01)


def test_without_data_the_prior_comes_back():
    for label, sd in ALIKE:
        rates = AlikeRates(((0, 0), (0, 0)), sd)
        assert rates.means == pytest.approx((0.5, 0.5))
        assert rates.difference_at_most(0.0) == pytest.approx(0.5, abs=1e-7), label
    flat = beta_binomial(0, 0, 0, 0)
    # The difference of two uniform rates is triangular.
    assert flat.difference.low == pytest.approx(-1 + math.sqrt(0.05), abs=1e-9)


def test_the_list_is_fixed_and_in_order():
    found = prior_sensitivity(9, 9, 14, 22, level=0.9)
    assert [posterior.prior for posterior in found] == [label for label, _ in (*NAMED, *ALIKE)]
    assert found[0].difference == beta_binomial(9, 9, 14, 22, level=0.9).difference
    assert all(posterior.level == 0.9 and posterior.n == 31 for posterior in found)
    json.dumps([posterior.to_dict() for posterior in found], allow_nan=False)
    assert beta_binomial(np.int64(9), 9.0, 14, 22, np.array([1, 1])) == beta_binomial(9, 9, 14, 22)
    assert "with the first technique" in beta_binomial(9, 9, 14, 22, ((8, 2), (1, 1))).prior


@pytest.mark.parametrize(
    "prior", [(0, 1), (1, 2, 3), (0.05, 1), (1, 2e6), ("a", 1), ((1, 1), (1,)), (math.nan, 1), 1]
)
def test_priors_that_make_no_sense_are_refused(prior):
    with pytest.raises(ValueError, match="prior is"):
        beta_binomial(9, 9, 14, 22, prior)


def test_counts_and_levels_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="first group"):
        beta_binomial(10, 9, 14, 22)
    with pytest.raises(ValueError, match="second group"):
        prior_sensitivity(9, 9, 23, 22)
    with pytest.raises(ValueError, match="level"):
        prior_sensitivity(9, 9, 14, 22, level=95)
