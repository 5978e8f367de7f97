"""How often two coders agree: in all, on a code, on its absence; and whether prevalence misleads kappa."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.stats.coded import Coded, Codes, clean_code, pair_table
from analysis.stats.kappa import NOTHING, RANDOM_UNITS, disagreement, kappa_of
from analysis.stats.proportions import proportion_interval
from analysis.stats.result import Interval, _Shown, check_level, show_number

SHORTFALL = 0.2  # one step of the usual verbal scales of kappa


def percent_agreement(codes_a: Codes, codes_b: Codes, level: float = 0.95) -> Interval:
    """Share of routines on which two coders agree (a rate from 0 to 1), with the Clopper–Pearson interval.

    Assumes that the routines coded twice are a random part of all and independent of each other.

    Parameters
    ----------
    codes_a, codes_b : sequences
        Position i is the same routine. None, NaN and blank text are missing; such pairs are left out and counted.
    level : float

    Returns
    -------
    Interval

    Raises
    ------
    ValueError
        If the lists differ in length or hold things that can't be codes.

    Examples
    --------
    >>> a = ["stuck"] * 9 + ["step"] * 13
    >>> b = ["stuck"] * 11 + ["step"] * 11
    >>> print(percent_agreement(a, b))
    agreement 0.9091 (95 % 0.7084 to 0.9888), Clopper–Pearson, 20 of 22

    Not for
    -------
    Rare codes on its own: two coders who never say "fall" agree on all routines without a fall.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.
    """
    table, coded = pair_table(codes_a, codes_b)
    return _rate("agreement", int(np.trace(table)), int(table.sum()), level, coded)


def positive_agreement(codes_a: Codes, codes_b: Codes, positive: Any = None, level: float = 0.95) -> Interval:
    """Agreement on one code: of the times that either coder gave it, the share in which the other gave it too.

    Assumes that the routines coded twice are a random part of all and independent of each other.

    With a routines where both gave the code and u where only one did, the share is 2a / (2a + u). Given a + u, a is
    binomial, so Clopper–Pearson limits t of a of a + u become exact limits 2t / (1 + t).

    Parameters
    ----------
    codes_a, codes_b : sequences
        Position i is the same routine. None, NaN and blank text are missing; such pairs are left out and counted.
    positive : code, optional
        The code in question, such as "stuck". It may be left out where all codes are 0 and 1 or False and True.
    level : float

    Returns
    -------
    Interval
        `counts` is (2a, 2a + u). Where neither coder gave the code: NaN, and 0 to 1.

    Raises
    ------
    ValueError
        If the lists differ in length, or `positive` is needed and not given.

    Examples
    --------
    >>> a = ["stuck"] * 9 + ["step"] * 13
    >>> b = ["stuck"] * 11 + ["step"] * 11
    >>> print(positive_agreement(a, b, "stuck"))
    positive agreement 0.9000 (95 % 0.6507 to 0.9885), Clopper–Pearson of the routines with the code, 18 of 20

    Not for
    -------
    Agreement beyond chance: see `cohen_kappa`.

    References
    ----------
    Cicchetti & Feinstein 1990, Journal of Clinical Epidemiology 43:551-558.
    """
    return _specific("positive agreement", codes_a, codes_b, positive, True, level)


def negative_agreement(codes_a: Codes, codes_b: Codes, positive: Any = None, level: float = 0.95) -> Interval:
    """Agreement on the absence of one code: of the times that either coder withheld it, the share in which both did.

    Assumes that the routines coded twice are a random part of all and independent of each other.

    Parameters
    ----------
    codes_a, codes_b, positive, level
        As in `positive_agreement`; `positive` is still the code itself, such as "stuck".

    Returns
    -------
    Interval

    Raises
    ------
    ValueError
        As in `positive_agreement`.

    Examples
    --------
    >>> a = ["stuck"] * 9 + ["step"] * 13
    >>> b = ["stuck"] * 11 + ["step"] * 11
    >>> print(negative_agreement(a, b, "stuck"))
    negative agreement 0.9167 (95 % 0.7059 to 0.9903), Clopper–Pearson of the routines without the code, 22 of 24

    Not for
    -------
    Agreement beyond chance: see `cohen_kappa`.

    References
    ----------
    Cicchetti & Feinstein 1990, Journal of Clinical Epidemiology 43:551-558.
    """
    return _specific("negative agreement", codes_a, codes_b, positive, False, level)


@dataclass(frozen=True)
class PrevalenceEffect(_Shown):
    """Whether kappa is low because of how the codes are spread rather than because of disagreement.

    Parameters
    ----------
    misleading : bool
        Whether kappa is undefined or lies SHORTFALL (0.2) or more below `balanced`.
    kappa : float
    balanced : float
        The kappa that the same agreement would have if both coders used all categories equally often.
    prevalence_index : float
        0 where all categories are equally common, 1 where only one occurs; |a - d| / n in a 2 x 2 table.
    bias_index : float
        Share of codes that would have to change for the coders to use each category equally often; |b - c| / n.
    chance : float
        The agreement expected by chance from the coders' own shares.
    n : int
    """

    misleading: bool
    kappa: float
    balanced: float
    prevalence_index: float
    bias_index: float
    chance: float
    n: int

    def __str__(self) -> str:
        return (
            f"{'misleading' if self.misleading else 'not misleading'}: kappa {show_number(self.kappa)}, balanced "
            f"{show_number(self.balanced)}, prevalence index {show_number(self.prevalence_index)}, bias index "
            f"{show_number(self.bias_index)}, {self.n} observations"
        )


def prevalence_effect(codes_a: Codes, codes_b: Codes, order: Sequence[Any] | None = None) -> PrevalenceEffect:
    """Compare kappa with what the same agreement would give if all categories were equally common.

    Describes the pairs at hand and assumes nothing about how they were sampled.

    Parameters
    ----------
    codes_a, codes_b : sequences
        Position i is the same routine. None, NaN and blank text are missing; such pairs are left out.
    order : sequence, optional
        All categories of the codebook; otherwise those that occur, at least two.

    Returns
    -------
    PrevalenceEffect

    Raises
    ------
    ValueError
        If the lists differ in length or a code isn't in `order`.

    Examples
    --------
    >>> a = ["stuck"] * 123 + ["step"] * 2
    >>> b = ["stuck"] * 118 + ["step"] * 5 + ["stuck"] * 2
    >>> print(prevalence_effect(a, b))
    misleading: kappa −0.0234, balanced 0.8880, prevalence index 0.9440, bias index 0.0240, 125 observations

    Not for
    -------
    Replacing kappa by `balanced`: show kappa, `gwet_ac` and the specific agreements side by side.

    References
    ----------
    Feinstein & Cicchetti 1990, Journal of Clinical Epidemiology 43:543-549; Byrt, Bishop & Carlin 1993, Journal of
    Clinical Epidemiology 46:423-429.
    """
    table, _ = pair_table(codes_a, codes_b, order)
    k, n = len(table), int(table.sum())
    if n == 0:
        return PrevalenceEffect(False, math.nan, math.nan, math.nan, math.nan, math.nan, 0)
    rows, columns = table.sum(axis=1) / n, table.sum(axis=0) / n
    kappa = float(kappa_of(table, disagreement(k, None)))
    balanced = (k * float(np.trace(table)) / n - 1) / (k - 1)
    return PrevalenceEffect(
        # The last digits of two quotients decide nothing.
        misleading=math.isnan(kappa) or balanced - kappa >= SHORTFALL - 1e-9,
        kappa=kappa,
        balanced=balanced,
        prevalence_index=float((k * ((rows + columns) / 2).max() - 1) / (k - 1)),
        bias_index=float(np.abs(rows - columns).sum() / 2),
        chance=float(rows @ columns),
        n=n,
    )


def _specific(
    quantity: str, codes_a: Codes, codes_b: Codes, positive: Any, given: bool, level: float
) -> Interval:
    table, coded = pair_table(codes_a, codes_b)
    both, one = _given(table, coded, positive, given)
    rate = _rate(quantity, both, both + one, level, coded)
    return Interval(
        quantity=quantity,
        estimate=2 * both / (2 * both + one) if both + one else math.nan,
        low=2 * rate.low / (1 + rate.low),
        high=2 * rate.high / (1 + rate.high),
        level=rate.level,
        method=f"Clopper–Pearson of the routines {'with' if given else 'without'} the code",
        n=int(table.sum()),
        counts=((2 * both, 2 * both + one),),
        assumes=RANDOM_UNITS,
        why=rate.why,
    )


def _given(table: npt.NDArray[np.int64], coded: Coded, positive: Any, given: bool) -> tuple[int, int]:
    """Return how many routines have the code (or its absence) from both coders, and how many from one alone."""
    if positive is None:
        if not set(coded.categories) <= {0, 1}:
            seen = ", ".join(map(repr, coded.categories))
            raise ValueError(f"positive is not given; name the code in question, one of {seen}")
        positive = 1
    positive = clean_code(positive, "positive", 0)
    n = int(table.sum())
    if positive not in coded.categories:
        return (0, 0) if given else (n, 0)
    place = coded.categories.index(positive)
    both = int(table[place, place])
    one = int(table[place].sum() + table[:, place].sum()) - 2 * both
    return (both, one) if given else (n - both - one, one)


def _rate(quantity: str, x: int, n: int, level: float, coded: Coded) -> Interval:
    rate = proportion_interval(x, n, "clopper-pearson", check_level(level))
    none = NOTHING if len(coded.places) == 0 else "no routine has it"
    why = [part for part in (coded.note, none if n == 0 else "") if part]
    return Interval(
        quantity=quantity,
        estimate=rate.estimate,
        low=rate.low,
        high=rate.high,
        level=rate.level,
        method=rate.method,
        n=n,
        counts=rate.counts,
        assumes=RANDOM_UNITS,
        why="; ".join(why),
    )
