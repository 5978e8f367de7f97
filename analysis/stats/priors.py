"""Two stuck rates seen with an earlier belief: posteriors by integration, without a sampler."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc, betaincinv, betaln

from analysis.stats.alike_prior import AlikeRates
from analysis.stats.design_matrix import Floats
from analysis.stats.logit_nodes import logit_nodes
from analysis.stats.result import Interval, _Shown, check_count, check_level, show_number

LEAST, MOST = 0.1, 1e6
"""Bounds of a prior's counts: below, the integrals lose digits; above, the prior leaves the data no say."""

_NOTHING = 1e-20  # probability that is left out at each end of an integral

NAMED: tuple[tuple[str, tuple[float, float]], ...] = (
    ("flat: every rate as likely as any other", (1.0, 1.0)),
    ("Jeffreys: half a routine stuck and half not", (0.5, 0.5)),
    ("expects about half stuck, as if 10 routines had been seen", (5.0, 5.0)),
    ("expects most stuck, as if 8 of 10 had been seen", (8.0, 2.0)),
    ("expects few stuck, as if 2 of 10 had been seen", (2.0, 8.0)),
)
"""Priors that look at each technique alone, in plain words."""

ALIKE: tuple[tuple[str, float], ...] = (
    ("expects both techniques to be much alike (log odds ratio 0, sd 0.5)", 0.5),
    ("expects both techniques to be alike (log odds ratio 0, sd 1)", 1.0),
    ("expects both techniques to be loosely alike (log odds ratio 0, sd 2)", 2.0),
)
"""Priors on the difference itself, sceptical of any: the rates' common level is left open."""


@dataclass(frozen=True, eq=False)
class Posterior(_Shown):
    """What to believe of two stuck rates after the routines, given a prior.

    Parameters
    ----------
    prior : str
        The prior in plain words.
    first, second, difference : Interval
        Posterior median with equal-tailed credible limits; the difference is first minus second.
    first_mean, second_mean, difference_mean : float
    first_higher : float
        Posterior chance that the first technique's rate is the higher one.
    level, method, n, assumes
        As in `Interval`.
    """

    prior: str
    first: Interval
    second: Interval
    difference: Interval
    first_mean: float
    second_mean: float
    difference_mean: float
    first_higher: float
    level: float
    method: str
    n: int
    assumes: str = ""

    def __str__(self) -> str:
        d = self.difference
        return (
            f"{self.prior}: difference {show_number(d.estimate)} ({show_number(d.low)} to {show_number(d.high)}), "
            f"chance that the first is higher {show_number(self.first_higher)}"
        )


def beta_binomial(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    prior: tuple[Any, Any] = (1, 1),
    level: float = 0.95,
    label: str = "",
) -> Posterior:
    """Posterior of two stuck rates and their difference from a beta prior for each.

    Assumes n1 + n2 independent routines, one rate for each technique, and that before the routines were seen the two
    rates told nothing about each other.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and second technique; a total may be 0.
    prior : (a, b) or ((a1, b1), (a2, b2))
        Counts of stuck and not stuck that the prior is worth, for both techniques or for each; from 0.1.
    level : float
        Probability inside each credible interval, half of the rest on each side.
    label : str
        The prior in words, for the result; made from the counts if empty.

    Returns
    -------
    Posterior

    Raises
    ------
    ValueError
        If counts, prior or level make no sense.

    Notes
    -----
    A rate is Beta(a + x, b + n - x). P(p1 - p2 <= d) is one integral, taken on the logit of the interval that d leaves
    open: the integrand is analytic there and falls off exponentially at both ends, so the plain trapezoidal rule
    converges to rounding error. Within 1e-10 of exact rational values for whole counts (tests).

    Examples
    --------
    >>> print(beta_binomial(9, 9, 14, 22))
    1 stuck and 1 not stuck beforehand: difference 0.2896 (0.0121 to 0.5188), chance that the first is higher 0.9788

    References
    ----------
    Altham 1969, Journal of the Royal Statistical Society B 31:261-269. Trefethen & Weideman 2014, SIAM Review
    56:385-458 (the trapezoidal rule).

    Not for: a headline. A reader who doesn't share the prior needn't share the answer. With athletes who come back the
    limits are too close, as in any method that counts routines.
    """
    level = check_level(level)
    counts = check_count(x1, n1, "first"), check_count(x2, n2, "second")
    one, two = _check_prior(prior)
    first, second = (_Beta(a + x, b + n - x) for (a, b), (x, n) in zip((one, two), counts, strict=True))
    return _posterior(
        label or _worded(one, two),
        (first.mean, second.mean),
        (first.quantile, second.quantile),
        lambda d: _difference_at_most(first, second, d),
        counts,
        level,
        "beta-binomial, by integration",
    )


