"""Difficulty value against the landing: does a technique that counts more pay for the points it loses?"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from numbers import Real
from typing import Any

from scipy.optimize import brentq

from analysis.stats.clustered import clustered_difference
from analysis.stats.result import Interval, _Shown, check_level, show_number

_SMALLEST_TAIL = 1e-9  # past this, the confidence is as good as 0 or 1
_MIDDLE = 0.5 - 1e-9  # the tail of an interval that has shrunk to its estimate


@dataclass(frozen=True, eq=False)
class Trade(_Shown):
    """A difference in difficulty value set against points lost on the landing, per routine.

    Parameters
    ----------
    gain : float
        Difficulty value of the first technique minus that of the second, in points.
    saved : Interval
        Points that the first technique saves on the landing: mean lost with the second minus mean lost with the first.
    net : Interval
        gain + saved: what a routine gains with the first technique.
    break_even : Interval
        The gain at which the trade is even: minus the points saved.
    confidence : float
        That the trade pays (net above 0), between 0 and 1; see `trade`. NaN with `why`.
    level : float
    n : int
    why : str
    """

    gain: float
    saved: Interval
    net: Interval
    break_even: Interval
    confidence: float
    level: float
    n: int
    why: str = ""

    def __str__(self) -> str:
        return f"{self.net}\nconfidence that the trade pays {show_number(self.confidence)}"


def trade(
    points: Iterable[Any],
    first: Iterable[bool],
    gain: float,
    athlete: Iterable[Hashable] | None = None,
    level: float = 0.95,
) -> Trade:
    """Set a difference in difficulty value against the points that the landings cost.

    Assumes independent routines, or independent athletes if `athlete` is given, and a gain that is known: it is a
    number from the rules, not an estimate.

    Parameters
    ----------
    points : sequence of n numbers
        Points lost per routine, whole thousandths.
    first : sequence of n bool
        True for the first technique.
    gain : float
        Difficulty value of the first technique minus that of the second, in points; may be negative.
    athlete : sequence of n hashable codes, optional
        With it, athletes are the units.
    level : float
        Confidence level.

    Returns
    -------
    Trade
        `break_even` is `clustered_difference(points, first, athlete, kind="points")` itself; `saved` is its mirror
        image, and `net` that shifted by the gain. `confidence` is 1 - a/2, where 1 - a is the level at which the
        limit of `net` on the side of 0 just touches 0 (a/2 where the estimate is a loss, one half where it is 0). So
        `net` excludes 0 at level L exactly where the confidence is above 1 - (1 - L)/2 or below (1 - L)/2.

    Raises
    ------
    ValueError
        As in `clustered_difference`, or if the gain is not a finite number.

    Notes
    -----
    It is a confidence and not a probability of paying: it answers for how often the method errs, not for this trade,
    takes no earlier belief into account, and "90 %" doesn't mean that nine routines in ten gain.

    Evidence: tests/reference/points/trade.csv, 26 cells of 400 exactly even trades, 5 v 5 to 40 v 60 athletes with one
    routine each or one to three, mostly with falls. On each side .025 of the meets should show a confidence beyond .975
    (or below .025): .013 on average; at most .033 where both techniques lose alike; up to .083 where one hardly ever
    loses anything and the other often does (20 v 20, one routine each), and then against the cleaner technique: falls
    that no routine showed are in no interval. Beyond .9 it should be .1 and is .076 on average, at most .21 (5 v 5).

    The share of re-weighted meets (Bayesian bootstrap over athletes) in which the trade pays is not given: beyond .975
    in up to .41 of even trades and .10 on average, and 0 or 1 where nobody lost anything.

    Examples
    --------
    The first technique counts 0.1 less and costs less on the landing, 9 routines against 22:

    >>> points = [0, 0, 0, 0, 0, 0, 0, .1, .1] + [0] * 14 + [.1, .1, .1, .3, .3, .5, .1, 1]
    >>> found = trade(points, [True] * 9 + [False] * 22, gain=-0.1)
    >>> round(found.net.estimate, 4), round(found.net.low, 4), round(found.net.high, 4)
    (-0.0086, -0.249, 0.1441)
    >>> round(found.confidence, 3), round(found.break_even.estimate, 4)
    (0.443, -0.0914)

    References
    ----------
    Cox, D. R. (1958). Some problems connected with statistical inference. Annals of Mathematical Statistics 29,
    357-372 (confidence distributions; from memory).
    Xie, M. & Singh, K. (2013). Confidence distribution, the frequentist distribution estimator of a parameter.
    International Statistical Review 81, 3-39 (from memory).

    Not for: telling one athlete what a change of technique would bring. Where the techniques were done by different
    athletes, the points saved are also a difference between athletes.
    """
    level, gain = check_level(level), _check_gain(gain)
    listed, arm = list(points), list(first)
    units = list(range(len(listed))) if athlete is None else list(athlete)

    def lost(at: float) -> Interval:
        return clustered_difference(listed, arm, units, at, kind="points")

    even = lost(level)
    saved = replace(
        even, quantity="points saved per routine", estimate=-even.estimate, low=-even.high, high=-even.low
    )
    net = replace(
        saved,
        quantity="net gain per routine",
        estimate=gain + saved.estimate,
        low=gain + saved.low,
        high=gain + saved.high,
    )
    return Trade(
        gain=gain,
        saved=saved,
        net=net,
        break_even=replace(even, quantity="gain at which the trade is even"),
        confidence=math.nan if math.isnan(net.low) else _confidence(lost, even, gain),
        level=level,
        n=even.n,
        why=even.why,
    )


def _check_gain(gain: Any) -> float:
    if isinstance(gain, bool) or not isinstance(gain, (Real, Decimal)) or not math.isfinite(gain):
        raise ValueError(f"gain is {gain!r}; it is a finite number of points, such as 0.2 or -0.1")
    return float(gain)


def _confidence(lost: Callable[[float], Interval], even: Interval, gain: float) -> float:
    """Return the confidence that the mean difference in points lost is below the gain.

    The limit beyond which `gain` lies moves outwards with the level; the search starts from the side of the asked
    level on which the answer must be, so that it can't contradict the interval shown.
    """
    if even.estimate == gain:
        return 0.5
    pays = even.estimate < gain

    def inside(log_tail: float) -> float:
        """Positive where the interval with this tail holds the gain."""
        found = even if log_tail == asked else lost(1 - 2 * math.exp(log_tail))
        return found.high - gain if pays else gain - found.low

    asked = math.log((1 - even.level) / 2)
    if inside(asked) >= 0:
        ends = asked, max(asked, math.log(_MIDDLE))
        beyond = 0.5 if inside(ends[1]) >= 0 else None
    else:
        ends = min(asked, math.log(_SMALLEST_TAIL)), asked
        beyond = math.exp(ends[0]) if inside(ends[0]) <= 0 else None
    tail = math.exp(brentq(inside, *ends, xtol=1e-10)) if beyond is None else beyond
    return 1 - tail if pays else tail
