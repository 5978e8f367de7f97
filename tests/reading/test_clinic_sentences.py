"""What a room of athletes is told: every shape of result in short sentences without jargon, the counts first."""

import itertools
import re

import pytest

from analysis.reading.claim import claim_of
from analysis.reading.clinic import (
    Seen,
    average_words,
    clinic_question,
    clinic_sentences,
    limit_words,
)
from analysis.reading.sentences import words

PIKED, TUCKED, TURN, OTHER = "piked double back", "tucked double back", "full turn", "double front"
JARGON = re.compile(
    r"\b(p|n|intervals?|confiden\w*|significan\w*|probab\w*|percent\w*|proportions?|rates?|means?|medians?|samples?|"
    r"estimat\w*|statistic\w*|differences?|hypothes\w*|random\w*|data|odds|ratios?|tests?|level|variable|"
    r"outcomes?|clusters?|exact|effects?)\b|%",
    re.IGNORECASE,
)
CAUSE = re.compile(
    r"\b(caus\w+|because|due to|thanks to|leads? to|makes?|help(s|ed)?|improv\w+|better technique|prov\w+|always|never|"
    r"no difference|the same|guarantee\w*|safer|should)\b",
    re.IGNORECASE,
)
LIMITS = [
    (0.031, 0.587), (-0.587, -0.031), (-0.135, 0.36), (-0.05, 0.04), (0.0, 0.3), (-0.3, 0.0), (0.004, 0.4),
    (-0.4, -0.004), (0.204, 0.2049), (-0.9, 0.998), None,
]  # fmt: skip
PAIRS = [
    (Seen(PIKED, 9, 9, 0.0), Seen(TUCKED, 14, 22, 0.283)),
    (Seen(PIKED, 0, 16, 0.3), Seen(TUCKED, 15, 72, 0.12)),
    (Seen(PIKED, 1, 1, 0.1), Seen(TUCKED, 0, 1, 0.3)),
    (Seen(PIKED, 3000, 3890, 0.05), Seen(TUCKED, 1500, 2150, 0.0004)),
    (Seen(PIKED, 0, 0), Seen(TUCKED, 3, 7, 0.1)),
    (Seen(PIKED, 5, 5, 0.0), Seen(TUCKED, 6, 6, 0.0)),
]
MORE = [
    (Seen(TURN, 5, 10, 0.2),),
    (Seen(TURN, 0, 7, 0.9),),
    (Seen(TURN, 0, 0), Seen(OTHER, 6, 18, 0.1)),
    (Seen(TURN, 8, 8, 0.0), Seen(OTHER, 0, 18, 0.1), Seen("straight", 1, 2, 0.0)),
]
OUTCOMES = ("stuck", "deduction", "landing grade")
SIDES = ("two", "more", "fewer")
SHAPES = [
    (outcome, (*pair, *more), limits, sides)
    for outcome, pair, more, limits, sides in itertools.product(OUTCOMES, PAIRS, [(), *MORE], LIMITS, SIDES)
]


def told(outcome, seen, limits, sides="two", matters=None):
    low, high = limits or (float("nan"), float("nan"))
    return clinic_sentences(outcome, seen, limits, claim_of(low, high, matters), sides)


def plain(sentence, seen):
    """The sentence with each technique's name as one word."""
    for one in seen:
        sentence = sentence.replace(one.name, "dismount")
    return sentence


def test_no_shape_of_result_is_told_in_long_sentences_jargon_or_causes():
    assert len(SHAPES) > 40
    for outcome, seen, limits, sides in SHAPES:
        three = told(outcome, seen, limits, sides)
        assert len(three) == 3
        assert three == told(outcome, seen, limits, sides)
        for sentence in three:
            bare = plain(sentence, seen)
            assert len(bare.replace("(", "").split()) <= 25, sentence
            assert bare.endswith(".")
            assert not re.search(r"[.!?] [A-Z]", bare), f"more than one sentence: {sentence}"
            assert not JARGON.search(bare), sentence
            assert not CAUSE.search(bare), sentence
            assert "{" not in sentence
            assert "  " not in sentence
            assert bare[0].isupper()


def syllables(word):
    return max(1, len(re.findall(r"[aeiouy]+", re.sub(r"e$", "", word.lower()))))


