"""The value of one cell of a sheet as read, whatever the table keeps it as."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.study.sheet import Sheet


def plain(value: Any) -> str | int | None:
    """Return a cell's value as text or whole number, None where there is none."""
    if value is None or type(value).__name__ == "NAType" or value != value:
        return None
    return value if isinstance(value, str) else int(value)


def cell_text(sheet: Sheet, row: int, name: str) -> str:
    """Return a cell's value as text, "" where there is none or no such column."""
    value = plain(sheet.rows.at[row, name]) if name in sheet.rows else None
    return "" if value is None else str(value)
