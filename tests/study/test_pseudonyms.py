"""Names out, codes in: stable, keyed, the key private and apart; and what looks like a name is noticed."""

import hmac
import os
import stat

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.study.checks import check, usable_rows
from analysis.study.people import looks_like_names
from analysis.study.problem import InputProblem
from analysis.study.pseudonyms import code_of, pseudonymise
from analysis.study.sheet import read_sheet

HEADER = ["meet", "athlete", "technique", "landing", "deduction", "clip", "note"]
PIKED, TUCKED = "piked double back", "tucked double back"
ROWS = [
    ["Cup", "Mia Berger", PIKED, "stuck", "0", "c1.mp4", ""],
    ["Cup", "Ana Kolar", TUCKED, "small step", "0.1", "c2.mp4", "held the Berger grip"],
    ["Open", "mia  berger", TUCKED, "fall", "1,0", "kolar_c3.mp4", "=1+1"],
    ["Open", "Zoë O'Neil", PIKED, "x?", "", "007", "-"],
]


@pytest.fixture
def named(sheet_of):
    return sheet_of(ROWS, HEADER)


@pytest.fixture
def key_file(tmp_path):
    return tmp_path / "private" / "athletes.key"


@pytest.fixture
def shared(tmp_path):
    (tmp_path / "shared").mkdir()
    return tmp_path / "shared" / "codes.xlsx"


NAMES = [
    "Mia Berger",
    "BERGER Mia",
    "Berger, Mia",
    "M. Berger",
    "mia berger",
    "mia_berger",
    "Zoë O'Neil-Maß",
    "Мария Иванова",
    "李小龙",
    "Nguyễn Thị Hoa",
]
CODES = [
    "A12",
    "A7KQ2M9",
    "a-7",
    "007",
    "GER 12",
    "GER A",
    "Athlete B",
    "gymnast C",
    "Team Red",
    "X",
    "ABC",
    "A",
    "",
]


@pytest.mark.parametrize("name", NAMES)
def test_names_look_like_names(name):
    assert looks_like_names(["A1", name, "A2", name]) == (name,)


def test_codes_do_not_look_like_names():
    assert looks_like_names([*CODES, None, float("nan"), 12]) == ()


def test_single_words_are_names_where_most_values_are_such():
    assert looks_like_names(["Mia", "Ana", "Zoë", "A4"]) == ("Mia", "Ana", "Zoë")
    assert looks_like_names(["Mia", "A2", "A3", "A4"]) == ()


def test_check_warns_once_without_repeating_a_name(named):
    (found,) = (problem for problem in check(named) if "names" in problem.problem)
    assert (found.row, found.column, found.blocks) == (None, "athlete", False)
    assert "3 athletes look like names (of 3 in all)" in found.problem
    assert str(found).count("minors") == 1
    assert "Berger" not in str(found)
    assert usable_rows(named) == 3


def test_check_is_silent_about_codes(sheet_of):
    assert check(sheet_of([["Cup", code, PIKED, "stuck", "0"] for code in ("A12", "A7KQ2M9", "B-3")])) == ()


def test_the_copy_holds_codes_and_everything_else(named, shared, key_file):
    done = pseudonymise(named, shared, key_file)
    sheet = read_sheet(shared)
    assert list(sheet.rows.columns) == list(named.rows.columns)
    athletes = list(sheet.rows["athlete"])
    assert athletes[0] == athletes[2]
    assert len(set(athletes)) == 3 == done.athletes
    assert looks_like_names(athletes) == ()
    for column in ("meet", "technique", "landing", "deduction", "clip", "note"):
        assert list(sheet.rows[column].astype(object)) == list(named.rows[column].astype(object))
    assert [problem.value for problem in sheet.problems] == ["x?"]
    assert list(sheet.original["note"])[2:] == ["=1+1", "-"]
    assert "Mia" not in shared.read_bytes().decode("latin-1")


def test_words_of_names_that_stay_elsewhere_are_listed_by_cell(named, shared, key_file):
    done = pseudonymise(named, shared, key_file)
    assert [(problem.row, problem.column) for problem in done.problems] == [(4, "clip"), (3, "note")]
    told = str(done.to_dict()) + str(done)
    assert not [word for word in ("Mia", "Berger", "Kolar", "kolar") if word in told]
    assert told.count("minors") == 2  # once in each


