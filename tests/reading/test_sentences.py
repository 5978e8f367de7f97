"""The same result always reads the same, and no sentence claims more than its interval."""

import itertools
import re

import pytest

from analysis.reading.claim import claim_of
from analysis.reading.sentences import (
    Arm,
    cautions,
    disagreement_sentence,
    headline_sentence,
    p_sentence,
    points_sentence,
    strata_sentence,
    words,
)

FIRST = Arm("piked double back", 9, 9, 0.70, 1.0, 0.02)
SECOND = Arm("tucked double back", 14, 22, 0.43, 0.80, 0.18)
# Words that would claim a cause, a certainty or an equality that no interval shows.
FORBIDDEN = re.compile(
    r"\b(no difference|caus\w+|because of the technique|prov\w+|guarantee\w*|safer|always|never|"
    r"significan\w+|effect of)\b",
    re.IGNORECASE,
)


def headline(low: float, high: float, outcome: str = "stuck", matters: float | None = None, **more) -> str:
    slots = {
        "outcome": outcome,
        "first": FIRST,
        "second": SECOND,
        "estimate": (low + high) / 2,
        "limits": (low, high),
        "level": 0.95,
        "claim": claim_of(low, high, matters),
        "matters": matters,
    }
    return headline_sentence(**{**slots, **more})


SHAPES = [
    (low, high, outcome, matters, sides)
    for (low, high), outcome, matters, sides in itertools.product(
        [(0.02, 0.58), (-0.58, -0.02), (-0.2, 0.4), (-0.05, 0.05), (0.0, 0.3), (-0.3, 0.0), (-0.5, 0.5)],
        ["stuck", "deduction", "landing grade"],
        [None, 0.1],
        ["two", "more", "fewer"],
    )
]


@pytest.mark.parametrize(("low", "high", "outcome", "matters", "sides"), SHAPES)
def test_no_shape_of_result_is_overclaimed(
    low: float, high: float, outcome: str, matters: float | None, sides: str
) -> None:
    sentence = headline(low, high, outcome, matters, sides=sides)
    assert not FORBIDDEN.search(sentence), sentence
    assert "{" not in sentence
    assert FIRST.name in sentence
    assert SECOND.name in sentence
    if claim_of(low, high, matters) == "not shown":
        assert "do not show" in sentence
    assert sentence == headline(low, high, outcome, matters, sides=sides)


def test_a_full_house_carries_its_count_and_limit() -> None:
    sentence = headline(0.02, 0.58)
    assert "9 of 9 (100\N{NO-BREAK SPACE}%; rates down to 70\N{NO-BREAK SPACE}% still fit)" in sentence
    assert "14 of 22 (64\N{NO-BREAK SPACE}%)" in sentence


def test_an_empty_house_carries_its_count_and_limit() -> None:
    sentence = headline(-0.9, -0.3, first=Arm("piked double back", 0, 9, 0.0, 0.30))
    assert "0 of 9 (0\N{NO-BREAK SPACE}%; rates up to 30\N{NO-BREAK SPACE}% still fit)" in sentence


def test_without_an_interval_the_reason_is_said() -> None:
    sentence = headline(0, 0, estimate=None, why="the second technique has no routine that can be used")
    assert "can't be compared" in sentence
    assert "no routine that can be used" in sentence


def test_without_limits_the_sample_is_described_and_nothing_claimed() -> None:
    sentence = headline(
        0, 0, outcome="deduction", estimate=-0.3, limits=None, why="neither technique's points vary"
    )
    assert "no interval" in sentence
    assert "\N{MINUS SIGN}0.30" in sentence
    assert "nothing is claimed" in sentence


def test_few_routines_are_said_before_anything_else() -> None:
    sentence = headline(-0.4, 0.9, second=Arm("tucked double back", 1, 2, 0.1, 0.9))
    assert sentence.startswith("piked double back and tucked double back have too few routines")


def test_one_sided_intervals_show_the_computed_limit_only() -> None:
    assert "95\N{NO-BREAK SPACE}% lower limit 2)" in headline(0.02, 1.0, sides="more")
    assert "95\N{NO-BREAK SPACE}% upper limit \N{MINUS SIGN}2)" in headline(-1.0, -0.02, sides="fewer")


def test_points_saved_is_the_negative_of_first_minus_second() -> None:
    saved = points_sentence("piked", "tucked", -0.12, -0.2, -0.04, 0.95, "with falls")
    assert "piked lost 0.12 points less" in saved
    assert "0.04 to 0.20" in saved
    cost = points_sentence("piked", "tucked", 0.12, 0.04, 0.2, 0.95, "with falls")
    assert "none; on average piked lost 0.12 points more" in cost
    assert "0.04 to 0.20" in cost


@pytest.mark.parametrize(("estimate", "side"), [(-0.05, "less"), (0.05, "more")])
def test_points_that_may_go_either_way_are_not_called_saved(estimate: float, side: str) -> None:
    sentence = points_sentence("piked", "tucked", estimate, -0.2, 0.2, 0.95, "with falls")
    assert "not shown" in sentence
    assert f"0.05 points {side}" in sentence
    assert "lost the same" in points_sentence("piked", "tucked", 0.0, -0.1, 0.1, 0.95, "with falls")


def test_a_brace_in_a_technique_is_only_a_brace() -> None:
    sentence = headline(0.02, 0.58, first=Arm("{0.__class__}", 9, 9, 0.7, 1.0))
    assert "{0.__class__}" in sentence


def test_a_change_of_sign_within_meets_is_said_first() -> None:
    slots = {"by": ["meet"], "n": 60, "plain": 0.1, "within": -0.05, "claim": "not shown"}
    assert "the other way" in strata_sentence(sign_changes=True, claim_within="not shown", **slots)
    assert "claim changes" in strata_sentence(sign_changes=False, claim_within="first lower", **slots)
    assert "the same" in strata_sentence(sign_changes=False, claim_within="not shown", **slots)


def test_p_is_given_or_its_absence_explained() -> None:
    assert (
        p_sentence(0.0339, "Barnard", "")
        == "The test that stands beside the interval gives p = .034 (Barnard)."
    )
    assert "fewer than 3" in p_sentence(None, "", "fewer than 3 routines")


def test_each_disagreement_has_its_sentence() -> None:
    said = {disagreement_sentence(e, c) for e in (True, False) for c in (True, False)}
    assert len(said) == 4


def test_the_cautions_are_whole() -> None:
    text = " ".join(cautions())
    for needed in (
        "not random",
        "qualified coaches",
        "matting, spotting",
        "medical advice",
        "codes, not names",
        "safe",
    ):
        assert needed in text


def test_no_sentence_in_the_language_file_overclaims() -> None:
    for group in words().values():
        for sentence in group.values():
            assert not FORBIDDEN.search(sentence), sentence
