"""Matching text as a careful person does: the same word in other clothes is the same word, a near word is not.

`key` undresses a text (case, spaces, accents, dashes, invisible marks). Two texts with one key are taken to be the
same; everything else is only ever suggested, never chosen.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_INVISIBLE = dict.fromkeys(
    [
        0x00AD,
        0x061C,
        0xFEFF,
        *range(0x200B, 0x2010),
        *range(0x202A, 0x202F),
        *range(0x2060, 0x206A),
        *range(0xFE00, 0xFE10),
    ]
)
_LETTERS = str.maketrans({"ı": "i", "ł": "l", "ø": "o", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe"})
_DASHES = "-_\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d"
_QUOTES = "'\"`´‘’‚‛“”„‟«»‹›"
_MARKS = {
    **dict.fromkeys(map(ord, _DASHES), " "),
    **dict.fromkeys(map(ord, _QUOTES)),
    0x2044: "/",
    0x2215: "/",
}
_SPACED_FRACTION = re.compile(r"(?<=[0-9])(?=[¼½¾⅐-⅞])")


def tidy(text: str) -> str:
    r"""Return the text without invisible marks and with single plain spaces; every letter stays as it is.

    >>> tidy("  Piked\u00a0 double back\u200f ")
    'Piked double back'
    """
    if text.isascii():
        return " ".join(text.split())
    return " ".join(text.translate(_INVISIBLE).split())


def key(text: str) -> str:
    """Return what is compared: no case, accents, dashes, quotation marks or doubled spaces.

    >>> key("Piked  Double–Back.") == key("piked double back")
    True
    >>> key("1½ twist"), key("11/2 twist")
    ('1 1/2 twist', '11/2 twist')
    """
    if text.isascii():
        plain = text.casefold()
    else:
        plain = _SPACED_FRACTION.sub(" ", text)
        plain = unicodedata.normalize("NFKD", plain).casefold().translate(_INVISIBLE)
        plain = unicodedata.normalize("NFKD", plain)
        plain = "".join(c for c in plain if not unicodedata.combining(c)).translate(_LETTERS)
    plain = plain.translate(_MARKS)
    if "/" in plain:
        plain = "/".join(part.strip() for part in plain.split("/"))
    return " ".join(plain.split()).strip(" .,;:!")


def squeezed(text: str) -> str:
    """Return the key without spaces where it holds letters only, "" otherwise ("doubleback" is "double back").

    With digits a space may carry meaning ("1 1/2" is not "11/2"), so such a text is never squeezed.

    >>> squeezed("Double-Back"), squeezed("1 1/2")
    ('doubleback', '')
    """
    joined = key(text).replace(" ", "")
    return joined if joined.isalpha() else ""


class Names:
    """Look a text up among known names and their other spellings, by `key`, then by `squeezed`.

    A spelling that belongs to two names belongs to neither: it is not found.
    """

    def __init__(self, spellings: Iterable[tuple[str, Iterable[str]]]) -> None:
        self.names: list[str] = []
        self._by_key: dict[str, str | None] = {}
        self._by_squeezed: dict[str, str | None] = {}
        pairs = [(name, list(others)) for name, others in spellings]
        own: set[str] = set()
        for name, _ in pairs:
            self.names.append(name)
            own.add(key(name))
            self._by_key[key(name)] = name
        for name, others in pairs:
            for other in others:
                if key(other) not in own:
                    _add(self._by_key, key(other), name)
        for known, owner in self._by_key.items():
            if owner is not None and squeezed(known):
                _add(self._by_squeezed, squeezed(known), owner)
        self.spellings = [known for known, owner in self._by_key.items() if owner is not None]

    def find(self, text: str) -> str | None:
        """Return the name that the text spells, or None."""
        found = self._by_key.get(key(text))
        if found is None and key(text) not in self._by_key and squeezed(text):
            found = self._by_squeezed.get(squeezed(text))
        return found

    def nearest(self, text: str) -> str | None:
        """Return the name whose spelling is nearest, or None where nothing is near. For suggestions only."""
        near = nearest(text, self.spellings, at_least=75.0)
        return None if near is None else self._by_key[key(near)]


def _add(known: dict[str, str | None], spelled: str, name: str) -> None:
    known[spelled] = name if known.get(spelled, name) == name else None


def nearest(text: str, options: Iterable[str], at_least: float = 70.0) -> str | None:
    """Return the option that looks most like the text, or None where nothing comes near. For suggestions only."""
    from rapidfuzz import fuzz, process

    choices = [option for option in options if option]
    found = process.extractOne(key(text), choices, scorer=fuzz.ratio, processor=key, score_cutoff=at_least)
    return None if found is None else str(found[0])


def suggestion(text: str, options: Iterable[str], otherwise: str = "") -> str:
    """Return "did you mean ...?" with the nearest option, or `otherwise`."""
    near = nearest(text, options)
    return f'did you mean "{near}"?' if near is not None else otherwise


def misspelt(text: str, other: str) -> bool:
    """Whether one text looks like the other with a slip of the keys: one word differs by a letter or two.

    Words of three letters or fewer ("in", "out") and words with digits ("VT1", "VT2") are codes; a difference there
    is a different thing, not a slip.

    >>> misspelt("tucked double bak", "tucked double back"), misspelt("VT1", "VT2")
    (True, False)
    >>> misspelt("piked double back", "tucked double back")
    False
    """
    from rapidfuzz.distance import OSA

    mine, theirs = key(text).split(), key(other).split()
    if not mine or not theirs or "".join(mine) == "".join(theirs):
        return False
    if len(mine) != len(theirs):
        return _one_slip("".join(mine), "".join(theirs), OSA.distance)
    different = [(a, b) for a, b in zip(mine, theirs, strict=True) if a != b]
    return len(different) <= 2 and all(_one_slip(a, b, OSA.distance) for a, b in different)


def _one_slip(a: str, b: str, distance) -> bool:  # type: ignore[no-untyped-def]
    if not (a.isalpha() and b.isalpha()) or min(len(a), len(b)) < 3 or max(len(a), len(b)) < 4:
        return False
    allowed = 1 if max(len(a), len(b)) < 7 else 2
    return bool(distance(a, b, score_cutoff=allowed) <= allowed)
