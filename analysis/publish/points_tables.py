"""The tables of points lost on the landing."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.comparison.result import Comparison, PointsContrast
from analysis.publish import numbers
from analysis.publish.measure_tables import Measure, measure, measures_table
from analysis.publish.tables import Table, sentence, table_of

MOST_VALUES = 30
"""More distinct deductions than this are left to the picture and to rows_used.csv."""


def deduction_tables(comparison: Comparison) -> list[Table]:
    """Points lost with and without falls, the contrasts, and the full distribution."""
    if not comparison.deductions:
        return []
    return [
        _points_table(comparison.deductions),
        _points_contrast_table(comparison),
        *_distribution(comparison.deductions[0]),
    ]


def _points_table(contrasts: Sequence[PointsContrast]) -> Table:
    lines = []
    for contrast in contrasts:
        for group in contrast.groups:
            lines.append(
                (
                    group.name,
                    contrast.falls,
                    numbers.whole(group.n),
                    numbers.whole(group.athletes),
                    numbers.whole(group.none),
                    numbers.points(group.mean),
                    numbers.deduction(group.median),
                    numbers.deduction(group.largest),
                )
            )
    header = ("Technique", "Routines", "n", "Athletes", "Without deduction", "Mean", "Median", "Largest")
    note = "Points lost on the landing, per routine. A fall is a different event from a step."
    return table_of("deductions", "Landing deduction by technique", header, lines, (0, 1), (note,))


def _points_contrast_table(comparison: Comparison) -> Table:
    measures: list[Measure] = []
    notes: list[str] = []
    for contrast in comparison.deductions:
        falls = contrast.falls
        if contrast.effect is None:
            measures.append(Measure("Mean difference", numbers.NOT_ESTIMATED, routines=falls))
            notes.append(sentence(contrast.effect_why, falls))
        if contrast.clustered is not None:
            test = contrast.clustered_test
            p = numbers.p_value(test.p_value) if test else "–"
            name, by = "Mean difference, athletes as units", test.method if test else ""
            measures.append(measure(name, contrast.clustered, "points", p, by, falls))
        for name, found, unit in (("Mean difference", contrast.effect, "points"), ("", contrast.rank, "")):
            if found is not None:
                p = numbers.p_value(found.p_value)
                name = name or numbers.capital(found.quantity)
                measures.append(measure(name, found, unit, p, routines=falls))
                notes.append(sentence(found.why, found.method))
    head = comparison.headline
    counted = [
        f"{numbers.whole(contrast.effect.n)} {contrast.falls}"
        for contrast in comparison.deductions
        if contrast.effect is not None
    ]
    notes[:0] = [
        f"{numbers.capital(head.first)} minus {head.second}: below zero means that {head.first} loses fewer points.",
        f"Routines: {', '.join(counted)}." if counted else "",
    ]
    return measures_table(
        "points_contrast",
        "Points lost on the landing, compared",
        comparison.question.level,
        measures,
        list(dict.fromkeys(notes)),
    )


def _distribution(contrast: PointsContrast) -> list[Table]:
    values = sorted({value for group in contrast.groups for value, _ in group.counts})
    if not 0 < len(values) <= MOST_VALUES:
        return []
    lines = []
    for value in values:
        counts = [dict(group.counts).get(value, 0) for group in contrast.groups]
        lines.append(
            (numbers.deduction(value), *(numbers.whole(c) for c in counts), numbers.whole(sum(counts)))
        )
    header = ("Points lost", *(group.name for group in contrast.groups), "All")
    return [table_of("deduction_values", f"Routines by points lost, {contrast.falls}", header, lines)]
