"""What is said about the coders' agreement: notes on what misleads, and the paragraph for the methods chapter."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.comparison.agreement import Drawn, PairAgreement, VariableAgreement
from analysis.reading import numbers
from analysis.stats.agreement import PrevalenceEffect
from analysis.stats.result import Interval
from analysis.study.coders import Pairing

NAMES = {
    "technique": "technique",
    "stuck": "stuck or not",
    "landing": "landing grade",
    "deduction": "deduction",
    "other faults": "other faults",
}
PERCENT = "\N{NO-BREAK SPACE}%"
SHORT = 20
"""With fewer routines than this coded by both, hardly any agreement can be shown or ruled out."""


def coefficient(value: float | None) -> str:
    """A coefficient with two decimals; one that isn't 1 or 0 never rounds to it.

    >>> coefficient(0.894), coefficient(0.998), coefficient(-0.0231), coefficient(1.0), coefficient(None)
    ('0.89', '0.998', '−0.02', '1.00', 'not estimated')
    """
    digits = 2
    text = numbers.decimal(value, digits)
    while (
        value is not None
        and digits < 5
        and value not in (0, 1)
        and text.strip(numbers.MINUS + ".0") in ("", "1")
    ):
        digits += 1
        text = numbers.decimal(value, digits)
    return text


def limits(found: Interval) -> str:
    """The limits of a coefficient or a share, such as "95 % 0.68 to 0.97"."""
    level = numbers.level(found.level)
    if math.isnan(found.low):
        return f"{level} limits not estimated"
    if found.counts:
        return f"{level} {numbers.percent(found.low).rstrip(PERCENT)} to {numbers.percent(found.high)}"
    return f"{level} {coefficient(found.low)} to {coefficient(found.high)}"


def value(found: Interval) -> str:
    """An estimate with its limits, a share as a percentage."""
    if math.isnan(found.estimate):
        return numbers.NOT_ESTIMATED
    shown = numbers.percent(found.estimate) if found.counts else coefficient(found.estimate)
    return f"{shown} ({limits(found)})"


def prevalence_note(effect: PrevalenceEffect, agreement: Interval) -> str:
    """Say when kappa is low, or can't be had, because nearly all codes are alike."""
    if not effect.misleading or effect.n == 0:
        return ""
    share = numbers.percent(agreement.estimate)
    if math.isnan(effect.kappa):
        return (
            f"Kappa can't be computed: both coders used one code for all {effect.n} routines. Agreement is {share}; "
            "what it would be on other codes, these routines don't show."
        )
    return (
        f"Kappa misleads here: it is {coefficient(effect.kappa)} although the coders agree on {share}, because nearly "
        f"all codes are alike. Were all codes equally common, the same agreement would give "
        f"{coefficient(effect.balanced)}. Read kappa beside AC1 and the agreement on each code."
    )


def notes(pairing: Pairing, variables: Sequence[VariableAgreement], drawn: Drawn) -> tuple[str, ...]:
    """Return what a reader of the figures has to know."""
    said = list(pairing.notes)
    if pairing.who == "mixed":
        said.append(
            "Some routines were coded twice by one coder and others by two, or the coder isn't named throughout: "
            "the figures mix both. Put each kind in sheets of its own."
        )
    elif pairing.who == "not known":
        said.append("The sheets don't name a coder for every row, so whether one or two coded can't be told.")
    weaker = [routine for routine in pairing.routines if routine.weaker]
    if weaker:
        by = " and ".join(dict.fromkeys(", ".join(routine.by) for routine in weaker))
        said.append(f"{_routines(len(weaker))} paired without a routine label, by {by}.")
    doubts = sum(item.kind == "doubt" for item in pairing.unpaired)
    if doubts:
        said.append(f"{doubts} rows could not be paired with certainty; they are listed and count nowhere.")
    if drawn == "by first code":
        said.append(
            "The double-coded part was drawn by first code, so that rare codes are in it: all figures are those of "
            "this part, not of the whole meet."
        )
    if 0 < len(pairing.routines) < SHORT:
        said.append(
            f"Only {_routines(len(pairing.routines))} coded twice: read the limits, not the estimates."
        )
    said += [pair.note for item in variables for pair in item.pairs if pair.note]
    return tuple(dict.fromkeys(said))


