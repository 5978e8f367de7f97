"""Competition landing-outcome statistics for the coach-researcher.

The public names load on first use, so that `import analysis` and `landings --help` stay instant and need
nothing but the standard library.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.comparison.result import Comparison
    from analysis.comparison.run import compare
    from analysis.publish.folder import write_report
    from analysis.study.plan import read_plan
    from analysis.study.sheet import read_sheet

__version__ = "0.1.0"

_HOMES = {
    "read_sheet": "analysis.study.sheet",
    "read_plan": "analysis.study.plan",
    "compare": "analysis.comparison.run",
    "Comparison": "analysis.comparison.result",
    "write_report": "analysis.publish.folder",
}

__all__ = ["Comparison", "__version__", "compare", "read_plan", "read_sheet", "write_report"]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted(__all__)
