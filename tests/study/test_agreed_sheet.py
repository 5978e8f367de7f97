"""An agreed sheet from two coders: what both coded alike, what was decided and by whom, what stays open."""

import csv

import pytest
from two_coders import LABELLED, PIKED, TUCKED, first_sheet, second_sheet

from analysis.study.decisions import decision_lines
from analysis.study.problem import InputProblem
from analysis.study.reconcile import reconcile
from analysis.study.sheet import read_sheet


def write(path, lines, **options):
    with open(path, "w", newline="", encoding="utf-8") as out:
        csv.writer(out, **options).writerows(lines)
    return path


def decided(tmp_path, made, answers, **options):
    """Fill the list of disagreements in and write it; `answers` maps (routine, variable) to a code."""
    lines = decision_lines(made.pairing, made.decisions)
    head = [name.partition(" (")[0] for name in lines[0]]
    for line in lines[1:]:
        code = answers.get((line[head.index("routine")], line[head.index("variable")]))
        if code is not None:
            line[head.index("agreed")], line[head.index("decided by")] = code, "Mara and Jo"
    return write(tmp_path / "decisions.csv", lines, **options)


def as_text(sheet):
    return sheet.rows.astype(object).fillna("~").astype(str).to_dict("list")


def test_what_both_coded_alike_is_agreed_and_the_rest_stays_open(sheet_of, tmp_path):
    made = reconcile(first_sheet(sheet_of), second_sheet(sheet_of))
    assert [(d.routine.label, d.variable, d.first, d.second, d.takes) for d in made.decisions] == [
        ("R3", "landing", "small step or hop", "large step or jump", "open"),
        ("R3", "deduction", "0.1", "0.3", "open"),
        ("R4", "landing", "not seen", "stuck", "open"),
        ("R4", "deduction", "", "0.0", "open"),
    ]
    rows = made.sheet.rows
    assert list(rows["routine"]) == ["R1", "R2", "R3", "R4", "R5", "R9"]
    assert list(rows["landing"]) == ["stuck", "stuck", "not seen", "not seen", "stuck", "fall"]
    assert list(rows["deduction"].astype(object).fillna(-1)) == [0, 100, -1, -1, 0, 1000]
    assert list(rows["agreement"]) == [
        "Mara only",
        "both agree",
        "landing open; deduction open",
        "landing open; deduction open",
        "Mara only",
        "Jo only",
    ]
    assert made.double == (3, 4, 5)
    assert rows.at[5, "clip"] == "c4.mp4"
    path = write(tmp_path / "agreed.csv", [made.sheet.original.columns, *made.sheet.original.values.tolist()])
    assert as_text(read_sheet(path)) == as_text(made.sheet)


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_decisions_read_back_give_the_agreed_sheet_and_say_who_decided(sheet_of, tmp_path, delimiter):
    first, second = first_sheet(sheet_of), second_sheet(sheet_of)
    answers = {
        ("R3", "landing"): "Large step",
        ("R3", "deduction"): "0,3",
        ("R4", "landing"): "not seen",
    }
    path = decided(tmp_path, reconcile(first, second), answers, delimiter=delimiter)
    made = reconcile(first, second, path)
    assert [(d.variable, d.agreed, d.takes, d.by) for d in made.decisions] == [
        ("landing", "large step or jump", "second", "Mara and Jo"),
        ("deduction", "0.3", "second", "Mara and Jo"),
        ("landing", "not seen", "first", "Mara and Jo"),
        ("deduction", None, "open", ""),
    ]
    assert made.sheet.rows.at[4, "landing"] == "large step or jump"
    assert made.sheet.rows.at[4, "deduction"] == 300
    assert made.sheet.rows.at[5, "agreement"] == "landing decided by Mara and Jo; deduction open"
    assert [item.variable for item in made.open] == ["deduction"]


def test_a_decision_on_codes_that_have_changed_since_is_refused(sheet_of, tmp_path):
    first = first_sheet(sheet_of)
    path = decided(tmp_path, reconcile(first, second_sheet(sheet_of)), {("R3", "landing"): "stuck"})
    text = path.read_text().replace("large step or jump", "several steps")
    path.write_text(text)
    with pytest.raises(InputProblem, match='the sheet now has "large step or jump"'):
        reconcile(first, second_sheet(sheet_of), path)


def test_every_fault_of_a_list_of_decisions_is_told_at_once(sheet_of, tmp_path):
    first, second = first_sheet(sheet_of), second_sheet(sheet_of)
    path = decided(
        tmp_path, reconcile(first, second), {("R3", "landing"): "wobble", ("R3", "deduction"): "1/3"}
    )
    text = path.read_text() + "R1,,,,,landing,stuck,stuck,stuck,Jo,,2,2\n"
    path.write_text(text)
    with pytest.raises(InputProblem) as found:
        reconcile(first, second, path)
    said = [problem.problem for problem in found.value.problems]
    assert said[0] == "this is not a landing category of the codebook"
    assert said[2] == "these rows don't disagree on it"
    assert len(said) == 3


