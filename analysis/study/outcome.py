"""From landing and codebook to outcomes: stuck, grade, points lost, fall; or not known, with the reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.study.codebook import NOT_SEEN
from analysis.study.text import tidy

if TYPE_CHECKING:
    import pandas as pd

    from analysis.study.sheet import Sheet


def outcomes(sheet: Sheet) -> pd.DataFrame:
    """Return the outcomes of every routine, indexed like `sheet.rows`.

    A row without a landing can't count for stuck, whatever its deduction; a row without a deduction can.
    "hand support or fall" ranks between a hand support and a fall: what the coder left open is then never called better
    than the one or worse than the other, and equals neither. A fall is read from the landing; where that isn't known, a
    deduction below a fall's points shows that there was none, and a larger one shows nothing.

    Returns
    -------
    DataFrame
        `stuck` (boolean), `grade` (Int64, 0 = best), `points` (Int64, thousandths lost), `fall` (boolean), each missing
        where not known; `stuck_why`, `grade_why`, `points_why`: the reason where missing, "" elsewhere.
    """
    import pandas as pd

    book, index = sheet.codebook, sheet.rows.index
    landing = sheet.rows["landing"] if "landing" in sheet.rows else pd.Series(None, index=index, dtype=object)
    points = (
        sheet.rows["deduction"].astype("Int64")
        if "deduction" in sheet.rows
        else pd.Series(pd.NA, index=index, dtype="Int64")
    )
    grade = landing.map(book.rank).astype("Int64")
    stuck = landing.map({item.name: item.stuck for item in book.grades}).astype("boolean")
    fall = landing.map({item.name: item.fall for item in book.grades}).astype("boolean")
    fall = fall.mask(fall.isna() & (points < book.points.fall_points).fillna(False), False)
    landing_why = _why(sheet, "landing", landing.where(landing != NOT_SEEN, None))
    return pd.DataFrame(
        {
            "stuck": stuck,
            "grade": grade,
            "points": points,
            "fall": fall,
            "stuck_why": landing_why,
            "grade_why": landing_why,
            "points_why": _why(sheet, "deduction", points),
        },
        index=index,
    )


def _why(sheet: Sheet, variable: str, values: pd.Series[Any]) -> pd.Series[str]:
    """Say why a value is missing: no such column, blank, not seen, or not readable (then with the cell itself)."""
    import pandas as pd

    reasons = pd.Series("", index=values.index, dtype=object)
    missing = values.isna()
    if variable not in sheet.headers:
        reasons[missing] = f"the sheet has no {variable} column"
        return reasons
    cells = sheet.original[sheet.headers[variable]]
    unread = {problem.row for problem in sheet.problems if problem.column == sheet.headers[variable]}
    torn = {problem.row for problem in sheet.problems if problem.blocks}
    for row in values.index[missing]:
        if row in torn:
            reasons[row] = "the row could not be read"
        elif row in unread:
            reasons[row] = f"{variable} could not be read: {tidy(cells[row])}"
        elif tidy(cells[row]):
            reasons[row] = f"{variable} not seen"
        else:
            reasons[row] = f"{variable} is blank"
    return reasons
