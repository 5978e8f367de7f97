"""The tables of points lost on the landing."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.comparison.result import Comparison, PointsContrast
from analysis.publish import numbers
from analysis.publish.tables import Table, contrast_header, measure_line, sentence, table_of

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
    lines: list[tuple[str, ...]] = []
    notes: list[str] = []
    for contrast in comparison.deductions:
        if contrast.effect is None:
            lines.append((f"Mean difference, points, {contrast.falls}", numbers.NOT_ESTIMATED, "", "", ""))
            notes.append(sentence(contrast.effect_why, contrast.falls))
        if contrast.clustered is not None:
            p = numbers.p_value(contrast.clustered_test.p_value) if contrast.clustered_test else "–"
            line = measure_line("Mean difference", contrast.clustered, "points", p)
            test = f"; p: {contrast.clustered_test.method}" if contrast.clustered_test else ""
            lines.append((f"{line[0]}, {contrast.falls}, athletes as units", *line[1:4], line[4] + test))
        for name, found, unit in (("Mean difference", contrast.effect, "points"), ("", contrast.rank, "")):
            if found is not None:
                line = measure_line(
                    name or numbers.capital(found.quantity), found, unit, numbers.p_value(found.p_value)
                )
                lines.append((f"{line[0]}, {contrast.falls}", *line[1:]))
                notes.append(sentence(found.why, found.method))
    head = comparison.headline
    counted = [
        f"{numbers.whole(contrast.effect.n)} {contrast.falls}"
        for contrast in comparison.deductions
        if contrast.effect is not None
    ]
    notes[:0] = [
        f"{head.first} minus {head.second}: below zero means that {head.first} loses fewer points.",
        f"Routines: {', '.join(counted)}." if counted else "",
    ]
    return table_of(
        "points_contrast",
        "Points lost on the landing, compared",
        contrast_header(comparison.question.level),
        lines,
        (0, 4),
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
