"""Another language is a file: every sentence comes out of it, and a file that doesn't fit is named fault by fault."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest
from reading_language import write_language
from reading_shapes import shapes

from analysis.reading.words import ENGLISH, cautions, language_faults, languages, listed, say, slots_of, words

SHAPES = shapes()
# What a sentence takes over from elsewhere: names, columns, tests, reasons, numbers and their marks.
TAKEN_OVER = re.compile(r"piked double back|tucked double back|difficulty|round|meet|day|Barnard|p (?=[=<>])")


def _x(group: str, key: str, text: str) -> str:
    """Every letter outside the slots becomes an x."""
    return "".join(
        part if part.startswith("{") else re.sub(r"[^\W\d_]", "x", part)
        for part in re.split(r"(\{\w+\})", text)
    )


def _tagged(group: str, key: str, text: str) -> str:
    return f"\N{LEFT-POINTING ANGLE BRACKET}{group}/{key}\N{RIGHT-POINTING ANGLE BRACKET}{text}"


def test_the_shipped_languages_have_the_same_keys_and_slots() -> None:
    assert languages() == (ENGLISH,)
    for language in languages():
        assert language_faults(words(language), words(ENGLISH)) == []
        assert len(cautions(language)) == len(cautions(ENGLISH))
    folder = resources.files("analysis.resources")
    assert sorted(p.name for p in folder.joinpath("words").iterdir()) == sorted(
        p.name for p in folder.joinpath("cautions").iterdir()
    )


def test_every_sentence_comes_out_of_the_language_file(tmp_path: Path) -> None:
    other = write_language(tmp_path, _x)
    for shape in SHAPES:
        left = dict(shape.facts)
        why, test = left.get("why", ""), left.get("test", "")
        names = [arm.name for key in ("first", "second") if hasattr(arm := left.get(key), "name")]
        said = shape.says(other)
        for text in filter(None, (why.strip(".") if isinstance(why, str) else "", test, *names)):
            said = said.replace(text, "")
        strange = re.findall(r"[^\W\d_]+", TAKEN_OVER.sub("", said))
        assert set("".join(strange)) <= {"x"}, (shape.name, said)


def test_every_sentence_of_the_language_file_is_in_a_shape(tmp_path: Path) -> None:
    """A key that nothing reaches would be a sentence that nobody has read."""
    other = write_language(tmp_path, _tagged)
    said = " ".join(shape.says(other) for shape in SHAPES)
    found = set(re.findall("\N{LEFT-POINTING ANGLE BRACKET}(.*?)\N{RIGHT-POINTING ANGLE BRACKET}", said))
    elsewhere = {"cannot", "clinic"}  # in readings.toml, and in the clinic's own tests
    wanted = {f"{group}/{key}" for group, table in words().items() for key in table if group not in elsewhere}
    assert wanted <= found, sorted(wanted - found)


def test_the_cautions_of_a_language_lie_in_the_folder_beside_its_words(tmp_path: Path) -> None:
    other = write_language(tmp_path, _x)
    assert len(cautions(other)) == len(cautions())
    assert set(re.findall(r"[^\W\d_]", " ".join(cautions(other)))) == {"x"}


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        (lambda t: t["stuck"].pop("open"), r"\[stuck\] open is missing"),
        (lambda t: t["stuck"].update(opens="{first}"), r"\[stuck\] opens is unknown"),
        (lambda t: t.pop("trade"), r"\[trade\] is missing"),
        (lambda t: t.update(trades={}), r"\[trades\] is unknown"),
        (lambda t: t["rate"].update(plain="{count}"), r"\[rate\] plain lacks the slot \{percent\}"),
        (lambda t: t["headline"].update(p="{p} {test} {q}"), r"\[headline\] p has the unknown slot \{q\}"),
        (
            lambda t: t["rate"].update(count="{x.__class__} of {n}"),
            r"lacks the slot \{x\}; .*unknown slot \{x.__class__\}",
        ),
        (lambda t: t["rate"].update(count="{x!r} of {n}"), r"unknown slot \{x!r\}"),
        (
            lambda t: t["rate"].update(count="{x} of {n"),
            r"\[rate\] count has a brace that opens or closes nothing",
        ),
    ],
)
def test_a_file_that_does_not_fit_is_named_fault_by_fault(tmp_path: Path, edit, fault: str) -> None:
    other = write_language(tmp_path, lambda group, key, text: text, edit)
    with pytest.raises(ValueError, match=fault):
        words(other)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    def edit(tables: dict) -> None:
        tables.pop("trade")
        tables["stuck"].pop("open")
        tables["rate"]["plain"] = "{percent}"

    other = write_language(tmp_path, lambda group, key, text: text, edit)
    with pytest.raises(ValueError, match="don't match") as refused:
        words(other)
    for fault in ("[trade] is missing", "[stuck] open is missing", "[rate] plain lacks the slot {count}"):
        assert fault in str(refused.value)


def test_a_table_that_is_none_and_a_text_that_is_none_are_named() -> None:
    model = {"rate": {"count": "{x} of {n}"}}
    assert language_faults({"rate": "x"}, model) == ["[rate] is not a table"]
    assert language_faults({"rate": {"count": 3}}, model) == ["[rate] count is not a text"]


def test_an_unknown_language_names_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="language 'xx' is not one of en"):
        words("xx")
    with pytest.raises(ValueError, match="was not found"):
        words(str(tmp_path / "words" / "none.toml"))


def test_names_are_joined_as_a_sentence_joins_them() -> None:
    assert [listed(names) for names in ([], ["a"], ["a", "b"], ["a", "b", "c", "d"])] == [
        "",
        "a",
        "a and b",
        "a, b, c and d",
    ]
    assert listed(["{a}", "{0}"]) == "{a} and {0}"


def test_a_slot_is_filled_as_it_is() -> None:
    assert say("rate", "count", x="{n}", n=3) == "{n} of 3"
    assert slots_of("{a} and {b}, {a}") == ["a", "b"]
