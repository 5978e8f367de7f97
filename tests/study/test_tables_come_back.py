"""Tables come back whole from text and workbooks; any bytes are read or refused, and any text loses no line."""

import csv
import io
import re

import openpyxl
from hypothesis import given, settings
from hypothesis import strategies as st
from spoiled_sheets import HEADER, LANDINGS, TECHNIQUES, read_or_refused

from analysis.study.checks import check
from analysis.study.outcome import outcomes
from analysis.study.sheet import read_sheet
from analysis.study.text import tidy

words = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp", "Co", "Cn")), max_size=12
)
codes = st.from_regex(r"[A-Za-z][A-Za-z0-9]{0,5}", fullmatch=True)
routine = st.tuples(
    codes, codes, st.sampled_from(TECHNIQUES), st.sampled_from(sorted(LANDINGS)), st.integers(0, 2500), words
)


def rows_of(routines):
    return [[meet, athlete, technique, landing, f"{points / 1000:.3f}", note]
            for meet, athlete, technique, landing, points, note in routines]  # fmt: skip


def assert_comes_back(sheet, routines):
    assert len(sheet.rows) == len(routines)
    assert sheet.rows["technique"].tolist() == [item[2] for item in routines]
    assert sheet.rows["landing"].tolist() == [item[3] for item in routines]
    assert sheet.rows["deduction"].tolist() == [item[4] for item in routines]
    assert [value.casefold() for value in sheet.rows["athlete"]] == [item[1].casefold() for item in routines]
    assert [value or "" for value in sheet.rows["note"]] == [tidy(item[5]) for item in routines]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(routine, min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-32"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
)
def test_a_table_comes_back_from_text(tmp_path_factory, routines, delimiter, encoding, end, quoting):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow([*HEADER[:5], "note"])
    writer.writerows(rows_of(routines))
    path = tmp_path_factory.mktemp("text") / "sheet.csv"
    path.write_bytes(text.getvalue().encode(encoding))
    assert_comes_back(read_sheet(path), routines)


@settings(deadline=None, max_examples=30)
@given(st.lists(routine, min_size=1, max_size=8), st.integers(0, 3), st.integers(0, 2))
def test_a_table_comes_back_from_a_workbook(tmp_path_factory, routines, down, right):
    book = openpyxl.Workbook()
    page = book.active
    for i, row in enumerate([[*HEADER[:5], "note"], *rows_of(routines)]):
        for j, value in enumerate(row):
            number = i > 0 and j == 4
            cell = page.cell(i + 1 + down, j + 1 + right)
            cell.value = float(value) if number else value
            if not number:
                cell.data_type = "s"  # a text that starts with = is a text here
    path = tmp_path_factory.mktemp("book") / "sheet.xlsx"
    book.save(path)
    sheet = read_sheet(path)
    assert_comes_back(sheet, routines)
    assert list(sheet.rows.index) == [down + 2 + i for i in range(len(routines))]


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("bytes") / "sheet.csv"
    path.write_bytes(data)
    read_or_refused(path)


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=200))
def test_any_text_below_a_header_loses_no_line(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("text") / "sheet.csv"
    path.write_bytes(("meet,athlete,technique,landing\n" + text.replace('"', "'")).encode("utf-8", "replace"))
    sheet = read_sheet(path)
    lines = re.split("\r\n|\r|\n", path.read_bytes().decode("utf-8"))
    filled = {
        i + 1
        for i, line in enumerate(lines)
        if line.replace(",", "").strip("\ufeff \t\x1a" + "\x1c\x1d\x1e\x1f\x85\xa0")
    }
    told = set(sheet.rows.index) | {repair.row for repair in sheet.repairs}
    assert {i for i in filled if lines[i - 1].replace(",", "").strip()} <= told | {1}
    check(sheet)
    outcomes(sheet)
