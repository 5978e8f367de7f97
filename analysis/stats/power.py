"""How likely an exact test is to show a difference of two rates, and how many routines that takes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.power_normal import normal_power, normal_sample_size
from analysis.stats.rejected_tables import (
    NAMES,
    TESTS,
    binomial,
    region_size,
    region_work,
    rejected_tables,
)
from analysis.stats.result import (
    Alternative,
    _Shown,
    check_alternative,
    check_choice,
    check_count,
    show_number,
)

ASSUMES = "two independent binomials with the supposed rates"
PAST_BUDGET = "the exact computation would exceed the budget; this is the normal approximation"
SHORTEST_RUN = 10
"""How many sizes in a row settle it. A tooth of the saw is as wide as the number of routines in which one more is
expected on the rarer side, and seldom wider than half of that: at most 18 sizes where this allows for 50."""


@dataclass(frozen=True, eq=False)
class Power(_Shown, float):
    """A power: a number between 0 and 1 that can be used as one, and what it was computed from.

    Parameters
    ----------
    power : float
        Probability that the test's p is at most alpha when the rates are p1 and p2.
    p1, p2 : float
        Supposed rates.
    n1, n2 : int
        Routines as given, before they are divided by the design effect.
    test, alternative : str
    alpha : float
    size : float
        The largest probability of such a p over all common rates, certified; NaN where the power is approximate.
    design_effect : float
    effective_n1, effective_n2 : int
        Independent routines that the power was computed for.
    method, assumes, why : str
        As in `Interval`.
    """

    power: float
    p1: float
    p2: float
    n1: int
    n2: int
    test: str
    alpha: float
    alternative: Alternative
    size: float
    design_effect: float
    effective_n1: int
    effective_n2: int
    method: str
    assumes: str = ASSUMES
    why: str = ""

    def __new__(cls, power: float, *others: object, **named: object) -> Power:
        """Make the number; the dataclass keeps the rest."""
        return super().__new__(cls, power)

    # A power equals the number it is: the comparison of results field by field would make `power == 0.8` false.
    __eq__ = float.__eq__
    __hash__ = float.__hash__

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"power {show_number(self.power)} to show {self.p1:g} against {self.p2:g} with {self.n1} and {self.n2} "
            f"routines, {self.method}, alpha {self.alpha:g} ({self.alternative}){tail}"
        )


@dataclass(frozen=True, eq=False)
class SampleSize(_Shown):
    """How many routines each group needs; `n1, n2 = sample_size(...)` unpacks them.

    An exact power doesn't rise with every routine: its graph is a saw. So there are two answers.

    Parameters
    ----------
    n1, n2 : int
        The answer: from this size on, every larger one that was computed has the power wanted too.
    power : float
        Exact power at n1 and n2.
    first_n1, first_n2 : int
        The first size of those computed that has the power wanted; one of the next may fall below it again.
    wanted : float
        The power wanted.
    checked : tuple of (int, int)
        The smallest and the largest size of the first group that was computed, and every one between; () where the
        answer is approximate.
    p1, p2, ratio, test, alpha, alternative, design_effect, method, assumes, why
        As given, and as in `Power`.
    """

    n1: int
    n2: int
    power: float
    first_n1: int
    first_n2: int
    wanted: float
    checked: tuple[int, ...]
    p1: float
    p2: float
    ratio: float
    test: str
    alpha: float
    alternative: Alternative
    design_effect: float
    method: str
    assumes: str = ASSUMES
    why: str = ""

    def __iter__(self) -> Iterator[int]:
        """The two sizes."""
        return iter((self.n1, self.n2))

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"{self.n1} and {self.n2} routines: power {show_number(self.power)} to show {self.p1:g} against "
            f"{self.p2:g}, {self.method}, alpha {self.alpha:g} ({self.alternative}){tail}"
        )


def exact_power(
    p1: float,
    p2: float,
    n1: int,
    n2: int,
    test: str = "boschloo",
    alpha: float = 0.05,
    alternative: str = "two-sided",
    design_effect: float = 1.0,
    budget: Budget = DEFAULT,
) -> Power:
    """Return the probability that an exact test of two rates gives a p of at most alpha.

    Assumes two independent binomial counts with the supposed rates: independent routines. Every table that could come
    is looked at, so there is neither simulation nor approximation. Two-sided, a p of at most alpha on the wrong side
    counts too, as it would in the report.

    Parameters
    ----------
    p1, p2 : float
        Supposed rates, between 0 and 1. Suppose what would matter, not what was just seen: a power computed at the
        observed rates is the observed p in other clothes.
    n1, n2 : int
        Routines in each group, at least 1.
    test : {"boschloo", "barnard", "fisher", "fisher mid-p"}
        The tests of `two_groups`. All but the mid-p keep alpha for certain.
    alpha : float
        Error rate, strictly between 0 and 1.
    alternative : {"two-sided", "greater", "less"}
        "greater" means that the first rate is higher.
    design_effect : float
        How many routines of returning athletes carry as much as one independent routine, at least 1: n1 and n2 are
        divided by it and rounded down. `Group.n / Group.effective_n` of an earlier meet gives it.
    budget : Budget
        Past it the normal approximation is returned, and `why` says so.

    Returns
    -------
    Power
        A float with what it was computed from; `.power` is the same number.

    Raises
    ------
    ValueError
        For rates outside 0 to 1, groups without a routine (also after the division), unknown names, alpha outside
        (0, 1), a design effect below 1.

    Examples
    --------
    >>> print(exact_power(0.9, 0.6, 9, 22))
    power 0.3766 to show 0.9 against 0.6 with 9 and 22 routines, Boschloo, Fisher p, alpha 0.05 (two-sided)

    Not for
    -------
    Explaining a result that is already in: the interval says what was and wasn't learnt.

    References
    ----------
    Suissa & Shuster 1985, Journal of the Royal Statistical Society A 148:317-327; Hoenig & Heisey 2001, The American
    Statistician 55:19-24 (on power at the observed rates).
    """
    p1, p2 = _rate("p1", p1), _rate("p2", p2)
    side = _check(test, alpha, alternative)
    n1, n2 = check_count(0, n1, "first")[1], check_count(0, n2, "second")[1]
    effect = _design(design_effect)
    m1, m2 = math.floor(n1 / effect), math.floor(n2 / effect)
    if min(m1, m2) < 1:
        raise ValueError(
            f"n1 = {n1} and n2 = {n2} at a design effect of {design_effect:g} leave a group without an independent "
            "routine; both need at least one"
        )
    method, size, why = NAMES[test], math.nan, ""
    if budget.allows(operations=region_work(m1, m2), cells=6.0 * (m1 + 1) * (m2 + 1)):
        power = _power(p1, p2, m1, m2, test, alpha, side)
        size = region_size(rejected_tables(m1, m2, test, float(alpha), side))
    else:
        power, why = normal_power(p1, p2, m1, m2, float(alpha), side), PAST_BUDGET
    return Power(
        power, p1, p2, n1, n2, test, float(alpha), side, size, float(design_effect), m1, m2, method, why=why
    )


def sample_size(
    p1: float,
    p2: float,
    power: float = 0.8,
    ratio: float = 1.0,
    test: str = "boschloo",
    alpha: float = 0.05,
    alternative: str = "two-sided",
    design_effect: float = 1.0,
    budget: Budget = DEFAULT,
) -> SampleSize:
    """Return how many routines each group needs for an exact test to have the power wanted.

    Assumes two independent binomial counts with the supposed rates. Sizes around the normal approximation are computed
    exactly, upwards until none of a long run fails and downwards until none of a long run reaches the power; outside
    that range, which `checked` gives, sizes are not looked at. A run is 10 sizes, past 100 routines a tenth of them,
    and longer where the rates are near 0 or 1: a mean rate of 5 % makes it 20.

    Parameters
    ----------
    p1, p2 : float
        Supposed rates, between 0 and 1, and not equal. The smallest difference that matters is a better choice than
        the difference of an earlier small sample, which is too large more often than not once it caught the eye.
    power : float
        Wanted, strictly between 0 and 1.
    ratio : float
        Routines in the second group for one in the first; the second group is rounded up.
    test, alpha, alternative
        As in `exact_power`.
    design_effect : float
        As in `exact_power`: the sizes found for independent routines are multiplied by it and rounded up.
    budget : Budget
        Past it the normal approximation is returned (for Fisher's test with its correction), and `why` says so.

    Returns
    -------
    SampleSize

    Raises
    ------
    ValueError
        As in `exact_power`; for equal rates, or rates that differ on the other side than a one-sided test looks at.

    Examples
    --------
    >>> print(sample_size(0.9, 0.6))
    32 and 32 routines: power 0.8041 to show 0.9 against 0.6, Boschloo, Fisher p, alpha 0.05 (two-sided)
    >>> sample_size(0.6, 0.4, test="fisher").first_n1, sample_size(0.6, 0.4, test="fisher").n1
    (102, 108)

    Not for
    -------
    Adding routines until p falls below alpha: looking again and again shows differences that aren't there.

    References
    ----------
    Suissa & Shuster 1985, Journal of the Royal Statistical Society A 148:317-327; Chernick & Liu 2002, The American
    Statistician 56:149-155 (on the saw).
    """
    p1, p2 = _rate("p1", p1), _rate("p2", p2)
    side = _check(test, alpha, alternative)
    alpha, power = float(alpha), _open_unit("power", power, "0.8")
    effect, shares = _design(design_effect), _shares(ratio)
    if p1 == p2 or (side == "greater" and p1 < p2) or (side == "less" and p1 > p2):
        raise ValueError(
            f"p1 = {p1:g} and p2 = {p2:g} with alternative {side!r}: there is no difference on that side, so no number "
            "of routines can show one"
        )
    guess = normal_sample_size(p1, p2, power, float(shares), alpha, side, corrected=test == "fisher")
    start = max(1, math.ceil(guess - 1e-9))

    def second(first: int) -> int:
        return max(1, math.ceil(first * shares))

    def whole(first: int) -> tuple[int, int]:
        return math.ceil(first * effect), math.ceil(second(first) * effect)

    def found(size: int, near: float, first: int, checked: tuple[int, ...], why: str = "") -> SampleSize:
        (n1, n2), (first_n1, first_n2) = whole(size), whole(first)
        return SampleSize(
            n1=n1,
            n2=n2,
            power=near,
            first_n1=first_n1,
            first_n2=first_n2,
            wanted=power,
            checked=checked,
            p1=p1,
            p2=p2,
            ratio=float(ratio),
            test=test,
            alpha=alpha,
            alternative=side,
            design_effect=float(design_effect),
            method=NAMES[test],
            why=why,
        )

    mean = (p1 + float(shares) * p2) / (1 + float(shares))
    shortest = max(SHORTEST_RUN, math.ceil(1 / min(mean, 1 - mean)))

    def long_run(first: int) -> int:
        return max(shortest, first // 10)

    largest = start + long_run(start)
    work = region_work(largest, second(largest)) * 2.5 * long_run(start)
    if not budget.allows(operations=work, cells=6.0 * largest * second(largest)):
        near = normal_power(p1, p2, start, second(start), alpha, side)
        return found(start, near, start, (), PAST_BUDGET)
    known: dict[int, float] = {}

    def holds(first: int) -> bool:
        if first not in known:
            known[first] = _power(p1, p2, first, second(first), test, alpha, side)
        return known[first] >= power

    low, run = start, 0
    while low > 1 and run < long_run(low):
        low -= 1
        run = 0 if holds(low) else run + 1
    high, run = start - 1, 0
    while run < long_run(high):
        high += 1
        run = run + 1 if holds(high) else 0
    first = min(size for size in known if holds(size))
    safe = max((size for size in known if not holds(size)), default=0) + 1
    return found(safe, known[safe], first, (whole(low)[0], whole(high)[0]))


def _power(p1: float, p2: float, n1: int, n2: int, test: str, alpha: float, side: Alternative) -> float:
    """The probability of the region: binomial sums over all tables in it."""
    region = rejected_tables(n1, n2, test, float(alpha), side)
    return min(1.0, float(binomial(n1, p1) @ (region @ binomial(n2, p2))))


def _check(test: str, alpha: float, alternative: str) -> Alternative:
    check_choice("test", test, TESTS)
    _open_unit("alpha", alpha, "0.05")
    return check_alternative(alternative)


def _open_unit(name: str, value: float, example: str) -> float:
    if isinstance(value, bool) or not 0 < float(value) < 1:
        raise ValueError(f"{name} is {value!r}; it lies strictly between 0 and 1, such as {example}")
    return float(value)


def _rate(name: str, value: float) -> float:
    if isinstance(value, bool) or not 0 <= float(value) <= 1:
        raise ValueError(f"{name} is {value!r}; a rate lies between 0 and 1, such as 0.9 for 90 %")
    return float(value)


def _shares(ratio: float) -> Fraction:
    """The ratio as the decimal that was meant, so that 1.1 times 10 is 11 and not 12."""
    if isinstance(ratio, bool) or not 0 < float(ratio) < math.inf:
        raise ValueError(f"ratio is {ratio!r}; it is a finite number above 0, such as 1 or 2.5")
    return Fraction(repr(float(ratio)))


def _design(effect: float) -> Fraction:
    if isinstance(effect, bool) or not 1 <= float(effect) < math.inf:
        raise ValueError(
            f"design_effect is {effect!r}; it is at least 1 (1: every routine counts fully), such as 1.6"
        )
    return Fraction(repr(float(effect)))
