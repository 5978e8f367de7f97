"""Separation: which columns predict which rows, and towards which side."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logistic_sets import NINE, endometrial, lizards
from scipy.optimize import linprog

from analysis.stats.logistic import exact_logistic, firth, maximum_likelihood, separation
from analysis.stats.separation_proof import proven


def test_heinze_schemper_2002_endometrial_nv_separates_alone():
    found = separation(*endometrial())
    assert found.separated
    assert found.columns == ("NV",)
    assert found.directions == (1,)
    assert found.constant == 0
    assert list(found.rows) == list(np.flatnonzero(endometrial()[1]["NV"] == 1))
    assert "NV (towards plus infinity)" in str(found)


def test_nine_of_nine_separates_and_names_its_rows():
    found = separation(*NINE)
    assert (found.separated, found.columns, found.directions) == (True, (0,), (1,))
    assert found.rows == tuple(range(9))
    assert separation(*NINE, names=["first"]).columns == ("first",)
    swapped = separation(NINE[0], 1 - np.array(NINE[1]))
    assert (swapped.columns, swapped.directions, swapped.constant) == ((0,), (-1,), 1)


def test_lizards_do_not_separate():
    found = separation(*lizards())
    assert (found.separated, found.columns, found.directions, found.rows) == (False, (), (), ())


def test_one_class_is_separated_by_the_constant():
    found = separation([1] * 7, [0, 1, 0, 0, 1, 0, 0])
    assert (found.separated, found.columns, found.constant, found.rows) == (True, (), 1, tuple(range(7)))


def test_a_sign_that_the_data_leave_open_is_0():
    # Outcomes differ where both columns rise together, so either column alone could do it.
    y, X = [0, 0, 1, 1], [[0, 0], [0, 0], [1, 1.1], [1, 0.9]]
    found = separation(y, X)
    assert found.rows == (0, 1, 2, 3)
    assert dict(zip(found.columns, found.directions, strict=True)) == {0: 0, 1: 0}
    fit = maximum_likelihood(y, X)
    assert np.isnan(fit.coefficients[1:]).all()
    assert "sign open" in fit.reasons[1]


@settings(deadline=None, max_examples=80)
@given(st.lists(st.tuples(st.integers(-4, 4), st.booleans()), min_size=2, max_size=14))
def test_one_column_separates_exactly_when_ones_and_zeros_do_not_interleave(rows):
    x = [a for a, _ in rows]
    y = [int(b) for _, b in rows]
    found = separation(y, x)
    zeros, ones = [a for a, b in rows if not b], [a for a, b in rows if b]
    if not zeros or not ones:
        assert found.separated
        return
    rising = max(zeros) <= min(ones) and min(zeros) < max(ones)
    falling = max(ones) <= min(zeros) and min(ones) < max(zeros)
    assert found.separated == (rising or falling)
    if found.separated:
        assert found.columns == (0,)
        assert found.directions == (1 if rising else -1,)
        edge = max(zeros) if rising else max(ones)
        other = min(ones) if rising else min(zeros)
        # With a shared value in the middle only the rows on either side of it are predicted.
        assert found.rows == tuple(i for i, a in enumerate(x) if not (a == edge == other))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(4, 25))
def test_without_the_separated_rows_nothing_separates(seed, n):
    rng = np.random.default_rng(seed)
    X, y = rng.integers(0, 3, (n, 3)), rng.integers(0, 2, n)
    found = separation(y, X)
    left = np.setdiff1d(np.arange(n), found.rows)
    if len(left):
        assert not separation(y[left], X[left]).separated
    # The same rows with the other outcome beside them: nothing can predict both.
    assert not separation(np.concatenate([y, 1 - y]), np.vstack([X, X])).separated


@pytest.mark.parametrize("seed", range(25))
def test_separation_equals_one_linear_programme_for_each_row_and_sign(seed):
    # Run by hand on 600 sets of up to 13 rows and 3 columns: no difference.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 12))
    X, y = rng.integers(0, 4, (n, 2)), rng.integers(0, 2, n)
    y[:2] = 0, 1
    margins = np.column_stack([np.ones(n), X]) * (2 * y - 1)[:, None]

    def possible(row):
        """Is there a b with every margin >= 0 and row'b >= 1?"""
        solved = linprog(
            np.zeros(3), np.vstack([-margins, -row]), np.r_[np.zeros(n), -1], bounds=(None, None)
        )
        return solved.status == 0

    found = separation(y, X)
    assert found.rows == tuple(i for i in range(n) if possible(margins[i]))
    if found.separated and np.linalg.matrix_rank(margins) == 3:
        signs = {j: (possible(np.eye(3)[j + 1]), possible(-np.eye(3)[j + 1])) for j in (0, 1)}
        expected = {j: up - down for j, (up, down) in signs.items() if up or down}
        assert dict(zip(found.columns, found.directions, strict=True)) == expected


