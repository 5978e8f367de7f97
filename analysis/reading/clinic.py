"""Three sentences for a room of athletes: what we saw, how sure we are, what it doesn't say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from analysis.reading import numbers
from analysis.reading.sentences import say

LISTED = 3
"""So many techniques are told one by one; of more, the first two."""

FEW = 10
"""Up to here a count needs no help: "9 of 9" is clearer than any "in every 10"."""


@dataclass(frozen=True)
class Seen:
    """One technique: x of n routines were stuck (or lost nothing, or landed best); `mean` is in points."""

    name: str
    x: int
    n: int
    mean: float | None = None


def clinic_sentences(
    outcome: str,
    seen: Sequence[Seen],
    limits: tuple[float, float] | None,
    claim: str,
    sides: str = "two",
    best: str = "stuck",
    fewest: int = 3,
) -> tuple[str, str, str]:
    """Return what we saw, how sure we are, and what it doesn't say, in words that a twelve-year-old understands.

    Counts come first, then "in every 10". How sure: the limits are told as what many more routines could show. A
    full house is told with its count and with what more routines could bring. Nothing is called equal unless the
    plan said which gap is too small to matter.

    Parameters
    ----------
    outcome : {"stuck", "deduction", "landing grade"}
    seen : sequence of Seen
        The techniques in the plan's order, two or more; the first two are compared.
    limits : (float, float) or None
        Limits of first minus second: in proportions, in points, or in the chance of the better landing less one
        half. None where there are none.
    claim : {"first higher", "first lower", "about the same", "not shown"}
        What the limits support.
    sides : {"two", "more", "fewer"}
        A one-sided question has one limit only.
    best : str
        What the best landing is called.
    fewest : int
        With fewer routines than this in one of the first two nothing is claimed.

    Returns
    -------
    (str, str, str)
        One sentence each.

    Raises
    ------
    ValueError
        When fewer than two techniques are given, or an outcome or a claim that isn't one of those above.

    Examples
    --------
    >>> one, two = Seen("piked double back", 9, 9), Seen("tucked double back", 14, 22)
    >>> for sentence in clinic_sentences("stuck", [one, two], (0.03, 0.59), "first higher"):
    ...     print(sentence)
    The piked double back was stuck 9 of 9 times (more routines could bring misses) and the tucked double back 14 of 22 (about 6 in every 10).
    The piked double back seems ahead: with many more routines, it could have from 3 to 59 more sticks in every 100 than the tucked double back.
    These counts can't tell why, or which one is safe or right for you: nobody drew lots, gymnasts and coaches chose.
    """  # noqa: E501 - the sentences are shown whole
    if len(seen) < 2:
        raise ValueError(f"two or more techniques are needed, {len(seen)} given")
    if outcome not in _UNITS:
        raise ValueError(f"outcome {outcome!r} is not one of {', '.join(map(repr, _UNITS))}")
    if claim not in _CLAIMS:
        raise ValueError(f"claim {claim!r} is not one of {', '.join(map(repr, _CLAIMS))}")
    return _saw(outcome, seen, best), _sure(outcome, seen, limits, claim, sides, fewest), say("clinic", "not")


def clinic_question(outcome: str, names: Sequence[str]) -> str:
    """Return the question as one would ask it aloud; of more than three techniques it names the first two.

    >>> clinic_question("stuck", ["piked double back", "tucked double back"])
    'Piked double back or tucked double back: which sticks more?'
    """
    told = list(names if len(names) <= LISTED else names[:2])
    asked = say("clinic", "or", before=", ".join(told[:-1]), last=told[-1])
    return _capital(say("clinic", f"ask_{_UNITS[outcome]}", names=asked))


def limit_words(outcome: str, value: float) -> str:
    """Return one limit as it stands at the end of a bar.

    >>> limit_words("stuck", -0.135), limit_words("deduction", 0.1), limit_words("landing grade", 0.31)
    ('14 fewer', '1 tenth more', '81')
    """
    unit = _UNITS[outcome]
    if unit == "pairs":
        return _in_every_100(value + 0.5)
    shown = _AMOUNTS[unit](abs(value))
    return say("clinic", f"{unit}_{'less' if value < 0 else 'more'}_end", a=shown, unit_a=_unit(unit, shown))


def average_words(points: float) -> str:
    """Return an average of points lost, in tenths.

    >>> average_words(0.165), average_words(0.1)
    ('1.7 tenths on average', '1 tenth on average')
    """
    shown = _number_of_tenths(points)
    amount = say("clinic", "amount", number=shown, unit=_unit("tenths", shown))
    return say("clinic", "on_average", amount=amount)


_UNITS = {"stuck": "sticks", "deduction": "tenths", "landing grade": "pairs"}
_LEAST = {"sticks": "1", "tenths": "0.1"}
_CLAIMS = {"first higher": "higher", "first lower": "lower", "about the same": "same", "not shown": "open"}


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _saw(outcome: str, seen: Sequence[Seen], best: str) -> str:
    """The counts, one technique after the other."""
    if not any(one.n for one in seen[:LISTED]):
        return say("clinic", "saw_nothing")
    kind = "points" if outcome == "deduction" else "rate"
    told = seen if len(seen) <= LISTED else seen[:2]
    items: list[str] = []
    opened = False
    for one in told:
        if one.n == 0:
            items.append(say("clinic", "item_none", name=one.name))
            continue
        key = f"item_{kind}" if not opened else "item_next"
        beside = _beside(kind, one, told) if len(seen) == 2 else ""
        times = say("clinic", "time" if one.n == 1 else "times")
        count = numbers.count(one.x, one.n)
        items.append(say("clinic", key, name=one.name, best=best, count=count, times=times, beside=beside))
        opened = True
    listed = say("clinic", "and", before=", ".join(items[:-1]), last=items[-1])
    more = len(seen) - len(told)
    others = say("clinic", "others" if more > 1 else "other", more=more) if more else ""
    tail = _tail(kind, told) if len(seen) > 2 else ""
    return _capital(say("clinic", "saw", listed=listed, others=others, tail=tail))


def _beside(kind: str, one: Seen, told: Sequence[Seen]) -> str:
    """What stands in brackets after a count: a warning after a run without exception, else an easier number."""
    if one.x == one.n:
        return say("clinic", "in_brackets", words=say("clinic", f"all_{kind}"))
    if kind == "points":
        if one.mean is None:
            return ""
        return say("clinic", "in_brackets", words=average_words(one.mean))
    if one.x == 0:
        return say("clinic", "in_brackets", words=say("clinic", "none_rate"))
    if one.n <= FEW:
        return ""
    # Hundreds only where both have a hundred: "77 in every 100" from 30 routines would be made up.
    whole = 100 if min(other.n for other in told) >= 100 else 10
    share = Fraction(one.x, one.n) * whole
    near = math.floor(share + Fraction(1, 2))
    key = "exactly" if near == share else "about"
    if near == whole:
        key, near = "more_than", whole - 1
    elif near == 0:
        key, near = "fewer_than", 1
    return say("clinic", "in_brackets", words=say("clinic", key, part=near, whole=whole))


def _tail(kind: str, told: Sequence[Seen]) -> str:
    """The warning after runs without exception, once for the whole list."""
    full = any(one.n and one.x == one.n for one in told)
    empty = kind == "rate" and any(one.n and one.x == 0 for one in told)
    if full and empty:
        return say("clinic", "tail", words=say("clinic", "both_rate"))
    if full or empty:
        return say("clinic", "tail", words=say("clinic", f"all_{kind}" if full else "none_rate"))
    return ""


def _sure(
    outcome: str,
    seen: Sequence[Seen],
    limits: tuple[float, float] | None,
    claim: str,
    sides: str,
    fewest: int,
) -> str:
    """The limits, as what many more routines could show."""
    first, second = seen[:2]
    if min(first.n, second.n) == 0:
        return say("clinic", "sure_nothing")
    low, high = limits or (math.nan, math.nan)
    below = low if sides != "fewer" and math.isfinite(low) else None
    above = high if sides != "more" and math.isfinite(high) else None
    if below is None and above is None:
        return say("clinic", "sure_unknown")
    unit = _UNITS[outcome]
    between = _pairs(below, above) if unit == "pairs" else _between(unit, below, above)
    key = "few" if min(first.n, second.n) < fewest else _CLAIMS[claim]
    slots = {"first": first.name, "second": second.name, "between": between}
    opening = say("clinic", f"{unit}_{key}" if key in ("higher", "lower") else f"sure_{key}", **slots)
    who = say("clinic", "it" if key in ("higher", "lower") else "the_first", **slots)
    return say("clinic", f"sure_{unit}", opening=opening, who=who, **slots)


def _between(unit: str, low: float | None, high: float | None) -> str:
    """From a limit to a limit, in numbers without a sign: "from 14 fewer to 36 more sticks"."""
    amount = _AMOUNTS[unit]

    def told(key: str, a: float, b: float) -> str:
        slots = {"a": amount(abs(a)), "b": amount(abs(b))}
        names = {name: _unit(unit, slots[place]) for place, name in (("a", "unit_a"), ("b", "unit_b"))}
        return say("clinic", f"{unit}_{key}", **slots, **names)

    if low is None or high is None:
        only, side = (low or 0.0, "more") if high is None else (high, "fewer")
        if not (only > 0 if side == "more" else only < 0):
            return told("upwards" if side == "more" else "up_to", only, only)
        # "At least under 1 more" would be no English.
        slight = amount(abs(only)) == say("clinic", "under", number=_LEAST[unit])
        return told(f"{'slightly' if slight else 'at_least'}_{side}", only, only)
    if low < 0 < high:
        return told("across", low, high)
    side = "fewer" if high <= 0 and low < 0 else "more"
    near, far = (high, low) if side == "fewer" else (low, high)
    if amount(abs(near)) == amount(abs(far)):
        return told(f"near_{side}", near, far)
    return told(side, near, far)


def _unit(unit: str, shown: str) -> str:
    return say("clinic", f"one_{unit}" if shown == "1" else f"many_{unit}")


def _in_every_100(share: float) -> str:
    """A share as a whole number of a hundred; what is not none and not all is never told as that."""
    shown = numbers.fixed(share, 0, 2)
    if shown == "0" and share > 0:
        return say("clinic", "under", number=_LEAST["sticks"])
    if shown == "100" and share < 1:
        return say("clinic", "over", number=99)
    return shown


def _number_of_tenths(points: float) -> str:
    """Points in tenths, with the digits that the tables show: 0.17 points are 1.7 tenths."""
    shown = numbers.fixed(points, 1, 1).removesuffix(".0")
    return say("clinic", "under", number=_LEAST["tenths"]) if shown == "0" and points > 0 else shown


_AMOUNTS = {"sticks": _in_every_100, "tenths": _number_of_tenths}


def _pairs(low: float | None, high: float | None) -> str:
    """How many of a hundred pairs, one routine of each."""
    if high is None:
        return say("clinic", "pairs_at_least", a=_in_every_100((low or 0.0) + 0.5))
    if low is None:
        return say("clinic", "pairs_at_most", a=_in_every_100(high + 0.5))
    a, b = _in_every_100(low + 0.5), _in_every_100(high + 0.5)
    return say("clinic", "pairs_near", a=a) if a == b else say("clinic", "pairs_across", a=a, b=b)