def test_a_twelve_year_old_can_read_every_shape():
    """Grade by Kincaid and others 1975: .39 words a sentence + 11.8 syllables a word - 15.59.

    A sentence is a unit of thought, ended by a full stop, a colon or a semicolon, as Flesch 1949 counts it.
    """
    grades = []
    for outcome, seen, limits, sides in SHAPES:
        bare = " ".join(plain(one, seen) for one in told(outcome, seen, limits, sides)).replace(
            "dismount", "trick"
        )
        units = len(re.findall(r"[;:]|\.(?!\d)", bare))
        found = re.findall(r"[A-Za-z']+|\d+(?:\.\d+)?", bare)
        count = sum(1 if word[0].isdigit() else syllables(word) for word in found)
        grades.append(0.39 * len(found) / units + 11.8 * count / len(found) - 15.59)
    assert max(grades) < 6, "the sixth grade is that of eleven and twelve"
    assert sum(grades) / len(grades) < 5


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_every_count_is_told_before_any_other_number(outcome):
    for pair, more in itertools.product(PAIRS, [(), *MORE[:2]]):
        seen = (*pair, *more)
        saw = told(outcome, seen, (-0.1, 0.4))[0]
        for one in seen:
            if one.n:
                assert f"{one.x} of {one.n}" in saw
            elif any(other.n for other in seen):
                assert f"o routine of the {one.name} counts" in saw
        first = re.search(r"\d+ of \d+", saw)
        assert not re.search(r"\d", saw[: first.start()])


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_run_without_a_miss_is_never_told_without_what_more_routines_could_bring(outcome):
    for pair, more in itertools.product(PAIRS, [(), *MORE]):
        seen = (*pair, *more)
        saw = told(outcome, seen, (0.1, 0.9))[0]
        listed = seen if len(seen) <= 3 else seen[:2]
        full = any(one.n and one.x == one.n for one in listed)
        assert bool(re.search(r"more( routines)? could bring (misses|losses)", saw)) == full, saw
        empty = any(one.n and one.x == 0 for one in listed)
        if empty and outcome != "deduction":
            assert re.search(r"could bring (some|misses or hits)", saw), saw


def test_what_was_seen_with_easier_numbers():
    def saw(*counts):
        return told("stuck", [Seen("A", *counts[:2]), Seen("B", *counts[2:])], (-0.1, 0.4))[0]

    assert saw(29, 42, 23, 41) == (
        "The A was stuck 29 of 42 times (about 7 in every 10) and the B 23 of 41 (about 6 in every 10)."
    )
    assert saw(15, 30, 20, 21) == (
        "The A was stuck 15 of 30 times (5 in every 10) and the B 20 of 21 (more than 9 in every 10)."
    )
    assert saw(1, 40, 3, 9) == "The A was stuck 1 of 40 times (fewer than 1 in every 10) and the B 3 of 9."
    assert saw(77, 100, 140, 200) == (
        "The A was stuck 77 of 100 times (77 in every 100) and the B 140 of 200 (70 in every 100)."
    )
    assert saw(7, 20, 1, 12).count("about 4 in every 10") == 1, "35 in 100 is rounded half up"


def test_how_sure_in_every_direction():
    pair = (Seen("A", 9, 9), Seen("B", 14, 22))

    def sure(limits, sides="two", matters=None):
        return told("stuck", pair, limits, sides, matters)[1]

    rest = " in every 100 than the B."
    more = "The A seems ahead: with many more routines, it could have "
    open_ = "Not clear yet: with many more routines, the A could have "
    assert sure((0.031, 0.587)) == f"{more}from 3 to 59 more sticks{rest}"
    assert sure((-0.135, 0.36)) == f"{open_}from 14 fewer to 36 more sticks{rest}"
    assert sure((-0.587, -0.031)) == f"{more}from 3 to 59 fewer sticks{rest}".replace("ahead", "behind")
    assert sure((0.0, 0.3)) == f"{open_}from 0 to 30 more sticks{rest}"
    assert sure((0.004, 0.3)) == f"{more}from under 1 to 30 more sticks{rest}"
    assert sure((0.204, 0.2049)) == f"{more}about 20 more sticks{rest}"
    assert sure((0.5, 0.999)) == f"{more}from 50 to over 99 more sticks{rest}"
    assert sure((-0.3, 0.01)) == f"{open_}from 30 fewer to 1 more stick{rest}"
    assert sure((0.02, 1.0), "more") == f"{more}at least 2 more sticks{rest}"
    assert sure((0.001, 1.0), "more") == f"{more}at least slightly more sticks{rest}"
    assert sure((-0.2, 1.0), "more") == f"{open_}at worst 20 fewer sticks{rest}"
    assert sure((-1.0, 0.2), "fewer") == f"{open_}at most 20 more sticks{rest}"
    assert sure((-0.05, 0.04), matters=0.1).startswith("About even: with many more routines, the A ")
    assert sure(None) == "These landings are too much alike to say how sure we are, so nothing is claimed."


