"""How it is said: plain facts in, sentences out. The same result always reads the same."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from analysis.reading import numbers

LANGUAGE = "en"


@dataclass(frozen=True)
class Arm:
    """One technique as a sentence needs it: its count, the limits of its rate and its mean points."""

    name: str
    x: int
    n: int
    low: float
    high: float
    mean: float | None = None


@cache
def words(language: str = LANGUAGE) -> dict[str, dict[str, str]]:
    """Return the sentences of a language, as shipped in the package."""
    path = resources.files("analysis.resources").joinpath("words", f"{language}.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


@cache
def cautions(language: str = LANGUAGE) -> tuple[str, ...]:
    """Return the cautions that every report carries."""
    path = resources.files("analysis.resources").joinpath("cautions", f"{language}.toml")
    return tuple(tomllib.loads(path.read_text(encoding="utf-8"))["cautions"])


def say(group: str, key: str, **slots: str | int) -> str:
    """Fill one sentence. Slots are inserted as they are: a brace in a technique's name stays a brace."""
    return words()[group][key].format_map({name: str(value) for name, value in slots.items()})


def rate(arm: Arm) -> str:
    """A rate with its count; at 0 and at 100 % the limit that still fits is said in the same breath."""
    if arm.n == 0:
        return numbers.count(arm.x, arm.n)
    digits = numbers.percent_digits(arm.n)
    slots = {"count": numbers.count(arm.x, arm.n), "percent": numbers.percent(arm.x / arm.n, digits)}
    if arm.x == arm.n:
        return say("rate", "all", limit=numbers.percent(arm.low, digits), **slots)
    if arm.x == 0:
        return say("rate", "none", limit=numbers.percent(arm.high, digits), **slots)
    return say("rate", "plain", **slots)


def interval_words(low: float, high: float, level: float, unit: str, n: int, sides: str = "two") -> str:
    """An interval in the unit of its outcome; of a one-sided interval only the limit that was computed."""
    shown = numbers.level(level)
    if sides == "more":
        return say("interval", "lower", low=limit(low, unit, n), level=shown)
    if sides == "fewer":
        return say("interval", "upper", high=limit(high, unit, n), level=shown)
    return say("interval", "two", low=limit(low, unit, n), high=limit(high, unit, n), level=shown)


def limit(value: float, unit: str, n: int) -> str:
    """A difference or its limit from `n` routines: percentage points, points, or a chance."""
    if unit == "proportion":
        return numbers.percentage_points(value, numbers.percent_digits(n))
    if unit == "points":
        return numbers.points(value)
    return numbers.percent(value + 0.5, numbers.percent_digits(n))


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
    fewest: int = 3,
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
    """
    if estimate is None:
        return say("headline", "none", first=first.name, second=second.name, why=why)
    n = first.n + second.n
    group, unit = {
        "stuck": ("stuck", "proportion"),
        "deduction": ("deduction", "points"),
        "landing grade": ("grade", "probability"),
    }[outcome]
    if limits is None:
        seen = limit(estimate, unit, n)
        return say("headline", "no_interval", first=first.name, second=second.name, difference=seen, why=why)
    low, high = limits
    key = {"first higher": "higher", "first lower": "lower", "about the same": "same", "not shown": "open"}[
        claim
    ]
    shown_matters = ""
    if matters is not None:
        shown_matters = (
            numbers.percentage_points(matters) if unit == "proportion" else numbers.points(matters)
        )
    sentence = say(
        group,
        key,
        first=first.name,
        second=second.name,
        rate1=rate(first),
        rate2=rate(second),
        mean1=numbers.points(first.mean),
        mean2=numbers.points(second.mean),
        difference=limit(estimate, unit, n),
        chance=limit(estimate, unit, n),
        interval=interval_words(low, high, level, unit, n, sides),
        matters=shown_matters,
    )
    if min(first.n, second.n) < fewest:
        counts = f"{first.name} {first.n}, {second.name} {second.n}"
        few = say("headline", "few", first=first.name, second=second.name, counts=counts)
        return f"{few} {sentence}"
    return sentence


def p_sentence(p: float | None, test: str, why: str) -> str:
    """The p-value in its place beside the interval, or why there is none."""
    if p is None or math.isnan(p):
        return say("headline", "p_none", why=why)
    return say("headline", "p", p=numbers.p_value(p), test=test)


def overall_sentence(techniques: int, p: float, by_pairs: bool) -> str:
    """The test over three or more techniques."""
    key = "overall_pairs" if by_pairs else "overall"
    return say("headline", key, techniques=techniques, p=numbers.p_value(p))


def one_sided_sentence(sides: str) -> str:
    """That a one-sided question was asked, in the plan's words."""
    return say("headline", "one_sided", side={"more": "higher", "fewer": "lower"}[sides])


def disagreement_sentence(excludes: bool, clustered: bool) -> str:
    """Why interval and p-value fall on different sides of the level."""
    key = "excluding" if excludes else "containing"
    return say("disagreement", f"{key}_clustered" if clustered else key)


