"""The tables, figures and sentences of a report inside a notebook, one by one."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from analysis.comparison.agreement import Agreement
from analysis.comparison.result import Comparison
from analysis.comparison.under_coders import UnderCoders
from analysis.publish.agreement import agreement_table, disagreements_table
from analysis.publish.confusion import confusion_figures
from analysis.publish.detail_tables import make_tables
from analysis.publish.figures import figure_plans
from analysis.publish.layout import paint
from analysis.publish.sizes import sizes_named
from analysis.publish.sketch import Sketch
from analysis.publish.tables import Table
from analysis.publish.under_coders import under_coders_table
from analysis.shown import grid, paragraphs
from analysis.study.problem import Problem, Repair


@dataclass(frozen=True)
class Page:
    """What a notebook shows: `html` there, `text` in a terminal."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __str__(self) -> str:
        return self.text

    __repr__ = __str__


def tables(result: Comparison | Agreement | UnderCoders, *names: str) -> Page:
    """Show tables of the report by their names, as report.html prints them.

    Parameters
    ----------
    result : Comparison, Agreement or UnderCoders
    names : str
        Such as "rates" or "adjusted"; none for the list of those that this result has. A table that it doesn't have
        (the plan doesn't ask for it, or the sample can't give it) is said to be missing, so that a notebook runs on.

    Returns
    -------
    Page
    """
    found = {table.key: table for table in _tables(result)}
    if not names:
        return _list("tables", {key: table.title for key, table in found.items()})
    return _page([_table(found[name]) if name in found else _missing("table", name, found) for name in names])


def figures(result: Comparison | Agreement, *names: str, size: str = "thesis") -> Page:
    """Show figures of the report by their names, with their captions.

    Parameters
    ----------
    result : Comparison or Agreement
    names : str
        Such as "routines" or "models"; none for the list of those that this result has. As with `tables`, one
        that it doesn't have is said to be missing.
    size : str
        A named size of `make_figures`.

    Returns
    -------
    Page
    """
    (paper,) = sizes_named((size,))
    found = {sketch.name: sketch for sketch in _sketches(result)}
    if not names:
        return _list("figures", {name: sketch.title for name, sketch in found.items()})
    shown = []
    for name in names:
        if name not in found:
            shown.append(_missing("figure", name, found))
            continue
        sketch = found[name]
        drawn = paint(sketch.plan, paper, sketch.title).save(name, sketch.title, sketch.alt, ("svg",))
        # As an image the drawing keeps its letters and lines, and two of them can't share an id.
        data = base64.b64encode(drawn["svg"]).decode()
        picture = (
            f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(f"{sketch.title}. {sketch.alt}")}" '
            f'style="background:white;max-width:100%">'
        )
        shown.append(
            Page(
                f"<figure>{picture}<figcaption>{escape(sketch.title)}. {escape(sketch.caption)}</figcaption></figure>",
                f"{sketch.title}. {sketch.alt}",
            )
        )
    return _page(shown)


def listed(found: Iterable[Problem | Repair]) -> Page:
    """Show problems or repairs, each kind once, with the rows or the number of cells where it was met.

    Parameters
    ----------
    found : Problem or Repair, any number of one of them

    Returns
    -------
    Page
    """
    items = list(found)
    problems: dict[tuple[str, ...], list[int]] = {}
    repairs: dict[tuple[str, ...], list[str]] = {}
    for item in items:
        if isinstance(item, Problem):
            kind = (item.column or "", item.value or "", item.problem, item.remedy)
            problems.setdefault(kind, []).extend([] if item.row is None else [item.row])
        else:
            before = f"“{item.before}”" if item.before else "blank"
            column = "" if item.why == "header" else item.column or ""
            change = f"{before} as “{item.after}”" if item.after else before
            repairs.setdefault((column, item.why), []).append(change)
    html, lines = "", [str(item) for item in items]
    if repairs:
        rows = [(*kind, str(len(all_)), _some(dict.fromkeys(all_))) for kind, all_ in repairs.items()]
        html += grid(("column", "why", "cells", "read"), rows, most=None)
    if problems:
        rows = [(_some(map(str, places)), *kind) for kind, places in problems.items()]
        html += grid(("row", "column", "value", "problem", "remedy"), rows, most=None)
    return Page(html or paragraphs("None."), "\n".join(lines) or "None.")


def said(*texts: str) -> Page:
    """Show sentences as paragraphs."""
    return Page(paragraphs(*texts), "\n\n".join(text for text in texts if text))


def _some(texts: Iterable[str], most: int = 5) -> str:
    all_ = list(texts)
    more = [f"and {len(all_) - most} more"] if len(all_) > most else []
    return ", ".join(all_[:most] + more)


def _tables(result: Comparison | Agreement | UnderCoders) -> Sequence[Table]:
    if isinstance(result, Comparison):
        return make_tables(result)
    if isinstance(result, Agreement):
        return (agreement_table(result), disagreements_table(result))
    return (under_coders_table(result),)


def _sketches(result: Comparison | Agreement) -> Sequence[Sketch]:
    return figure_plans(result) if isinstance(result, Comparison) else confusion_figures(result)


def _table(table: Table) -> Page:
    html = grid(table.header, table.rows, table.title, table.numeric, most=None) + _notes(table.notes)
    lines = ["; ".join(row) for row in (table.header, *table.rows)]
    return Page(html, "\n".join([table.title, *lines, *table.notes]))


def _notes(notes: Sequence[str]) -> str:
    lines = "<br>".join(map(escape, notes))
    return f'<p style="font-size:smaller;line-height:1.5">{lines}</p>' if notes else ""


def _list(what: str, titles: dict[str, str]) -> Page:
    rows = list(titles.items())
    title = f"The {what} that there are"
    lines = [f"{name}: {text}" for name, text in rows]
    return Page(grid(("name", "title"), rows, title, most=None), "\n".join([title, *lines]))


def _missing(what: str, name: str, found: Iterable[str]) -> Page:
    text = (
        f"There is no {what} “{name}” here: the plan doesn't ask for it, or the sample can't give it. "
        f"There are {', '.join(found)}."
    )
    return Page(paragraphs(text), text)


def _page(parts: Sequence[Page]) -> Page:
    return Page("".join(part.html for part in parts), "\n\n".join(part.text for part in parts))
