"""Points lost: exact inference against published values, enumeration and the equations that define a limit."""

from __future__ import annotations

import itertools
import math
import random
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.stats.budget import Budget
from analysis.stats.deductions import hodges_lehmann, permutation_mean_difference, rank_sum, thousandths
from analysis.stats.ranks import midranks_doubled
from analysis.stats.splits import Splits, subset_sums, whole_units

SMALL = Budget(operations=2e10, cells=1, draws=20_000)  # nothing fits: random splits

TIED_FIRST = [0, 0, 0, 0.1, 0.1, 0.3, 0, 1]
TIED_SECOND = [0.1, 0.3, 0.3, 0, 0.5, 0.1, 0.3, 0.3, 0]
# Brunner & Munzel 2000, pain scores, as printed in the documentation of two R packages.
PAIN_FIRST = [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1]
PAIN_SECOND = [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4]
# Jackal mandibles (Manly); the data are known, the book's own count is not.
MALE = [120, 107, 110, 116, 114, 111, 113, 117, 114, 112]
FEMALE = [110, 111, 107, 108, 110, 105, 107, 106, 111, 111]


def enumerated_p(first, second, alternative, shift=Fraction(0), half_ties=False):
    """The permutation p of the difference of means by enumeration, in rationals."""
    pooled = [Fraction(v) - shift for v in first] + [Fraction(v) for v in second]
    n1, n, total = len(first), len(pooled), sum(pooled)

    def difference(chosen):
        inside = sum(pooled[i] for i in chosen)
        return inside / n1 - (total - inside) / (n - n1)

    signed = {"two-sided": abs, "greater": lambda d: d, "less": lambda d: -d}[alternative]
    observed = signed(difference(range(n1)))
    every = [signed(difference(chosen)) for chosen in itertools.combinations(range(n), n1)]
    hits = sum(d >= observed for d in every)
    if half_ties:
        hits = Fraction(hits + sum(d > observed for d in every), 2)
    return Fraction(hits, len(every)), Fraction(every.count(max(every)), len(every))


# Published values


def test_brunner_munzel_2000_pain_permutation_of_means():
    # R (own enumeration)
    assert permutation_mean_difference(PAIN_FIRST, PAIN_SECOND).p_value == pytest.approx(0.008119, abs=5e-7)


def test_manly_jackals_full_enumeration():
    # R (full enumeration): 308 of 184,756 one-sided
    found = permutation_mean_difference(MALE, FEMALE, "greater")
    assert found.estimate == pytest.approx(4.8, abs=1e-12)
    assert found.p_value == pytest.approx(308 / 184_756, rel=1e-14)


# Enumeration


def random_groups(rng, most=5):
    values = [0, 0, 0, 1, 3, 5, 10]
    return tuple([rng.choice(values) for _ in range(rng.randint(1, most))] for _ in range(2))


def test_permutation_p_mid_p_and_smallest_p_equal_enumeration():
    rng = random.Random(3)
    for _ in range(250):
        first, second = random_groups(rng)
        alternative = rng.choice(["two-sided", "greater", "less"])
        found = permutation_mean_difference([v / 10 for v in first], [v / 10 for v in second], alternative)
        p, smallest = enumerated_p(first, second, alternative)
        assert found.p_value == float(p), (first, second, alternative)
        assert found.smallest == float(smallest)
        assert found.mid_p == pytest.approx(
            float(enumerated_p(first, second, alternative, half_ties=True)[0])
        )


def test_rank_sum_p_equals_enumeration_of_midranks():
    rng = random.Random(4)
    for _ in range(150):
        first, second = random_groups(rng)
        alternative = rng.choice(["two-sided", "greater", "less"])
        ranks = midranks_doubled(np.array(first + second)).tolist()
        p, _ = enumerated_p(ranks[: len(first)], ranks[len(first) :], alternative)
        assert rank_sum(first, second, alternative).p_value == float(p)
        assert midranks_doubled(np.array(first)).tolist() == (2 * stats.rankdata(first)).tolist()


