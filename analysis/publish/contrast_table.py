"""The table of the planned contrast: the headline first, other measures and tests below it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.comparison.result import Comparison, Group
from analysis.publish import numbers
from analysis.publish.measure_tables import Measure, measure, measures_table
from analysis.publish.tables import Table, best_words, sentence
from analysis.stats.result import Interval, Test


def contrast_table(comparison: Comparison) -> Table:
    """The planned contrast: the headline's difference and test first, other measures and tests below."""
    head, beside = comparison.headline, comparison.beside
    measures = [_headline(comparison)]
    if head.test is not None and not math.isnan(head.test.mid_p):
        p = numbers.p_value(head.test.mid_p)
        measures.append(Measure("Mid-p of the headline's test", p=p, method=head.test.method))
    measures += [measure(numbers.capital(item.quantity), item, head.unit) for item in beside.intervals]
    measures += [
        Measure(item.method, p=numbers.p_value(item.p_value), method=f"test of no difference{_side(item)}")
        for item in beside.tests
    ]
    counts = {group.name: _counted(comparison, group) for group in comparison.groups}
    notes = [
        f"First technique: {head.first} ({counts[head.first]}). Second: {head.second} ({counts[head.second]}). "
        "Differences are first minus second, ratios first over second.",
        "One-sided question: the interval's other limit is the edge of the scale."
        if comparison.question.sides != "two"
        else "",
        sentence(head.interval_why, "No interval") if head.interval is None else "",
        sentence(head.p_why, "No p-value") if head.test is None else "",
        head.disagreement,
        f"The smallest p-value that this design could reach: {numbers.p_value(head.test.smallest)}."
        if head.test is not None and head.test.smallest is not None
        else "",
        _remarks([head.interval, head.test, *beside.intervals, *beside.tests]),
        f"Lines below the headline: {beside.note[:1].lower()}{beside.note[1:]}" if beside.note else "",
    ]
    title = numbers.capital(f"{head.first} against {head.second}")
    return measures_table("contrast", title, comparison.question.level, measures, notes)


def _headline(comparison: Comparison) -> Measure:
    head = comparison.headline
    p = numbers.p_value(head.test.p_value) if head.test else "–"
    test = head.test.method if head.test else ""
    if head.interval is not None:
        name = f"{numbers.capital(head.interval.quantity)} (headline)"
        return measure(name, head.interval, head.unit, p, test)
    shown_as = numbers.kind("difference", head.unit)
    known = head.estimate is not None
    return Measure(
        "Difference (headline)",
        numbers.amount(head.estimate, shown_as, comparison.rows.used),
        numbers.NOT_ESTIMATED,
        p,
        test,
        {"points": "points", "percentage points": "percentage points"}.get(shown_as, "") if known else "",
    )


def _counted(comparison: Comparison, group: Group) -> str:
    if comparison.question.outcome == "deduction":
        return f"{numbers.whole(group.n)} routines"
    return f"{best_words(comparison).lower()} {numbers.of(group.x, group.n)}"


def _side(test: Test) -> str:
    return "" if test.alternative == "two-sided" else f", one-sided ({test.alternative})"


def _remarks(found: Sequence[Interval | Test | None]) -> str:
    """What the results themselves say about a value that is missing, approximate or drawn."""
    said = [sentence(item.why, item.method) for item in found if item is not None and item.why]
    said += [
        f"{item.method}: {numbers.whole(item.draws)} random draws, standard error of p {numbers.plain(item.error)}."
        for item in found
        if isinstance(item, Test) and item.draws
    ]
    return " ".join(dict.fromkeys(said))
