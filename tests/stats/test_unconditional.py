"""Barnard's and Boschloo's tests: brute force in rational order, published values, and the traps."""

from __future__ import annotations

import itertools
import math
import tracemalloc
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import barnard_exact, binom, boschloo_exact, fisher_exact

from analysis.stats.budget import Budget
from analysis.stats.unconditional import barnard, boschloo

Table = tuple[int, int]
SIDES = ("two-sided", "greater", "less")


def pooled_key(table: Table, n1: int, n2: int, side: str) -> Fraction:
    """z |z| without its constant, as a fraction; more extreme is smaller."""
    x1, x2 = table
    total, lead = x1 + x2, x1 * n2 - x2 * n1
    z = Fraction(lead * abs(lead), total * (n1 + n2 - total)) if 0 < total < n1 + n2 else Fraction(0)
    return {"two-sided": -abs(z), "greater": -z, "less": z}[side]


def fisher_key(table: Table, n1: int, n2: int, side: str) -> Fraction:
    """Fisher's p as a fraction."""
    x1, total = table[0], sum(table)
    weights = {x: comb(n1, x) * comb(n2, total - x) for x in range(max(0, total - n2), min(n1, total) + 1)}
    kept = {
        "two-sided": [w for w in weights.values() if w <= weights[x1]],
        "greater": [w for x, w in weights.items() if x >= x1],
        "less": [w for x, w in weights.items() if x <= x1],
    }[side]
    return Fraction(sum(kept), comb(n1 + n2, total))


def brute_force(keys: dict[Table, Fraction], n1: int, n2: int) -> dict[Table, float]:
    """Supremum over the common rate for every table: dense grid, then four rounds of refinement at each peak."""
    size = n1 + n2
    totals = np.arange(size + 1)

    def chance(t: np.ndarray, counts: np.ndarray) -> np.ndarray:
        return (t[:, None] ** totals * (1 - t[:, None]) ** (size - totals)) @ counts

    grid = np.sin(np.linspace(0, np.pi / 2, 1201)) ** 2
    counts, found = np.zeros(size + 1), {}
    for _, tied in itertools.groupby(sorted(keys, key=keys.__getitem__), key=keys.__getitem__):
        tables = list(tied)
        for x1, x2 in tables:
            counts[x1 + x2] += comb(n1, x1) * comb(n2, x2)
        values = chance(grid, counts)
        best = values.max()
        padded = np.concatenate([[0], values, [0]])
        peaks = (values >= best * (1 - 1e-4)) & (values >= padded[:-2]) & (values >= padded[2:])
        for peak in np.flatnonzero(peaks):
            low, high = grid[max(peak - 1, 0)], grid[min(peak + 1, len(grid) - 1)]
            for _ in range(4):
                fine = np.linspace(low, high, 33)
                values = chance(fine, counts)
                top = int(values.argmax())
                best = max(best, values[top])
                low, high = fine[max(top - 1, 0)], fine[min(top + 1, 32)]
        found.update(dict.fromkeys(tables, float(best)))
    return found


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("test", "key"), [(barnard, pooled_key), (boschloo, fisher_key)])
def test_every_table_up_to_seven_by_seven_against_brute_force(test, key, side) -> None:
    """Run once to 12 x 12 (44,226 p-values): none below the supremum, none more than 1.1e-10 of it above."""
    for n1, n2 in itertools.combinations_with_replacement(range(1, 8), 2):  # swapping is tested below
        keys = {table: key(table, n1, n2, side) for table in itertools.product(range(n1 + 1), range(n2 + 1))}
        for (x1, x2), supremum in brute_force(keys, n1, n2).items():
            found = test(x1, n1, x2, n2, side)
            where = (x1, n1, x2, n2)
            assert found.p_value >= supremum * (1 - 1e-13), where
            assert found.p_value <= supremum * (1 + 1e-8), where
            assert found.attained <= supremum * (1 + 1e-13), where
            assert found.p_value == found.bound, where


