"""The one place where a number becomes text: how many digits, which marks, and what is said at the edges.

Tables, pictures and sentences all call these functions, so a number cannot read 36 % in one and 0.364 in another.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

MINUS = "\N{MINUS SIGN}"
NOT_ESTIMATED = "not estimated"


def signed(text: str) -> str:
    """Replace the hyphen of a negative number by a minus sign, and drop the sign of a rounded zero."""
    if text.startswith("-") and not any(digit in text for digit in "123456789"):
        text = text[1:]
    return text.replace("-", MINUS)


def fixed(value: float, digits: int, shift: int = 0) -> str:
    """`value` times 10^shift with `digits` decimals, a half rounded away from zero as people do it.

    The number's shortest decimal form is rounded, so 0.425 is a half although no float is 0.425.

    >>> fixed(0.425, 0, 2), f"{42.5:.0f}"
    ('43', '42')
    """
    exact = Decimal(repr(float(value))).scaleb(shift)
    return f"{exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP):f}"


def percent_digits(n: int) -> int:
    """Whole percentages below 100 routines, one decimal from there: more would be more than was seen."""
    return 0 if n < 100 else 1


def decimal(value: float | None, digits: int) -> str:
    """A number with a fixed count of decimals; infinity and a missing value in words."""
    if value is None or math.isnan(value):
        return NOT_ESTIMATED
    if math.isinf(value):
        return "infinity" if value > 0 else "minus infinity"
    return signed(fixed(value, digits))


def percent(value: float | None, digits: int = 0) -> str:
    """A proportion as a percentage. A value that isn't 0 or 1 never rounds to 0 % or 100 %: it gains digits."""
    if value is None or math.isnan(value):
        return NOT_ESTIMATED
    shown = fixed(value, digits, 2)
    while digits < 4 and 0 < abs(value) < 1 and abs(float(shown)) in (0.0, 100.0):
        digits += 1
        shown = fixed(value, digits, 2)
    return f"{signed(shown)}\N{NO-BREAK SPACE}%"


def percentage_points(value: float | None, digits: int = 0) -> str:
    """A difference of proportions in percentage points, without the unit."""
    if value is None or math.isnan(value):
        return NOT_ESTIMATED
    shown = fixed(value, digits, 2)
    while digits < 4 and value != 0 and float(shown) == 0:
        digits += 1
        shown = fixed(value, digits, 2)
    return signed(shown)


def points(value: float | None, digits: int = 2) -> str:
    """Points of deduction; an interval's limit that rounds to 0 but isn't 0 gains a digit."""
    if value is None or math.isnan(value) or math.isinf(value):
        return decimal(value, digits)
    shown = fixed(value, digits)
    while digits < 4 and value != 0 and float(shown) == 0:
        digits += 1
        shown = fixed(value, digits)
    return signed(shown)


def p_value(value: float | None, digits: int = 3, leading_zero: bool = False) -> str:
    """A p-value with its relation: "p = .034", "p < .001"; two or three decimals, never 0 and never a rounded 1.

    Below .01 there are three decimals, and where rounding would hide on which side of .05 the value lies, one more.

    >>> p_value(0.0339), p_value(0.0339, 2), p_value(0.0339, 3, leading_zero=True), p_value(0.048, 2)
    ('p = .034', 'p = .03', 'p = 0.034', 'p = .048')
    """
    if value is None or math.isnan(value):
        return "p " + NOT_ESTIMATED
    zero = "0" if leading_zero else ""
    if value < 0.001:
        return f"p < {zero}.001"
    if value > 1 - 10**-digits:
        return f"p > {zero}.{'9' * digits}" if value < 1 else "p = 1"
    if digits < 3 and (value < 0.01 or 0.045 <= value <= 0.055):
        digits = 3
    if 0.0495 <= value <= 0.0505:
        digits = 4
    return "p = " + zero + fixed(value, digits).removeprefix("0")


def count(x: int, n: int) -> str:
    """A count in words: "9 of 9"."""
    return f"{x} of {n}"


def level(value: float) -> str:
    """A confidence level: "95 %"."""
    return f"{round(100 * value, 6):g}\N{NO-BREAK SPACE}%"
