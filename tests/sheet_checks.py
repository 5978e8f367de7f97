"""What the tests of the sheet reader share: a clean sheet, and what the reader says of others."""

import pytest

from analysis.study.problem import InputProblem

HEADER = ["meet", "athlete", "technique", "landing", "deduction"]
CLEAN = "meet,athlete,technique,landing,deduction\nM1,A1,piked double back,stuck,0\nM1,A2,tucked double back,fall,1.0\n"


def problem_rows(sheet):
    return {(problem.row, problem.column) for problem in sheet.problems}


def refusals(make, *args, **options):
    with pytest.raises(InputProblem) as caught:
        make(*args, **options)
    assert all(problem.remedy for problem in caught.value.problems)
    return " / ".join(str(problem) for problem in caught.value.problems)
