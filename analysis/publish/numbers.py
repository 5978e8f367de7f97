"""How tables and pictures show a number: which digits, which unit, which mark.

The rounding itself is that of `analysis.reading.numbers`, so a sentence and a table can't differ. What is added here
is what only tables and pictures need: the style of the report (`analysis.publish.style`), the kind of a quantity, two
limits in a cell, and the number behind a printed cell. Full precision stands in results.json.
"""

from __future__ import annotations

import math
import re

from analysis.publish.style import NumberStyle, current
from analysis.reading import numbers as words
from analysis.stats.result import Effect, Interval, Test

MINUS = words.MINUS
NOT_ESTIMATED = words.NOT_ESTIMATED
MOST_DIGITS = 6


def percent_digits(n: int) -> int:
    """Decimals of a percentage of `n` routines in this report."""
    decimals = current().percent_decimals
    return words.percent_digits(n) if decimals is None else decimals


def level(value: float) -> str:
    r"""A confidence level, to two decimals where pairs have levels of their own.

    >>> level(0.95), level(1 - 0.05 / 3)
    ('95\xa0%', '98.33\xa0%')
    """
    return current().written(words.level(round(value, 4)))


def whole(number: int) -> str:
    """A count, with a comma from ten thousand on.

    >>> whole(5954), whole(12000)
    ('5954', '12,000')
    """
    return current().whole(number)


def of(x: int, n: int) -> str:
    """A count out of a total.

    >>> of(9, 9)
    '9 of 9'
    """
    return f"{whole(x)} of {whole(n)}"


def capital(text: str) -> str:
    """The text with its first letter as a capital, for a caption or a title."""
    return text[:1].upper() + text[1:]


def percent(value: float | None, n: int) -> str:
    r"""A proportion as a percentage.

    >>> percent(14 / 22, 22), percent(None, 9)
    ('64\xa0%', 'not estimated')
    """
    return current().written(words.percent(value, percent_digits(n)))


def points(value: float | None) -> str:
    """A mean or a difference of deductions in points.

    >>> points(0.1249), points(-0.3), points(None)
    ('0.12', '−0.30', 'not estimated')
    """
    return current().written(words.points(value, current().points_decimals))


def plain(value: float | None) -> str:
    """A number that is neither points nor a percentage, such as a log odds ratio: two decimals.

    >>> plain(2.3), plain(float("-inf"))
    ('2.30', 'minus infinity')
    """
    return current().written(words.points(value))


def decimal(value: float | None, digits: int) -> str:
    """A number with as many decimals as its place asks for, whatever the style."""
    return current().written(words.decimal(value, digits))


def tick(value: float) -> str:
    """A number on an axis: as many decimals as it has.

    >>> tick(-0.5), tick(20.0), tick(1000.0)
    ('−0.5', '20', '1000')
    """
    return current().written(words.signed(f"{value:g}"))


def percentage_points(value: float | None, n: int) -> str:
    """A difference of proportions in percentage points, without the unit."""
    return current().written(words.percentage_points(value, percent_digits(n)))


def deduction(value: float | None) -> str:
    """One deduction as a judge writes it: as many decimals as it has, at least one.

    >>> deduction(0.3), deduction(0.05), deduction(1.0), deduction(None)
    ('0.3', '0.05', '1.0', '–')
    """
    if value is None or math.isnan(value):
        return "–"
    text = words.decimal(round(value * 1000) / 1000, 3).rstrip("0")
    return current().written(text + "0" if text.endswith(".") else text)


def ratio(value: float | None) -> str:
    """A ratio or an odds ratio: fewer decimals as it grows; 0 and 1 are shown only when they are 0 and 1.

    >>> ratio(1.5714), ratio(23.42), ratio(412.3), ratio(1.0004), ratio(float("inf"))
    ('1.57', '23.4', '412', '1.0004', 'infinity')
    """
    if value is None or not math.isfinite(value):
        return decimal(value, 2)
    digits = 2 if abs(value) < 10 else 1 if abs(value) < 100 else 0
    text = words.decimal(value, digits)
    while digits < MOST_DIGITS and value not in (0, 1) and float(text) in (0, 1):
        digits += 1
        text = words.decimal(value, digits)
    return current().written(text)


def p_words(p: float | None) -> str:
    """A p-value with its letter and its relation.

    >>> p_words(0.0339), p_words(0.00004)
    ('p = .034', 'p < .001')
    """
    style = current()
    return style.written(words.p_value(p, style.p_decimals, style.leading_zero))


