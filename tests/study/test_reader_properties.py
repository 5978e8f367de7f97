"""Properties of the reader: tables come back whole, and a spoiled sheet loses no row and changes no value in silence.

The spoiled sheets start from a clean one whose truth is known. Each is spoiled by one to four of the things that
coaches, phones and spreadsheets do to a sheet. Three things must hold: nothing but InputProblem is raised; every line
that isn't blank is a routine or is listed as none; every value is the truth or unread, and listed where it differs from
its cell.
"""

import csv
import io
import random
import re

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.study.checks import check, usable_rows
from analysis.study.number_text import exact
from analysis.study.outcome import outcomes
from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet
from analysis.study.text import key, tidy

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


# ---- tables come back ------------------------------------------------------------------------------------------


def read_or_refused(path):
    """The sheet, or None where the reader refuses it in the way it should: with a remedy for each problem."""
    try:
        return read_sheet(path)
    except InputProblem as refused:
        problems = refused.problems
    assert problems
    assert all(problem.remedy for problem in problems)
    return None


words = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp", "Co", "Cn")), max_size=12
)
codes = st.from_regex(r"[A-Za-z][A-Za-z0-9]{0,5}", fullmatch=True)
routine = st.tuples(
    codes, codes, st.sampled_from(TECHNIQUES), st.sampled_from(sorted(LANDINGS)), st.integers(0, 2500), words
)


def rows_of(routines):
    return [[meet, athlete, technique, landing, f"{points / 1000:.3f}", note]
            for meet, athlete, technique, landing, points, note in routines]  # fmt: skip


def assert_comes_back(sheet, routines):
    assert len(sheet.rows) == len(routines)
    assert sheet.rows["technique"].tolist() == [item[2] for item in routines]
    assert sheet.rows["landing"].tolist() == [item[3] for item in routines]
    assert sheet.rows["deduction"].tolist() == [item[4] for item in routines]
    assert [value.casefold() for value in sheet.rows["athlete"]] == [item[1].casefold() for item in routines]
    assert [value or "" for value in sheet.rows["note"]] == [tidy(item[5]) for item in routines]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(routine, min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-32"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
)
def test_a_table_comes_back_from_text(tmp_path_factory, routines, delimiter, encoding, end, quoting):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow([*HEADER[:5], "note"])
    writer.writerows(rows_of(routines))
    path = tmp_path_factory.mktemp("text") / "sheet.csv"
    path.write_bytes(text.getvalue().encode(encoding))
    assert_comes_back(read_sheet(path), routines)


