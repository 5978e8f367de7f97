"""Sheets for the tests of `analysis.study`: written as text or as a workbook into a folder of the test."""

import csv
import io
from pathlib import Path

import pytest

from analysis.study.sheet import read_sheet

HEADER = ["meet", "athlete", "technique", "landing", "deduction"]


@pytest.fixture
def sheet_of(tmp_path):
    """Write rows under the five usual headers (or others) as csv and read them."""

    def make(rows, header=None, codebook=None, name="sheet.csv", **options):
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n", **options)
        writer.writerow(HEADER if header is None else header)
        writer.writerows(rows)
        path = tmp_path / name
        path.write_bytes(text.getvalue().encode())
        return read_sheet(path, codebook)

    return make


@pytest.fixture
def text_sheet(tmp_path):
    """Write a text (or bytes) as it is and read it."""

    def make(text, codebook=None, encoding="utf-8", name="sheet.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return read_sheet(path, codebook)

    return make


@pytest.fixture
def codebook_of(tmp_path):
    """Write the text of a codebook and return its path."""

    def make(text) -> Path:
        path = tmp_path / "codebook.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return make
