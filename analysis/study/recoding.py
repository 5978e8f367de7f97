"""Draw the part of a sheet that is coded twice, and write it without the first codes.

The draw holds every technique and every landing that the sheet shows, so rare ones are over-represented. Among
routines of one technique and one landing all are equally likely: what is said per first code (how often does the
second coder call a fall a fall?) is fair, a plain share over the whole draw leans to the rare codes.
"""

from __future__ import annotations

import json
import operator
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from analysis.shown import Shown
from analysis.study.cells import person
from analysis.study.checks import check
from analysis.study.codebook import NOT_SEEN
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.starting import write_new
from analysis.study.text import key, tidy
from analysis.study.values import cell_text, plain
from analysis.study.workbook import coding_workbook

CARRIED = ("meet", "round", "start order", "athlete", "clip", "date", "apparatus", "routine")
"""What the second coder sees: which routine it is. Codes and scores stay behind (a score tells of the landing)."""
_READ = (*CARRIED, "technique", "landing", "deduction")
_TELL_APART = ("routine", "round", "apparatus", "start order", "date")
_BLOCKED = "can't be used in its own sheet"
_NOT_CODED = "has no technique, or neither landing nor points yet"
_ALIKE = "can't be told apart from another by label, round, apparatus, start order or date"


@dataclass(frozen=True)
class Drawn(Shown):
    """One routine of the draw: its row in the first sheet, its label there, and what it was drawn for."""

    first_row: int
    routine: str
    why: str


@dataclass(frozen=True)
class Draw(Shown):
    """The routines to code again, in the order in which they are coded again.

    `eligible` routines could be drawn, `left_out` says how many could not and why; `absent` are techniques and
    landings of the sheet that the draw has no room for.
    """

    routines: tuple[Drawn, ...]
    eligible: int
    left_out: tuple[tuple[str, int], ...]
    absent: tuple[str, ...]
    seed: int


@dataclass(frozen=True)
class Recoding(Shown):
    """A draw and the files that were written: row i + 2 of the workbook's page Routines is routine i of the draw."""

    sheet: Path
    sheet_sha256: str
    workbook: Path
    key: Path
    draw: Draw

    def to_dict(self) -> dict[str, Any]:
        """As the key file holds it, in strict JSON values; files by their names."""
        draw = self.draw
        return {
            "sheet": self.sheet.name,
            "sheet_sha256": self.sheet_sha256,
            "workbook": self.workbook.name,
            "key": self.key.name,
            "seed": draw.seed,
            "drawn": len(draw.routines),
            "eligible": draw.eligible,
            "left_out": [{"why": why, "routines": count} for why, count in draw.left_out],
            "absent": list(draw.absent),
            "routines": [
                {"row": row, "first_row": item.first_row, "routine": item.routine, "why": item.why}
                for row, item in enumerate(draw.routines, 2)
            ],
        }

    def __str__(self) -> str:
        text = f"{len(self.draw.routines)} of {self.draw.eligible} routines to code again: {self.workbook}"
        text += f"; {self.key.name} links them to {self.sheet.name}: keep it from whoever codes again"
        if self.draw.absent:
            text += f"; no room for {', '.join(self.draw.absent)}"
        return text

    __repr__ = __str__


def recode(sheet: Sheet, out: str | Path, routines: int, seed: int) -> Recoding:
    """Draw routines, write the second coder's workbook and beside it the key file. Nothing is overwritten.

    Parameters
    ----------
    sheet : Sheet
        The first coder's sheet as read.
    out : path
        The workbook to write, ending in .xlsx; the key is NAME_key.json beside it.
    routines, seed : int
        As in `draw_recoding`.

    Raises
    ------
    InputProblem
        When more routines are asked for than there are, or a file is already there.
    """
    return write_recoding(draw_recoding(sheet, routines, seed), sheet, out)


