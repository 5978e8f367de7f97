"""One proportion: published limits, the equations that define them, and a scan of Blaker's acceptability."""

import json
import math
import shutil
import subprocess
from fractions import Fraction
from itertools import pairwise
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.stats.proportions import proportion_interval, wilson_limits

METHODS = ("wilson", "clopper-pearson", "mid-p", "jeffreys", "agresti-coull", "blaker")


def agrees(value: float, printed: str) -> bool:
    """Within half a unit of the last printed digit."""
    decimals = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 0.5 * 10**-decimals * (1 + 1e-9)


# Newcombe 1998, Statistics in Medicine 17:857-872, Table I. The Wilson limits are quoted from the paper in a public
# test file; the other rows are attributed to the paper from memory and were recomputed in R 4.2.2.
NEWCOMBE_TABLE_1 = [
    ("wilson", 81, 263, ".2553", ".3662"),
    ("wilson", 15, 148, ".0624", ".1605"),
    ("wilson", 0, 20, "0", ".1611"),
    ("wilson", 1, 29, ".0061", ".1718"),
    ("clopper-pearson", 81, 263, ".2527", ".3676"),
    ("clopper-pearson", 15, 148, ".0578", ".1617"),
    ("clopper-pearson", 0, 20, "0", ".1684"),
    ("clopper-pearson", 1, 29, ".0009", ".1776"),
    ("mid-p", 81, 263, ".2544", ".3658"),
    ("mid-p", 15, 148, ".0601", ".1581"),
    ("mid-p", 0, 20, "0", ".1391"),
    ("mid-p", 1, 29, ".0017", ".1585"),
]


@pytest.mark.parametrize(("method", "x", "n", "low", "high"), NEWCOMBE_TABLE_1)
def test_newcombe_1998_table_1(method, x, n, low, high):
    found = proportion_interval(x, n, method)
    assert agrees(found.low, low)
    assert agrees(found.high, high)


@pytest.mark.parametrize(
    ("method", "x", "n", "low", "high"),
    [
        # Ligarden 2010 in Fagerland, Lydersen & Laake 2017: output of the authors' package, recomputed.
        ("wilson", 13, 16, ".5699", ".9341"),
        ("clopper-pearson", 13, 16, ".5435", ".9595"),
        ("mid-p", 13, 16, ".5699", ".9500"),
        ("jeffreys", 13, 16, ".5792", ".9442"),
        # The same package at the edges.
        ("clopper-pearson", 0, 1, "0", ".975"),
        ("mid-p", 0, 9, "0", ".2831"),
        # Agresti, Categorical Data Analysis, vegetarians: attribution from memory, numbers recomputed in R 4.2.2.
        ("wilson", 0, 25, "0", ".133"),
        ("clopper-pearson", 0, 25, "0", ".137"),
        ("mid-p", 0, 25, "0", ".113"),
        # Agresti & Coull 1998 (from memory, recomputed); the printed upper limit of 1.004 is cut at 1 here.
        ("wilson", 9, 10, ".596", ".982"),
        ("clopper-pearson", 9, 10, ".555", ".997"),
        ("agresti-coull", 9, 10, ".574", "1"),
        # A standard table of Wilson limits, in several public test files.
        ("wilson", 0, 10, "0", ".2775"),
        ("wilson", 5, 10, ".2366", ".7634"),
        ("wilson", 10, 10, ".7225", "1"),
        ("wilson", 1, 20, ".0089", ".2361"),
        # Brown, Cai & DasGupta 2001, Statistical Science 16, Jeffreys at n = 7: from memory, recomputed in R
        # 4.2.2 (qbeta), which gives .7655 at x = 3 where .766 was remembered.
        ("jeffreys", 1, 7, ".016", ".501"),
        ("jeffreys", 2, 7, ".065", ".648"),
        ("jeffreys", 3, 7, ".139", ".765"),
        ("jeffreys", 0, 7, "0", ".292"),
    ],
)
def test_published_limits_of_one_proportion(method, x, n, low, high):
    found = proportion_interval(x, n, method)
    assert agrees(found.low, low)
    assert agrees(found.high, high)