def by_extreme_directions(y, X):
    """Two columns, three coefficients: predicted rows and the signs that each coefficient takes, in whole numbers.

    With three independent rows the directions that are nowhere wrong form a pointed cone; each of its edges is
    orthogonal to two rows, so cross products of all pairs of rows hold every edge, and the edges hold everything.
    """
    Z = np.column_stack([np.ones(len(y), dtype=int), X])
    signed = Z * (2 * np.asarray(y) - 1)[:, None]
    crosses = [sign * np.cross(a, b) for a, b in itertools.combinations(signed, 2) for sign in (1, -1)]
    edges = np.unique([c for c in crosses if c.any() and (signed @ c >= 0).all()], axis=0).reshape(-1, 3)
    return tuple(np.flatnonzero((signed @ edges.T > 0).any(axis=1))), [set(np.sign(c)) - {0} for c in edges.T]


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 2**32 - 1), st.integers(4, 16), st.sampled_from([1, 2, 4, 1000]))
def test_separation_equals_the_edges_of_the_cone_in_whole_numbers(seed, n, top):
    # Run by hand on 5,500 sets: no difference.
    rng = np.random.default_rng(seed)
    X = rng.integers(0, top + 1, (n, 2))
    y = rng.integers(0, 2, n) if seed % 2 else (X @ [1, -1] + rng.integers(0, 2, n) > 0).astype(int)
    if np.linalg.matrix_rank(np.column_stack([np.ones(n), X])) < 3 or y.min() == y.max():
        return
    rows, signs = by_extreme_directions(y, X)
    found = separation(y, X)
    assert found.rows == rows
    assert found.separated == bool(rows)
    # A coefficient's sign is its sign in every direction, or open.
    expected = {k: 0 if len(taken) == 2 else taken.pop() for k, taken in enumerate(signs) if taken}
    assert found.constant == expected.pop(0, 0)
    assert dict(zip(found.columns, found.directions, strict=True)) == {k - 1: s for k, s in expected.items()}


def test_the_proof_refuses_false_claims():
    # 9 of 9 v 14 of 22: two groups of equal rows, the second with both outcomes.
    rows, signs = np.array([[1, 1], [1, 0]]), np.array([1, 0])
    first = np.array([True, False])
    assert proven(rows, signs, first, np.ones(1), np.zeros(1))
    # Claimed: nothing is predicted, with weights that do not add up to 0.
    assert not proven(rows, signs, ~np.ones(2, dtype=bool), np.zeros(0), np.ones(2))
    # Claimed: all four corners are predicted, where two of either outcome interleave.
    corners, mixed = np.array([[1, 0, 0], [1, 1, 1], [1, 0, 1], [1, 1, 0]]), np.array([1, 1, -1, -1])
    assert not proven(corners, mixed, np.ones(4, dtype=bool), np.ones(4), np.zeros(0))
    assert proven(corners, mixed, np.zeros(4, dtype=bool), np.zeros(0), np.ones(4))


def test_values_that_differ_by_rounding_alone_do_not_separate():
    tenths = [0.1 + 0.2, 0.3, 0.3, 0.1 + 0.2, 0.7, 0.1]
    found = separation([1, 0, 1, 0, 1, 0], tenths)
    assert found.rows == (4, 5)
    assert not separation([1, 0, 1, 0, 0, 0], tenths).separated
    # One part in a million of the range is a difference.
    assert separation([0, 0, 1, 1], [0.0, 500_000.0, 500_001.0, 1e6]).rows == (0, 1, 2, 3)


def test_columns_that_hardly_differ_are_answered_or_said_to_be_unproven():
    told = []
    for seed in (4457, 5663, 5879, 7679, 8867, *range(5, 305, 6)):
        rng = np.random.default_rng(seed)
        n, p = int(rng.integers(4, 40)), int(rng.integers(1, 5))
        noise = (rng.integers(0, 3, n) + 1e-7 * rng.integers(-3, 4, n) for _ in range(p))
        X = np.column_stack([rng.integers(0, 2, n), *noise])
        found = separation(rng.integers(0, 2, n), X)
        told.append(found.separated or not found.why or "could not be proven" in found.why)
    assert all(told)


def test_separation_by_an_interaction_alone_reaches_every_routine():
    # Each technique is both stuck and not in each round; only the product of the columns is always stuck.
    rng = np.random.default_rng(6)
    first, final = rng.integers(0, 2, 60), rng.integers(0, 2, 60)
    y = np.where((first == 1) & (final == 1), 1, rng.integers(0, 2, 60))
    X = np.column_stack([first, final, first * final])
    names = ["first", "final", "first in a final"]
    assert not separation(y, X[:, :2]).separated
    found = separation(y, X, names=names)
    assert found.columns == ("first in a final",)
    assert found.rows == tuple(np.flatnonzero(X[:, 2]))
    for routine in (firth, exact_logistic, maximum_likelihood):
        fit = routine(y, X, names=names)
        assert "predicted without error by first in a final (towards plus infinity)" in fit.why
    assert firth(y, X, names=names).reasons[3].startswith("separated")
    assert exact_logistic(y, X, names=names).intervals[3][1] == np.inf
    likely = maximum_likelihood(y, X, names=names)
    assert likely.coefficients[3] == np.inf
    assert np.isfinite(likely.coefficients[:3]).all()


@pytest.mark.parametrize("n", [300, 6_000])
def test_separation_of_a_long_sheet_with_eight_columns(n):
    rng = np.random.default_rng(n)
    X = np.column_stack([rng.integers(0, 2, (n, 5)), rng.normal(5, 0.3, (n, 3)).round(2)])
    y = rng.integers(0, 2, n)
    assert not separation(y, X).separated
    X[:, 0] = rng.random(n) < 0.05
    found = separation(np.where(X[:, 0] == 1, 0, y), X)
    assert (found.columns, found.directions) == ((0,), (-1,))
    assert found.rows == tuple(np.flatnonzero(X[:, 0]))
