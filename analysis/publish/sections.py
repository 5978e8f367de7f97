"""The sections of report.html: what each is called, and which words, figures and tables the details hold."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from markupsafe import Markup

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.methods import methods_paragraphs, works_cited
from analysis.publish.rows import cell_text
from analysis.publish.tables import Table, sentence, table_of

MOST_ROWS = 200
"""Rows set aside that the page lists; all of them stand in rows_set_aside.csv."""

FRONT_TABLES = (
    "rows",
    "rates",
    "contrast",
    "deductions",
    "points_contrast",
    "trade",
    "adjusted",
)
FILES = ("methods.md", "results.json", "rows_used.csv", "rows_set_aside.csv", "manifest.json")
"""Files beside the page that a pointer may name."""
FRONT_FIGURES = ("routines", "rates", "difference", "deductions", "models", "landings")


@dataclass(frozen=True)
class Section:
    """One part of the details: words first, then figures and tables by name, then a list."""

    id: str
    heading: str
    texts: tuple[str, ...] = ()
    figures: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()
    items: tuple[str, ...] = ()


def front_headings(comparison: Comparison) -> dict[str, str]:
    """The sections that every report opens with, by their place in the page."""
    found = {
        "question": "The question",
        "rows": "The rows",
        "routines": "Every routine",
        "rates": "Each technique",
        "difference": "The difference",
        "points": "Points on the landing",
        "alike": "Like with like" if comparison.adjusted is not None else "",
        "limits": "What this sample can’t say",
        "cautions": "Cautions",
    }
    return {place: heading for place, heading in found.items() if heading}


def detail_headings(comparison: Comparison) -> dict[str, str]:
    """The parts of the details that this comparison has, in order: the sample, the comparisons, how it was done."""
    c = comparison
    by = " and ".join(c.strata.by) if c.strata is not None else ""
    mixed = c.selection is not None and (c.selection.balance is not None or bool(c.selection.tipping))
    fitted = c.adjusted is not None and any(line.quantity == "odds ratio" for line in c.adjusted.models)
    taken_apart = any(part.parts is not None for part in c.points_parts)
    found = {
        "methods": "Methods",
        "who": "Who did what",
        "returning": "Athletes who come back",
        "mix": "Who does which technique" if mixed else "",
        "within": f"Within each {by}" if c.strata is not None else "",
        "all-pairs": "All pairs" if c.pairs is not None else "",
        "behind": "The models behind like with like" if fitted else "",
        "grades": "Every grade of the landing" if c.graded is not None else "",
        "parts": "Points lost: how often, and how much" if taken_apart else "",
        "beliefs": "Other earlier beliefs" if c.priors is not None else "",
        "holds": "How the difference holds up" if c.doubt is not None else "",
        "next": "The next meets" if c.planning is not None else "",
        "aside": "Rows set aside" if c.rows.set_aside else "",
        "works": "Works cited",
        "checklist": "Reporting checklist",
        "source": "Made from",
    }
    return {place: heading for place, heading in found.items() if heading}


def places(comparison: Comparison) -> dict[str, str]:
    """Where the words of a pointer lead: a section of the page, or a file beside it."""
    headings = front_headings(comparison) | detail_headings(comparison)
    return {heading: f"#{place}" for place, heading in headings.items()} | {file: file for file in FILES}


def details(comparison: Comparison, tables: Collection[str], figures: Collection[str]) -> tuple[Section, ...]:
    """Return the details with what there is to show; a table or figure without a place of its own comes last."""
    strata, graded, priors = comparison.strata, comparison.graded, comparison.priors
    words: dict[str, list[str]] = {
        "methods": methods_paragraphs(comparison),
        "within": [strata.agreement, sentence(strata.why)] if strata is not None else [],
        "grades": [graded.reading] if graded is not None else [],
        "beliefs": [priors.reading] if priors is not None else [],
        "aside": [_about_aside(comparison)],
    }
    shown: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
        "who": ((), ("who_did_what", "landings", "deduction_values")),
        "returning": ((), ("repeats",)),
        "mix": ((), ("balance", "tipping")),
        "within": (("strata", "pooled"), ("strata", "strata_together")),
        "all-pairs": ((), ("pairs",)),
        "behind": (("odds",), ("coefficients",)),
        "grades": ((), ("cuts", "ordered")),
        "parts": ((), ("points_parts",)),
        "beliefs": (("priors",), ("priors",)),
        "holds": (("sensitivity",), ("doubt",)),
        "next": (("planning",), ("planning",)),
        "aside": ((), ("set_aside",)),
        "checklist": ((), ("checklist",)),
        "source": ((), ("source",)),
    }
    headings = detail_headings(comparison)
    placed = {name for place in headings for name in shown.get(place, ((), ()))[1]}
    drawn = {name for place in headings for name in shown.get(place, ((), ()))[0]}
    left_tables = tuple(key for key in tables if key not in placed and key not in FRONT_TABLES)
    left_figures = tuple(name for name in figures if name not in drawn and name not in FRONT_FIGURES)
    found = []
    for place, heading in headings.items():
        if place == "works" and (left_tables or left_figures):
            found.append(Section("further", "Further tables", (), left_figures, left_tables))
        pictures, grids = shown.get(place, ((), ()))
        found.append(
            Section(
                place,
                heading,
                tuple(text for text in words.get(place, ()) if text),
                tuple(name for name in pictures if name in figures),
                tuple(key for key in grids if key in tables),
                tuple(works_cited(comparison)) if place == "works" else (),
            )
        )
    return tuple(part for part in found if part.texts or part.figures or part.tables or part.items)


def _about_aside(comparison: Comparison) -> str:
    link = Markup('<a href="rows_set_aside.csv">rows_set_aside.csv</a>')
    if comparison.rows.set_aside > MOST_ROWS:
        counted = (
            f"The first {MOST_ROWS} of {numbers.whole(comparison.rows.set_aside)} rows; all of them are in "
        )
        return Markup("{}{}.").format(counted, link)
    return Markup("Their cells as they were written are in {}, beside this page.").format(link)


def aside_table(comparison: Comparison) -> Table:
    """The first rows set aside, with the reason. Names of athletes stay out."""
    aside = comparison.table[comparison.table["status"] != "used"].head(MOST_ROWS)
    columns = [aside.index, *(aside[name] for name in ("technique", "meet", "round", "landing", "reason"))]
    lines = [tuple(cell_text(value) for value in row) for row in zip(*columns, strict=True)]
    header = ("Row", "Technique", "Meet", "Round", "Landing", "Reason")
    return table_of("set_aside", "Rows set aside, with the reason", header, lines, (1, 2, 3, 4, 5))


def source_table(comparison: Comparison) -> Table:
    """The files that the report was made from, with their hashes."""
    made = comparison.source
    lines = [
        ("Sheet", made.sheet, made.sheet_sha256),
        ("Plan", made.plan, made.plan_sha256),
        ("Codebook", made.codebook, made.codebook_sha256),
    ]
    return table_of("source", "Files and their SHA-256", ("Part", "File", "SHA-256"), lines, (0, 1, 2))
