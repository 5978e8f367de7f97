"""The exact r x c test: published values, enumeration in fractions, R.

"R" = R 4.2.2 with its packages, computed for the project's table of references; "authors' package" = the test file of
the package that accompanies Fagerland, Lydersen & Laake 2017; "from memory" = attributed to a paper from memory.
"""

from __future__ import annotations

import itertools
import math
import shutil
import subprocess
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from all_tables import as_columns, chance, one_column, share, small_tables
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.budget import Budget
from analysis.stats.conditional import fisher
from analysis.stats.many_groups import freeman_halton
from analysis.stats.paths import factorials, ladder, meet

TINY = Budget(operations=1.0, draws=20_000)
JOBS = [[1, 3, 10, 6], [2, 3, 10, 7], [1, 6, 14, 12], [0, 1, 9, 11]]
MEHTA_PATEL = [
    [1, 2, 2, 1, 1, 0, 1],
    [2, 0, 0, 2, 3, 0, 0],
    [0, 1, 1, 1, 2, 7, 3],
    [1, 1, 2, 0, 0, 0, 1],
    [0, 1, 1, 1, 1, 0, 0],
]
VAN_BALEN = [[40, 25], [54, 7], [63, 10]]
MANGERUD = [[62, 21], [97, 48], [10, 12], [30, 7], [132, 78], [34, 17]]
LUND = [[22, 4, 12], [24, 9, 10], [51, 7, 6]]


@pytest.mark.parametrize(
    ("source", "table", "p", "half_digit"),
    [
        ("Agresti 2002 p. 57, job satisfaction; R ?fisher.test prints .7827", JOBS, 0.78268, 5e-6),
        ("Mehta & Patel 1983, sixth table; input R ?fisher.test, output R", MEHTA_PATEL, 0.03928964, 5e-9),
        (
            "Van Balen 2003, table 7.3 of Fagerland et al. 2017; authors' package, R",
            VAN_BALEN,
            0.000271,
            5e-7,
        ),
        ("Lund 2012, table 7.6 of Fagerland et al. 2017; authors' package, R", LUND, 0.0187, 5e-5),
        ("Mangerud 2014, table 7.4 of Fagerland et al. 2017; R", MANGERUD, 0.04037, 5e-6),
    ],
)
def test_published_exact_r_by_c(source, table, p, half_digit):
    assert freeman_halton(table).p_value == pytest.approx(p, abs=half_digit), source


@settings(deadline=None, max_examples=300)
@given(small_tables)
def test_exact_p_equals_enumeration_of_all_tables_in_fractions(table):
    seen = chance(as_columns(table))
    found = freeman_halton(table)
    assert found.p_value == pytest.approx(float(share(table, lambda t: chance(t) <= seen)), rel=1e-11)
    assert found.attained <= found.bound == found.p_value <= 1
    assert found.bound - found.attained <= 1e-11
    assert found.draws == 0


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=5, max_size=7).filter(
        lambda table: 0 < sum(map(sum, table)) <= 22
    )
)
def test_many_techniques_stuck_or_not_equal_enumeration(table):
    seen = chance(as_columns(np.asarray(table).T))
    exact = share(np.asarray(table).T, lambda t: chance(t) <= seen)
    assert freeman_halton(table).p_value == pytest.approx(float(exact), rel=1e-11)


def test_two_by_two_is_fishers_test_in_every_small_table():
    for n1, n2 in ((1, 1), (3, 8), (7, 7), (6, 9)):
        for x1, x2 in itertools.product(range(n1 + 1), range(n2 + 1)):
            ours = freeman_halton([[x1, n1 - x1], [x2, n2 - x2]]).p_value
            assert ours == pytest.approx(fisher(x1, n1, x2, n2).p_value, rel=1e-12)


def test_fishers_test_with_thousands_of_routines():
    assert freeman_halton([[1450, 550], [1380, 620]]).p_value == pytest.approx(
        fisher(1450, 2000, 1380, 2000).p_value, rel=1e-9
    )


@settings(deadline=None, max_examples=60)
@given(small_tables, st.randoms(use_true_random=False))
def test_order_of_rows_and_columns_and_transposing_change_nothing(table, random):
    one = freeman_halton(table).p_value
    rows = random.sample(table, len(table))
    order = random.sample(range(len(table[0])), len(table[0]))
    assert freeman_halton([[row[i] for i in order] for row in rows]).p_value == pytest.approx(one, rel=1e-11)
    assert freeman_halton(np.asarray(table).T).p_value == pytest.approx(one, rel=1e-11)


