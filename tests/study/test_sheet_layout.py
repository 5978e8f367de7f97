"""The reader of event sheets, rule by rule: files, encodings, delimiters, headers and the lines that are no routine."""

import pickle

import pytest
from sheet_checks import CLEAN, HEADER, problem_rows, refusals

from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet


def test_a_clean_sheet_needs_no_repair(text_sheet):
    sheet = text_sheet(CLEAN)
    assert (sheet.repairs, sheet.problems) == ((), ())
    assert list(sheet.rows.index) == [2, 3]
    assert list(sheet.rows.columns) == HEADER
    assert sheet.rows.loc[3].tolist() == ["M1", "A2", "tucked double back", "fall", 1000]
    assert sheet.original.loc[3].tolist() == ["M1", "A2", "tucked double back", "fall", "1.0"]
    assert (sheet.encoding, sheet.delimiter, sheet.worksheet) == ("utf-8", ",", None)
    assert sheet.rows["deduction"].dtype == "Int64"


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_encodings_and_line_ends(text_sheet, delimiter, encoding, end):
    text = CLEAN.replace("M1", "Köln, Süd" if delimiter != "," else "Köln Süd")
    sheet = text_sheet(
        text.replace(",", delimiter).replace(f"Köln{delimiter} ", "Köln, ").replace("\n", end), None, encoding
    )
    assert sheet.delimiter == delimiter
    assert sheet.rows["landing"].tolist() == ["stuck", "fall"]
    assert sheet.rows["meet"].tolist() == ["Köln, Süd" if delimiter != "," else "Köln Süd"] * 2
    if encoding == "cp1252":
        assert any("isn't UTF-8" in repair.why for repair in sheet.repairs)


def test_semicolons_with_decimal_commas_and_commas_in_notes(text_sheet):
    sheet = text_sheet(
        "meet;athlete;technique;landing;deduction;note\n"
        "M1;A1;piked double back;hop;0,1;good, but low, and short\n"
        "M1;A2;tucked double back;large step;0,3;a, b, c, d, e, f\n"
    )
    assert sheet.delimiter == ";"
    assert sheet.rows["deduction"].tolist() == [100, 300]
    assert sheet.rows["note"].tolist() == ["good, but low, and short", "a, b, c, d, e, f"]


def test_a_declared_delimiter_is_followed(text_sheet):
    sheet = text_sheet("sep=;\n" + CLEAN.replace(",", ";"))
    assert list(sheet.rows.index) == [3, 4]
    assert sheet.delimiter == ";"


def test_quoted_delimiters_marks_and_line_breaks(text_sheet):
    sheet = text_sheet(
        "meet,athlete,technique,landing,deduction,note\n"
        'M1,A1,piked double back,stuck,"0,0","line one\nline two, with ""marks"""\n'
        '"M1","A2", "tucked double back",fall,"1,0",x\n'
    )
    assert list(sheet.rows.index) == [2, 3]
    assert sheet.original.at[2, "note"] == 'line one\nline two, with "marks"'
    assert sheet.rows["technique"].tolist() == ["piked double back", "tucked double back"]
    assert sheet.rows["deduction"].tolist() == [0, 1000]


def test_a_quotation_mark_without_partner_swallows_no_row(text_sheet):
    rows = [f"M1,A{i},piked double back,stuck,0,ok" for i in range(6)]
    rows[2] = 'M1,A2,piked double back,stuck,0,"he said'
    rows[4] = 'M1,"A4,piked double back,stuck,0,ok'
    sheet = text_sheet("meet,athlete,technique,landing,deduction,note\n" + "\n".join(rows) + "\n")
    assert list(sheet.rows.index) == [2, 3, 4, 5, 6, 7]
    assert {problem.row for problem in sheet.problems if problem.blocks} == {4, 6}
    assert sheet.rows["athlete"].tolist() == ["A0", "A1", None, "A3", None, "A5"]


