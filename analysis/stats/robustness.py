"""How strong a hidden difference between athletes would have to be to explain what was found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.stats.result import _Shown, check_choice, show_number

SHARES = ((0.9, 0.1), (0.8, 0.2), (0.75, 0.5), (0.6, 0.4))
"""Shares of routines by athletes with a hidden advantage: in the technique that did better, and in the other."""


@dataclass(frozen=True, eq=False)
class EValue(_Shown):
    """The least strength of a hidden trait, as a ratio of rates, that could bring a ratio of rates to 1.

    Parameters
    ----------
    ratio, low, high : float
        The ratio of rates and its interval, as given.
    e_value : float
        For the estimate: 1 when the ratio is 1, infinite when the ratio is 0 or infinite.
    e_value_limit : float
        For the limit nearer to 1; 1 when the interval holds 1.
    outcome : str
        What the ratio is a ratio of: "stuck" or "not stuck".
    assumes, why
        As in `Interval`.
    """

    ratio: float
    low: float
    high: float
    e_value: float
    e_value_limit: float
    outcome: str
    assumes: str = ""
    why: str = ""

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"E-value {show_number(self.e_value, 2)}, nearer limit {show_number(self.e_value_limit, 2)}, for the "
            f"ratio of {self.outcome} {show_number(self.ratio, 2)} ({show_number(self.low, 2)} to "
            f"{show_number(self.high, 2)}){tail}"
        )


def e_value(ratio: float, low: float, high: float, outcome: str = "stuck") -> EValue:
    """E-value of a ratio of rates: how strong a hidden trait would have to be to explain it.

    Assumes that the interval accounts for how the routines were sampled, and that no hidden trait of the athletes goes
    with both the choice of technique and the outcome: the E-value is the strength at which that would break.

    Parameters
    ----------
    ratio, low, high : float
        Ratio of rates (not of odds), first over second, with its interval; infinite is allowed.
    outcome : {"stuck", "not stuck"}
        What the ratio is of. For the record only; the arithmetic is the same.

    Returns
    -------
    EValue
        A trait must raise the chance of the outcome *and* be commoner with the better technique by this ratio each,
        beyond all that was adjusted for. A weaker one can't explain the ratio away; a stronger one needn't.

    Raises
    ------
    ValueError
        Unless 0 <= low <= ratio <= high.

    Notes
    -----
    E = R + sqrt(R (R - 1)) with R the ratio or, below 1, its reciprocal. It holds for common outcomes too, as long as
    R is a ratio of rates; odds ratios would have to be converted first.

    Which ratio? That of *stuck*, as the question was asked. Where sticking is common that ratio can't be large: 9/9
    against 14/22 is 1.57 and E = 2.52. The ratio of *not stuck* for the same routines is 0 and its E-value infinite.
    Both are right about their own scale; giving the larger one without the other would be picking.

    Examples
    --------
    >>> print(e_value(3.9, 1.8, 8.7))
    E-value 7.26, nearer limit 3.00, for the ratio of stuck 3.90 (1.80 to 8.70)
    >>> print(e_value(9 / 9 / (14 / 22), 1.03, 2.33))
    E-value 2.52, nearer limit 1.21, for the ratio of stuck 1.57 (1.03 to 2.33)

    References
    ----------
    VanderWeele & Ding 2017, Annals of Internal Medicine 167:268-274. Ding & VanderWeele 2016, Epidemiology
    27:368-377 (the bound behind it).

    Not for: judging whether such a trait exists. "How good is the athlete" is a strong trait in every sport.
    """
    check_choice("outcome", outcome, ("stuck", "not stuck"))
    ratio, low, high = float(ratio), float(low), float(high)
    if not 0 <= low <= ratio <= high:
        raise ValueError(
            f"ratio {ratio!r} with limits {low!r} and {high!r}: 0 <= low <= ratio <= high is needed"
        )
    nearer = low if low > 1 else high if high < 1 else 1.0
    why = ""
    if ratio in (0.0, math.inf):
        why = "a rate of 0 on one side: no finite trait explains the estimate, so read the limit"
    return EValue(
        ratio=ratio,
        low=low,
        high=high,
        e_value=_e(ratio),
        e_value_limit=_e(nearer),
        outcome=outcome,
        assumes="the interval allows for how routines were sampled",
        why=why,
    )


def _e(ratio: float) -> float:
    if ratio in (0.0, math.inf):
        return math.inf
    ratio = max(ratio, 1 / ratio)
    # The root of each factor: the product overflows from 1e154.
    return ratio + math.sqrt(ratio) * math.sqrt(ratio - 1)


@dataclass(frozen=True, eq=False)
class Tipping(_Shown):
    """One line: how large an advantage, held by these shares, would explain the difference.

    Parameters
    ----------
    share_first, share_second : float
        Share of each technique's routines by athletes who have the hidden trait, 0 to 1. The larger one stands
        with the technique that did better.
    advantage : float
        What the trait would have to be worth to bring the estimate to 0: as a proportion (stuck more often by .3) or
        in points (fewer lost). Never negative.
    advantage_limit : float
        The same for the limit nearer to 0; 0 where the interval already holds 0, NaN where there is no limit.
    possible, possible_limit : bool
        False where an advantage of more than 1 would be needed, which no trait can give to a proportion.
    kind : {"stuck", "points"}
    why : str
    """

    share_first: float
    share_second: float
    advantage: float
    advantage_limit: float
    possible: bool
    possible_limit: bool
    kind: str
    why: str = ""

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"trait in {100 * self.share_first:g} % and {100 * self.share_second:g} %: advantage "
            f"{show_number(self.advantage, 2)} brings the estimate to 0, {show_number(self.advantage_limit, 2)} the "
            f"nearer limit{tail}"
        )


def tipping(
    difference: float,
    low: float,
    high: float,
    shares: Sequence[tuple[float, float]] = SHARES,
    kind: str = "stuck",
) -> tuple[Tipping, ...]:
    """How much better would the athletes behind the better technique have to be to explain the whole difference.

    Assumes one hidden trait that some athletes have, worth the same with either technique and at every level of the
    other columns; then the bias of the difference is its worth times the difference of its shares.

    Parameters
    ----------
    difference, low, high : float
        First minus second with its interval: of stuck rates, or of mean points lost. Limits may be NaN or infinite.
    shares : sequence of (float, float)
        Shares with the trait: with the technique that did better, and with the other; each 0 to 1, the first larger.
    kind : {"stuck", "points"}
        With "stuck" higher is better and no advantage exceeds 1; with "points" (lost) lower is better, without a cap.

    Returns
    -------
    tuple of Tipping
        One for each pair of shares, in the order given; with the second technique ahead the shares are swapped.

    Raises
    ------
    ValueError
        If difference isn't finite or lies outside its limits, "stuck" lies outside -1 to 1, or shares make no sense.

    Examples
    --------
    >>> for line in tipping(9 / 9 - 14 / 22, 0.02, 0.58, shares=[(0.8, 0.2), (0.6, 0.4)]):
    ...     print(line)
    trait in 80 % and 20 %: advantage 0.61 brings the estimate to 0, 0.03 the nearer limit
    trait in 60 % and 40 %: advantage 1.82 brings the estimate to 0, 0.10 the nearer limit (more than 1 can't be: no
    such trait explains the estimate)

    References
    ----------
    Bross 1966, Journal of Chronic Diseases 19:637-647. Lin, Psaty & Kronmal 1998, Biometrics 54:948-963. VanderWeele &
    Arah 2011, Epidemiology 22:42-52 (the additive form; page numbers from memory).

    Not for: correcting the difference. It shows what would have to be believed, not what is so.
    """
    check_choice("kind", kind, ("stuck", "points"))
    difference, low, high = float(difference), float(low), float(high)
    if not math.isfinite(difference) or low > difference or high < difference:
        raise ValueError(
            f"difference {difference!r} with limits {low!r} and {high!r}: low <= difference <= high"
        )
    if kind == "stuck" and abs(difference) > 1:
        raise ValueError(f"difference is {difference!r}; a difference of stuck rates lies between -1 and 1")
    limit = low if difference > 0 else high
    nearer = abs(limit) if limit * difference > 0 else limit if math.isnan(limit) else 0.0
    first_better = difference >= 0 if kind == "stuck" else difference <= 0
    lines = []
    for pair in shares:
        more, less = _check_shares(pair)
        advantage, advantage_limit = abs(difference) / (more - less), nearer / (more - less)
        cap = 1.0 if kind == "stuck" else math.inf
        why = []
        if advantage_limit > cap:
            why.append("more than 1 can't be: no such trait explains even the limit")
        elif advantage > cap:
            why.append("more than 1 can't be: no such trait explains the estimate")
        if math.isnan(limit):
            why.append("there is no interval")
        elif nearer == 0:
            why.append("the interval already holds 0")
        lines.append(
            Tipping(
                share_first=more if first_better else less,
                share_second=less if first_better else more,
                advantage=advantage,
                advantage_limit=advantage_limit,
                possible=advantage <= cap,
                possible_limit=not advantage_limit > cap,
                kind=kind,
                why="; ".join(why),
            )
        )
    return tuple(lines)


def _check_shares(pair: tuple[float, float]) -> tuple[float, float]:
    more, less = (float(share) for share in pair)
    if not 0 <= less < more <= 1:
        raise ValueError(f"shares has {pair!r}; each is (larger, smaller), both from 0 to 1")
    return more, less
