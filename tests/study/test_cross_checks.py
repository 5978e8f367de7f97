"""Cross-checks and outcomes: what doesn't fit together is named, and what isn't known says why."""

import pytest

from analysis.study.checks import check, usable_rows
from analysis.study.codebook import read_codebook
from analysis.study.outcome import outcomes

HEADER = ["meet", "athlete", "technique", "landing", "deduction"]
PIKED, TUCKED = "piked double back", "tucked double back"


def found(sheet):
    return {(problem.row, problem.column, problem.blocks) for problem in check(sheet)}


def text(sheet):
    return " / ".join(str(problem) for problem in check(sheet))


def test_a_sound_sheet_passes(sheet_of):
    sheet = sheet_of(
        [
            ["M1", "A1", PIKED, "stuck", "0.1", "0.1", "final", "5.2", "8.933"],
            ["M1", "A2", PIKED, "several steps", "0.4", "", "final", "5.2", "8.5"],
            ["M1", "A3", TUCKED, "fall", "1.3", "0.3", "final", "5.0", "7.1"],
            ["M2", "A1", PIKED, "large step or jump", "0.5", "0.2", "final", "5.2", "8.9"],
            ["M2", "A2", PIKED, "not seen", "", "", "final", "", ""],
        ],
        [*HEADER, "other faults", "round", "difficulty", "execution"],
    )
    assert check(sheet) == ()
    assert usable_rows(sheet) == 4


@pytest.mark.parametrize(
    ("landing", "deduction", "other", "said"),
    [
        ("stuck", "0.1", "", "0.1 of the deduction is for steps"),
        ("stuck", "0.4", "0.1", "0.3 of the deduction is for steps"),
        ("fall", "0.3", "", "a fall costs at least 1.0"),
        ("fall", "1.0", "0.3", "a fall costs at least 1.0"),
        ("hand support", "0.5", "", "a fall costs at least 1.0"),
        ("hand support or fall", "0", "", "a fall costs at least 1.0"),
        ("large step or jump", "0.1", "", "it costs at least 0.3"),
        ("small step or hop", "0.5", "0.1", "it costs at most 0.1"),
        ("stuck", "0.1", "0.3", "more than the whole deduction"),
        ("several steps", "0.25", "", "0.25 is not a sum of deductions"),
        ("", "2.3", "", "2.3 is not a sum of deductions"),
    ],
)
def test_points_that_dont_fit_the_landing_are_named(sheet_of, landing, deduction, other, said):
    sheet = sheet_of(
        [["M1", "A1", PIKED, landing, deduction, other], ["M1", "A2", PIKED, "hand touch", "0.3", ""]],
        [*HEADER, "other faults"],
    )
    assert said in text(sheet)
    assert {row for row, _, _ in found(sheet)} == {2}
    assert not any(blocks for _, _, blocks in found(sheet))


def test_a_small_step_may_cost_more_where_other_faults_are_not_coded(sheet_of):
    assert check(sheet_of([["M1", "A1", PIKED, "small step or hop", "0.4"]])) == ()


def test_the_edition_decides_what_is_a_sum(sheet_of):
    rows = [["M1", "A1", PIKED, "several steps", "0.9"]]
    assert check(sheet_of(rows)) == ()
    assert "not a sum" in text(sheet_of(rows, codebook=read_codebook("womens-bars-beam-2025")))


def test_the_same_label_twice_leaves_one_row(sheet_of):
    header = [*HEADER, "routine", "note"]
    sheet = sheet_of(
        [["M1", "A1", PIKED, "stuck", "0", "R1", "a"], ["M1", "A1", PIKED, "stuck", "0", "R1", "b"],
         ["M2", "A1", PIKED, "stuck", "0", "R1", ""], ["M1", "A2", PIKED, "stuck", "0", "R1", ""]],
        header,
    )  # fmt: skip
    assert found(sheet) == {(3, "routine", True)}
    assert usable_rows(sheet) == 3


def test_the_more_complete_of_two_rows_counts(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", PIKED, "", "", "R1"], ["M1", "A1", PIKED, "stuck", "0", "R1"]], [*HEADER, "routine"]
    )
    assert found(sheet) == {(2, "routine", True)}


def test_rows_of_one_routine_that_contradict_each_other_are_both_blocked(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", PIKED, "stuck", "0", "R1"], ["M1", "A1", PIKED, "fall", "1.0", "R1"]],
        [*HEADER, "routine"],
    )
    assert found(sheet) == {(2, "routine", True), (3, "routine", True)}
    assert "with another landing and deduction" in text(sheet)
    assert usable_rows(sheet) == 0


def test_a_second_coders_row_is_set_aside_whatever_it_says(sheet_of):
    header = [*HEADER, "round", "coder"]
    sheet = sheet_of(
        [["M1", "A1", PIKED, "", "", "final", "C1"], ["M1", "A1", PIKED, "fall", "1.0", "final", "C2"],
         ["M1", "A2", PIKED, "stuck", "0", "final", "C2"]],
        header,
    )  # fmt: skip
    assert found(sheet) == {(3, "athlete", True)}
    assert "coded by another coder in row 2" in text(sheet)


def test_whole_rows_alike_block_only_where_they_name_a_routine(sheet_of):
    alike = [["M1", "A1", PIKED, "stuck", "0"], ["M1", "A1", PIKED, "stuck", "0"]]
    assert found(sheet_of(alike)) == {(3, "athlete", False)}
    assert found(sheet_of([[*row, "final"] for row in alike], [*HEADER, "round"])) == {(3, "athlete", True)}