def test_an_unquoted_decimal_comma_makes_a_row_unreadable_not_wrong(text_sheet):
    sheet = text_sheet(CLEAN.replace("fall,1.0", "large step,0,3"))
    assert sheet.rows.loc[3].isna().all()
    [problem] = sheet.problems
    assert problem.blocks
    assert problem.row == 3
    assert "more cells than the header" in problem.problem
    assert sheet.original.loc[3].tolist()[-2:] == ["0", "3"]


def test_title_rows_blank_rows_blank_columns_and_footers(text_sheet):
    sheet = text_sheet(
        "Autumn series 2025,,,,,,,\n,,,,,,,\ncoded by C1,,,,,,,\n"
        ",meet,,athlete,technique,landing,deduction,\n"
        ",M1,,A1,piked double back,stuck,0,\n"
        ",,,,,,,\n"
        ",M1,,A2,tucked double back,fall,1.0,\n"
        ",meet,,athlete,technique,landing,deduction,\n"
        ",Day two,,,,,,\n"
        ",M2,,A1,piked double back,hop,0.1,\n"
        ",Total,,3,,,1.1,\n"
        ",Note: hop,means,a small,one,,,\n"
        ",M3,,,,,,\n,M3,R9,,,,,\n"
    )
    assert list(sheet.rows.index) == [5, 7, 10]
    assert list(sheet.original.columns) == HEADER
    listed = {repair.row: repair.why for repair in sheet.repairs if "not a routine" in repair.why}
    assert set(listed) == {1, 3, 8, 9, 11, 12, 13, 14}
    assert "header again" in listed[8]
    assert "sums" in listed[11]
    assert "prepared" in listed[14]


def test_a_row_of_which_little_can_be_read_stays_a_row(text_sheet):
    sheet = text_sheet(CLEAN + ",A3,,,0.1\nM1,,,,0.3\n,,piked double back,stuck,\nM1,A9,,,\nM1,,xyz,,\n")
    assert list(sheet.rows.index) == [2, 3, 4, 5, 6, 7, 8]
    assert {(4, "meet"), (5, "athlete"), (6, "meet"), (6, "athlete"), (7, "technique")} <= problem_rows(sheet)


def test_headers_in_other_clothes_and_by_other_names(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "piked double back", "stuck", "0", "x", "5.0"]],
        [" COMPETITION ", "Gymnast", "Dismount", "Landing (feet)", "DEDUCTION [points]", "Club", "D-score"],
    )
    assert list(sheet.rows.columns) == [
        "meet",
        "athlete",
        "technique",
        "landing",
        "deduction",
        "difficulty",
        "Club",
    ]
    assert sheet.headers["meet"] == "COMPETITION"
    assert {repair.after for repair in sheet.repairs} >= {
        "meet",
        "athlete",
        "technique",
        "landing",
        "deduction",
    }
    assert sheet.rows.at[2, "Club"] == "x"


def test_a_header_with_one_slip_is_read_and_told(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "piked double back", "stuck", "0"]],
        ["meet", "athelete", "tecnique", "landing", "deduction"],
    )
    assert sheet.headers["athlete"] == "athelete"
    assert ("tecnique", "technique") in {(repair.before, repair.after) for repair in sheet.repairs}


def test_ranking_is_not_landing(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "x", "1", "0.1"]], ["meet", "athlete", "technique", "ranking", "deduction"]
    )
    assert "landing" not in sheet.rows
    assert sheet.rows.at[2, "ranking"] == "1"


def test_missing_and_double_headers_are_told_all_at_once(sheet_of):
    said = refusals(sheet_of, [["a", "b", "c"]], ["meet", "club", "note"])
    assert "no column for athlete" in said
    assert "no column for technique" in said
    assert "no column for landing or deduction" in said
    said = refusals(
        sheet_of, [["1", "2", "3", "4", "5"]], ["meet", "athlete", "technique", "landing", "Landing"]
    )
    assert "all headed as landing" in said
    said = refusals(sheet_of, [["1", "2"]], ["x", "y"])
    assert "no line names the columns" in said


