"""The planned contrast, first technique minus second, by the routine that `choose` names."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.comparison.choose import PAST_BUDGET, Choice, alternative_of, choose
from analysis.comparison.result import Beside, Group, Headline, Outcome, Question
from analysis.reading.claim import FEWEST, claim_of, disagrees
from analysis.reading.sentences import disagreement_sentence
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.clustered import (
    athlete_permutation,
    clustered_difference,
    clustered_groups,
    clustered_superiority,
)
from analysis.stats.deductions import permutation_mean_difference, rank_sum
from analysis.stats.proportions import proportion_interval
from analysis.stats.result import Alternative, Effect, Interval, Test
from analysis.stats.score import score_test
from analysis.stats.two_groups import (
    barnard,
    boschloo,
    difference_interval,
    fisher,
    odds_ratio_interval,
    ratio_interval,
)

_UNIT: dict[Outcome, Literal["proportion", "points", "probability"]] = {
    "stuck": "proportion",
    "deduction": "points",
    "landing grade": "probability",
}


@dataclass(frozen=True, eq=False)
class Arms:
    """Two groups of routines, with the outcome as a number.

    `values` is 1 for stuck and 0 otherwise, points lost, or the landing's grade turned so that a better landing is
    higher. `first` is True for the first technique.
    """

    values: np.ndarray
    first: np.ndarray
    athletes: np.ndarray

    @property
    def sizes(self) -> tuple[int, int]:
        """Routines of the first and of the second technique."""
        return int(self.first.sum()), int((~self.first).sum())

    @property
    def clustered(self) -> bool:
        """Whether any athlete has more than one routine."""
        return len(set(self.athletes)) < len(self.athletes)

    @property
    def counts(self) -> tuple[int, int, int, int]:
        """Return x1, n1, x2, n2 for an outcome of 0 and 1."""
        n1, n2 = self.sizes
        return int(self.values[self.first].sum()), n1, int(self.values[~self.first].sum()), n2


def values_of(frame: pd.DataFrame, outcome: Outcome) -> np.ndarray:
    """Return the outcome of each routine as a number: stuck 0/1, points, or the turned grade."""
    if outcome == "stuck":
        return frame["stuck"].astype(int).to_numpy()
    if outcome == "deduction":
        return frame["points"].astype(int).to_numpy() / 1000.0
    return -frame["grade"].astype(int).to_numpy()


def arms_of(frame: pd.DataFrame, outcome: Outcome, first: int = 0, second: int = 1) -> Arms:
    """Take two techniques (by their place in the plan) out of the used rows."""
    pair = frame[frame["arm"].isin([first, second])]
    return Arms(values_of(pair, outcome), (pair["arm"] == first).to_numpy(), pair["athlete"].to_numpy())


@dataclass(frozen=True)
class Contrast:
    """What one contrast of two groups gave: an interval and a test, or why not."""

    choice: Choice
    interval: Interval | None
    interval_why: str
    test: Test | None
    p_why: str
    estimate: float | None = None

    @property
    def asymptotic(self) -> bool:
        """Whether the exact pair of this situation would have exceeded the budget."""
        return self.choice.interval == "exact" and self.interval is not None and not is_exact(self.interval)


def is_exact(found: Interval | Test) -> bool:
    """Whether a result that is exact within the budget was so here."""
    return "asymptotic" not in found.method


def contrast(
    arms: Arms,
    outcome: Outcome,
    clustered: bool,
    level: float = 0.95,
    alternative: Alternative = "two-sided",
    seed: int = 0,
    budget: Budget = DEFAULT,
) -> Contrast:
    """Compare two groups of routines by the routine for their situation.

    Parameters
    ----------
    arms : Arms
    outcome : {"stuck", "deduction", "landing grade"}
    clustered : bool
        Whether athletes are to be the units; it has no effect where no athlete comes back.
    level, alternative, seed, budget
        Passed to the routine.
    """
    choice = choose(outcome, clustered and arms.clustered)
    n1, n2 = arms.sizes
    if n1 == 0 or n2 == 0:
        which = "first" if n1 == 0 else "second"
        why = f"the {which} technique has no routine that can be used"
        return Contrast(choice, None, why, None, why)
    interval = interval_of(arms, outcome, clustered, level, alternative, budget)
    interval_why = ""
    if math.isnan(interval.low) or math.isnan(interval.high):
        interval_why = interval.why or "the interval could not be estimated"
    shown = None if interval_why else interval
    estimate = None if math.isnan(interval.estimate) else interval.estimate
    if min(n1, n2) < FEWEST:
        p_why = f"fewer than {FEWEST} routines in a group ({n1} and {n2})"
        return Contrast(choice, shown, interval_why, None, p_why, estimate)
    test = _test(choice, arms, interval, alternative, seed, budget)
    if math.isnan(test.p_value):
        p_why = test.why or "the p-value could not be computed"
        return Contrast(choice, shown, interval_why, None, p_why, estimate)
    return Contrast(choice, shown, interval_why, test, "", estimate)


def interval_of(
    arms: Arms,
    outcome: Outcome,
    clustered: bool,
    level: float = 0.95,
    alternative: Alternative = "two-sided",
    budget: Budget = DEFAULT,
) -> Interval:
    """Return the interval of a contrast alone; both groups need a routine. Parameters as in `contrast`."""
    choice = choose(outcome, clustered and arms.clustered)
    values, first = arms.values, arms.first
    if outcome == "landing grade":
        if choice.clustered:
            return clustered_superiority(values, first, arms.athletes, level=level, alternative=alternative)
        return _centred(
            rank_sum(values[first], values[~first], alternative=alternative, level=level, budget=budget)
        )
    if outcome == "stuck" and not choice.clustered:
        return difference_interval(
            *arms.counts, method="exact", level=level, alternative=alternative, budget=budget
        )
    units = arms.athletes if choice.clustered else np.arange(len(values))
    kind: Literal["stuck", "points"] = "stuck" if outcome == "stuck" else "points"
    return clustered_difference(values, first, units, level=level, alternative=alternative, kind=kind)


def _test(
    choice: Choice, arms: Arms, interval: Interval, alternative: Alternative, seed: int, budget: Budget
) -> Test:
    """Return the test that stands beside an interval."""
    values, first = arms.values, arms.first
    if choice.clustered:
        scores = _midranks(values) if choice.outcome == "landing grade" else values
        return athlete_permutation(
            scores, first, arms.athletes, alternative=alternative, budget=budget, seed=seed
        )
    if choice.outcome == "deduction":
        return _test_part(
            permutation_mean_difference(
                values[first], values[~first], alternative=alternative, budget=budget, seed=seed
            )
        )
    if choice.outcome == "landing grade":
        return _test_part(rank_sum(values[first], values[~first], alternative=alternative, budget=budget))
    # Past the budget the interval is the asymptotic one, and the test beside it is that interval's own.
    if is_exact(interval):
        return barnard(*arms.counts, alternative=alternative, budget=budget)
    return score_test(*arms.counts, alternative=alternative)


def _centred(effect: Effect) -> Interval:
    """Centre a chance, so that 0 means "neither lands better", as for the other outcomes."""
    return Interval(
        "chance of the better landing, less one half",
        effect.estimate - 0.5,
        effect.low - 0.5,
        effect.high - 0.5,
        effect.level,
        effect.interval_method,
        effect.n,
        assumes=effect.assumes,
        why=effect.why,
    )


def _test_part(effect: Effect) -> Test:
    return Test(
        effect.p_value,
        effect.alternative,
        effect.method,
        effect.n,
        statistic=effect.statistic,
        smallest=effect.smallest,
        draws=effect.draws,
        error=effect.error,
        assumes=effect.assumes,
        why=effect.why,
    )


def make_headline(frame: pd.DataFrame, question: Question, budget: Budget = DEFAULT) -> Headline:
    """Compare the plan's first two techniques and say what may be claimed."""
    alternative: Alternative = alternative_of(question.sides)
    found = contrast(
        arms_of(frame, question.outcome),
        question.outcome,
        question.repeats == "cluster",
        question.level,
        alternative,
        question.seed,
        budget,
    )
    claim = claim_of(math.nan, math.nan)
    disagreement = ""
    if found.interval is not None and found.test is not None:
        low, high = found.interval.low, found.interval.high
        claim = claim_of(low, high, question.matters)
        alpha = round(1 - question.level, 12)
        if disagrees(low, high, found.test.p_value, alpha):
            disagreement = disagreement_sentence(
                excludes=low > 0 or high < 0, clustered=found.choice.clustered, language=question.language
            )
    return Headline(
        outcome=question.outcome,
        first=question.techniques[0],
        second=question.techniques[1],
        unit=_UNIT[question.outcome],
        interval=found.interval,
        interval_why=found.interval_why,
        test=found.test,
        p_why=found.p_why,
        claim=claim,
        reason=PAST_BUDGET if found.asymptotic else found.choice.reason,
        disagreement=disagreement,
        estimate=found.estimate,
    )


