"""Starting a study: the folder is ready to use, nothing is overwritten, a start list is taken as it comes."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner
from openpyxl import Workbook, load_workbook

import analysis
from analysis.cli import main
from analysis.study.codebook import built_in_codebooks, read_codebook
from analysis.study.plan import read_plan
from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet
from analysis.study.start_list import MOST, read_start_list
from analysis.study.starting import start_study

PIKED, TUCKED = "piked double back", "tucked double back"


def problems_of(call, *args, **named):
    with pytest.raises(InputProblem) as caught:
        call(*args, **named)
    return caught.value.problems


def code(workbook, rows):
    """Fill rows as a person would: meet, round, start order, athlete, technique, landing, deduction, other faults."""
    book = load_workbook(workbook)
    for line, cells in enumerate(rows, 2):
        for place, value in enumerate(cells, 1):
            book["Routines"].cell(line, place).value = value
    book.save(workbook)


def test_a_new_study_can_be_coded_checked_and_compared_at_once(tmp_path):
    folder = tmp_path / "autumn"
    files = start_study(folder)
    assert [file.relative_to(folder).as_posix() for file in files][:4] == [
        "first_steps.txt",
        "codebook.toml",
        "workbook.xlsx",
        "plan.toml",
    ]
    assert all(file.is_file() for file in files)
    shipped = (Path(analysis.__file__).parent / "resources" / "notebooks").glob("*.ipynb")
    assert {file.name for file in files if file.parent.name == "notebooks"} == {file.name for file in shipped}
    rows = [("Cup", "final", i, f"A{i:02d}", PIKED, "stuck", 0, 0) for i in range(1, 8)]
    rows += [("Cup", "final", i, f"A{i:02d}", TUCKED, "stuck", 0.1, 0.1) for i in range(8, 10)]
    rows += [("Cup", "final", i, f"A{i:02d}", TUCKED, "small step or hop", 0.1, 0) for i in range(10, 14)]
    code(folder / "workbook.xlsx", rows)
    told = CliRunner().invoke(
        main, ["check", str(folder / "workbook.xlsx"), "--codebook", str(folder / "codebook.toml"), "--json"]
    )
    assert told.exit_code == 0
    found = json.loads(told.stdout)
    assert (found["rows"], found["usable"], found["repairs"], found["problems"]) == (13, 13, [], [])
    groups = analysis.compare(folder / "plan.toml").groups
    assert [(group.name, group.x, group.n) for group in groups] == [(PIKED, 7, 7), (TUCKED, 2, 6)]


@pytest.mark.parametrize("name", [None, *built_in_codebooks()])
def test_the_codebook_written_out_says_what_the_built_in_one_says(tmp_path, name):
    start_study(tmp_path, name)
    mine, built_in = read_codebook(tmp_path / "codebook.toml"), read_codebook(name)
    for part in (
        "name",
        "discipline",
        "edition",
        "note",
        "grades",
        "not_seen",
        "techniques",
        "other_techniques",
    ):
        assert getattr(mine, part) == getattr(built_in, part)
    for part in ("points", "rounds", "round_aliases", "ranges", "variables", "columns", "values"):
        assert getattr(mine, part) == getattr(built_in, part)
    plan = read_plan(tmp_path / "plan.toml")
    assert plan.compare == tuple(built_in.technique_names.names[:2])
    assert "$" not in "".join(
        (tmp_path / file).read_text() for file in ("plan.toml", "codebook.toml", "first_steps.txt")
    )


def test_a_codebook_file_is_copied_and_its_techniques_are_in_the_plan(tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_bytes('# ours\n[[technique.list]]\nname = "say \\"flyaway\\""\n'.encode("utf-8-sig"))
    start_study(tmp_path / "new", mine)
    assert (tmp_path / "new" / "codebook.toml").read_bytes() == mine.read_bytes()
    assert read_plan(tmp_path / "new" / "plan.toml").compare == ('say "flyaway"', "second technique")


def test_every_file_that_is_there_is_named_and_none_is_written(tmp_path):
    (tmp_path / "plan.toml").write_text("mine")
    (tmp_path / "workbook.xlsx").write_text("mine too")
    found = problems_of(start_study, tmp_path)
    assert [Path(problem.file).name for problem in found] == ["workbook.xlsx", "plan.toml"]
    assert all("already there" in problem.problem for problem in found)
    assert sorted(item.name for item in tmp_path.iterdir()) == ["plan.toml", "workbook.xlsx"]
    assert (tmp_path / "plan.toml").read_text() == "mine"


def test_other_files_in_the_folder_stay(tmp_path):
    (tmp_path / "clip.mp4").write_bytes(b"x")
    start_study(tmp_path)
    assert (tmp_path / "clip.mp4").read_bytes() == b"x"
    assert (tmp_path / "plan.toml").exists()


def test_a_file_in_the_folders_place_and_a_folder_that_cant_be_made_are_named(tmp_path):
    (tmp_path / "file").write_text("x")
    assert "a file, not a folder" in problems_of(start_study, tmp_path / "file")[0].problem
    (found,) = problems_of(start_study, tmp_path / "file" / "below")
    assert "can't be written" in found.problem
    assert "was not found" in problems_of(start_study, tmp_path / "new", "no-such-codebook")[0].problem
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_the_right_to_write_is_named(tmp_path):
    tmp_path.chmod(0o500)
    assert "can't be written" in problems_of(start_study, tmp_path / "new")[0].problem


def test_the_same_study_is_the_same_bytes(tmp_path):
    one, other = start_study(tmp_path / "one"), start_study(tmp_path / "other")
    assert [file.read_bytes() for file in one] == [file.read_bytes() for file in other]


def test_the_caution_for_minors_is_told_once(tmp_path):
    start_study(tmp_path)
    assert (tmp_path / "first_steps.txt").read_text().count("minors") == 1


LISTED = [
    {"meet": "Kelvenau Open", "round": "final", "start order": "1", "athlete": "A07"},
    {"meet": "Kelvenau Open", "round": "final", "start order": "2", "athlete": "007"},
]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("meet,round,start order,athlete\nKelvenau Open,final,1,A07\nKelvenau Open,final,2,007\n", "utf-8"),
        (
            "Order;Gymnast;Meet;Phase;Club\n1;A07;Kelvenau Open;final;X\n2;\u00a0007;Kelvenau Open;final;Y\n",
            "utf-16",
        ),
        (
            "Start list of the final\n\nMEET\tROUND\tORDER\tATHLETE\tD score\n"
            "Kelvenau  Open\tfinal\t1\tA07\t5.2\nKelvenau Open\tfinal\t2\t007\t5.0\n\t\t\t\t\nTotal\t\t2\t\t\n",
            "utf-8-sig",
        ),
    ],
)
def test_a_start_list_is_taken_as_it_comes(tmp_path, text, encoding):
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode(encoding))
    assert list(read_start_list(path, read_codebook())) == LISTED


def test_a_start_list_of_a_workbook_fills_the_rows_and_waits_for_codes(tmp_path):
    book = Workbook()
    for line in (["Meet", "Round", "Order", "Athlete"], *[list(item.values()) for item in LISTED]):
        book.worksheets[0].append(line)
    book.save(tmp_path / "list.xlsx")
    start_study(tmp_path / "new", start_list=tmp_path / "list.xlsx")
    pages = load_workbook(tmp_path / "new" / "workbook.xlsx")
    for name in ("Routines", "Start list"):
        page = pages[name]
        assert [[cell.value for cell in row[:4]] for row in page["A2:D4"]] == [
            ["Kelvenau Open", "final", 1, "A07"],
            ["Kelvenau Open", "final", 2, "007"],
            [None] * 4,
        ]
        assert page["D3"].data_type == "s"
    sheet = read_sheet(tmp_path / "new" / "workbook.xlsx")
    assert [str(problem.problem) for problem in sheet.problems] == ["the technique is blank"] * 2


def test_merged_meets_of_a_start_list_hold_for_all_their_rows(tmp_path):
    book = Workbook()
    page = book.worksheets[0]
    for line in (["meet", "athlete"], ["Cup", "A1"], [None, "A2"]):
        page.append(line)
    page.merge_cells("A2:A3")
    book.save(tmp_path / "list.xlsx")
    found = read_start_list(tmp_path / "list.xlsx", read_codebook())
    assert [item["meet"] for item in found] == ["Cup", "Cup"]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7 x", "this is a PDF"),
        (b"a,b\n1,2\n", "no line names the columns"),
        (b"meet,round\nCup,final\n", "no line names the columns"),
        (b"meet,athlete\n", "no line names an athlete"),
        (b"meet,name,gymnast\nCup,A1,A2\n", "headed as athlete"),
        (b'meet,athlete\nCup,"A1\nCup,A2\n', "quot"),
        (b"meet,athlete\n" + b"Cup,A1\n" * (MOST + 1), "more than a workbook takes"),
    ],
)
def test_a_start_list_that_cant_be_used_says_why(tmp_path, data, said):
    path = tmp_path / "list.csv"
    path.write_bytes(data)
    found = problems_of(start_study, tmp_path / "new", start_list=path)
    assert said in " ".join(map(str, found))
    assert not (tmp_path / "new").exists()
