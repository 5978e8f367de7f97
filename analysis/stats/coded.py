"""Codes of two or more coders, read once: which category each coder gave to each unit, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence, Set
from decimal import Decimal
from numbers import Real
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.stats.thousandths import LARGEST

Codes = Iterable[Any]

MISSING = -1


class Coded(NamedTuple):
    """Units by coders: the place of each code in `categories`, or MISSING; `note` says what was left out."""

    places: npt.NDArray[np.int64]
    categories: tuple[Any, ...]
    note: str

    @property
    def values(self) -> npt.NDArray[np.float64]:
        """The categories as numbers, for methods that measure distances."""
        for category in self.categories:
            if not isinstance(category, Real) or not abs(category) <= LARGEST:  # type: ignore[operator]
                raise ValueError(
                    f"code {category!r} is not a finite number up to {LARGEST:,}; distances need numbers"
                )
        return np.array(self.categories, dtype=float)


def read_codes(coders: Sequence[Codes], order: Sequence[Any] | None = None, least: int = 1) -> Coded:
    """Return the codes as places in a list of categories.

    Parameters
    ----------
    coders : list of lists
        One list of codes per coder, all of one length; position i is the same unit for everyone. A code is text, a
        number or any hashable thing; None, NaN and blank text are missing.
    order : sequence, optional
        The categories in their order, also those that nobody used. Otherwise the codes that occur, sorted.
    least : int
        Units with fewer codes than this are left out.

    Returns
    -------
    Coded

    Raises
    ------
    ValueError
        If the lists differ in length or hold things that can't be codes, or a code isn't in `order`.

    Examples
    --------
    >>> read_codes([["stuck", "step", None], ["stuck", "stuck", "fall"]], ["stuck", "step", "fall"], least=2)
    Coded(places=array([[0, 0],
           [1, 0]]), categories=('stuck', 'step', 'fall'), note='1 of 3 left out: coded by fewer than 2')
    """
    listed = [_listed(codes, coder) for coder, codes in enumerate(coders)]
    lengths = [len(codes) for codes in listed]
    if len(set(lengths)) > 1:
        raise ValueError(
            f"the coders gave {', '.join(map(str, lengths))} codes; position i must be the same unit for every "
            "coder, with None where a code is missing"
        )
    kept = [unit for unit in zip(*listed, strict=True) if sum(code is not None for code in unit) >= least]
    if order is None:
        known = sorted({code for unit in kept for code in unit if code is not None}, key=_sorting)
    else:
        known = _check_order(order, listed)
    place_of = {category: place for place, category in enumerate(known)}
    places = [[MISSING if code is None else place_of[code] for code in unit] for unit in kept]
    left_out = lengths[0] - len(kept)
    note = f"{left_out} of {lengths[0]} left out: coded by fewer than {least}" if left_out else ""
    return Coded(np.array(places, dtype=np.int64).reshape(len(kept), len(listed)), tuple(known), note)


def pair_table(
    codes_a: Codes, codes_b: Codes, order: Sequence[Any] | None = None
) -> tuple[npt.NDArray[np.int64], Coded]:
    """Return the table of counts, first coder in rows, of the units that both coders coded; at least 2 by 2.

    Where only one category was seen an empty second one is added: that it exists is what makes agreement uncertain.
    """
    coded = read_codes([codes_a, codes_b], order, least=2)
    k = max(2, len(coded.categories))
    cells = coded.places[:, 0] * k + coded.places[:, 1]
    return np.bincount(cells, minlength=k * k).reshape(k, k), coded


def _check_order(order: Sequence[Any], listed: list[list[Any]]) -> list[Any]:
    if isinstance(order, str):
        raise ValueError(f"order is {order!r}; a list of categories is needed")
    known = [clean_code(code, "order", place) for place, code in enumerate(order)]
    if len(set(known)) < max(2, len(known)) or None in known:
        raise ValueError(f"order is {list(order)!r}; it lists two or more different categories")
    for coder, codes in enumerate(listed):
        for unit, code in enumerate(codes):
            if code is not None and code not in known:
                allowed = ", ".join(map(repr, known))
                raise ValueError(
                    f"code {code!r} of coder {coder + 1} at position {unit} is not one of {allowed}"
                )
    return known


def _listed(codes: Codes, coder: int) -> list[Any]:
    wrong = isinstance(codes, (str, bytes, Mapping, Set)) or not isinstance(codes, Iterable)
    if wrong or getattr(codes, "ndim", 1) != 1:
        raise ValueError(
            f"the codes of coder {coder + 1} are {type(codes).__name__}; a plain list of codes is needed, "
            'such as ["stuck", "step", None]'
        )
    return [clean_code(code, f"coder {coder + 1}", unit) for unit, code in enumerate(codes)]


def clean_code(code: Any, where: str, position: int) -> Any:
    """Return a code that equals itself however it was stored, or None where it is missing."""
    if code is None or type(code).__name__ in ("NAType", "NaTType"):
        return None
    if isinstance(code, str):
        return str(code) if code.strip() else None
    if not isinstance(code, Hashable):
        raise ValueError(f"{where} has {code!r} at position {position}; a code is text or a number")
    if isinstance(code, np.generic):
        # A short float says what it means in its shortest decimals.
        code = float(str(code)) if isinstance(code, np.floating) else code.item()
    if isinstance(code, (float, Decimal)):
        # 0.1 + 0.2 and 0.3 are one deduction, not a disagreement.
        return None if math.isnan(code) else float(f"{float(code):.12g}")
    return code


def _sorting(code: Any) -> tuple[int, Any]:
    if isinstance(code, Real):
        return 0, code
    return (1, code) if isinstance(code, str) else (2, repr(code))