def make_groups(frame: pd.DataFrame, question: Question) -> tuple[Group, ...]:
    """Count each technique and give the limits that the headline uses, so that picture and headline agree."""
    arms = frame["arm"].to_numpy()
    clustered = question.repeats == "cluster" and bool(frame["athlete"].duplicated().any())
    best = _best(frame, question.outcome)
    athletes = frame["athlete"].to_numpy()
    rates = clustered_groups(best, arms, athletes, question.level, kind="stuck") if clustered else ()
    by_arm = {group.group: group for group in rates}
    means = {}
    if question.outcome == "deduction" and len(frame):
        units = athletes if clustered else np.arange(len(frame))
        found = clustered_groups(values_of(frame, "deduction"), arms, units, question.level, kind="points")
        means = {group.group: group for group in found}
    groups = []
    for place, name in enumerate(question.techniques):
        here = arms == place
        n, x = int(here.sum()), int(best[here].sum())
        if place in by_arm:
            rate = by_arm[place]
            low, high, method, effective = rate.low, rate.high, rate.method, rate.effective_n
        else:
            interval = proportion_interval(x, n, level=question.level)
            low, high, method, effective = interval.low, interval.high, interval.method, float(n)
        mean = means.get(place)
        groups.append(
            Group(
                name=name,
                x=x,
                n=n,
                athletes=len(set(athletes[here])),
                low=low,
                high=high,
                level=question.level,
                method=method,
                effective_n=effective,
                mean=None if mean is None else mean.estimate,
                mean_low=None if mean is None else mean.low,
                mean_high=None if mean is None else mean.high,
                why="" if n else "no routine of this technique can be used",
            )
        )
    return tuple(groups)


