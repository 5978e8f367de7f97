"""The reader of event sheets, rule by rule: which values are read, which are repaired, which are left unread."""

import pytest
from sheet_checks import HEADER, problem_rows

from analysis.study.codebook import read_codebook
from analysis.study.problem import InputProblem


def test_landings_in_other_clothes_are_repaired_and_listed(sheet_of):
    spelled = [
        "STUCK",
        "Hop ",
        "Large  step",
        "hand\u00a0touch",
        "Fell",
        "small step / hop",
        "n/a",
        "Not seen",
        "",
    ]
    sheet = sheet_of([["M1", f"A{i}", "piked double back", text, ""] for i, text in enumerate(spelled)])
    assert sheet.rows["landing"].tolist() == [
        "stuck",
        "small step or hop",
        "large step or jump",
        "hand touch",
        "fall",
        "small step or hop",
        "not seen",
        "not seen",
        "not seen",
    ]
    assert {repair.row for repair in sheet.repairs} == set(range(2, 10))


@pytest.mark.parametrize(
    "text",
    ["stuk", "stcuk",
      "step", "hand", "not stuck", "stuck?", "stuck or hop", "hop/step", "0", "0.1", "-", "F", "S", "fal", "TRUE",
     "stuck, arm swing", "hands", "touch?", "unstuck", "support and fall"],
)  # fmt: skip
def test_a_landing_that_must_be_asked_about_is_never_guessed(sheet_of, text):
    sheet = sheet_of([["M1", "A1", "piked double back", text, "0.1"], ["M1", "A2", "x", "hop", "0.1"]])
    assert sheet.rows.at[2, "landing"] is None
    assert (2, "landing") in problem_rows(sheet)
    assert sheet.rows.at[2, "deduction"] == 100


def test_techniques_in_other_clothes_are_repaired(sheet_of):
    spelled = [
        "Piked double back",
        "DOUBLE BACK PIKE",
        "piked double\u2011back",
        "\u200fpiked double back",
        "double-back piked",
    ]
    sheet = sheet_of([["M1", f"A{i}", text, "stuck", "0"] for i, text in enumerate(spelled)])
    assert set(sheet.rows["technique"]) == {"piked double back"}
    assert len(sheet.repairs) == 5


def test_a_misspelt_technique_is_suggested_and_not_chosen(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "Tucked double bak", "stuck", "0"], ["M1", "A2", "tucked double back", "stuck", "0"]]
    )
    assert sheet.rows.at[2, "technique"] is None
    [problem] = sheet.problems
    assert (problem.row, problem.column, problem.value) == (2, "technique", "Tucked double bak")
    assert problem.remedy == 'did you mean "tucked double back"?'


def test_techniques_that_the_codebook_does_not_list_are_kept_as_written(sheet_of, codebook_of):
    rows = [
        ["M1", f"A{i}", text, "stuck", "0"]
        for i, text in enumerate(["Flyaway", "flyaway", "Flyaway", "VT1", "VT2", "x?"])
    ]
    sheet = sheet_of(rows)
    assert sheet.rows["technique"].tolist() == ["Flyaway", "Flyaway", "Flyaway", "VT1", "VT2", None]
    closed = codebook_of("[technique]\nothers = false\n")
    assert sheet_of(rows, codebook=closed).rows["technique"].isna().all()


def test_a_coders_own_name_near_a_known_one_is_theirs_when_they_use_no_other(sheet_of):
    sheet = sheet_of([["M1", f"A{i}", "piked double backs", "stuck", "0"] for i in range(3)])
    assert set(sheet.rows["technique"]) == {"piked double backs"}


def test_athletes_differ_by_more_than_case_spaces_and_dashes(sheet_of):
    codes = ["A-01", "a-01", " A\u201301", "A 01", "A-10", "Zoë", "Zoe"]
    sheet = sheet_of([["M1", code, "piked double back", "stuck", "0"] for code in codes])
    assert sheet.rows["athlete"].tolist() == ["A-01", "A-01", "A-01", "A 01", "A-10", "Zoë", "Zoe"]


def test_meets_and_rounds_are_one_when_they_differ_in_clothes_only(sheet_of):
    sheet = sheet_of(
        [["Köln Open", "A1", "x", "stuck", "0", "Qual"], ["köln  open", "A2", "x", "stuck", "0", "semifinal"],
         ["Köln Open", "A3", "x", "stuck", "0", "AAfinal"]],
        [*HEADER, "round"],
    )  # fmt: skip
    assert set(sheet.rows["meet"]) == {"Köln Open"}
    assert sheet.rows["round"].tolist() == ["qualification", "semifinal", "all-around final"]


