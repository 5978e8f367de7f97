"""Every notebook runs from top to bottom on the demo, and is committed without outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.ipynb"))
IN_ORDER = [
    "1_code_the_meet",
    "2_check_the_codes",
    "3_compare_techniques",
    "4_adjust",
    "5_plan_the_next_meet",
    "6_figures_for_thesis_and_clinic",
    "7_how_sure_are_our_intervals",
]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_notebook_runs_from_top_to_bottom(path):
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=180, kernel_name="python3").execute(cwd=str(path.parent))
    shown = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert not [item for item in shown if item.get("name") == "stderr"], shown
    rich = "".join(item.get("data", {}).get("text/html", "") for item in shown)
    assert "<table" in rich
    # A table or figure that the demo has no name for would be a slip in the notebook.
    assert "There is no " not in rich


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_committed_without_outputs(path):
    for cell in nbformat.read(path, as_version=4).cells:
        assert not cell.get("outputs")
        assert not cell.get("execution_count")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_what_is_to_be_changed_stands_in_the_first_code_cell_alone(path):
    code = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert len(code[0].splitlines()) <= 2
    assert not [source for source in code[1:] if "../" in source]


def test_the_notebooks_are_these_and_each_names_the_next():
    assert [path.stem for path in NOTEBOOKS] == IN_ORDER
    for path, following in zip(NOTEBOOKS, IN_ORDER[1:], strict=False):
        assert f"`{following}`" in nbformat.read(path, as_version=4).cells[-1].source
