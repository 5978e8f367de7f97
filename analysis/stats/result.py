"""The few frozen results that every routine in `stats` returns.

Four types and no more: an interval, a test, an effect (an estimate with both its interval and its test) and a
fitted model. They hold numbers and plain words; how a number is rounded for a reader is decided where it is
printed, here for the terminal and the notebook only.

A value that cannot be estimated is NaN (or an infinity, where infinity is the answer) together with a reason in
`why`; `to_dict` turns both into strict JSON.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Literal

from analysis.shown import Shown, show_number

Alternative = Literal["two-sided", "greater", "less"]
ALTERNATIVES: tuple[Alternative, ...] = ("two-sided", "greater", "less")


def strict_json(value: Any) -> Any:
    """Turn a result's field into strict JSON: NaN becomes null, an infinity the word "infinity" or "-infinity"."""
    if isinstance(value, dict):
        return {str(key): strict_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [strict_json(item) for item in value]
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, int):
        return int(value)
    if hasattr(value, "to_dict"):
        return value.to_dict()
    number = float(value)
    if math.isnan(number):
        return None
    if math.isinf(number):
        return "infinity" if number > 0 else "-infinity"
    # Twelve digits are more than any method here claims and fewer than those on which machines disagree.
    return float(f"{number:.12g}") + 0.0  # no negative zero