def draw_recoding(sheet: Sheet, routines: int, seed: int) -> Draw:
    """Draw the routines to code again; the same sheet, number and seed give the same draw in the same order.

    One routine of each technique and of each landing comes first, rarest first; a second of each as long as that takes
    no more than half of the draw; all others purely at random.

    Parameters
    ----------
    sheet : Sheet
    routines : int
        How many, from 1. Take it from the width wanted for the interval of the agreement.
    seed : int

    Raises
    ------
    InputProblem
        When the sheet hasn't so many routines that can be coded again.
    """
    wanted = operator.index(routines)
    if wanted < 1:
        raise ValueError(f"routines is {wanted}; at least 1 is drawn")
    texts = {name: _texts(sheet, name) for name in _READ}
    eligible, left_out = _eligible(sheet, texts)
    if wanted > len(eligible):
        others = "".join(f"; {count} {why}" for why, count in left_out)
        problem = f"{len(eligible)} routines can be coded again, and {wanted} were asked for{others}"
        remedy = f"ask for at most {len(eligible)}" if eligible else "code the sheet first"
        raise InputProblem(Problem(str(sheet.path), None, None, None, problem, remedy))
    # One random number a routine (random() is the same in every Python), a second one for the order of coding.
    rng = Random(operator.index(seed))
    first, second = ({row: rng.random() for row in eligible} for _ in range(2))
    order = sorted(eligible, key=lambda row: (first[row], row))
    traits = {
        row: [f"{name} {texts[name][row]}" for name in ("technique", "landing") if texts[name][row]]
        for row in eligible
    }
    counts = Counter(trait for row in order for trait in traits[row])
    rarest = sorted(counts, key=lambda trait: (counts[trait], trait))
    chosen: dict[int, str] = {}
    have: Counter[str] = Counter()

    def take(row: int, why: str) -> None:
        chosen[row] = why
        have.update(traits[row])

    for floor, room in ((1, wanted), (2, wanted // 2)):
        for trait in rarest:
            for row in order:
                if have[trait] >= floor or len(chosen) >= room:
                    break
                if row not in chosen and trait in traits[row]:
                    take(row, trait)
    for row in order:
        if len(chosen) < wanted and row not in chosen:
            take(row, "at random")
    shuffled = sorted(chosen, key=lambda row: (second[row], row))
    return Draw(
        tuple(Drawn(row, texts["routine"][row], chosen[row]) for row in shuffled),
        len(eligible),
        left_out,
        tuple(trait for trait in rarest if not have[trait]),
        operator.index(seed),
    )


def write_recoding(draw: Draw, sheet: Sheet, out: str | Path) -> Recoding:
    """Write a draw: a coding workbook without the first codes, and its key."""
    out = Path(out)
    if out.suffix.casefold() != ".xlsx":
        remedy = f"name it {out.stem or 'recoding'}.xlsx"
        raise InputProblem(
            Problem(str(out), None, None, None, "the workbook to write is an xlsx file", remedy)
        )
    lines = [{name: cell_text(sheet, item.first_row, name) for name in CARRIED} for item in draw.routines]
    book = coding_workbook(sheet.codebook, lines, rows=len(lines), start_list=False)
    key_file = out.with_name(f"{out.stem}_key.json")
    done = Recoding(sheet.path, sheet.sha256, out, key_file, draw)
    text = json.dumps(done.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_new(out.parent, {out.name: book, key_file.name: text.encode()})
    return done


def _eligible(
    sheet: Sheet, texts: Mapping[str, Mapping[int, str]]
) -> tuple[list[int], tuple[tuple[str, int], ...]]:
    """Row numbers that can be drawn, and how many others there are for which reason."""
    blocked = {problem.row for problem in (*sheet.problems, *check(sheet)) if problem.blocks}
    reasons: dict[int, str] = {}
    groups: dict[tuple[str, str], list[int]] = {}
    rows = [int(row) for row in sheet.rows.index]
    for row in rows:
        if row in blocked:
            reasons[row] = _BLOCKED
        elif not _is_coded(sheet, texts, row):
            reasons[row] = _NOT_CODED
        groups.setdefault((key(texts["meet"][row]), person(texts["athlete"][row])), []).append(row)
    for group in groups.values():
        for row in _alike({row: {name: key(texts[name][row]) for name in _TELL_APART} for row in group}):
            reasons.setdefault(row, _ALIKE)
    return [row for row in rows if row not in reasons], tuple(sorted(Counter(reasons.values()).items()))


def _alike(marks: Mapping[int, Mapping[str, str]]) -> set[int]:
    """The rows of one athlete at one meet that nothing known of both tells apart from another one."""
    kinds: dict[tuple[str, ...], list[int]] = {}
    for row, known in marks.items():
        kinds.setdefault(tuple(name for name in _TELL_APART if known[name]), []).append(row)
    found: set[int] = set()
    for one, mine in kinds.items():
        for other, theirs in kinds.items():
            both = [name for name in one if name in other]
            seen = Counter(tuple(marks[row][name] for name in both) for row in theirs)
            itself = 1 if one == other else 0
            found.update(row for row in mine if seen[tuple(marks[row][name] for name in both)] > itself)
    return found


def _texts(sheet: Sheet, name: str) -> dict[int, str]:
    """A column as texts by row number, "" where there is nothing."""
    values = sheet.rows[name] if name in sheet.rows else [None] * len(sheet.rows)
    known = (plain(value) for value in values)
    return {
        int(row): "" if value is None else str(value)
        for row, value in zip(sheet.rows.index, known, strict=True)
    }


def _is_coded(sheet: Sheet, texts: Mapping[str, Mapping[int, str]], row: int) -> bool:
    """Whether there is a first code to compare with: a blank landing is no "not seen" unless the codebook says so."""
    if not texts["technique"][row] or not texts["athlete"][row]:
        return False
    if texts["deduction"][row]:
        return True
    landing = texts["landing"][row]
    if landing == NOT_SEEN:
        return bool(tidy(str(sheet.original.at[row, sheet.headers["landing"]])))
    return bool(landing)
