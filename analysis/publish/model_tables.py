"""The tables of the models: all of them side by side, the coefficients of the one with columns, and the ordered one."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.comparison.evidence import Adjusted, Graded, Model
from analysis.publish import numbers
from analysis.publish.tables import Table, measure_line, sentence, table_of
from analysis.stats.result import Fit

READ = "read in this report"


def adjusted_tables(adjusted: Adjusted, level: float, unit: str) -> list[Table]:
    """Every model as one line, the chosen one marked; below it the coefficients of the model with the columns."""
    found = [_models(adjusted, level, unit)]
    if adjusted.fit is not None and len(adjusted.columns):
        found.append(coefficients_table("coefficients", "What goes with the outcome", adjusted.fit, level))
    return found


def _models(adjusted: Adjusted, level: float, unit: str) -> Table:
    lines = [_line(model, unit) for model in adjusted.models]
    whys: dict[str, list[str]] = {}
    for model in adjusted.models:
        if model.why:
            whys.setdefault(model.why, []).append(model.name)
    columns = (
        f"Adjusted for {', '.join(adjusted.columns)}" if adjusted.columns else "No column is adjusted for"
    )
    notes = [
        f"{columns}; {numbers.whole(adjusted.rows)} routines. An odds ratio above 1 speaks for the first technique, "
        "and it is further from 1 than the ratio of two rates.",
        sentence(adjusted.reason, "The line that is read"),
        sentence(adjusted.why, "Nothing is adjusted"),
        *(sentence(text) for text in adjusted.drivers),
        *(sentence(why, "; ".join(names)) for why, names in whys.items() if why != adjusted.why),
    ]
    header = ("Model", "Compares", "Estimate", f"{numbers.level(level)} limits", "p", "n", "Claim")
    return table_of("adjusted", "The same question by every model", header, lines, (0, 1, 6), notes)


def _line(model: Model, unit: str) -> tuple[str, ...]:
    shown_as = numbers.kind(model.quantity, unit)
    words = {"points": ", points", "percentage points": ", percentage points"}.get(shown_as, "")
    name = numbers.capital(model.name) + words + (f" ({READ})" if model.chosen else "")
    known = model.estimate is not None
    return (
        name,
        model.compares,
        numbers.amount(model.estimate, shown_as, model.n) if known else numbers.NOT_ESTIMATED,
        numbers.limits(model.low, model.high, shown_as, model.n),
        "–" if model.p_value is None else numbers.p_value(model.p_value),
        numbers.whole(model.n),
        model.claim,
    )


def coefficients_table(key: str, title: str, fit: Fit, level: float) -> Table:
    """One line per coefficient of a model, on the log-odds scale."""
    lines = []
    columns = zip(fit.names, fit.coefficients, fit.intervals, fit.p_values, strict=True)
    for name, coefficient, (low, high), p in columns:
        between = numbers.limits(low, high, "points", fit.n)
        lines.append((numbers.capital(name), numbers.points(coefficient), between, numbers.p_value(p)))
    notes = [
        f"Log odds ratios by {fit.method}; {numbers.whole(fit.n)} routines. Only the technique is asked about: the "
        "others are there to be held fixed, and theirs is no effect of their own.",
        *(sentence(text) for text in dict.fromkeys((fit.why, *fit.reasons))),
    ]
    header = ("Column", "Log odds ratio", f"{numbers.level(level)} limits", "p")
    return table_of(key, title, header, lines, notes=notes)


def graded_tables(graded: Graded, first: str, second: str, level: float) -> list[Table]:
    """The landing as an ordered outcome."""
    lines: list[Sequence[str]] = []
    for cut in graded.cuts:
        lines.append(measure_line(f"“{cut.grade}” or better", cut.difference, "proportion", ""))
    notes = [f"Share of landings at least this good, {first} minus {second}.", sentence(graded.why)]
    tables = [
        table_of(
            "cuts",
            "Landings at least this good",
            ("Landing", "Difference", f"{numbers.level(level)} limits", "p", "Method"),
            lines,
            (0, 4),
            notes,
        )
    ]
    if graded.fit is not None:
        checks = []
        if graded.check is not None:
            checks.append(f"Check that one odds ratio fits every cut: {numbers.p_with_method(graded.check)}.")
        if graded.rank is not None:
            rank = numbers.p_with_method(graded.rank)
            checks.append(f"Exact rank test within strata ({graded.rank_basis}): {rank}.")
        made = coefficients_table("ordered", "Odds of a better landing", graded.fit, level)
        tables.append(
            Table(made.key, made.title, made.header, made.rows, made.numeric, (*made.notes, *checks))
        )
    return tables
