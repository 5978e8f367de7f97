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