# Source, call, digits as printed; M: the attribution to the paper is from memory.
PUBLISHED = [
    ("Barnard 1945 (M)", barnard, (3, 3, 0, 3, "greater"), 1 / 64, 6),
    ("Barnard 1945 (M)", barnard, (3, 3, 0, 3), 1 / 32, 6),
    ("Suissa-Shuster, Fagerland et al. 2017, tea", barnard, (3, 4, 1, 4), 0.28906, 5),
    ("Suissa-Shuster, Fagerland et al. 2017, Perondi", barnard, (7, 34, 1, 34), 0.02811, 5),
    ("Suissa-Shuster, Fagerland et al. 2017, Ritland", barnard, (0, 16, 15, 72), 0.0815, 4),
    ("Suissa-Shuster, Fagerland et al. 2017, Lampasona", barnard, (9, 13, 4, 14), 0.05228, 5),
    ("Fagerland et al. 2017, Lampasona", boschloo, (9, 13, 4, 14), 0.05228, 5),
    ("Perondi, recomputed (scipy and by hand)", boschloo, (7, 34, 1, 34), 0.03846, 5),
    ("Perondi, recomputed (scipy and by hand)", boschloo, (7, 34, 1, 34, "greater"), 0.01923, 5),
    ("Mehta & Senchaudhuri 2003, Chan 1998 influenza", barnard, (7, 15, 12, 15, "less"), 0.0341, 4),
    ("scipy's Boschloo page, Chan 1998", boschloo, (7, 15, 12, 15), 0.06822, 5),
    ("Mehta & Senchaudhuri 2003, Chan 1998 influenza", boschloo, (7, 15, 12, 15, "less"), 0.03411, 5),
    ("R package Barnard, in scipy's tests", barnard, (43, 53, 40, 79), 0.000362832, 9),
    ("R package Barnard, in scipy's tests", barnard, (2, 10, 7, 9), 0.0192108, 7),
    ("R package Barnard, in scipy's tests", barnard, (2, 10, 7, 9, "less"), 0.0098861, 7),
    ("scipy's tests: half of the doubled p", boschloo, (43, 53, 40, 79, "greater"), 0.000323111 / 2, 9),
    ("scipy's tests: half of the doubled p", boschloo, (2, 10, 7, 9, "less"), 0.0197723 / 2, 7),
    ("scipy's Boschloo page, Saari 2004", boschloo, (74, 117, 31, 63, "greater"), 0.0355, 3),
]


@pytest.mark.parametrize(("source", "test", "call", "printed", "digits"), PUBLISHED)
def test_published_unconditional_p_values(source, test, call, printed, digits) -> None:
    assert abs(test(*call).p_value - printed) <= 0.51 * 10**-digits, source


def test_published_statistics() -> None:
    assert barnard(7, 15, 12, 15).statistic == pytest.approx(-1.894, abs=5e-4)  # Mehta & Senchaudhuri 2003
    assert barnard(43, 53, 40, 79).statistic == pytest.approx(3.5554, abs=5e-5)  # R package Barnard
    assert boschloo(74, 117, 31, 63, "greater").statistic == pytest.approx(0.0483, abs=5e-5)  # scipy's page


def test_berger_boos_gamma_changes_p_and_is_off_by_default_trap_7() -> None:
    """Fagerland et al. 2017: pooled .0815 without, .0499 with gamma 1e-4; further rows .02821, .28916, .05238."""
    assert barnard(0, 16, 15, 72).p_value == pytest.approx(0.0815, abs=5e-5)
    assert barnard(0, 16, 15, 72, gamma=1e-4).p_value == pytest.approx(0.0499, abs=5e-5)
    assert barnard(7, 34, 1, 34, gamma=1e-4).p_value == pytest.approx(0.02821, abs=5e-6)
    assert barnard(3, 4, 1, 4, gamma=1e-4).p_value == pytest.approx(0.28916, abs=5e-6)
    assert boschloo(9, 13, 4, 14, gamma=1e-4).p_value == pytest.approx(0.05238, abs=5e-6)
    assert "gamma 0.0001" in barnard(0, 16, 15, 72, gamma=1e-4).method


def test_boschloo_counts_tied_tables_trap_3() -> None:
    """Comparing Fisher p-values without exact ties gives .03986 for 7/34 v 1/34 (.03619 with gamma 1e-4)."""
    assert boschloo(7, 34, 1, 34).p_value == pytest.approx(0.03846, abs=5e-6)
    assert boschloo(7, 34, 1, 34, gamma=1e-4).p_value == pytest.approx(0.03127, abs=5e-6)


def test_boschloo_two_sided_orders_by_the_two_sided_fisher_p_trap_5() -> None:
    """Doubling the smaller one-sided p is another test when the groups differ in size."""
    found = boschloo(0, 16, 15, 72)
    doubled = 2 * min(boschloo(0, 16, 15, 72, side).p_value for side in ("greater", "less"))
    assert abs(found.p_value - doubled) > 0.001
    assert found.statistic == pytest.approx(fisher_exact([[0, 16], [15, 57]]).pvalue, rel=1e-12)


