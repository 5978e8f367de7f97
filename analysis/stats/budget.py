"""Limits on time and memory, seeds for parallel tasks, and the progress callback.

A budget is passed to a routine, never stored globally. It is counted in work, not in seconds on a clock: whether
an exact algorithm runs or Monte Carlo takes over must not depend on how busy the machine is, or the same sheet
would give two answers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

Progress = Callable[[str, int, int], None]
"""Called as progress(task, done, total); the command line draws a bar, everything else ignores it."""

T = TypeVar("T")


def no_progress(task: str, done: int, total: int) -> None:
    """Ignore progress: the default callback."""


@dataclass(frozen=True)
class Budget:
    """How much work an exact routine may do before it says so and falls back.

    Parameters
    ----------
    operations : float
        Elementary floating-point operations, roughly; 2e10 is some ten seconds on a laptop.
    cells : float
        Largest number of float64 cells held at once (2.5e7 cells are 200 MB).
    draws : int
        Monte Carlo draws of a fallback.
    """

    operations: float = 2e10
    cells: float = 2.5e7
    draws: int = 200_000

    def allows(self, operations: float = 0.0, cells: float = 0.0) -> bool:
        """Whether an exact run of this size fits."""
        return operations <= self.operations and cells <= self.cells


DEFAULT = Budget()


def task_seeds(seed: int, tasks: int) -> list[np.random.SeedSequence]:
    """Independent seeds, one per task, the same whatever the number of processes."""
    return np.random.SeedSequence(seed).spawn(tasks)


def run_tasks(
    function: Callable[..., T],
    arguments: Sequence[tuple[Any, ...]] | Iterable[tuple[Any, ...]],
    jobs: int = 1,
    progress: Progress = no_progress,
    task: str = "",
) -> list[T]:
    """Call `function(*args)` for each tuple, in order of the arguments, on `jobs` processes (1 = in this one)."""
    listed = list(arguments)
    if jobs == 1:
        found = []
        for done, args in enumerate(listed):
            progress(task, done, len(listed))
            found.append(function(*args))
        progress(task, len(listed), len(listed))
        return found
    from joblib import Parallel, delayed  # imported late: most runs need one process

    found = list(Parallel(n_jobs=jobs)(delayed(function)(*args) for args in listed))
    progress(task, len(listed), len(listed))
    return found
