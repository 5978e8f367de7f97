"""The models that answer the question side by side, each as one line: what it compares and what it finds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from analysis.comparison.columns import Coded, code_columns
from analysis.comparison.evidence import Model
from analysis.comparison.headline import Arms, interval_of, values_of
from analysis.comparison.result import Headline, Outcome, Question
from analysis.reading.claim import FEWEST, claim_of
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.gee import gee
from analysis.stats.logistic import exact_logistic, firth, maximum_likelihood, standardised_difference
from analysis.stats.ordinal import proportional_odds
from analysis.stats.random_intercept import random_intercept
from analysis.stats.result import Effect, Fit, Interval
from analysis.stats.standardised_points import standardised_points
from analysis.stats.within_athletes import within_athletes


@dataclass(frozen=True, eq=False)
class Case:
    """The routines that the models work on: those with a value in every column, first two techniques only."""

    frame: pd.DataFrame
    question: Question
    outcome: Outcome
    coded: Coded
    refusal: str

    @property
    def arms(self) -> Arms:
        """Outcome, technique and athlete of each routine."""
        first = (self.frame["arm"] == 0).to_numpy()
        return Arms(values_of(self.frame, self.outcome), first, self.frame["athlete"].to_numpy())

    @property
    def clustered(self) -> bool:
        """Whether athletes are the units here."""
        return self.question.repeats == "cluster" and self.arms.clustered

    @property
    def athletes(self) -> list[str] | None:
        """The athlete of each routine where athletes are the units."""
        return self.arms.athletes.tolist() if self.clustered else None

    @property
    def design(self) -> np.ndarray:
        """The technique (1 for the first) and the columns."""
        return np.column_stack([self.arms.first.astype(float), self.coded.X])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns of `design`."""
        return (self.question.techniques[0], *self.coded.labels)

    @property
    def alike(self) -> str:
        """What routines are made alike in, in words."""
        return ", ".join(self.question.adjust)


def plain_line(case: Case, headline: Headline) -> Model:
    """The headline itself, so that every other line can be read against it."""
    found = headline.interval
    p = None if headline.test is None else headline.test.p_value
    name, compares = "plain difference (headline)", "all routines, as they came"
    if found is None:
        return _line(case, "plain", name, compares, None, p, headline.interval_why)
    return _line(case, "plain", name, compares, found, p, "", n=found.n)


def same_rows_line(case: Case, headline: Headline) -> Model | None:
    """The plain difference over the rows that the models use, where these are fewer than the headline's."""
    arms = case.arms
    if headline.interval is None or headline.interval.n == len(arms.values) or min(arms.sizes) == 0:
        return None
    found = interval_of(arms, case.outcome, case.clustered, case.question.level)
    compares = "the routines with a value in every column, as they came"
    return _line(case, "plain_same_rows", "plain difference, same rows", compares, found, None)


def stuck_models(case: Case, budget: Budget = DEFAULT) -> tuple[list[Model], Fit | None, Interval | None]:
    """The lines for stuck or not, the penalised fit, and the standardised difference."""
    arms, level = case.arms, case.question.level
    stuck, first = arms.values, arms.first
    lines, fit, difference = [], None, None
    mix = ("standardised", "standardised difference", f"the same mix of {case.alike}")
    if case.refusal:
        lines.append(_line(case, *mix, None, None, case.refusal))
    elif case.coded.labels:
        difference = standardised_difference(stuck, first, case.coded.X, level=level, athlete=case.athletes)
        lines.append(_line(case, *mix, difference))
    none = standardised_difference(stuck, first, None, level=level, athlete=case.athletes)
    lines.append(
        _line(case, "standardised_none", "the same model without columns", "all routines, as they came", none)
    )
    pair = f"two routines alike in {case.alike}" if case.coded.labels else "one routine of each technique"
    if case.refusal:
        lines += [
            _line(case, *words, pair, None, None, case.refusal) for words in (_PENALISED, _EXACT, _LIKELIHOOD)
        ]
    else:
        design, names = case.design, case.names
        few = None if design.shape[1] <= MOST_PROFILED else [0]
        fit = firth(stuck, design, level=level, names=names, columns=few)
        classes = np.column_stack([design[:, 0], case.coded.classes])
        part = replace(budget, operations=budget.operations / BESIDE)
        exact = exact_logistic(
            stuck, classes, level=level, names=names, columns=[0], budget=part, seed=case.question.seed
        )
        thirds = f"{pair}, numbers in thirds" if not np.array_equal(classes, design) else pair
        likely = maximum_likelihood(
            stuck, design, level=level, names=names, budget=part, seed=case.question.seed
        )
        lines += [
            _odds(case, *_PENALISED, pair, fit),
            _odds(case, *_EXACT, thirds, exact),
            _odds(case, *_LIKELIHOOD, pair, likely),
        ]
    if case.clustered:
        lines += _clustered_odds(case, pair)
    return lines, fit, difference


