"""report.html: one file that opens offline, on a phone, on paper and in the dark."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup, escape

from analysis import __version__
from analysis.comparison import wording
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.checklist import CHECKLIST, SEVERAL, WHERE
from analysis.publish.figures import INLINE_BYTES, Figure
from analysis.publish.numbers import plain_number
from analysis.publish.sections import aside_table, details, front_headings, places, source_table
from analysis.publish.spreadsheet import csv_table
from analysis.publish.tables import Table, sentence

LONG = 24
"""A text column with a longer cell than this may not become narrow."""


@dataclass(frozen=True)
class Plate:
    """A figure as the page shows it: one drawing for wide pages and one for narrow ones."""

    name: str
    number: int
    title: str
    caption: str
    wide: Markup
    narrow: Markup


@dataclass(frozen=True)
class Grid:
    """A table as the page shows it, with the very bytes of its csv file behind a link.

    `looks` are the classes of its columns, `tails` the longest part behind a decimal mark in each, and `links` says
    where the words of a pointer to another part of the report lead.
    """

    table: Table
    looks: tuple[str, ...]
    tails: tuple[int, ...]
    csv: str
    links: dict[str, str]

    def cell(self, row: int, place: int) -> Markup:
        """One cell, its text unchanged; numbers are split so that their decimal marks stand below each other."""
        text, tail = self.table.rows[row][place], self.tails[place]
        if self.links and self.table.header[place] == WHERE:
            return Markup(SEVERAL).join(self._pointer(words) for words in text.split(SEVERAL))
        front, behind = self.table.halves(text)
        if not tail or (not behind and plain_number(text, self.table.style) is None):
            return escape(text)
        return Markup('{}<span class="tail" style="min-width:{}ch">{}</span>').format(front, tail, behind)

    def _pointer(self, words: str) -> Markup:
        place = self.links.get(words)
        return Markup('<a href="{}">{}</a>').format(place, words) if place else escape(words)


def report_html(comparison: Comparison, tables: tuple[Table, ...], figures: tuple[Figure, ...]) -> str:
    """Return the page as text."""
    room = resources.files("analysis.resources").joinpath("report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(room.joinpath("report.html").read_text(encoding="utf-8"))
    plates = {figure.name: _plate(figure, i) for i, figure in enumerate(figures, start=1)}
    own = [source_table(comparison), *([aside_table(comparison)] if comparison.rows.set_aside else [])]
    links = places(comparison)
    grids = {table.key: _grid(table, links if table.key == CHECKLIST else {}) for table in (*tables, *own)}
    return template.render(
        style=Markup(room.joinpath("report.css").read_text(encoding="utf-8")),
        c=comparison,
        question=question_words(comparison),
        design=design_facts(comparison),
        said=headline_said(comparison),
        sentences=difference_said(comparison),
        points=points_said(comparison),
        trades=trades_said(comparison),
        grids=grids,
        plates=plates,
        front=front_headings(comparison),
        details=details(comparison, tuple(grids), tuple(plates)),
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


def headline_said(comparison: Comparison) -> str:
    """The planned difference with its interval, or why it has none."""
    head = comparison.headline
    if head.interval is None:
        return sentence(head.interval_why, "No interval can be given")
    name = numbers.capital(f"{head.first} minus {head.second}")
    return f"{name}: {numbers.interval_words(head.interval, head.unit)}."


def points_said(comparison: Comparison) -> list[str]:
    """Points saved per routine, with and without falls, in words."""
    return wording.points_said(comparison.question, comparison.deductions)


def difference_said(comparison: Comparison) -> list[str]:
    """The sentences that stand under the difference: those of the other sections are left to them."""
    elsewhere = [*points_said(comparison), *trades_said(comparison)]
    if comparison.adjusted is not None:
        elsewhere.append(comparison.adjusted.agreement)
    return [text for text in comparison.reading.sentences if text not in elsewhere]


def trades_said(comparison: Comparison) -> list[str]:
    """What a difference in difficulty value makes of the points saved, where the plan gives one."""
    return [part.reading for part in comparison.points_parts if part.reading]


def _grid(table: Table, links: dict[str, str]) -> Grid:
    looks, tails = [], []
    for place, align in enumerate(table.align):
        cells = [row[place] for row in table.rows]
        long = align == "left" and max(map(len, cells), default=0) > LONG
        looks.append("long" if long else "n" if align != "left" else "")
        tails.append(max(len(table.halves(cell)[1]) for cell in cells) if align == "decimal" else 0)
    data = base64.b64encode(csv_table(table)).decode()
    return Grid(table, tuple(looks), tuple(tails), f"data:text/csv;charset=utf-8;base64,{data}", links)


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
        return Markup('<img src="data:image/png;base64,{}" alt="{}">').format(data, text)
    head, mark, rest = svg.decode().partition(">")
    # Without a fixed size the drawing takes the width of its plate.
    return Markup(re.sub(r'\s(width|height)="[^"]*"', "", head) + mark + rest)
