"""One proportion and its intervals.

Every interval has error rate (1 - level) / 2 on each side, at 0 of n and n of n too, where one of the limits is the
edge of the scale.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.optimize import brentq
from scipy.special import betainc, betaincinv, ndtri

from analysis.stats.coherence import error_rate
from analysis.stats.result import Interval, check_choice, check_count, check_level

NO_TRIALS = "a group without trials has no rate"

_TIGHT = {
    "xtol": 1e-300,
    "rtol": 4e-15,
    "maxiter": 500,
}  # brentq: as close as floats allow, also at rates of 1e-12


def proportion_interval(x: int, n: int, method: str = "wilson", level: float = 0.95) -> Interval:
    """Confidence interval for one proportion.

    Assumes n independent trials with one common success rate: one routine per athlete, or athletes whose routines
    do not resemble each other. With repeats use `clustered`.

    Parameters
    ----------
    x, n : int
        Successes and trials.
    method : {"wilson", "clopper-pearson", "mid-p", "jeffreys", "agresti-coull", "blaker"}
        "wilson" inverts the score test and is near the stated level on average; "clopper-pearson" and "blaker" never
        fall below it, Blaker's being the shorter; "mid-p" inverts the doubled one-sided mid-p; "jeffreys" is the
        Beta(1/2, 1/2) interval with lower limit 0 at x = 0 and upper limit 1 at x = n; "agresti-coull" is cut at
        0 and 1.
    level : float
        Confidence level.

    Returns
    -------
    Interval
        With n = 0 nothing was seen: the estimate is NaN and the interval is 0 to 1.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n, the level is not between 0 and 1, or the method is
        unknown.

    Examples
    --------
    >>> print(proportion_interval(9, 9))
    proportion 1.0000 (95 % 0.7009 to 1.0000), Wilson, 9 of 9

    Not for
    -------
    Comparing two groups by whether their intervals overlap: use `two_groups.difference_interval`.

    References
    ----------
    Wilson 1927, Journal of the American Statistical Association 22:209-212; Clopper & Pearson 1934, Biometrika
    26:404-413; Blaker 2000, Canadian Journal of Statistics 28:783-798; Brown, Cai & DasGupta 2001, Statistical
    Science 16:101-133; Agresti & Coull 1998, The American Statistician 52:119-126.
    """
    check_choice("method", method, tuple(_METHODS))
    level = check_level(level)
    x, n = check_count(x, n)
    name, limits = _METHODS[method]
    if n == 0:
        estimate, low, high = math.nan, 0.0, 1.0
    else:
        estimate = x / n
        low, high = limits(x, n, float(error_rate(level)) / 2)
    return Interval(
        quantity="proportion",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method=name,
        n=n,
        counts=((x, n),),
        assumes="independent trials with one success rate",
        why=NO_TRIALS if n == 0 else "",
    )


def wilson_limits(p: float, n_eff: float, quantile: float) -> tuple[float, float]:
    """Wilson limits for a rate p seen in `n_eff` trials, which need not be whole, at any quantile.

    Assumes that the rate has variance p(1 - p)/n_eff. For the plain interval `quantile` is the normal quantile of
    1 - alpha/2; with few athletes it is a t quantile.

    Parameters
    ----------
    p : float
        Observed rate, 0 to 1.
    n_eff : float
        Effective number of trials, above 0.
    quantile : float
        Standardised half width, at least 0.

    Returns
    -------
    (low, high), within 0 to 1; low is exactly 0 at p = 0 and high exactly 1 at p = 1.

    Raises
    ------
    ValueError
        If an argument lies outside its range.

    Examples
    --------
    >>> low, high = wilson_limits(14 / 22, 17.5, 2.08)
    >>> round(low, 4), round(high, 4)
    (0.3935, 0.8252)

    References
    ----------
    Wilson 1927, Journal of the American Statistical Association 22:209-212.
    """
    p, n_eff, quantile = float(p), float(n_eff), float(quantile)
    if not 0 <= p <= 1:
        raise ValueError(f"p is {p!r}; a rate lies between 0 and 1")
    if not n_eff > 0:
        raise ValueError(f"n_eff is {n_eff!r}; the effective number of trials is above 0")
    if not quantile >= 0:
        raise ValueError(f"quantile is {quantile!r}; it is 0 or more")
    return _wilson_low(p, 1 - p, n_eff, quantile), 1 - _wilson_low(1 - p, p, n_eff, quantile)


def _wilson_low(p: float, q: float, n: float, z: float) -> float:
    """The smaller root, from the product of the roots n p^2 / (n + z^2): no cancellation, and exactly 0 at p = 0."""
    if p == 0 or math.isinf(z):
        return 0.0
    return 2 * n * p * p / (2 * n * p + z * z + z * math.sqrt(z * z + 4 * n * p * q))


def _wilson(x: int, n: int, tail: float) -> tuple[float, float]:
    return wilson_limits(x / n, n, -float(ndtri(tail)))


def _agresti_coull(x: int, n: int, tail: float) -> tuple[float, float]:
    z = -float(ndtri(tail))
    trials = n + z * z
    centre = (x + z * z / 2) / trials
    half = z * math.sqrt(centre * (1 - centre) / trials)
    return max(0.0, centre - half), min(1.0, centre + half)


def _clopper_pearson(x: int, n: int, tail: float) -> tuple[float, float]:
    return _mirrored(_clopper_pearson_low, x, n, tail)


def _jeffreys(x: int, n: int, tail: float) -> tuple[float, float]:
    return _mirrored(lambda x, n, tail: _beta_quantile(tail, x + 0.5, n - x + 0.5), x, n, tail)


def _mid_p(x: int, n: int, tail: float) -> tuple[float, float]:
    return _mirrored(_mid_p_low, x, n, tail)


def _blaker(x: int, n: int, tail: float) -> tuple[float, float]:
    return _mirrored(_blaker_low, x, n, tail)


def _mirrored(lower: Callable[[int, int, float], float], x: int, n: int, tail: float) -> tuple[float, float]:
    """Both limits from the lower one: the upper limit for x successes is 1 minus the lower one for x failures."""
    low = 0.0 if x == 0 else lower(x, n, tail)
    high = 1.0 if x == n else 1 - lower(n - x, n, tail)
    return low, high


def _beta_quantile(tail: float, a: float, b: float) -> float:
    return float(betaincinv(a, b, tail))


def _at_least(x: int, n: int, p: float) -> float:
    """P(X >= x) for X binomial(n, p)."""
    if x <= 0:
        return 1.0
    return 0.0 if x > n else float(betainc(x, n - x + 1, p))


def _at_most(x: int, n: int, p: float) -> float:
    """P(X <= x), found as its own tail so that a small one keeps its digits."""
    if x < 0:
        return 0.0
    return 1.0 if x >= n else float(betainc(n - x, x + 1, 1 - p))


def _clopper_pearson_low(x: int, n: int, tail: float) -> float:
    return _beta_quantile(tail, x, n - x + 1)


def _mid_p_low(x: int, n: int, tail: float) -> float:
    """The p at which P(X > x) + P(X = x)/2 is `tail`; at n of n this is (2 tail)^(1/n)."""

    def excess(p: float) -> float:
        return (_at_least(x, n, p) + _at_least(x + 1, n, p)) / 2 - tail

    # The mid-p tail is below the full one, so its root lies above Clopper-Pearson's; at p = 1 it is at least 1/2.
    return float(brentq(excess, _clopper_pearson_low(x, n, tail), 1.0, **_TIGHT))


def _blaker_low(x: int, n: int, tail: float) -> float:
    """Lower end of {p: acceptability > alpha}, alpha = 2 tail.

    Below the rates that suit x best, with U(p) = P(X >= x) and F_y(p) = P(X <= y), the acceptability is
    U + F_y for the largest y with F_y <= U. That y goes up by one at the jump p_y where F_y = U, and the
    acceptability there is 2 U(p_y), increasing in y. Between two jumps the derivative n b(x-1; n-1, p) - n b(y; n-1, p)
    changes sign once, from minus to plus, so the largest value is at an end. Hence the first jump with 2U > alpha is
    accepted, everything before the piece that leads up to it is not, and that piece holds at most one crossing.
    """
    start = _clopper_pearson_low(x, n, tail)  # U = alpha/2: jumps to the left of it have 2U <= alpha
    y = _first_above(x, n, start, tail)
    jump = float(brentq(lambda p: _at_most(y, n, p) - _at_least(x, n, p), start, 1.0, **_TIGHT))

    def excess(p: float) -> float:
        return _at_least(x, n, p) + _at_most(y - 1, n, p) - 2 * tail

    if excess(jump) <= 0:  # the acceptability jumps over alpha
        return jump
    if excess(start) >= 0:  # both tails are alpha/2 up to rounding
        return start
    return float(brentq(excess, start, jump, **_TIGHT))


def _first_above(x: int, n: int, p: float, tail: float) -> int:
    """Smallest y with P(X <= y) > tail, by halving: at x - 1 it is 1 - tail; a tie up to rounding is not above."""
    below, above = -1, x - 1
    tail *= 1 + 1e-12
    while above - below > 1:
        middle = (below + above) // 2
        if _at_most(middle, n, p) > tail:
            above = middle
        else:
            below = middle
    return above


_METHODS: dict[str, tuple[str, Callable[[int, int, float], tuple[float, float]]]] = {
    "wilson": ("Wilson", _wilson),
    "clopper-pearson": ("Clopper\N{EN DASH}Pearson", _clopper_pearson),
    "mid-p": ("mid-p", _mid_p),
    "jeffreys": ("Jeffreys", _jeffreys),
    "agresti-coull": ("Agresti\N{EN DASH}Coull", _agresti_coull),
    "blaker": ("Blaker", _blaker),
}