def prior_sensitivity(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> tuple[Posterior, ...]:
    """The same counts under a fixed list of priors, so that a reader can find their own.

    Assumes n1 + n2 independent routines and one rate for each technique. The list never changes: five beta
    priors for each rate on its own (`NAMED`), then three that hold the rates to be alike (`ALIKE`): a normal
    distribution of the log odds ratio around 0, and the common level open (logistic, near uniform for the rate).

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and second technique.
    level : float
        Probability inside each credible interval.

    Returns
    -------
    tuple of Posterior, in the order of the lists

    Raises
    ------
    ValueError
        If counts or level make no sense.

    Examples
    --------
    >>> for line in prior_sensitivity(9, 9, 14, 22)[4:6]:
    ...     print(line)
    expects few stuck, as if 2 of 10 had been seen: difference 0.0806 (−0.1999 to 0.3484), chance that the first is
    higher 0.7127
    expects both techniques to be much alike (log odds ratio 0, sd 0.5): difference 0.0763 (−0.0850 to 0.2307), chance
    that the first is higher 0.8371

    References
    ----------
    Spiegelhalter, Freedman & Parmar 1994, Journal of the Royal Statistical Society A 157:357-416.

    Not for: picking the prior that gives the answer one wanted.
    """
    level = check_level(level)
    counts = check_count(x1, n1, "first"), check_count(x2, n2, "second")
    found = [beta_binomial(x1, n1, x2, n2, prior, level, label) for label, prior in NAMED]
    for label, sd in ALIKE:
        rates = AlikeRates(counts, sd)
        found.append(
            _posterior(
                label,
                rates.means,
                (partial(rates.quantile, 0), partial(rates.quantile, 1)),
                rates.difference_at_most,
                counts,
                level,
                "normal prior on the log odds ratio, by integration",
            )
        )
    return tuple(found)


def _posterior(
    label: str,
    means: tuple[float, float],
    quantiles: tuple[Callable[[float], float], Callable[[float], float]],
    at_most: Callable[[float], float],
    counts: tuple[tuple[int, int], tuple[int, int]],
    level: float,
    method: str,
) -> Posterior:
    """Put a posterior together from both rates' quantile functions and the difference's distribution function."""
    tail = (1 - level) / 2
    assumes = "independent routines with one rate for each technique; the prior"
    n = counts[0][1] + counts[1][1]

    def interval(
        quantity: str, quantile: Callable[[float], float], seen: tuple[tuple[int, int], ...]
    ) -> Interval:
        return Interval(
            quantity=quantity,
            estimate=quantile(0.5),
            low=quantile(tail),
            high=quantile(1 - tail),
            level=level,
            method=f"posterior median and equal-tailed credible limits, {method}",
            n=sum(total for _, total in seen),
            counts=seen,
            assumes=assumes,
        )

    def difference(probability: float) -> float:
        return float(brentq(lambda d: at_most(d) - probability, -1.0, 1.0, xtol=1e-10))

    return Posterior(
        prior=label,
        first=interval("proportion", quantiles[0], counts[:1]),
        second=interval("proportion", quantiles[1], counts[1:]),
        difference=interval("difference", difference, counts),
        first_mean=means[0],
        second_mean=means[1],
        difference_mean=means[0] - means[1],
        first_higher=min(1.0, max(0.0, 1 - at_most(0.0))),
        level=level,
        method=method,
        n=n,
        assumes=assumes,
    )


@dataclass(frozen=True)
class _Beta:
    a: float
    b: float

    @property
    def mean(self) -> float:
        return self.a / (self.a + self.b)

    @property
    def step(self) -> float:
        """Distance of nodes on the logit scale: half its standard deviation, or a quarter where that is wide."""
        return min(0.25, math.sqrt(1 / self.a + 1 / self.b) / 2)

    def quantile(self, probability: float) -> float:
        return float(betaincinv(self.a, self.b, probability))

    def at_most(self, x: Floats, rest: Floats) -> Floats:
        """Distribution function at x = 1 - rest, from whichever of both is known to more digits."""
        small = x < 0.5
        below = betainc(self.a, self.b, np.where(small, x, 0.0))
        above = betainc(self.b, self.a, np.where(small, 0.0, rest))
        return np.where(small, below, 1 - above)

    def log_density(self, x: Floats, rest: Floats) -> Floats:
        found = (self.a - 1) * np.log(x) + (self.b - 1) * np.log(rest) - betaln(self.a, self.b)
        return np.asarray(found, dtype=np.float64)


def _difference_at_most(first: _Beta, second: _Beta, d: float) -> float:
    """P(p1 - p2 <= d), integrating over the narrower of both so that a fixed number of points does."""
    if first.a * first.b * (second.a + second.b) > second.a * second.b * (first.a + first.b):
        return 1 - _difference_at_most(second, first, -d)
    if abs(d) >= 1:
        return 1.0 if d >= 1 else 0.0
    nodes = logit_nodes(
        d, second.quantile(_NOTHING), _Beta(second.b, second.a).quantile(_NOTHING), second.step
    )
    # From p2 = 1 - d on, p1 can't be more than d higher.
    certain = float(betainc(second.b, second.a, d)) if d > 0 else 0.0
    if not len(nodes.p2):
        return certain
    density = np.exp(second.log_density(nodes.p2, nodes.rest2))
    return certain + float((density * first.at_most(nodes.p1, nodes.rest1)) @ nodes.weights)


def _check_prior(prior: tuple[Any, Any]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Both techniques' counts, from one pair or two."""
    wanted = f"(a, b) or ((a1, b1), (a2, b2)), each number from {LEAST:g} to {MOST:g}, is needed"
    try:
        given = np.asarray(prior, dtype=np.float64)
    except (TypeError, ValueError):
        given = np.empty(0)
    if given.shape not in ((2,), (2, 2)) or not ((given >= LEAST) & (given <= MOST)).all():
        raise ValueError(f"prior is {prior!r}; {wanted}")
    pairs = np.broadcast_to(given, (2, 2))
    return (float(pairs[0, 0]), float(pairs[0, 1])), (float(pairs[1, 0]), float(pairs[1, 1]))


def _worded(one: tuple[float, float], two: tuple[float, float]) -> str:
    told = [f"{a:g} stuck and {b:g} not stuck" for a, b in (one, two)]
    if one == two:
        return f"{told[0]} beforehand"
    return f"{told[0]} with the first technique and {told[1]} with the second beforehand"
