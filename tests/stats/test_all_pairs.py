"""All pairs of techniques: the family-wise error, computed exactly, and what closed testing gains."""

from __future__ import annotations

import itertools
import math
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.budget import Budget
from analysis.stats.conditional import fisher
from analysis.stats.many_groups import all_pairs, freeman_halton, holm


def test_holm_1979_worked_example():
    # .01 .04 .03 .005 -> .03 .06 .06 .02 (from memory)
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))


@pytest.mark.parametrize("values", [[0.2, 1.2], [-0.1], [math.nan]])
def test_holm_refuses_what_is_no_p_value(values):
    with pytest.raises(ValueError, match="between 0 and 1"):
        holm(values)


techniques = st.integers(1, 8).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@settings(deadline=None, max_examples=50)
@given(st.lists(techniques, min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_family_p_is_never_below_the_raw_one_and_follows_the_callers_order(counts, random):
    found = all_pairs(counts)
    assert found.pairs == tuple(itertools.combinations(range(len(counts)), 2))
    for (i, j), raw, family in zip(found.pairs, found.p_values, found.family_p_values, strict=True):
        assert raw == pytest.approx(fisher(*counts[i], *counts[j]).p_value, rel=1e-11)
        assert raw <= family <= 1
    order = random.sample(range(len(counts)), len(counts))
    turned = all_pairs([counts[i] for i in order])
    known = dict(zip(map(frozenset, found.pairs), found.family_p_values, strict=True))
    for (i, j), family in zip(turned.pairs, turned.family_p_values, strict=True):
        assert family == pytest.approx(known[frozenset((order[i], order[j]))], rel=1e-11)


def test_closed_testing_by_hand_for_four_techniques():
    counts = [(9, 9), (14, 22), (3, 9), (6, 14)]
    block = {
        chosen: freeman_halton([[counts[i][0], counts[i][1] - counts[i][0]] for i in chosen]).p_value
        for size in (2, 3, 4)
        for chosen in itertools.combinations(range(4), size)
    }
    pairs = 1 - (1 - min(block[0, 1], block[2, 3])) ** 2
    expected = max(block[0, 1], block[0, 1, 2], block[0, 1, 3], block[0, 1, 2, 3], pairs)
    assert all_pairs(counts).family_p_values[0] == pytest.approx(expected)


def error_by_rates(sizes, rates, wrong):
    """Chance, over all counts, that some pair in `wrong` has a family-wise p of .05 or less."""
    error = 0.0
    for stuck in itertools.product(*(range(n + 1) for n in sizes)):
        found = decided(tuple(zip(stuck, sizes, strict=True)))
        if any(found[pair] <= 0.05 for pair in wrong):
            error += math.prod(
                math.comb(n, x) * rate**x * (1 - rate) ** (n - x)
                for x, n, rate in zip(stuck, sizes, rates, strict=True)
            )
    return error


@cache
def decided(counts):
    found = all_pairs(counts)
    return dict(zip(found.pairs, found.family_p_values, strict=True))


@pytest.mark.parametrize("rate", [0.2, 0.5, 0.7, 0.9])
def test_three_equal_techniques_are_told_apart_in_at_most_alpha_of_all_meets(rate):
    # exactly, over all 5 x 6 x 6 outcomes
    assert error_by_rates((4, 5, 5), (rate,) * 3, [(0, 1), (0, 2), (1, 2)]) <= 0.05


def test_control_is_strong_a_third_technique_that_differs_does_not_raise_the_error():
    for odd in (0.05, 0.3, 0.98):
        assert error_by_rates((4, 5, 5), (0.6, 0.6, odd), [(0, 1)]) <= 0.05


def test_closed_testing_claims_more_than_holm_over_all_meets_of_three_small_groups():
    closed = stepped = 0
    for stuck in itertools.product(range(5), range(6), range(6)):
        counts = tuple(zip(stuck, (4, 5, 5), strict=True))
        found = decided(counts)
        closed += sum(p <= 0.05 for p in found.values())
        stepped += sum(p <= 0.05 for p in holm(all_pairs(counts).p_values))
    assert closed > stepped


def test_two_techniques_need_no_correction():
    found = all_pairs([(9, 9), (14, 22)])
    assert found.p_values == found.family_p_values


def test_past_six_techniques_holm_takes_over_and_is_named():
    counts = [(9, 9), (14, 22), (3, 9), (5, 5), (2, 8), (7, 7), (1, 6)]
    found = all_pairs(counts)
    assert "Holm" in found.control
    assert found.family_p_values == holm(found.p_values)
    assert "closed testing" in all_pairs(counts[:6]).control


def test_one_sided_pairs_are_fishers_with_holm():
    counts = [(9, 9), (14, 22), (3, 9)]
    found = all_pairs(counts, alternative="greater")
    assert found.p_values == tuple(
        fisher(*counts[i], *counts[j], alternative="greater").p_value for i, j in found.pairs
    )
    assert found.family_p_values == holm(found.p_values)


def test_pairs_that_were_drawn_are_said():
    found = all_pairs([(9, 9), (14, 22), (3, 9)], budget=Budget(operations=1.0, draws=1_000))
    assert "drawn" in found.why
    assert found.to_dict()["why"] == found.why


@pytest.mark.parametrize("counts", [[(9, 9)], [(10, 9), (1, 2)], [(1.5, 9), (1, 2)]])
def test_pairs_refuse_what_is_no_list_of_counts(counts):
    with pytest.raises(ValueError, match=r"."):
        all_pairs(counts)