@pytest.mark.parametrize("method", METHODS)
def test_zero_and_full_counts_end_exactly_at_the_edge(method):
    none, every = proportion_interval(0, 9, method), proportion_interval(9, 9, method)
    assert none.low == 0.0
    assert 0 < none.high < 1
    assert every.high == 1.0
    assert every.low == pytest.approx(1 - none.high, abs=1e-15)


@pytest.mark.parametrize("method", METHODS)
def test_nothing_observed_leaves_every_rate_possible_and_says_so(method):
    found = proportion_interval(0, 0, method)
    assert math.isnan(found.estimate)
    assert (found.low, found.high) == (0.0, 1.0)
    assert found.why
    assert found.to_dict()["estimate"] is None


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(("x", "n"), [(1, 9), (14, 22), (15, 72), (8, 9), (3, 1_000_000)])
def test_limits_put_back_into_their_equations(x, n, level):
    half = (1 - level) / 2
    exact, mid = (proportion_interval(x, n, m, level) for m in ("clopper-pearson", "mid-p"))
    assert stats.binom.sf(x - 1, n, exact.low) == pytest.approx(half, rel=1e-9)
    assert stats.binom.cdf(x, n, exact.high) == pytest.approx(half, rel=1e-9)
    tails = (stats.binom.sf(x, n, mid.low), stats.binom.cdf(x - 1, n, mid.high))
    for tail, limit in zip(tails, (mid.low, mid.high), strict=True):
        assert tail + stats.binom.pmf(x, n, limit) / 2 == pytest.approx(half, rel=1e-9)
    score = proportion_interval(x, n, "wilson", level)
    for limit in (score.low, score.high):
        z = abs(x / n - limit) / math.sqrt(limit * (1 - limit) / n)
        assert z == pytest.approx(stats.norm.isf(half), rel=1e-9)
    belief = proportion_interval(x, n, "jeffreys", level)
    assert stats.beta.cdf(belief.low, x + 0.5, n - x + 0.5) == pytest.approx(half, rel=1e-9)
    assert stats.beta.sf(belief.high, x + 0.5, n - x + 0.5) == pytest.approx(half, rel=1e-9)


def test_mid_p_at_nine_of_nine_is_a_root():
    assert proportion_interval(9, 9, "mid-p").low == pytest.approx(0.05 ** (1 / 9), rel=1e-13)


def acceptability(x: int, n: int, p: Fraction) -> Fraction:
    """Blaker's acceptability by its definition, in rational arithmetic."""
    chances = [comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)]
    tails = [min(sum(chances[: k + 1]), sum(chances[k:])) for k in range(n + 1)]
    return sum((c for c, t in zip(chances, tails, strict=True) if t <= tails[x]), Fraction(0))


@pytest.mark.parametrize("level", ["0.95", "0.9", "0.5"])
@pytest.mark.parametrize("n", [1, 2, 3, 7, 9, 11])
def test_blaker_limits_bound_the_accepted_rates(n, level):
    alpha, near = 1 - Fraction(level), Fraction(1, 10**9)
    for x in range(n + 1):
        found = proportion_interval(x, n, "blaker", float(level))
        for limit, inwards in ((found.low, 1), (found.high, -1)):
            if 0 < limit < 1:
                assert acceptability(x, n, Fraction(limit) + inwards * near) > alpha
                assert acceptability(x, n, Fraction(limit) - inwards * near) <= alpha + Fraction(1, 10**12)


def test_no_rate_outside_blakers_limits_is_accepted():
    n, rates = 13, np.linspace(0, 1, 4001)
    counts = np.arange(n + 1)[:, None]
    chances = stats.binom.pmf(counts, n, rates)
    tails = np.minimum(stats.binom.cdf(counts, n, rates), stats.binom.sf(counts - 1, n, rates))
    for x in range(n + 1):
        accepted = rates[np.where(tails <= tails[x] * (1 + 1e-12), chances, 0).sum(axis=0) > 0.05 + 1e-12]
        found = proportion_interval(x, n, "blaker")
        assert found.low <= accepted[0] <= found.low + 3e-4
        assert found.high - 3e-4 <= accepted[-1] <= found.high


@pytest.mark.parametrize("n", [4, 9, 22, 31])
def test_blaker_lies_within_clopper_pearson(n):
    for x in range(n + 1):
        blaker, exact = proportion_interval(x, n, "blaker"), proportion_interval(x, n, "clopper-pearson")
        assert exact.low - 1e-12 <= blaker.low
        assert blaker.high <= exact.high + 1e-12


