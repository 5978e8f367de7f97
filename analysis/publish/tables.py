"""Tables as data: one object holds the printed cells, and every format renders that object.

Because a cell is rounded once, here, the web page, Word, LaTeX, the workbook and the csv can't show two values for
one number. Only the sections that the comparison has are made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.style import ENGLISH, NumberStyle, current

MOST_LINES = 40
"""A table of who did what with more lines than this names meets only, or else rounds only."""
MOST_TOLD_APART = 4
"""Athletes with so many routines or more share a line."""


Align = Literal["left", "right", "decimal"]


@dataclass(frozen=True)
class Table:
    """One table: `rows` are printed cells, the first of each is the row's name; `numeric` columns align right.

    `style` is the number style that the cells were written in; whoever renders the table needs no other.
    """

    key: str
    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    notes: tuple[str, ...] = ()
    style: NumberStyle = ENGLISH

    @property
    def align(self) -> tuple[Align, ...]:
        """How each column stands: text left, numbers right, and at the decimal mark where a number has one."""
        return tuple(self._align(place) for place in range(len(self.header)))

    def _align(self, column: int) -> Align:
        if not self.numeric[column]:
            return "left"
        return "decimal" if any(self.halves(row[column])[1] for row in self.rows) else "right"

    def halves(self, cell: str) -> tuple[str, str]:
        """Split a number before its decimal mark: ("−0", ".36"); anything else is (cell, "").

        A p-value that is only bounded, "< .001", is split as well, so that it lines up with the others.
        """
        number = cell.removeprefix("< ").removeprefix("> ")
        if self.style.decimal not in number or numbers.machine(number, self.style) is None:
            return cell, ""
        place = cell.index(self.style.decimal)
        return cell[:place], cell[place:]


def table_of(
    key: str,
    title: str,
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    text_columns: Sequence[int] = (0,),
    notes: Sequence[str] = (),
) -> Table:
    """Make a table whose columns are numeric except those listed; empty notes are left out."""
    numeric = tuple(i not in text_columns for i in range(len(header)))
    if any(len(row) != len(header) for row in rows):
        raise ValueError(f"table {key!r}: a row doesn't have the {len(header)} cells of its header")
    return Table(
        key,
        title,
        tuple(header),
        tuple(tuple(row) for row in rows),
        numeric,
        tuple(note for note in notes if note),
        current(),
    )


def sentence(text: str, about: str = "") -> str:
    """A remark as a sentence of its own: a capital, one full stop, what it is about in front; "" stays ""."""
    if not text:
        return ""
    words = f"{about}: {text}" if about else text
    return numbers.capital(words.rstrip(". ")) + "."


def best_words(comparison: Comparison) -> str:
    """What `x` counts, as a column header."""
    outcome = comparison.question.outcome
    if outcome == "stuck":
        return "Stuck"
    if outcome == "deduction":
        return "No deduction"
    return f"Best landing ({comparison.grade_names[0]})" if comparison.grade_names else "Best landing"


def used_rows(comparison: Comparison) -> pd.DataFrame:
    """Return the rows that the headline counts."""
    return comparison.table[comparison.table["status"] == "used"]


def rows_table(comparison: Comparison) -> Table:
    """Where the rows of the sheet went."""
    rows = comparison.rows
    lines = [
        ("Rows in the sheet", numbers.whole(rows.read)),
        ("Used in the headline", numbers.whole(rows.used)),
        ("Set aside", numbers.whole(rows.set_aside)),
        *((f"Set aside: {item.reason}", numbers.whole(item.rows)) for item in rows.reasons),
        ("Spellings and formats repaired", numbers.whole(rows.repairs)),
        ("Remarks by the checks", numbers.whole(rows.problems)),
    ]
    notes = (
        "Every row is listed once, in rows_used.csv or in rows_set_aside.csv, the latter with its reason. A cell there "
        "that a spreadsheet could take for a formula has an apostrophe in front.",
    )
    return table_of("rows", "Where the rows of the sheet went", ("Rows", "Number"), lines, notes=notes)


def who_table(comparison: Comparison) -> Table:
    """Routines of each technique by meet and round, then athletes and those who come back."""
    used = used_rows(comparison)
    names = comparison.question.techniques
    meets, rounds = (used[name].map(_text) for name in ("meet", "round"))
    if not rounds.any():
        by, place = "Meet", meets
    else:
        by, place = "Meet and round", meets + ", " + rounds
        if place.nunique() > MOST_LINES:
            by, place = ("Meet", meets) if meets.nunique() <= MOST_LINES else ("Round", rounds)
    if place.nunique() > MOST_LINES:
        by, place = "Meet", pd.Series("all meets", index=used.index)
    # Meets in the order of the sheet, and within a meet its rounds.
    first_seen = {name: i for i, name in enumerate(dict.fromkeys(meets))}
    order = {name: (first_seen[meet], i) for i, (name, meet) in enumerate(zip(place, meets, strict=True))}
    lines = []
    for value in sorted(dict.fromkeys(place), key=lambda name: order[name]):
        here = used.loc[place == value, "technique"]
        counts = [int((here == name).sum()) for name in names]
        lines.append((value or "not named", *(numbers.whole(c) for c in counts), numbers.whole(sum(counts))))
    per = [used[used["technique"] == name] for name in names]
    routines = [numbers.whole(len(frame)) for frame in (*per, used)]
    athletes = [numbers.whole(frame["athlete"].nunique()) for frame in (*per, used)]
    lines += [("All routines", *routines), ("Athletes", *athletes), *_athletes_by_routines([*per, used])]
    note = (
        "Routines that the headline counts, and athletes by how many of these they showed: an athlete who shows two "
        "techniques is counted under each, and under “All” with the routines of both."
    )
    return table_of(
        "who_did_what", "Routines and athletes by technique", (by, *names, "All"), lines, notes=(note,)
    )


def _athletes_by_routines(frames: Sequence[pd.DataFrame]) -> list[tuple[str, ...]]:
    """How many athletes have one routine, two, three, and more than that, in each frame."""
    shown = [frame["athlete"].value_counts() for frame in frames]
    most = max((int(counts.max()) for counts in shown if len(counts)), default=0)
    lines = []
    for many in range(1, min(most, MOST_TOLD_APART) + 1):
        last = many == MOST_TOLD_APART and most > many
        name = f"Athletes with {many}{' or more' if last else ''} {'routine' if many == 1 else 'routines'}"
        cells = [int(((counts >= many) if last else (counts == many)).sum()) for counts in shown]
        lines.append((name, *map(numbers.whole, cells)))
    return lines


def _text(value: object) -> str:
    return "" if value is None or value is pd.NA or value != value else str(value)


def rates_table(comparison: Comparison) -> Table:
    """Count and rate of each technique with its interval; the mean deduction where that is the outcome."""
    groups = comparison.groups
    level = numbers.level(comparison.question.level)
    best = best_words(comparison)
    means = any(group.mean is not None for group in groups)
    header = ["Technique", best, "Rate, %", f"{level} limits, %", "Athletes"]
    if means:
        header += ["Mean deduction, points", f"{level} limits, points"]
    lines = []
    for group in groups:
        line = [
            group.name,
            numbers.of(group.x, group.n),
            _rate(group.x, group.n),
            numbers.limits(group.low, group.high, "percent", group.n) if group.n else numbers.NOT_ESTIMATED,
            numbers.whole(group.athletes),
        ]
        if means:
            line += [
                numbers.points(group.mean),
                numbers.limits(group.mean_low, group.mean_high, "points", group.n),
            ]
        lines.append(line)
    methods = "; ".join(dict.fromkeys(group.method for group in groups if group.method))
    smaller = [group for group in groups if group.n and group.effective_n < group.n - 0.05]
    notes = [f"Limits: {methods}." if methods else ""]
    if smaller:
        counted = ", ".join(
            f"{g.name} {numbers.decimal(g.effective_n, 1 if g.n < 100 else 0)} instead of {g.n}"
            for g in smaller
        )
        notes.append(
            f"Because athletes come back, the limits rest on an effective number of routines: {counted}."
        )
    notes += [sentence(group.why, group.name) for group in groups if group.why]
    title = {"stuck": "Stuck landings", "deduction": "Landing deduction"}.get(
        comparison.question.outcome, "Best landings"
    )
    return table_of("rates", f"{title} by technique", header, lines, notes=notes)


def _rate(x: int, n: int) -> str:
    if n == 0:
        return numbers.NOT_ESTIMATED
    return numbers.amount(x / n, "percent", n)


def landings_table(comparison: Comparison) -> Table | None:
    """How often each technique landed in each category, best first."""
    names = comparison.question.techniques
    counts = {(item.technique, item.grade): item.routines for item in comparison.grades}
    grades = [grade for grade in comparison.grade_names if any(key[1] == grade for key in counts)]
    if not counts:
        return None
    lines = []
    for name in names:
        row = [counts.get((name, grade), 0) for grade in grades]
        lines.append((name, *(numbers.whole(c) for c in row), numbers.whole(sum(row))))
    return table_of("landings", "Landings by technique, best first", ("Technique", *grades, "All"), lines)
