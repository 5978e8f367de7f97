"""How points are said: saved on the landing, and set against a difference in difficulty value."""

from __future__ import annotations

import math

from analysis.reading import amounts
from analysis.reading.amounts import amount, ended, interval_words
from analysis.reading.words import ENGLISH, say, words

LEAST = 5e-5
"""Differences below this are shown as 0.0000 points and said as none."""


def points_sentence(
    first: str,
    second: str,
    estimate: float,
    low: float,
    high: float,
    level: float,
    falls: str,
    why: str = "",
    few: bool = False,
    language: str = ENGLISH,
) -> str:
    """Points saved per routine by the first technique: the negative of first minus second, in words.

    The interval is turned so that it counts in the direction of the sentence.

    Parameters
    ----------
    first, second : str
        The techniques' names.
    estimate, low, high : float
        Mean points lost, first minus second, with its limits: infinite where the plan asked one side only, NaN where
        there are none, with `why`.
    falls : {"with falls", "without falls", "no falls"}
    few : bool
        Whether a technique has too few routines for a claim.
    """
    saves = estimate < 0
    turned = (-high, -low) if saves else (low, high)
    slots = {
        "first": first,
        "second": second,
        "amount": _points(abs(estimate), language),
        "side": words(language)["points"]["less" if saves else "more"],
        "falls": words(language)["falls"][falls],
    }
    equal = abs(estimate) < LEAST
    if math.isnan(low) or math.isnan(high):
        reason = ended(why) or words(language)["points"]["unknown"]
        return say("points", "equal_alone" if equal else "alone", language, why=reason, **slots)
    slots["interval"] = interval_words(*turned, level, "points", n=0, language=language)
    if equal:
        key = "equal"
    elif few:
        key = "few"
    elif turned[0] > 0:
        key = "saved" if saves else "cost"
    else:
        key = "open_from" if math.isinf(turned[1]) else "open_to" if math.isinf(turned[0]) else "open"
    return say("points", key, language, **slots)


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
    language: str = ENGLISH,
) -> str:
    """Whether a difference in difficulty value pays for what the landing costs, with how sure that is.

    `gain` is the first technique's difficulty value less the second's, `saved` the points that it saves on the landing
    and `net` their sum, all in points per routine; `limits` are those of `net`.
    """
    low, high = limits
    if low > 0:
        key = "pays"
    elif high < 0:
        key = "loses"
    else:
        key = "open_even" if abs(net) < LEAST else "open_gain" if net > 0 else "open_loss"
    turned = (-high, -low) if key in ("loses", "open_loss") else (low, high)
    return say(
        "trade",
        key,
        language,
        first=first,
        second=second,
        gain=_difficulty(gain, language),
        saved=_landing(saved, language),
        net=_points(abs(net), language),
        interval=interval_words(*turned, level, "points", n=0, language=language),
        confidence=amounts.confidence(confidence, language),
        falls=words(language)["falls"][falls],
    )


def _difficulty(gain: float, language: str) -> str:
    key = "difficulty_equal" if abs(gain) < LEAST else "difficulty_more" if gain > 0 else "difficulty_less"
    return say("trade", key, language, amount=_points(abs(gain), language))


def _landing(saved: float, language: str) -> str:
    key = "landing_equal" if abs(saved) < LEAST else "landing_less" if saved > 0 else "landing_more"
    return say("trade", key, language, amount=_points(abs(saved), language))


def _points(value: float, language: str) -> str:
    return amount(value, "points", 0, language)
