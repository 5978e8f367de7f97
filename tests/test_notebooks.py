"""Every notebook runs from top to bottom, and is committed without outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_notebook_runs_from_top_to_bottom(path):
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, timeout=180, kernel_name="python3")
    client.execute(cwd=str(path.parent))
    words = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert words
    assert not [item for item in words if item.get("name") == "stderr"], words


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_committed_without_outputs(path):
    for cell in nbformat.read(path, as_version=4).cells:
        assert not cell.get("outputs")
        assert not cell.get("execution_count")


def test_the_notebooks_are_the_ones_that_the_readme_names():
    assert [path.stem for path in NOTEBOOKS] == [
        "check_the_codes",
        "compare_techniques",
        "how_sure_are_our_intervals",
    ]
