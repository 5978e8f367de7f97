"""The named sizes at which a picture is drawn, and the smallest type that each of them allows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

MM = 72 / 25.4
"""Points in a millimetre."""

SMALL = 0.86
"""The smallest type of a picture, as a share of its main type."""


@dataclass(frozen=True)
class Size:
    """What a picture is made for, in points as printed; `height` is None where it may be as tall as it needs.

    `least` is the rule of legibility: no text is set smaller. Where a picture of fixed height can't hold all its rows
    at that size, it shows the first ones and says how many more stand in the report.
    """

    name: str
    width: float
    height: float | None
    type: float
    least: float
    dpi: int

    @property
    def narrow(self) -> bool:
        """Whether names stand above their rows instead of beside them."""
        return self.width < 38 * self.type

    @property
    def smallest(self) -> bool:
        """Whether the type can't shrink any more."""
        return self.type * SMALL < self.least * 1.005

    @property
    def tight(self) -> bool:
        """Whether neither type nor sheet gives way: rows stand closer, and those that don't fit are left out."""
        return self.height is not None and self.smallest


SINGLE = Size("single", 89 * MM, None, 7.2, 6.0, 300)
DOUBLE = Size("double", 183 * MM, None, 8.0, 6.0, 300)
THESIS = Size("thesis", 454, None, 9.0, 7.0, 300)
SLIDE = Size("slide", 960, 540, 24.0, 18.0, 144)
POSTER = Size("poster", 400 * MM, None, 24.0, 20.0, 300)
PHONE = Size("phone", 268, None, 9.5, 8.0, 300)
"""Six points is what journals ask for at least, 18 what the last row of a room reads from a slide, 20 what is read
from a poster two steps away. A phone shows its drawing about as wide as its screen, so its points are the page's."""

SIZES = {size.name: size for size in (SINGLE, DOUBLE, THESIS, SLIDE, POSTER)}
"""What can be asked for by name. The phone's drawing goes into the page only, and is always made."""


def sizes_named(names: Iterable[str]) -> tuple[Size, ...]:
    """Return the sizes of these names, each once, in the order given.

    Raises
    ------
    ValueError
        For a name that there isn't; the message lists those that there are.

    Examples
    --------
    >>> [round(size.width / MM) for size in sizes_named(("single", "double"))]
    [89, 183]
    """
    asked = (names,) if isinstance(names, str) else tuple(names)
    for name in asked:
        if name not in SIZES:
            raise ValueError(f"there is no figure size {name!r}; the sizes are {', '.join(SIZES)}")
    return tuple(SIZES[name] for name in dict.fromkeys(asked))