def strata_sentence(
    by: Sequence[str], plain: float, within: float, n: int, sign_changes: bool, claim: str, claim_within: str
) -> str:
    """Whether comparing within strata changes the sign or the claim."""
    slots = {
        "by": " and ".join(by),
        "plain": limit(plain, "proportion", n),
        "within": limit(within, "proportion", n),
    }
    if sign_changes:
        return say("strata", "sign", **slots)
    if claim != claim_within:
        named = words()["claims"]
        return say("strata", "claim", claim=named[claim], claim_within=named[claim_within], **slots)
    return say("strata", "agree", **slots)


def adjusted_sentence(
    columns: Sequence[str],
    unit: str,
    plain: float | None,
    adjusted: tuple[float | None, float | None, float | None] | None,
    level: float,
    n: int,
    fewer: bool,
    claim: str,
    claim_adjusted: str,
    why: str,
) -> str:
    """Whether comparing like with like changes the sign or the claim; or why like could not be compared.

    `adjusted` is (estimate, low, high); `unit` is that of the headline, or "odds ratio". `fewer` says that both rest
    on fewer routines than the headline, because a column has gaps.
    """
    named = words()["claims"]
    slots = {
        "columns": " and ".join(columns),
        "claim": named[claim],
        "claim_adjusted": named[claim_adjusted],
        "rows": say("adjusted", "rows", n=n) if fewer else "",
    }
    if adjusted is None or None in adjusted:
        return say("adjusted", "none", why=why or words()["adjusted"]["unknown"], **slots)
    estimate, low, high = (float(value) for value in adjusted if value is not None)
    if unit == "odds ratio":
        ends = {"low": numbers.decimal(low, 2), "high": numbers.decimal(high, 2)}
        interval = say("interval", "two", level=numbers.level(level), **ends)
        return say("adjusted", "odds", adjusted=numbers.decimal(estimate, 2), interval=interval, **slots)
    key = "agree"
    if plain is not None and plain * estimate < 0:
        key = "sign"
    elif claim != claim_adjusted:
        key = "claim"
    return say(
        "adjusted",
        key,
        adjusted=limit(estimate, unit, n),
        plain="not estimated" if plain is None else limit(plain, unit, n),
        unit=words()["units"][unit],
        interval=interval_words(low, high, level, unit, n),
        **slots,
    )


def points_sentence(
    first: str, second: str, estimate: float, low: float, high: float, level: float, falls: str
) -> str:
    """Points saved per routine by the first technique: the negative of first minus second, in words.

    The interval is turned so that it counts in the direction of the sentence.
    """
    saves = estimate < 0
    turned = (-high, -low) if saves else (low, high)
    slots = {
        "first": first,
        "second": second,
        "amount": numbers.points(abs(estimate)),
        "interval": interval_words(*turned, level, "points", n=0),
        "falls": falls,
    }
    if estimate == 0:
        return say("points", "equal", **slots)
    if turned[0] <= 0:
        side = words()["points"]["less" if saves else "more"]
        return say("points", "open", side=side, **slots)
    return say("points", "saved" if saves else "cost", **slots)


def graded_sentence(
    first: str, second: str, first_better: float, second_better: float, tie: float, n: int
) -> str:
    """How often one routine of each lands at least one grade apart, in either direction."""
    digits = numbers.percent_digits(n)
    slots = {
        "first": first,
        "second": second,
        "first_better": numbers.percent(first_better, digits),
        "second_better": numbers.percent(second_better, digits),
        "tie": numbers.percent(tie, digits),
    }
    return say("graded", "shares", **slots)


def trade_sentence(
    first: str,
    second: str,
    gain: float,
    saved: float,
    net: float,
    limits: tuple[float, float],
    confidence: float,
    level: float,
    falls: str,
) -> str:
    """Whether a difference in difficulty value pays for what the landing costs, with how sure that is."""
    low, high = limits
    key = "open"
    if low > 0:
        key = "pays"
    elif high < 0:
        key = "loses"
    return say(
        "trade",
        key,
        first=first,
        second=second,
        gain=numbers.points(gain),
        saved=numbers.points(saved),
        net=numbers.points(net),
        interval=interval_words(low, high, level, "points", n=0),
        confidence=numbers.percent(confidence, 0),
        falls=falls,
    )


def prior_sentence(
    stuck: float,
    missed: float,
    difference: tuple[float, float, float],
    chance: float,
    level: float,
    n: int,
) -> str:
    """What the plan's earlier belief makes of the same counts."""
    estimate, low, high = difference
    return say(
        "prior",
        "plan",
        stuck=f"{stuck:g}",
        missed=f"{missed:g}",
        difference=limit(estimate, "proportion", n),
        interval=interval_words(low, high, level, "proportion", n),
        chance=numbers.percent(chance, 0),
    )