def critical_shifts(first, second):
    """Every shift at which some split ties with the observed one, on either side."""
    difference = Fraction(sum(first), len(first)) - Fraction(sum(second), len(second))
    harmonic = Fraction(2 * len(first) * len(second), len(first) + len(second))
    found = {difference}
    for size in range(1, min(len(first), len(second)) + 1):
        for out in itertools.combinations(first, size):
            for into in itertools.combinations(second, size):
                loss = sum(out) - sum(into)
                found.add(Fraction(loss, size))
                if harmonic != size:
                    found.add((harmonic * difference - loss) / (harmonic - size))
    return sorted(found)


def test_shift_interval_is_the_hull_of_all_accepted_shifts_and_has_no_gap():
    rng = random.Random(5)
    checked = 0
    while checked < 60:
        first, second = random_groups(rng, most=4)
        level = rng.choice([0.5, 0.8, 0.9, 0.95])
        alternative = rng.choice(["two-sided", "greater", "less"])
        if len(set(first)) == len(set(second)) == 1:
            continue
        shifts = critical_shifts(first, second)
        if len(shifts) > 60:
            continue
        checked += 1
        found = permutation_mean_difference(
            [v / 10 for v in first], [v / 10 for v in second], alternative, level
        )
        alpha = 1 - Fraction(str(level))
        outside = [shifts[0] - 10_000, shifts[-1] + 10_000]
        accepted = [enumerated_p(first, second, alternative, s)[0] > alpha for s in shifts]
        open_ends = [enumerated_p(first, second, alternative, s)[0] > alpha for s in outside]
        low = -math.inf if open_ends[0] else float(shifts[accepted.index(True)]) / 10
        high = math.inf if open_ends[1] else float(shifts[len(shifts) - 1 - accepted[::-1].index(True)]) / 10
        assert found.low == pytest.approx(low, abs=1e-12), (first, second, alternative, level)
        assert found.high == pytest.approx(high, abs=1e-12), (first, second, alternative, level)
        inside = accepted[accepted.index(True) : len(accepted) - accepted[::-1].index(True)]
        assert all(inside)


def test_limit_of_a_lopsided_sample_solves_its_own_equation():
    # 9 v 22: p at the limit is above .05, just outside it is not
    first = [0, 0, 0.1, 0, 0.3, 0, 0, 0.1, 0]
    second = [0.1, 0.3, 0, 0, 0.5, 0.1, 0.3, 1, 0, 0.1, 0.1, 0, 0, 0.3, 0.1, 0, 0.5, 0, 0.1, 0.3, 0, 0.1]
    found = permutation_mean_difference(first, second)
    (one, two), unit = whole_units(thousandths(first), thousandths(second))
    splits = Splits(one, two)
    for limit, outward in ((found.low, -1), (found.high, 1)):
        at = Fraction(limit * 1000 / unit).limit_denominator(2 * 9 * 22)
        assert splits.share(at, "two-sided", Fraction(1, 20)) > Fraction(1, 20)
        beyond = at + outward * Fraction(1, 10**9)
        assert splits.share(beyond, "two-sided", Fraction(1, 20)) <= Fraction(1, 20)


def test_subset_sums_equal_enumeration():
    values = [0, 3, 3, 10, 1, 0, 7]
    for size, row in enumerate(subset_sums(np.array(values), 5)):
        sums = [sum(chosen) for chosen in itertools.combinations(values, size)]
        counted = {row.offset + k: int(count) for k, count in enumerate(row.counts) if count}
        assert counted == {s: sums.count(s) for s in set(sums)}
        assert row.above.tolist() == [sum(s >= row.offset + k for s in sums) for k in range(len(row.counts))]


# Size


def test_all_or_nothing_deductions_of_200_a_group_follow_the_hypergeometric_law():
    first, second = [0.3] * 37 + [0] * 163, [0.3] * 61 + [0] * 139
    found = permutation_mean_difference(first, second)
    law = stats.hypergeom(400, 98, 200)
    assert found.p_value == pytest.approx(law.cdf(37) + law.sf(60), rel=1e-10)
    assert found.draws == 0
    assert rank_sum(first, second).p_value == pytest.approx(found.p_value, rel=1e-10)


