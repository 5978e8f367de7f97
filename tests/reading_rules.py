"""What no sentence of a report may do, whatever the result."""

from __future__ import annotations

import re

NAMES = ("piked double back", "tucked double back", "double layout")

CAUSAL = (
    r"cause[sd]?|causal\w*|because of|due to|owing to|thanks to|makes?|made|leads? to|led to|effects? of|affects?|"
    r"improv\w+|safer?|safest|reduc\w+|increas\w+|prevent\w*|help\w*|results? in|responsible for|influenc\w+|"
    r"brings? about|so that|therefore|hence"
)
"""Words that give a cause; the cautions are exempt, for they say what statistics do not show."""

OVERCLAIMING = (
    r"no difference|not different|identical|prov\w+|guarant\w+|always|never|certain\w*|definite\w*|clearly|"
    r"obvious\w*|significan\w+|should|must|recommend\w*|best|worst|superior|inferior"
)
"""Words that no interval supports."""

_BANNED = re.compile(rf"\b({CAUSAL}|{OVERCLAIMING})\b", re.IGNORECASE)


def broken_rules(said: str, names: tuple[str, ...] = NAMES) -> list[str]:
    """Name each rule that a sentence, or a paragraph of them, breaks."""
    broken = []
    found = _BANNED.search(said)
    if found:
        broken.append(f"it says {found[0]!r}")
    if "  " in said or said != said.strip():
        broken.append("it has a double space, or one at an end")
    bare = said.replace("{0.__class__}", "")
    if "{" in bare or "}" in bare:
        broken.append("a slot is not filled")
    if not said.endswith("."):
        broken.append("it doesn't end with a full stop")
    if ".." in said or re.search(r"[.,;:] ?[.,;:]", said):
        broken.append("two marks stand side by side")
    if re.search(r"\b(None|nan|inf|infinity|not estimated|True|False)\b", said):
        broken.append("a missing number is shown as one")
    if re.search(r"(?<![\w])-\d", said):
        broken.append("a negative number has a hyphen for its sign")
    if re.search(r"\d\.\d{5,}|\d[eE][-+]?\d", said):
        broken.append("a number is not rounded")
    if re.search(r"\N{MINUS SIGN}0(\.0+)?(?![\d.])", said):
        broken.append("a zero has a sign")
    for start in re.findall(r"(?:^|[.] )([a-z][\w ]*)", said):
        if not start.startswith(names):
            broken.append(f"a sentence starts with a small letter: {start!r}")
    return broken + _certainties(said) + _singulars(said)


def _certainties(said: str) -> list[str]:
    """A rate of 0 % or 100 % needs its count and a limit; as a limit of an interval it stands beside another one."""
    broken = []
    for place in re.finditer(r"(?<![\d.])(100|0)(\.0+)?\N{NO-BREAK SPACE}%", said):
        before, after = said[: place.start()], said[place.end() :]
        counted = re.search(r"\d+ of \d+ \($", before) and re.match(
            r"; rates (down|up) to .* still fit\)", after
        )
        limit = re.search(r"(interval|to|limit|within) ([\d.\N{NO-BREAK SPACE}%]+ to )?$", before)
        chance = re.search(r"n = \d+ and n = \d+.*\bis $", before) and re.search(
            r"% (interval|\w+ limit) ", after
        )
        warned = before.endswith("is not a rate of ")
        if not (counted or limit or chance or warned):
            broken.append(f"{place[0]} without its count and limit")
    return broken


def _singulars(said: str) -> list[str]:
    """One thing is in the singular."""
    found = re.findall(
        r"(?<![\d.])1 (?:percentage points|athletes appear\b|routines are|later routines)", said
    )
    return [f"{text!r} should be singular" for text in found]
