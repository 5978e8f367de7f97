"""A spoiled sheet loses no row and changes no value in silence.

The spoiled sheets start from a clean one whose truth is known. Each is spoiled by one to four of the things that
coaches, phones and spreadsheets do to a sheet. Three things must hold: nothing but InputProblem is raised; every line
that isn't blank is a routine or is listed as none; every value is the truth or unread, and listed where it differs from
its cell.
"""

import random

import pytest
from spoiled_sheets import TECHNIQUES, Spoiled, read_or_refused

from analysis.study.checks import check, usable_rows
from analysis.study.number_text import exact
from analysis.study.outcome import outcomes
from analysis.study.text import key, tidy


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
