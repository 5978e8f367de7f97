"""How many routines of a sheet to code twice: the sheet's own stuck rate and the precision that is wanted."""

from __future__ import annotations

from analysis.stats.agreement import RecodeSize, recode_size
from analysis.study.outcome import outcomes
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet

SUPPOSED_AGREEMENT = 0.9
"""Share of routines on which two trained coders of stuck or not are supposed to agree (common practice)."""

RAREST = 0.05
"""A stuck rate nearer to 0 or 1 than this asks for more routines than any meet has; it is supposed to be this."""


def routines_to_recode(sheet: Sheet, half_width: float, seed: int) -> RecodeSize:
    """Return how many routines to code twice, so that kappa for stuck or not has the half width wanted.

    Parameters
    ----------
    sheet : Sheet
        The first coder's sheet: its stuck rate says how rare the rarer code is.
    half_width : float
        Wanted half width of the 95 % interval.
    seed : int
        Of the simulation behind the expected width.

    Raises
    ------
    InputProblem
        When no landing of the sheet is known.
    """
    stuck = outcomes(sheet)["stuck"].dropna()
    if stuck.empty:
        problem = "no landing is known, so how many to code twice can't be worked out"
        raise InputProblem(Problem(str(sheet.path), None, "landing", None, problem, "give --routines"))
    rate = min(1 - RAREST, max(RAREST, float(stuck.mean())))
    return recode_size(
        half_width, agreement=SUPPOSED_AGREEMENT, prevalence=rate, available=len(stuck), seed=seed
    )
