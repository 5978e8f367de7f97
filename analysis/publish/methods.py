"""methods.md: what was done, which method where and why, with the works that the methods come from."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib import resources
from typing import Any

from analysis.comparison.evidence import Adjusted
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.tables import sentence


@cache
def known_works() -> tuple[tuple[str, str], ...]:
    """What a method's name must hold for a work to be cited (a regular expression), and the work."""
    path = resources.files("analysis.resources").joinpath("report", "works.toml")
    found = tomllib.loads(path.read_text(encoding="utf-8"))["works"]
    return tuple((item["names"], item["work"]) for item in found)


def methods_used(comparison: Comparison) -> list[str]:
    """Every name of a method, test or control in the comparison, in order of appearance."""
    found = list(_names(comparison.to_dict()))
    selection = comparison.selection
    if selection is not None and selection.balance is not None:
        found.append("standardised differences of the two mixes")
    if selection is not None and selection.e_value is not None:
        found.append("E-value")
    if any(part.parts is not None for part in comparison.points_parts):
        found.append("two parts of a difference")
    return list(dict.fromkeys(found))


def _names(value: Any) -> Iterable[str]:
    if isinstance(value, dict):
        for key, item in value.items():
            if key in ("method", "interval_method", "test", "control") and isinstance(item, str):
                if item not in ("", "none"):
                    yield item
            else:
                yield from _names(item)
    elif isinstance(value, list):
        for item in value:
            yield from _names(item)


def works_cited(comparison: Comparison) -> list[str]:
    """The works behind the methods of this run, and no others, by author."""
    used = [name.lower() for name in methods_used(comparison)]
    return sorted({work for pattern, work in known_works() if any(re.search(pattern, name) for name in used)})


def methods_paragraphs(comparison: Comparison) -> list[str]:
    """Sentences that a thesis can start from: sample, outcome, contrast, repeats, further analyses."""
    question, head, rows = comparison.question, comparison.headline, comparison.rows
    level = numbers.level(question.level)
    outcome = {
        "stuck": "whether the landing was stuck",
        "deduction": "the points lost on the landing",
        "landing grade": "the landing's category, as an ordered outcome",
    }[question.outcome]
    groups = "; ".join(f"{group.name} ({numbers.whole(group.n)} routines)" for group in comparison.groups)
    said = [
        f"The event sheet held {numbers.whole(rows.read)} routines; {numbers.whole(rows.used)} were used and "
        f"{numbers.whole(rows.set_aside)} set aside, each with its reason. Landings were read by the codebook for "
        f"{question.discipline}, edition {question.edition}{_repaired(rows.repairs)}.",
        f"The outcome is {outcome}. Compared, in this order: {groups}.",
    ]
    contrast = [f"The planned contrast is {head.first} minus {head.second}. {head.reason}"]
    if head.interval is not None:
        contrast.append(
            f"Its {numbers.level(head.interval.level)} interval is by {head.interval.method}"
            f"{_so(head.interval.assumes)}."
        )
    else:
        contrast.append(sentence(head.interval_why, "No interval could be given"))
    if head.test is not None:
        side = "two-sided" if head.test.alternative == "two-sided" else f"one-sided ({question.sides})"
        contrast.append(f"Its p-value is {side}, by {head.test.method}{_so(head.test.assumes)}.")
        if head.test.draws:
            contrast.append(
                f"It rests on {numbers.whole(head.test.draws)} random draws (seed {question.seed})."
            )
    else:
        contrast.append(sentence(head.p_why, "No p-value is given"))
    contrast.append("What is claimed follows the interval alone; the p-value stands beside it.")
    said.append(" ".join(contrast))
    limits = "; ".join(dict.fromkeys(group.method for group in comparison.groups if group.method))
    said.append(f"The {level} limits of each technique's rate are by {limits}.")
    said.append(comparison.repeats.note)
    beside = [one.method for one in comparison.beside.intervals] + [
        one.method for one in comparison.beside.tests
    ]
    if beside:
        said.append(
            f"Beside the headline stand: {'; '.join(dict.fromkeys(beside))}. {comparison.beside.note}"
        )
    said += _further(comparison)
    return [" ".join(paragraph.split()) for paragraph in said if paragraph.strip()]


def _repaired(repairs: int) -> str:
    if not repairs:
        return ""
    what = (
        "one spelling or format was"
        if repairs == 1
        else f"{numbers.whole(repairs)} spellings or formats were"
    )
    return f"; {what} repaired, as the check of the sheet lists"


def _so(assumes: str) -> str:
    return f" (assumed: {assumes})" if assumes else ""


