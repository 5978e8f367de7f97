"""The odds ratio of two groups, conditionally: intervals that turn Fisher's test round.

The successes of the first group, given both margins, have probabilities P(t) proportional to w_t psi^t at odds ratio
psi (`conditional`). Everything is searched on the scale of log psi, where the one-sided p is nearly a straight line
on the logit scale.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from analysis.stats.coherence import error_rate, settle
from analysis.stats.conditional import (
    ASSUMES,
    EXACT_TRIALS,
    NO_OTHER_TABLE,
    fisher_p,
    hypergeometric_weights,
    log_weights,
    support,
)
from analysis.stats.proportions import NO_TRIALS
from analysis.stats.result import Interval, check_choice, check_count, check_level

Floats = NDArray[np.float64]


def odds_ratio_interval(
    x1: int, n1: int, x2: int, n2: int, method: str = "exact", level: float = 0.95
) -> Interval:
    """Odds ratio, first group over second, with a conditional interval.

    Assumes two independent binomials and conditions on the number of successes over both groups. The estimate is the
    conditional maximum-likelihood one; at the edge of what the margins allow it is 0 or infinite, and the limit on
    that side with it.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    method : {"exact", "mid-p", "baptista-pike", "baptista-pike mid-p"}
        "exact" turns round the doubled one-sided Fisher test, "mid-p" the doubled one-sided mid-p; "baptista-pike"
        turns round the two-sided Fisher test itself (sum of small probabilities) and is the shorter exact interval,
        "baptista-pike mid-p" its mid-p. The values that these last two accept can have gaps: the interval is their
        hull, and `why` says so where an odds ratio of 1 lies in one.
    level : float
        Confidence level; above 0.5 for "baptista-pike mid-p".

    Returns
    -------
    Interval

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n, the level is out of range, or the method is unknown.

    Examples
    --------
    >>> print(odds_ratio_interval(14, 22, 3, 9))
    odds ratio 3.3538 (95 % 0.5358 to 26.6981), conditional exact (Cornfield), 14 of 22 and 3 of 9

    Not for
    -------
    Reading as a ratio of rates: at a rate of 9 in 10 against 6 in 10 the odds ratio is 6 and the ratio 1.5.

    References
    ----------
    Cornfield 1956, Proceedings of the Third Berkeley Symposium 4:135-148; Baptista & Pike 1977, Applied Statistics
    26:214-220; Fagerland, Lydersen & Laake 2015, Statistical Methods in Medical Research 24:224-254.
    """
    check_choice("method", method, tuple(_METHODS))
    level = check_level(level)
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    name, mid_p, limits = _METHODS[method]
    alpha = error_rate(level)
    if method == "baptista-pike mid-p" and alpha >= Fraction(1, 2):
        raise ValueError(f"level is {level!r}; the Baptista-Pike mid-p interval needs a level above 0.5")
    first, last = support(n1, n2, x1 + x2)
    if first == last:
        estimate, low, high = math.nan, 0.0, math.inf
        why = NO_TRIALS if n1 == 0 or n2 == 0 else NO_OTHER_TABLE
    else:
        logs = log_weights(n1, n2, x1 + x2)[1]
        estimate = _conditional_estimate(logs, x1 - first)
        low, high, why = limits((x1, n1, x2, n2), logs, x1 - first, alpha, mid_p)
        if math.isinf(estimate) or estimate == 0:
            word = "infinite" if estimate else "0"
            edge = f"the table lies at the edge of what its margins allow, so the estimate is {word}"
            why = f"{edge}; {why}" if why else edge
    return Interval(
        quantity="odds ratio",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method=name,
        n=n1 + n2,
        counts=((x1, n1), (x2, n2)),
        assumes=ASSUMES,
        why=why,
    )


def _conditional_estimate(logs: Floats, at: int) -> float:
    """The odds ratio at which the expected count equals the observed one."""
    if at == 0:
        return 0.0
    if at == len(logs) - 1:
        return math.inf
    t = np.arange(len(logs), dtype=float)

    def excess(s: float) -> float:
        tilted = logs + s * t
        chances = np.exp(tilted - tilted.max())
        return float(chances @ t / chances.sum()) - at

    return math.exp(_root(excess, _centre(logs, at)))


def _doubled_one_sided(
    table: tuple[int, int, int, int], logs: Floats, at: int, alpha: Fraction, mid_p: bool
) -> tuple[float, float, str]:
    """Limits at which each one-sided p is alpha/2; 1 is left out exactly when the doubled p is at most alpha."""
    tail = float(alpha / 2)
    low = math.exp(_one_sided_low(logs, at, tail, mid_p))
    high = math.exp(-_one_sided_low(logs[::-1], len(logs) - 1 - at, tail, mid_p))
    one_sided = min(fisher_p(*table, "greater", mid_p), fisher_p(*table, "less", mid_p))
    return *settle(low, high, 1.0, 2 * one_sided <= alpha), ""


def _one_sided_low(logs: Floats, at: int, tail: float, mid_p: bool) -> float:
    """The log odds ratio at which P(T > x) + P(T = x), or half of the latter for a mid-p, is `tail`."""
    if at == 0:
        return -math.inf
    share = 0.5 if mid_p else 1.0
    target = math.log(tail) - math.log1p(-tail)
    t = np.arange(len(logs), dtype=float)

    def excess(s: float) -> float:  # on the logit scale, where it is nearly a straight line
        tilted = logs + s * t
        upper, lower = tilted[at:].copy(), tilted[: at + (share < 1)].copy()
        upper[0] += math.log(share)
        if share < 1:
            lower[-1] += math.log1p(-share)
        return _log_sum(upper) - _log_sum(lower) - target

    return _root(excess, _centre(logs, at))


def _baptista_pike(
    table: tuple[int, int, int, int], logs: Floats, at: int, alpha: Fraction, mid_p: bool
) -> tuple[float, float, str]:
    """Hull of the odds ratios at which the two-sided Fisher p exceeds alpha."""
    x1, n1, x2, n2 = table
    rejected = fisher_p(*table, "two-sided", mid_p) <= alpha
    # A table tied with the observed one makes the p jump at odds ratio 1; whether that jump is accepted is the verdict
    # of the test, not of a sum of floats. A mid-p counts half of the tied table, so there the far side decides.
    tied = -1
    if not mid_p and n1 + n2 <= EXACT_TRIALS:
        weights = hypergeometric_weights(n1, n2, x1 + x2)[1]
        tied = next((i for i, w in enumerate(weights) if w == weights[at] and i != at), -1)
    last = len(logs) - 1
    log_low = _sum_of_small_low(logs, at, float(alpha), mid_p, tied, not rejected)
    log_high = -_sum_of_small_low(logs[::-1], last - at, float(alpha), mid_p, last - tied, not rejected)
    low, high = settle(math.exp(log_low), math.exp(log_high), 1.0, rejected)
    gap = "an odds ratio of 1 is rejected by the test but lies in a gap of the accepted values"
    return low, high, gap if rejected and low <= 1 <= high else ""


def _sum_of_small_low(
    logs: Floats, at: int, alpha: float, mid_p: bool, tied: int, tied_accepted: bool
) -> float:
    """Logarithm of the lower end of the accepted odds ratios.

    Below the odds ratios that suit x best, t < x is no more probable than x from psi_t = (w_t / w_x)^(1/(x-t)) on, and
    psi_t grows with t since the weights are log-concave. So on the piece from psi_y to the next jump the p is
    P(T <= y) + P(T >= x): 1 less the probability of a middle block, and such a block's probability rises and then
    falls in psi (the family is totally positive), so p falls and then rises. Its largest values are at the ends of
    pieces. Coming from outside, the first accepted jump therefore ends a piece that holds at most one crossing, and
    no earlier piece holds anything.
    """
    if at == 0:
        return -math.inf
    t = np.arange(len(logs), dtype=float)
    jumps = (logs[:at] - logs[at]) / (at - t[:at])

    def mass(s: float, y: int) -> float:
        tilted = logs + s * t
        chances = np.exp(tilted - tilted.max())
        own = chances[at] * (0.5 if mid_p else 1.0)
        return float((chances[: y + 1].sum() + own + chances[at + 1 :].sum()) / chances.sum())

    def accepted(y: int) -> bool:
        return tied_accepted if y == tied else mass(float(jumps[y]), y) > alpha

    # At the last jump p is 1, or for a mid-p above 1/2.
    y = next(y for y in np.flatnonzero(_mass_bound(logs, at, jumps) > alpha).tolist() if accepted(y))
    jump = float(jumps[y])

    def excess(s: float) -> float:  # on the piece that leads up to the jump
        return mass(s, y - 1) - alpha

    if excess(jump) <= 0:
        return jump
    if y == 0:
        return _root(excess, jump)
    start = float(jumps[y - 1])
    # Above alpha only where the p is alpha itself, not accepted: it rises from there, and `settle` steps off the null.
    return start if excess(start) > 0 else _between(excess, start, jump)


def _mass_bound(logs: Floats, at: int, jumps: Floats) -> Floats:
    """Upper bound of p at each jump, so that only the few jumps near the limit are summed.

    At its jump y is as probable as x, both tails fall at least geometrically from there, and the total is at least
    the term half way between.
    """
    y = np.arange(at)
    below = np.zeros(at)
    below[1:] = np.exp(logs[: at - 1] - logs[1:at] - jumps[1:])
    above = np.exp(logs[at + 1] - logs[at] + jumps) if at + 1 < len(logs) else np.zeros(at)
    half_way = (y + at) // 2
    own = np.exp(np.minimum(logs[at] - logs[half_way] + jumps * (at - half_way), 0.0))
    with np.errstate(divide="ignore"):
        return own * (1 / np.maximum(1 - below, 0.0) + 1 / np.maximum(1 - above, 0.0))


def _log_sum(values: Floats) -> float:
    top = float(values.max())
    return top + math.log(float(np.exp(values - top).sum()))


def _centre(logs: Floats, at: int) -> float:
    """A log odds ratio at which x is about the most probable count: where every search starts."""
    left, right = max(at - 1, 0), min(at + 1, len(logs) - 1)
    return float(logs[left] - logs[right]) / (right - left)


def _root(increasing: Callable[[float], float], start: float) -> float:
    """Root of an increasing function of the log odds ratio, bracketed by growing steps from `start`."""
    low = high = start
    step = 0.25
    while increasing(low) > 0:
        low, step = low - step, 2 * step
    step = 0.25
    while increasing(high) < 0:
        high, step = high + step, 2 * step
    return _between(increasing, low, high) if low < high else start


def _between(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-15, rtol=1e-14, maxiter=500))


_METHODS: dict[str, tuple[str, bool, Callable[..., tuple[float, float, str]]]] = {
    "exact": ("conditional exact (Cornfield)", False, _doubled_one_sided),
    "mid-p": ("conditional mid-p", True, _doubled_one_sided),
    "baptista-pike": ("Baptista\N{EN DASH}Pike", False, _baptista_pike),
    "baptista-pike mid-p": ("Baptista\N{EN DASH}Pike mid-p", True, _baptista_pike),
}
