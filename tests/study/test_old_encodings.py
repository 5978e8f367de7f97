"""Sheets that were saved in the encoding of an old spreadsheet program, with a few accented letters in them."""

from pathlib import Path

import pytest

from analysis.study.sheet import read_sheet


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        ("Jo\u00e3o", "cp1252"),
        ("N\u00fa\u00f1ez", "cp1252"),
        ("\u00c5ngstr\u00f6m", "latin-1"),
        ("salto \u00e0 l'appui", "cp1252"),
        ("Jo\u00e3o", "mac_roman"),
        ("N\u00fa\u00f1ez", "mac_roman"),
        ("\u0141\u00f3d\u017a", "cp1250"),
    ],
)
@pytest.mark.parametrize("rows", [4, 150])
def test_a_few_accents_are_read_as_they_were_written(
    name: str, encoding: str, rows: int, tmp_path: Path
) -> None:
    lines = [
        f"Autumn Open,{name if i % 3 == 0 else 'Smith'}{i},piked double back,stuck,0.0" for i in range(rows)
    ]
    text = "\n".join(["meet,athlete,technique,landing,deduction", *lines])
    path = tmp_path / "sheet.csv"
    path.write_bytes(text.encode(encoding))
    sheet = read_sheet(path)
    assert sheet.rows["athlete"].iloc[0] == f"{name}0"
    assert any("check letters with accents" in repair.why for repair in sheet.repairs)
