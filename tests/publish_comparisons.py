"""A hand-made comparison: lopsided, with falls, repeats, strata, three techniques and values at the edges.

Its intervals are plain numbers typed in here, not statistics: the report only has to carry them.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import pandas as pd
from publish_evidence import (
    adjusted_part,
    graded_part,
    planning_part,
    points_part,
    priors_part,
    selection_part,
)

from analysis.comparison.result import (
    Alternative,
    Beside,
    Comparison,
    Doubt,
    GradeCount,
    Group,
    Headline,
    Pair,
    Pairs,
    PointsContrast,
    PointsSummary,
    Question,
    Reading,
    Reason,
    Repeats,
    Rows,
    Source,
    Strata,
    Stratum,
)
from analysis.stats.result import Effect, Interval, Test

GRADES = ("stuck", "small step or hop", "large step or jump", "several steps", "hand support or fall")
POINTS = (0, 100, 300, 600, 1000)
NAMES = ("piked double back", "tucked double back", "double front half out")
HOSTILE = ('<script>alert("x")</script>', "=cmd()|' /C calc'!A0", r"$\alpha$ & \input{x} 100% #1_a^b~c")


def build(
    names: tuple[str, ...] = NAMES,
    outcome: str = "stuck",
    counts: tuple[tuple[int, ...], ...] = ((9, 0, 0, 0, 0), (14, 4, 2, 1, 1), (5, 3, 0, 0, 2)),
    title: str = "Parallel-bars dismounts, autumn series",
    full: bool = True,
    seed: int = 3,
) -> Comparison:
    """Make a comparison; `counts` are routines per technique and landing, best first."""
    draw = random.Random(seed)
    rows, original = [], []
    for name, row in zip(names, counts, strict=True):
        for grade, many in enumerate(row):
            for _ in range(many):
                meet, stage = (
                    draw.choice(("September meet", "October meet", "November meet")),
                    draw.choice("QF"),
                )
                stage = {"Q": "qualification", "F": "final"}[stage]
                athlete = f"A{draw.randrange(1, 2 + sum(map(sum, counts)) * 2 // 3):03d}"
                extra = 100 if grade == 0 and draw.random() < 0.2 else 0
                points = None if draw.random() < 0.03 else POINTS[grade] + extra
                rows.append(
                    (
                        "used",
                        "",
                        name,
                        athlete,
                        meet,
                        stage,
                        GRADES[grade],
                        grade,
                        grade == 0,
                        points,
                        grade == 4,
                    )
                )
                original.append((meet, athlete, name, GRADES[grade], points))
    aside = (
        ("landing was not seen", names[0], "not seen"),
        ("landing was not seen", names[1], "not seen"),
        ("technique is not compared in this plan: straddled front", "straddled front", "stuck"),
    )
    for reason, name, landing in aside:
        rows.append(
            ("set aside", reason, name, "A900", "October meet", "final", landing, None, None, None, None)
        )
        original.append(("October meet", "=HYPERLINK(0)", name, landing, None))
    columns = [
        "status",
        "reason",
        "technique",
        "athlete",
        "meet",
        "round",
        "landing",
        "grade",
        "stuck",
        "points",
        "fall",
    ]
    table = pd.DataFrame(rows, columns=columns, index=range(2, len(rows) + 2))
    table["points"] = table["points"].astype("Int64")
    table["grade"] = table["grade"].astype("Int64")
    sheet = pd.DataFrame(
        original, columns=["Meet", "Athlete", "Dismount", "Landing", "Lost"], index=table.index
    )
    used = table[table["status"] == "used"]

    first, second = names[:2]
    groups = tuple(_group(used, name, outcome) for name in names)
    unit = {"stuck": "proportion", "deduction": "points", "landing grade": "probability"}[outcome]
    known = used[used["points"].notna()]
    spoken = {
        "stuck": (0.364, 0.031, 0.587),
        "deduction": (-0.12, -0.26, -0.01),
        "landing grade": (0.16, -0.02, 0.31),
    }
    estimate, low, high = spoken[outcome]
    quantity = {"stuck": "difference", "deduction": "mean difference"}.get(
        outcome, "chance of the better landing, less one half"
    )
    interval = Interval(quantity, estimate, low, high, 0.95, "exact unconditional, Agresti–Min", len(used))
    test = Test(0.0339, "two-sided", "Barnard, pooled z", len(used), attained=0.0339, bound=0.0339)
    ratio = Interval("ratio", 1.5714, 1.021, 2.31, 0.95, "Koopman", 31)
    odds = Interval("odds ratio", float("inf"), 0.84, float("inf"), 0.95, "conditional exact (Cornfield)", 31)
    tests = (
        Test(0.0661, "two-sided", "Fisher's exact test", 31),
        Test(0.0004, "two-sided", "Boschloo, Fisher p", 31),
    )
    deductions = tuple(
        PointsContrast(
            falls,
            tuple(_points(frame, name) for name in names),
            Effect(
                "mean difference",
                -0.12,
                -0.26,
                -0.01,
                0.95,
                0.041,
                "two-sided",
                "exact permutation",
                "shift",
                31,
            ),
            "",
            Effect(
                "probability of superiority",
                0.67,
                0.51,
                0.8,
                0.95,
                0.052,
                "two-sided",
                "rank sum",
                "DeLong",
                31,
            ),
            None,
            None,
        )
        for falls, frame in (("with falls", known), ("without falls", known[~known["fall"].astype(bool)]))
    )
    sheet_hash = "0" * 64
    return Comparison(
        question=Question(
            title,
            "technique",
            names,
            outcome,
            "two",
            0.95,
            "cluster",
            "athlete",
            ("meet",),
            ("difficulty",),
            0.1,
            0.1,
            (1.0, 1.0),
            20260401,
            "parallel bars",
            "check against your rule book",
        ),
        rows=Rows(
            len(table),
            len(used),
            len(aside),
            (Reason("landing was not seen", 2), Reason("technique is not compared in this plan", 1)),
            12,
            3,
        ),
        groups=groups,
        headline=Headline(
            outcome,
            first,
            second,
            unit,
            interval,
            "",
            test,
            "",
            "first higher",
            "Each athlete counts once.",
            "",
        ),
        beside=Beside((ratio, odds), tests, "Each takes every routine as independent of the others.")
        if full
        else Beside((), (), ""),
        grades=tuple(
            GradeCount(name, grade, int(((used["technique"] == name) & (used["landing"] == grade)).sum()))
            for name in names
            for grade in GRADES
        ),
        grade_names=GRADES,
        deductions=deductions if full else (),
        deductions_why="" if full else "no deduction is known for the compared techniques",
        repeats=Repeats(20, 41, 8, 2, 4, "cluster", "8 of 20 athletes appear more than once."),
        strata=_strata(used, names) if full else None,
        pairs=_pairs(names) if full and len(names) > 2 else None,
        adjusted=adjusted_part(first) if full else None,
        selection=selection_part(first, second) if full else None,
        graded=graded_part(first) if full else None,
        points_parts=points_part() if full else (),
        priors=priors_part() if full else None,
        planning=planning_part(outcome, names) if full else None,
        doubt=Doubt(
            (
                Alternative("the first routine of each athlete only", 20, 0.31, -0.05, 0.58, "not shown"),
                Alternative("stuck or one small step counts", 41, 0.18, -0.09, 0.41, "not shown"),
            ),
            0.28,
            0.41,
            3,
            20,
        )
        if full
        else None,
        reading=Reading(
            f"{first} was stuck more often than {second}: 9 of 9 against 14 of 22.",
            (f"With {first} an athlete lost 0.12 points fewer a routine.",),
            ("Who attempts which technique is not random.",),
            (
                "Landing statistics describe what was seen in competition.",
                "Athletes are often minors: publish codes, not names.",
            ),
        ),
        source=Source("event_sheet.csv", sheet_hash, "plan.toml", sheet_hash, "built-in", sheet_hash),
        table=table,
        original=sheet,
    )


def _group(used: pd.DataFrame, name: str, outcome: str) -> Group:
    here = used[used["technique"] == name]
    n, x = (
        len(here),
        int(here["stuck"].astype(bool).sum()) if outcome != "deduction" else int((here["points"] == 0).sum()),
    )
    p = x / n if n else 0.0
    wide = 1.2 / (n + 2) ** 0.5
    means = (None, None, None)
    if outcome == "deduction" and n:
        mean = float(here["points"].dropna().astype(float).mean() / 1000)
        means = (mean, max(0.0, mean - wide / 3), mean + wide / 3)
    low, high = (max(0.0, p - wide), min(1.0, p + wide)) if n else (0.0, 1.0)
    return Group(
        name, x, n, here["athlete"].nunique(), low, high, 0.95, "Wilson at the effective n", n * 0.8, *means
    )


def _points(frame: pd.DataFrame, name: str) -> PointsSummary:
    here = frame[frame["technique"] == name]
    points = [int(value) for value in here["points"]]
    counts = tuple((value / 1000, many) for value, many in sorted(Counter(points).items()))
    if not points:
        return PointsSummary(name, 0, 0, 0, None, None, None, ())
    middle = sorted(points)[len(points) // 2] / 1000
    mean = sum(points) / len(points) / 1000
    return PointsSummary(
        name,
        len(points),
        here["athlete"].nunique(),
        points.count(0),
        mean,
        middle,
        max(points) / 1000,
        counts,
    )


def _strata(used: pd.DataFrame, names: tuple[str, ...]) -> Strata:
    tables = []
    for meet in ("September meet", "October meet", "November meet"):
        cells = []
        for name in names[:2]:
            here = used[(used["meet"] == meet) & (used["technique"] == name)]
            cells += [int(here["stuck"].astype(bool).sum()), len(here)]
        x1, n1, x2, n2 = cells
        within = (
            Interval("difference", x1 / n1 - x2 / n2, -0.4, 0.8, 0.95, "typed in", n1 + n2)
            if n1 and n2
            else None
        )
        tables.append(Stratum(meet, *cells, within))
    return Strata(
        ("meet",),
        "the first routine of each athlete",
        tuple(tables),
        Effect(
            "common odds ratio",
            float("inf"),
            0.9,
            float("inf"),
            0.95,
            0.061,
            "two-sided",
            "exact conditional",
            "",
            31,
        ),
        Interval("difference", 0.33, 0.02, 0.57, 0.95, "Mantel-Haenszel", 31),
        Test(0.62, "two-sided", "Zelen", 31),
        Interval("standardised difference", 0.35, 0.01, 0.6, 0.95, "standardised over strata", 31),
        "Within meets the difference keeps its sign and its claim.",
        False,
        "",
    )


def _pairs(names: tuple[str, ...]) -> Pairs:
    made = [
        Pair(
            a,
            b,
            Interval(
                "difference", 0.1 * (i % 4 + 1), -0.2, 0.6, 0.98333, "exact unconditional, Agresti–Min", 31
            ),
            0.03 * (i % 4 + 1),
            0.09,
            "",
        )
        for i, (a, b) in enumerate((a, b) for i, a in enumerate(names) for b in names[i + 1 :])
    ]
    return Pairs(
        Test(0.021, "two-sided", "Freeman-Halton", 41),
        "",
        tuple(made),
        "closed testing by exact tests of partitions",
    )


FIVE = (
    *NAMES,
    "Diamidov to handstand then tucked double back with a half turn",
    "straight double back",
)
FIVE_COUNTS = ((30, 12, 4, 1, 3), (40, 20, 9, 4, 5), (10, 9, 3, 2, 2), (9, 0, 0, 0, 0), (6, 5, 5, 1, 1))


def nothing_used() -> Comparison:
    """A sheet of which no row can be used: there is nothing to show, and the report still says why."""
    empty = build(names=NAMES[:2], counts=((0, 0, 0, 0, 0), (0, 0, 0, 0, 0)), full=False)
    why = "the first technique has no routine that can be used"
    headline = replace(
        empty.headline, interval=None, interval_why=why, test=None, p_why=why, claim="not shown"
    )
    return replace(empty, headline=headline)
