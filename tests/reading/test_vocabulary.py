"""The words that a report may use are a fixed list: a new one, and one that has gone, is seen by a person first."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from reading_rules import broken_rules

from analysis.reading.words import cautions, words

FILE = Path(__file__).parent / "vocabulary.txt"

CLAIMS = {
    "stuck": {
        "higher": "In these routines {first} was stuck more often than {second}:",
        "lower": "In these routines {first} was stuck less often than {second}:",
        "same": "In these routines {first} and {second} were stuck about equally often:",
        "open": "These routines do not show whether {first} or {second} is stuck more often:",
        "open_more": "These routines do not show that {first} is stuck more often than {second}:",
        "open_fewer": "These routines do not show that {first} is stuck less often than {second}:",
        "no_interval": "These routines give no interval for the difference between {first} and {second}:",
    },
    "deduction": {
        "higher": "In these routines {first} lost more on the landing than {second}:",
        "lower": "In these routines {first} lost less on the landing than {second}:",
        "same": "In these routines {first} and {second} lost about the same on the landing:",
        "open": "These routines do not show whether {first} or {second} loses more on the landing:",
        "open_more": "These routines do not show that {first} loses more on the landing than {second}:",
        "open_fewer": "These routines do not show that {first} loses less on the landing than {second}:",
        "no_interval": "These routines give no interval for the difference between {first} and {second}:",
    },
    "grade": {
        "higher": "In these routines {first} landed better than {second}:",
        "lower": "In these routines {first} landed worse than {second}:",
        "same": "In these routines {first} and {second} landed about equally well:",
        "open": "These routines do not show whether {first} or {second} lands better:",
        "open_more": "These routines do not show that {first} lands better than {second}:",
        "open_fewer": "These routines do not show that {first} lands worse than {second}:",
        "no_interval": "These routines give no interval for the comparison of {first} and {second}:",
        "range": "{low} to {high}",
    },
}
"""The only openings of a headline; two techniques are compared in words nowhere else but here and in `[claims_*]`."""


def report_words() -> set[str]:
    """Every word of the report's sentences outside the slots; the clinic has its own list of easy words."""
    found: set[str] = set()
    for group, table in words().items():
        if group != "clinic":
            for text in table.values():
                found |= set(
                    re.findall(r"[^\W\d_]+(?:['-][^\W\d_]+)*", re.sub(r"\{\w+\}", " ", text).lower())
                )
    return found


def test_the_words_are_those_of_the_list() -> None:
    listed = [line for line in FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    assert listed == sorted(set(listed))
    strange, gone = report_words() - set(listed), set(listed) - report_words()
    assert strange == set(), "new words: judge them, then add them to vocabulary.txt"
    assert gone == set(), "words that no sentence uses any more: take them out of vocabulary.txt"


@pytest.mark.parametrize("group", CLAIMS)
def test_a_headline_opens_with_one_of_these_and_no_other(group: str) -> None:
    table = words()[group]
    assert list(table) == list(CLAIMS[group])
    for key, opening in CLAIMS[group].items():
        assert table[key].startswith(opening)
        # Behind the colon stand numbers: nothing there compares the techniques again.
        assert not re.search(
            r"more often|less often|lost (more|less)|loses|worse", table[key].removeprefix(opening)
        )


def test_the_claims_that_stand_beside_a_headline_are_worded_as_the_headline_is() -> None:
    verbs = {
        "claims_proportion": ("is stuck more often", "is stuck less often", "are stuck about equally often"),
        "claims_points": ("loses more", "loses less", "lose about the same"),
        "claims_probability": ("lands better", "lands worse", "land about equally well"),
    }
    for group, (more, less, same) in verbs.items():
        assert words()[group] == {
            "first higher": f"the first technique {more}",
            "first lower": f"the first technique {less}",
            "about the same": f"both techniques {same}",
            "not shown": f"it is not shown which technique {more}",
        }


def test_no_sentence_of_the_file_breaks_a_rule_whatever_fills_it() -> None:
    for group, table in words().items():
        for key, text in table.items():
            said = re.sub(r"\{\w+\}", "7", text)
            causal = [fault for fault in broken_rules(said) if fault.startswith("it says")]
            if group == "clinic":
                causal = [
                    fault
                    for fault in causal
                    if "safe" not in fault and "worst" not in fault and "best" not in fault
                ]
            assert causal == [], f"[{group}] {key}"


def test_the_cautions_are_whole_sentences() -> None:
    for text in cautions():
        assert text[0].isupper()
        assert text.endswith(".")
        assert "  " not in text
