"""Clean sheets whose truth is known, spoiled by what coaches, phones and spreadsheets do to a sheet."""

import csv
import io
import random
import re

import openpyxl

from analysis.study.number_text import exact
from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet

HEADER = ["meet", "athlete", "technique", "landing", "deduction", "other faults", "round", "clip"]
TECHNIQUES = [
    "piked double back",
    "tucked double back",
    "piked double front",
    "double front half out",
    "straddle flyaway",
]
LANDINGS = {"stuck": 0, "small step or hop": 100, "large step or jump": 300, "several steps": 400, "hand touch": 300,
            "hand support": 1000, "fall": 1000, "not seen": None}  # fmt: skip


def read_or_refused(path):
    """The sheet, or None where the reader refuses it in the way it should: with a remedy for each problem."""
    try:
        return read_sheet(path)
    except InputProblem as refused:
        problems = refused.problems
    assert problems
    assert all(problem.remedy for problem in problems)
    return None


class Spoiled:
    """A clean sheet, what is true of each routine (by its clip), and what has been done to the cells."""

    def __init__(self, seed):
        self.rng = random.Random(seed)
        self.truth = {}
        self.table = [list(HEADER)]
        for i in range(self.rng.randint(4, 14)):
            technique, landing = self.rng.choice(TECHNIQUES), self.rng.choice(sorted(LANDINGS))
            points = LANDINGS[landing]
            clip = f"clip{i:03d}"
            meet, athlete = f"Meet {1 + i // 5}", f"A{self.rng.randint(1, 9):02d}"
            self.truth[clip] = {"meet": meet, "athlete": athlete, "technique": technique, "landing": landing,
                                "deduction": points, "other faults": None if points is None else 0}  # fmt: skip
            shown = "" if points is None else f"{points / 1000:.1f}"
            other = "" if points is None else "0"
            self.table.append([meet, athlete, technique, landing, shown, other, "qualification", clip])
        self.raw_lines = {}
        self.delimiter = self.rng.choice([",", ";", "\t"])
        self.encoding = self.rng.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"])
        self.workbook = self.rng.random() < 0.25
        self.changes = []

    def rows(self):
        return [i for i, row in enumerate(self.table) if row[-1:] and str(row[-1]).startswith("clip0")]

    def cell(self, *names):
        return self.rng.choice(self.rows()), HEADER.index(self.rng.choice(names))

    # Each spoiler changes what a careful reader would still understand ...

    def clothes(self):
        i, j = self.cell("technique", "landing", "meet", "round")
        text = self.table[i][j]
        self.table[i][j] = self.rng.choice(
            [text.upper(), text.title(), f"  {text} ", text.replace(" ", "\u00a0"), text.replace(" ", "  "), f"{text}.",
             f"\u200f{text}\u200e", text.replace(" ", "-"), f"'{text}'"]
        )  # fmt: skip

    def other_number(self):
        i, j = self.cell("deduction", "other faults")
        text = self.table[i][j]
        if exact(text) is not None:
            self.table[i][j] = self.rng.choice(
                [
                    text.replace(".", ","),
                    f"{text} pts",
                    f"-{text}",
                    f" {text} ",
                    f"{text}0",
                    text.replace("0.", "."),
                ]
            )

    def athlete_clothes(self):
        i, j = self.cell("athlete")
        self.table[i][j] = self.rng.choice([self.table[i][j].lower(), f" {self.table[i][j]} "])

    def header_clothes(self):
        for row in self.table:
            if row[:1] == ["meet"]:
                j = self.rng.randrange(len(HEADER) - 1)
                row[j] = self.rng.choice([row[j].upper(), f" {row[j]} ", row[j].title()])

    def around(self):
        self.table.insert(0, self.rng.choice([["Autumn series"], [], ["coded from video", "", "by C1"]]))
        self.table.append(self.rng.choice([[], ["Total", "", "", "", "4.2"], ["Note: hop = small"], ["end"]]))

    def blank_line(self):
        self.table.insert(
            self.rng.randint(1, len(self.table)), self.rng.choice([[], [""] * 8, [" ", "", "\t"]])
        )

    def short_line(self):
        self.table.insert(
            self.rng.randint(2, len(self.table)),
            self.rng.choice([["day two"], ["", "", "?"], ["Meet 1", ""]]),
        )

    # ... and these destroy something: the cell must end unread, or as written, but never as something else.

    def slip(self):
        i, j = self.cell("technique", "landing", "deduction", "athlete", "meet")
        text = self.table[i][j]
        if text:
            k = self.rng.randrange(len(text))
            change = self.rng.choice(
                ["", text[k] * 2, self.rng.choice("abcdefghijklmnopqrstuvwxyz0123456789?/+")]
            )
            self.table[i][j] = text[:k] + change + text[k + 1 :]
            self.changes.append((self.table[i][-1], HEADER[j]))

    def blank(self):
        i, j = self.cell(*HEADER[:-1])
        self.table[i][j] = ""
        self.changes.append((self.table[i][-1], HEADER[j]))

    def nonsense(self):
        i, j = self.cell("technique", "landing", "deduction", "other faults", "round")
        self.table[i][j] = self.rng.choice(
            ["???", "3-Jan", "0.1-0.3", "#REF!", "x" * 200, "stuck or hop", "step", "hand", "1,2,3", "=1"]
        )
        self.changes.append((self.table[i][-1], HEADER[j]))

    def swap(self):
        i = self.rng.choice(self.rows())
        j, k = self.rng.sample(range(7), 2)
        self.table[i][j], self.table[i][k] = self.table[i][k], self.table[i][j]
        self.changes += [(self.table[i][-1], HEADER[j]), (self.table[i][-1], HEADER[k])]

    def quote(self):
        i, j = self.cell("technique", "landing", "athlete")
        self.raw_lines[id(self.table[i])] = (j, self.rng.choice(['"{}', '{}"', '"{}" x', '{}"{}']))
        self.changes += [(self.table[i][-1], name) for name in HEADER]

    def too_many(self):
        i = self.rng.choice(self.rows())
        self.table[i].insert(self.rng.randint(1, 6), "extra")
        self.changes += [(self.table[i][-1], name) for name in HEADER]

    def cut(self):
        i = self.rng.choice(self.rows())
        self.changes += [(self.table[i][-1], name) for name in HEADER]
        del self.table[i][self.rng.randint(3, 7) :]

    def line_break(self):
        i, j = self.cell("meet", "technique", "round")
        self.table[i][j] = self.table[i][j].replace(" ", "\n", 1)

    def spoil(self):
        understood = [
            self.clothes,
            self.other_number,
            self.athlete_clothes,
            self.header_clothes,
            self.line_break,
        ]
        lines = [self.around, self.blank_line, self.short_line, self.too_many, self.cut, self.quote]
        kinds = [*understood, *lines, self.slip, self.blank, self.nonsense, self.swap]
        for kind in self.rng.sample(kinds, self.rng.randint(1, 4)):
            if self.rows():
                kind()

    def write(self, folder):
        if self.workbook:
            book = openpyxl.Workbook()
            for i, row in enumerate(self.table):
                for j, value in enumerate(row):
                    cell = book.active.cell(i + 1, j + 1)
                    cell.value, cell.data_type = re.sub(r"[\x00-\x08]", "", value), "s"
            path = folder / "sheet.xlsx"
            book.save(path)
            return path
        lines = []
        for row in self.table:
            text = io.StringIO()
            csv.writer(text, delimiter=self.delimiter, lineterminator="\n").writerow(row)
            line = text.getvalue()[:-1]
            if id(row) in self.raw_lines and "\n" not in line:
                j, shape = self.raw_lines[id(row)]
                line = self.delimiter.join(
                    shape.format(cell, cell) if k == j else cell for k, cell in enumerate(row)
                )
            lines.append(line)
        path = folder / "sheet.csv"
        text = "\n".join(lines)
        if not self.encoding.startswith("utf") and "\u200f" in text:
            self.encoding = "utf-8"  # the mark does not exist elsewhere
        path.write_bytes(text.encode(self.encoding))
        return path