class _Shown(Shown):
    """What the four results share: a dictionary, equality, and a small table in a notebook."""

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name, as strict JSON values; empty remarks are left out."""
        found = {}
        for item in fields(self):  # type: ignore[arg-type]
            value = getattr(self, item.name)
            if value is None or value == "" or value == ():
                continue
            found[item.name] = strict_json(value)
        return found

    def _values(self) -> tuple[Any, ...]:
        """The fields, with one mark for every NaN: two results without an estimate are equal (3.13 says not)."""
        return _nan_marked(tuple(getattr(self, item.name) for item in fields(self)))  # type: ignore[arg-type]

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and isinstance(other, _Shown) and self._values() == other._values()

    def __hash__(self) -> int:
        return hash(self._values())


def _nan_marked(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(_nan_marked(item) for item in value)
    return "NaN" if isinstance(value, float) and math.isnan(value) else value


def _percent(level: float) -> str:
    return f"{round(100 * level, 6):g} %"


@dataclass(frozen=True, eq=False)
class Interval(_Shown):
    """An estimate with its confidence interval.

    Parameters
    ----------
    quantity : str
        What is estimated: "proportion", "difference", "ratio", "odds ratio", "mean difference", ...
    estimate, low, high : float
        In the unit of the quantity. A limit may be infinite; the estimate may be NaN (0/0), with `why`.
    level : float
        Confidence level between 0 and 1. Each side has error (1 - level) / 2, edges included.
    method : str
        Name of the method as the literature gives it.
    counts : tuple of (int, int)
        (x, n) for each group; empty where the data are not counts.
    n : int
        Number of observations.
    assumes : str
        The sampling assumption, in plain words.
    why : str
        Why something could not be estimated or had to be approximated; "" when all is well.
    """

    quantity: str
    estimate: float
    low: float
    high: float
    level: float
    method: str
    n: int
    counts: tuple[tuple[int, int], ...] = ()
    assumes: str = ""
    why: str = ""

    def __str__(self) -> str:
        seen = " and ".join(f"{x} of {n}" for x, n in self.counts) or f"{self.n} observations"
        tail = f" ({self.why})" if self.why else ""
        return (
            f"{self.quantity} {show_number(self.estimate)} ({_percent(self.level)} {show_number(self.low)} to "
            f"{show_number(self.high)}), {self.method}, {seen}{tail}"
        )


@dataclass(frozen=True, eq=False)
class Test(_Shown):
    """A hypothesis test.

    Parameters
    ----------
    p_value : float
        The reported p. For a certified maximum it is `bound`; for Monte Carlo it is (b + 1) / (B + 1).
    alternative : {"two-sided", "greater", "less"}
        "greater" means that the first group is higher.
    method : str
        Name of the test.
    statistic : float
        The observed statistic, NaN where the test has none.
    attained, bound : float
        Certified bracket of the p-value: it is at least `attained` and at most `bound`.
    smallest : float or None
        The smallest p that the design could have reached, where that is known.
    draws, error : int, float
        Monte Carlo draws and the standard error of p; 0 when the p is exact.
    n, assumes, why
        As in `Interval`.
    mid_p : float
        The p-value with half the probability of everything exactly as extreme as observed; NaN where not given.
    """

    __test__ = False  # not a pytest class

    p_value: float
    alternative: Alternative
    method: str
    n: int
    statistic: float = math.nan
    attained: float = math.nan
    bound: float = math.nan
    smallest: float | None = None
    draws: int = 0
    error: float = 0.0
    assumes: str = ""
    why: str = ""
    mid_p: float = math.nan

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        drawn = f", {self.draws} draws, standard error {show_number(self.error)}" if self.draws else ""
        return (
            f"p = {show_number(self.p_value)} ({self.alternative}), {self.method}, "
            f"{self.n} observations{drawn}{tail}"
        )


@dataclass(frozen=True, eq=False)
class Effect(_Shown):
    """An estimate that comes with both an interval and a test.

    The fields are those of `Interval` and `Test`; `interval_method` names the interval's method where it differs
    from the test's.
    """

    quantity: str
    estimate: float
    low: float
    high: float
    level: float
    p_value: float
    alternative: Alternative
    method: str
    interval_method: str
    n: int
    statistic: float = math.nan
    mid_p: float = math.nan
    smallest: float | None = None
    draws: int = 0
    error: float = 0.0
    assumes: str = ""
    why: str = ""

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"{self.quantity} {show_number(self.estimate)} ({_percent(self.level)} {show_number(self.low)} to "
            f"{show_number(self.high)}), {self.interval_method}; p = {show_number(self.p_value)} "
            f"({self.alternative}), {self.method}, {self.n} observations{tail}"
        )


@dataclass(frozen=True, eq=False)
class Fit(_Shown):
    """A fitted model: one entry per coefficient, in the order of `names`.

    Parameters
    ----------
    names : tuple of str
    coefficients, standard_errors, p_values : tuple of float
        NaN where a thing cannot be estimated; infinite where infinity is the answer.
    intervals : tuple of (float, float)
    level, method, n, assumes, why
        As in `Interval`.
    log_likelihood : float
    extra : dict
        What only this model has (a standard deviation, thresholds, ...), documented by its routine.
    """

    names: tuple[str, ...]
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...]
    intervals: tuple[tuple[float, float], ...]
    p_values: tuple[float, ...]
    level: float
    method: str
    n: int
    log_likelihood: float = math.nan
    sd: float = math.nan
    thresholds: tuple[float, ...] = ()
    prediction_constant: float = math.nan
    assumes: str = ""
    why: str = ""
    reasons: tuple[str, ...] = field(default=())

    def __str__(self) -> str:
        lines = [f"{self.method}, {self.n} observations" + (f" ({self.why})" if self.why else "")]
        for i, name in enumerate(self.names):
            low, high = self.intervals[i]
            lines.append(
                f"  {name}: {show_number(self.coefficients[i])} ({_percent(self.level)} {show_number(low)} to "
                f"{show_number(high)}), p = {show_number(self.p_values[i])}"
                + (f" ({self.reasons[i]})" if i < len(self.reasons) and self.reasons[i] else "")
            )
        return "\n".join(lines)


def check_alternative(alternative: str) -> Alternative:
    """Return `alternative` or raise ValueError that lists the ones that exist."""
    for known in ALTERNATIVES:
        if alternative == known:
            return known
    raise ValueError(f"alternative {alternative!r} is not one of {', '.join(ALTERNATIVES)}")


def check_level(level: float) -> float:
    """Return the confidence level or raise ValueError when it is not strictly between 0 and 1."""
    if isinstance(level, bool) or not 0 < float(level) < 1:
        raise ValueError(
            f"level is {level!r}; a confidence level lies strictly between 0 and 1, such as 0.95"
        )
    return float(level)


def check_choice(name: str, value: str, allowed: Sequence[str]) -> str:
    """Return `value` or raise ValueError that lists what is allowed for the option `name`."""
    if value not in allowed:
        raise ValueError(f"{name} {value!r} is not one of {', '.join(allowed)}")
    return value


def check_count(x: int, n: int, group: str = "") -> tuple[int, int]:
    """Return (x, n) as integers, or raise ValueError unless both are whole and 0 <= x <= n."""
    where = f" in the {group} group" if group else ""
    for label, value in (("x", x), ("n", n)):
        if isinstance(value, bool) or int(value) != value:
            raise ValueError(f"{label}{where} is {value!r}; counts are whole numbers")
    if n < 0 or not 0 <= x <= n:
        raise ValueError(f"{x} of {n}{where} is not a count: it needs 0 <= x <= n")
    return int(x), int(n)
