"""Whole readings of tiny sheets, from the sheet to the words: which sentences, in which order, none said twice."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from reading_language import write_language
from reading_rules import broken_rules
from reading_sheets import CASES, FILE, compared, file_text
from studies import write_study

import analysis
from analysis.comparison.result import Comparison, Reading
from analysis.comparison.wording import make_reading
from analysis.study.problem import InputProblem

WRITTEN = tomllib.loads(FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Comparison]:
    return {name: compared(name, tmp_path_factory.mktemp("sheet")) for name in CASES}


def again(comparison: Comparison, meets: int = 1, unknown: int = 0, **changed) -> Reading:
    """Say a comparison once more with a part of it changed."""
    parts = {
        name: getattr(comparison, name)
        for name in (
            "question",
            "groups",
            "headline",
            "repeats",
            "strata",
            "pairs",
            "deductions",
            "adjusted",
            "points_parts",
            "doubt",
        )
    }
    return make_reading(**{**parts, **changed}, meets=meets, unknown=unknown)


@pytest.mark.filterwarnings("error")
def test_every_reading_is_what_the_file_says(readings: dict[str, Comparison]) -> None:
    assert list(WRITTEN) == list(CASES)
    for name, comparison in readings.items():
        assert comparison.reading.headline == WRITTEN[name]["headline"]
        assert list(comparison.reading.sentences) == WRITTEN[name]["sentences"]
        assert list(comparison.reading.cannot_say) == WRITTEN[name]["cannot_say"]
    assert FILE.read_text(encoding="utf-8") == file_text(readings), (
        "run tests/reading_sheets.py and read the change"
    )


def test_no_reading_breaks_a_rule_or_says_a_thing_twice(readings: dict[str, Comparison]) -> None:
    for name, comparison in readings.items():
        reading = comparison.reading
        said = [reading.headline, *reading.sentences, *reading.cannot_say]
        for text in said:
            assert broken_rules(text) == [], (name, text)
        single = [part for text in said for part in re.split(r"(?<=\.) ", text)]
        assert len(single) == len(set(single)), name


def test_the_headline_is_the_claim_of_the_results(readings: dict[str, Comparison]) -> None:
    opens = {
        "first higher": "more often|lost more|landed better",
        "first lower": "less often|lost less|landed worse",
        "not shown": "do not show|give no interval|can't be compared",
    }
    for name, comparison in readings.items():
        assert re.search(opens[comparison.headline.claim], comparison.reading.headline), name


def test_a_deduction_is_not_told_again_below_its_headline(readings: dict[str, Comparison]) -> None:
    with_falls = readings["deductions with falls"].reading
    assert [text for text in with_falls.sentences if text.startswith("Points saved")] == [
        text for text in with_falls.sentences if text.startswith("Points saved per routine, without falls")
    ]
    without = readings["deductions without any fall"].reading
    assert not any("Points saved" in text for text in without.sentences)


def test_what_changes_for_like_with_like_stands_in_the_headline_and_only_there(readings) -> None:
    turned = readings["the sign turns within meets"]
    assert turned.strata.agreement in turned.reading.headline
    assert turned.strata.agreement not in turned.reading.sentences
    same = readings["the same within meets, adjusted"]
    for part in (same.strata, same.adjusted):
        assert part.agreement in same.reading.sentences
        assert part.agreement not in same.reading.headline


def test_too_few_routines_are_said_once_and_nothing_is_likened(readings: dict[str, Comparison]) -> None:
    few = readings["two routines"]
    said = [few.reading.headline, *few.reading.sentences]
    assert not any("No p-value" in text for text in said)
    turned = readings["the sign turns within meets"]
    reading = again(few, strata=turned.strata)
    assert turned.strata.agreement not in " ".join([reading.headline, *reading.sentences])


def test_a_p_value_that_is_missing_for_its_own_reason_is_explained(readings: dict[str, Comparison]) -> None:
    plain = readings["nothing shown, with a trade"]
    headline = replace(plain.headline, test=None, p_why="the p-value could not be computed")
    assert (
        "No p-value is given: the p-value could not be computed." in again(plain, headline=headline).sentences
    )
    same = replace(headline, interval=None, interval_why="nothing varies", p_why="nothing varies")
    assert not any("p-value" in text for text in again(plain, headline=same).sentences)


def test_one_athlete_and_one_row_are_in_the_singular(readings: dict[str, Comparison]) -> None:
    back = readings["three athletes come back"]
    groups = (replace(back.groups[0], athletes=1), *back.groups[1:])
    said = " ".join(again(back, groups=groups, unknown=1).cannot_say)
    assert "only 1 athlete;" in said
    assert "1 of 14 routines" in said
    assert "its landing may differ" in said
    assert "their landings may differ" in " ".join(again(back, unknown=3).cannot_say)
    assert broken_rules(said) == []


def test_the_overall_test_opens_where_there_are_three_techniques(readings: dict[str, Comparison]) -> None:
    three = readings["three techniques"]
    assert three.reading.headline.startswith("Over all 3 techniques together")
    gone = replace(three.pairs, overall=replace(three.pairs.overall, p_value=float("nan")))
    assert again(three, pairs=gone).headline.startswith("In these routines")


def _in_other_words(name: str, folder: Path, language: str) -> Comparison:
    make, keys = CASES[name]
    plan = write_study(folder, make(), **keys)
    said = plan.read_text(encoding="utf-8").replace("[study]", f'[study]\nlanguage = "{language}"')
    plan.write_text(said, encoding="utf-8")
    return analysis.compare(plan)


@pytest.mark.parametrize(
    "name",
    [
        "deductions with falls",
        "the sign turns within meets",
        "the same within meets, adjusted",
        "landing grade, adjusted",
        "athletes come back, all routines",
        "three athletes come back",
    ],
)
def test_a_plan_names_the_language_of_its_report(name: str, readings, tmp_path: Path) -> None:
    """A path is taken from the plan's folder, and doesn't stand in results.json."""
    write_language(tmp_path / "own", lambda group, key, text: f"\N{PILCROW SIGN}{text}")
    found = _in_other_words(name, tmp_path, "own/words/other.toml")
    reading = found.reading
    more = [part.reading for part in (found.graded, found.priors) if part is not None]
    said = [reading.headline, *reading.sentences, *reading.cannot_say, *reading.cautions, *filter(None, more)]
    assert all(text.startswith("\N{PILCROW SIGN}") for text in said)
    plain = readings[name].reading
    assert [text.replace("\N{PILCROW SIGN}", "") for text in reading.sentences] == list(plain.sentences)
    assert str(tmp_path) not in found.to_json()


def test_a_language_that_can_not_be_had_is_a_problem_of_the_plan(tmp_path: Path) -> None:
    write_language(tmp_path / "own", lambda group, key, text: text, lambda t: t["stuck"].pop("open"))
    for language, fault in (
        ("xx", "is not one of en"),
        ("own/words/none.toml", "was not found"),
        ("own/words/other.toml", r"\[stuck\] open is missing"),
    ):
        with pytest.raises(InputProblem, match=fault) as refused:
            _in_other_words("deductions that never vary", tmp_path, language)
        assert "study.language" in str(refused.value)
