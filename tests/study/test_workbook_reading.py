"""Workbooks: merged cells, stored values, errors, dates, worksheets, and files that were made to do harm."""

import datetime as dt
import io
import zipfile

import openpyxl
import pytest

from analysis.study import workbook_scan
from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet

HEADER = ["Meet", "Athlete", "Technique", "Landing", "Deduction"]
PIKED = "piked double back"
NAMES = "urn:oasis:names:tc:opendocument:xmlns"
ODS = (
    f'<?xml version="1.0"?><office:document-content xmlns:office="{NAMES}:office:1.0" xmlns:table="{NAMES}:table:1.0" '
    f'xmlns:text="{NAMES}:text:1.0" '
    'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0" office:version="1.2">'
    '<office:body><office:spreadsheet><table:table table:name="Sheet1">ROWS</table:table>'
    "</office:spreadsheet></office:body></office:document-content>"
)


def workbook(tmp_path, rows, name="sheet.xlsx", change=None):
    book = openpyxl.Workbook()
    page = book.active
    for row in rows:
        page.append(row)
    if change is not None:
        change(book, page)
    book.save(tmp_path / "made.xlsx")
    (tmp_path / "made.xlsx").rename(tmp_path / name)
    return tmp_path / name


def ods(path, rows):
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", ODS.replace("ROWS", rows))
        archive.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
    return path


def ods_cell(text, attributes=""):
    return f'<table:table-cell office:value-type="string" {attributes}><text:p>{text}</text:p></table:table-cell>'


def ods_row(*cells, attributes=""):
    made = []
    for cell in cells:
        if isinstance(cell, float):
            made.append(f'<table:table-cell office:value-type="float" office:value="{cell}"/>')
        elif cell.startswith("<"):
            made.append(cell)
        else:
            made.append(
                f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>'
            )
    return f"<table:table-row {attributes}>{''.join(made)}</table:table-row>"


def refused(path, **options):
    with pytest.raises(InputProblem) as caught:
        read_sheet(path, **options)
    assert all(problem.remedy for problem in caught.value.problems)
    return str(caught.value)


def test_numbers_dates_formulas_and_hidden_rows_by_their_stored_values(tmp_path):
    def change(book, page):
        page.row_dimensions[3].hidden = True
        page["E2"].number_format = "0.0%"

    path = workbook(
        tmp_path,
        [[*HEADER, "Date", "Start order"], ["M1", "A1", PIKED, "hop", 0.1, dt.date(2025, 10, 3), 1],
         ["M1", 7, PIKED, "stuck", 0.0, dt.datetime(2025, 10, 4), 2.0],
         ["M1", 7.0, PIKED, "stuck", 0.1 + 0.2, None, None]],
        change=change,
    )  # fmt: skip
    sheet = read_sheet(path)
    assert sheet.rows["deduction"].tolist() == [100, 0, 300]
    assert sheet.rows["athlete"].tolist() == ["A1", "7", "7"]
    assert sheet.rows["date"].tolist() == ["2025-10-03", "2025-10-04", None]
    assert sheet.rows["start order"].tolist() == ["1", "2", None]
    assert sheet.original.at[4, "Deduction"] == "0.3"
    assert sheet.worksheet == "Sheet"
    assert (sheet.encoding, sheet.delimiter) == (None, None)


def test_errors_and_formulas_that_were_never_computed_are_not_blanks(tmp_path):
    def change(book, page):
        page["D2"] = "#N/A"
        page["D2"].data_type = "e"
        page["E3"] = "=0.1+0.2"

    rows = [HEADER, ["M1", "A1", PIKED, None, 0.1], ["M1", "A2", PIKED, "hop", None]]
    sheet = read_sheet(workbook(tmp_path, rows, change=change))
    assert sheet.rows.at[2, "landing"] is None
    assert {(problem.row, problem.column) for problem in sheet.problems} == {(2, "Landing"), (3, "Deduction")}
    assert any("no stored value" in problem.problem for problem in sheet.problems)


def test_a_number_that_became_a_date_is_not_a_number(tmp_path):
    rows = [
        HEADER,
        ["M1", "A1", PIKED, "hop", dt.date(2025, 1, 3)],
        ["M1", dt.date(2025, 3, 1), PIKED, "hop", 0.1],
    ]
    sheet = read_sheet(workbook(tmp_path, rows))
    assert sheet.rows["deduction"].isna().tolist() == [True, False]
    assert sheet.rows["athlete"].tolist() == ["A1", None]
    assert all("date" in problem.problem for problem in sheet.problems)


def test_merged_cells_are_filled_down_where_the_merge_says_so_and_nowhere_else(tmp_path):
    def change(book, page):
        page.merge_cells("A1:E1")
        page.merge_cells("A3:A4")
        page.merge_cells("A6:E6")

    rows = [["Autumn series"], HEADER, ["M1", "A1", PIKED, "hop", 0.1], [None, "A2", PIKED, "hop", 0.1],
            [None, "A3", PIKED, "hop", 0.1], ["second day"], ["M2", "A1", PIKED, "hop", 0.1]]  # fmt: skip
    sheet = read_sheet(workbook(tmp_path, rows, change=change))
    assert list(sheet.rows.index) == [3, 4, 5, 7]
    assert sheet.rows["meet"].tolist() == ["M1", "M1", None, "M2"]
    assert sheet.original["Meet"].tolist() == ["M1", "", "", "M2"]
    assert [repair.row for repair in sheet.repairs if repair.why == "merged cell"] == [4]