def test_a_larger_table_agrees_with_all_tables_added_up():
    # 4 x 3 with 41 routines, added in integers: weights are scaled by the product of all row factorials.
    table = np.array([[6, 2, 1], [3, 5, 4], [2, 2, 7], [5, 1, 3]])
    rows, columns = table.sum(axis=1), table.sum(axis=0).tolist()
    scale = math.prod(math.factorial(int(n)) for n in rows)

    def weight(t):
        return scale // math.prod(math.factorial(x) for row in t for x in row)

    seen, low, whole = weight(table.tolist()), 0, 0
    for first in one_column(columns[0], tuple(rows.tolist())):
        left = tuple((rows - first).tolist())
        for second in one_column(columns[1], left):
            here = weight(list(zip(first, second, np.subtract(left, second).tolist(), strict=True)))
            whole += here
            low += here if here <= seen else 0
    assert freeman_halton(table).p_value == pytest.approx(float(Fraction(low, whole)), rel=1e-11)


def test_equal_products_of_factorials_have_equal_keys():
    keys = factorials(3000).keys
    for one, other in (
        ((10,), (7, 6)),
        ((6,), (5, 3)),
        ((16,), (14, 5, 2)),
        ((9,), (7, 3, 3, 2)),
        ((24, 1), (23, 4)),
        ((720, 5), (719, 6, 5)),
    ):
        assert math.prod(map(math.factorial, one)) == math.prod(map(math.factorial, other))
        assert sum(keys[n] for n in one) == sum(keys[n] for n in other)


def test_keys_stay_within_their_guard_of_the_logarithm():
    numbers = factorials(3000)
    for n in (2, 17, 500, 3000):
        assert (
            abs(int(numbers.keys[n]) / numbers.scale - math.lgamma(n + 1))
            < numbers.guard / numbers.scale + 1e-9
        )


def test_ties_across_different_counts_are_ties():
    # 6! 1! 1! ... : 6 1 / 5 3-like swaps tie without being permutations of each other; both orders of rounding count.
    table = [[6, 0, 3], [1, 5, 2], [2, 3, 1]]
    seen = chance(as_columns(table))
    exact = share(table, lambda t: chance(t) <= seen)
    tied = share(table, lambda t: chance(t) == seen)
    assert freeman_halton(table).p_value == pytest.approx(float(exact), rel=1e-12)
    assert tied > 0


@pytest.mark.parametrize("shape", [(3, 3, 60), (3, 4, 45), (4, 4, 30), (3, 6, 24), (7, 2, 70)])
def test_working_in_small_pieces_changes_nothing(shape, monkeypatch):
    rows, columns, size = shape
    tables = np.random.default_rng(6).multinomial(size, np.full(rows * columns, 1 / (rows * columns)), 3)
    whole = [freeman_halton(table.reshape(rows, columns)).p_value for table in tables]
    monkeypatch.setattr("analysis.stats.paths.CHUNK", 50)
    monkeypatch.setattr("analysis.stats.contingency.BATCH", 3)
    for table, known in zip(tables, whole, strict=True):
        assert freeman_halton(table.reshape(rows, columns)).p_value == pytest.approx(known, rel=1e-11)


def test_sums_near_the_observed_key_are_counted_and_named_doubtful_unless_equal():
    one = ladder(np.array([100, 0]), np.array([0.5, 0.25]))
    other = ladder(np.array([7, 50, 7, 53, 58, 200]), np.array([0.1, 0.2, 0.1, 0.3, 0.15, 0.15]))
    # observed 153, guard 5: 100 + 50 and 100 + 58 lie within it, 100 + 53 is a tie, the rest is clear
    found, doubtful = meet(one, other, 153, 5)
    assert found == pytest.approx(0.5 * (0.2 + 0.3 + 0.15 + 0.15) + 0.25 * 0.15)
    assert doubtful == pytest.approx(0.5 * (0.2 + 0.15))
    assert meet(one, other, 153, 2) == (pytest.approx(0.5 * (0.3 + 0.15 + 0.15) + 0.25 * 0.15), 0)
    assert meet(ladder(np.array([], dtype=int), np.array([])), other, 153, 5) == (0, 0)


def test_empty_rows_and_columns_are_left_out():
    full = freeman_halton([[9, 0], [14, 8], [5, 11]]).p_value
    assert freeman_halton([[9, 0, 0], [0, 0, 0], [14, 0, 8], [5, 0, 11]]).p_value == full


