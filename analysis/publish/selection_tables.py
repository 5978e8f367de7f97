"""The tables of who does which technique, of hidden advantages, and of earlier beliefs."""

from __future__ import annotations

import math

from analysis.comparison.evidence import Priors, Selection
from analysis.publish import numbers
from analysis.publish.tables import Table, sentence, table_of
from analysis.stats.balance import BalanceLine
from analysis.stats.robustness import EValue, Tipping

MOST_VALUES = 8
"""A column of names with more values than this has one line, for the column as a whole."""


def selection_tables(selection: Selection, first: str, second: str) -> list[Table]:
    """Who does which technique, and what a hidden advantage would have to be worth."""
    found = []
    if selection.balance is not None and selection.balance.lines:
        found.append(_balance(selection, first, second))
    if selection.tipping:
        found.append(_tipping(selection))
    return found


def _balance(selection: Selection, first: str, second: str) -> Table:
    assert selection.balance is not None
    lines = []
    whole = selection.balance.lines
    values = {
        line.column: sum(other.column == line.column and bool(other.value) for other in whole)
        for line in whole
    }
    for line in whole:
        if line.value and values[line.column] > MOST_VALUES:
            continue
        lines.append(_balance_line(line))
    notes = [
        "Standardised difference: first minus second in standard deviations. It is common practice to call 0.10 or "
        "0.25 unbalanced in groups of hundreds; in groups of this size a column without any bearing on the choice "
        "differs by the amount in the last column on average.",
        *selection.notes,
        *dict.fromkeys(
            sentence(line.why, f"{line.column} {line.value}".rstrip()) for line in whole if line.why
        ),
    ]
    header = ("What is known", first, second, "Standardised difference", "By chance alone")
    return table_of("balance", "Who does which technique", header, lines, notes=notes)


def _balance_line(line: BalanceLine) -> tuple[str, ...]:
    name = _named(line)
    if line.kind == "all values":
        cells = ("", "")
        name += ", all values together"
    elif line.kind == "share":
        cells = tuple(numbers.of(x, n) for x, n in line.counts)  # type: ignore[assignment]
    else:
        cells = tuple(  # type: ignore[assignment]
            f"{numbers.plain(mean)} (sd {numbers.plain(sd)})" if not math.isnan(sd) else numbers.plain(mean)
            for mean, sd in ((line.first, line.sd_first), (line.second, line.sd_second))
        )
        name += ", mean"
    lost = sum(line.missing)
    if lost:
        name += f" ({numbers.whole(lost)} missing)"
    return (numbers.capital(name), *cells, numbers.plain(line.difference), numbers.plain(line.by_chance))


def _named(line: BalanceLine) -> str:
    return f"{line.column}: {line.value}" if line.value else line.column


def _tipping(selection: Selection) -> Table:
    lines = [_tipping_line(line) for line in selection.tipping]
    unit = "percentage points" if selection.tipping[0].kind == "stuck" else "points"
    notes = [
        "Suppose that some athletes have an advantage that the sheet doesn't know, the same with either technique. The "
        "table says how large it would have to be to explain the whole difference, for several shares of routines by "
        "such athletes. Whether such an advantage exists is a question for people who know the athletes.",
        *(sentence(text) for text in dict.fromkeys(line.why for line in selection.tipping if line.why)),
        _e_value_words(selection.e_value) if selection.e_value is not None else "",
        sentence(selection.e_value_why, "E-value") if selection.e_value is None else "",
    ]
    header = (
        "Share of routines with the advantage, first and second technique",
        f"Worth it takes for the estimate, {unit}",
        f"Worth it takes for the nearer limit, {unit}",
    )
    title = "How much better would the athletes of one technique have to be"
    return table_of("tipping", title, header, lines, notes=notes)


def _tipping_line(line: Tipping) -> tuple[str, ...]:
    shares = f"{numbers.level(line.share_first)} and {numbers.level(line.share_second)}"
    cells = []
    for worth, possible in ((line.advantage, line.possible), (line.advantage_limit, line.possible_limit)):
        if math.isnan(worth):
            cells.append("–")
        elif not possible:
            cells.append("none is large enough")
        elif line.kind == "stuck":
            cells.append(numbers.percentage_points(worth, 0))
        else:
            cells.append(numbers.points(worth))
    return (shares, *cells)


def _e_value_words(found: EValue) -> str:
    ratio = f"{numbers.ratio(found.ratio)} ({numbers.limits(found.low, found.high, 'ratio', 0)})"
    return (
        f"E-value of the ratio of stuck rates, {ratio}: {numbers.ratio(found.e_value)} for the estimate and "
        f"{numbers.ratio(found.e_value_limit)} for the limit nearer to 1. A hidden trait would have to go with both "
        "the choice of technique and the stick by a ratio of at least that to explain it away; 1 means that nothing is "
        "left to explain."
    )


def priors_table(priors: Priors, level: float, n: int) -> Table:
    """The same counts under other earlier beliefs; the plan's prior first."""
    lines = []
    for posterior in priors.posteriors:
        found = posterior.difference
        lines.append(
            (
                numbers.capital(posterior.prior),
                numbers.amount(found.estimate, "percentage points", n),
                numbers.limits(found.low, found.high, "percentage points", n),
                numbers.amount(posterior.first_higher, "percent", 100),
            )
        )
    if priors.logistic is not None:
        found, weak = priors.logistic.difference, priors.logistic
        lines.append(
            (
                numbers.capital(f"{weak.prior}, for the same mix of the plan's columns"),
                numbers.amount(found.estimate, "percentage points", n),
                numbers.limits(found.low, found.high, "percentage points", n),
                numbers.amount(weak.first_higher, "percent", 100),
            )
        )
    notes = [
        "Posterior median and equal-tailed credible limits; every routine is taken as independent. The first line is "
        "the plan's prior. None of these is the headline: a reader who doesn't share a prior needn't share its answer.",
        sentence(priors.logistic.why) if priors.logistic is not None else "",
    ]
    header = (
        "Belief before the routines",
        "Difference, percentage points",
        f"{numbers.level(level)} credible limits",
        "Chance that the first is higher, %",
    )
    return table_of("priors", "The difference under other earlier beliefs", header, lines, notes=notes)
