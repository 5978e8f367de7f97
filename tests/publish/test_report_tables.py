"""One table object, five formats: no number may differ between them."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from docx import Document
from lxml import html as lxml_html
from openpyxl import load_workbook
from publish_comparisons import build

from analysis.comparison.result import Comparison
from analysis.publish.detail_tables import make_tables
from analysis.publish.latex import latex_table
from analysis.publish.numbers import MINUS, plain_number
from analysis.publish.spreadsheet import guarded, workbook
from analysis.publish.style import NumberStyle, using
from analysis.publish.tables import Table, rates_table, table_of


def from_csv(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"))))


def same(cell: str) -> str:
    """A cell without what a format may change: the kind of minus, thousands commas, unbreakable spaces."""
    number = plain_number(cell)
    return f"{number[0]:.{number[1]}f}" if number else cell.replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def tables(comparison: Comparison) -> dict[str, Table]:
    return {table.key: table for table in make_tables(comparison)}


def test_csv_cells_equal_the_table(report: Path, tables: dict[str, Table]) -> None:
    assert {path.stem for path in report.glob("tables/*.csv")} == set(tables)
    for key, table in tables.items():
        found = from_csv(report / "tables" / f"{key}.csv")
        wanted = [[guarded(same(cell)) for cell in row] for row in (table.header, *table.rows)]
        assert [[same(cell) for cell in row] for row in found] == wanted


def test_page_cells_equal_the_table(report: Path, tables: dict[str, Table]) -> None:
    page = lxml_html.fromstring(report.joinpath("report.html").read_text(encoding="utf-8"))
    for key, table in tables.items():
        (found,) = page.xpath(f'//*[@id="table-{key}"]//table')
        rows = [[cell.text_content() for cell in row.xpath("./th|./td")] for row in found.xpath(".//tr")]
        assert rows == [list(row) for row in (table.header, *table.rows)]


def test_document_cells_equal_the_table(report: Path, tables: dict[str, Table]) -> None:
    grids = [
        [[cell.text for cell in row.cells] for row in grid.rows]
        for grid in Document(report / "report.docx").tables
    ]
    assert len(grids) == len(tables)
    for table in tables.values():
        assert [list(row) for row in (table.header, *table.rows)] in grids


def test_workbook_cells_equal_the_table(report: Path, tables: dict[str, Table]) -> None:
    book = load_workbook(report / "tables" / "tables.xlsx")
    assert len(book.sheetnames) == len(tables)
    for sheet, table in zip(book, tables.values(), strict=True):
        for i, row in enumerate((table.header, *table.rows)):
            for j, cell in enumerate(row):
                found = sheet.cell(row=3 + i, column=1 + j)
                number = plain_number(cell) if i and table.numeric[j] else None
                if number is None:
                    assert (found.value or "") == cell
                else:
                    assert isinstance(found.value, (int, float))
                    digits = len(found.number_format.partition(".")[2])
                    assert (found.value, digits) == number
                    assert found.number_format.startswith(".") == cell.startswith(".")


def test_a_count_of_thousands_keeps_its_mark_in_a_spreadsheet() -> None:
    made = table_of("counts", "Counts", ("Which", "Number"), [("all", "12,000"), ("some", "940")])
    sheet = load_workbook(io.BytesIO(workbook([made]))).active
    found = [(sheet.cell(row, 2).value, sheet.cell(row, 2).number_format) for row in (4, 5)]
    assert found == [(12000, "#,##0"), (940, "0")]


def printed(cell: str) -> str:
    """A cell as LaTeX source, for the characters that tables here have."""
    for character, source in (
        ("%", r"\%"),
        ("_", r"\_"),
        (MINUS, r"\ensuremath{-}"),
        ("\N{NO-BREAK SPACE}", "~"),
        ("–", "--"),
        ("<", r"\textless{}"),
    ):
        cell = cell.replace(character, source)
    return cell


@pytest.mark.parametrize("siunitx", [False, True])
def test_latex_cells_equal_the_table(tables: dict[str, Table], siunitx: bool) -> None:
    for table in tables.values():
        text = latex_table(table, siunitx)
        body = text.split("\\midrule\n")[-1].split("    \\endhead\n")[-1].split("    \\bottomrule")[0]
        for line, row in zip(body.strip().split("\\\\\n"), table.rows, strict=True):
            cells = [cell.strip().removesuffix("\\\\").strip() for cell in re.split(r"(?<!\\)&", line)]
            for cell, shown, numeric in zip(cells, row, table.numeric, strict=True):
                if siunitx and numeric and plain_number(shown) is not None:
                    assert cell == shown.replace(MINUS, "-").replace(",", "")
                else:
                    assert cell.removeprefix("{").removesuffix("}") == printed(shown).removesuffix("}")


def test_numbers_split_at_their_decimal_mark() -> None:
    rows = [("a", "−0.36", "9 of 9", "12"), ("b", "< .001", "3 to 59", "3"), ("c", "infinity", "", "")]
    made = table_of("x", "X", ("Name", "p", "Count", "n"), rows)
    assert made.align == ("left", "decimal", "right", "right")
    assert [made.halves(row[1]) for row in rows] == [("−0", ".36"), ("< ", ".001"), ("infinity", "")]
    assert made.halves("0.5 of 9") == ("0.5 of 9", "")
    with using(NumberStyle("fr")):
        french = table_of("x", "X", ("Name", "p"), [("a", "−1\u202f234,50")])
    assert french.align == ("left", "decimal")
    assert french.halves("−1\u202f234,50") == ("−1\u202f234", ",50")
    assert french.halves("1.5") == ("1.5", "")


def test_methods_stand_in_lettered_notes(tables: dict[str, Table]) -> None:
    contrast = tables["contrast"]
    assert contrast.header[-1] == "Note"
    (note,) = [note for note in contrast.notes if note.startswith("a: ")]
    marks = dict(re.findall(r"(?:^|\. )([a-z]): (.*?)(?=\.(?: [a-z]: |$))", note))
    assert marks["a"] == "exact unconditional, Agresti–Min; p: Barnard, pooled z"
    assert {row[-1] for row in contrast.rows} == set(marks)
    ratio = next(row for row in contrast.rows if row[0] == "Ratio")
    assert marks[ratio[-1]] == "Koopman"
    assert "Note" not in tables["cuts"].header
    assert "Method: exact unconditional, Agresti–Min." in tables["cuts"].notes


@pytest.mark.parametrize("kind", ["deduction", "grade", "nothing used", "one routine each", "twelve"])
def test_no_table_has_an_empty_column_or_a_bare_nan(variants: dict[str, Comparison], kind: str) -> None:
    for table in make_tables(variants[kind]):
        for place, header in enumerate(table.header):
            assert any(row[place] for row in table.rows), (table.key, header)
        text = " ".join([table.title, *table.header, *(" ".join(row) for row in table.rows), *table.notes])
        if table.key != "checklist":  # words only, and "None" is one of them
            assert not re.search(r"\bnan\b|\binf\b|\bNone\b(?! of)", text), table.key
        assert "not estimated points" not in text


@pytest.mark.parametrize(
    ("kind", "unit"), [("deduction", "Difference, points"), ("grade", "Chance of the better")]
)
def test_each_outcome_names_its_unit(variants: dict[str, Comparison], kind: str, unit: str) -> None:
    made = {table.key: table for table in make_tables(variants[kind])}
    assert made["pairs"].header[2].startswith(unit)
    assert made["doubt"].header[2].startswith(unit)
    assert ("Differences are in points." in made["contrast"].notes) == (kind == "deduction")


def test_only_the_sections_that_exist_have_tables() -> None:
    small = {table.key for table in make_tables(build(full=False))}
    assert small == {"rows", "who_did_what", "landings", "rates", "contrast", "repeats", "checklist"}
    two = {
        table.key
        for table in make_tables(build(names=("a", "b"), counts=((9, 0, 0, 0, 0), (14, 4, 2, 1, 1))))
    }
    assert "pairs" not in two
    assert {"strata", "strata_together", "adjusted", "doubt", "deductions", "points_contrast"} <= two


def test_counts_are_printed_as_counts(comparison: Comparison) -> None:
    table = rates_table(comparison)
    assert [row[1] for row in table.rows] == ["9 of 9", "14 of 22", "5 of 10"]
    assert table.rows[0][2] == "100"


def test_rows_of_the_flow_add_up(comparison: Comparison, tables: dict[str, Table]) -> None:
    counts = {row[0]: int(row[1]) for row in tables["rows"].rows}
    assert counts["Rows in the sheet"] == counts["Used in the headline"] + counts["Set aside"]
    assert counts["Set aside"] == sum(
        value for name, value in counts.items() if name.startswith("Set aside: ")
    )


def test_who_did_what_adds_up_and_keeps_meets_together(tables: dict[str, Table]) -> None:
    table = tables["who_did_what"]
    by_place = [row for row in table.rows if "meet, " in row[0]]
    assert [sum(int(row[j]) for row in by_place) for j in (1, 2, 3, 4)] == [9, 22, 10, 41]
    meets = [row[0].split(",")[0] for row in by_place]
    assert meets == sorted(meets, key=meets.index)
    counts = {row[0]: [int(cell) for cell in row[1:]] for row in table.rows}
    assert counts["All routines"] == [9, 22, 10, 41]
    per_athlete = [(many, cells) for name, cells in counts.items() if (many := routines_of(name))]
    assert [sum(cells[j] for _, cells in per_athlete) for j in range(4)] == counts["Athletes"]
    for j in range(4):  # the last line is "4 or more"
        assert sum(many * cells[j] for many, cells in per_athlete) <= counts["All routines"][j]


def routines_of(name: str) -> int:
    return int(name.split()[2]) if name.startswith("Athletes with ") else 0


def test_a_row_of_another_width_is_refused() -> None:
    with pytest.raises(ValueError, match="2 cells"):
        table_of("x", "X", ("a", "b"), [("1",)])