_PENALISED = ("penalised", "odds ratio, penalised logistic")
_EXACT = ("exact", "odds ratio, exact conditional logistic")
_LIKELIHOOD = ("maximum_likelihood", "odds ratio, maximum likelihood")

BESIDE = 4
"""A model that stands beside the others may take this part of the budget: a report is a matter of seconds."""

MOST_PROFILED = 12
"""With more columns than this only the technique's own interval is profiled: the others are held fixed, not read."""


def _clustered_odds(case: Case, pair: str) -> list[Model]:
    """Models that say something about athletes: their own level, or their likeness."""
    arms, level = case.arms, case.question.level
    alike = f", alike in {case.alike}" if case.coded.labels else ""
    own = (
        "random_intercept",
        "odds ratio, random intercept per athlete",
        f"two routines of one athlete{alike}",
    )
    mean = ("gee", "odds ratio, estimating equations", f"{pair}, averaged over athletes")
    if case.refusal:
        return [_line(case, *own, None, None, case.refusal), _line(case, *mean, None, None, case.refusal)]
    fits = (
        random_intercept(arms.values, case.design, arms.athletes, level=level, names=case.names, columns=[0]),
        gee(arms.values, case.design, arms.athletes, level=level, names=case.names),
    )
    return [_odds(case, *words, fit) for words, fit in zip((own, mean), fits, strict=True)]


def points_models(case: Case) -> tuple[list[Model], Interval | None]:
    """The lines for points lost, and the standardised difference."""
    arms = case.arms
    mix = ("standardised", "standardised difference", f"the same mix of {case.alike}")
    if case.refusal:
        return [_line(case, *mix, None, None, case.refusal)], None
    if not case.coded.labels:
        return [], None
    found = standardised_points(
        arms.values, arms.first, case.coded.X, level=case.question.level, athlete=case.athletes
    )
    return [_line(case, *mix, found)], found


def ordered_models(case: Case) -> tuple[list[Model], Fit | None]:
    """The lines for the landing grade, and the proportional-odds fit."""
    words = (
        "ordered",
        "odds ratio of a better landing, proportional odds",
        f"two routines alike in {case.alike}" if case.question.adjust else "one routine of each technique",
    )
    if case.refusal:
        return [_line(case, *words, None, None, case.refusal)], None
    # Grades that occur, numbered from the worst: what never occurs has no number.
    _, better = np.unique(case.arms.values, return_inverse=True)
    fit = proportional_odds(
        better.reshape(-1), case.design, level=case.question.level, names=case.names, athlete=case.athletes
    )
    return [_odds(case, *words, fit)], fit


def within_lines(case: Case, budget: Budget = DEFAULT) -> list[Model]:
    """Each athlete who showed both techniques compared with themself; no column is needed for that."""
    if case.outcome == "landing grade" or not case.arms.clustered:
        return []
    arms, level = case.arms, case.question.level
    kind: Literal["stuck", "points"] = "stuck" if case.outcome == "stuck" else "points"
    found = within_athletes(
        arms.values, arms.first, arms.athletes, level=level, budget=budget, seed=case.question.seed, kind=kind
    )
    whom = f"each of {found.athletes} athletes who showed both, with themself"
    lines = [
        _effect(
            case, "within", "difference within athletes", whom, found.difference, found.why, found.routines
        )
    ]
    if case.outcome == "stuck":
        name = "odds ratio within athletes, exact"
        lines.append(_effect(case, "within_odds", name, whom, found.odds_ratio, found.why, found.routines))
    return lines


