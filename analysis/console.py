"""What every command shares: messages, JSON, problems as exit codes, and the progress bar."""

from __future__ import annotations

import functools
import json
import sys
import time
from collections.abc import Callable
from typing import Any

import click

EXIT_PROBLEM = 1


def say(text: str) -> None:
    """Print a message for a person, on stderr."""
    click.echo(text, err=True)


def give(value: Any) -> None:
    """Print machine-readable output on stdout."""
    click.echo(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False))


def names_problems(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn a problem of the input into its message and exit code 1; with --json also into JSON."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        from analysis.study.problem import InputProblem

        try:
            return command(*args, **kwargs)
        except InputProblem as found:
            if kwargs.get("as_json"):
                give({"problems": [problem.to_dict() for problem in found.problems]})
            for problem in found.problems:
                say(str(problem))
            sys.exit(EXIT_PROBLEM)

    return run


QUIET = 1.0
"""Seconds. A run that is over by then shows no bar at all."""


class Bar:
    """A progress bar on stderr; silent where stderr is not a terminal."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.bar: Any = None

    def __call__(self, task: str, done: int, total: int) -> None:
        """Show how far a task is; the bar goes when it is done."""
        if not sys.stderr.isatty() or (self.bar is None and time.monotonic() - self.began < QUIET):
            return
        if self.bar is None:
            from tqdm import tqdm

            self.bar = tqdm(total=total, file=sys.stderr, leave=False, bar_format="{desc} {bar:30}")
        self.bar.total = total
        self.bar.n = done
        self.bar.set_description_str(task)
        if done >= total:
            self.bar.close()
            self.bar = None


json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON on stdout.")
