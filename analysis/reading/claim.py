"""What may be claimed from an interval, and nothing else: the p-value never makes a claim."""

from __future__ import annotations

import math
from typing import Literal

Claim = Literal["first higher", "first lower", "about the same", "not shown"]

FEWEST = 3
"""Fewer routines than this in a group of the headline: the interval is shown, a p-value and a claim are not."""


def claim_of(low: float, high: float, matters: float | None = None) -> Claim:
    """Return the claim that an interval for "first minus second" supports.

    Parameters
    ----------
    low, high : float
        Limits of the accepted (closed) set of differences; NaN when there is no interval.
    matters : float, optional
        A difference too small to care about. An interval that lies inside (-matters, matters) says "about the
        same", also where it excludes 0: the difference may be real, and it is too small to act on.
    """
    if math.isnan(low) or math.isnan(high):
        return "not shown"
    if matters is not None and -matters < low and high < matters:
        return "about the same"
    if low > 0:
        return "first higher"
    if high < 0:
        return "first lower"
    return "not shown"


def check_claim(claim: str, low: float, high: float, matters: float | None = None) -> None:
    """Raise ValueError unless a claim is the one that its interval supports, or none at all.

    "not shown" stands beside any interval: too few routines can forbid a claim that the limits would allow.

    >>> check_claim("first higher", 0.02, 0.58)
    >>> check_claim("first higher", -0.2, 0.58)
    Traceback (most recent call last):
    ...
    ValueError: the claim 'first higher' doesn't follow from the interval -0.2 to 0.58, which supports 'not shown'
    """
    supported = claim_of(low, high, matters)
    if claim not in (supported, "not shown"):
        raise ValueError(
            f"the claim {claim!r} doesn't follow from the interval {low:g} to {high:g}, which supports {supported!r}"
        )


def disagrees(low: float, high: float, p: float | None, alpha: float) -> bool:
    """Whether the interval and the p-value fall on different sides of the level."""
    if p is None or math.isnan(p) or math.isnan(low) or math.isnan(high):
        return False
    return (low > 0 or high < 0) != (p <= alpha)
