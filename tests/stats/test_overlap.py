"""When two techniques overlap enough in the columns to be adjusted for them."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest

from analysis.stats.overlap import FEWEST, overlap
from analysis.stats.penalised import Peak, Penalised

FIRST = [True] * 9 + [False] * 22


def spread(low, high, n):
    return list(np.linspace(low, high, n))


def test_a_column_that_tells_everything_is_named():
    X = pd.DataFrame(
        {"year": spread(2020, 2024, 31), "difficulty": spread(5.6, 6.2, 9) + spread(4.8, 5.5, 22)}
    )
    found = overlap(FIRST, X[["difficulty"]])
    assert not found.enough
    assert found.why == "difficulty tells without error who used which technique"
    assert (found.inside, found.n) == ((0, 0), (9, 22))
    assert "year" in overlap(FIRST, X[["year"]]).why


def test_columns_that_only_tell_together_are_found():
    """Both ranges overlap, but the sum of the columns tells: no look at single columns would see it."""
    x = spread(0, 3, 9) + spread(0, 3, 22)
    other = [3.5 - v for v in x[:9]] + [3 - v for v in x[9:]]
    found = overlap(FIRST, np.column_stack([x, other]), names=["difficulty", "execution"])
    assert found.why == "difficulty and execution together tell without error who used which technique"
    assert [column.inside for column in found.columns] == [(9, 22), (7, 18)]


def test_like_groups_are_enough():
    found = overlap(FIRST, spread(5.1, 6, 9) + spread(4.9, 6.1, 22), names=["difficulty"])
    assert found.enough
    assert found.why == ""
    assert found.inside == found.columns[0].inside == (9, 16)
    assert found.effective == pytest.approx((9, 22), abs=0.3)
    assert "9 of 9 and 16 of 22" in found.summary


def test_middling_routines_between_easy_and_hard_ones_are_refused():
    """The means agree, so a linear fitted chance is the same everywhere; the ranges still don't."""
    found = overlap(
        FIRST, spread(5.4, 5.6, 9) + spread(4.5, 5.0, 11) + spread(6.0, 6.5, 11), names=["difficulty"]
    )
    assert found.inside == (9, 22)
    assert not found.enough
    assert found.why == (
        "difficulty: only 0 of 22 routines of the second technique lie inside the other's range, fewer than 5"
    )


def test_a_meet_with_one_technique_only_leaves_its_routines_without_their_like():
    """Quasi-complete: 6 routines at a meet where only the second technique was shown; the others overlap."""
    meet = [0] * 9 + [1] * 6 + [0] * 16
    found = overlap(
        FIRST, np.column_stack([meet, spread(5, 6, 9) + spread(5, 6, 22)]), names=["autumn", "difficulty"]
    )
    assert found.enough
    assert found.inside[1] <= 16
    assert found.columns[0].counts == ((0, 9), (6, 22))
    assert found.columns[0].inside == (9, 16)


def test_fewer_than_half_is_refused_and_the_column_named():
    meet = [0] * 9 + [1] * 14 + [0] * 8
    found = overlap(
        FIRST, np.column_stack([meet, spread(5, 6, 9) + spread(5, 6, 22)]), names=["autumn", "difficulty"]
    )
    assert not found.enough
    assert "of 22 routines of the second technique" in found.why
    assert "fewer than half" in found.why
    assert "differ most in autumn" in found.why
    assert found.told_apart_by == ("autumn",)


def test_fewer_than_five_are_refused_however_alike():
    found = overlap(
        [1] * (FEWEST - 1) + [0] * 20, spread(5, 5.2, FEWEST - 1) + spread(4.5, 6, 20), names=["difficulty"]
    )
    assert not found.enough
    assert "only 4 of 4 routines of the first technique" in found.why


def test_swapping_the_techniques_swaps_the_answer():
    rng = np.random.default_rng(11)
    X = rng.normal(size=(31, 2)) + np.outer(FIRST, [1.5, 0])
    one, two = overlap(FIRST, X), overlap(np.logical_not(FIRST), X)
    assert one.enough == two.enough
    assert one.inside == two.inside[::-1]
    assert one.effective == pytest.approx(two.effective[::-1])
    assert one.common == pytest.approx((1 - two.common[1], 1 - two.common[0]))


def test_the_unit_of_a_column_does_not_matter():
    rng = np.random.default_rng(4)
    X = rng.normal(size=(31, 2)) + np.outer(FIRST, [1.0, 0.2])
    scaled = X * [1000, 0.001] + [2024, 0]
    one, two = overlap(FIRST, X), overlap(FIRST, scaled)
    assert (one.inside, one.enough, one.told_apart_by) == (two.inside, two.enough, two.told_apart_by)
    assert one.effective == pytest.approx(two.effective, rel=1e-6)


def test_choice_at_random_passes_and_a_choice_by_difficulty_does_not():
    """A small part of tests/reference/overlap/refusals.csv, and a choice that is stronger than any there."""
    rng = np.random.default_rng(2)
    passed = []
    for slope in (0, 6):
        enough = 0
        for _ in range(20):
            X = rng.normal(size=(40, 3))
            order = np.argsort(-(slope * X[:, 0] + rng.logistic(size=40)))
            first = np.isin(np.arange(40), order[:18])
            enough += overlap(first, X).enough
        passed.append(enough)
    assert passed[0] == 20
    assert passed[1] <= 3


def test_without_columns_everything_overlaps():
    found = overlap(FIRST, np.zeros((31, 0)))
    assert found.enough
    assert found.inside == (9, 22)
    constant = overlap(FIRST, [5.0] * 31, names=["difficulty"])
    assert constant.inside == (9, 22)
    assert constant.told_apart_by == ()


def test_overlap_is_strict_json_and_reads():
    found = overlap(FIRST, spread(5.6, 6.2, 9) + spread(4.8, 5.5, 22), names=["difficulty"])
    json.dumps(found.to_dict(), allow_nan=False)
    assert all(math.isnan(value) for value in found.common)
    assert "not enough" in str(found)
    assert "0 of 9 and 0 of 22 inside" in str(found.columns[0])


def test_a_search_that_does_not_settle_is_no_overlap(monkeypatch):
    empty = np.full((2, 2), math.nan)
    monkeypatch.setattr(Penalised, "best", lambda _: Peak(empty[0], math.nan, empty[0], empty, False))
    found = overlap(FIRST, spread(5, 6, 9) + spread(5, 6, 22))
    assert not found.enough
    assert "did not settle" in found.why


@pytest.mark.parametrize(
    ("first", "X", "message"),
    [
        ([1, 1, 1], [1, 2, 3], "both techniques"),
        ([1, 0, 0], [1, 2], "as many"),
        ([1, 0, 0], [1, 2, math.nan], "missing"),
        ([1, 0, 0], ["a", "b", "c"], "numeric"),
    ],
)
def test_overlap_refuses_what_it_cannot_read(first, X, message):
    with pytest.raises(ValueError, match=message):
        overlap(first, X)