def test_a_file_that_is_no_list_of_decisions_is_refused(sheet_of, tmp_path):
    path = write(tmp_path / "other.csv", [["a", "b"], ["1", "2"]])
    with pytest.raises(InputProblem, match="list of disagreements"):
        reconcile(first_sheet(sheet_of), second_sheet(sheet_of), path)


def test_a_cell_that_nobody_could_read_stays_as_its_coder_wrote_it(sheet_of):
    rows = [
        ("R1", "Lindenau", "A1", PIKED, "wobble", "0", "Mara", ""),
        ("R2", "Lindenau", "A2", PIKED, "stuck", "0", "Mara", ""),
    ]
    other = [("R2", "Lindenau", "A2", PIKED, "wobble", "0", "Jo", "")]
    made = reconcile(sheet_of(rows, LABELLED, name="a.csv"), sheet_of(other, LABELLED, name="b.csv"))
    assert list(made.sheet.original["landing"]) == ["wobble", "not seen"]
    assert [(p.row, p.value) for p in made.sheet.problems] == [(2, "wobble")]
    assert [(d.first, d.second) for d in made.decisions] == [("stuck", "not seen")]


def test_a_variable_that_one_coder_did_not_code_needs_no_decision(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing"]
    second = sheet_of([("R3", "Lindenau", "A3", TUCKED, "small step or hop")], header, name="b.csv")
    made = reconcile(first_sheet(sheet_of), second)
    assert made.decisions == ()
    assert made.sheet.rows.at[4, "deduction"] == 100


def test_variables_read_from_one_column_cannot_be_agreed_on_one_by_one(sheet_of, codebook_of):
    book = codebook_of(
        '[codebook]\nname = "x"\n[columns]\nlanding = "penalty"\ndeduction = "penalty"\n'
        '[landing.values]\nstuck = ["0"]\n'
    )
    header = ["routine", "meet", "athlete", "technique", "penalty"]
    sheets = [
        sheet_of([("R1", "Lindenau", "A1", PIKED, "0")], header, book, name=n) for n in ("a.csv", "b.csv")
    ]
    with pytest.raises(InputProblem, match="landing and deduction from one column"):
        reconcile(*sheets)


def test_a_torn_line_is_left_out_and_said(text_sheet):
    first = text_sheet(
        "routine,meet,athlete,technique,landing\nR1,Lindenau,A1,piked double back,stuck,extra\n"
        "R2,Lindenau,A2,piked double back,stuck\n",
        name="a.csv",
    )
    second = text_sheet(
        "routine,meet,athlete,technique,landing\nR2,Lindenau,A2,piked double back,fall\n", name="b.csv"
    )
    made = reconcile(first, second)
    assert list(made.sheet.rows["routine"]) == ["R2"]
    assert [(item.sheet, item.row) for item in made.left_out] == [(0, 2)]


def test_an_athlete_of_the_second_sheet_alone_keeps_a_code_that_only_looks_like_another(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing"]
    first = sheet_of([("R1", "Lindenau", "A-1", PIKED, "stuck")], header, name="a.csv")
    rows = [("R1", "LINDENAU", "a-1", PIKED, "stuck"), ("R2", "LINDENAU", "A 1", PIKED, "fall")]
    made = reconcile(first, sheet_of(rows, header, name="b.csv"))
    assert list(made.sheet.rows["athlete"]) == ["A-1", "A 1"]
    assert list(made.sheet.rows["meet"]) == ["Lindenau", "Lindenau"]


def test_a_blank_that_means_a_code_never_stands_for_no_code(sheet_of, codebook_of, tmp_path):
    book = codebook_of('[codebook]\nname = "x"\n[landing.values]\nstuck = ["", "0"]\n')
    header = ["routine", "meet", "athlete", "technique", "landing", "deduction"]
    first = sheet_of([("R1", "Lindenau", "A1", PIKED, "", "0")], header, book, name="a.csv")
    second = sheet_of(
        [("R1", "Lindenau", "A1", PIKED, "fall", "0"), ("R2", "Lindenau", "A2", PIKED, "not seen", "0")],
        header,
        book,
        name="b.csv",
    )
    made = reconcile(first, second)
    path = write(tmp_path / "agreed.csv", [made.sheet.original.columns, *made.sheet.original.values.tolist()])
    assert list(read_sheet(path, book).rows["landing"]) == ["not seen", "not seen"]
