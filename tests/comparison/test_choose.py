"""The table of choices, row by row."""

import pytest

from analysis.comparison.choose import CHOICES, alternative_of, choose


@pytest.mark.parametrize(
    ("outcome", "clustered", "interval", "test"),
    [
        ("stuck", False, "exact", "barnard"),
        ("stuck", True, "clustered difference", "athlete permutation"),
        ("deduction", False, "score limits of two means", "permutation of the mean difference"),
        ("deduction", True, "clustered difference", "athlete permutation"),
        ("landing grade", False, "probability of superiority", "rank sum"),
        ("landing grade", True, "clustered superiority", "athlete permutation"),
    ],
)
def test_each_situation_has_its_routine(outcome: str, clustered: bool, interval: str, test: str) -> None:
    choice = choose(outcome, clustered)
    assert (choice.interval, choice.test) == (interval, test)
    assert choice.reason.endswith(".")


def test_no_situation_is_listed_twice() -> None:
    assert len({(choice.outcome, choice.clustered) for choice in CHOICES}) == len(CHOICES) == 6


def test_an_outcome_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="no routine"):
        choose("height", False)


def test_sides_refer_to_the_outcome_as_coded() -> None:
    assert [alternative_of(sides) for sides in ("two", "more", "fewer")] == ["two-sided", "greater", "less"]
