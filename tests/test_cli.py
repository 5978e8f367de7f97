"""The command as a person or a script uses it: output, exit codes, and never a traceback for bad input."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from studies import HEADER, PIKED, TUCKED, routines, write_study

from analysis.cli import main
from analysis.stats.two_groups import barnard, boschloo, difference_interval, fisher

ROWS = routines(PIKED, ["stuck"] * 9, "P") + routines(TUCKED, ["stuck"] * 14 + ["small step or hop"] * 8, "T")


def run(*words: str | Path) -> Result:
    found = CliRunner().invoke(main, [str(word) for word in words])
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return found


def test_help_names_the_commands() -> None:
    found = run("--help")
    assert found.exit_code == 0
    for command in ("check", "compare", "report", "counts"):
        assert command in found.stdout


def test_wrong_usage_exits_with_2() -> None:
    assert run("compare").exit_code == 2
    assert run("nonsense").exit_code == 2
    assert run("counts", "9/9").exit_code == 2
    assert run("counts", "nine", "14/22").exit_code == 2
    assert run("counts", "9/9", "14/22", "--level", "2").exit_code == 2


def test_counts_gives_the_contracts_keys() -> None:
    found = run("counts", "9/9", "14/22", "--json")
    assert found.exit_code == 0
    answer = json.loads(found.stdout)
    assert (answer["first"]["x"], answer["first"]["n"]) == (9, 9)
    assert (answer["second"]["x"], answer["second"]["n"]) == (14, 22)
    assert answer["first"]["high"] == 1
    exact = difference_interval(9, 9, 14, 22, method="exact")
    assert answer["difference"]["low"] == pytest.approx(exact.low)
    assert answer["tests"] == {
        "fisher": pytest.approx(fisher(9, 9, 14, 22).p_value),
        "boschloo": pytest.approx(boschloo(9, 9, 14, 22).p_value),
        "barnard": pytest.approx(barnard(9, 9, 14, 22).p_value),
    }
    assert "9 of 9" in answer["reading"]


@pytest.mark.parametrize("pair", [("1/1", "0/1"), ("0/10", "0/20"), ("10/10", "0/20"), ("30/30", "29/30")])
def test_counts_answers_every_edge(pair: tuple[str, str]) -> None:
    found = run("counts", *pair, "--json")
    assert found.exit_code == 0
    answer = json.loads(found.stdout, parse_constant=lambda name: pytest.fail(name))
    assert -1 <= answer["difference"]["low"] <= answer["difference"]["high"] <= 1
    assert run("counts", *pair).exit_code == 0


@pytest.mark.parametrize("pair", [("10/9", "1/2"), ("0/0", "1/2")])
def test_counts_that_cannot_be_exit_with_1(pair: tuple[str, str]) -> None:
    found = run("counts", *pair)
    assert found.exit_code == 1
    assert "can't be" in found.stderr


def test_compare_prints_the_answer_and_json_the_contract(tmp_path: Path) -> None:
    plan = write_study(tmp_path, ROWS)
    told = run("compare", plan)
    assert told.exit_code == 0
    assert "9 of 9" in told.stdout
    assert "qualified coaches" in told.stdout
    answer = json.loads(run("compare", plan, "--json").stdout)
    assert {"schema", "rows", "groups", "headline", "reading"} <= set(answer)
    assert answer["headline"]["claim"] in ("first higher", "first lower", "about the same", "not shown")


def test_check_gives_the_contracts_keys(tmp_path: Path) -> None:
    write_study(tmp_path, [*ROWS, ("Lindenau", "final", "X1", PIKED, "landed on the moon", "0.1")])
    found = run("check", tmp_path / "sheet.csv", "--json")
    assert found.exit_code == 0
    answer = json.loads(found.stdout)
    assert answer["rows"] == 32
    assert answer["usable"] == 32  # the row's deduction can still be used
    wrong = [problem for problem in answer["problems"] if problem["row"] == 33]
    assert wrong
    assert {"row", "column", "value", "problem", "remedy"} <= set(wrong[0])
    assert "landed on the moon" in run("check", tmp_path / "sheet.csv").stdout


@pytest.mark.parametrize("command", ["check", "compare", "report"])
def test_a_missing_file_is_named_and_exits_with_1(command: str, tmp_path: Path) -> None:
    more = ("--out", tmp_path / "out") if command == "report" else ()
    for json_too in ((), ("--json",)):
        found = run(command, tmp_path / "nowhere.toml", *more, *json_too)
        assert found.exit_code == 1
        assert "nowhere.toml" in found.stderr
        if json_too:
            assert json.loads(found.stdout)["problems"]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.csv", b""),
        ("text.csv", b"hello\n"),
        ("null.csv", b"\x00\x01\x02"),
        ("fake.xlsx", b"PK\x03\x04oops"),
    ],
)
def test_a_file_that_is_no_sheet_is_named_and_exits_with_1(name: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    found = run("check", path)
    assert found.exit_code == 1
    assert name in found.stderr
    assert run("check", tmp_path).exit_code == 1


def test_report_refuses_a_folder_that_is_not_a_report(tmp_path: Path) -> None:
    plan = write_study(tmp_path, ROWS)
    out = tmp_path / "thesis"
    out.mkdir()
    (out / "chapter.txt").write_text("years of work")
    found = run("report", plan, "--out", out)
    assert found.exit_code == 1
    assert (out / "chapter.txt").read_text() == "years of work"
    assert run("report", plan, "--out", tmp_path / "report").exit_code == 0
    assert (tmp_path / "report" / "report.html").exists()
    assert run("report", plan, "--out", tmp_path / "report").exit_code == 0


def test_a_sheet_on_which_no_comparison_could_run_exits_with_1_and_says_why(tmp_path: Path) -> None:
    unseen, alone = tmp_path / "unseen", tmp_path / "alone"
    for folder, rows, told in (
        (unseen, routines(PIKED, ["not seen"] * 3, "P"), "known landing or deduction"),
        (alone, routines(PIKED, ["stuck"] * 3, "P"), "one technique"),
    ):
        folder.mkdir()
        write_study(folder, rows, HEADER)
        found = run("check", folder / "sheet.csv", "--json")
        assert found.exit_code == 1
        assert told in found.stderr
        assert any(told in problem["problem"] for problem in json.loads(found.stdout)["problems"])
