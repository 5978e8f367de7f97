"""The way from an empty folder to an agreed sheet, with the command alone."""

import csv
import json
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result
from studies import PIKED, TUCKED, routines

from analysis.cli import main

CODES = ["stuck", "small step or hop", "large step or jump", "stuck", "stuck", "several steps"]


def run(*words: str | Path) -> Result:
    found = CliRunner().invoke(main, [str(word) for word in words])
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return found


@pytest.fixture
def started(tmp_path: Path) -> Path:
    folder = tmp_path / "autumn"
    found = run("start", folder)
    assert found.exit_code == 0, found.stderr
    return folder


def fill(path: Path, rows: list[tuple], by: str) -> None:
    """Type rows into the coding workbook, as a coder would."""
    book = openpyxl.load_workbook(path)
    sheet = book["Routines"]
    place = {str(cell.value).strip().lower(): cell.column for cell in sheet[1] if cell.value}
    for line, (meet, part, athlete, technique, landing, deduction) in enumerate(rows, start=2):
        values = {
            "meet": meet,
            "round": part,
            "athlete": athlete,
            "technique": technique,
            "landing": landing,
            "deduction": float(deduction),
            "coder": by,
        }
        for name, value in values.items():
            sheet.cell(line, place[name], value)
    book.save(path)


def test_a_study_is_started_coded_checked_and_compared(started: Path) -> None:
    rows = routines(PIKED, CODES, "P") + routines(TUCKED, CODES[::-1], "T")
    fill(started / "workbook.xlsx", rows, "C1")
    checked = json.loads(run("check", started / "workbook.xlsx", "--json").stdout)
    assert (checked["rows"], checked["usable"]) == (12, 12)
    answer = json.loads(run("compare", started / "plan.toml", "--json").stdout)
    assert [(group["x"], group["n"]) for group in answer["groups"]] == [(3, 6), (3, 6)]


def test_nothing_is_overwritten(started: Path) -> None:
    again = run("start", started)
    assert again.exit_code == 1
    assert "already there" in again.stderr


def test_part_is_coded_again_and_the_agreement_told(started: Path) -> None:
    rows = routines(PIKED, CODES, "P") + routines(TUCKED, CODES[::-1], "T")
    fill(started / "workbook.xlsx", rows, "C1")
    second = started / "second.xlsx"
    drawn = json.loads(
        run("recode", started / "workbook.xlsx", "--out", second, "--routines", "5", "--json").stdout
    )
    assert drawn["drawn"] == 5
    again = json.loads(
        run(
            "recode", started / "workbook.xlsx", "--out", started / "third.xlsx", "--routines", "5", "--json"
        ).stdout
    )
    assert [item["first_row"] for item in again["routines"]] == [
        item["first_row"] for item in drawn["routines"]
    ]
    hidden = openpyxl.load_workbook(second)["Routines"]
    place = {str(cell.value).strip().lower(): cell.column for cell in hidden[1] if cell.value}
    assert all(hidden.cell(row, place["landing"]).value is None for row in range(2, 7))
    book = openpyxl.load_workbook(second)
    for item in drawn["routines"]:
        first = rows[item["first_row"] - 2]
        for name, value in (("landing", first[4]), ("deduction", float(first[5])), ("coder", "C2")):
            book["Routines"].cell(item["row"], place[name], value)
        book["Routines"].cell(item["row"], place["technique"], first[3])
    book.save(second)
    found = run("agree", started / "workbook.xlsx", second, "--json", "--out", started / "agreement")
    assert found.exit_code == 0, found.stderr
    answer = json.loads(found.stdout, parse_constant=lambda name: pytest.fail(name))
    assert answer["routines"] == 5
    assert (started / "agreement" / "agreement.json").exists()
    told = run("agree", started / "workbook.xlsx", second, "--agreed", started / "agreed.csv")
    assert "0 of 0 disagreements are open" in told.stderr
    with open(started / "agreed.csv", newline="", encoding="utf-8-sig") as file:
        assert len(list(csv.DictReader(file))) == 12
    under = run("coders", started / "plan.toml", second)
    assert under.exit_code == 0, under.stderr


def test_how_many_to_code_twice_follows_from_the_precision(started: Path) -> None:
    many = routines(PIKED, CODES * 20, "P") + routines(TUCKED, CODES * 20, "T")
    fill(started / "workbook.xlsx", many, "C1")
    wide, narrow = (
        json.loads(
            run(
                "recode",
                started / "workbook.xlsx",
                "--out",
                started / f"{p}.xlsx",
                "--precision",
                p,
                "--json",
            ).stdout
        )["drawn"]
        for p in ("0.3", "0.2")
    )
    assert 10 < wide < narrow


def test_wrong_usage_of_agree_exits_with_2(started: Path) -> None:
    assert run("agree", started / "workbook.xlsx").exit_code == 2
    assert run("agree", "a.csv", "b.csv", "--decisions", "d.xlsx").exit_code == 2
    assert run("agree", "a.csv", "b.csv", "c.csv", "--agreed", "d.csv").exit_code == 2
    assert run("recode", "a.csv", "--out", "b.xlsx", "--precision", "2").exit_code == 2
    assert run("agree", "a.csv", "b.csv").exit_code == 1


def test_names_become_codes_and_the_key_stays_apart(tmp_path: Path) -> None:
    study = tmp_path / "study"
    study.mkdir()
    with open(study / "sheet.csv", "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["meet", "athlete", "technique", "landing"])
        writer.writerows(
            [["Lindenau", name, PIKED, "stuck"] for name in ("Ada Anders", "Bo Berger", "Cy Carl")]
        )
    assert "look like names" in run("check", study / "sheet.csv").stdout
    key = tmp_path / "private" / "athletes.key"
    key.parent.mkdir()
    made = run("codes", study / "sheet.csv", "--out", study / "coded.xlsx", "--key", key, "--json")
    assert made.exit_code == 0, made.stderr
    assert json.loads(made.stdout)["athletes"] == 3
    assert key.stat().st_mode & 0o077 == 0
    assert "look like names" not in run("check", study / "coded.xlsx").stdout
    assert (
        run("codes", study / "sheet.csv", "--out", study / "again.xlsx", "--key", study / "k").exit_code == 1
    )
