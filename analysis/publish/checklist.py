"""The reporting checklist: which STROBE items a run covers and where, and which are the author's to write."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

from analysis.comparison.result import Comparison
from analysis.publish.methods import markdown
from analysis.publish.sections import FILES, detail_headings, front_headings
from analysis.publish.tables import Table, sentence, table_of

CHECKLIST, WHERE, SEVERAL = "checklist", "Where", "; "
"""The key of the table, the header of its pointers, and what stands between two of them."""

Status = Literal["covered", "partly", "author"]

MEANINGS = (
    "covered: this run has what the item asks for",
    "partly: it has the numbers or the rules, and the rest is the author's to write",
    "author: the author's to write",
)


@dataclass(frozen=True)
class Item:
    """One item: what it asks, what the run has of it, the sections or files where, and a remark."""

    item: str
    part: str
    topic: str
    asks: str
    status: Status
    where: tuple[str, ...]
    says: str


@cache
def _known() -> dict[str, Any]:
    path = resources.files("analysis.resources").joinpath("report", "checklist.toml")
    known = tomllib.loads(path.read_text(encoding="utf-8"))
    part = ""
    for item in known["items"]:
        part = item.setdefault("part", part)
    return known


def checklist_items(comparison: Comparison) -> tuple[Item, ...]:
    """Return every item with the answer that fits this run."""
    true = facts(comparison)
    pointers = front_headings(comparison) | detail_headings(comparison) | {file: file for file in FILES}
    return tuple(_answered(known, true, pointers) for known in _known()["items"])


def facts(comparison: Comparison) -> dict[str, bool]:
    """The facts that an answer of checklist.toml may name in `when`."""
    strata, adjusted = comparison.strata, comparison.adjusted
    return {
        "estimated": comparison.headline.interval is not None,
        "set aside": comparison.rows.set_aside > 0,
        "athletes return": comparison.repeats.returning > 0,
        "points": bool(comparison.deductions),
        "adjusted": adjusted is not None and bool(adjusted.columns) and bool(adjusted.chosen),
        "strata compared": strata is not None
        and any((strata.odds_ratio, strata.difference, strata.homogeneity, strata.standardised)),
    }


def _answered(known: dict[str, Any], true: dict[str, bool], pointers: dict[str, str]) -> Item:
    for answer in known["answers"]:
        asked = answer.get("where", [])
        where = tuple(pointers[place] for place in asked if place in pointers)
        if ("when" not in answer or true[answer["when"]]) and (where or not asked):
            asked_for = {name: known[name] for name in ("item", "part", "topic", "asks")}
            return Item(**asked_for, status=answer["status"], where=where, says=answer["says"])
    raise ValueError(f"checklist.toml: item {known['item']!r} has no answer that always holds")


def checklist(comparison: Comparison) -> Table:
    """The checklist as a table like any other of the report."""
    lines = [
        (f"{found.item} {found.topic}", found.asks, found.status, SEVERAL.join(found.where), found.says)
        for found in checklist_items(comparison)
    ]
    notes = (
        f"The items of STROBE for cohort and cross-sectional studies, in our own words: {_known()['citation']}.",
        f"{sentence('; '.join(MEANINGS))} Sections are those of report.html. The checklist is about "
        "reporting: it doesn't say how good a study is.",
    )
    return table_of(
        CHECKLIST,
        "What a reader of an observational study looks for, and where it is",
        ("Item", "Asks for", "Status", WHERE, "Remark"),
        lines,
        range(5),
        notes,
    )


def checklist_text(comparison: Comparison) -> str:
    """The whole of checklist.md."""
    items = checklist_items(comparison)
    counts = [sum(found.status == word for found in items) for word in ("covered", "partly", "author")]
    lines = [
        f"# Reporting checklist: {markdown(comparison.question.title)}",
        "",
        "Which items of STROBE this run covers and where, and which are the author's to write: "
        f"{counts[0]} covered, {counts[1]} partly, {counts[2]} the author's. Items are in our own words; sections are "
        "those of report.html.",
        "",
        *(f"- {markdown(meaning)}" for meaning in MEANINGS),
    ]
    part = ""
    for found in items:
        if found.part != part:
            part = found.part
            lines += ["", f"## {part}", ""]
        where = f" See: {markdown(SEVERAL.join(found.where))}." if found.where else ""
        lines.append(
            f"- **{found.item} {found.topic}** ({found.status}). {markdown(found.asks)} "
            f"→ {markdown(found.says)}{where}"
        )
    lines += ["", "## Source", "", f"- {markdown(_known()['citation'])}"]
    return "\n".join(lines) + "\n"