def first_routines_line(case: Case, first_only: pd.DataFrame) -> Model | None:
    """The standardised difference over each athlete's first routine, which needs no model of likeness."""
    if not case.clustered or not case.coded.labels or case.outcome == "landing grade":
        return None
    coded = code_columns(first_only, case.question.adjust)
    alone = Case(first_only, case.question, case.outcome, coded, coded.why)
    arms = alone.arms
    key, name = "first_routines", "standardised difference, first routines"
    compares = f"the same mix of {case.alike}, first routine of each athlete"
    if coded.why or min(arms.sizes) == 0:
        return _line(
            alone, key, name, compares, None, None, coded.why or "one technique has no first routine"
        )
    routine = standardised_difference if case.outcome == "stuck" else standardised_points
    found = routine(arms.values, arms.first, coded.X, level=case.question.level)
    return _line(alone, key, name, compares, found)


def _line(
    case: Case,
    key: str,
    name: str,
    compares: str,
    found: Interval | None,
    p: float | None = None,
    why: str = "",
    n: int | None = None,
) -> Model:
    """A line from an interval for a difference, or from none with its reason."""
    if found is None or math.isnan(found.low):
        estimate, low, high, claim = None, None, None, claim_of(math.nan, math.nan)
        why = why or (found.why if found is not None else "not estimated")
    else:
        estimate, low, high = found.estimate, found.low, found.high
        claim = claim_of(low, high, case.question.matters)
        why = why or found.why
    if min(case.arms.sizes) < FEWEST:
        claim = "not shown"
    return Model(
        key=key,
        name=name,
        compares=compares,
        quantity="difference" if found is None else found.quantity,
        estimate=estimate,
        low=low,
        high=high,
        level=case.question.level,
        p_value=p,
        n=len(case.frame) if n is None else n,
        athletes=case.frame["athlete"].nunique(),
        method="" if found is None else found.method,
        claim=claim,
        chosen=False,
        why=why,
    )


def _odds(case: Case, key: str, name: str, compares: str, fit: Fit) -> Model:
    """A line from the technique's coefficient of a logistic model, as an odds ratio."""
    place = fit.names.index(case.names[0])
    value, (low, high), p = fit.coefficients[place], fit.intervals[place], fit.p_values[place]
    reason = fit.reasons[place] if place < len(fit.reasons) else ""
    why = "; ".join(dict.fromkeys(text for text in (reason, fit.why) if text))
    known = not math.isnan(value)
    limits = not (math.isnan(low) or math.isnan(high))
    return Model(
        key=key,
        name=name,
        compares=compares,
        quantity="odds ratio",
        estimate=_exp(value) if known else None,
        low=_exp(low) if limits else None,
        high=_exp(high) if limits else None,
        level=case.question.level,
        p_value=None if math.isnan(p) else p,
        n=fit.n,
        athletes=case.frame["athlete"].nunique(),
        method=fit.method,
        claim=claim_of(low, high) if min(case.arms.sizes) >= FEWEST else "not shown",
        chosen=False,
        why=why,
    )


def _exp(value: float) -> float:
    return math.exp(value) if value < 700 else math.inf


def _effect(case: Case, key: str, name: str, compares: str, found: Effect | None, why: str, n: int) -> Model:
    """A line from an effect; an odds ratio's claim is read against 1."""
    quantity = "odds ratio" if key == "within_odds" else "difference"
    if found is None:
        return Model(
            key, name, compares, quantity, None, None, None, case.question.level, None, n,
            case.frame["athlete"].nunique(), "", "not shown", False, why,
        )  # fmt: skip
    null = 1.0 if quantity == "odds ratio" else 0.0
    limits = not (math.isnan(found.low) or math.isnan(found.high))
    matters = case.question.matters if quantity == "difference" else None
    return Model(
        key=key,
        name=name,
        compares=compares,
        quantity=quantity if null else found.quantity,
        estimate=None if math.isnan(found.estimate) else found.estimate,
        low=found.low if limits else None,
        high=found.high if limits else None,
        level=found.level,
        p_value=None if math.isnan(found.p_value) else found.p_value,
        n=found.n,
        athletes=case.frame["athlete"].nunique(),
        method=found.interval_method or found.method,
        claim=claim_of(found.low - null, found.high - null, matters) if limits else "not shown",
        chosen=False,
        why=found.why or why,
    )