@settings(deadline=None, max_examples=30)
@given(st.lists(routine, min_size=1, max_size=8), st.integers(0, 3), st.integers(0, 2))
def test_a_table_comes_back_from_a_workbook(tmp_path_factory, routines, down, right):
    book = openpyxl.Workbook()
    page = book.active
    for i, row in enumerate([[*HEADER[:5], "note"], *rows_of(routines)]):
        for j, value in enumerate(row):
            number = i > 0 and j == 4
            cell = page.cell(i + 1 + down, j + 1 + right)
            cell.value = float(value) if number else value
            if not number:
                cell.data_type = "s"  # a text that starts with = is a text here
    path = tmp_path_factory.mktemp("book") / "sheet.xlsx"
    book.save(path)
    sheet = read_sheet(path)
    assert_comes_back(sheet, routines)
    assert list(sheet.rows.index) == [down + 2 + i for i in range(len(routines))]


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("bytes") / "sheet.csv"
    path.write_bytes(data)
    read_or_refused(path)


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=200))
def test_any_text_below_a_header_loses_no_line(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("text") / "sheet.csv"
    path.write_bytes(("meet,athlete,technique,landing\n" + text.replace('"', "'")).encode("utf-8", "replace"))
    sheet = read_sheet(path)
    lines = re.split("\r\n|\r|\n", path.read_bytes().decode("utf-8"))
    filled = {
        i + 1
        for i, line in enumerate(lines)
        if line.replace(",", "").strip("\ufeff \t\x1a" + "\x1c\x1d\x1e\x1f\x85\xa0")
    }
    told = set(sheet.rows.index) | {repair.row for repair in sheet.repairs}
    assert {i for i in filled if lines[i - 1].replace(",", "").strip()} <= told | {1}
    check(sheet)
    outcomes(sheet)


# ---- spoiled sheets --------------------------------------------------------------------------------------------


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


@pytest.mark.parametrize("batch", range(8))
def test_spoiled_sheets_lose_no_row_and_change_no_value_in_silence(tmp_path, batch):
    read = 0
    for seed in range(batch * 40, batch * 40 + 40):
        spoiled = Spoiled(seed)
        spoiled.spoil()
        path = spoiled.write(tmp_path)
        sheet = read_or_refused(path)
        if sheet is None:
            continue
        read += 1
        assert_accounted(sheet, spoiled, seed)
        assert_no_silent_change(sheet, seed)
        assert_truth_or_unread(sheet, spoiled, seed)
        assert 0 <= usable_rows(sheet) <= len(sheet.rows)
        assert outcomes(sheet).index.equals(sheet.rows.index)
    assert read > 30


def assert_accounted(sheet, spoiled, seed):
    """Every line that isn't blank is a routine, the header, or listed as no routine. Index = line number."""
    filled = {i + 1 for i, row in enumerate(spoiled.table) if any(cell.strip() for cell in row)}
    routines, others = (
        set(sheet.rows.index),
        {r.row for r in sheet.repairs if r.why.startswith("not a routine")},
    )
    header = next(i + 1 for i, row in enumerate(spoiled.table) if len(row) >= 8 and row[-1] == "clip")
    assert routines | others | {header} == filled, seed
    assert not routines & others, seed
    clips = {cell for row in sheet.original.values.tolist() for cell in row if str(cell).startswith("clip0")}
    assert clips == {row[-1] for row in spoiled.table if row[-1:] and row[-1].startswith("clip0")}, seed


def assert_no_silent_change(sheet, seed):
    listed = {(repair.row, repair.column) for repair in sheet.repairs}
    problems = {(problem.row, problem.column) for problem in sheet.problems}
    torn = {problem.row for problem in sheet.problems if problem.blocks}
    for variable, header in sheet.headers.items():
        for row in sheet.rows.index:
            value, cell = sheet.rows.at[row, variable], sheet.original.at[row, header]
            unread = value is None or value is sheet.rows["deduction"].dtype.na_value
            if row in torn:
                assert unread, (seed, row, variable)
            elif unread:
                unseen = tidy(cell).casefold() in ("", "?", "??", "???", "n/a", "not seen")
                assert unseen or (row, header) in problems, (seed, row, variable, cell)
            elif variable in ("deduction", "other faults"):
                number = exact(cell)
                assert (number is not None and number * 1000 == int(value)) or (row, header) in listed, (
                    seed,
                    row,
                    variable,
                )
            elif value != "not seen" or tidy(cell):
                assert value == tidy(cell) or (row, header) in listed, (seed, row, variable, cell, value)


def assert_truth_or_unread(sheet, spoiled, seed):
    """A cell nobody destroyed is its truth; a destroyed one is never another known technique, landing or number."""
    clip = sheet.rows["clip"]
    for row in sheet.rows.index:
        if clip[row] not in spoiled.truth:
            continue
        for variable, true in spoiled.truth[clip[row]].items():
            value = sheet.rows.at[row, variable]
            if (clip[row], variable) not in spoiled.changes:
                same = value == true if true is not None else value is sheet.rows["deduction"].dtype.na_value
                if variable in ("athlete", "meet") or true == "straddle flyaway":  # written as the sheet does
                    same = key(value) == key(true)
                assert same, (seed, row, variable, value, true)
            elif variable == "technique" and value in TECHNIQUES[:4]:
                assert bare(sheet, row, "technique") in (value.replace(" ", ""), "pikedoubleback"), (
                    seed,
                    row,
                )
            elif variable == "landing" and value is not None and value != "not seen":
                known = (value.replace(" ", ""), "touch", "hop")
                assert value == true or bare(sheet, row, "landing") in known, (seed, row, value)


def bare(sheet, row, variable):
    return key(sheet.original.at[row, sheet.headers[variable]]).replace(" ", "")


@pytest.mark.parametrize("seed", range(8))
def test_damaged_bytes_are_read_or_refused(tmp_path, seed):
    spoiled = Spoiled(1000 + seed)
    spoiled.workbook = seed % 2 == 0
    path = spoiled.write(tmp_path)
    whole, rng = path.read_bytes(), random.Random(seed)
    for _ in range(15):
        data = bytearray(whole)
        for _ in range(rng.choice([1, 5, 50])):
            data[rng.randrange(len(data))] = rng.randrange(256)
        if rng.random() < 0.3:
            del data[rng.randrange(len(data)) :]
        path.write_bytes(bytes(data))
        sheet = read_or_refused(path)
        if sheet is not None:
            check(sheet)
            outcomes(sheet)
