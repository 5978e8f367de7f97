"""How the headline and what stands beside it are said. The same result always reads the same."""

from __future__ import annotations

import math

from analysis.reading import numbers
from analysis.reading.alike import adjusted_sentence, strata_sentence
from analysis.reading.amounts import (
    Arm,
    amount,
    confidence,
    ended,
    interval_words,
    limit,
    rate,
    share,
)
from analysis.reading.claim import FEWEST, check_claim
from analysis.reading.points import points_sentence, trade_sentence
from analysis.reading.words import ENGLISH, cautions, listed, say, say_counted, words

__all__ = [
    "Arm",
    "adjusted_sentence",
    "amount",
    "cautions",
    "disagreement_sentence",
    "graded_sentence",
    "headline_sentence",
    "interval_words",
    "limit",
    "listed",
    "one_sided_sentence",
    "overall_sentence",
    "p_sentence",
    "points_sentence",
    "prior_sentence",
    "rate",
    "repeats_sentence",
    "say",
    "say_counted",
    "strata_sentence",
    "trade_sentence",
    "words",
]

_OUTCOMES = {
    "stuck": ("stuck", "proportion"),
    "deduction": ("deduction", "points"),
    "landing grade": ("grade", "probability"),
}
_CLAIMS = {"first higher": "higher", "first lower": "lower", "about the same": "same", "not shown": "open"}


def headline_sentence(
    outcome: str,
    first: Arm,
    second: Arm,
    estimate: float | None,
    limits: tuple[float, float] | None,
    level: float,
    claim: str,
    why: str = "",
    sides: str = "two",
    matters: float | None = None,
    fewest: int = FEWEST,
    language: str = ENGLISH,
) -> str:
    """Return the one sentence that answers the question, worded by the interval.

    Parameters
    ----------
    outcome : {"stuck", "deduction", "landing grade"}
    first, second : Arm
        The two techniques in the plan's order.
    estimate : float or None
        First minus second; None when a technique has no routine.
    limits : (float, float) or None
        The interval; None when there is none, with `why`.
    claim : {"first higher", "first lower", "about the same", "not shown"}
    sides : {"two", "more", "fewer"}
    matters : float, optional
        The difference that the plan calls too small to matter.
    fewest : int
        With fewer routines than this in a group nothing is claimed, whatever the claim given.

    Raises
    ------
    ValueError
        When the limits don't support the claim.
    """
    if estimate is None:
        why = ended(why)
        return say("headline", "none", language, first=first.name, second=second.name, why=why)
    group, unit = _OUTCOMES[outcome]
    n = first.n + second.n
    few = min(first.n, second.n) < fewest
    key, interval = "no_interval", ""
    if limits is not None:
        low, high = limits
        check_claim(claim, low, high, matters)
        key = "open" if few else _CLAIMS[claim]
        key = f"open_{sides}" if key == "open" and sides != "two" else key
        interval = interval_words(low, high, level, unit, n, sides, language)
    sentence = say(
        group,
        key,
        language,
        first=first.name,
        second=second.name,
        rate1=rate(first, language),
        rate2=rate(second, language),
        mean1=numbers.points(first.mean),
        mean2=numbers.points(second.mean),
        n1=first.n,
        n2=second.n,
        difference=amount(estimate, unit, n, language),
        pairs=share(estimate + 0.5, n, "plain", language) if unit == "probability" else "",
        interval=interval,
        margin="" if matters is None else _margin(matters, unit, n, language),
        why=ended(why),
    )
    if not few:
        return sentence
    opening = say("headline", "few", language, first=first.name, second=second.name, fewest=fewest)
    return f"{opening} {sentence}"


def _margin(matters: float, unit: str, n: int, language: str) -> str:
    """The differences that the plan calls too small to matter: a size, or a range of chances around one half."""
    if unit != "probability":
        return amount(matters, unit, n, language)
    low, high = (limit(end, unit, n) for end in (max(-matters, -0.5), min(matters, 0.5)))
    return say("grade", "range", language, low=low, high=high)


def p_sentence(p: float | None, test: str, why: str, interval: bool = True, language: str = ENGLISH) -> str:
    """The p-value in its place beside the interval, or where there is no `interval`; or why there is no p-value."""
    if p is None or math.isnan(p):
        return say("headline", "p_none", language, why=ended(why))
    return say("headline", "p" if interval else "p_alone", language, p=numbers.p_value(p), test=test)


def overall_sentence(techniques: int, p: float, by_pairs: bool, language: str = ENGLISH) -> str:
    """The test over three or more techniques."""
    key = "overall_pairs" if by_pairs else "overall"
    return say("headline", key, language, techniques=techniques, p=numbers.p_value(p))


def one_sided_sentence(language: str = ENGLISH) -> str:
    """That a one-sided question was asked, and what its answer leaves out."""
    return say("headline", "one_sided", language)


def disagreement_sentence(excludes: bool, clustered: bool, language: str = ENGLISH) -> str:
    """Why interval and p-value fall on different sides of the level."""
    key = "excluding" if excludes else "containing"
    return say("disagreement", f"{key}_clustered" if clustered else key, language)


def repeats_sentence(choice: str, athletes: int, returning: int, later: int, language: str = ENGLISH) -> str:
    """How many athletes come back, and what the plan does with their routines.

    `later` counts the routines that are not their athlete's first.
    """
    if returning == 0:
        return say("repeats", "nobody", language)
    who = say_counted("repeats", "who", returning, language, returning=returning, athletes=athletes)
    return say_counted("repeats", choice, later, language, who=who, later=later)


def graded_sentence(
    first: str,
    second: str,
    first_better: float,
    second_better: float,
    tie: float,
    n: int,
    language: str = ENGLISH,
) -> str:
    """How often one routine of each lands at least one grade apart, in either direction."""
    return say(
        "graded",
        "shares",
        language,
        first=first,
        second=second,
        first_better=share(first_better, n, "plain", language),
        second_better=share(second_better, n, "later", language),
        tie=share(tie, n, "later", language),
    )


def prior_sentence(
    stuck: float,
    missed: float,
    difference: tuple[float, float, float],
    chance: float,
    level: float,
    n: int,
    language: str = ENGLISH,
) -> str:
    """What the plan's earlier belief makes of the same counts."""
    estimate, low, high = difference
    ends = {"low": limit(low, "proportion", n), "high": limit(high, "proportion", n)}
    return say(
        "prior",
        "plan",
        language,
        stuck=f"{stuck:g}",
        missed=f"{missed:g}",
        difference=amount(estimate, "proportion", n, language),
        interval=say("interval", "credible", language, level=numbers.level(level), **ends),
        chance=confidence(chance, language),
    )