def test_points_written_in_other_ways(sheet_of):
    written = ["0,3", "0.3 pts", "-0.3", "−0.1", ".5", "", "n/a", "1"]
    sheet = sheet_of([["M1", f"A{i}", "x", "hop", text] for i, text in enumerate(written)])
    assert sheet.rows["deduction"].fillna(-1).tolist() == [300, 300, 300, 100, 500, -1, -1, 1000]
    assert {repair.row for repair in sheet.repairs if repair.column == "deduction"} == {2, 3, 4, 5}


@pytest.mark.parametrize("text", ["03.Jan", "0.1-0.3", "3", "10", "30%", "none", "-", "O.3", "0.3?", "#REF!"])
def test_points_that_must_be_asked_about_are_never_guessed(sheet_of, text):
    sheet = sheet_of([["M1", "A1", "x", "hop", text]])
    assert sheet.rows["deduction"].isna().all()
    assert (2, "deduction") in problem_rows(sheet)


def test_a_minus_before_a_possible_bonus_is_asked_about(sheet_of):
    rows = [["M1", "A1", "x", "stuck", "-0.1"], ["M1", "A2", "x", "small step or hop", "0.1"]]
    sheet = sheet_of(rows)
    assert sheet.rows["deduction"].isna().tolist() == [True, False]
    assert "bonus" in sheet.problems[0].problem
    assert not sheet.repairs
    # where every deduction is written with a minus, the sign means nothing more
    sheet = sheet_of([rows[0], ["M1", "A2", "x", "hop", "-0.3"]])
    assert sheet.rows["deduction"].tolist() == [100, 300]
    # and an edition without a bonus leaves no doubt
    assert sheet_of(rows, codebook=read_codebook("womens-bars-beam-2025")).rows["deduction"].tolist() == [
        100,
        100,
    ]


def test_a_mapped_column_may_serve_two_variables_and_blanks(sheet_of, codebook_of):
    book = codebook_of(
        '[columns]\nlanding = "penalty"\ndeduction = "penalty"\ntechnique = "section"\n'
        '[landing.values]\nstuck = ["", "0", "-0.0"]\n"large step or jump" = ["0.3"]\n[deduction.values]\n"0" = [""]\n'
    )
    rows = [
        ["M1", f"A{i}", "men", text] for i, text in enumerate(["", "0.0", "-0.0", "0", "0.3", "0,3", "2.0"])
    ]
    sheet = sheet_of(rows, ["meet", "athlete", "section", "penalty"], book)
    assert sheet.rows["landing"].tolist() == ["stuck"] * 4 + ["large step or jump"] * 2 + [None]
    assert sheet.rows["deduction"].tolist() == [0, 0, 0, 0, 300, 300, 2000]
    assert sheet.column("penalty") == "landing"
    assert sheet.column("section") == "technique"
    listed = {(repair.row, repair.before, repair.after) for repair in sheet.repairs}
    assert {(None, "", "stuck"), (None, "0.0", "stuck"), (None, "", "0")} <= listed


def test_dates_are_read_where_day_and_month_can_be_told(sheet_of):
    def dates(*texts):
        rows = [["M1", f"A{i}", "x", "stuck", "0", text] for i, text in enumerate(texts)]
        return sheet_of(rows, [*HEADER, "date"]).rows["date"].tolist()

    assert dates("2026-10-03", "3.10.2026", "3 Oct 2026", "October 3, 2026", "") == ["2026-10-03"] * 4 + [
        None
    ]
    assert dates("03/10/2026", "25/10/2026") == ["2026-10-03", "2026-10-25"]
    assert dates("10/03/2026", "10/25/2026") == ["2026-10-03", "2026-10-25"]
    assert dates("03/10/2026", "04/10/2026") == [None, None]
    assert dates("31.02.2026", "soon") == [None, None]


def test_columns_and_categories_of_a_plan_are_found_leniently(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "piked double back", "stuck", "0", "red"]],
        [*HEADER[:2], "Dismount", *HEADER[3:], "Team"],
    )
    assert (
        sheet.column("technique")
        == sheet.column("DISMOUNT")
        == sheet.column("dismount technique")
        == "technique"
    )
    assert sheet.column("team") == "Team"
    assert sheet.match("technique", "Piked Double Back") == "piked double back"
    assert sheet.match("technique", "double back pike") == "piked double back"
    assert sheet.match("landing", "Stick") == "stuck"
    assert sheet.match("team", "RED") == "red"
    with pytest.raises(InputProblem, match="did you mean"):
        sheet.column("tecnique")
    with pytest.raises(InputProblem, match="piked double back"):
        sheet.match("technique", "pikd double back")
    with pytest.raises(InputProblem, match="doesn't stand"):
        sheet.match("technique", "tucked double back")
