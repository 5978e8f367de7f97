"""Names that try to be markup, a formula, mathematics or a command stay names in every format."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from pathlib import Path

from docx import Document
from lxml import etree
from lxml import html as lxml_html
from openpyxl import load_workbook
from publish_comparisons import HOSTILE

from analysis.publish.latex import latex
from analysis.publish.methods import markdown


def test_the_page_has_no_script_and_shows_the_name(hostile_report: Path) -> None:
    page = lxml_html.fromstring(hostile_report.joinpath("report.html").read_text(encoding="utf-8"))
    assert page.xpath("//script") == []
    assert page.xpath("//@onerror|//@onload|//@onclick") == []
    assert page.xpath("//b[text()='bold']") == []
    names = [cell.text_content() for cell in page.xpath('//*[@id="table-rates"]//tbody//th')]
    assert names == list(HOSTILE)
    assert page.xpath("//h1")[0].text_content() == r"=1+1 <b>bold</b> $\beta$ & \end{table}"


def test_the_page_asks_nothing_of_the_network(hostile_report: Path) -> None:
    text = hostile_report.joinpath("report.html").read_text(encoding="utf-8")
    links = re.findall(r'(?:src|href)="([^"]*)"', text)
    assert all(link.startswith(("#", "data:")) or "/" not in link for link in links)
    assert "@import" not in text
    assert "default-src 'none'" in text


def test_no_workbook_cell_is_a_formula(hostile_report: Path) -> None:
    book = load_workbook(hostile_report / "tables" / "tables.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert all(cell.data_type in ("s", "n") for cell in cells)
    assert HOSTILE[1] in {cell.value for cell in cells}
    with zipfile.ZipFile(hostile_report / "tables" / "tables.xlsx") as archive:
        for name in archive.namelist():
            if name.startswith("xl/worksheets/sheet"):
                assert b"<f>" not in archive.read(name)


def test_no_csv_cell_starts_a_formula(hostile_report: Path) -> None:
    for path in [*hostile_report.glob("tables/*.csv"), *hostile_report.glob("*.csv")]:
        for row in csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"))):
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t", "\r"))
                assert not cell.startswith("-") or re.fullmatch(r"-[0-9.]+", cell)


def test_the_sheets_own_cells_survive_the_guard(hostile_report: Path) -> None:
    rows = list(
        csv.DictReader(io.StringIO((hostile_report / "rows_set_aside.csv").read_bytes().decode("utf-8-sig")))
    )
    assert {row["Athlete"] for row in rows} == {"'=HYPERLINK(0)"}


def test_latex_prints_the_name(hostile_report: Path) -> None:
    text = (hostile_report / "tables" / "rates.tex").read_text(encoding="utf-8")
    assert (
        r"\$\textbackslash{}alpha\$ \& \textbackslash{}input\{x\} 100\% \#1\_a\textasciicircum{}b\textasciitilde{}c"
        in text
    )
    assert "\\input{x}" not in text
    bare = re.sub(r"\\[$&#_%{}]|\\(text[a-z]+|char34)\{\}", "", latex("".join(map(chr, range(32, 127)))))
    assert not set(bare) & set("\\{}$&#_^~%")


def test_markdown_prints_the_name(hostile_report: Path) -> None:
    text = (hostile_report / "methods.md").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert r"\$\\alpha\$ &amp; \\input{x}" in text
    assert markdown("# a\n- b") == r"\# a - b"


def test_every_svg_is_well_formed_and_keeps_the_name_as_text(hostile_report: Path) -> None:
    found = set()
    for path in hostile_report.glob("figures/*.svg"):
        root = etree.parse(path).getroot()
        found |= {text for text in root.itertext() if text.strip()}
        assert not root.xpath("//*[local-name()='script']")
    assert HOSTILE[1] in found
    assert any(r"$\alpha$ & \input{x}" in text for text in found)


def test_the_document_prints_the_name(hostile_report: Path) -> None:
    cells = {
        cell.text
        for grid in Document(hostile_report / "report.docx").tables
        for row in grid.rows
        for cell in row.cells
    }
    assert set(HOSTILE) <= cells


def test_results_are_strict_json(hostile_report: Path) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    body = json.loads(
        hostile_report.joinpath("results.json").read_text(encoding="utf-8"), parse_constant=refuse
    )
    assert [group["name"] for group in body["groups"]] == list(HOSTILE)
