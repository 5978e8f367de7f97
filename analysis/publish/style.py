"""How numbers look in tables and figures: decimals, p-values, decimal and thousands marks by language.

A style is set for a whole report and held for its duration, so that no table and no picture can have another one:
`with using(style): ...` around whatever makes them. A table keeps the style that it was made in. Sentences are in
English and keep English marks.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

SPACE = "\N{NO-BREAK SPACE}"
MOST_DECIMALS = 4


@dataclass(frozen=True)
class Marks:
    """The marks of a language: decimal mark, thousands mark, and from how many digits on thousands are marked."""

    decimal: str
    group: str
    group_from: int


LANGUAGES = {
    # After the Unicode CLDR (decimal, group, minimumGroupingDigits); English is ours and marks from 10,000 on.
    "en": Marks(".", ",", 5),
    "de": Marks(",", ".", 4),
    "fr": Marks(",", "\N{NARROW NO-BREAK SPACE}", 4),
    "es": Marks(",", ".", 5),
}


@dataclass(frozen=True)
class NumberStyle:
    """How numbers look in every table and figure of a report.

    Parameters
    ----------
    language : {"en", "de", "fr", "es"}
        Whose decimal and thousands marks are written. Words stay English.
    percent_decimals : int or None
        Decimals of percentages and of percentage points. None: none below 100 routines, one from there.
    points_decimals : int
        Decimals of points of deduction.
    p_decimals : {2, 3}
        Decimals of p-values. Below .01 there are always three, and below .001 it is said that p is smaller.
    p_leading_zero : bool or None
        Whether a p-value is written 0.034 rather than .034. None: as the language does, which only English may omit.
    percent_space : bool
        Whether a space that can't break stands before the percent sign.
    plain_csv : bool
        Write csv files with decimal points and commas between cells whatever the language. Otherwise a language with
        a decimal comma has semicolons between cells, as the spreadsheets of its countries read them.

    Raises
    ------
    ValueError
        For a language or a number of decimals that there isn't.

    Examples
    --------
    >>> NumberStyle(language="de", p_decimals=2).decimal
    ','
    >>> NumberStyle().written("64.3"), NumberStyle("de").written("64.3")
    ('64.3', '64,3')
    """

    language: str = "en"
    percent_decimals: int | None = None
    points_decimals: int = 2
    p_decimals: int = 3
    p_leading_zero: bool | None = None
    percent_space: bool = True
    plain_csv: bool = False

    def __post_init__(self) -> None:
        if self.language not in LANGUAGES:
            raise ValueError(f"language {self.language!r} is not one of {', '.join(LANGUAGES)}")
        least_most = {
            "percent_decimals": (self.percent_decimals, 0, MOST_DECIMALS),
            "points_decimals": (self.points_decimals, 0, MOST_DECIMALS),
            "p_decimals": (self.p_decimals, 2, 3),
        }
        for name, (value, least, most) in least_most.items():
            if value is None and name == "percent_decimals":
                continue
            if isinstance(value, bool) or value not in range(least, most + 1):
                raise ValueError(f"{name} is {value!r}; it is a whole number from {least} to {most}")
        for name in ("p_leading_zero", "percent_space", "plain_csv"):
            if getattr(self, name) not in (
                (None, True, False) if name == "p_leading_zero" else (True, False)
            ):
                raise ValueError(f"{name} is {getattr(self, name)!r}; it is true or false")

    @property
    def marks(self) -> Marks:
        """The marks of the language."""
        return LANGUAGES[self.language]

    @property
    def decimal(self) -> str:
        """The decimal mark."""
        return self.marks.decimal

    @property
    def leading_zero(self) -> bool:
        """Whether a p-value has a zero in front of its decimal mark."""
        return self.language != "en" if self.p_leading_zero is None else self.p_leading_zero

    @property
    def csv_comma(self) -> bool:
        """Whether csv files have decimal commas, and so semicolons between cells."""
        return self.decimal == "," and not self.plain_csv

    def written(self, english: str) -> str:
        """A number in English marks, without thousands marks, in the marks of this style."""
        return english.replace(".", self.decimal).replace(
            f"{SPACE}%", f"{SPACE}%" if self.percent_space else "%"
        )

    def whole(self, number: int) -> str:
        """A whole number with its thousands marks."""
        digits = str(abs(int(number)))
        if len(digits) < self.marks.group_from:
            return str(int(number))
        return f"{int(number):,}".replace(",", self.marks.group)


ENGLISH = NumberStyle()

_CURRENT: ContextVar[NumberStyle] = ContextVar("number style", default=ENGLISH)


def current() -> NumberStyle:
    """The style in which numbers are being written."""
    return _CURRENT.get()


@contextmanager
def using(style: NumberStyle) -> Iterator[NumberStyle]:
    r"""Write every number in `style` until the block ends.

    >>> with using(NumberStyle("fr")):
    ...     current().whole(-1234)
    '-1\u202f234'
    >>> current().language
    'en'
    """
    token = _CURRENT.set(style)
    try:
        yield style
    finally:
        _CURRENT.reset(token)