def _further(comparison: Comparison) -> list[str]:
    """One paragraph for each further analysis that was made, or why it was not."""
    said = []
    for contrast in comparison.deductions:
        if contrast.effect is None:
            said.append(sentence(contrast.effect_why, f"Deductions {contrast.falls} were not compared"))
            continue
        words = f"Deductions {contrast.falls} were compared by {contrast.effect.method}"
        if contrast.effect.interval_method not in ("", contrast.effect.method):
            words += f" with an interval by {contrast.effect.interval_method}"
        if contrast.clustered is not None:
            words += f"; with athletes as units, by {contrast.clustered.method}"
        said.append(words + ".")
    if not comparison.deductions and comparison.deductions_why:
        said.append(sentence(comparison.deductions_why, "Deductions were not compared"))
    strata, pairs, adjusted = comparison.strata, comparison.pairs, comparison.adjusted
    if strata is not None:
        used = [
            item.method
            for item in (strata.difference, strata.odds_ratio, strata.homogeneity, strata.standardised)
            if item
        ]
        by = " and ".join(strata.by)
        made = (
            f"by {'; '.join(dict.fromkeys(used))} ({strata.basis})" if used else f"not possible: {strata.why}"
        )
        said.append(f"The comparison within {by} was {'made ' if used else ''}{made}. {strata.agreement}")
    if pairs is not None:
        said.append(f"All pairs of techniques were compared; family-wise control: {pairs.control}.")
    if adjusted is not None:
        said.append(_adjusted(adjusted))
    return said + _beyond(comparison)


def _adjusted(adjusted: Adjusted) -> str:
    """What was adjusted for, which model is read and why, and what stands beside it."""
    columns = ", ".join(adjusted.columns)
    made = [line for line in adjusted.models if line.estimate is not None and not line.chosen]
    words = [
        f"The comparison was to be adjusted for {columns}." if columns else "No column was adjusted for."
    ]
    words.append(sentence(adjusted.why, "Nothing was adjusted"))
    words.append(adjusted.reason)
    words += [sentence(text) for text in adjusted.drivers]
    if adjusted.fit is not None:
        words.append(f"The table of coefficients is by {adjusted.fit.method}.")
    methods = "; ".join(dict.fromkeys(line.method for line in made if line.method))
    words.append(f"Beside it stand: {methods}." if methods else "")
    return " ".join(word for word in words if word)


def _beyond(comparison: Comparison) -> list[str]:
    """One paragraph each for the mix of routines, the ordered landing, the points taken apart, and priors."""
    said = []
    selection, graded, priors = comparison.selection, comparison.graded, comparison.priors
    if selection is not None and selection.balance is not None:
        names = ", ".join(dict.fromkeys(line.column for line in selection.balance.lines))
        words = (
            f"The routines of both techniques were set side by side in {names} by standardised differences."
        )
        if selection.e_value is not None:
            words += " The E-value and a table of advantages say how strong a hidden trait would have to be."
        said.append(words)
    if graded is not None:
        words = "The landing was also read as an ordered outcome: the share of landings at least this good at every cut"
        if graded.fit is not None:
            words += f", and {graded.fit.method}"
        if graded.check is not None:
            words += f", its assumption checked by a {graded.check.method}"
        if graded.rank is not None:
            words += f"; beside them the {graded.rank.method} ({graded.rank_basis})"
        said.append(words + ".")
    if any(part.parts is not None for part in comparison.points_parts):
        words = "The difference in points was taken apart: how often anything was lost, and how much when anything was."
        if any(part.trade is not None for part in comparison.points_parts):
            words += (
                " The difference in difficulty value was set against it; the confidence that the trade pays is the "
                "level at which the interval of the net gain touches 0."
            )
        said.append(words)
    if priors is not None:
        stuck, missed = priors.given
        said.append(
            f"As the plan asks, the rates were also combined with a prior worth {stuck:g} stuck and {missed:g} not "
            "stuck under each technique, and with a list of other priors that was fixed beforehand."
        )
    return said


def markdown(text: str) -> str:
    """Text that stays text in Markdown: its marks are escaped and it can't open a tag or an entity."""
    one_line = " ".join(text.split())
    escaped = re.sub(r"([\\`*_\[\]#|~$])", r"\\\1", one_line)
    return escaped.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def methods_text(comparison: Comparison) -> str:
    """The whole of methods.md."""
    lines = [f"# Methods: {markdown(comparison.question.title)}", ""]
    for paragraph in methods_paragraphs(comparison):
        lines += [markdown(paragraph), ""]
    lines += ["## What this sample can't say", ""]
    lines += [f"- {markdown(text)}" for text in comparison.reading.cannot_say]
    lines += ["", "## Cautions", ""]
    lines += [f"- {markdown(text)}" for text in comparison.reading.cautions]
    lines += ["", "## Works cited", ""]
    lines += [f"- {markdown(work)}" for work in works_cited(comparison)]
    return "\n".join(lines) + "\n"
