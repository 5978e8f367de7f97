"""The tables of the details: repeats, strata, pairs and doubt; and the list of all tables of a report."""

from __future__ import annotations

from analysis.comparison.result import Comparison, Doubt, Pairs, Repeats, Strata
from analysis.publish import numbers
from analysis.publish.checklist import checklist
from analysis.publish.contrast_table import contrast_table
from analysis.publish.measure_tables import Measure, measure, measures_table
from analysis.publish.model_tables import adjusted_tables, graded_tables
from analysis.publish.parts_tables import parts_tables
from analysis.publish.planning import planning_table
from analysis.publish.points_tables import deduction_tables
from analysis.publish.selection_tables import priors_table, selection_tables
from analysis.publish.tables import (
    Table,
    landings_table,
    rates_table,
    rows_table,
    sentence,
    table_of,
    who_table,
)

DIFFERENCE = {
    "proportion": "Difference, percentage points",
    "points": "Difference, points",
    "probability": "Chance of the better landing, less one half",
}


def make_tables(comparison: Comparison) -> tuple[Table, ...]:
    """Return every table that this comparison has, in the order of the report."""
    level, n = comparison.question.level, comparison.rows.used
    found: list[Table | None] = [
        rows_table(comparison),
        who_table(comparison),
        landings_table(comparison),
        rates_table(comparison),
        contrast_table(comparison),
        *deduction_tables(comparison),
        repeats_table(comparison.repeats),
    ]
    if comparison.strata is not None:
        found += strata_tables(
            comparison.strata, level, comparison.headline.first, comparison.headline.second
        )
    if comparison.pairs is not None:
        found.append(pairs_table(comparison.pairs, comparison.headline.unit, n))
    if comparison.adjusted is not None:
        found += adjusted_tables(comparison.adjusted, level, comparison.headline.unit)
    first, second = comparison.headline.first, comparison.headline.second
    if comparison.selection is not None:
        found += selection_tables(comparison.selection, first, second)
    if comparison.graded is not None:
        found += graded_tables(comparison.graded, first, second, level)
    found += parts_tables(comparison.points_parts, first, second, level)
    if comparison.priors is not None:
        found.append(priors_table(comparison.priors, level, n))
    if comparison.planning is not None:
        found.append(planning_table(comparison.planning))
    if comparison.doubt is not None:
        found.append(doubt_table(comparison.doubt, comparison.headline.unit, level))
    found.append(checklist(comparison))
    return tuple(table for table in found if table is not None)


def repeats_table(repeats: Repeats) -> Table:
    """Who comes back."""
    lines = [
        ("Athletes", numbers.whole(repeats.athletes)),
        ("Routines", numbers.whole(repeats.routines)),
        ("Athletes with more than one routine", numbers.whole(repeats.returning)),
        ("Athletes who show more than one technique", numbers.whole(repeats.both)),
        ("Most routines by one athlete", numbers.whole(repeats.most)),
    ]
    note = f"Counted over the compared techniques before the plan's choice (“{repeats.choice}”) is applied."
    return table_of(
        "repeats", "How often athletes come back", ("Count", "Number"), lines, notes=(note, repeats.note)
    )


def strata_tables(strata: Strata, level: float, first: str, second: str) -> list[Table]:
    """Counts within each stratum, and what the strata say together."""
    by = " and ".join(strata.by)
    measured = strata.difference or strata.odds_ratio or strata.standardised or strata.homogeneity
    lines = []
    for one in strata.tables:
        n = one.n1 + one.n2
        both = one.n1 > 0 and one.n2 > 0
        gap = numbers.amount(one.x1 / one.n1 - one.x2 / one.n2, "percentage points", n) if both else "–"
        lines.append((one.name, numbers.of(one.x1, one.n1), numbers.of(one.x2, one.n2), gap))
    counts = table_of(
        "strata",
        numbers.capital(f"{first} and {second} within each {by}"),
        (numbers.capital(by), first, second, "Difference, percentage points"),
        lines,
        notes=(
            f"Routines: {strata.basis}.",
            "Counts are stuck of all routines; the difference is first minus second.",
            "" if measured else sentence(strata.why),
        ),
    )
    measures = []
    if strata.difference is not None:
        measures.append(measure("Difference over strata", strata.difference, "proportion"))
    if strata.odds_ratio is not None:
        p = numbers.p_value(strata.odds_ratio.p_value)
        measures.append(measure("Common odds ratio", strata.odds_ratio, "", p))
    if strata.standardised is not None:
        measures.append(measure("Standardised difference", strata.standardised, "proportion"))
    if strata.homogeneity is not None:
        p = numbers.p_value(strata.homogeneity.p_value)
        measures.append(Measure("Same odds ratio in every stratum", p=p, method=strata.homogeneity.method))
    if not measures:
        return [counts] if lines else []
    together = measures_table(
        "strata_together",
        f"What each {by} says, taken together",
        level,
        measures,
        (f"Routines: {strata.basis}.", strata.agreement, sentence(strata.why)),
    )
    return [counts, together]


def pairs_table(pairs: Pairs, unit: str, n: int) -> Table:
    """Every pair of techniques with family-wise control."""
    lines, levels = [], []
    for pair in pairs.pairs:
        found = pair.difference
        if found is None:
            cells = ("–", numbers.NOT_ESTIMATED, numbers.NOT_ESTIMATED)
        else:
            shown_as = numbers.kind(found.quantity, unit)
            cells = (
                numbers.whole(found.n),
                numbers.amount(found.estimate, shown_as, found.n),
                numbers.limits(found.low, found.high, shown_as, found.n),
            )
            levels.append(numbers.level(found.level))
        p, family = (
            numbers.p_value(value) if value is not None else "–" for value in (pair.p_value, pair.family_p)
        )
        lines.append((f"{pair.first} minus {pair.second}", *cells, p, family))
    overall = (
        f"Overall: {numbers.p_with_method(pairs.overall)}."
        if pairs.overall is not None
        else sentence(pairs.overall_why, "Overall test not made")
    )
    limits = f"{'/'.join(dict.fromkeys(levels))} limits" if levels else "Limits"
    whys = [sentence(pair.why, f"{pair.first} minus {pair.second}") for pair in pairs.pairs]
    return table_of(
        "pairs",
        "All pairs of techniques",
        ("Pair", "n", DIFFERENCE[unit], limits, "p", "Family-wise p"),
        lines,
        notes=(overall, f"Family-wise control: {pairs.control}.", *whys),
    )


def doubt_table(doubt: Doubt, unit: str, level: float) -> Table:
    """The headline's difference under other choices."""
    shown_as = numbers.kind("difference", unit)
    lines = [
        (
            item.what,
            numbers.whole(item.n),
            numbers.amount(item.estimate, shown_as, item.n),
            numbers.limits(item.low, item.high, shown_as, item.n),
            item.claim,
        )
        for item in doubt.alternatives
    ]
    note = ""
    if doubt.leave_out_runs:
        between = numbers.limits(doubt.leave_out_low, doubt.leave_out_high, shown_as, doubt.leave_out_runs)
        note = (
            f"Leaving out one athlete at a time ({numbers.whole(doubt.leave_out_runs)} runs), the difference ranges "
            f"from {between}{numbers.NOUNS.get(shown_as, '')}; the claim changes in "
            f"{numbers.whole(doubt.leave_out_claims)} of them."
        )
    return table_of(
        "doubt",
        "The same difference under other choices",
        ("Choice", "n", DIFFERENCE[unit], f"{numbers.level(level)} limits", "Claim"),
        lines,
        (0, 4),
        (note,),
    )
