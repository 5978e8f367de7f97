"""Tell names of people from codes, so that a report that would carry names is noticed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from analysis.study.text import key, tidy

_LABELS = {
    *(
        "athlete",
        "gymnast",
        "person",
        "participant",
        "subject",
        "competitor",
        "nobody",
        "unknown",
        "anonymous",
    ),
    *(
        "team",
        "group",
        "club",
        "junior",
        "senior",
        "boy",
        "girl",
        "man",
        "woman",
        "no",
        "nr",
        "number",
        "code",
        "id",
    ),
}


def looks_like_names(values: Iterable[object]) -> tuple[str, ...]:
    """Return those values that look like names of people, each once; an empty tuple where none does.

    Two or more words of letters look like a name ("Mia Berger", "BERGER M.", "mia_berger"); anything with a digit and
    labels such as "Athlete B" don't. A single capitalised word ("Mia") does where at least half of all values are such.

    Examples
    --------
    >>> looks_like_names(["Mia Berger", "A12", "Athlete B"])
    ('Mia Berger',)
    >>> looks_like_names(["A12", "A7KQ2M9"])
    ()
    """
    distinct = list(
        dict.fromkeys(tidy(str(value)) for value in values if value is not None and value == value)
    )
    distinct = [value for value in distinct if value]
    sure = {value for value in distinct if _full_name(value)}
    single = {value for value in distinct if re.fullmatch(r"[^\W\d_]{3,}", value) and value.istitle()}
    single = {value for value in single if key(value) not in _LABELS}
    if 2 * len(single | sure) >= len(distinct) and len(single) > 1:
        sure |= single
    return tuple(value for value in distinct if value in sure)


def _full_name(text: str) -> bool:
    words = [word for word in re.split(r"[\s,._]+", text) if word]
    bare = ["".join(c for c in word if c not in "-'’‘`´") for word in words]
    if not words or not all(
        word and all(c.isalpha() or unicodedata.combining(c) for c in word) for word in bare
    ):
        return False
    if {key(word) for word in words} & _LABELS:
        return False
    longest = max(len(word) for word in bare)
    if not any(c.isupper() or c.islower() for c in text):
        # Scripts without capitals: a name there is often written in one word.
        return longest >= 2
    if longest <= 3 and text.isupper():
        return False  # "GER A", "ABC DEF": codes of teams
    return len(words) >= 2 and longest >= 3