def power_by_enumeration(x1: int, x2: int, n: int, rate: float) -> float:
    """P(pooled |z| as large as observed) for two groups of n: every table, integer comparison."""
    first = np.arange(n + 1, dtype=object)
    lead = (first[:, None] - first) ** 2
    total = first[:, None] + first
    spread = total * (2 * n - total)
    seen = (x1 + x2) * (2 * n - x1 - x2)
    extreme = (spread > 0) & (lead * seen >= (x1 - x2) ** 2 * spread)
    chances = binom.pmf(np.arange(n + 1), n, rate)
    return float(chances @ extreme.astype(float) @ chances)


def test_groups_are_rows_of_the_call_trap_1() -> None:
    """Chan 1998, 7/15 v 12/15: scipy takes columns as groups, and rows give .0598 (truly .0675) without a word."""
    columns = [[7, 12], [8, 3]]
    assert boschloo(7, 15, 12, 15).p_value == pytest.approx(boschloo_exact(columns).pvalue, rel=1e-6)
    assert barnard(7, 15, 12, 15).p_value == pytest.approx(barnard_exact(columns).pvalue, rel=2e-3)
    assert barnard(7, 19, 8, 11).p_value == pytest.approx(0.06751, abs=5e-6)


def test_scipys_chan_example_is_below_the_supremum() -> None:
    """Its documentation prints .034077 one-sided; at the common rate .66345 the region has .0341092."""
    reached = power_by_enumeration(7, 12, 15, 0.6634516255726243) / 2
    assert reached == pytest.approx(0.0341092, abs=5e-8)
    assert barnard(7, 15, 12, 15, "less").p_value == pytest.approx(reached, rel=1e-8)
    assert barnard_exact([[7, 12], [8, 3]], alternative="less").pvalue < reached * (1 - 9e-4)


@pytest.mark.parametrize("table", [(14, 19, 6, 23), (3, 9, 12, 14), (15, 20, 9, 20), (40, 61, 22, 50)])
@pytest.mark.parametrize("side", SIDES)
def test_agrees_with_scipy_where_its_optimiser_finds_the_peak(table, side) -> None:
    x1, n1, x2, n2 = table
    columns = [[x1, x2], [n1 - x1, n2 - x2]]
    peer = barnard_exact(columns, alternative=side).pvalue
    ours = barnard(*table, side)
    assert ours.p_value >= peer * (1 - 1e-9)
    assert ours.p_value == pytest.approx(peer, rel=2e-3)
    if side != "two-sided":
        assert boschloo(*table, side).p_value >= boschloo_exact(columns, alternative=side).pvalue * (1 - 1e-9)


def test_true_supremum_where_an_optimiser_stops_short() -> None:
    """110/200 v 95/200: .14375 (scipy 1.17.1 gives .14368). 270/500 v 250/500: .24818 near the edge (.21459)."""
    assert barnard(110, 200, 95, 200).p_value == pytest.approx(0.14375, abs=5e-6)
    found = barnard(270, 500, 250, 500)
    reached = power_by_enumeration(270, 250, 500, 0.9962146278366963)
    assert reached == pytest.approx(0.2481803914, abs=1e-9)
    assert reached * (1 - 1e-11) <= found.p_value <= reached * (1 + 1e-8)


counts = st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts, counts, st.sampled_from(SIDES), st.sampled_from([barnard, boschloo]))
@example((9, 9), (14, 22), "two-sided", barnard)
@example((0, 16), (15, 72), "two-sided", boschloo)
@settings(deadline=None, max_examples=150)
def test_swapping_groups_or_outcomes_changes_nothing_but_the_side(first, second, side, test) -> None:
    other = {"two-sided": "two-sided", "greater": "less", "less": "greater"}[side]
    p = test(*first, *second, side).p_value
    assert test(*second, *first, other).p_value == pytest.approx(p, rel=1e-9)
    missed = (first[1] - first[0], first[1]), (second[1] - second[0], second[1])
    assert test(*missed[0], *missed[1], other).p_value == pytest.approx(p, rel=1e-9)


@given(counts, counts, st.sampled_from(SIDES))
@settings(deadline=None, max_examples=100)
def test_boschloo_is_never_above_fisher_and_brackets_are_narrow(first, second, side) -> None:
    (x1, n1), (x2, n2) = first, second
    found = boschloo(x1, n1, x2, n2, side)
    assert found.p_value <= fisher_exact([[x1, n1 - x1], [x2, n2 - x2]], side).pvalue * (1 + 1e-9)
    for result in (found, barnard(x1, n1, x2, n2, side)):
        assert 0 < result.attained <= result.bound <= 1
        assert result.bound - result.attained <= 1e-9 * result.bound


