"""The parts of the hand-made comparison that models give: typed in, or made by the routines on a few lopsided rows."""

from __future__ import annotations

import math

from analysis.comparison.evidence import Adjusted, Cut, Graded, Model, PointsParts, Priors, Selection
from analysis.comparison.planning import Planning, PlanStep, Supposition
from analysis.stats.balance import balance
from analysis.stats.ordinal import better_by_a_grade, cuts
from analysis.stats.overlap import overlap
from analysis.stats.prior_logistic import weak_prior_logistic
from analysis.stats.priors import beta_binomial, prior_sensitivity
from analysis.stats.result import Fit, Interval, Test
from analysis.stats.robustness import e_value, tipping
from analysis.stats.trade import trade
from analysis.stats.two_part import two_part

FIRST = [True] * 9 + [False] * 22
STUCK = [1] * 9 + [1] * 14 + [0] * 8
GRADE = [0] * 9 + [0] * 14 + [1, 1, 1, 1, 2, 2, 3, 4]
POINTS = [0.0] * 9 + [0.0] * 14 + [0.1, 0.1, 0.1, 0.1, 0.3, 0.3, 0.6, 1.0]
DIFFICULTY = [5.2, 5.4, 4.9, 5.0, 5.6, 5.1, 5.3, 5.5, 5.0] + [4.6 + 0.05 * i for i in range(22)]


def model(key: str, quantity: str, low: float | None, estimate: float | None, high: float | None) -> Model:
    """One line of the table of models, with a reason where it has no number."""
    return Model(
        key=key,
        name=f"{key.replace('_', ' ')} {quantity}",
        compares="the same mix of difficulty",
        quantity=quantity,
        estimate=estimate,
        low=low,
        high=high,
        level=0.95,
        p_value=0.031 if estimate else None,
        n=31,
        athletes=20,
        method="typed in",
        claim="not shown",
        chosen=key == "standardised",
        why="" if estimate is not None else "difficulty has 22 different values, too fine for exact work",
    )


def adjusted_part(first: str) -> Adjusted:
    """Models at the edges: an infinite odds ratio, one that could not be had, and a plain one."""
    fit = Fit(
        ("difficulty", first),
        (0.31, math.inf),
        (0.2, math.nan),
        ((-0.08, 0.7), (0.2, math.inf)),
        (0.12, 0.03),
        0.95,
        "penalised logistic (Firth)",
        31,
    )
    difference = Interval("standardised difference", 0.29, -0.02, 0.55, 0.95, "typed in", 31)
    models = (
        model("plain", "difference", 0.031, 0.364, 0.587),
        model("standardised", "standardised difference", -0.02, 0.29, 0.55),
        model("maximum_likelihood", "odds ratio", 1.2, math.inf, math.inf),
        model("penalised", "odds ratio", 0.9, 8.4, 412.0),
        model("exact", "odds ratio", None, None, None),
    )
    return Adjusted(
        columns=("difficulty",),
        fit=fit,
        difference=difference,
        rows=31,
        why="",
        chosen="standardised",
        reason="The plan names columns.",
        drivers=("8 routines are not stuck, for 2 columns with the technique",),
        models=models,
        overlap=overlap(FIRST, [[value] for value in DIFFICULTY], names=["difficulty"]),
        agreement="For the same mix of difficulty the difference is 29 percentage points.",
        changes=False,
    )


def selection_part(first: str, second: str) -> Selection:
    """Balance with a gap, and what a hidden advantage would have to be worth."""
    columns = {"difficulty": [*DIFFICULTY[:-1], None], "round": ["final"] * 5 + ["qualification"] * 26}
    return Selection(
        balance=balance(FIRST, columns, (first, second)),
        e_value=e_value(1.571, 1.03, 2.328),
        e_value_why="",
        tipping=tipping(0.364, 0.031, 0.587),
        notes=("meet has 60 values, too many to compare one by one.",),
    )


def graded_part(first: str) -> Graded:
    """The ordered landing."""
    fit = Fit((first,), (2.3,), (1.1,), ((0.4, math.inf),), (0.02,), 0.95, "proportional odds", 31)
    names = ("stuck", "small step or hop", "large step or jump", "several steps")
    shares = better_by_a_grade(GRADE, FIRST)
    return Graded(
        fit=fit,
        check=Test(
            0.57, "two-sided", "score test of one odds ratio for every cut", 31, draws=999, error=0.02
        ),
        rank=Test(0.021, "two-sided", "exact stratified rank sum", 31),
        rank_basis="each athlete's first routine",
        shares=shares,
        cuts=tuple(Cut(name, found) for name, found in zip(names, cuts(GRADE, FIRST), strict=True)),
        reading="Taking one routine of each at random.",
        why="",
    )


def points_part() -> tuple[PointsParts, ...]:
    """Points in two parts, and a trade; without falls there is too little."""
    standardised = Interval("standardised mean difference", -0.11, -0.24, 0.01, 0.95, "typed in", 31)
    whole = two_part(POINTS, FIRST)
    deal = trade(POINTS, FIRST, 0.1)
    few = PointsParts("without falls", None, None, None, "", "fewer than 3 routines in a group (2 and 22)")
    return (PointsParts("with falls", whole, standardised, deal, "A routine gains 0.21 points.", ""), few)


def priors_part() -> Priors:
    """The counts under other beliefs."""
    own = beta_binomial(9, 9, 14, 22)
    design = [[float(a), b] for a, b in zip(FIRST, DIFFICULTY, strict=True)]
    weak = weak_prior_logistic(STUCK, design, names=["first", "difficulty"], columns=[0])
    return Priors(
        (1.0, 1.0), (own, *prior_sensitivity(9, 9, 14, 22)), weak, "For a reader who believed otherwise."
    )


def planning_part(outcome: str, names: tuple[str, ...]) -> Planning | None:
    """Two suppositions, typed in; one is never reached."""
    if outcome != "stuck":
        return None
    steps = tuple(
        PlanStep(n, n - 2, width, chance)
        for n, width, chance in ((10, 0.41, 0.08), (50, 0.19, 0.52), (200, 0.095, 0.98))
    )
    low = tuple(PlanStep(step.routines, step.effective, step.half_width, step.chance / 4) for step in steps)
    suppositions = (
        Supposition("matters", 0.85, 0.65, 0.2, steps, 120),
        Supposition("half", 0.8, 0.7, 0.1, low, None),
    )
    return Planning(
        names[0],
        names[1],
        9,
        22,
        0.2,
        False,
        1.25,
        0.95,
        "two-sided",
        0.8,
        "Barnard, pooled z",
        "Newcombe",
        suppositions,
    )