def test_points_are_told_in_tenths_and_less_is_not_called_behind():
    pair = (Seen("A", 17, 40, 0.165), Seen("B", 19, 41, 0.2829))
    saw, sure, _ = told("deduction", pair, (-0.3148, 0.1023))
    assert saw == (
        "The A lost nothing on landing 17 of 40 times (1.7 tenths on average) and the B 19 of 41 "
        "(2.8 tenths on average)."
    )
    assert sure == (
        "Not clear yet: with many more routines, the A could lose from 3.1 tenths less to 1 tenth more on average "
        "than the B."
    )
    assert told("deduction", pair, (-0.3, -0.004))[1] == (
        "The A seems to lose less: with many more routines, it could lose from under 0.1 to 3 tenths less on average "
        "than the B."
    )
    assert average_words(0.0004) == "under 0.1 tenths on average"


def test_grades_are_told_in_pairs():
    pair = (Seen("A", 9, 9), Seen("B", 14, 22))
    assert told("landing grade", pair, (-0.02, 0.31))[1] == (
        "Not clear yet: in 100 pairs, one of each, the A could land better in 48 to 81, ties shared."
    )
    assert told("landing grade", pair, (0.02, 0.31))[1].startswith("The A seems to land better: in 100 pairs")
    named = clinic_sentences("landing grade", pair, None, "not shown", best="clean")
    assert named[0].startswith("The A was clean 9 of 9 times (more routines could bring misses)")


def test_too_few_or_nothing_claims_nothing():
    few = (Seen("A", 2, 2), Seen("B", 14, 22))
    assert told("stuck", few, (0.01, 0.6))[1].startswith("Too few yet: with many more routines, the A ")
    gone = (Seen("A", 0, 0), Seen("B", 14, 22))
    assert told("stuck", gone, None)[:2] == (
        "No routine of the A counts and the B was stuck 14 of 22 times (about 6 in every 10).",
        "We can't compare the two yet, so nothing is claimed.",
    )
    empty = told("stuck", (Seen("A", 0, 0), Seen("B", 0, 0)), None)
    assert empty[0] == "No routine of these dismounts can be counted yet."
    assert "safe or right for you" in empty[2]


def test_the_question_is_asked_as_aloud():
    assert (
        clinic_question("stuck", ["piked", "tucked", "turned"])
        == "Piked, tucked or turned: which sticks more?"
    )
    assert clinic_question("deduction", ["piked", "tucked"]).endswith("which loses less on the landing?")
    assert clinic_question("landing grade", list("abcd")) == "A or b: which lands better?"


def test_the_ends_of_a_bar():
    said = [
        limit_words("stuck", -0.135),
        limit_words("deduction", -0.3148),
        limit_words("landing grade", -0.02),
    ]
    assert said == ["14 fewer", "3.1 tenths less", "48"]


def test_a_name_is_only_a_name():
    odd = (Seen("{0.__class__} %s", 9, 9), Seen("100 % {first}", 14, 22))
    saw, sure, _ = told("stuck", odd, (0.1, 0.4))
    assert saw.startswith("The {0.__class__} %s was stuck 9 of 9 times")
    assert sure.endswith("than the 100 % {first}.")


@pytest.mark.parametrize(
    ("outcome", "seen", "claim", "said"),
    [
        ("stuck", [Seen("A", 9, 9)], "not shown", "two or more"),
        ("points", [Seen("A", 9, 9), Seen("B", 14, 22)], "not shown", "'deduction'"),
        ("stuck", [Seen("A", 9, 9), Seen("B", 14, 22)], "higher", "'first higher'"),
    ],
)
def test_what_can_not_be_told_is_refused(outcome, seen, claim, said):
    with pytest.raises(ValueError, match=said):
        clinic_sentences(outcome, seen, None, claim)


def test_every_word_of_the_clinic_is_free_of_jargon_and_causes():
    for sentence in words()["clinic"].values():
        bare = re.sub(r"\{\w+\}", "", sentence)
        assert not CAUSE.search(bare), sentence
        assert not JARGON.search(bare), sentence
