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
from analysis.publish.numbers import MINUS, plain_number
from analysis.publish.spreadsheet import guarded
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
                if isinstance(found.value, str) or found.value is None:
                    assert (found.value or "") == cell
                else:
                    digits = len(found.number_format.partition(".")[2])
                    assert f"{found.value:.{digits}f}" == same(cell)


def test_latex_cells_equal_the_table(report: Path, tables: dict[str, Table]) -> None:
    for key, table in tables.items():
        text = (report / "tables" / f"{key}.tex").read_text(encoding="utf-8")
        body = text.split("\\midrule\n")[1].split("    \\bottomrule")[0].strip().split("\\\\\n")
        for line, row in zip(body, table.rows, strict=True):
            cells = [cell.strip().removesuffix("\\\\").strip() for cell in re.split(r"(?<!\\)&", line)]
            wanted = [cell.replace(MINUS, r"\ensuremath{-}").replace("%", r"\%") for cell in row]
            wanted = [cell.replace("\N{NO-BREAK SPACE}", "~").replace("–", "--") for cell in wanted]
            wanted = [cell.replace("<", r"\textless{}") for cell in wanted]
            assert cells == [cell.strip() for cell in wanted]


def test_only_the_sections_that_exist_have_tables() -> None:
    small = {table.key for table in make_tables(build(full=False))}
    assert small == {"rows", "who_did_what", "landings", "rates", "contrast", "repeats"}
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
    by_place = table.rows[:-3]
    assert [sum(int(row[j]) for row in by_place) for j in (1, 2, 3, 4)] == [9, 22, 10, 41]
    meets = [row[0].split(",")[0] for row in by_place]
    assert meets == sorted(meets, key=meets.index)


def test_a_row_of_another_width_is_refused() -> None:
    with pytest.raises(ValueError, match="2 cells"):
        table_of("x", "X", ("a", "b"), [("1",)])
