"""Counts, differences, chances and intervals as a sentence says them, with their unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.reading import numbers
from analysis.reading.words import ENGLISH, say, say_counted

SURE = 0.9995
"""A confidence or a chance above this, or below its complement, is said as a bound: it never reads 100 % or 0 %."""

MOST_ODDS, LEAST_ODDS = 1000.0, 0.01
"""Odds ratios outside these are said as a bound."""


@dataclass(frozen=True)
class Arm:
    """One technique as a sentence needs it: its count, the limits of its rate and its mean points."""

    name: str
    x: int
    n: int
    low: float
    high: float
    mean: float | None = None


def rate(arm: Arm, language: str = ENGLISH) -> str:
    """A rate with its count; at 0 and at 100 % the limit that still fits is said in the same breath."""
    count = say("rate", "count", language, x=arm.x, n=arm.n)
    edge = arm.low if arm.x == arm.n else arm.high
    if arm.n == 0 or (arm.x in (0, arm.n) and math.isnan(edge)):
        return count
    digits = numbers.percent_digits(arm.n)
    percent = numbers.percent(arm.x / arm.n, digits)
    key = "all" if arm.x == arm.n else "none" if arm.x == 0 else "plain"
    return say("rate", key, language, count=count, percent=percent, limit=numbers.percent(edge, digits))


def limit(value: float, unit: str, n: int) -> str:
    """A difference or its limit from `n` routines, without its unit: percentage points, points, or a chance."""
    if unit == "proportion":
        return numbers.percentage_points(value, numbers.percent_digits(n))
    if unit == "points":
        return numbers.points(value)
    return numbers.percent(value + 0.5, numbers.percent_digits(n))


def amount(value: float, unit: str, n: int, language: str = ENGLISH) -> str:
    """A difference from `n` routines with its unit: "13 percentage points", "1 percentage point", "0.10 points"."""
    shown = limit(value, unit, n)
    return say_counted("amount", unit, shown, language, value=shown)


def interval_words(
    low: float, high: float, level: float, unit: str, n: int, sides: str = "two", language: str = ENGLISH
) -> str:
    """An interval in the unit of its outcome; of a one-sided interval only the limit that was computed."""
    ends = [None if math.isinf(end) else limit(end, unit, n) for end in (low, high)]
    return _between(ends[0], ends[1], level, sides, language)


def odds_interval(low: float, high: float, level: float, language: str = ENGLISH) -> str:
    """The interval of an odds ratio; 0 and infinity are no limits."""
    below = None if low == 0 else odds(low, language)
    above = None if math.isinf(high) else odds(high, language)
    return _between(below, above, level, "two", language)


def _between(low: str | None, high: str | None, level: float, sides: str, language: str) -> str:
    shown = numbers.level(level)
    below = low if sides != "fewer" else None
    above = high if sides != "more" else None
    if below is not None and above is not None:
        return say("interval", "two", language, low=below, high=above, level=shown)
    if below is not None:
        return say("interval", "lower", language, low=below, level=shown)
    if above is not None:
        return say("interval", "upper", language, high=above, level=shown)
    return say("interval", "unbounded", language, level=shown)


def odds(value: float, language: str = ENGLISH) -> str:
    """An odds ratio with two decimals; a huge or a tiny one as a bound."""
    if value > MOST_ODDS:
        return say("bound", "over", language, limit=numbers.decimal(MOST_ODDS, 0))
    if value < LEAST_ODDS:
        return say("bound", "under", language, limit=numbers.decimal(LEAST_ODDS, 2))
    return numbers.decimal(value, 2)


def confidence(value: float, language: str = ENGLISH) -> str:
    """A confidence or a chance in whole percent, near the ends with a decimal or as a bound."""
    if value >= SURE:
        return say("bound", "over", language, limit=numbers.percent(0.999, 1))
    if value <= 1 - SURE:
        return say("bound", "under", language, limit=numbers.percent(0.001, 1))
    return numbers.percent(value, 0)


def share(value: float, n: int, key: str = "plain", language: str = ENGLISH) -> str:
    """A share of the pairs of `n` routines; `key` is "later" where the pairs were named before."""
    if value in (0, 1):
        edge = "all" if value else "none"
        return say("share", edge if key == "plain" else f"{edge}_{key}", language)
    return say("share", key, language, percent=numbers.percent(value, numbers.percent_digits(n)))


def ended(why: str) -> str:
    """A reason as the end of a sentence: without a full stop of its own."""
    return why.strip().rstrip(".")
