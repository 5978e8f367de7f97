"""Balance: how alike are the routines of two techniques in what else is known of them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import gammaln

from analysis.stats.result import _Shown, show_number

Values = list[Any]


@dataclass(frozen=True, eq=False)
class BalanceLine(_Shown):
    """One number column, one value of a category column, or a category column as a whole.

    Parameters
    ----------
    column, value : str
        `value` is "" for a number column and for a category column as a whole.
    kind : {"mean", "share", "all values"}
        What `first` and `second` are; with "all values" they are NaN.
    first, second : float
        Mean (in the column's unit) or share (0 to 1) for each technique.
    sd_first, sd_second : float
        Standard deviation of a number column, divisor n - 1; NaN otherwise.
    counts : tuple of (int, int)
        (x, n) of each technique for a share; empty otherwise.
    known, missing : (int, int)
        Routines of each technique with and without a value.
    difference : float
        Standardised difference, first minus second; of a column as a whole it has no sign. It may be infinite.
    by_chance : float
        Mean absolute standardised difference of a column that has nothing to do with the choice, for these numbers
        of routines.
    why : str
        Why the difference is infinite, not estimated or rests on one technique's spread alone; "" otherwise.
    """

    column: str
    value: str
    kind: Literal["mean", "share", "all values"]
    first: float
    second: float
    sd_first: float
    sd_second: float
    counts: tuple[tuple[int, int], ...]
    known: tuple[int, int]
    missing: tuple[int, int]
    difference: float
    by_chance: float
    why: str = ""

    def __str__(self) -> str:
        name = f"{self.column}: {self.value}" if self.value else self.column
        if self.kind == "all values":
            found = "all values"
        elif self.kind == "share":
            found = " and ".join(f"{x} of {n}" for x, n in self.counts)
        else:
            found = f"{show_number(self.first, 2)} and {show_number(self.second, 2)}"
        lost = f", {sum(self.missing)} missing" if sum(self.missing) else ""
        tail = f" ({self.why})" if self.why else ""
        return (
            f"{name}: {found}{lost}; standardised difference {show_number(self.difference, 2)}, by chance "
            f"{show_number(self.by_chance, 2)}{tail}"
        )


@dataclass(frozen=True, eq=False)
class Balance(_Shown):
    """Who does which technique: `lines` in the order of the columns, a category column as a whole before its values."""

    first: str
    second: str
    n_first: int
    n_second: int
    lines: tuple[BalanceLine, ...]

    def __str__(self) -> str:
        head = f"balance, {self.n_first} routines of {self.first} and {self.n_second} of {self.second}"
        return "\n".join((head, *(f"  {line}" for line in self.lines)))


def balance(
    first: Any, columns: Mapping[str, Sequence[Any]], names: tuple[str, str] = ("first", "second")
) -> Balance:
    """Set the routines of two techniques side by side: means, shares and standardised differences.

    Assumes nothing about sampling: it describes these routines. Only `by_chance` compares with a choice that has
    nothing to do with the column, made for each routine on its own; with athletes who come back chance brings more.

    Parameters
    ----------
    first : sequence of n bool
        True for the first technique.
    columns : mapping of name to sequence of n values
        Numbers make a number column; text and bool, or anything mixed, a category column. None and NaN are missing:
        counted, and left out of means and shares.
    names : (str, str)
        Names of the techniques, for the words in `why`.

    Returns
    -------
    Balance

    Raises
    ------
    ValueError
        If first isn't True/False with routines of both techniques, or a column has another length.

    Notes
    -----
    Difference of two means over the root of the mean of both variances; of two shares likewise with p (1 - p); of a
    whole category column the multivariate form of the same. Where both techniques have one value each the difference
    is 0 or infinite, and `why` says so.

    It is common practice to call an absolute difference above 0.1 (or, more leniently, 0.25) unbalanced. Those
    thresholds come from studies with hundreds of people a group. With n1 and n2 routines a column without any bearing
    on the choice differs by sqrt(2/pi) sqrt(1/n1 + 1/n2) on average: 0.32 for 9 and 22. So read each difference
    beside its `by_chance`; a small difference in a small sample proves no balance either.

    Examples
    --------
    >>> first = [True] * 4 + [False] * 6
    >>> columns = {"difficulty": [5.2, 5.4, 5.6, 5.8, 5.0, 5.2, 5.4, 5.0, 5.2, None],
    ...            "round": ["final"] * 3 + ["heats"] * 6 + ["final"]}
    >>> print(balance(first, columns))
    balance, 4 routines of first and 6 of second
      difficulty: 5.50 and 5.16, 1 missing; standardised difference 1.56, by chance 0.54
      round: all values; standardised difference 1.44, by chance 0.52
      round: heats: 1 of 4 and 5 of 6; standardised difference −1.44, by chance 0.52
      round: final: 3 of 4 and 1 of 6; standardised difference 1.44, by chance 0.52

    References
    ----------
    Austin 2009, Statistics in Medicine 28:3083-3107. Yang & Dalton 2012, A unified approach to measuring the effect
    size between two groups, SAS Global Forum 335 (several categories; from memory).

    Not for: deciding by a test whether to adjust. Which columns matter is a question of the trade; it goes in the plan.
    """
    arm = check_arm(first)
    lines: list[BalanceLine] = []
    for name, given in columns.items():
        values = [_clean(value) for value in given]
        if len(values) != len(arm):
            raise ValueError(f"{name} has {len(values)} values and first {len(arm)}; they must be as many")
        groups = tuple([v for v, a in zip(values, arm, strict=True) if a == side] for side in (True, False))
        known = tuple([v for v in group if v is not None] for group in groups)
        sizes = len(known[0]), len(known[1])
        missing = len(groups[0]) - sizes[0], len(groups[1]) - sizes[1]
        made = _numbers if all(_is_number(v) for group in known for v in group) else _categories
        lines += made(str(name), known[0], known[1], missing, names)
    return Balance(str(names[0]), str(names[1]), int(arm.sum()), int((~arm).sum()), tuple(lines))


def check_arm(first: Any) -> Any:
    """Return `first` as an array of bool, or raise ValueError unless it holds 0/1 and both techniques."""
    values = np.asarray(first)
    if values.ndim != 1 or not np.isin(values, (0, 1)).all():
        raise ValueError(f"first must be a list of True and False, one per routine; got shape {values.shape}")
    arm = values.astype(bool)
    if not len(arm) or arm.all() or not arm.any():
        raise ValueError(f"first has {int(arm.sum())} True in {len(arm)} values; both techniques are needed")
    return arm


def _clean(value: Any) -> Any:
    """A value as bool, float or text; None where it is missing."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return None
    if _is_number(value):
        number = float(value)
        if math.isinf(number):
            raise ValueError("a column holds an infinite number; leave it out or give None")
        return None if math.isnan(number) else number
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if str(value).strip() else None


def _is_number(value: Any) -> bool:
    return not isinstance(value, (bool, str)) and hasattr(value, "__float__")


def by_chance(n1: int, n2: int, values: int = 2) -> float:
    """Mean absolute standardised difference under a choice at random: a chi variable with `values` - 1 degrees.

    The squared difference times n1 n2 / (n1 + n2) is about chi-squared; for a number or a share that makes the
    half-normal mean sqrt(2/pi) sqrt(1/n1 + 1/n2).
    """
    if not n1 or not n2 or values < 2:
        return math.nan
    mean_chi = math.sqrt(2) * math.exp(float(gammaln(values / 2) - gammaln((values - 1) / 2)))
    return mean_chi * math.sqrt(1 / n1 + 1 / n2)


def _numbers(
    column: str, one: Values, two: Values, missing: tuple[int, int], names: tuple[str, str]
) -> list[BalanceLine]:
    means, spreads, why = [], [], []
    for values, name in zip((one, two), names, strict=True):
        constant = len(values) > 0 and min(values) == max(values)
        # The mean of equal floats may miss them by a rounding error, which would then be divided by a spread of 0.
        means.append(values[0] if constant else float(np.mean(values)) if values else math.nan)
        spreads.append(math.nan if len(values) < 2 else 0.0 if constant else float(np.std(values, ddof=1)))
        if not values:
            why.append(f"no routine of {name} has a value")
        elif len(values) == 1:
            why.append(f"one routine of {name} has a value, which shows no spread")
        elif constant:
            why.append(f"every routine of {name} has {values[0]:g}")
    distance = _standardised(means[0] - means[1], (spreads[0] ** 2 + spreads[1] ** 2) / 2)
    line = BalanceLine(
        column=column,
        value="",
        kind="mean",
        first=means[0],
        second=means[1],
        sd_first=spreads[0],
        sd_second=spreads[1],
        counts=(),
        known=(len(one), len(two)),
        missing=missing,
        difference=distance,
        by_chance=by_chance(len(one), len(two)),
        why="; ".join(why),
    )
    return [line]


def _standardised(difference: float, variance: float) -> float:
    if variance == 0:
        return 0.0 if difference == 0 else math.copysign(math.inf, difference)
    return difference / math.sqrt(variance)


def _categories(
    column: str, one: Values, two: Values, missing: tuple[int, int], names: tuple[str, str]
) -> list[BalanceLine]:
    # In a column of mixed values a number is a name too.
    counts = [Counter(f"{v:g}" if isinstance(v, float) else v for v in values) for values in (one, two)]
    both = counts[0] + counts[1]
    categories = sorted(both, key=lambda value: (-both[value], value))  # commonest first, as in the models
    n1, n2 = len(one), len(two)
    empty = [f"no routine of {name} has a value" for name, n in zip(names, (n1, n2), strict=True) if not n]
    whole, why = math.nan, "; ".join(empty)
    if not why:
        shares = [
            np.array([count[value] / n for value in categories])
            for count, n in zip(counts, (n1, n2), strict=True)
        ]
        whole, why = _several(shares[0], shares[1])
    common: dict[str, Any] = {
        "column": column,
        "sd_first": math.nan,
        "sd_second": math.nan,
        "known": (n1, n2),
        "missing": missing,
    }
    lines = [
        BalanceLine(
            value="",
            kind="all values",
            first=math.nan,
            second=math.nan,
            counts=(),
            difference=whole,
            by_chance=by_chance(n1, n2, len(categories)),
            why=why,
            **common,
        )
    ]
    for value in categories:
        x1, x2 = counts[0][value], counts[1][value]
        p1, p2 = (x1 / n1 if n1 else math.nan), (x2 / n2 if n2 else math.nan)
        told = [
            f"{'every' if x else 'no'} routine of {name}"
            for x, n, name in ((x1, n1, names[0]), (x2, n2, names[1]))
            if n and x in (0, n)
        ]
        lines.append(
            BalanceLine(
                value=value,
                kind="share",
                first=p1,
                second=p2,
                counts=((x1, n1), (x2, n2)),
                difference=_standardised(p1 - p2, (p1 * (1 - p1) + p2 * (1 - p2)) / 2),
                by_chance=by_chance(n1, n2),
                why="; ".join(empty or told),
                **common,
            )
        )
    return lines


def _several(p1: Any, p2: Any) -> tuple[float, str]:
    """Standardised distance of two lists of shares, and why it is infinite.

    The mean covariance matrix has no inverse on differences of shares exactly when a vector that isn't constant is
    constant on each technique's values: when they share no value. Otherwise any one category may be left out.
    """
    if len(p1) < 2:
        return 0.0, "one value only"
    if not (p1 * p2).any():
        return math.inf, "the techniques have no value in common"
    d, a, b = (p1 - p2)[1:], p1[1:], p2[1:]
    covariance = (np.diag(a) - np.outer(a, a) + np.diag(b) - np.outer(b, b)) / 2
    return math.sqrt(max(0.0, float(d @ np.linalg.solve(covariance, d)))), ""
