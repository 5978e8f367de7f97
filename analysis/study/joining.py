"""Join rows of several sheets to routines, one sheet after the other; the rules of `coders.pair` at work.

Two rows fit each other when nothing that is known of both contradicts. A pair is made where each fits no other row, and
what is left over by elimination isn't paired: it isn't proved.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.study.cells import person
from analysis.study.sheet import Sheet
from analysis.study.text import key
from analysis.study.values import cell_text, plain

WHO_AND_WHERE = ("meet", "round", "athlete", "apparatus")
"""The weaker key, used where a routine has no label; start order and date tell apart what it leaves alike."""
_MARKS = (*WHO_AND_WHERE, "start order", "date")
_SAME: dict[str, Callable[[str], str]] = {"athlete": person, "routine": person}

Edge = tuple[int, int]
"""A routine found so far (its place) and a row of the sheet that is being joined, which fit each other."""


@dataclass
class Slot:
    """A routine while sheets are joined: its row in each sheet, and what is known of who showed it where."""

    rows: dict[int, int]
    marks: dict[str, str]
    by: tuple[str, ...] = ()
    weaker: bool = False


class Joining:
    """The routines found so far (`slots`), and for rows that could not be paired the reason (`reasons`)."""

    def __init__(self, sheets: Sequence[Sheet], names: Sequence[str]) -> None:
        from analysis.study.checks import check  # late: its rules look at cells as this file does

        self.sheets, self.names = sheets, names
        self.marks = [_marks(sheet) for sheet in sheets]
        self.reasons: dict[tuple[int, int], str] = {}
        self.notes: list[str] = []
        for place, sheet in enumerate(sheets):
            for problem in (*sheet.problems, *check(sheet)):
                if problem.blocks and problem.row is not None:
                    self.reasons.setdefault((place, problem.row), problem.problem)
        self.slots = [Slot({0: row}, self.marks[0][row]) for row in self._usable(0)]

    def _usable(self, place: int) -> list[int]:
        return [row for row in self.marks[place] if (place, row) not in self.reasons]

    def add(self, place: int) -> None:
        """Join one more sheet; its rows that fit no routine become routines of their own."""
        self.place, self.rows = place, self._usable(place)
        self.free_slots, self.free_rows = set(range(len(self.slots))), set(self.rows)
        known = [slot.marks for slot in self.slots]
        mine = [self.marks[place][row] for row in self.rows]
        # Where a sheet holds one round (or apparatus) throughout, it is no loss that the other doesn't name it.
        self.several = {name: (_values(known, name), _values(mine, name)) for name in ("round", "apparatus")}
        theirs, ours = ({m["routine"] for m in marks if "routine" in m} for marks in (known, mine))
        self.labelled = bool(theirs & ours)
        if self.labelled:
            self._by_label(theirs & ours)
        elif theirs and ours:
            self.notes.append(
                f"No routine label of {self.names[place]} stands in another sheet, so labels were taken to be each "
                "coder's own, and rows were paired by who showed them where and when."
            )
        self._by_who_and_where()
        self.slots += [
            Slot({place: row}, self.marks[place][row]) for row in self.rows if row in self.free_rows
        ]

    def _by_label(self, labels: set[str]) -> None:
        slots = _grouped((slot.marks.get("routine"), i) for i, slot in enumerate(self.slots))
        rows = _grouped((self._mark(row).get("routine"), row) for row in self.rows)
        for label in (label for label in rows if label in labels):
            # A label that each athlete has ("1", "2") is looked up among the athlete's own.
            own = _grouped((_who(self.slots[i].marks), i) for i in slots[label])
            edges = []
            for row in rows[label]:
                who = _who(self._mark(row))
                near = slots[label] if who is None else [*own.get(who, ()), *own.get(None, ())]
                edges += [(i, row) for i in near if not self._conflict(i, row)]
            alone = len(slots[label]) == len(rows[label]) == 1
            if alone and not edges:
                self._doubt(slots[label][0], rows[label][0])
            for i, row in _only(edges):
                self._join(
                    i, row, ("routine",) if alone else ("routine", *self._shared(i, row)), weaker=False
                )
            self._ambiguous(edges, f'label "{self._shown(rows[label][0], "routine")}"')

    def _by_who_and_where(self) -> None:
        at = _grouped((_who(slot.marks), i) for i, slot in enumerate(self.slots))
        edges: list[Edge] = []
        near: list[Edge] = []
        for row in self.rows:
            who = _who(self._mark(row))
            for i in at.get(who, ()) if who is not None else ():
                other = self._labels_differ(i, row) or self._conflict(i, row) or self._one_sided(i, row)
                (near if other else edges).append((i, row))
        exact = [
            (i, row)
            for i, row in edges
            if all((name in self.slots[i].marks) == (name in self._mark(row)) for name in _MARKS)
        ]
        for certain in (_only(exact), _only(edges)):
            for i, row in certain:
                if i in self.free_slots and row in self.free_rows:
                    self._join(i, row, self._shared(i, row), weaker=True)
        self._ambiguous(edges, "what is known of athlete, meet and round")
        for i, row in near:
            free = i in self.free_slots and row in self.free_rows
            # Another round or apparatus is another routine; another start order or label of the same one is a doubt.
            if free and self._conflict(i, row) not in WHO_AND_WHERE:
                self._doubt(i, row)

    def _join(self, i: int, row: int, by: tuple[str, ...], weaker: bool) -> None:
        slot = self.slots[i]
        slot.marks = {**self._mark(row), **slot.marks}
        slot.rows[self.place] = row
        slot.by = by if weaker or not slot.by else slot.by
        slot.weaker = slot.weaker or weaker
        self.free_slots.discard(i)
        self.free_rows.discard(row)

    def _mark(self, row: int) -> dict[str, str]:
        return self.marks[self.place][row]

    def _shared(self, i: int, row: int) -> tuple[str, ...]:
        return tuple(name for name in _MARKS if name in self._mark(row) and name in self.slots[i].marks)

    def _labels_differ(self, i: int, row: int) -> bool:
        mine, theirs = self._mark(row).get("routine"), self.slots[i].marks.get("routine")
        return self.labelled and mine is not None and theirs is not None and mine != theirs

    def _conflict(self, i: int, row: int) -> str:
        """Return the first column in which both are known and differ, "" where there is none."""
        mine, theirs = self._mark(row), self.slots[i].marks
        return next((n for n in _MARKS if n in mine and n in theirs and mine[n] != theirs[n]), "")

    def _one_sided(self, i: int, row: int) -> str:
        """Return the column that only one of the two names although that side has several values in it."""
        for name, (theirs, mine) in self.several.items():
            there = name in self.slots[i].marks
            if there != (name in self._mark(row)) and (theirs if there else mine) > 1:
                return name
        return ""

    def _doubt(self, i: int, row: int) -> None:
        """Give both the reason why they are no pair although they may be one routine."""
        (place, first), *_ = self.slots[i].rows.items()
        pair = f"{self._there(i)} and {self._here(row)}"
        label = self._mark(row).get("routine")
        alike = self.labelled and label is not None and label == self.slots[i].marks.get("routine")
        name = self._conflict(i, row) or ("routine" if self._labels_differ(i, row) else "")
        if name:
            shown = cell_text(self.sheets[place], first, name) or self.slots[i].marks[name]
            why = (
                f"{pair} have {'the same label' if alike else 'athlete, meet and round in common'}, but "
                f'{"label" if name == "routine" else name} is "{shown}" there and "{self._shown(row, name)}" here'
            )
        else:
            why = f"{pair} may be one routine, but only one of them names the {self._one_sided(i, row)}"
        for at in (*self.slots[i].rows.items(), (self.place, row)):
            self.reasons.setdefault(at, why)

    def _ambiguous(self, edges: Sequence[Edge], what: str) -> None:
        """Say of each row that fits something and was not paired what fits it."""
        of_slot, of_row = _grouped(edges), _grouped((row, i) for i, row in edges)
        for i, rows in of_slot.items():
            if i in self.free_slots:
                # The slot alone is unpaired, so at least two rows fit it, or its only one fits another too.
                fits = list(dict.fromkeys([i, *(j for row in rows for j in of_row[row])]))
                for at in self.slots[i].rows.items():
                    self.reasons.setdefault(at, self._fits(what, fits, rows))
        for row, slots in of_row.items():
            if row in self.free_rows:
                fits = list(dict.fromkeys([row, *(r for i in slots for r in of_slot[i])]))
                self.reasons.setdefault((self.place, row), self._fits(what, slots, fits))

    def _fits(self, what: str, slots: Sequence[int], rows: Sequence[int], most: int = 6) -> str:
        places = [*(self._there(i) for i in slots), *(self._here(row) for row in rows)]
        more = f" and {len(places) - most} more" if len(places) > most else ""
        return f"more than one pair is possible by {what}: {', '.join(places[:most])}{more}"

    def _there(self, i: int) -> str:
        (place, row), *_ = self.slots[i].rows.items()
        return f"row {row} of {self.names[place]}"

    def _here(self, row: int) -> str:
        return f"row {row} of {self.names[self.place]}"

    def _shown(self, row: int, name: str) -> str:
        return cell_text(self.sheets[self.place], row, name)


def _grouped(pairs: Iterable[tuple[Any, int]]) -> dict[Any, list[int]]:
    groups: dict[Any, list[int]] = defaultdict(list)
    for name, item in pairs:
        groups[name].append(item)
    return groups


def _who(marks: dict[str, str]) -> tuple[str, str] | None:
    return (marks["meet"], marks["athlete"]) if "meet" in marks and "athlete" in marks else None


def _values(marks: Sequence[dict[str, str]], name: str) -> int:
    return len({mark[name] for mark in marks if name in mark})


def _only(edges: Sequence[Edge]) -> list[Edge]:
    """Return the edges both of whose ends have no other edge."""
    slots, rows = Counter(i for i, _ in edges), Counter(row for _, row in edges)
    return [(i, row) for i, row in edges if slots[i] == rows[row] == 1]


def _marks(sheet: Sheet) -> dict[int, dict[str, str]]:
    """Return for each row what identifies it, in the form in which it is compared; blanks are left out."""
    found: dict[int, dict[str, str]] = {int(row): {} for row in sheet.rows.index}
    for name in ("routine", *_MARKS):
        if name in sheet.rows:
            same = _SAME.get(name, key)
            for row, value in sheet.rows[name].items():
                if plain(value) is not None and same(str(value)):
                    found[int(row)][name] = same(str(value))  # type: ignore[call-overload]
    return found