@pytest.mark.parametrize("method", ["clopper-pearson", "blaker"])
def test_exact_limits_cover_at_every_rate(method):
    n = 17
    limits = [proportion_interval(x, n, method) for x in range(n + 1)]
    ends = [end for found in limits for end in (found.low, found.high)]
    rates = np.clip(
        np.concatenate([np.linspace(0, 1, 501), np.add(ends, 1e-9), np.subtract(ends, 1e-9)]), 0, 1
    )
    chances = stats.binom.pmf(np.arange(n + 1)[:, None], n, rates)
    held = [(found.low <= rates) & (rates <= found.high) for found in limits]
    assert (chances * held).sum(axis=0).min() >= 0.95


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_swapping_success_and_failure_mirrors_the_limits(data):
    n = data.draw(st.integers(1, 400))
    x = data.draw(st.integers(0, n))
    level = data.draw(st.sampled_from([0.8, 0.9, 0.95, 0.99]))
    for method in METHODS:
        one, other = proportion_interval(x, n, method, level), proportion_interval(n - x, n, method, level)
        assert one.low == pytest.approx(1 - other.high, abs=1e-12)
        assert one.high == pytest.approx(1 - other.low, abs=1e-12)
        assert 0 <= one.low < one.high <= 1
        if method not in ("agresti-coull", "jeffreys"):
            assert one.low <= x / n <= one.high


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 200), st.sampled_from(METHODS))
def test_more_successes_move_both_limits_up(n, method):
    found = [proportion_interval(x, n, method) for x in range(0, n + 1, max(1, n // 9))]
    assert all(a.low <= b.low + 1e-12 and a.high <= b.high + 1e-12 for a, b in pairwise(found))


def test_wilson_limits_take_an_effective_size_and_any_quantile():
    low, high = wilson_limits(0.8, 17.25, 2.1)
    for limit in (low, high):
        assert (0.8 - limit) ** 2 == pytest.approx(2.1**2 * limit * (1 - limit) / 17.25, rel=1e-12)
    assert wilson_limits(0, 3.5, 4.3)[0] == 0.0
    assert wilson_limits(1, 3.5, 4.3)[1] == 1.0
    assert wilson_limits(0.3, 3.5, math.inf) == (0.0, 1.0)
    assert wilson_limits(1, 9, 1.959963984540054) == pytest.approx(
        (proportion_interval(9, 9).low, 1.0), abs=1e-12
    )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [((1.5, 9, 2), "between 0 and 1"), ((math.nan, 9, 2), "between 0 and 1"), ((0.5, 0, 2), "above 0")],
)
def test_wilson_limits_refuse_what_cannot_be(arguments, words):
    with pytest.raises(ValueError, match=words):
        wilson_limits(*arguments)
    with pytest.raises(ValueError, match="0 or more"):
        wilson_limits(0.5, 9, -1)


def test_refusals_say_what_is_allowed():
    with pytest.raises(ValueError, match="wilson, clopper-pearson, mid-p, jeffreys, agresti-coull, blaker"):
        proportion_interval(9, 9, "wald")
    with pytest.raises(ValueError, match="needs 0 <= x <= n"):
        proportion_interval(10, 9)
    with pytest.raises(ValueError, match="whole numbers"):
        proportion_interval(8.5, 9)
    with pytest.raises(ValueError, match=r"such as 0\.95"):
        proportion_interval(9, 9, level=95)


def test_numpy_counts_are_counts():
    assert proportion_interval(np.int64(9), np.int32(9)) == proportion_interval(9, 9)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
def test_clopper_pearson_in_r():
    cases = [(0, 9), (9, 9), (14, 22), (15, 72), (1, 29), (437, 980)]
    script = "for (k in list({})) cat(binom.test(k[1], k[2])$conf.int, '\\n', sep = ' ')".format(
        ", ".join(f"c({x}, {n})" for x, n in cases)
    )
    lines = subprocess.run(
        ["Rscript", "-e", f"options(digits = 15); {script}"], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    for (x, n), line in zip(cases, lines, strict=True):
        found = proportion_interval(x, n, "clopper-pearson")
        assert [found.low, found.high] == pytest.approx(json.loads(f"[{','.join(line.split())}]"), abs=1e-7)