few = st.integers(1, 14).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(few, few, st.integers(0, 1000).map(lambda k: k / 1000), st.sampled_from(SIDES))
@settings(deadline=None, max_examples=100)
def test_no_common_rate_gives_more_than_p(first, second, rate, side) -> None:
    (x1, n1), (x2, n2) = first, second
    key = pooled_key((x1, x2), n1, n2, side)
    chance = sum(
        comb(n1, a) * comb(n2, b) * rate ** (a + b) * (1 - rate) ** (n1 + n2 - a - b)
        for a, b in itertools.product(range(n1 + 1), range(n2 + 1))
        if pooled_key((a, b), n1, n2, side) <= key
    )
    assert chance <= barnard(x1, n1, x2, n2, side).p_value * (1 + 1e-12)


@given(counts, counts, st.sampled_from([barnard, boschloo]))
@settings(deadline=None, max_examples=60)
def test_gamma_costs_at_most_gamma(first, second, test) -> None:
    assert test(*first, *second, gamma=1e-3).p_value <= test(*first, *second).p_value * (1 + 1e-9) + 1e-3


def test_squares_past_64_bits_are_compared_exactly() -> None:
    """From 1,449 per group D^2 times s (N - s) passes 2^63; the mirrored table must still tie exactly."""
    n = 1449
    found = barnard(811, n, 733, n)
    mirrored = barnard(n - 733, n, n - 811, n)
    assert found.p_value == pytest.approx(mirrored.p_value, rel=1e-9)
    assert found.bound - found.attained <= 1e-9 * found.bound
    assert found.p_value == pytest.approx(math.erfc(found.statistic / math.sqrt(2)), rel=0.2)


def test_two_thousand_per_group_in_little_memory() -> None:
    tracemalloc.start()
    found = barnard(1070, 2000, 1000, 2000), boschloo(1070, 2000, 1000, 1990, "greater")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert all(result.bound - result.attained <= 1e-9 * result.bound for result in found)
    assert peak < 200e6


def test_edges_of_the_scale() -> None:
    assert barnard(0, 10, 0, 20).p_value == boschloo(0, 10, 0, 20).p_value == 1
    assert barnard(10, 10, 20, 20).p_value == 1
    assert barnard(1, 1, 0, 1).p_value == pytest.approx(0.5, rel=1e-9)  # 2 t (1 - t) at a half
    assert barnard(10, 10, 0, 20).p_value == pytest.approx(2**20 / 3**30, rel=1e-2)
    assert barnard(3, 6, 4, 8).p_value == 1
    assert barnard(4, 8, 3, 6, "greater").p_value == barnard(4, 8, 3, 6, "less").p_value
    beyond = barnard(2000, 2000, 0, 2000)
    assert (beyond.attained, beyond.bound) == (0, 1e-280)
    assert boschloo(2000, 2000, 0, 2000).p_value == 1e-280


def test_a_one_sided_p_near_one_keeps_its_order() -> None:
    """1/40 v 33/41, "greater": Fisher's p is 1 - 3e-16, where sums of floats can't tell one table from the next."""
    found = boschloo(1, 40, 33, 41, "greater")
    assert 0.99 < found.p_value <= 1
    assert found.bound - found.attained <= 1e-9


def test_empty_group_and_budget_are_said() -> None:
    for test in (barnard, boschloo):
        found = test(0, 0, 3, 5)
        assert math.isnan(found.p_value)
        assert "group without routines" in found.why
        asymptotic = test(9, 9, 14, 22, budget=Budget(operations=10))
        assert "asymptotic" in asymptotic.method
        assert "budget" in asymptotic.why
        assert asymptotic.p_value == pytest.approx(0.035706, abs=5e-7)
        assert math.isnan(asymptotic.bound)


def test_odd_but_sound_input_is_taken() -> None:
    expected = barnard(9, 9, 14, 22)
    assert barnard(np.int64(9), np.int32(9), 14.0, 22) == expected
    assert isinstance(expected.p_value, float)
    assert type(expected.attained) is type(expected.bound) is type(expected.statistic) is float


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ((10, 9, 1, 2), "needs 0 <= x <= n"),
        ((1.5, 9, 1, 2), "whole numbers"),
        ((1, 9, -1, 2), "needs 0 <= x <= n"),
        ((1, 9, 1, 2, "higher"), "not one of two-sided, greater, less"),
        ((1, 9, 1, 2, "greater", 1.0), "gamma is 1.0"),
    ],
)
def test_wrong_input_is_named(call, message) -> None:
    for test in (barnard, boschloo):
        with pytest.raises(ValueError, match=message):
            test(*call)
