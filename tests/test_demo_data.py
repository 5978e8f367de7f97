"""The invented series: the script makes the committed files, and they are what they are said to be."""

import csv
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import pytest
from openpyxl import load_workbook

DEMO = Path(__file__).resolve().parent.parent / "data_demo"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder where the script has just run."""
    folder = tmp_path_factory.mktemp("made")
    done = subprocess.run(
        [sys.executable, str(DEMO / "make_demo.py"), "--out", str(folder)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def routines():
    with (DEMO / "event_sheet.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cells(path):
    book = load_workbook(path)
    return {
        sheet.title: ([[cell.value for cell in row] for row in sheet], sheet.merged_cells.ranges)
        for sheet in book
    }


@pytest.mark.parametrize("name", ["event_sheet.csv", "truth.toml"])
def test_the_script_makes_the_committed_text(made, name):
    assert (made / name).read_bytes() == (DEMO / name).read_bytes()


def test_the_script_makes_the_committed_workbook(made):
    assert cells(made / "event_sheet_messy.xlsx") == cells(DEMO / "event_sheet_messy.xlsx")


def test_the_seed_is_the_first_that_meets_the_conditions(monkeypatch):
    monkeypatch.syspath_prepend(str(DEMO))
    import make_demo
    import series

    assert series.first_seed() == make_demo.SEED


def test_the_series_has_the_shape_that_the_readme_says(routines):
    assert len(routines) == 180
    assert len({row["athlete"] for row in routines}) == 90
    assert len({row["technique"] for row in routines}) == 5
    assert Counter(row["meet"] for row in routines) == {
        "Kelvenau Open": 60,
        "Brosslund Cup": 60,
        "Ulmarsted Masters": 60,
    }
    assert Counter(row["round"] for row in routines) == {"qualification": 150, "final": 30}
    places = Counter((row["meet"], row["round"], row["athlete"]) for row in routines)
    assert max(places.values()) == 1


def test_one_technique_is_all_stuck_in_one_meet(routines):
    seen = [row for row in routines if row["landing"] != "not seen"]
    total = Counter((row["technique"], row["meet"]) for row in seen)
    stuck = Counter((row["technique"], row["meet"]) for row in seen if row["landing"] == "stuck")
    assert [cell for cell in total if stuck[cell] == total[cell]] == [
        ("double front piked half out", "Kelvenau Open")
    ]


def test_the_truth_names_every_technique_with_both_rates():
    truth = tomllib.loads((DEMO / "truth.toml").read_text(encoding="utf-8"))
    assert len(truth["technique"]) == 5
    for technique in truth["technique"]:
        assert 0 < technique["stuck_rate_if_everyone_did_it"] < 1


def read(name):
    from analysis import read_sheet
    from analysis.study.checks import check

    sheet = read_sheet(DEMO / name, codebook=DEMO / "codebook.toml")
    return sheet, [*sheet.problems, *check(sheet)]


def test_the_clean_sheet_is_read_without_a_repair_or_a_problem():
    sheet, problems = read("event_sheet.csv")
    assert len(sheet.rows) == 180
    assert sheet.repairs == ()
    assert problems == []


def test_no_guess_in_the_messy_workbook_turns_one_thing_into_another(routines):
    sheet, _ = read("event_sheet_messy.xlsx")
    first_coder = sheet.rows[sheet.rows["coder"] == "C1"]
    true = {row["routine"]: row for row in routines}
    assert set(first_coder["routine"]) == set(true)
    assert first_coder["athlete"].nunique() == 90
    for row in first_coder.to_dict("records"):
        assert row["athlete"].upper() == true[row["routine"]]["athlete"]
        for column in ("technique", "landing", "round", "meet"):
            assert row[column] in (true[row["routine"]][column], None), (row["routine"], column)


def test_the_messy_workbook_has_the_faults_that_were_put_in():
    sheet, problems = read("event_sheet_messy.xlsx")
    assert len(sheet.rows) == 180 + 1 + 3
    told = Counter(str(problem.value) for problem in problems)
    for value, times in {"double back": 2, "step": 2, "84": 1, "0,3": 1, "2025-03-01": 1}.items():
        assert told[value] == times, value
    assert sum("same routine twice" in problem.problem for problem in problems) == 4
    assert any("Second coder" in problem.problem for problem in problems)


@pytest.mark.parametrize("name", ["plan", "plan_messy", "plan_three", "plan_deduction"])
def test_every_demo_plan_is_valid(name):
    from analysis import read_plan

    assert read_plan(DEMO / f"{name}.toml").title == "Parallel-bars dismounts, autumn series"
