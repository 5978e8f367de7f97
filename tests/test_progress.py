"""A run that takes more than a second shows how far it is: on stderr, and only where that is a terminal."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.console import Bar

DEMO = Path(__file__).resolve().parent.parent / "data_demo" / "plan.toml"


class Terminal(io.StringIO):
    """A stderr that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_nothing_is_shown_where_stderr_is_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = io.StringIO()
    monkeypatch.setattr(sys, "stderr", plain)
    bar = Bar()
    bar("comparing", 0, 2)
    time.sleep(1.1)
    bar("comparing", 1, 2)
    assert plain.getvalue() == ""


def test_a_task_of_more_than_a_second_is_named_and_cleared(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    bar = Bar()
    bar("comparing", 0, 2)
    assert "comparing" not in screen.getvalue()
    time.sleep(1.1)
    bar("comparing", 1, 2)
    assert "comparing" in screen.getvalue()
    bar("comparing", 2, 2)
    assert screen.getvalue().rsplit("\r", 1)[-1].strip() == ""


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminal on this system")
def test_a_report_shows_progress_on_a_terminal_and_its_answer_on_stdout(tmp_path: Path) -> None:
    import pty
    import termios

    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))  # a terminal without a width has no room for a bar
    command = [sys.executable, "-m", "analysis.cli", "report", str(DEMO), "--out", str(tmp_path / "report")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs) as run:
        os.close(theirs)
        shown = bytearray()
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # the other end is closed: how Linux says that nothing more will come
                break
            if not piece:
                break
            shown += piece
        answer = run.stdout.read() if run.stdout is not None else b""
    os.close(ours)
    assert run.returncode == 0
    assert answer.decode().startswith("These routines do not show")
    assert b"figures" in shown
    assert b"The report is in" in shown
