"""Rank inference for tied points and grades: published values, enumeration, edges and coverage."""

from __future__ import annotations

import itertools
import math
import random
import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.clustered import clustered_superiority
from analysis.stats.deductions import hodges_lehmann, rank_sum

TIED_FIRST = [0, 0, 0, 0.1, 0.1, 0.3, 0, 1]
TIED_SECOND = [0.1, 0.3, 0.3, 0, 0.5, 0.1, 0.3, 0.3, 0]
# Brunner & Munzel 2000, pain scores, as printed in the documentation of two R packages.
PAIN_FIRST = [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1]
PAIN_SECOND = [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4]
# Hollander & Wolfe 1973, p. 69, permeability, as printed in R's documentation.
TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLY = [1.15, 0.88, 0.90, 0.74, 1.21]

points = st.lists(st.sampled_from([0, 0, 0.1, 0.3, 0.5, 1.0]), min_size=1, max_size=9)


def random_groups(rng, most=5):
    values = [0, 0, 0, 1, 3, 5, 10]
    return tuple([rng.choice(values) for _ in range(rng.randint(1, most))] for _ in range(2))


def test_tied_deductions_rank_sum_is_the_exact_value_with_ties():
    # A common rank-sum routine that ignores ties gives .3213 here
    assert rank_sum(TIED_FIRST, TIED_SECOND).p_value == pytest.approx(0.3052, abs=5e-5)


def test_brunner_munzel_2000_pain_rank_sum_exact_with_ties():
    # R (coin); the rank statistic as printed: P(X < Y) + half P(tie) = .788961
    found = rank_sum(PAIN_FIRST, PAIN_SECOND)
    assert found.p_value == pytest.approx(0.006690, abs=5e-7)
    assert 1 - found.estimate == pytest.approx(0.788961, abs=5e-7)


def test_hollander_wolfe_1973_page_69_rank_sum():
    found = rank_sum(TERM, EARLY, "greater")
    assert found.p_value == pytest.approx(0.1272, abs=5e-5)
    assert found.statistic - 10 * 11 / 2 == 35
    assert rank_sum(TERM, EARLY).p_value == pytest.approx(0.2544, abs=5e-5)


def test_hollander_wolfe_1973_page_69_hodges_lehmann():
    found = hodges_lehmann(EARLY, TERM)
    assert (found.estimate, found.low, found.high) == (-0.305, -0.76, 0.15)


def test_bergmann_2000_rotarod_rank_sum_data_from_memory():
    # p .0373 two-sided and .01863 one-sided: R (coin). The times are from memory; the ranks they give are not in doubt:
    # all twelve controls and seven of the treated share the longest time.
    control, treated = [300] * 12, [18, 22, 75, 163, 271] + [300] * 7
    assert rank_sum(control, treated).p_value == pytest.approx(0.0373, abs=5e-5)
    assert rank_sum(control, treated, "greater").p_value == pytest.approx(0.01863, abs=5e-6)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
