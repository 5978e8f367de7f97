"""The part that is coded twice: rare codes are in it, first codes are not, and the key leads back."""

import json
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from analysis.study.coders import pair
from analysis.study.problem import InputProblem
from analysis.study.recoding import CARRIED, draw_recoding, recode
from analysis.study.sheet import read_sheet

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
PIKED, TUCKED = "piked double back", "tucked double back"
HEADER = [
    "routine",
    "meet",
    "round",
    "athlete",
    "technique",
    "landing",
    "deduction",
    "coder",
    "note",
    "stuck?",
]


PINNED = ["R096", "R003", "R070", "R177", "R040"]


def codes(count, technique=PIKED, landing="stuck", first=1):
    return [
        [f"R{i}", "Cup", "final", f"A{i}", technique, landing, "0", "C1", "SECRET note", "SECRET"]
        for i in range(first, first + count)
    ]


@pytest.fixture(scope="module")
def demo():
    return read_sheet(DEMO / "event_sheet.csv", DEMO / "codebook.toml")


@pytest.fixture
def lopsided(sheet_of):
    """97 routines of one kind, one other technique, one fall, one landing that nobody saw."""
    rows = (
        codes(97)
        + codes(1, TUCKED, "stuck", 98)
        + codes(1, PIKED, "fall", 99)
        + codes(1, PIKED, "not seen", 100)
    )
    return sheet_of(rows, HEADER)


@pytest.mark.parametrize("seed", range(25))
def test_rare_techniques_and_landings_are_in_every_draw(lopsided, seed):
    draw = draw_recoding(lopsided, 8, seed)
    rows = [item.first_row for item in draw.routines]
    assert len(set(rows)) == len(rows) == 8
    assert {99, 100, 101} < set(rows)
    assert draw.absent == ()
    assert Counter(item.why for item in draw.routines)["at random"] >= 4


def test_a_draw_too_small_for_all_of_them_takes_the_rarest_and_says_what_it_lacks(lopsided):
    draw = draw_recoding(lopsided, 2, 1)
    assert len(draw.routines) == 2
    assert draw.absent == ("technique tucked double back", "landing stuck")


def test_the_same_seed_gives_the_same_draw_and_another_seed_another(demo):
    assert draw_recoding(demo, 30, 7) == draw_recoding(demo, np.int64(30), np.int64(7))
    draws = {tuple(item.first_row for item in draw_recoding(demo, 30, seed).routines) for seed in range(20)}
    assert len(draws) == 20


def test_a_draw_is_pinned(demo):
    assert [item.routine for item in draw_recoding(demo, 30, 20251122).routines][:5] == PINNED


def test_the_order_is_not_that_of_the_sheet(demo):
    rows = [item.first_row for item in draw_recoding(demo, 60, 3).routines]
    assert rows != sorted(rows)
    apart = [abs(b - a) for a, b in pairwise(rows)]
    assert sum(1 for step in apart if step == 1) < 6


def test_routines_of_one_technique_and_landing_are_equally_likely(lopsided):
    """500 draws of 8: each of the 97 is drawn about equally often (chi-squared far below its 1 in 10,000 limit)."""
    seen = Counter(
        item.first_row for seed in range(500) for item in draw_recoding(lopsided, 8, seed).routines
    )
    alike = np.array([seen[row] for row in range(2, 99)])
    expected = alike.sum() / 97
    assert alike.sum() == 500 * 5
    assert float(((alike - expected) ** 2 / expected).sum()) < 155


@settings(deadline=None, max_examples=25)
@given(size=st.integers(9, 150), seed=st.integers(0, 2**63 - 1))
def test_every_landing_and_technique_of_the_demo_is_drawn_from_nine_on(demo, size, seed):
    draw = draw_recoding(demo, size, seed)
    rows = [item.first_row for item in draw.routines]
    assert len(set(rows)) == size
    if not draw.absent:
        for name in ("technique", "landing"):
            assert set(demo.rows.loc[rows, name]) == set(demo.rows[name])
    assert size < 15 or not draw.absent


def test_first_codes_and_scores_are_nowhere_in_the_second_workbook(lopsided, tmp_path):
    done = recode(lopsided, tmp_path / "second.xlsx", 12, 5)
    page = load_workbook(done.workbook)["Routines"]
    headers = [cell.value for cell in page[1]]
    for row in page.iter_rows(min_row=2):
        known = {header for header, cell in zip(headers, row, strict=True) if cell.value is not None}
        assert known == {"meet", "round", "athlete", "routine"}
    assert page.max_row == 13
    assert not {"technique", "landing", "deduction", "difficulty", "execution", "coder", "note"} & set(
        CARRIED
    )
    book = load_workbook(done.workbook)
    assert "SECRET" not in str([[cell.value for row in page.iter_rows() for cell in row] for page in book])
    assert "Start list" not in book.sheetnames


