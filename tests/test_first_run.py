"""The README's two commands: what they say and decide, without a network. `.ci/run` runs them for good."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from analysis import first_run

ROOT = Path(__file__).resolve().parent.parent


class Commands:
    """Stands in for `first_run._run`: keeps the commands, answers from a list of (words, return code)."""

    def __init__(self, *answers):
        self.answers = answers
        self.seen = []

    def __call__(self, command, quiet=False):
        self.seen.append([str(part) for part in command])
        line = " ".join(self.seen[-1])
        code = next((code for words, code in self.answers if words in line), 0)
        version = ".".join(str(part) for part in sys.version_info[:2])
        return subprocess.CompletedProcess(
            command, code, stdout=version + "\n", stderr="could not resolve host"
        )

    def lines(self):
        return [" ".join(command) for command in self.seen]


@pytest.fixture
def clone(tmp_path, monkeypatch):
    """A folder with nothing but the project file, as `first_run` sees it."""
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    monkeypatch.setattr(first_run, "ROOT", tmp_path)
    monkeypatch.setattr(first_run, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(first_run, "STAMP", tmp_path / ".venv" / "landing-outcomes.json")
    return tmp_path


def answer(monkeypatch, *answers):
    commands = Commands(*answers)
    monkeypatch.setattr(first_run, "_run", commands)
    return commands


def have_venv(clone):
    (clone / ".venv").mkdir()
    (clone / ".venv" / "pyvenv.cfg").write_text("home = here\n")


@pytest.mark.parametrize("file", ["analysis/first_run.py", "analysis/__init__.py"])
def test_an_old_python_can_read_the_file_that_turns_it_away(file):
    ast.parse((ROOT / file).read_text(encoding="utf-8"), feature_version=(3, 7))


def test_first_run_imports_the_standard_library_only():
    tree = ast.parse((ROOT / "analysis/first_run.py").read_text(encoding="utf-8"))
    names = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    names += [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names


def test_an_old_python_is_told_which_one_is_needed(monkeypatch, capsys):
    monkeypatch.setattr(sys, "version_info", (3, 8, 18, "final", 0))
    assert first_run.main(["demo"]) == 1
    said = capsys.readouterr().err
    assert "needs Python 3.11 or newer; this is Python 3.8.18" in said


@pytest.mark.parametrize("arguments", [[], ["report"], ["demo", "tests"]])
def test_wrong_usage_shows_the_two_commands(arguments, capsys):
    assert first_run.main(arguments) == 2
    said = capsys.readouterr().err
    assert "analysis.first_run demo" in said
    assert "analysis.first_run tests" in said


def test_a_fresh_clone_gets_an_environment_and_an_editable_install(clone, monkeypatch):
    def make(command, quiet=False):
        if "venv" in command:
            have_venv(clone)
        elif not (clone / ".venv").exists():
            raise FileNotFoundError(command[0])
        return commands(command, quiet)

    commands = Commands()
    monkeypatch.setattr(first_run, "_run", make)
    first_run.prepare("test")
    assert commands.lines()[0] == f"{sys.executable} -m venv {clone / '.venv'}"
    assert commands.seen[-1][-2:] == ["--editable", ".[test]"]
    assert json.loads(first_run.STAMP.read_text())["extra"] == "test"


def test_a_python_without_ensurepip_installs_with_its_own_pip(clone, monkeypatch):
    have_venv(clone)
    inner = f"{first_run._inside('python')} -m pip"
    commands = answer(monkeypatch, (f"venv {clone / '.venv'}", 1), (inner + " --version", 1))
    first_run._make_venv()
    assert commands.lines()[-1] == f"{sys.executable} -m venv --without-pip {clone / '.venv'}"
    assert first_run._pip() == [sys.executable, "-m", "pip", "--python", str(first_run._inside("python"))]


def test_neither_ensurepip_nor_pip_is_said_with_a_remedy(clone, monkeypatch):
    answer(monkeypatch, ("pip", 1))
    with pytest.raises(first_run.Trouble, match="python3-venv"):
        first_run._pip()


def test_no_network_is_said_and_leaves_no_stamp(clone, monkeypatch, capsys):
    have_venv(clone)
    answer(monkeypatch, ("install", 1))
    assert first_run.main(["demo"]) == 1
    said = capsys.readouterr().err
    assert "could not resolve host" in said
    assert "Is there a network" in said
    assert not first_run.STAMP.exists()


def test_a_second_run_installs_nothing_until_the_project_file_changes(clone, monkeypatch):
    have_venv(clone)
    commands = answer(monkeypatch)
    first_run.prepare("test")
    first_run.prepare("test")
    first_run.prepare("")  # what the tests need also serves the demo
    assert sum(" install " in line for line in commands.lines()) == 1
    with (clone / "pyproject.toml").open("a") as file:
        file.write("# changed\n")
    first_run.prepare("test")
    assert sum(" install " in line for line in commands.lines()) == 2


def test_a_folder_that_is_no_environment_is_not_deleted(clone, monkeypatch):
    (clone / ".venv").mkdir()
    (clone / ".venv" / "letters.txt").write_text("mine")
    answer(monkeypatch, ("sys.version_info", 1))
    with pytest.raises(first_run.Trouble, match="Rename it"):
        first_run.prepare("")
    assert (clone / ".venv" / "letters.txt").read_text() == "mine"


def test_the_demo_runs_the_plain_command(clone, monkeypatch):
    commands = answer(monkeypatch)
    assert first_run.run_demo() == 0
    assert commands.seen == [
        [str(first_run._inside("landings")), "report", "data_demo/plan.toml", "--out", "demo_report"]
    ]


def test_a_failed_demo_is_a_failure(clone, monkeypatch, capsys):
    answer(monkeypatch, ("report", 1))
    monkeypatch.setattr(first_run, "prepare", lambda extra: None)
    assert first_run.main(["demo"]) == 1
    assert "was not made" in capsys.readouterr().err