def test_rank_sum_and_hodges_lehmann_agree_with_r_without_ties():
    code = (
        "x <- c(.80,.83,1.89,1.04,1.45,1.38,1.91,1.64,.73,1.46); y <- c(1.15,.88,.90,.74,1.21);"
        "w <- wilcox.test(x, y, conf.int = TRUE, conf.level = .9);"
        "cat(sprintf('%.15g', c(w$p.value, w$estimate, w$conf.int)))"
    )
    said = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=True).stdout.split()
    p, estimate, low, high = (float(word) for word in said)
    shift = hodges_lehmann(TERM, EARLY, 0.9)
    assert rank_sum(TERM, EARLY).p_value == pytest.approx(p, rel=1e-12)
    assert (shift.estimate, shift.low, shift.high) == pytest.approx((estimate, low, high), abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(points, points)
def test_superiority_limits_stay_between_0_and_1_and_around_the_estimate(first, second):
    found = rank_sum(first, second)
    assert 0 <= found.low <= found.estimate <= found.high <= 1
    assert found.high - found.low > 0.01
    one_sided = rank_sum(first, second, "greater")
    assert one_sided.high == 1
    assert one_sided.low >= found.low


def test_nine_clean_routines_against_twenty_two_losses_have_limits():
    found = rank_sum([0] * 9, [0.3] * 22)
    assert found.estimate == 0
    assert found.low == 0
    assert 0.05 < found.high < 0.3
    assert found.p_value == pytest.approx(1 / math.comb(31, 9))


def test_hodges_lehmann_is_the_median_of_all_differences_and_its_quantile_the_enumerated_one():
    rng = random.Random(8)
    for _ in range(40):
        first, second = random_groups(rng, most=6)
        differences = sorted(a - b for a in first for b in second)
        found = hodges_lehmann(first, second, 0.8)
        assert found.estimate == pytest.approx(float(np.median(differences)))
        n1, n2 = len(first), len(second)
        counts = [sum(chosen) - n1 * (n1 - 1) // 2 for chosen in itertools.combinations(range(n1 + n2), n1)]
        cut = max(
            (k for k in range(1, n1 * n2 + 1) if sum(u < k for u in counts) * 10 <= len(counts)), default=0
        )
        if cut and len(set(first)) + len(set(second)) > 2:
            assert (found.low, found.high) == (differences[cut - 1], differences[-cut])


def test_hodges_lehmann_of_large_groups_says_that_its_quantile_is_normal():
    rng = np.random.default_rng(1)
    found = hodges_lehmann(rng.choice([0, 0.1, 0.3], 900), rng.choice([0, 0.1, 0.3, 1.0], 700))
    assert "normal" in found.method
    exact, normal = (hodges_lehmann(range(n), range(n)) for n in (100, 600))
    assert "exact" in exact.method
    assert exact.low < 0 < exact.high
    assert normal.low < 0 < normal.high


def test_superiority_covers_at_its_level_in_a_few_lopsided_cells():
    # 250 samples a cell at a fixed seed; the larger search is in the docstring of rank_sum
    rng = np.random.default_rng(20261125)
    grades = np.array([0, 0.1, 0.3, 0.5, 1.0])
    for p, q, n1, n2 in (
        ([0.8, 0.1, 0.05, 0.03, 0.02], [0.3, 0.25, 0.2, 0.15, 0.1], 9, 22),
        ([0.6, 0.2, 0.1, 0.05, 0.05], [0.6, 0.2, 0.1, 0.05, 0.05], 5, 14),
    ):
        truth = sum(a * (sum(q[:i]) + q[i] / 2) for i, a in enumerate(p))
        covered = 0
        for _ in range(250):
            found = rank_sum(rng.choice(grades, n1, p=p), rng.choice(grades, n2, p=q))
            covered += found.low <= truth <= found.high
        assert covered >= 0.94 * 250


def test_superiority_with_one_routine_each_is_near_the_unclustered_interval():
    first, second = (
        [3, 3, 2, 3, 3, 3, 2, 3, 3],
        [0, 1, 3, 2, 2, 0, 1, 3, 0, 3, 3, 2, 1, 0, 2, 3, 3, 1, 2, 3, 0, 2],
    )
    clustered = clustered_superiority(first + second, [True] * 9 + [False] * 22, range(31))
    plain = rank_sum(first, second)
    assert clustered.estimate == pytest.approx(plain.estimate - 0.5)
    assert clustered.low == pytest.approx(plain.low - 0.5, abs=0.01)
    assert clustered.high == pytest.approx(plain.high - 0.5, abs=0.01)
    repeated = clustered_superiority(
        [value for value in first + second for _ in range(3)],
        [True] * 27 + [False] * 66,
        [who for who in range(31) for _ in range(3)],
    )
    assert (repeated.low, repeated.high) == pytest.approx((clustered.low, clustered.high), abs=0.02)


def test_superiority_at_the_edge_has_a_limit():
    found = clustered_superiority(
        [3] * 10 + [1] * 12, [True] * 10 + [False] * 12, [i // 2 for i in range(22)]
    )
    assert (found.estimate, found.high) == (0.5, 0.5)
    assert 0 < found.low < 0.4
    flat = clustered_superiority([3] * 22, [True] * 10 + [False] * 12, [i // 2 for i in range(22)])
    assert flat.low == pytest.approx(-flat.high)
    assert flat.high > 0.1
