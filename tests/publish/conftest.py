"""Comparisons of every kind that a report meets, and reports written once for all tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from publish_comparisons import FIVE, FIVE_COUNTS, HOSTILE, NAMES, build, nothing_used

from analysis.comparison.result import Comparison
from analysis.publish.folder import write_report


@pytest.fixture(scope="session")
def variants() -> dict[str, Comparison]:
    """Comparisons of every kind that a report meets."""
    return {
        "five": build(names=FIVE, counts=FIVE_COUNTS),
        "hostile": build(names=HOSTILE),
        "deduction": build(outcome="deduction"),
        "grade": build(outcome="landing grade"),
        "one routine each": build(names=NAMES[:2], counts=((1, 0, 0, 0, 0), (0, 0, 0, 0, 1))),
        "six thousand": build(names=NAMES[:2], counts=((3000, 500, 200, 100, 90), (1500, 400, 150, 70, 30))),
        "nothing used": nothing_used(),
        "twelve": build(
            names=tuple(f"technique number {i} of a long list" for i in range(12)),
            counts=tuple((i, 3, 2, 1, 1) for i in range(12)),
        ),
    }


@pytest.fixture(scope="session")
def comparison() -> Comparison:
    return build()


@pytest.fixture(scope="session")
def hostile() -> Comparison:
    return build(names=HOSTILE, title=r"=1+1 <b>bold</b> $\beta$ & \end{table}")


@pytest.fixture(scope="session")
def report(comparison: Comparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(comparison, tmp_path_factory.mktemp("report") / "autumn")


@pytest.fixture(scope="session")
def hostile_report(hostile: Comparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(hostile, tmp_path_factory.mktemp("hostile") / "autumn")
