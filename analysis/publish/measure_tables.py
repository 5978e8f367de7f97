"""Tables of measures: name, estimate, limits, p; methods stand in lettered notes under the table."""

from __future__ import annotations

import string
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.publish import numbers
from analysis.publish.tables import Table, sentence, table_of
from analysis.stats.result import Effect, Interval

UNITS = {"points": "points", "percentage points": "percentage points", "percent": "%"}


@dataclass(frozen=True)
class Measure:
    """One line: printed cells, the unit of the estimate ("" for a pure number), and which routines it is about."""

    name: str
    estimate: str = ""
    limits: str = ""
    p: str = ""
    method: str = ""
    unit: str = ""
    routines: str = ""


def measure(
    name: str, found: Interval | Effect, unit: str, p: str = "", test: str = "", routines: str = ""
) -> Measure:
    """Return the line of an estimate; `test` is the method of its p-value where that isn't its own."""
    shown_as = numbers.kind(found.quantity, unit)
    return Measure(
        name,
        numbers.amount(found.estimate, shown_as, found.n),
        numbers.limits(found.low, found.high, shown_as, found.n),
        p,
        f"{found.method}; p: {test}" if test else _method(found),
        UNITS.get(shown_as, ""),
        routines,
    )


def _method(found: Interval | Effect) -> str:
    if isinstance(found, Interval):
        return "" if found.method == "none" else found.method
    same = found.interval_method in ("", found.method)
    return found.method if same else f"{found.interval_method}; p: {found.method}"


def shared_unit(units: Sequence[str]) -> tuple[bool, str]:
    """Whether the unit can leave the rows' names, and the note that says it once.

    >>> shared_unit(["points", "", "points"]), shared_unit(["points", "percentage points"])
    ((True, 'Differences are in points.'), (False, ''))
    """
    known = {unit for unit in units if unit}
    if len(known) > 1 or "%" in known:
        return False, ""
    return True, f"Differences are in {known.pop()}." if known else ""


def letters(place: int) -> str:
    """The mark of the note at a place: a, b, ... z, aa, ab, ...

    >>> letters(0), letters(25), letters(26)
    ('a', 'z', 'aa')
    """
    front = letters(place // 26 - 1) if place >= 26 else ""
    return front + string.ascii_lowercase[place % 26]


def lettered(methods: Sequence[str], shared: str = "Method") -> tuple[list[str], str]:
    """Return a mark for each line, and the note that explains the marks; one method for all needs no marks.

    `shared` is what the note begins with in that case.

    >>> lettered(["Koopman", "", "Newcombe", "Koopman"])
    (['a', '', 'b', 'a'], 'a: Koopman. b: Newcombe.')
    >>> lettered(["Newcombe", "Newcombe"])
    (['', ''], 'Method: Newcombe.')
    """
    known = list(dict.fromkeys(method for method in methods if method))
    if len(known) == 1 and all(methods):
        return [""] * len(methods), sentence(known[0], shared)
    mark = {method: letters(place) for place, method in enumerate(known)}
    note = " ".join(f"{mark[method]}: {method.rstrip('. ')}." for method in known)
    return [mark.get(method, "") for method in methods], note


def measures_table(
    key: str,
    title: str,
    level: float,
    measures: Sequence[Measure],
    notes: Sequence[str] = (),
    name: str = "Measure",
) -> Table:
    """Return a table of measures without the columns that would be empty in every line."""
    once, unit_note = shared_unit([item.unit for item in measures])
    units = {item.unit for item in measures}
    everywhere = once and len(units) == 1
    marks, methods = lettered([item.method for item in measures])
    names = [item.name if once or not item.unit else f"{item.name}, {item.unit}" for item in measures]
    estimate = f"Estimate, {units.pop()}" if everywhere and units != {""} else "Estimate"
    columns = [
        (name, names, True),
        ("Routines", [item.routines for item in measures], True),
        (estimate, [item.estimate for item in measures], False),
        (f"{numbers.level(level)} limits", [item.limits for item in measures], False),
        ("p", [item.p for item in measures], False),
        ("Note", marks, True),
    ]
    kept = [column for column in columns if column[0] == name or any(column[1])]
    return table_of(
        key,
        title,
        [header for header, _, _ in kept],
        list(zip(*(cells for _, cells, _ in kept), strict=True)),
        [place for place, (_, _, text) in enumerate(kept) if text],
        ["" if everywhere else unit_note, *notes, methods],
    )