def test_two_routines_in_one_round_are_named_unless_the_codebook_allows_them(sheet_of, codebook_of):
    rows = [["M1", "A1", PIKED, "stuck", "0", "final"], ["M1", "A1", TUCKED, "hop", "0.1", "final"],
            ["M2", "A1", TUCKED, "hop", "0.1", "final"], ["M2", "A1", TUCKED, "hop", "0.1", ""]]  # fmt: skip
    sheet = sheet_of(rows, [*HEADER, "round"])
    assert found(sheet) == {(3, "athlete", False)}
    assert usable_rows(sheet) == 4
    assert check(sheet_of(rows, [*HEADER, "round"], codebook_of("[round]\nroutines = 2\n"))) == ()


def test_free_techniques_and_athletes_in_two_spellings_are_named(sheet_of):
    sheet = sheet_of(
        [["M1", "A-07", "straddle flyaway", "stuck", "0"], ["M1", "B1", "straddle flyaway", "stuck", "0"],
         ["M1", "A7", "stradle flyaway", "stuck", "0"], ["M1", "Zoë", "VT1", "stuck", "0"],
         ["M2", "Zoe", "VT2", "stuck", "0"]],
    )  # fmt: skip
    assert found(sheet) == {(4, "technique", False), (4, "athlete", False), (6, "athlete", False)}
    assert 'may be "straddle flyaway"' in text(sheet)


def test_scores_out_of_range_are_named(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", PIKED, "stuck", "0", "14.4", "8.9"], ["M1", "A2", PIKED, "stuck", "0", "5.2", "893"],
         ["M1", "A3", PIKED, "stuck", "0", "5.2", "-8.9"]],
        [*HEADER, "difficulty", "execution"],
    )  # fmt: skip
    assert found(sheet) == {(2, "difficulty", False), (3, "execution", False), (4, "execution", False)}


def test_problems_come_in_the_order_of_rows_and_name_file_value_and_remedy(sheet_of):
    sheet = sheet_of([["M1", f"A{i}", PIKED, "stuck", "0.3"] for i in range(5)])
    problems = check(sheet)
    assert [problem.row for problem in problems] == [2, 3, 4, 5, 6]
    assert set(problems[0].to_dict()) == {"row", "column", "value", "problem", "remedy", "file"}
    assert problems[0].value == "0.3"
    assert problems[0].remedy
    assert "sheet.csv, row 2, column 'deduction', \"0.3\": " in str(problems[0])


def test_outcomes_of_every_landing(sheet_of):
    names = [grade.name for grade in read_codebook().grades]
    sheet = sheet_of([["M1", f"A{i}", PIKED, name, ""] for i, name in enumerate(names)])
    known = outcomes(sheet)
    assert known["grade"].tolist() == list(range(8))
    assert known["stuck"].tolist() == [True] + [False] * 7
    assert known["fall"].tolist() == [False] * 5 + [True] * 3
    assert known["points"].isna().all()
    assert set(known["points_why"]) == {"deduction is blank"}
    assert set(known["stuck_why"]) == set(known["grade_why"]) == {""}
    assert [known[name].dtype for name in ("stuck", "grade", "points", "fall")] == [
        "boolean",
        "Int64",
        "Int64",
        "boolean",
    ]


def test_what_is_not_known_says_why(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", PIKED, "", "0"], ["M1", "A2", PIKED, "not seen", "n/a"], ["M1", "A3", PIKED, "stuk", "3-Jan"],
         ["M1", "A4", PIKED, "hop", "1,0,0"]]
    )  # fmt: skip
    known = outcomes(sheet)
    assert known["stuck_why"].tolist() == [
        "landing is blank",
        "landing not seen",
        "landing could not be read: stuk",
        "",
    ]
    assert known["points_why"].tolist() == [
        "",
        "deduction not seen",
        "deduction could not be read: 3-Jan",
        "deduction could not be read: 1,0,0",
    ]
    assert known["stuck"].isna().tolist() == [True, True, True, False]


def test_without_a_landing_nothing_counts_for_stuck_whatever_the_deduction(sheet_of):
    header = ["meet", "athlete", "technique", "deduction"]
    known = outcomes(sheet_of([["M1", "A1", PIKED, "0"], ["M1", "A2", PIKED, "1.0"]], header))
    assert known["stuck"].isna().all()
    assert set(known["stuck_why"]) == {"the sheet has no landing column"}
    # below a fall's points there was no fall; at a fall's points nobody can tell
    assert known["fall"].isna().tolist() == [False, True]
    assert known["points"].tolist() == [0, 1000]


def test_a_torn_row_says_so(text_sheet):
    known = outcomes(text_sheet("meet,athlete,technique,landing,deduction\nM1,A1,x,hop,0,1\n"))
    assert known.loc[2, ["stuck_why", "points_why"]].tolist() == ["the row could not be read"] * 2


def test_usable_needs_meet_athlete_technique_and_an_outcome(sheet_of):
    sheet = sheet_of(
        [["", "A1", PIKED, "stuck", "0"], ["M1", "", PIKED, "stuck", "0"], ["M1", "A1", "", "stuck", "0"],
         ["M1", "A2", PIKED, "", ""], ["M1", "A3", PIKED, "", "0.3"], ["M1", "A4", PIKED, "stuck", ""]]
    )  # fmt: skip
    assert usable_rows(sheet) == 2
    assert usable_rows(sheet_of([["M1", "A1", "VT", "stuck"]], ["meet", "athlete", "vault", "landing"])) == 0
    assert usable_rows(sheet_of([])) == 0
    assert check(sheet_of([])) == ()
    assert len(outcomes(sheet_of([]))) == 0
