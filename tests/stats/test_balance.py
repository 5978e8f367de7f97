"""Who does which technique: means, shares and standardised differences."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.balance import balance, by_chance

FIRST = [True] * 9 + [False] * 22
DIFFICULTY = [5.4, 5.6, 5.6, 5.8, 5.2, 6.0, 5.4, 5.8, 5.6] + [5.0, 5.2, 5.4, 5.1, 5.6, 4.8] * 3 + [5.2] * 4
ROUND = ["final"] * 6 + ["qualification"] * 3 + ["final"] * 5 + ["qualification"] * 15 + ["team final"] * 2


def test_a_number_by_hand():
    (line,) = balance(FIRST, {"difficulty": DIFFICULTY}).lines
    one, two = np.array(DIFFICULTY[:9]), np.array(DIFFICULTY[9:])
    assert (line.kind, line.known, line.missing) == ("mean", (9, 22), (0, 0))
    assert (line.first, line.second) == pytest.approx((one.mean(), two.mean()))
    assert (line.sd_first, line.sd_second) == pytest.approx((one.std(ddof=1), two.std(ddof=1)))
    pooled = math.sqrt((one.var(ddof=1) + two.var(ddof=1)) / 2)
    assert line.difference == pytest.approx((one.mean() - two.mean()) / pooled)


def test_a_share_by_hand():
    """6 of 9 and 5 of 22: difference of shares over the root of the mean of p (1 - p)."""
    whole, *lines = balance(FIRST, {"round": ROUND}).lines
    found = {line.value: line for line in lines}
    assert list(found) == ["qualification", "final", "team final"]  # the commonest first
    final = found["final"]
    assert final.counts == ((6, 9), (5, 22))
    p, q = 6 / 9, 5 / 22
    assert final.difference == pytest.approx((p - q) / math.sqrt((p * (1 - p) + q * (1 - q)) / 2))
    assert whole.kind == "all values"
    assert whole.difference > max(abs(line.difference) for line in lines)


def test_several_categories_are_the_mahalanobis_distance_whichever_category_is_left_out():
    p, q = np.array([6, 3, 0]) / 9, np.array([5, 15, 2]) / 22
    for left_out in range(3):
        kept = [k for k in range(3) if k != left_out]
        a, b = p[kept], q[kept]
        mean = (np.diag(a) - np.outer(a, a) + np.diag(b) - np.outer(b, b)) / 2
        expected = math.sqrt((a - b) @ np.linalg.inv(mean) @ (a - b))
        assert balance(FIRST, {"round": ROUND}).lines[0].difference == pytest.approx(expected)


def test_two_categories_as_a_whole_are_the_share_without_its_sign():
    whole, *shares = balance(FIRST, {"home": [True] * 2 + [False] * 7 + [True] * 11 + [False] * 11}).lines
    assert [line.value for line in shares] == ["no", "yes"]
    assert [abs(line.difference) for line in shares] == pytest.approx([whole.difference] * 2)
    assert shares[1].difference < 0


def test_a_technique_on_one_value_is_said():
    (line,) = balance([1, 1, 1, 0, 0, 0, 0], {"difficulty": [5.6] * 3 + [5.0, 5.2, 5.4, 5.2]}).lines
    assert math.isfinite(line.difference)
    assert line.why == "every routine of first has 5.6"
    (apart,) = balance([1, 1, 1, 0, 0], {"difficulty": [5.6] * 3 + [5.0] * 2}, ("pike", "tuck")).lines
    assert apart.difference == math.inf
    assert apart.why == "every routine of pike has 5.6; every routine of tuck has 5"
    (same,) = balance([1, 1, 1, 0, 0], {"difficulty": [0.1 + 0.2] * 3 + [0.1 + 0.2] * 2}).lines
    assert same.difference == 0


def test_techniques_without_a_common_value_are_infinitely_apart():
    whole, *shares = balance(
        [1, 1, 1, 0, 0], {"meet": ["spring", "autumn", "autumn", "winter", "winter"]}
    ).lines
    assert whole.difference == math.inf
    assert "no value in common" in whole.why
    found = {line.value: line for line in shares}
    assert found["winter"].difference == -math.inf
    assert found["winter"].why == "no routine of first; every routine of second"
    assert math.isfinite(found["spring"].difference)


def test_missing_values_are_counted_and_left_out():
    values = [None, 5.6, math.nan, 5.4, 5.0, pd.NA, 5.2, 5.1]
    (line,) = balance([1, 1, 1, 1, 0, 0, 0, 0], {"difficulty": values}).lines
    assert (line.known, line.missing) == ((2, 3), (2, 1))
    whole, *shares = balance([1, 1, 0, 0, 0], {"round": ["final", None, " ", "final", "heats"]}).lines
    assert whole.missing == (1, 1)
    assert shares[0].counts == ((1, 1), (1, 2))
    empty, *_ = balance([1, 1, 0, 0, 0], {"round": [None, None, "final", "final", "heats"]}).lines
    assert math.isnan(empty.difference)
    assert "no routine of first has a value" in empty.why
    (alone,) = balance([1, 0, 0], {"difficulty": [5.0, 5.1, 5.3]}).lines
    assert math.isnan(alone.difference)
    assert "no spread" in alone.why


def test_what_chance_alone_brings():
    """Choice at random: the mean absolute difference comes near sqrt(2/pi) sqrt(1/n1 + 1/n2)."""
    rng = np.random.default_rng(5)
    first = np.arange(75) < 20
    numbers, wholes = [], []
    for _ in range(400):
        made = {"number": rng.normal(size=75), "category": rng.integers(0, 4, 75).astype(str)}
        lines = balance(first, made).lines
        numbers.append(abs(lines[0].difference))
        wholes.append(lines[1].difference)
    assert lines[0].by_chance == pytest.approx(math.sqrt(2 / math.pi) * math.sqrt(1 / 20 + 1 / 55))
    assert np.mean(numbers) == pytest.approx(lines[0].by_chance, rel=0.1)
    assert np.mean(wholes) == pytest.approx(lines[1].by_chance, rel=0.1)
    assert by_chance(9, 22) == pytest.approx(0.3157, abs=1e-4)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(-3, 3), st.sampled_from("abc")), min_size=3, max_size=20)
)
def test_swapping_the_techniques_turns_every_sign(rows):
    first = [a for a, _, _ in rows]
    if len(set(first)) < 2:
        return
    columns = {"number": [b for _, b, _ in rows], "category": [c for _, _, c in rows]}
    one, two = balance(first, columns), balance([not a for a in first], columns)
    for a, b in zip(one.lines, two.lines, strict=True):
        sign = 1 if a.kind == "all values" else -1
        assert a.difference == pytest.approx(sign * b.difference, nan_ok=True)
        assert a.by_chance == pytest.approx(b.by_chance, nan_ok=True)


def test_tables_of_any_kind_are_read_alike():
    frame = pd.DataFrame({"difficulty": np.array(DIFFICULTY, dtype=np.float32), "round": ROUND})
    found = balance(pd.Series(FIRST), frame)
    plain = balance(np.array(FIRST, dtype=int), {"difficulty": tuple(DIFFICULTY), "round": ROUND})
    assert [line.difference for line in found.lines] == pytest.approx(
        [line.difference for line in plain.lines], rel=1e-5
    )
    json.dumps(found.to_dict(), allow_nan=False)
    assert "standardised difference" in str(found)
    assert "<table>" in found._repr_html_()


@pytest.mark.parametrize(
    ("first", "columns", "message"),
    [
        ([1, 1, 1], {"a": [1, 2, 3]}, "both techniques"),
        ([], {}, "both techniques"),
        ([1, 0, 2], {"a": [1, 2, 3]}, "True and False"),
        ([1, 0, 0], {"a": [1, 2]}, "as many"),
        ([1, 0, 0], {"a": [1, 2, math.inf]}, "infinite"),
    ],
)
def test_balance_refuses_what_it_cannot_read(first, columns, message):
    with pytest.raises(ValueError, match=message):
        balance(first, columns)
