"""First run: make what the project needs, then the demo report or the tests.

    python3 -m analysis.first_run demo
    python3 -m analysis.first_run tests

Uses the standard library only and is read by old Pythons too, so that they can say which one is needed. It
makes the folder `.venv` beside the README, installs the project there with pip and runs everything inside it;
nothing outside this folder changes and nothing needs to be activated.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

NEEDED = (3, 11)
ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
STAMP = VENV / "landing-outcomes.json"
DEMO_PLAN = "data_demo/plan.toml"
DEMO_FOLDER = "demo_report"
EXTRAS = {"demo": "", "tests": "test"}


class Trouble(Exception):  # noqa: N818 - it is told to the user as it is
    """Something that stops the first run; its text says what to do."""


def main(arguments: list) -> int:
    """Run one task: 0 good, 1 something is missing or failed (said in words), 2 wrong usage."""
    if sys.version_info < NEEDED:
        print(_too_old(), file=sys.stderr)
        return 1
    if len(arguments) != 1 or arguments[0] not in EXTRAS:
        print(
            "usage: python3 -m analysis.first_run demo\n       python3 -m analysis.first_run tests",
            file=sys.stderr,
        )
        return 2
    task = arguments[0]
    try:
        prepare(EXTRAS[task])
        return run_demo() if task == "demo" else run_tests()
    except Trouble as trouble:
        print(str(trouble), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("Stopped. The same command goes on from here.", file=sys.stderr)
        return 1


def prepare(extra: str) -> None:
    """Make `.venv` and install the project with the extra, unless the last run left exactly that."""
    wanted = _wanted(extra)
    if _left_by_last_run(extra):
        return
    if not _runs():
        _make_venv()
    what = ".[" + extra + "]" if extra else "."
    _say("Installing into .venv (once; a minute or more, and it needs the network) ...")
    done = _run(
        [*_pip(), "install", "--quiet", "--disable-pip-version-check", "--editable", what], quiet=True
    )
    if done.returncode != 0:
        raise Trouble(
            done.stderr.strip()[-3000:]
            + "\n\nThe installation failed; pip's own words are above. Is there a "
            "network, and does it need a proxy? (pip reads HTTPS_PROXY.) The same command tries again."
        )
    STAMP.write_text(json.dumps(wanted, indent=1) + "\n", encoding="utf-8")


def run_demo() -> int:
    """Make the demo report; the command itself says what was found and where the page is."""
    _say("Making the report from " + DEMO_PLAN + " ...")
    done = _run([str(_inside("landings")), "report", DEMO_PLAN, "--out", DEMO_FOLDER])
    if done.returncode != 0:
        raise Trouble("The demo report was not made (see above).")
    return 0


def run_tests() -> int:
    """Run the tests, on as many cores as there are up to four."""
    _say("Running the tests (some minutes) ...")
    return _run([str(_inside("python")), "-m", "pytest", "-n", "auto", "--maxprocesses", "4"]).returncode


def _too_old() -> str:
    running = ".".join(str(part) for part in sys.version_info[:3])
    text = (
        "This project needs Python 3.11 or newer; this is Python " + running + " (" + sys.executable + ").\n"
    )
    for minor in (13, 12, 11):
        name = "python3." + str(minor)
        if shutil.which(name) and subprocess.call([name, "-c", ""], stderr=subprocess.DEVNULL) == 0:
            return text + "You have a newer one: " + name + " -m analysis.first_run demo"
    return (
        text
        + "Install one from python.org (or with your system's package tool) and run the same command with it."
    )


def _wanted(extra: str) -> dict:
    """What the installed state depends on: the project file, the folder, the Python and the extra."""
    return {
        "pyproject": hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest(),
        "folder": str(ROOT),
        "python": ".".join(str(part) for part in sys.version_info[:2]),
        "extra": extra,
    }


def _left_by_last_run(extra: str) -> bool:
    """Whether `.venv` holds what is wanted; what was installed for the tests also serves the demo."""
    try:
        left = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return left in (_wanted(extra), _wanted(EXTRAS["tests"])) and _runs()


def _runs() -> bool:
    """Whether the environment's Python runs and is the same version as this one."""
    version = "import sys; print('%d.%d' % sys.version_info[:2])"
    try:
        done = _run([str(_inside("python")), "-c", version], quiet=True)
    except OSError:
        return False
    return done.returncode == 0 and done.stdout.strip() == ".".join(
        str(part) for part in sys.version_info[:2]
    )


def _make_venv() -> None:
    """Make `.venv`, with pip where this Python can; Debian's Python can't without a further package."""
    if VENV.exists():
        if not (VENV / "pyvenv.cfg").is_file():
            raise Trouble("There is a .venv here that is not a Python environment. Rename it and try again.")
        shutil.rmtree(VENV)
    _say("Making .venv ...")
    made = _run([sys.executable, "-m", "venv", str(VENV)], quiet=True)
    if made.returncode != 0:
        shutil.rmtree(VENV, ignore_errors=True)
        made = _run([sys.executable, "-m", "venv", "--without-pip", str(VENV)], quiet=True)
    if made.returncode != 0:
        raise Trouble(made.stdout + made.stderr + "\nPython could not make the folder .venv (see above).")


def _pip() -> list:
    """Pip in the environment, or else this Python's pip working on it."""
    own = [str(_inside("python")), "-m", "pip"]
    if _run([*own, "--version"], quiet=True).returncode == 0:
        return own
    outer = [sys.executable, "-m", "pip", "--python", str(_inside("python"))]
    if _run([*outer, "--version"], quiet=True).returncode == 0:
        return outer
    raise Trouble(
        "This Python has neither ensurepip nor a pip of version 22.3 or newer. On Debian and Ubuntu the "
        "package python3-venv or python3-pip brings one; the Python from python.org has both."
    )


def _inside(program: str) -> Path:
    """Path of a program inside the environment, on this system."""
    return VENV / "Scripts" / (program + ".exe") if os.name == "nt" else VENV / "bin" / program


def _run(command: list, quiet: bool = False) -> "subprocess.CompletedProcess[str]":
    """Run a command in the project folder; `quiet` keeps its output for a message."""
    environment = dict(os.environ, PYTHONUTF8="1")
    environment.pop("PYTHONHOME", None)
    return subprocess.run(
        command,
        cwd=str(ROOT),
        env=environment,
        text=True,
        encoding="utf-8",
        errors="replace",
        capture_output=quiet,
    )


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    if hasattr(sys.stdout, "reconfigure"):  # a redirected Windows console may know fewer characters
        sys.stdout.reconfigure(errors="replace")
    sys.exit(main(sys.argv[1:]))