def test_the_exact_header_wins_over_another_name_for_it(sheet_of):
    sheet = sheet_of(
        [["M1", "A1", "x", "0.1", "7.5"]], ["meet", "athlete", "technique", "deduction", "deductions"]
    )
    assert sheet.rows.at[2, "deduction"] == 100
    assert sheet.rows.at[2, "deductions"] == "7.5"


def test_without_a_technique_column_the_sheet_is_read_and_the_lack_is_told(sheet_of):
    sheet = sheet_of([["M1", "A1", "VT1", "stuck"]], ["meet", "athlete", "vault", "landing"])
    assert "technique" not in sheet.rows
    assert any("no column for technique" in problem.problem for problem in sheet.problems)
    assert sheet.match("Vault", "vt1") == "VT1"


def test_a_mapped_header_that_is_not_there_is_told(sheet_of, codebook_of):
    said = refusals(
        sheet_of, [["M1", "A1", "x", "stuck", "0"]], codebook=codebook_of('[columns]\ntechnique = "vaultt"\n')
    )
    assert "vaultt" in said


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b" \n\r\n\t", "empty"),
        (b"\xef\xbb\xbf", "no line names"),
        (b"\x00" * 50, "empty"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"\x89PNG\r\n\x1a\n....", "picture"),
        (b"<html><table><tr><td>meet</td></tr></table></html>", "web page"),
        (b"<?xml version='1.0'?><Workbook/>", "XML"),
        (b"\x1f\x8b\x08\x00 packed", "packed"),
        (b"PK\x03\x04 cut short", "cut short"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 cut short", "can't be read"),
        (bytes(range(256)) * 8, "not a table"),
        (b"just a sentence", "no line names"),
        (b"meet,athlete,technique,landing", ""),
    ],
)
def test_a_file_that_is_no_sheet_is_named_with_a_remedy(tmp_path, data, said):
    path = tmp_path / "sheet.csv"
    path.write_bytes(data)
    if said:
        assert said in refusals(read_sheet, path)
    else:
        assert "no routine below the header" in read_sheet(path).problems[0].problem


def test_missing_files_and_folders_are_named(tmp_path):
    (tmp_path / "event_sheet.csv").write_text(CLEAN)
    assert 'did you mean "event_sheet.csv"?' in refusals(read_sheet, tmp_path / "event_shet.csv")
    assert "folder" in refusals(read_sheet, tmp_path)
    assert "no folder" in refusals(read_sheet, tmp_path / "a" / "b.csv")
    assert refusals(read_sheet, str(tmp_path / "a\x00b.csv"))


def test_a_worksheet_of_a_text_file_is_told_to_be_none(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(CLEAN)
    assert "no worksheets" in read_sheet(path, worksheet="Routines").problems[0].problem


def test_a_damaged_character_does_not_turn_a_utf8_file_into_another_encoding(text_sheet):
    text = (
        CLEAN.replace("M1", "Köln").encode()
        + "Köln,Zoë,piked double back,stuck,0\nKöln,Jö".encode()[:-1]
        + b",x,hop,0.1\n"
    )
    sheet = text_sheet(text)
    assert sheet.rows["meet"].tolist() == ["Köln"] * 4
    assert any("damaged" in repair.why for repair in sheet.repairs)


def test_every_column_of_a_text_file_is_kept_under_a_name_of_its_own(text_sheet):
    sheet = text_sheet(
        ",meet,athlete,technique,landing,note,note,column A,column I\n"
        "0,M1,A1,x,hop,a,b,c,d\n1,M1,A2,x,hop,e,f,g,h,i\n"
    )
    assert list(sheet.original.columns) == [
        "column A", "meet", "athlete", "technique", "landing", "note", "note (2)",
        "column A (2)", "column I", "column J",
    ]  # fmt: skip
    assert sheet.original.loc[2].tolist() == ["0", "M1", "A1", "x", "hop", "a", "b", "c", "d", ""]


def test_the_refusal_survives_another_process(tmp_path):
    with pytest.raises(InputProblem) as caught:
        read_sheet(tmp_path / "none.csv")
    again = pickle.loads(pickle.dumps(caught.value))
    assert again.problems == caught.value.problems
    assert str(again) == str(caught.value)