def test_the_first_worksheet_with_the_headers_is_read_and_others_are_told(tmp_path):
    def change(book, page):
        page.title = "Read me"
        for name, state in (("Hidden", "hidden"), ("Meet 1", "visible"), ("Meet 2", "visible")):
            other = book.create_sheet(name)
            other.sheet_state = state
            other.append(HEADER)
            other.append([name, "A1", PIKED, "hop", 0.1])

    path = workbook(tmp_path, [["how to code"], ["see below"]], change=change)
    sheet = read_sheet(path)
    assert sheet.worksheet == "Meet 1"
    assert "'Meet 2'" in sheet.problems[0].problem
    assert read_sheet(path, worksheet="meet 2").rows.at[2, "meet"] == "Meet 2"
    assert 'did you mean "Meet 1"?' in refused(path, worksheet="Meet 11") or "Meet" in refused(
        path, worksheet="Meet 11"
    )
    assert "no line names the columns" in refused(path, worksheet="Read me")


def test_content_decides_not_the_suffix(tmp_path):
    rows = [HEADER, ["M1", "A1", PIKED, "hop", 0.1]]
    for name in ("sheet.csv", "sheet.xls", "sheet.ods", "sheet"):
        assert len(read_sheet(workbook(tmp_path, rows, name)).rows) == 1
    text = tmp_path / "text.xlsx"
    text.write_text("meet,athlete,technique,landing\nM1,A1,x,hop\n")
    assert read_sheet(text).delimiter == ","


def test_ods_with_merged_cells_repeats_and_errors(tmp_path):
    merged = ods_cell("M1", 'table:number-rows-spanned="2"')
    error = ods_cell("#DIV/0!", 'calcext:value-type="error"')
    path = ods(
        tmp_path / "sheet.ods",
        ods_row(*HEADER, '<table:table-cell table:number-columns-repeated="16379"/>')
        + ods_row(merged, "A1", PIKED, "hop", 0.1)
        + ods_row("<table:covered-table-cell/>", "A2", PIKED, "stuck", error)
        + ods_row(
            '<table:table-cell table:number-columns-repeated="5"/>',
            attributes='table:number-rows-repeated="2"',
        )
        + ods_row("M2", "A3", PIKED, "fall", 1.0)
        + ods_row(
            '<table:table-cell table:number-columns-repeated="16384"/>',
            attributes='table:number-rows-repeated="1048570"',
        ),
    )
    sheet = read_sheet(path)
    assert list(sheet.rows.index) == [2, 3, 6]
    assert sheet.rows["meet"].tolist() == ["M1", "M1", "M2"]
    assert sheet.rows["deduction"].fillna(-1).tolist() == [100, -1, 1000]
    assert "spreadsheet error" in sheet.problems[0].problem


def test_cells_far_away_are_refused_before_memory_is_asked_for(tmp_path):
    rows = [HEADER, ["M1", "A1", PIKED, "hop", 0.1]]
    path = workbook(tmp_path, rows, change=lambda book, page: page.cell(1048576, 16384, "x"))
    assert "far away" in refused(path)
    far = ods_row("x", attributes='table:number-rows-repeated="1048570"')
    wide = ods_row(ods_cell("y", 'table:number-columns-repeated="16000"'))
    path = ods(tmp_path / "far.ods", ods_row(*HEADER) + far + wide)
    assert "far away" in refused(path)


def test_a_workbook_that_unpacks_beyond_measure_is_refused(tmp_path, monkeypatch):
    path = workbook(tmp_path, [HEADER, ["M1", "A1", PIKED, "hop", 0.1]])
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/big.bin", bytes(3_000_000))
    monkeypatch.setattr(workbook_scan, "LARGEST_UNPACKED", 2_000_000)
    monkeypatch.setattr("analysis.study.workbook_grid.LARGEST_UNPACKED", 2_000_000)
    assert "unpacks to more than" in refused(path)


def test_a_zip_that_lies_about_its_size_is_counted(monkeypatch):
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", bytes(5_000_000))
    data = made.getvalue().replace((5_000_000).to_bytes(4, "little"), (100).to_bytes(4, "little"))
    monkeypatch.setattr(workbook_scan, "LARGEST_UNPACKED", 1_000_000)
    assert workbook_scan.unpacked_size(zipfile.ZipFile(io.BytesIO(data)), data) > 1_000_000


@pytest.mark.parametrize("kept", [10, 200, 0.3, 0.6, 0.9, 0.99])
def test_a_workbook_cut_short_is_an_input_problem(tmp_path, kept):
    path = workbook(tmp_path, [HEADER, *(["M1", f"A{i}", PIKED, "hop", 0.1] for i in range(50))])
    data = path.read_bytes()
    path.write_bytes(data[: kept if isinstance(kept, int) else int(len(data) * kept)])
    assert refused(path)


def test_zips_that_hold_no_worksheet_are_named(tmp_path):
    for member, said in (
        ("word/document.xml", "no worksheet"),
        ("Index/Document.iwa", "Numbers"),
        ("a.csv", "unpack it"),
    ):
        path = tmp_path / "sheet.xlsx"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr(member, "x")
        assert said in refused(path)


def test_a_protected_workbook_is_named(tmp_path):
    path = tmp_path / "sheet.xlsx"
    path.write_bytes(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le") + bytes(600)
    )
    assert "password" in refused(path)