def methods_paragraph(pairing: Pairing, variables: Sequence[VariableAgreement], level: float) -> str:
    """Return a paragraph for the methods chapter; the tables hold the measures that it leaves out."""
    coders = in_a_row(pairing.coders)
    several = len(pairing.coders) > 2
    said = {
        "same coder": f"coded {'repeatedly' if several else 'twice'} by the same coder ({coders}): "
        "agreement within a coder",
        "different coders": f"coded by {'at least two of ' if several else 'both '}{coders}: agreement between coders",
    }.get(pairing.who, f"coded in {'at least two of ' if several else 'both '}{coders}")
    parts = [f"{_routines(len(pairing.routines))} {said}."]
    for item in variables:
        if len(item.pairs) == 1:
            parts.append(_two_coders(item, item.pairs[0]))
        elif item.pairs:
            parts.append(_many_coders(item))
    parts.append(
        f"Limits are at {numbers.level(level)}: Clopper–Pearson for shares of routines, percentiles of Dirichlet draws "
        "for kappa, alpha and the intraclass correlation, t with pseudo-counts for AC."
    )
    return " ".join(parts)


def in_a_row(words: Sequence[str]) -> str:
    """Words in a row: "A, B and C"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _routines(n: int) -> str:
    return f"{n} routine was" if n == 1 else f"{n} routines were"


_REPORTED = {
    "technique": (("kappa", "Cohen’s kappa"),),
    "stuck": (
        ("positive agreement", "agreement on stuck"),
        ("negative agreement", "agreement on not stuck"),
        ("kappa", "Cohen’s kappa"),
        ("AC", "Gwet’s AC1"),
    ),
    "landing": (("weighted kappa", "linearly weighted kappa"), ("AC", "Gwet’s AC2")),
    "deduction": (("ICC", "intraclass correlation (absolute agreement, single coder)"),),
    "other faults": (("ICC", "intraclass correlation"),),
}
"""What the paragraph gives beside the share of equal codes; the tables hold every measure."""


def _two_coders(item: VariableAgreement, pair: PairAgreement) -> str:
    share = pair.measure("agreement")
    if share is None or pair.n == 0:
        return f"No routine has a code for {NAMES[item.variable]} from both."
    x, n = share.counts[0]
    parts = [f"{capital(NAMES[item.variable])}: equal in {x} of {n}, {value(share)}"]
    for name, words in _REPORTED[item.variable]:
        found = item.measure(name)
        if found is not None:
            parts.append(f"{words} {value(found)}")
    bounds = pair.limits
    if bounds is not None and not math.isnan(bounds.lower.estimate):
        parts.append(
            f"mean difference {numbers.points(bounds.mean.estimate)} points, limits of agreement "
            f"{numbers.points(bounds.lower.estimate)} to {numbers.points(bounds.upper.estimate)}"
        )
    return "; ".join(parts) + "."


def _many_coders(item: VariableAgreement) -> str:
    shares = [found.estimate for pair in item.pairs if (found := pair.measure("agreement")) is not None]
    known = [share for share in shares if not math.isnan(share)]
    parts = [f"{capital(NAMES[item.variable])}: two coders’ codes were equal in "]
    if known:
        parts[0] += (
            f"{numbers.percent(min(known))} to {numbers.percent(max(known))} of the routines that both coded"
        )
    else:
        parts = [f"{capital(NAMES[item.variable])}: no routine has codes from two coders"]
    words = {"AC": "Gwet’s AC", "alpha": "Krippendorff’s alpha", "ICC": "intraclass correlation"}
    parts += [f"{words[name]} {value(found)}" for name, found in item.together]
    return "; ".join(parts) + "."


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]
