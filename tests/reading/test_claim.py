"""The claim follows the interval alone."""

import math

import pytest

from analysis.reading.claim import claim_of, disagrees


@pytest.mark.parametrize(
    ("low", "high", "matters", "claim"),
    [
        (0.02, 0.58, None, "first higher"),
        (-0.58, -0.02, None, "first lower"),
        (-0.1, 0.3, None, "not shown"),
        (0.0, 0.5, None, "not shown"),  # the accepted set is closed: a limit of 0 accepts 0
        (-0.5, 0.0, None, "not shown"),
        (-0.04, 0.06, 0.1, "about the same"),
        (-0.04, 0.1, 0.1, "not shown"),  # touching the margin isn't inside it
        (0.01, 0.06, 0.1, "about the same"),  # real, perhaps, and too small to act on
        (0.05, 0.4, 0.1, "first higher"),
        (-1.0, 1.0, 0.1, "not shown"),
        (math.nan, math.nan, None, "not shown"),
        (0.1, math.inf, None, "first higher"),
        (-math.inf, -0.1, None, "first lower"),
    ],
)
def test_the_claim_follows_the_interval(low: float, high: float, matters: float | None, claim: str) -> None:
    assert claim_of(low, high, matters) == claim


@pytest.mark.parametrize(
    ("low", "high", "p", "answer"),
    [
        (0.02, 0.58, 0.03, False),
        (0.02, 0.58, 0.06, True),
        (-0.02, 0.58, 0.04, True),
        (-0.02, 0.58, 0.06, False),
        (0.0, 0.58, 0.05, True),  # p at the level rejects, a closed interval that touches 0 does not
        (-0.02, 0.58, None, False),
        (math.nan, math.nan, 0.01, False),
    ],
)
def test_a_disagreement_is_noticed(low: float, high: float, p: float | None, answer: bool) -> None:
    assert disagrees(low, high, p, 0.05) is answer
