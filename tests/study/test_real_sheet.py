"""The reader on 5,954 rows of published vault results (not part of the project; the test skips where they aren't)."""

from pathlib import Path

import pytest

from analysis.study.checks import check, usable_rows
from analysis.study.codebook import read_codebook
from analysis.study.outcome import outcomes
from analysis.study.problem import InputProblem
from analysis.study.sheet import read_sheet

REAL = Path(__file__).resolve().parents[2].parent / "shared" / "real" / "vault_landings.csv"
pytestmark = pytest.mark.skipif(not REAL.exists(), reason=f"{REAL.name} is not beside the project")

CODEBOOK = """
[columns]
technique = "section"
landing = "penalty"
deduction = "penalty"
[landing.values]
stuck = ["", "0", "-0.0"]
"small step or hop" = ["0.1"]
"large step or jump" = ["0.3"]
[deduction.values]
"0" = [""]
[round]
routines = 2
"""


@pytest.fixture
def real_sheet(codebook_of):
    return read_sheet(REAL, codebook_of(CODEBOOK))


def test_every_row_is_there_and_every_penalty_is_accounted_for(real_sheet):
    assert len(real_sheet.rows) == 5954
    known = outcomes(real_sheet)
    penalty = real_sheet.original["penalty"]
    assert int(known["stuck"].sum()) == int(penalty.isin(["", "0.0", "-0.0"]).sum()) == 4507
    assert (
        int((real_sheet.rows["landing"] == "small step or hop").sum()) == int((penalty == "0.1").sum()) == 936
    )
    unread = known.index[known["stuck"].isna()]
    assert set(unread) == {problem.row for problem in real_sheet.problems}
    assert len(unread) == 29
    assert known["points"].notna().all()
    assert real_sheet.rows["execution"].notna().all()


def test_rows_that_repeat_a_routine_are_set_aside_and_no_others(real_sheet):
    blocked = {problem.row for problem in check(real_sheet) if problem.blocks}
    doubled = real_sheet.original.index[real_sheet.original.duplicated()]
    assert blocked == set(doubled)
    assert usable_rows(real_sheet) == 5954 - len(doubled)


def test_without_a_mapping_the_sheet_is_refused_with_what_to_map():
    with pytest.raises(InputProblem, match="no column for landing or deduction") as caught:
        read_sheet(REAL, read_codebook())
    assert "[columns]" in str(caught.value)
