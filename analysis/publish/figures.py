"""The figures of a report: each with its files, a title, a caption and a text that says what the picture shows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from analysis.comparison.result import Comparison, Strata
from analysis.publish import numbers
from analysis.publish.canvas import tidy
from analysis.publish.charts import deductions_plan, rates_plan, strata_plan
from analysis.publish.difference_figures import (
    MOST_STRATA,
    difference_figure,
    largest_strata,
    pooled_figure,
    sensitivity_figure,
)
from analysis.publish.landing_chart import Landings, landings, landings_plan
from analysis.publish.layout import paint
from analysis.publish.model_figures import model_sketches
from analysis.publish.planning_figure import planning_sketch
from analysis.publish.routine_marks import mark_routines, routines_plan
from analysis.publish.sizes import PHONE, Size, sizes_named
from analysis.publish.sketch import Sketch
from analysis.stats.budget import Progress, no_progress

INLINE_BYTES = 600_000
"""A larger svg goes into the page as a png: thousands of marks would make a phone scroll badly."""


@dataclass(frozen=True)
class Figure:
    """One figure: `files` maps "thesis.svg", "slide.png", "phone.svg", ... to bytes."""

    name: str
    title: str
    alt: str
    caption: str
    files: dict[str, bytes]


def figure_plans(comparison: Comparison) -> list[Sketch]:
    """Return what this comparison has to show, in the order of the report."""
    found = [routines_figure(comparison)]
    graded = landings(comparison)
    if graded is not None:
        found.append(landings_figure(graded))
    found += [rates_figure(comparison), difference_figure(comparison)]
    if any(group.n for contrast in comparison.deductions for group in contrast.groups):
        found.append(deductions_figure(comparison))
    further = model_sketches(comparison)
    found += [sketch for sketch in further if sketch.name == "models"]
    if comparison.strata is not None and comparison.strata.tables:
        found.append(strata_figure(comparison, comparison.strata))
        found.append(pooled_figure(comparison, comparison.strata))
    found += [sketch for sketch in further if sketch.name != "models"]
    if comparison.doubt is not None and comparison.doubt.alternatives:
        found.append(sensitivity_figure(comparison, comparison.doubt))
    if comparison.planning is not None:
        found.append(planning_sketch(comparison.planning))
    return found


def make_figures(
    comparison: Comparison, progress: Progress = no_progress, sizes: Iterable[str] = ("thesis", "slide")
) -> tuple[Figure, ...]:
    """Draw every figure that this comparison has.

    Parameters
    ----------
    comparison : Comparison
    progress : callable
        Called as progress(task, done, total).
    sizes : names of sizes
        Out of "single" and "double" (columns of a journal, 89 and 183 mm), "thesis" (16 cm), "slide" (16:9) and
        "poster" (40 cm). A report needs "thesis" and "slide". The drawing for a phone, svg only, is always made.

    Returns
    -------
    tuple of Figure

    Raises
    ------
    ValueError
        For a size that there isn't; the message lists those that there are.
    """
    wanted = sizes_named(sizes)
    sketches = figure_plans(comparison)
    found = []
    for done, sketch in enumerate(sketches):
        progress("figures", done, len(sketches))
        found.append(_drawn(sketch, wanted))
    progress("figures", len(sketches), len(sketches))
    return tuple(found)


def _drawn(sketch: Sketch, sizes: Sequence[Size]) -> Figure:
    files = {}
    for size in (*sizes, PHONE):
        canvas = paint(sketch.plan, size, sketch.title)
        name = f"{sketch.name}-{size.name}"
        forms = canvas.save(
            name, sketch.title, sketch.alt, ("svg",) if size is PHONE else ("svg", "pdf", "png")
        )
        if len(forms["svg"]) > INLINE_BYTES and "png" not in forms:
            forms |= canvas.save(name, sketch.title, sketch.alt, ("png",))
        files.update({f"{size.name}.{form}": content for form, content in forms.items()})
    return Figure(sketch.name, tidy(sketch.title), tidy(sketch.alt), tidy(sketch.caption), files)


def routines_figure(comparison: Comparison) -> Sketch:
    """Every routine as one mark."""
    marked = mark_routines(comparison)
    rows = []
    for name, below, cells in zip(marked.names, marked.below, marked.cells, strict=True):
        counts = ", ".join(
            f"{column} {numbers.whole(len(cell))}" for column, cell in zip(marked.columns, cells, strict=True)
        )
        rows.append(f"{name} ({below}): {counts}.")
    caption = (
        "Every routine that the headline counts is one mark; techniques in the plan's order, columns from best to "
        "worst, the number of marks under each block."
    )
    return Sketch(
        "routines", "Every routine is one mark", " ".join(rows), caption, partial(routines_plan, marked)
    )


def rates_figure(comparison: Comparison) -> Sketch:
    """Rate or mean deduction of each technique."""
    level = numbers.level(comparison.question.level)
    outcome = comparison.question.outcome
    if outcome == "deduction":
        title = "Mean landing deduction of each technique"
        rows = [
            f"{g.name}: mean {numbers.points(g.mean)} points, {level} "
            f"{numbers.limits(g.mean_low, g.mean_high, 'points', g.n)}, {numbers.whole(g.n)} routines."
            for g in comparison.groups
        ]
        caption = f"Mean deduction in points per routine with {level} limits."
    else:
        title = {"stuck": "Stuck rate of each technique"}.get(
            outcome, "Rate of the best landing of each technique"
        )
        rows = [
            f"{g.name}: {numbers.of(g.x, g.n)}"
            + (
                f", {numbers.percent(g.x / g.n, g.n)}, {level} {numbers.limits(g.low, g.high, 'percent', g.n)} %."
                if g.n
                else ", no routine."
            )
            for g in comparison.groups
        ]
        caption = f"Rate with {level} limits; counts and numbers are printed beside each line."
    return Sketch("rates", title, " ".join(rows), caption, partial(rates_plan, comparison))


def landings_figure(shown: Landings) -> Sketch:
    """Landings of each technique from best to worst, as shares."""
    rows = []
    for name, total, counts in zip(shown.names, shown.totals, shown.counts, strict=True):
        said = ", ".join(
            f"{category} {numbers.whole(count)}"
            for category, count in zip(shown.categories, counts, strict=True)
            if count
        )
        rows.append(f"{name}, {numbers.whole(total)} routines: {said or 'none'}.")
    caption = (
        "Landings of each technique from best (left) to worst (right) as shares of its routines; the number in or "
        "under each part counts routines."
    )
    return Sketch(
        "landings",
        "Landings of each technique, best to worst",
        " ".join(rows),
        caption,
        partial(landings_plan, shown),
    )


def deductions_figure(comparison: Comparison) -> Sketch:
    """Points lost, technique by technique."""
    contrasts = comparison.deductions
    rows = []
    for group in contrasts[0].groups:
        counts = ", ".join(f"{numbers.deduction(v)} points {numbers.whole(c)}" for v, c in group.counts[:12])
        more = " and further values" if len(group.counts) > 12 else ""
        rows.append(f"{group.name}: mean {numbers.points(group.mean)}; {counts}{more}.")
    caption = (
        "Points lost on the landing: bars count routines, hatched bars are falls, the triangle under the "
        "line marks the mean with falls."
    )
    return Sketch(
        "deductions",
        "Points lost on the landing by technique",
        " ".join(rows),
        caption,
        partial(deductions_plan, contrasts),
    )


def strata_figure(comparison: Comparison, strata: Strata) -> Sketch:
    """Both techniques within each stratum."""
    head = comparison.headline
    by = " and ".join(strata.by)
    shown = largest_strata(strata)
    rows = [
        f"{t.name}: {head.first} {numbers.of(t.x1, t.n1)}, {head.second} {numbers.of(t.x2, t.n2)}."
        for t in shown
    ]
    left_out = len(strata.tables) - len(shown)
    only = f" The {MOST_STRATA} largest are shown, {left_out} more stand in the table." if left_out else ""
    caption = f"Stuck rate of both techniques within each {by} ({strata.basis}).{only}"
    return Sketch(
        "strata", f"Stuck rate within each {by}", " ".join(rows), caption, partial(strata_plan, strata, head)
    )
