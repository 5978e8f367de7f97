"""The exact stratified rank sum against coin, against every split counted out, and its fallback."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from fractions import Fraction
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.budget import Budget
from analysis.stats.deductions import rank_sum
from analysis.stats.ordinal import stratified_rank

FOLDER = Path(__file__).parent.parent / "reference" / "ordinal"
SIDES = ("two-sided", "greater", "less")
GRADES = [3] * 9 + [3] * 8 + [2] * 2 + [0] + [3] * 6 + [2] * 2 + [1] * 3
FIRST = [True] * 9 + [False] * 22
MEETS = [1] * 4 + [2] * 5 + [1] * 11 + [2] * 11


def test_twelve_generated_sets_agree_with_coin():
    # Source: tests/reference/ordinal (coin 1.4-2, exact shift algorithm on whole-number scores with blocks).
    sets = defaultdict(list)
    with open(FOLDER / "strata.csv", encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            sets[row["set"]].append(row)
    with open(FOLDER / "strata_values.csv", encoding="utf-8", newline="") as file:
        expected = list(csv.DictReader(file))
    assert len(expected) == 12
    for values in expected:
        found = sets[values["set"]]
        given = [[int(row[name]) for row in found] for name in ("grade", "first", "stratum")]
        for side, column in zip(SIDES, ("two_sided", "greater", "less"), strict=True):
            test = stratified_rank(*given, alternative=side)
            assert test.p_value == pytest.approx(float(values[column]), rel=1e-8), values["set"]
            assert test.draws == 0


def counted_out(grade, first, stratum, alternative):
    """p, mid-p and smallest p from every split, in fractions; midranks from their definition."""
    parts, seen = [], Fraction(0)
    for h in sorted(set(stratum)):
        here = [i for i, code in enumerate(stratum) if code == h]
        n1 = sum(first[i] for i in here)
        rank = {
            i: Fraction(
                2 * sum(grade[j] < grade[i] for j in here) + sum(grade[j] == grade[i] for j in here) + 1, 2
            )
            for i in here
        }
        weight = Fraction(1, len(here) + 1)
        seen += weight * sum(rank[i] for i in here if first[i])
        parts.append([weight * sum(rank[i] for i in chosen) for chosen in combinations(here, n1)])
    totals = [sum(chosen) - Fraction(sum(first), 2) for chosen in product(*parts)]
    seen -= Fraction(sum(first), 2)
    turn = {"two-sided": abs, "greater": lambda v: v, "less": lambda v: -v}[alternative]
    extreme = [turn(total) for total in totals]
    reached, beyond = (sum(e >= turn(seen) for e in extreme), sum(e > turn(seen) for e in extreme))
    smallest = sum(e == max(extreme) for e in extreme)
    return [Fraction(count, len(totals)) for count in (reached, smallest)] + [
        Fraction(reached + beyond, 2 * len(totals))
    ]


@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.booleans(), st.integers(0, 2)), min_size=3, max_size=12).filter(
        lambda routines: 0 < sum(first for _, first, _ in routines) < len(routines)
    ),
    st.sampled_from(SIDES),
)
def test_every_split_counted_out(routines, side):
    grade, first, stratum = zip(*routines, strict=True)
    p_value, smallest, mid_p = counted_out(grade, first, stratum, side)
    test = stratified_rank(grade, first, stratum, side)
    assert test.p_value == pytest.approx(float(p_value), rel=1e-12)
    assert test.mid_p == pytest.approx(float(mid_p), rel=1e-12)
    assert test.smallest == pytest.approx(float(smallest), rel=1e-12)


def test_one_stratum_is_the_rank_sum():
    for side in SIDES:
        plain = rank_sum(GRADES[:9], GRADES[9:], side)
        test = stratified_rank(GRADES, FIRST, ["autumn"] * 31, side)
        assert test.p_value == pytest.approx(plain.p_value, rel=1e-12)
        assert test.smallest == pytest.approx(plain.smallest, rel=1e-12)
        assert test.statistic == pytest.approx(plain.statistic / 32)


def test_mirrored_grades_turn_the_sides():
    up = stratified_rank(GRADES, FIRST, MEETS, "greater")
    down = stratified_rank([-grade for grade in GRADES], FIRST, MEETS, "less")
    assert up.p_value == pytest.approx(down.p_value, rel=1e-12)
    assert up.p_value < 0.5


def test_strata_that_say_nothing_are_counted_and_change_nothing():
    alone = stratified_rank(GRADES, FIRST, MEETS)
    more = stratified_rank(
        [*GRADES, 0, 0, 3, 3, 3], [*FIRST, True, True, True, False, False], [*MEETS, 3, 3, 4, 4, 4]
    )
    assert more.p_value == pytest.approx(alone.p_value, rel=1e-12)
    assert more.why == "2 strata say nothing: one technique or one grade only"
    assert more.statistic - alone.statistic == pytest.approx(3 / 2)


def test_no_stratum_with_both_techniques():
    test = stratified_rank(GRADES, FIRST, FIRST)
    assert (test.p_value, test.smallest) == (1.0, 1.0)
    assert "2 strata say nothing" in test.why


def test_random_splits_past_the_budget_say_so_and_are_near():
    exact = stratified_rank(GRADES, FIRST, MEETS)
    drawn = stratified_rank(GRADES, FIRST, MEETS, budget=Budget(operations=2e8, cells=10), seed=4)
    assert drawn.draws > 10_000
    assert abs(drawn.p_value - exact.p_value) < 5 * drawn.error
    assert abs(drawn.mid_p - exact.mid_p) < 5 * drawn.error
    assert "Monte Carlo" in drawn.method
    assert "random splits" in drawn.why
    assert drawn == stratified_rank(GRADES, FIRST, MEETS, budget=Budget(operations=2e8, cells=10), seed=4)


def test_weights_past_64_bits_are_drawn_in_whole_numbers():
    # Strata of 16 sizes whose common multiple no 64-bit number holds.
    sizes = [p - 1 for p in (3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59)]
    rng = np.random.default_rng(2)
    stratum = np.repeat(np.arange(len(sizes)), sizes)
    assert math.prod(size + 1 for size in sizes) > 2**63
    test = stratified_rank(
        rng.integers(0, 4, len(stratum)), rng.random(len(stratum)) < 0.3, stratum, budget=Budget(1e7)
    )
    assert test.draws >= 1_000
    assert 0 < test.p_value <= 1


@pytest.mark.parametrize(
    ("grade", "first", "stratum", "told"),
    [
        ([1, 2, 3], [True, False], [1, 1, 1], "stratum has 3 codes and first 2"),
        ([1, 2], [True, True], [1, 1], "the second technique has no routine"),
        ([1, 2], [True, False], [1, None], r"stratum\[1\] is None"),
        ([1, math.nan], [True, False], [1, 1], r"outcome\[1\] is nan"),
        ([1, 2], [True, "no"], [1, 1], r"first\[1\] is 'no'"),
        ([1, 2], [True, False], "ab", "stratum is 'ab'"),
    ],
)
def test_what_the_stratified_rank_sum_refuses(grade, first, stratum, told):
    with pytest.raises(ValueError, match=told):
        stratified_rank(grade, first, stratum)


def test_an_unknown_side_is_refused():
    with pytest.raises(ValueError, match="alternative 'higher' is not one of"):
        stratified_rank(GRADES, FIRST, MEETS, "higher")
