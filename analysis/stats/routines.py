"""Routines with their technique and their athlete, checked and numbered: what the cluster routines start from."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from numbers import Real
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.stats.thousandths import is_missing, thousandths

FEWEST_ATHLETES = 5


class Routines(NamedTuple):
    """One entry per routine: the outcome in whole units (thousandths), and the numbers of its group and athlete."""

    values: npt.NDArray[np.int64]
    group: npt.NDArray[np.int64]
    athlete: npt.NDArray[np.int64]

    @property
    def binary(self) -> bool:
        """Whether every outcome is 0 or 1."""
        return bool(np.isin(self.values, (0, 1000)).all())


def two_techniques(outcome: Iterable[Any], first: Iterable[Any], athlete: Iterable[Hashable]) -> Routines:
    """Return the routines of two techniques; group 0 is the first.

    Raises
    ------
    ValueError
        If the lengths differ, an outcome isn't a whole number of thousandths, a `first` isn't true or false, an
        athlete has no code, or a technique has no routine.
    """
    listed = list(first)
    for i, value in enumerate(listed):
        if not isinstance(value, np.bool_) and not (isinstance(value, Real) and value in (0, 1)):
            raise ValueError(
                f"first[{i}] is {value!r}; it says True for the first technique and False for the second"
            )
    groups = [0 if value else 1 for value in listed]
    for place, name in enumerate(("first", "second")):
        if place not in groups:
            raise ValueError(f"the {name} technique has no routine; each needs at least one")
    return numbered_routines(outcome, groups, athlete, "first")[0]


def numbered_routines(
    outcome: Iterable[Any], group: Iterable[Hashable], athlete: Iterable[Hashable], what: str = "group"
) -> tuple[Routines, list[Hashable]]:
    """Return the routines of any number of groups, and the groups' codes in rising order.

    Codes that can't be ordered among themselves keep their order of appearance.

    Raises
    ------
    ValueError
        As in `two_techniques`.
    """
    values = thousandths(outcome, "outcome")
    groups, codes = number_codes(group, what)
    athletes, _ = number_codes(athlete, "athlete")
    if not len(values) == len(groups) == len(athletes):
        raise ValueError(
            f"outcome has {len(values)} entries, {what} {len(groups)} and athlete {len(athletes)}; "
            "each routine needs one of each"
        )
    if len(values) == 0:
        raise ValueError("there are no routines")
    try:
        order = sorted(range(len(codes)), key=lambda place: codes[place])  # type: ignore[arg-type, return-value]
    except TypeError:
        order = list(range(len(codes)))
    rank = np.argsort(order)
    return Routines(values, rank[groups].astype(np.int64), athletes), [codes[place] for place in order]


def number_codes(codes: Iterable[Hashable], what: str) -> tuple[npt.NDArray[np.int64], list[Hashable]]:
    """Number the codes in their order of appearance; any hashable code will do, tuples among them."""
    if isinstance(codes, (str, bytes)) or not isinstance(codes, Iterable):
        raise ValueError(f"{what} is {codes!r}; a list with one code per routine is needed")
    seen: dict[Hashable, int] = {}
    places = []
    for i, code in enumerate(codes):
        try:
            place = seen.setdefault(code, len(seen))
        except TypeError as error:
            raise ValueError(
                f"{what}[{i}] is {code!r}; a code must be hashable, such as a name or a number"
            ) from error
        if is_missing(code):
            raise ValueError(
                f"{what}[{i}] is {code!r}: a missing code has no place here; set the row aside first"
            )
        places.append(place)
    return np.array(places, dtype=np.int64), list(seen)


def few_athletes(athletes: Iterable[int]) -> str:
    """Say that an interval rests on too few athletes, or nothing.

    >>> few_athletes([4, 12])
    'a group has 4 athletes: with fewer than five the interval rests on too few'
    """
    fewest = min(athletes)
    if fewest >= FEWEST_ATHLETES:
        return ""
    return f"a group has {fewest} athlete{'s' * (fewest != 1)}: with fewer than five the interval rests on too few"
