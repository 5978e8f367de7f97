"""The notebooks that a study folder gets are those of notebooks/, pointed at the study's own files."""

import json
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
OWN_FILES = {
    "../data_demo/plan_messy.toml": "../plan.toml",
    "../data_demo/plan.toml": "../plan.toml",
    "../data_demo/event_sheet_messy.xlsx": "../second_coder.xlsx",
    "Second coder": "Routines",
}


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_the_shipped_notebook_differs_in_its_files_only(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for demo, own in OWN_FILES.items():
        text = text.replace(demo, own)
    shipped = ROOT / "analysis" / "resources" / "notebooks" / path.name
    assert json.loads(shipped.read_text(encoding="utf-8")) == json.loads(text)
