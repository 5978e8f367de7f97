"""rows_used.csv and rows_set_aside.csv: every row of the sheet stands in exactly one of them."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analysis.comparison.result import Comparison
from analysis.publish.spreadsheet import csv_text, guarded

AS_READ = ("technique", "athlete", "meet", "round", "landing", "stuck", "points", "fall")


def rows_header(comparison: Comparison) -> list[str]:
    """Row number and reason, the sheet's own columns, then how the row was read."""
    ours = ["row", "reason"]
    read = [f"{name} as read" for name in AS_READ]
    return [*ours, *(cell_text(name) for name in comparison.original.columns), *read]


def rows_csv(comparison: Comparison, used: bool) -> bytes:
    """The rows that the headline counts, or those set aside with their reasons."""
    table, original = comparison.table, comparison.original
    chosen = table["status"] == "used" if used else table["status"] != "used"
    cells = original.reindex(table.index)[chosen].itertuples(index=True, name=None)
    read = table[chosen]
    lines: list[Sequence[str]] = [[guarded(name) for name in rows_header(comparison)]]
    columns = [read["reason"], *(read[name] for name in AS_READ)]
    for (row, *given), (reason, *known) in zip(cells, zip(*columns, strict=True), strict=True):
        known[AS_READ.index("points")] = _points(known[AS_READ.index("points")])
        texts = [cell_text(row), cell_text(reason), *map(cell_text, given), *map(cell_text, known)]
        lines.append([guarded(text) for text in texts])
    return csv_text(lines)


def cell_text(value: object) -> str:
    """A cell as it was; what is missing is empty."""
    return "" if pd.isna(value) else str(value)  # type: ignore[call-overload]


def _points(value: object) -> str:
    """Thousandths of a point as points."""
    text = cell_text(value)
    return text and f"{int(float(text)) / 1000:g}"
