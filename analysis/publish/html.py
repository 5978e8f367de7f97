"""report.html: one file that opens offline, on a phone, on paper and in the dark."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from html import escape
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from analysis import __version__
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.figures import INLINE_BYTES, Figure
from analysis.publish.methods import methods_paragraphs, works_cited
from analysis.publish.rows import cell_text
from analysis.publish.tables import Table, sentence
from analysis.reading.sentences import points_sentence

MOST_ROWS = 200
"""Rows set aside that the page lists; all of them stand in rows_set_aside.csv."""


@dataclass(frozen=True)
class Plate:
    """A figure as the page shows it: one drawing for wide pages and one for narrow ones."""

    name: str
    number: int
    title: str
    caption: str
    wide: Markup
    narrow: Markup


def report_html(comparison: Comparison, tables: tuple[Table, ...], figures: tuple[Figure, ...]) -> str:
    """Return the page as text."""
    room = resources.files("analysis.resources").joinpath("report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(room.joinpath("report.html").read_text(encoding="utf-8"))
    points, trades = points_said(comparison), trades_said(comparison)
    plates = {figure.name: _plate(figure, i) for i, figure in enumerate(figures, start=1)}
    return template.render(
        style=Markup(room.joinpath("report.css").read_text(encoding="utf-8")),
        c=comparison,
        question=question_words(comparison),
        design=design_facts(comparison),
        sentences=difference_said(comparison),
        points=points,
        trades=trades,
        tables={table.key: table for table in tables},
        plates=plates,
        methods=methods_paragraphs(comparison),
        works=works_cited(comparison),
        aside=rows_aside(comparison),
        most_rows=MOST_ROWS,
        version=__version__,
        sentence=sentence,
    )


def question_words(comparison: Comparison) -> str:
    """The plan's question as one asks it."""
    question, head = comparison.question, comparison.headline
    ask = {
        "stuck": f"Is {head.first} stuck more often, or less often, than {head.second}?",
        "deduction": f"Does {head.first} cost more, or fewer, points on the landing than {head.second}?",
        "landing grade": f"Is {head.first} landed better, or worse, than {head.second}?",
    }[question.outcome]
    more = len(question.techniques) - 2
    others = (
        f" {numbers.whole(more)} further {'technique is' if more == 1 else 'techniques are'} compared."
        if more
        else ""
    )
    return ask + others


def design_facts(comparison: Comparison) -> list[tuple[str, str]]:
    """What the plan fixed before the analysis, as (name, value)."""
    question = comparison.question
    repeats = {
        "first": "each athlete's first usable routine counts",
        "cluster": "all routines count, athletes are the units",
        "all": "all routines count as if each were another athlete's",
    }[question.repeats]
    sides = {
        "two": "two-sided",
        "more": "one-sided: is the first technique's outcome higher?",
        "fewer": "one-sided: is the first technique's outcome lower?",
    }[question.sides]
    facts = [
        ("Techniques, in the plan's order", "; ".join(question.techniques)),
        ("Outcome", question.outcome),
        ("Question", sides),
        ("Level of intervals", numbers.level(question.level)),
        ("Athletes who come back", repeats),
        ("Within", ", ".join(question.strata)),
        ("Adjusted for", ", ".join(question.adjust)),
        ("Too small to matter", _matters(comparison)),
        ("Difficulty value, first less second", _gain(comparison)),
        ("Codebook", f"{question.discipline}, {question.edition}"),
    ]
    return [(name, value) for name, value in facts if value]


def _matters(comparison: Comparison) -> str:
    matters, unit = comparison.question.matters, comparison.headline.unit
    if matters is None:
        return ""
    if unit == "proportion":
        return f"less than {numbers.words.percentage_points(matters)} percentage points either way"
    return f"less than {numbers.points(matters)} {'points' if unit == 'points' else ''} either way"


def _gain(comparison: Comparison) -> str:
    gain = comparison.question.difficulty_gain
    return "" if gain is None else f"{numbers.points(gain)} points"


def points_said(comparison: Comparison) -> list[str]:
    """Points saved per routine, with and without falls, in words."""
    said = []
    for contrast in comparison.deductions:
        found = contrast.clustered or contrast.effect
        if found is not None:
            said.append(
                points_sentence(
                    comparison.headline.first,
                    comparison.headline.second,
                    found.estimate,
                    found.low,
                    found.high,
                    comparison.question.level,
                    contrast.falls,
                )
            )
    return said


def difference_said(comparison: Comparison) -> list[str]:
    """The sentences that stand under the difference: those of the other sections are left to them."""
    elsewhere = [*points_said(comparison), *trades_said(comparison)]
    if comparison.adjusted is not None:
        elsewhere.append(comparison.adjusted.agreement)
    return [text for text in comparison.reading.sentences if text not in elsewhere]


def trades_said(comparison: Comparison) -> list[str]:
    """What a difference in difficulty value makes of the points saved, where the plan gives one."""
    return [part.reading for part in comparison.points_parts if part.reading]


def rows_aside(comparison: Comparison) -> list[tuple[str, ...]]:
    """The first rows set aside: row number, technique, meet, round, landing, reason. Names of athletes stay out."""
    aside = comparison.table[comparison.table["status"] != "used"].head(MOST_ROWS)
    columns = [aside.index, *(aside[name] for name in ("technique", "meet", "round", "landing", "reason"))]
    return [tuple(cell_text(value) for value in row) for row in zip(*columns, strict=True)]


def _plate(figure: Figure, number: int) -> Plate:
    return Plate(
        figure.name,
        number,
        figure.title,
        figure.caption,
        _drawing(figure, "thesis"),
        _drawing(figure, "phone"),
    )


def _drawing(figure: Figure, size: str) -> Markup:
    """The svg itself, or the png of it where the svg would be heavy."""
    svg = figure.files[f"{size}.svg"]
    if len(svg) > INLINE_BYTES:
        data = base64.b64encode(figure.files[f"{size}.png"]).decode()
        text = f"{figure.title}. {figure.alt}"
        return Markup(f'<img src="data:image/png;base64,{data}" alt="{escape(text)}">')
    head, mark, rest = svg.decode().partition(">")
    # Without a fixed size the drawing takes the width of its plate.
    return Markup(re.sub(r'\s(width|height)="[^"]*"', "", head) + mark + rest)
