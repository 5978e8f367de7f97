"""Two proportions: the public names, first group against second in the order in which the caller gives them."""

from __future__ import annotations

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.conditional import fisher
from analysis.stats.odds_ratio import odds_ratio_interval as conditional_interval
from analysis.stats.ratio_score import koopman
from analysis.stats.result import Interval, check_choice
from analysis.stats.score import agresti_caffo, miettinen_nurminen, newcombe
from analysis.stats.unconditional import barnard, boschloo, exact_difference, exact_odds_ratio, exact_ratio

__all__ = ["barnard", "boschloo", "difference_interval", "fisher", "odds_ratio_interval", "ratio_interval"]

_CLOSED = {
    "miettinen-nurminen": miettinen_nurminen,
    "newcombe": newcombe,
    "agresti-caffo": agresti_caffo,
}
_EXACT = {"exact": "two-sided", "exact-two-one-sided": "two one-sided"}
_CONDITIONAL = ("exact", "mid-p", "baptista-pike", "baptista-pike mid-p")


def difference_interval(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    method: str = "exact",
    level: float = 0.95,
    alternative: str = "two-sided",
    budget: Budget = DEFAULT,
) -> Interval:
    """Confidence interval of the difference of two rates, first minus second.

    Assumes two independent binomial counts: independent routines, one success rate in each group.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    method : {"exact", "exact-two-one-sided", "miettinen-nurminen", "newcombe", "agresti-caffo"}
        "exact" is the unconditional interval that belongs to `barnard`; "exact-two-one-sided" has at most half of
        the error on each side and is wider. "miettinen-nurminen" agrees with its own asymptotic score test,
        "newcombe" and "agresti-caffo" with no test.
    level : float
        Confidence level.
    alternative : {"two-sided", "greater", "less"}
        "greater" gives a lower limit with the whole error rate 1 - level on that side and 1 as its other end, "less"
        an upper limit and -1.
    budget : Budget
        Work that an exact interval may do before it says so and gives Miettinen-Nurminen instead.

    Returns
    -------
    Interval
        The estimate is the plain difference, whatever the method. If a group is empty it is NaN, with `why`.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n, the level is out of range, or a name is unknown.

    Examples
    --------
    >>> print(difference_interval(9, 9, 14, 22, method="newcombe"))
    difference 0.3636 (95 % 0.0214 to 0.5705), Newcombe, 9 of 9 and 14 of 22

    Not for
    -------
    Athletes who come back: use `clustered.clustered_difference`.

    References
    ----------
    Newcombe 1998, Statistics in Medicine 17:873-890; Chan & Zhang 1999, Biometrics 55:1202-1209; Agresti & Min 2001,
    Biometrics 57:963-971.
    """
    check_choice("method", method, (*_EXACT, *_CLOSED))
    if method in _EXACT:
        return exact_difference(
            x1, n1, x2, n2, level=level, alternative=alternative, form=_EXACT[method], budget=budget
        )
    return _CLOSED[method](x1, n1, x2, n2, level=level, alternative=alternative)


def ratio_interval(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    method: str = "koopman",
    level: float = 0.95,
    budget: Budget = DEFAULT,
) -> Interval:
    """Confidence interval of the ratio of two rates, first over second.

    Assumes two independent binomial counts: independent routines, one success rate in each group.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    method : {"koopman", "exact", "exact-two-one-sided"}
        "koopman" is the asymptotic score interval, "exact" the unconditional one that belongs to `barnard`,
        "exact-two-one-sided" has at most half of the error on each side.
    level : float
        Confidence level.
    budget : Budget
        Work that an exact interval may do before it says so and gives an asymptotic one instead.

    Returns
    -------
    Interval
        With no success in the second group the estimate and the upper limit are infinite; with none at all the
        estimate is NaN and the interval 0 to infinity.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n, the level is out of range, or the method is unknown.

    Examples
    --------
    >>> print(ratio_interval(9, 9, 14, 22))
    ratio 1.5714 (95 % 1.0493 to 2.3282), Koopman, 9 of 9 and 14 of 22

    Not for
    -------
    Athletes who come back; and read it beside the difference: 2 of 100 against 1 of 100 is a ratio of 2 too.

    References
    ----------
    Koopman 1984, Biometrics 40:513-517.
    """
    check_choice("method", method, ("koopman", *_EXACT))
    if method in _EXACT:
        return exact_ratio(x1, n1, x2, n2, level=level, form=_EXACT[method], budget=budget)
    return koopman(x1, n1, x2, n2, level=level)


def odds_ratio_interval(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    method: str = "exact",
    level: float = 0.95,
    budget: Budget = DEFAULT,
) -> Interval:
    """Confidence interval of the odds ratio, first group over second.

    Assumes two independent binomial counts: independent routines, one success rate in each group.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    method : {"exact", "mid-p", "baptista-pike", "baptista-pike mid-p", "exact-unconditional"}
        The first four are conditional on the number of successes over both groups (`odds_ratio`): "exact" and
        "baptista-pike" belong to `fisher`, doubled one-sided and two-sided. "exact-unconditional" belongs to `barnard`.
    level : float
        Confidence level.
    budget : Budget
        Work that "exact-unconditional" may do before it says so and gives an asymptotic interval instead.

    Returns
    -------
    Interval
        The estimate is the conditional maximum-likelihood one, with "exact-unconditional" the ratio of the observed
        odds. With an empty cell it is 0 or infinite and the limit on that side with it.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n, the level is out of range, or the method is unknown.

    Examples
    --------
    >>> print(odds_ratio_interval(14, 22, 3, 9, method="exact-unconditional"))
    odds ratio 3.5000 (95 % 0.6970 to 24.6299), exact unconditional, Agresti–Min, 14 of 22 and 3 of 9

    Not for
    -------
    Athletes who come back, and reading as a ratio of rates: 9 in 10 against 6 in 10 is an odds ratio of 6.

    References
    ----------
    Fagerland, Lydersen & Laake 2015, Statistical Methods in Medical Research 24:224-254; Agresti & Min 2002,
    Biostatistics 3:379-386.
    """
    check_choice("method", method, (*_CONDITIONAL, "exact-unconditional"))
    if method == "exact-unconditional":
        return exact_odds_ratio(x1, n1, x2, n2, level=level, budget=budget)
    return conditional_interval(x1, n1, x2, n2, method=method, level=level)