@pytest.mark.parametrize(
    "table", [[[9, 14, 5]], [[9], [14]], [[9, 0], [14, 0]], [[0, 0], [0, 0]], [[0, 0], [3, 8]]]
)
def test_a_single_row_or_column_has_nothing_to_compare(table):
    found = freeman_halton(table)
    assert found.p_value == 1
    assert "nothing to compare" in found.why


@pytest.mark.parametrize(
    "table",
    [
        [[1, -2], [3, 4]],
        [[1, 2.5], [3, 4]],
        [[1, math.nan], [3, 4]],
        [["a", 2], [3, 4]],
        [1, 2, 3],
        [[1, 2], [3]],
    ],
)
def test_what_is_no_table_of_counts_is_refused(table):
    with pytest.raises(ValueError, match=r"table|shape"):
        freeman_halton(table)


def test_lists_tuples_arrays_and_frames_give_the_same():
    rows = [[9, 0], [14, 8], [5, 11]]
    known = freeman_halton(rows).p_value
    for table in (tuple(map(tuple, rows)), np.array(rows, dtype=float), np.array(rows, dtype=np.uint8)):
        assert freeman_halton(table).p_value == known
    frame = pd.DataFrame(rows, index=["piked", "tucked", "straight"], columns=["stuck", "not"])
    assert freeman_halton(frame).p_value == known


def test_past_the_budget_it_draws_says_so_and_stays_within_its_error():
    drawn = freeman_halton(JOBS, budget=TINY, seed=5)
    assert drawn.draws == 20_000
    assert "drawn" in drawn.why
    assert "Monte Carlo" in drawn.method
    assert drawn.error == pytest.approx(math.sqrt(drawn.p_value * (1 - drawn.p_value) / 20_000))
    assert abs(drawn.p_value - freeman_halton(JOBS).p_value) < 5 * drawn.error
    assert drawn == freeman_halton(JOBS, budget=TINY, seed=5)
    assert drawn != freeman_halton(JOBS, budget=TINY, seed=6)


def test_a_table_past_every_capacity_has_a_p_between_0_and_1():
    # A public package returns -7 as the p-value of a table past its capacity, so that p < .05 holds.
    rng = np.random.default_rng(3)
    table = rng.multinomial(4000, np.ones(90) / 90).reshape(9, 10)
    found = freeman_halton(table, budget=Budget(operations=1e8, draws=2_000))
    assert 0 < found.p_value <= 1
    assert found.draws == 2_000


def test_a_p_below_the_smallest_float_is_said_and_not_zero():
    found = freeman_halton([[300, 2, 1], [0, 350, 3], [1, 0, 343]])
    assert 0 < found.p_value < 1e-300
    assert "below the smallest" in found.why


def test_a_far_tail_keeps_its_digits():
    table = [[15, 2, 1], [1, 14, 3], [2, 1, 12]]
    seen = chance(as_columns(table))
    exact = float(share(table, lambda t: chance(t) <= seen))
    assert 0 < exact < 1e-9
    assert freeman_halton(table).p_value == pytest.approx(exact, rel=1e-11)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
def test_random_tables_agree_with_r():
    """R's fisher.test merges paths within 1e-7 of each other, so it is held to a few of those."""
    rng = np.random.default_rng(20)
    tables = []
    for rows, columns, size in (
        (3, 2, 60),
        (5, 2, 180),
        (8, 2, 150),
        (3, 3, 200),
        (3, 4, 90),
        (4, 4, 40),
        (2, 6, 200),
    ):
        for _ in range(3):
            chances = np.outer(rng.dirichlet(np.ones(rows) * 3), rng.dirichlet(np.ones(columns) * 3)).ravel()
            table = rng.multinomial(size, chances).reshape(rows, columns)
            tables.append(table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0])
    script = "".join(
        f"cat(format(fisher.test(matrix(c({','.join(map(str, table.ravel()))}), {table.shape[0]}, byrow = TRUE), "
        "workspace = 2e7)$p.value, digits = 15), '\\n');"
        for table in tables
    )
    said = subprocess.run(
        ["Rscript", "-e", script], capture_output=True, text=True, check=True
    ).stdout.split()
    for table, peer in zip(tables, said, strict=True):
        assert freeman_halton(table).p_value == pytest.approx(float(peer), rel=2e-6), table
