"""The tables of the models: all of them side by side, the coefficients of the one with columns, and the ordered one."""

from __future__ import annotations

from dataclasses import replace

from analysis.comparison.evidence import Adjusted, Graded, Model
from analysis.publish import numbers
from analysis.publish.measure_tables import UNITS, lettered, measure, measures_table, shared_unit
from analysis.publish.tables import Table, sentence, table_of
from analysis.stats.result import Fit

READ = "read in this report"


def adjusted_tables(adjusted: Adjusted, level: float, unit: str) -> list[Table]:
    """Every model as one line, the chosen one marked; below it the coefficients of the model with the columns."""
    found = [_models(adjusted, level, unit)]
    if adjusted.fit is not None and len(adjusted.columns):
        found.append(coefficients_table("coefficients", "What goes with the outcome", adjusted.fit, level))
    return found


def _models(adjusted: Adjusted, level: float, unit: str) -> Table:
    units = [UNITS.get(numbers.kind(model.quantity, unit), "") for model in adjusted.models]
    once, unit_note = shared_unit(units)
    marks, compares = lettered([model.compares for model in adjusted.models], "Every line compares")
    lines = [
        _line(model, unit, "" if once else own, mark)
        for model, own, mark in zip(adjusted.models, units, marks, strict=True)
    ]
    whys: dict[str, list[str]] = {}
    for model in adjusted.models:
        if model.why:
            whys.setdefault(model.why, []).append(model.name)
    columns = (
        f"Adjusted for {', '.join(adjusted.columns)}" if adjusted.columns else "No column is adjusted for"
    )
    notes = [
        unit_note,
        f"{columns}; {numbers.whole(adjusted.rows)} routines.",
        "An odds ratio above 1 speaks for the first technique, and it is further from 1 than the ratio of two rates."
        if any("odds ratio" in model.quantity for model in adjusted.models)
        else "",
        sentence(adjusted.reason, "The line that is read"),
        sentence(adjusted.why, "Nothing is adjusted"),
        *(sentence(text) for text in adjusted.drivers),
        *(sentence(why, "; ".join(names)) for why, names in whys.items() if why != adjusted.why),
        f"What a line compares. {compares}" if any(marks) else compares,
    ]
    header: tuple[str, ...] = (
        "Model",
        "Estimate",
        f"{numbers.level(level)} limits",
        "p",
        "n",
        "Claim",
        "Note",
    )
    if not any(marks):
        header, lines = header[:-1], [line[:-1] for line in lines]
    text_columns = [0, *range(5, len(header))]
    return table_of("adjusted", "The same question by every model", header, lines, text_columns, notes)


def _line(model: Model, unit: str, words: str, mark: str) -> tuple[str, ...]:
    shown_as = numbers.kind(model.quantity, unit)
    name = (
        numbers.capital(model.name) + (f", {words}" if words else "") + (f" ({READ})" if model.chosen else "")
    )
    known = model.estimate is not None
    return (
        name,
        numbers.amount(model.estimate, shown_as, model.n) if known else numbers.NOT_ESTIMATED,
        numbers.limits(model.low, model.high, shown_as, model.n),
        "–" if model.p_value is None else numbers.p_value(model.p_value),
        numbers.whole(model.n),
        model.claim,
        mark,
    )


def coefficients_table(key: str, title: str, fit: Fit, level: float) -> Table:
    """One line per coefficient of a model, on the log-odds scale."""
    lines = []
    columns = zip(fit.names, fit.coefficients, fit.intervals, fit.p_values, strict=True)
    for name, coefficient, (low, high), p in columns:
        between = numbers.limits(low, high, "plain", fit.n)
        lines.append((numbers.capital(name), numbers.plain(coefficient), between, numbers.p_value(p)))
    notes = [
        f"Log odds ratios by {fit.method}; {numbers.whole(fit.n)} routines. Only the technique is asked about: the "
        "others are there to be held fixed, and theirs is no effect of their own.",
        *(sentence(text) for text in dict.fromkeys((fit.why, *fit.reasons))),
    ]
    header = ("Column", "Log odds ratio", f"{numbers.level(level)} limits", "p")
    return table_of(key, title, header, lines, notes=notes)


def graded_tables(graded: Graded, first: str, second: str, level: float) -> list[Table]:
    """The landing as an ordered outcome."""
    measures = [measure(f"“{cut.grade}” or better", cut.difference, "proportion") for cut in graded.cuts]
    notes = [f"Share of landings at least this good, {first} minus {second}.", sentence(graded.why)]
    tables = [measures_table("cuts", "Landings at least this good", level, measures, notes, "Landing")]
    if graded.fit is not None:
        checks = []
        if graded.check is not None:
            checks.append(f"Check that one odds ratio fits every cut: {numbers.p_with_method(graded.check)}.")
        if graded.rank is not None:
            rank = numbers.p_with_method(graded.rank)
            checks.append(f"Exact rank test within strata ({graded.rank_basis}): {rank}.")
        made = coefficients_table("ordered", "Odds of a better landing", graded.fit, level)
        tables.append(replace(made, notes=(*made.notes, *checks)))
    return tables
