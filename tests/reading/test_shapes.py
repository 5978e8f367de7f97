"""Every shape of result says what shapes.csv says, and no shape breaks a rule of the house."""

from __future__ import annotations

import csv
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading_rules import broken_rules
from reading_shapes import FILE, Shape, file_text, shapes

from analysis.reading.claim import claim_of
from analysis.reading.sentences import Arm, headline_sentence, points_sentence, trade_sentence

SHAPES = shapes()
with FILE.open(newline="", encoding="utf-8") as file:
    WRITTEN = {row["shape"]: row["says"] for row in csv.DictReader(file)}
# Every sentence that asserts a direction holds one of these, and no other; see test_vocabulary.py.
DIRECTIONS = {
    "first higher": r"was stuck more often than|lost more on the landing than|landed better than",
    "first lower": r"was stuck less often than|lost less on the landing than|landed worse than",
    "about the same": r"about equally often|lost about the same|about equally well",
    "not shown": r"do not show|give no interval|can't be compared",
}


def test_there_are_two_hundred_shapes_and_the_file_has_each_of_them() -> None:
    assert len(SHAPES) >= 200
    assert list(WRITTEN) == [shape.name for shape in SHAPES]
    assert FILE.read_text(encoding="utf-8") == file_text(SHAPES), (
        "run tests/reading_shapes.py and read the change"
    )


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_shape_says_what_the_file_says_and_breaks_no_rule(shape: Shape) -> None:
    said = shape.says()
    assert said == WRITTEN[shape.name]
    assert said == shape.says()
    assert broken_rules(said) == []


@pytest.mark.parametrize(
    "shape",
    [shape for shape in SHAPES if shape.function == "headline_sentence"],
    ids=lambda shape: shape.name,
)
def test_a_headline_asserts_what_its_interval_supports_and_nothing_else(shape: Shape) -> None:
    facts = shape.facts
    low, high = facts["limits"] or (math.nan, math.nan)
    few = min(facts["first"].n, facts["second"].n) < 3
    claim = "not shown" if few else claim_of(low, high, facts.get("matters"))
    asserted = [name for name, phrase in DIRECTIONS.items() if _asserts(phrase, shape.says())]
    assert asserted == [claim]


def _asserts(phrase: str, said: str) -> bool:
    """Whether a direction is asserted: what routines "do not show" isn't."""
    return bool(re.search(phrase, re.sub(r"(do not show) \w+ [^:]*:", r"\1:", said)))


def test_what_is_not_shown_comes_with_what_still_fits() -> None:
    for shape in SHAPES:
        said = shape.says()
        if "do not show" in said:
            assert re.search(
                r"everything (inside the interval|from the limit upwards|up to the limit) fits", said
            )
        if re.search(r"Points saved .*: not shown", said):
            assert "fits the data" in said or "there is no interval" in said


def test_a_claim_that_its_limits_do_not_support_is_refused() -> None:
    arms = {"first": Arm("a", 5, 9, 0.2, 0.8), "second": Arm("b", 7, 9, 0.4, 0.9)}
    for claim, limits in (
        ("first higher", (-0.1, 0.4)),
        ("first higher", (-0.4, -0.1)),
        ("first lower", (0.1, 0.4)),
        ("about the same", (-0.1, 0.1)),
    ):
        with pytest.raises(ValueError, match="doesn't follow from the interval"):
            headline_sentence("stuck", **arms, estimate=0.0, limits=limits, level=0.95, claim=claim)


SIZES = st.integers(min_value=1, max_value=400)
LIMITS = st.tuples(st.integers(-10000, 10000), st.integers(0, 10000), st.integers(0, 10000))


@given(
    SIZES, SIZES, st.data(), LIMITS, st.sampled_from(["two", "more", "fewer"]), st.sampled_from([None, 0.1])
)
@settings(deadline=None, max_examples=150)
def test_no_counts_and_no_interval_break_a_rule(n1, n2, data, limits, sides, matters) -> None:
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    first = Arm("piked double back", x1, n1, 0.9 * x1 / n1, 0.1 + 0.9 * x1 / n1, 0.125)
    second = Arm("tucked double back", x2, n2, 0.9 * x2 / n2, 0.1 + 0.9 * x2 / n2, 0.3)
    middle, down, up = (value / 10000 for value in limits)
    for outcome, half in (("stuck", 1), ("deduction", 1), ("landing grade", 0.5)):
        low = -half if sides == "fewer" else max(half * middle - down, -half)
        high = half if sides == "more" else min(half * middle + up, half)
        claim = claim_of(low, high, matters) if min(n1, n2) >= 3 else "not shown"
        said = headline_sentence(
            outcome, first, second, half * middle, (low, high), 0.95, claim, sides=sides, matters=matters
        )
        assert broken_rules(said) == []
        assert [name for name, phrase in DIRECTIONS.items() if _asserts(phrase, said)] == [claim]


@given(st.integers(-2000, 2000), st.integers(0, 2000), st.integers(0, 2000), st.integers(-500, 500))
@settings(deadline=None, max_examples=150)
def test_points_and_trades_follow_their_intervals(middle, down, up, gain) -> None:
    estimate, low, high = middle / 1000, (middle - down) / 1000, (middle + up) / 1000
    said = points_sentence("piked", "tucked", estimate, low, high, 0.95, "with falls")
    assert broken_rules(said, names=("piked", "tucked")) == []
    if low <= 0 <= high:
        assert "not shown" in said
    else:
        assert ("points less on" in said) is (high < 0)
        assert "not shown" not in said
    net = (gain - middle) / 1000
    limits = ((gain - middle - up) / 1000, (gain - middle + down) / 1000)
    said = trade_sentence("piked", "tucked", gain / 1000, -estimate, net, limits, 0.5, 0.95, "without falls")
    assert broken_rules(said, names=("piked", "tucked")) == []
    assert ("fits the data" in said) is (limits[0] <= 0 <= limits[1])
    # The amounts carry no sign: less, more, gain and loss are words.
    assert not re.search(r"\N{MINUS SIGN}[\d.]+ points", said)
