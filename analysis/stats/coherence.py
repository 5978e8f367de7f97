"""What an interval owes to the test it belongs to: the same error rate, and the same verdict on the null value.

An interval made by turning a test round holds exactly the values that the test does not reject. Rounding in the last
digit of a limit must not break that at the null, the one value that a reader checks, so the verdict there is taken
from the test and never from a comparison of two rounded limits.
"""

from __future__ import annotations

import math
from fractions import Fraction

# Far above the rounding of any limit, far below any digit that is printed: a limit this near to the null may have
# been put on the wrong side of it by rounding, one further away has not.
_ROUNDING = 1e-9


def error_rate(level: float) -> Fraction:
    """The error rate 1 - level as the decimal fraction that was meant: 1/20 for 0.95, not 0.050000000000000044.

    >>> error_rate(0.95)
    Fraction(1, 20)
    """
    return 1 - Fraction(repr(float(level)))


def settle(low: float, high: float, null: float, rejected: bool) -> tuple[float, float]:
    """Limits that agree with the verdict of the test at the null value.

    A null value that the test does not reject is always held. One that it rejects is left out where only rounding
    had kept it in; where it lies clearly inside, in a gap of the accepted values, the limits stay as they are.
    """
    if not rejected:
        return min(low, null), max(high, null)
    room = _ROUNDING * max(1.0, abs(null))
    if low <= null and null - low <= room:
        low = math.nextafter(null, math.inf)
    elif high >= null and high - null <= room:
        high = math.nextafter(null, -math.inf)
    return low, high