def test_the_key_gives_the_same_codes_at_the_next_meet_and_another_key_others(
    sheet_of, named, tmp_path, key_file
):
    first = pseudonymise(named, tmp_path / "one" / "a.xlsx", key_file)
    again = pseudonymise(
        sheet_of(
            [["Cup", "Kolar", PIKED, "stuck", "0"], ["Cup", "MIA BERGER", PIKED, "stuck", "0"]],
            name="next.csv",
        ),
        tmp_path / "two" / "b.xlsx",
        key_file,
    )
    assert (first.key_made, again.key_made) == (True, False)
    code = read_sheet(tmp_path / "one" / "a.xlsx").rows.at[2, "athlete"]
    assert read_sheet(tmp_path / "two" / "b.xlsx").rows.at[3, "athlete"] == code
    other = pseudonymise(named, tmp_path / "three" / "c.xlsx", tmp_path / "private" / "other.key")
    assert other.key_made
    assert read_sheet(tmp_path / "three" / "c.xlsx").rows.at[2, "athlete"] != code


def test_a_code_is_pinned():
    """The first eight bytes of HMAC-SHA256 of "mia berger", six digits of base 32, the lowest first."""
    number = int(hmac.new(b"k" * 32, b"mia berger", "sha256").hexdigest()[:16], 16)
    digits = [number >> 5 * place & 31 for place in range(6)]
    expected = "A" + "".join("23456789ABCDEFGHJKLMNPQRSTUVWXYZ"[digit] for digit in digits)
    assert code_of("Mia Berger", b"k" * 32) == expected == "AFKHKUW"


@pytest.mark.skipif(os.name != "posix", reason="file modes are those of posix")
def test_the_key_is_private_and_one_that_others_can_read_is_refused(named, tmp_path, shared, key_file):
    before = os.umask(0)
    try:
        pseudonymise(named, shared, key_file)
    finally:
        os.umask(before)
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600
    key_file.chmod(0o644)
    with pytest.raises(InputProblem, match="others can read this key") as caught:
        pseudonymise(named, tmp_path / "shared" / "more.xlsx", key_file)
    assert "chmod 600" in caught.value.problems[0].remedy


def test_the_key_is_kept_out_of_reports_and_out_of_the_folder_that_is_shared(named, tmp_path, shared):
    report = tmp_path / "report"
    report.mkdir()
    for name in ("results.json", "manifest.json"):
        (report / name).write_text("{}")
    for place in (report / "athletes.key", report / "deep" / "athletes.key"):
        with pytest.raises(InputProblem, match="inside a report"):
            pseudonymise(named, shared, place)
    for place in (shared.parent / "athletes.key", shared.parent / "deep" / ".." / "deep" / "athletes.key"):
        with pytest.raises(InputProblem, match="the folder of the copy"):
            pseudonymise(named, shared, place)
    assert not list(tmp_path.rglob("*.key"))
    assert not shared.exists()


@pytest.mark.parametrize("text", ["", "no key", "x\n" + "g" * 64, "x\n" + "a" * 63])
def test_a_damaged_key_is_refused(named, shared, key_file, text):
    key_file.parent.mkdir()
    key_file.write_text(text)
    key_file.chmod(0o600)
    with pytest.raises(InputProblem, match="no key of athlete codes"):
        pseudonymise(named, shared, key_file)


def test_nothing_is_overwritten_and_no_key_made_for_nothing(named, shared, key_file):
    shared.write_text("mine")
    with pytest.raises(InputProblem, match="already there"):
        pseudonymise(named, shared, key_file)
    with pytest.raises(InputProblem, match="an xlsx file"):
        pseudonymise(named, shared.with_suffix(".csv"), key_file)
    assert shared.read_text() == "mine"
    assert not key_file.exists()


def test_a_torn_row_may_hold_a_name_anywhere_and_is_refused(text_sheet, shared, key_file):
    sheet = text_sheet("meet,athlete,technique,landing\nCup,Mia Berger,piked double back,stuck,Kolar,x\n")
    with pytest.raises(InputProblem, match="more cells than the header"):
        pseudonymise(sheet, shared, key_file)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.text(min_size=1, max_size=30), min_size=1, max_size=20))
def test_any_text_is_judged_and_coded(texts):
    assert set(looks_like_names(texts)) <= {" ".join(text.split()) for text in texts} | set(
        looks_like_names(texts)
    )
    for text in texts:
        code = code_of(text, b"k" * 32)
        assert len(code) == 7
        assert looks_like_names([code]) == ()
