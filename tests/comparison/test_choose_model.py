"""The table of models, row by row."""

import pytest

from analysis.comparison.choose_model import MODEL_CHOICES, choose_model


@pytest.mark.parametrize(
    ("outcome", "columns", "clustered", "model"),
    [
        ("stuck", True, False, "standardised"),
        ("stuck", True, True, "standardised"),
        ("stuck", False, True, "plain"),
        ("deduction", True, False, "standardised"),
        ("deduction", True, True, "standardised"),
        ("deduction", False, True, "plain"),
        ("landing grade", True, False, "ordered"),
        ("landing grade", True, True, "ordered"),
        ("landing grade", False, True, "plain"),
    ],
)
def test_each_situation_has_its_model(outcome: str, columns: bool, clustered: bool, model: str) -> None:
    choice = choose_model(outcome, columns, clustered)
    assert choice is not None
    assert choice.model == model
    assert choice.reason.endswith(".")
    if columns:
        assert ("Athletes come back" in choice.reason) == clustered


@pytest.mark.parametrize("outcome", ["stuck", "deduction", "landing grade"])
def test_without_columns_and_without_repeats_the_headline_has_no_rival(outcome: str) -> None:
    assert choose_model(outcome, False, False) is None


def test_no_situation_is_listed_twice() -> None:
    assert len({(c.outcome, c.columns, c.clustered) for c in MODEL_CHOICES}) == len(MODEL_CHOICES) == 9