def test_counts_past_two_to_the_53_are_right_to_a_relative_1e_12():
    rng = np.random.default_rng(11)
    one, two = (rng.choice([0, 1, 3, 5, 10], size) for size in (45, 38))
    floats, wholes = Splits(one, two), Splits(one, two, object)
    for shift in (Fraction(0), Fraction(-1, 3), Fraction(2, 7)):
        for alternative in ("two-sided", "greater", "less"):
            exact = Fraction(int(wholes.count(shift, alternative)), wholes.total)
            assert float(Fraction(floats.count(shift, alternative)) / floats.total) == pytest.approx(
                float(exact), rel=1e-12
            )


def test_p_of_exactly_five_percent_is_found_in_whole_numbers_past_the_floats():
    # one routine of 400 loses anything; it is one of the first twenty: p = 20/400, and 0 is just excluded
    found = permutation_mean_difference([0.1] + [0] * 19, [0] * 380)
    assert found.p_value == 0.05
    assert found.low > 0


def test_two_hundred_tied_deductions_a_group_are_exact():
    rng = np.random.default_rng(12)
    first, second = (rng.choice([0, 0, 0.1, 0.3, 0.4, 1.0], 200) for _ in range(2))
    for routine in (permutation_mean_difference, rank_sum):
        found = routine(first, second)
        assert found.draws == 0
        assert found.method.startswith("exact")


# Past the budget


def test_random_splits_stand_in_past_the_budget_and_say_so():
    exact = permutation_mean_difference(TIED_FIRST, TIED_SECOND)
    drawn = permutation_mean_difference(TIED_FIRST, TIED_SECOND, budget=SMALL, seed=1)
    assert drawn.draws == 20_000
    assert "random splits" in drawn.why
    assert drawn.error == pytest.approx(math.sqrt(drawn.p_value * (1 - drawn.p_value) / 20_000))
    assert drawn.p_value == pytest.approx(exact.p_value, abs=5 * drawn.error)
    assert (drawn.low, drawn.high) == pytest.approx((exact.low, exact.high), abs=0.03)
    assert drawn == permutation_mean_difference(TIED_FIRST, TIED_SECOND, budget=SMALL, seed=1)
    ranks = rank_sum(TIED_FIRST, TIED_SECOND, budget=SMALL, seed=1)
    assert ranks.p_value == pytest.approx(0.3052, abs=5 * ranks.error)


@pytest.mark.parametrize("alternative", ["two-sided", "greater", "less"])
def test_random_splits_keep_p_and_interval_together(alternative):
    rng = random.Random(6)
    for seed in range(25):
        first, second = ([rng.choice([0, 0.1, 0.3, 1]) for _ in range(n)] for n in (7, 12))
        found = permutation_mean_difference(first, second, alternative, level=0.7, budget=SMALL, seed=seed)
        if not math.isnan(found.low):
            assert (found.p_value > 0.3) == (found.low <= 0 <= found.high)


# Properties

points = st.lists(st.sampled_from([0, 0, 0.1, 0.3, 0.5, 1.0]), min_size=1, max_size=9)


@settings(deadline=None, max_examples=150)
@given(points, points, st.sampled_from([0.5, 0.9, 0.95]), st.sampled_from(["two-sided", "greater", "less"]))
def test_the_interval_holds_zero_exactly_when_the_test_accepts_it(first, second, level, alternative):
    found = permutation_mean_difference(first, second, alternative, level)
    if not math.isnan(found.low):
        alpha = float(1 - Fraction(str(level)))
        assert (found.p_value > alpha) == (found.low <= 0 <= found.high)