def p_value(p: float | None) -> str:
    """A p-value for a column of p-values, without the letter.

    >>> p_value(0.0339), p_value(0.00004), p_value(0.0496), p_value(1.0), p_value(None)
    ('.034', '< .001', '.0496', '1', 'not estimated')
    """
    return p_words(p).removeprefix("p ").removeprefix("= ")


def kind(quantity: str, unit: str = "") -> str:
    """How a quantity is shown: "ratio", "points", "probability", "percentage points" or "percent".

    >>> kind("odds ratio"), kind("difference"), kind("mean difference"), kind("difference", "points")
    ('ratio', 'percentage points', 'points', 'points')
    """
    word = quantity.lower()
    if "ratio" in word:
        return "ratio"
    if "superior" in word or "chance" in word or "probability" in word or unit == "probability":
        return "probability"
    if any(part in word for part in ("mean", "median", "points", "shift", "lehmann")) or unit == "points":
        return "points"
    return "percentage points" if "difference" in word or unit == "proportion" else "percent"


def amount(value: float | None, shown_as: str, n: int) -> str:
    """A value as its kind is shown, without a unit (which stands in the header or the row's name)."""
    if shown_as == "ratio":
        return ratio(value)
    if shown_as == "points":
        return points(value)
    if shown_as in ("probability", "plain"):
        return plain(value)
    if shown_as == "percentage points":
        return percentage_points(value, n)
    return percent(value, n).removesuffix("%").rstrip()


def limits(low: float | None, high: float | None, shown_as: str, n: int) -> str:
    """Two limits in one cell.

    >>> limits(0.43, 0.803, "percent", 22), limits(1.021, float("inf"), "ratio", 31)
    ('43 to 80', '1.02 to infinity')
    """
    if _missing(low) and _missing(high):
        return NOT_ESTIMATED
    return f"{amount(low, shown_as, n)} to {amount(high, shown_as, n)}"


def _missing(value: float | None) -> bool:
    return value is None or math.isnan(value)


NOUNS = {"points": " points", "percentage points": " percentage points", "percent": "\N{NO-BREAK SPACE}%"}


def interval_words(found: Interval | Effect, unit: str = "") -> str:
    """An estimate with its interval in one phrase, such as "36 percentage points (95 % 3 to 59)"."""
    shown_as = kind(found.quantity, unit)
    estimate = amount(found.estimate, shown_as, found.n) + current().written(NOUNS.get(shown_as, ""))
    return f"{estimate} ({level(found.level)} {limits(found.low, found.high, shown_as, found.n)})"


def p_with_method(found: Test | Effect) -> str:
    """A p-value with its test and, for Monte Carlo, with its own error."""
    drawn = f", {whole(found.draws)} draws, standard error {decimal(found.error, 4)}" if found.draws else ""
    side = "" if found.alternative == "two-sided" else f", one-sided ({found.alternative})"
    return f"{p_words(found.p_value)}, {found.method}{side}{drawn}"


def plain_number(text: str, style: NumberStyle | None = None) -> tuple[float, int] | None:
    """The number that a cell shows and its decimals, or None when the cell is not one plain number.

    A p-value below 1 may have no zero in front. `style` is the style that the cell was written in: the current one
    unless given.

    >>> plain_number("−0.36"), plain_number("9 of 9"), plain_number("12,000"), plain_number(".034")
    ((-0.36, 2), None, (12000.0, 0), (0.034, 3))
    >>> plain_number("12.000", NumberStyle("de"))
    (12000.0, 0)
    """
    bare = machine(text, style)
    return None if bare is None else (float(bare), len(bare.partition(".")[2]))


def machine(text: str, style: NumberStyle | None = None) -> str | None:
    """The digits of a cell as a program reads them (1234.5, -0.36, .034), or None when it is not one plain number."""
    marks = (style or current()).marks
    group, point = re.escape(marks.group), re.escape(marks.decimal)
    pattern = rf"([-{MINUS}]?)(\d{{1,3}}(?:{group}\d{{3}})+|\d+|(?={point}))(?:{point}(\d+))?"
    found = re.fullmatch(pattern, text, re.ASCII)
    if found is None:
        return None
    sign, front, back = found.groups()
    return ("-" if sign else "") + front.replace(marks.group, "") + (f".{back}" if back else "")
