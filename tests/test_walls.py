"""The walls of the house: who may import whom, what loads early, how long a file may be."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LEFT_OUT = {".git", ".venv", "reports", "demo_report", "build", "dist", "node_modules"}
TEXT = {".py", ".toml", ".md", ".txt", ".css", ".js", ".html", ".j2", ".json", ".cff", ".ipynb", ""}
HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "statsmodels", "openpyxl", "docx", "joblib")


def in_fresh_python(code: str) -> str:
    """What the code prints in a Python of its own, started in the project's folder."""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, encoding="utf-8"
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def own_files() -> list[Path]:
    found = []
    for path in ROOT.rglob("*"):
        inside = path.relative_to(ROOT).parts
        hidden = any(part.startswith(".") and part not in (".ci", ".gitignore") for part in inside)
        if hidden or LEFT_OUT & set(inside) or "__pycache__" in inside or not path.is_file():
            continue
        if path.suffix in TEXT and not any(part.endswith(".egg-info") for part in inside):
            found.append(path)
    return found


def test_imports_run_downward_only():
    code = "from importlinter.cli import lint_imports_command as run; run(['--no-cache'])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "broken" in done.stdout
    assert "0 broken" in done.stdout


def test_compare_is_still_the_function_after_every_submodule_was_imported():
    code = """
import importlib, pkgutil, analysis
for found in pkgutil.walk_packages(analysis.__path__, "analysis."):
    importlib.import_module(found.name)
print(analysis.compare("data_demo/plan.toml").to_json())
"""
    assert json.loads(in_fresh_python(code))["rows"]["read"] == 180


@pytest.mark.parametrize(
    "start",
    [
        "import analysis",
        "import analysis.first_run",
        "from analysis.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass",
    ],
)
def test_nothing_heavy_loads_early(start):
    code = f"import sys\n{start}\nprint('loaded:', *sorted(set({HEAVY!r}) & set(sys.modules)))"
    assert in_fresh_python(code).splitlines()[-1].strip() == "loaded:"


def test_no_file_has_400_lines_or_more():
    long = {}
    for path in own_files():
        if path.suffix in {".py", ".md", ".toml", ".css", ".js", ".html", ".j2"}:
            lines = len(path.read_text(encoding="utf-8").splitlines())
            if lines >= 400:
                long[path.relative_to(ROOT).as_posix()] = lines
    assert long == {}


def test_no_path_of_one_machine_is_written_anywhere():
    machine = re.compile(
        "|".join(["/" + "(root|work|home|Users)/", r"[A-Z]:" + r"\\Users", "/" + "tmp/venv"])
    )
    found = [
        path.relative_to(ROOT).as_posix() for path in own_files() if machine.search(path.read_text("utf-8"))
    ]
    assert found == []


def test_public_names_are_the_ones_promised():
    import analysis

    assert analysis.__all__ == [
        "Comparison",
        "__version__",
        "compare",
        "read_plan",
        "read_sheet",
        "write_report",
    ]
