"""The LaTeX files compile, whatever a technique is called, and nothing runs out of the page."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from publish_comparisons import FIVE, FIVE_COUNTS, HOSTILE, build, nothing_used

import analysis
from analysis.comparison.result import Comparison
from analysis.publish.detail_tables import make_tables
from analysis.publish.latex import MOST_LINES, latex_table
from analysis.publish.latex_document import ALL, DOCUMENT, latex_files
from analysis.publish.style import ENGLISH, NumberStyle, using
from analysis.publish.tables import table_of

MOST_OVERFULL = 20.0
"""Points of type by which a line may run over: less than the width of a margin."""

needs_pdflatex = pytest.mark.skipif(shutil.which("pdflatex") is None, reason="pdflatex isn't installed")


def compiled(comparison: Comparison, folder: Path, style: NumberStyle = ENGLISH, siunitx: bool = True) -> str:
    """Compile the document with every table; return the log."""
    with using(style):
        tables = make_tables(comparison)
    for name, content in latex_files(tables, comparison.question.title).items():
        place = folder / name
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(content if siunitx else content.replace(b"{siunitx/}", b"{}"))
    command = ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", DOCUMENT]
    for _ in range(2):
        done = subprocess.run(command, cwd=folder, capture_output=True, timeout=120)
        log = done.stdout.decode("utf-8", errors="replace")
        assert done.returncode == 0, log[-2000:]
    return (folder / DOCUMENT).with_suffix(".log").read_text(encoding="utf-8", errors="replace")


def assert_fits(log: str) -> None:
    over = [float(points) for points in re.findall(r"Overfull \\[hv]box \(([0-9.]+)pt", log)]
    assert all(points <= MOST_OVERFULL for points in over), over
    assert "LaTeX Warning: Reference" not in log
    assert "multiply defined" not in log


@needs_pdflatex
def test_the_demo_compiles_and_fits(tmp_path: Path) -> None:
    demo = analysis.compare("data_demo/plan.toml")
    for place, siunitx in (("s", True), ("plain", False)):
        folder = tmp_path / place
        folder.mkdir()
        assert_fits(compiled(demo, folder, siunitx=siunitx))


@needs_pdflatex
def test_hostile_names_compile(hostile: Comparison, tmp_path: Path) -> None:
    assert_fits(compiled(hostile, tmp_path))
    assert not list(tmp_path.glob("x*"))


@needs_pdflatex
def test_a_comparison_without_a_usable_row_compiles(tmp_path: Path) -> None:
    assert_fits(compiled(nothing_used(), tmp_path))


@needs_pdflatex
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext isn't installed")
def test_five_techniques_with_decimal_commas_show_the_cells_as_they_are(tmp_path: Path) -> None:
    five, style = build(names=FIVE, counts=FIVE_COUNTS), NumberStyle("de", percent_decimals=1)
    assert_fits(compiled(five, tmp_path, style))
    command = ["pdftotext", "-layout", str((tmp_path / DOCUMENT).with_suffix(".pdf")), "-"]
    text = subprocess.run(command, capture_output=True, check=True).stdout.decode()
    shown = {re.sub(r"\s+", " ", line.strip()) for line in text.splitlines()}
    with using(style):
        tables = {table.key: table for table in make_tables(five)}
    for key in ("contrast", "coefficients", "points_parts", "deduction_values"):
        for row in tables[key].rows:
            assert " ".join(cell for cell in row if cell).replace("'", "’") in shown


def test_a_long_table_breaks_over_pages_and_repeats_its_header() -> None:
    rows = [(f"pair {i}", f"{i}.5") for i in range(MOST_LINES + 1)]
    text = latex_table(table_of("pairs", "All pairs", ("Pair", "Difference"), rows, notes=("A note.",)))
    assert "\\begin{longtable}" in text
    assert "\\begin{table}" not in text
    assert text.count("{Pair} & {Difference}") == 2
    assert "\\endfirsthead" in text
    assert "% Needs the packages array, booktabs, longtable;" in text


def test_numbers_stand_in_columns_of_type_s_and_texts_in_braces() -> None:
    rows = [("a", "−0.36", ".034", "9 of 9"), ("b", "infinity", "< .001", "3 of 22")]
    text = latex_table(table_of("x", "X", ("Name", "Estimate", "p", "Count"), rows), siunitx=True)
    assert "{lS[table-format=-1.2]S[table-format=1.3,print-zero-integer=false]r}" in text
    assert r"a & -0.36 & .034 & 9 of 9 \\" in text
    assert r"b & {infinity} & {\textless{} .001} & 3 of 22 \\" in text
    assert "output-decimal-marker={.}" in text


def test_the_marks_of_the_style_are_told_to_siunitx() -> None:
    with using(NumberStyle("fr")):
        made = table_of("x", "X", ("Name", "n"), [("a", "12\u202f345"), ("b", "0,5")])
    text = latex_table(made, siunitx=True)
    assert (
        r"output-decimal-marker={,},group-separator={\,},group-digits=integer,group-minimum-digits=4" in text
    )
    assert r"a & 12345 \\" in text
    assert r"b & 0.5 \\" in text
    assert r"a & 12\,345 \\" in latex_table(made)


def test_every_table_is_taken_in_and_named_once() -> None:
    tables = make_tables(build(names=HOSTILE))
    files = latex_files(tables)
    everything = files[ALL].decode()
    for table in tables:
        assert everything.count(f"\\input{{\\tablefolder {table.key}.tex}}") == 1
        for name in (f"{table.key}.tex", f"siunitx/{table.key}.tex"):
            assert files[name].decode().count("\\label{") == 1
    labels = {re.search(r"\\label\{(.*?)\}", files[f"{table.key}.tex"].decode())[1] for table in tables}
    assert len(labels) == len(tables)
    assert "\\input{all_tables.tex}" in files[DOCUMENT].decode()