def make_beside(frame: pd.DataFrame, question: Question, budget: Budget = DEFAULT) -> Beside:
    """Give the same contrast by other measures and tests; for outcomes other than stuck there is none."""
    arms = arms_of(frame, question.outcome)
    n1, n2 = arms.sizes
    if question.outcome != "stuck" or min(n1, n2) == 0:
        return Beside((), (), "")
    x1, n1, x2, n2 = arms.counts
    level = question.level
    alternative: Alternative = alternative_of(question.sides)
    intervals = (
        difference_interval(x1, n1, x2, n2, method="miettinen-nurminen", level=level),
        difference_interval(x1, n1, x2, n2, method="newcombe", level=level),
        ratio_interval(x1, n1, x2, n2, method="koopman", level=level),
        odds_ratio_interval(x1, n1, x2, n2, method="exact", level=level),
    )
    tests: tuple[Test, ...] = ()
    if min(n1, n2) >= FEWEST:
        tests = (
            barnard(x1, n1, x2, n2, alternative=alternative, budget=budget),
            boschloo(x1, n1, x2, n2, alternative=alternative, budget=budget),
            fisher(x1, n1, x2, n2, alternative=alternative),
            fisher(x1, n1, x2, n2, alternative=alternative, mid_p=True),
        )
        # Past the budget the two unconditional tests fall back to one and the same score test.
        tests = tuple(test for test in tests if is_exact(test))
    note = "Each takes every routine as independent of the others."
    if arms.clustered:
        note += (
            " Athletes come back in this sample, so these are too confident; the headline isn't one of them."
        )
    return Beside(intervals, tests, note)


def _best(frame: pd.DataFrame, outcome: Outcome) -> np.ndarray:
    """Return 1 for the routines that `x` counts: stuck, without deduction, or in the best grade."""
    if outcome == "stuck":
        return frame["stuck"].astype(int).to_numpy()
    if outcome == "deduction":
        return (frame["points"].astype(int) == 0).astype(int).to_numpy()
    return (frame["grade"].astype(int) == 0).astype(int).to_numpy()


def _midranks(values: np.ndarray) -> np.ndarray:
    """Doubled midranks as whole numbers, divided by 1000 so that they are exact thousandths."""
    ranks = pd.Series(values).rank(method="average")
    return (2 * ranks).round().astype(int).to_numpy() / 1000.0
