"""Separation: which columns predict which rows, and towards which side."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logistic_sets import NINE, endometrial, lizards
from scipy.optimize import linprog

from analysis.stats.logistic import maximum_likelihood, separation


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
