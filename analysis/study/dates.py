"""Dates as people type them, as 2026-10-03; an order of day and month that can't be told stays unread."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable

from analysis.study.cells import Cell
from analysis.study.text import key, tidy

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]\d{1,2}:\d{2}.*)?")
_PARTS = re.compile(r"(\d{1,2})([-/.])\s?(\d{1,2})\2\s?(\d{4})(?: \d{1,2}:\d{2}.*)?")
_WORDED = re.compile(
    r"(?:(\d{1,2})(?:st|nd|rd|th)? ([a-z]{3,9})|([a-z]{3,9}) (\d{1,2})(?:st|nd|rd|th)?) (\d{4})"
)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def dates(texts: Iterable[str]) -> Callable[[str], Cell]:
    """Return the reader of a date column. 03/10/2026 is read only where other dates show which part is the day."""
    firsts, seconds = set(), set()
    for text in texts:
        found = _PARTS.fullmatch(tidy(text))
        if found and found.group(2) != ".":
            firsts.add(int(found.group(1)))
            seconds.add(int(found.group(3)))
    day_first = any(first > 12 for first in firsts)
    month_first = any(second > 12 for second in seconds)

    def meaning(text: str) -> Cell:
        plain = tidy(text)
        if not plain:
            return Cell(None)
        if found := _ISO.fullmatch(plain):
            return _date(text, int(found.group(1)), int(found.group(2)), int(found.group(3)))
        if found := _WORDED.fullmatch(key(plain).replace(",", "").replace(".", "")):
            day, month = found.group(1) or found.group(4), found.group(2) or found.group(3)
            if month[:3] in _MONTHS:
                return _date(text, int(found.group(5)), _MONTHS.index(month[:3]) + 1, int(day))
        if found := _PARTS.fullmatch(plain):
            first, second, year = int(found.group(1)), int(found.group(3)), int(found.group(4))
            if found.group(2) == "." or first == second or (day_first and not month_first):
                return _date(text, year, second, first)
            if month_first and not day_first:
                return _date(text, year, first, second)
            remedy = f"write it as {year}-{second:02d}-{first:02d} or {year}-{first:02d}-{second:02d}"
            return Cell(None, "", "day and month can't be told apart", remedy)
        return Cell(None, "", "this is not a date that can be read", "write it as 2026-10-03")

    return meaning


def _date(text: str, year: int, month: int, day: int) -> Cell:
    try:
        found = dt.date(year, month, day).isoformat()
    except ValueError:
        return Cell(None, "", "there is no such day", "write the date as 2026-10-03")
    return Cell(found, "" if text == found else "date written as year-month-day")
