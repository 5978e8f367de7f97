"""Exact unconditional intervals for the difference and the ratio of two proportions.

They turn round the exact unconditional test with the score statistic, which at no difference is Barnard's: the interval
is the hull of the values that the test accepts. `certified_limits` finds each limit with a proof that nothing beyond it
is accepted.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.certified_limits import lower_limit
from analysis.stats.coherence import error_rate
from analysis.stats.ratio_score import koopman
from analysis.stats.rays import DIFFERENCE, RATIO, Measure
from analysis.stats.result import Interval, check_alternative, check_choice, check_count, check_level
from analysis.stats.score import miettinen_nurminen
from analysis.stats.unconditional_tests import ASSUMES, NO_ROUTINES, barnard

FORMS = ("two-sided", "two one-sided")
PAST_BUDGET = "the exact interval would exceed the budget; this is the asymptotic score interval"
EN_DASH = "\N{EN DASH}"


def _limits(
    counts: tuple[int, int, int, int], measure: Measure, level: float, alternative: str, form: str
) -> tuple[float, float, str]:
    """The lower limits of the table and of the table with its groups swapped, and what has to be said about them."""
    x1, n1, x2, n2 = counts
    both_tails = alternative == "two-sided" and form == "two-sided"
    alpha = error_rate(level) / 2 if alternative == "two-sided" and not both_tails else error_rate(level)
    limits, early, rejected = {"greater": measure.lowest, "less": measure.lowest}, False, False
    for side, table in (("greater", counts), ("less", (x2, n2, x1, n1))):
        if alternative not in ("two-sided", side):
            continue
        p = barnard(*counts, alternative="two-sided" if both_tails else side).p_value
        accepted = Fraction(p) > alpha
        rejected |= not accepted
        limits[side], located = lower_limit(table, measure, alpha, both_tails, accepted)
        early |= not located
    remarks = []
    if rejected and max(limits.values()) <= measure.null:
        remarks.append("the null is rejected, but values beyond it are accepted: the interval spans the gap")
    if early:
        remarks.append("the search for a limit ended early, and the limit is rounded outward")
    return limits["greater"], limits["less"], "; ".join(remarks)


def _work(n1: int, n2: int) -> float:
    """Elementary operations of an interval, roughly."""
    return 3e5 * (n1 + n2) ** 1.5


def _method(form: str, alternative: str) -> str:
    if alternative != "two-sided":
        return "exact unconditional, score statistic"
    named = f"Agresti{EN_DASH}Min" if form == "two-sided" else f"Chan{EN_DASH}Zhang"
    return f"exact unconditional, {named}"


def exact_difference(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    level: float = 0.95,
    alternative: str = "two-sided",
    form: str = "two-sided",
    budget: Budget = DEFAULT,
) -> Interval:
    """Exact unconditional confidence interval for the difference of two rates, first minus second.

    Assumes two independent binomial samples: each routine counts once, and no athlete comes twice.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and the second group.
    level : float
        Confidence level.
    alternative : {"two-sided", "greater", "less"}
        "greater" gives a lower limit with the whole error on its side and 1 as the other end; "less" an upper limit
        and -1.
    form : {"two-sided", "two one-sided"}
        "two-sided" turns round one two-sided test and belongs to `barnard`: 0 is inside when its p exceeds
        1 - level. "two one-sided" turns round two one-sided tests at half the error each, and is wider as a rule.
    budget : Budget
        Past it a Miettinen-Nurminen interval is returned, and `why` says so.

    Returns
    -------
    Interval
        The hull of the differences that are not rejected, rounded outward by at most 1e-8. Where the accepted set
        has a gap at 0, `why` says so. For a group of size 0 it is -1 to 1 and the estimate NaN.

    Raises
    ------
    ValueError
        For counts that are not whole or not within 0 <= x <= n, a level outside (0, 1), an unknown alternative or form.

    Notes
    -----
    Not for repeated routines of one athlete (`clustered_difference`).

    Examples
    --------
    >>> print(exact_difference(9, 9, 14, 22))
    difference 0.3636 (95 % 0.0150 to 0.5735), exact unconditional, Agresti–Min, 9 of 9 and 14 of 22

    References
    ----------
    Chan ISF, Zhang Z (1999). Test-based exact confidence intervals for the difference of two binomial proportions.
    Biometrics 55, 1202-1209.
    Agresti A, Min Y (2001). On small-sample confidence intervals for parameters in discrete distributions. Biometrics
    57, 963-971.
    """
    found = _interval(x1, n1, x2, n2, DIFFERENCE, level, alternative, form, budget)
    if found is None:
        found = miettinen_nurminen(x1, n1, x2, n2, level, alternative)
        return replace(found, method=f"{found.method} (asymptotic)", why=PAST_BUDGET)
    return found


def exact_ratio(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    level: float = 0.95,
    alternative: str = "two-sided",
    form: str = "two-sided",
    budget: Budget = DEFAULT,
) -> Interval:
    """Exact unconditional confidence interval for the ratio of two rates, first over second.

    Assumes two independent binomial samples: each routine counts once, and no athlete comes twice.

    Parameters
    ----------
    x1, n1, x2, n2, level, alternative, form, budget
        As in `exact_difference`; one-sided intervals have 0 or infinity as their other end.

    Returns
    -------
    Interval
        The hull of the ratios that are not rejected, rounded outward by at most 1e-8 of each limit; the reciprocal
        when the groups are swapped. Without a stuck routine in the second group the estimate and the upper limit
        are infinite; with none in either, nothing is known: 0 to infinity, estimate NaN.

    Raises
    ------
    ValueError
        As in `exact_difference`.

    Notes
    -----
    Not for repeated routines of one athlete. p as a function of the ratio has spikes, mostly where the rates are far
    from the observed ones, and the interval is as wide as they make it.

    Examples
    --------
    >>> print(exact_ratio(9, 9, 14, 22))
    ratio 1.5714 (95 % 1.0307 to 2.3946), exact unconditional, Agresti–Min, 9 of 9 and 14 of 22

    References
    ----------
    Koopman PAR (1984). Confidence intervals for the ratio of two binomial proportions. Biometrics 40, 513-517.
    Agresti A, Min Y (2001). As in `exact_difference`.
    """
    found = _interval(x1, n1, x2, n2, RATIO, level, alternative, form, budget)
    if found is None:
        # One side of the interval with twice the error is the one-sided limit.
        found = koopman(x1, n1, x2, n2, level if alternative == "two-sided" else max(2 * level - 1, 1e-12))
        return replace(
            found,
            level=level,
            low=0.0 if alternative == "less" else found.low,
            high=math.inf if alternative == "greater" else found.high,
            method=f"{found.method} (asymptotic)",
            why=PAST_BUDGET,
        )
    return found


def _interval(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    measure: Measure,
    level: float,
    alternative: str,
    form: str,
    budget: Budget,
) -> Interval | None:
    """The interval, or None when it would exceed the budget."""
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    level, side = check_level(level), check_alternative(alternative)
    check_choice("form", form, FORMS)
    estimate, low, mirrored, why = math.nan, measure.lowest, measure.lowest, ""
    if n1 == 0 or n2 == 0:
        why = NO_ROUTINES
    elif measure is RATIO and x1 + x2 == 0:
        why = "nothing was stuck in either group, so every ratio is possible"
    elif not budget.allows(operations=_work(n1, n2)):
        return None
    else:
        low, mirrored, why = _limits((x1, n1, x2, n2), measure, level, side, form)
        estimate = measure.value(x1 * n2, x2 * n1, n1 * n2)
    low, high = measure.limits(low, mirrored)
    return Interval(
        measure.name,
        estimate,
        low,
        high,
        level,
        _method(form, side),
        n1 + n2,
        ((x1, n1), (x2, n2)),
        ASSUMES,
        why,
    )