@settings(deadline=None, max_examples=100)
@given(points, points)
def test_swapping_the_groups_turns_every_sign(first, second):
    for routine in (permutation_mean_difference, hodges_lehmann):
        one, two = routine(first, second), routine(second, first)
        assert (one.estimate, one.low, one.high) == pytest.approx(
            (-two.estimate, -two.high, -two.low), abs=1e-12, nan_ok=True
        )
    one, two = rank_sum(first, second), rank_sum(second, first)
    assert one.p_value == pytest.approx(two.p_value, rel=1e-12)
    assert (one.estimate, one.low, one.high) == pytest.approx((1 - two.estimate, 1 - two.high, 1 - two.low))
    assert rank_sum(first, second, "greater").p_value == pytest.approx(
        rank_sum(second, first, "less").p_value
    )


@settings(deadline=None, max_examples=60)
@given(points, points, st.integers(-30, 30), st.integers(1, 7))
def test_moving_and_stretching_all_points_changes_nothing_else(first, second, move, stretch):
    plain = permutation_mean_difference(first, second)
    moved = permutation_mean_difference(
        *([round(stretch * v + move / 10, 3) for v in group] for group in (first, second))
    )
    assert moved.p_value == plain.p_value
    assert (moved.low, moved.high) == pytest.approx(
        (stretch * plain.low, stretch * plain.high), abs=1e-12, nan_ok=True
    )


# Edges


def test_two_constant_groups_have_a_p_but_no_interval():
    for second, p in (([0] * 22, 1.0), ([0.3] * 22, 1 / math.comb(31, 9))):
        found = permutation_mean_difference([0] * 9, second)
        assert found.p_value == pytest.approx(p)
        assert math.isnan(found.low)
        assert math.isnan(found.high)
        assert "cannot say" in found.why
        assert math.isnan(hodges_lehmann([0] * 9, second).low)
    assert rank_sum([0] * 9, [0] * 22).p_value == 1


def test_too_few_routines_for_a_limit_is_an_infinite_limit_with_a_reason():
    found = permutation_mean_difference([0, 0.1, 0.3], [0.5, 0, 1.0])
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert found.smallest == pytest.approx(2 / 20)
    assert "too few" in found.why
    assert hodges_lehmann([0.1], [0.2, 0.3]).low == -math.inf


def test_one_sided_intervals_end_at_the_edge_of_the_scale():
    greater = permutation_mean_difference(TIED_SECOND, TIED_FIRST, "greater")
    assert greater.high == math.inf
    assert greater.low > permutation_mean_difference(TIED_SECOND, TIED_FIRST).low
    assert hodges_lehmann(TIED_SECOND, TIED_FIRST, alternative="less").low == -math.inf


# Input


def test_thousandths_takes_what_a_sheet_may_hold():
    assert thousandths(
        [0.1 + 0.2, np.float32(0.1), Decimal("0.35"), Fraction(1, 8), True, np.int64(2)]
    ).tolist() == [
        300,
        100,
        350,
        125,
        1000,
        2000,
    ]
    assert thousandths(pd.Series([0.3, -0.0], index=[7, 9])).tolist() == [300, 0]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.3333, "three decimals"),
        (float("nan"), "missing"),
        (None, "missing"),
        (pd.NaT, "missing"),
        (pd.NA, "missing"),
        (float("inf"), "finite"),
        ("0.3", "finite numbers"),
        (1e9, "finite numbers"),
        (0.1 + 1j, "finite numbers"),
    ],
)
def test_a_value_that_is_no_number_of_points_is_named_with_its_place(value, said):
    with pytest.raises(ValueError, match=rf"first\[1\] is .*{said}"):
        permutation_mean_difference([0.1, value], [0.3])


def test_impossible_questions_are_refused_with_what_is_allowed():
    with pytest.raises(ValueError, match="second has no values"):
        rank_sum([0.1], [])
    with pytest.raises(ValueError, match="two-sided, greater, less"):
        rank_sum([0.1], [0.3], "larger")
    with pytest.raises(ValueError, match="level"):
        permutation_mean_difference([0.1], [0.3], level=95)
    with pytest.raises(ValueError, match="list of points"):
        hodges_lehmann(0.1, [0.3])