def test_the_key_leads_each_row_back(lopsided, tmp_path):
    done = recode(lopsided, tmp_path / "second.xlsx", 12, 5)
    found = json.loads(done.key.read_text(encoding="utf-8"))
    assert found == done.to_dict()
    assert (found["sheet"], found["sheet_sha256"], found["seed"]) == ("sheet.csv", lopsided.sha256, 5)
    assert (done.key.name, found["drawn"], found["eligible"]) == ("second_key.json", 12, 100)
    page = load_workbook(done.workbook)["Routines"]
    column = [cell.value for cell in page[1]].index("athlete")
    for item in found["routines"]:
        assert page[item["row"]][column].value == lopsided.rows.at[item["first_row"], "athlete"]
    assert "keep it from whoever codes again" in str(done)


def test_the_same_draw_is_the_same_bytes(lopsided, tmp_path):
    one, other = (recode(lopsided, tmp_path / name / "second.xlsx", 12, 5) for name in ("one", "other"))
    assert one.workbook.read_bytes() == other.workbook.read_bytes()
    assert one.key.read_bytes() == other.key.read_bytes()


def test_a_coded_second_workbook_pairs_with_the_first_sheet_to_the_last_row(demo, tmp_path):
    done = recode(demo, tmp_path / "second.xlsx", 40, 11)
    book = load_workbook(done.workbook)
    for row in range(2, 42):
        book["Routines"].cell(row, 5).value = PIKED
        book["Routines"].cell(row, 6).value = "stuck"
    book.save(tmp_path / "coded.xlsx")
    second = read_sheet(tmp_path / "coded.xlsx", DEMO / "codebook.toml")
    assert second.problems == ()
    found = pair(demo, second)
    links = {item["row"]: item["first_row"] for item in done.to_dict()["routines"]}
    assert {routine.rows[1]: routine.rows[0] for routine in found.routines} == links
    assert not [item for item in found.unpaired if item.sheet == 1]


def test_without_labels_only_routines_that_can_be_told_apart_are_drawn(sheet_of):
    header = ["meet", "athlete", "technique", "landing", "clip", "round", "start order"]
    rows = [
        ["Cup", "A1", PIKED, "stuck", "a", "final", "1"],
        ["Cup", "A1", PIKED, "fall", "b", "final", "2"],
        ["Cup", "A2", PIKED, "stuck", "c", "final", "3"],
        ["Cup", "A2", PIKED, "stuck", "d", "", "4"],
        ["Cup", "A2", PIKED, "fall", "e", "final", ""],
        ["Cup", "A3", PIKED, "stuck", "f", "", ""],
    ]
    draw = draw_recoding(sheet_of(rows, header), 3, 1)
    assert {item.first_row for item in draw.routines} == {2, 3, 7}
    assert draw.left_out == (
        ("can't be told apart from another by label, round, apparatus, start order or date", 3),
    )


def test_rows_without_a_first_code_are_not_drawn(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing", "deduction"]
    rows = [
        ["R1", "Cup", "A1", PIKED, "stuck", "0"],
        ["R2", "Cup", "A2", PIKED, "", ""],
        ["R3", "Cup", "A3", "", "stuck", "0"],
        ["R4", "Cup", "A4", PIKED, "", "0.3"],
        ["R5", "Cup", "A5", PIKED, "not seen", ""],
        ["R1", "Cup", "A1", PIKED, "fall", "1"],
    ]
    draw = draw_recoding(sheet_of(rows, header), 2, 0)
    assert {item.first_row for item in draw.routines} == {5, 6}
    assert dict(draw.left_out) == {
        "can't be used in its own sheet": 2,
        "has no technique, or neither landing nor points yet": 2,
    }


def test_more_routines_than_there_are_is_told_with_how_many(lopsided):
    with pytest.raises(
        InputProblem, match="100 routines can be coded again, and 101 were asked for"
    ) as caught:
        draw_recoding(lopsided, 101, 1)
    assert caught.value.problems[0].remedy == "ask for at most 100"
    assert len(draw_recoding(lopsided, 100, 1).routines) == 100


def test_nothing_is_overwritten_and_the_name_must_fit(lopsided, tmp_path):
    recode(lopsided, tmp_path / "second.xlsx", 5, 1)
    before = (tmp_path / "second_key.json").read_bytes()
    (tmp_path / "second.xlsx").unlink()
    with pytest.raises(InputProblem, match=r"second_key.json: this file is already there"):
        recode(lopsided, tmp_path / "second.xlsx", 5, 2)
    assert (tmp_path / "second_key.json").read_bytes() == before
    assert not (tmp_path / "second.xlsx").exists()
    with pytest.raises(InputProblem, match=r"name it second.xlsx"):
        recode(lopsided, tmp_path / "second.csv", 5, 2)


@pytest.mark.parametrize("size", [0, -3])
def test_a_draw_of_none_is_refused(lopsided, size):
    with pytest.raises(ValueError, match="at least 1"):
        draw_recoding(lopsided, size, 1)
