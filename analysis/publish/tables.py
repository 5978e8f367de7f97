"""Tables as data: one object holds the printed cells, and every format renders that object.

Because a cell is rounded once, here, the web page, Word, LaTeX, the workbook and the csv can't show two values for
one number. Only the sections that the comparison has are made.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.comparison.result import Comparison, Group
from analysis.publish import numbers
from analysis.stats.result import Effect, Interval, Test

MOST_LINES = 40
"""A table of who did what with more lines than this names meets only, or else rounds only."""


@dataclass(frozen=True)
class Table:
    """One table: `rows` are printed cells, the first of each is the row's name; `numeric` columns align right."""

    key: str
    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    notes: tuple[str, ...] = ()


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
    returning = [numbers.whole(int((frame["athlete"].value_counts() > 1).sum())) for frame in (*per, used)]
    lines += [
        ("All routines", *routines),
        ("Athletes", *athletes),
        ("Athletes with more than one routine", *returning),
    ]
    note = "Routines that the headline counts. An athlete who shows two techniques is counted under each."
    return table_of(
        "who_did_what", "Routines and athletes by technique", (by, *names, "All"), lines, notes=(note,)
    )


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
            f"{g.name} {numbers.words.decimal(g.effective_n, 1 if g.n < 100 else 0)} instead of {g.n}"
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


def measure_line(name: str, found: Interval | Effect, unit: str, p: str) -> tuple[str, ...]:
    """One line of a table of measures: name with unit, estimate, limits, p, method."""
    shown_as = numbers.kind(found.quantity, unit)
    unit_words = {
        "points": ", points",
        "percentage points": ", percentage points",
        "percent": ", %",
    }.get(shown_as, "")
    return (
        f"{name}{unit_words}",
        numbers.amount(found.estimate, shown_as, found.n),
        numbers.limits(found.low, found.high, shown_as, found.n),
        p,
        _method(found),
    )


def _method(found: Interval | Effect) -> str:
    if isinstance(found, Interval):
        return found.method
    same = found.interval_method in ("", found.method)
    return found.method if same else f"{found.interval_method}; p: {found.method}"


def contrast_header(level: float) -> tuple[str, ...]:
    """Header of every table of measures."""
    return ("Measure", "Estimate", f"{numbers.level(level)} limits", "p", "Method")


def contrast_table(comparison: Comparison) -> Table:
    """The planned contrast: the headline's difference and test first, other measures and tests below."""
    head, beside, level = comparison.headline, comparison.beside, comparison.question.level
    p = numbers.p_value(head.test.p_value) if head.test else "–"
    test = head.test.method if head.test else ""
    lines: list[tuple[str, ...]] = []
    if head.interval is not None:
        name, estimate, limits, _, method = measure_line(
            numbers.capital(head.interval.quantity), head.interval, head.unit, p
        )
        lines.append((f"{name} (headline)", estimate, limits, p, f"{method}; p: {test}" if test else method))
    else:
        lines.append(("Difference (headline)", numbers.NOT_ESTIMATED, numbers.NOT_ESTIMATED, p, test))
    lines += [measure_line(numbers.capital(item.quantity), item, head.unit, "") for item in beside.intervals]
    lines += [
        (item.method, "", "", numbers.p_value(item.p_value), f"test of no difference{_side(item)}")
        for item in beside.tests
    ]
    if head.test is not None and not math.isnan(head.test.mid_p):
        lines.insert(
            1, ("Mid-p of the headline's test", "", "", numbers.p_value(head.test.mid_p), head.test.method)
        )
    counts = {group.name: _counted(comparison, group) for group in comparison.groups}
    notes = [
        f"First technique: {head.first} ({counts[head.first]}). Second: {head.second} ({counts[head.second]}). "
        "Differences are first minus second, ratios first over second.",
        "One-sided question: the interval's other limit is the edge of the scale."
        if comparison.question.sides != "two"
        else "",
        sentence(head.interval_why, "No interval") if head.interval is None else "",
        sentence(head.p_why, "No p-value") if head.test is None else "",
        head.disagreement,
        f"The smallest p-value that this design could reach: {numbers.p_value(head.test.smallest)}."
        if head.test is not None and head.test.smallest is not None
        else "",
        _remarks([head.interval, head.test, *beside.intervals, *beside.tests]),
        f"Lines below the headline: {beside.note[:1].lower()}{beside.note[1:]}" if beside.note else "",
    ]
    return table_of(
        "contrast",
        numbers.capital(f"{head.first} against {head.second}"),
        contrast_header(level),
        lines,
        (0, 4),
        notes,
    )


def _counted(comparison: Comparison, group: Group) -> str:
    if comparison.question.outcome == "deduction":
        return f"{numbers.whole(group.n)} routines"
    return f"{best_words(comparison).lower()} {numbers.of(group.x, group.n)}"


def _side(test: Test) -> str:
    return "" if test.alternative == "two-sided" else f", one-sided ({test.alternative})"


def _remarks(found: Sequence[Interval | Test | None]) -> str:
    """What the results themselves say about a value that is missing, approximate or drawn."""
    said = [sentence(item.why, item.method) for item in found if item is not None and item.why]
    said += [
        f"{item.method}: {numbers.whole(item.draws)} random draws, standard error of p {numbers.points(item.error)}."
        for item in found
        if isinstance(item, Test) and item.draws
    ]
    return " ".join(dict.fromkeys(said))


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
