"""Numbers as people type them, read exactly: whole thousandths of a point or a reason why not."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from analysis.study.text import tidy

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_UNIT = re.compile(r"\s*(?:points?|pts?|p)\.?$", re.IGNORECASE)
_MONTH = re.compile(
    r"\b(jan|feb|fév|févr|mar|mär|mrz|apr|avr|abr|may|mai|mag|jun|juin|giu|jul|juil|lug|aug|août|ago|sep|set|oct|okt|ott|"
    r"nov|dec|déc|dez|dic|ene|gen)[^\W\d]*\b",
    re.IGNORECASE,
)
_DAY = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}")
_SIGNS = {**dict.fromkeys(map(ord, "‐‑‒–—−﹣－"), "-"), **dict.fromkeys(map(ord, "٫．"), "."), ord("，"): ","}
_DUST = Decimal("0.0000001")
THOUSAND = Decimal(1000)


@dataclass(frozen=True)
class Number:
    """A number as read: its exact value in thousandths, and what was changed on the way; or why it can't be read."""

    thousandths: int | None
    changed: str = ""
    problem: str = ""
    remedy: str = ""


def exact(text: str) -> Decimal | None:
    """Return the number that the text is, with a decimal point or comma, or None where it is no number.

    >>> exact("0,30"), exact("-0.0"), exact("stuck")
    (Decimal('0.30'), Decimal('-0.0'), None)
    """
    plain = tidy(text)
    if not _NUMBER.fullmatch(plain):
        return None
    try:
        return Decimal(plain.replace(",", "."))
    except InvalidOperation:
        return None


def read_thousandths(text: str) -> Number:
    """Read points or a score. Decimal comma, other minus signs and a unit behind the number are understood.

    >>> read_thousandths("0,3").thousandths, read_thousandths("0.3 pts").changed
    (300, 'unit left out')
    >>> read_thousandths("0.1-0.3").problem
    'this is not one number'
    """
    plain = tidy(text)
    changes: list[str] = []
    if not plain.isascii():
        spelled = "".join(_plain_digit(c) for c in plain).translate(_SIGNS)
        if spelled != plain:
            changes.append("other characters for digits or signs")
            plain = spelled
    if plain.startswith("'"):
        plain = plain[1:].strip()
        changes.append("text mark left out")
    without_unit = _UNIT.sub("", plain)
    if without_unit != plain and without_unit:
        plain = without_unit
        changes.append("unit left out")
    if plain[:2] in ("- ", "+ "):
        plain = plain[0] + plain[2:]
        changes.append("space after the sign")
    value = exact(plain)
    if value is None:
        return Number(None, "", *_why_not(text, plain))
    if "," in plain:
        changes.append("decimal comma")
    if abs(value) >= 1_000_000:
        return Number(None, "", "this number is far too large", "write points such as 0.3")
    scaled = value * THOUSAND
    whole = scaled.to_integral_value()
    if abs(scaled - whole) > _DUST:
        changes.append("rounded to a thousandth")
    return Number(int(whole), ", ".join(changes))


def _plain_digit(c: str) -> str:
    number = unicodedata.decimal(c, None)
    return c if number is None else str(number)


def _why_not(text: str, plain: str) -> tuple[str, str]:
    if text.strip().startswith("#"):
        return "this is a spreadsheet error", "correct the formula or type the number"
    if _DAY.fullmatch(plain) or (_MONTH.search(plain) and re.search(r"\d", plain)):
        return (
            "this is a date, not a number",
            "the spreadsheet turned the number into a date: type it again as text",
        )
    if "%" in plain:
        return "this is a percentage, not points", "write points such as 0.3"
    if len(re.findall(r"\d+(?:[.,]\d+)?", plain)) > 1:
        return "this is not one number", "write the total as one number, such as 0.4"
    if re.fullmatch(r"[oO][.,]\d+|\d*[.,][lIoO]+\d*", plain):
        return "a letter stands where a digit should be", "type the number again with the digits 0 and 1"
    return "this is not a number", "write points such as 0.3, or leave the cell blank where it was not seen"
