"""What comparing like with like is said to show: within the same meet, or for the same mix of columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.reading.amounts import amount, ended, interval_words, limit, odds, odds_interval
from analysis.reading.words import ENGLISH, listed, say, words


def strata_sentence(
    by: Sequence[str],
    plain: float,
    within: float,
    n: int,
    sign_changes: bool,
    claim: str,
    claim_within: str,
    language: str = ENGLISH,
) -> str:
    """Whether comparing within strata changes the sign or the claim of a difference of stuck rates."""
    named = words(language)["claims_proportion"]
    slots = {
        "by": listed(by, language),
        "within": amount(within, "proportion", n, language),
        "plain": limit(plain, "proportion", n),
        "plain_amount": amount(plain, "proportion", n, language),
        "claim": named[claim],
        "claim_within": named[claim_within],
    }
    key = "sign" if sign_changes else "agree" if claim == claim_within else "claim"
    return say("strata", key, language, **slots)


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
    language: str = ENGLISH,
) -> str:
    """Whether comparing like with like changes the sign or the claim; or why like could not be compared.

    `adjusted` is (estimate, low, high); `unit` is that of the headline, or "odds ratio" for the landing's grade, whose
    plain answer is a chance less one half. `fewer` says that both rest on fewer routines than the headline, because a
    column has gaps.
    """
    graded = unit == "odds ratio"
    named = words(language)["claims_probability" if graded else f"claims_{unit}"]
    slots = {
        "columns": listed(columns, language),
        "claim": named[claim],
        "claim_adjusted": named[claim_adjusted],
        "rows": say("adjusted", "rows", language, n=n) if fewer else "",
    }
    if adjusted is None or None in adjusted:
        reason = ended(why) or words(language)["adjusted"]["unknown"]
        return say("adjusted", "none", language, why=reason, **slots)
    estimate, low, high = (float(value) for value in adjusted if value is not None)
    if graded:
        direction = math.inf if math.isinf(estimate) else estimate - 1
        slots["ratio"] = _times(estimate, language)
        slots["interval"] = odds_interval(low, high, level, language)
    else:
        direction = estimate
        slots["adjusted"] = amount(estimate, unit, n, language)
        slots["interval"] = interval_words(low, high, level, unit, n, language=language)
    if plain is None:
        key = "alone"
    else:
        plain_unit = "probability" if graded else unit
        slots["plain"] = limit(plain, plain_unit, n)
        slots["plain_amount"] = amount(plain, plain_unit, n, language)
        key = "sign" if plain * direction < 0 else "agree" if claim == claim_adjusted else "claim"
    return say("adjusted_odds" if graded else "adjusted", key, language, **slots)


def _times(ratio: float, language: str) -> str:
    """How many times the odds of the second technique; 0 and infinity are no numbers of times."""
    if math.isinf(ratio):
        return say("adjusted_odds", "endless", language)
    if ratio == 0:
        return say("adjusted_odds", "vanishing", language)
    return say("adjusted_odds", "times", language, ratio=odds(ratio, language))
