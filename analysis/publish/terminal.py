"""What a comparison looks like in a terminal: plain lines, widths fitted to the longest name."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from analysis.comparison.headline import is_exact
from analysis.reading import numbers
from analysis.reading.sentences import interval_words, limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.comparison.counts import Counts
    from analysis.comparison.result import Comparison
    from analysis.stats.agreement import RecodeSize
    from analysis.study.problem import Problem
    from analysis.study.sheet import Sheet

WIDTH = 96


def comparison_text(comparison: Comparison) -> str:
    """Return the headline, the rows, the counts per technique and what the sample can't say."""
    rows, reading = comparison.rows, comparison.reading
    lines = [comparison.question.title, "", *_wrapped(reading.headline), ""]
    lines.append(f"Rows: {rows.read} read, {rows.used} used, {rows.set_aside} set aside")
    lines += [f"  {item.rows:>4}  {item.reason}" for item in rows.reasons]
    lines += ["", *_groups(comparison), ""]
    for sentence in reading.sentences:
        lines += _wrapped(sentence)
    lines += ["", "What this sample can't say"]
    for sentence in reading.cannot_say:
        lines += _wrapped(sentence, "- ")
    lines += ["", "Cautions"]
    for sentence in reading.cautions:
        lines += _wrapped(sentence, "- ")
    return "\n".join(lines)


def counts_text(counts: Counts) -> str:
    """Return two counts, their difference, ratio and odds ratio, and the three exact tests."""
    lines = []
    for name, interval in (("first", counts.first), ("second", counts.second)):
        x, n = interval.counts[0]
        digits = numbers.percent_digits(n)
        lines.append(
            f"{name:<7} {numbers.count(x, n):>10}   {numbers.percent(interval.estimate, digits):>6}   "
            f"{numbers.level(interval.level)} {numbers.percent(interval.low, digits)} to "
            f"{numbers.percent(interval.high, digits)}"
        )
    difference = counts.difference
    low, high = difference.low, difference.high
    lines += [
        "",
        f"difference, first minus second: {limit(difference.estimate, 'proportion', difference.n)} percentage points "
        f"({interval_words(low, high, difference.level, 'proportion', difference.n)}; {difference.method})",
    ]
    for name, interval in (("ratio", counts.ratio), ("odds ratio", counts.odds_ratio)):
        lines.append(
            f"{name}: {numbers.decimal(interval.estimate, 2)} ({numbers.level(interval.level)} "
            f"{numbers.decimal(interval.low, 2)} to {numbers.decimal(interval.high, 2)}; {interval.method})"
        )
    tests = [test for _, test in counts.tests if is_exact(test)]
    tests += [counts.score] if counts.score is not None else []
    lines += [f"{test.method}: {numbers.p_value(test.p_value)}" for test in tests]
    return "\n".join([*lines, "", *_wrapped(counts.reading)])


def check_text(sheet: Sheet, problems: Sequence[Problem], usable: int) -> str:
    """Return what was read, each kind of repair once with its rows, and every problem."""
    kinds: dict[tuple[str, str, str, str], list[int]] = {}
    headers = [repair for repair in sheet.repairs if repair.why == "header"]
    for repair in sheet.repairs:
        if repair.why == "header":
            continue
        kind = (repair.column or "", " ".join(repair.before.split()), repair.after, repair.why)
        kinds.setdefault(kind, []).extend([repair.row] if repair.row is not None else [])
    lines = [
        f"{sheet.path.name}: {len(sheet.rows)} routines, {usable} usable, {len(sheet.repairs)} repairs, "
        f"{len(problems)} problems"
    ]
    if sheet.repairs:
        lines += ["", "Repairs (made while reading; the file is as it was)"]
    if headers:
        named = ", ".join(f'"{repair.before}" as "{repair.after}"' for repair in headers)
        lines += _wrapped(f"headers read: {named}", "- ")
    for (column, before, after, why), rows in kinds.items():
        where = f"{column}: " if column else ""
        change = f'"{before}"' if before else "blank"
        lines += _wrapped(f'{where}{change} read as "{after}" ({why}) in {_rows(rows)}', "- ")
    if problems:
        lines += ["", "Problems (for you to settle; a row that can't be read is set aside, never guessed)"]
    for problem in problems:
        # The file is named once, at the top.
        lines += _wrapped(
            str(problem).removeprefix(f"{problem.file}, ").removeprefix(f"{problem.file}: "), "- "
        )
    return "\n".join(lines)


def recode_size_text(size: RecodeSize) -> str:
    """Return how many routines to code twice, and what that buys."""
    text = (
        f"{size.routines} routines coded twice give {size.measure} a {numbers.level(size.level)} interval of about "
        f"{numbers.decimal(size.half_width, 2)} either way ({numbers.decimal(size.wanted, 2)} was asked for), "
        f"supposing that the coders agree on {numbers.percent(size.agreement)} "
        f"and that {numbers.percent(size.prevalence)} are stuck."
    )
    return "\n".join(_wrapped(f"{text} {size.why}".strip()))


def _rows(rows: list[int], most: int = 6) -> str:
    if not rows:
        return "the whole column"
    shown = ", ".join(str(row) for row in sorted(rows)[:most])
    more = f" and {len(rows) - most} more" if len(rows) > most else ""
    return f"row {shown}" if len(rows) == 1 else f"rows {shown}{more}"


def _groups(comparison: Comparison) -> list[str]:
    wide = max(len(group.name) for group in comparison.groups)
    word = {"stuck": "stuck", "deduction": "without deduction", "landing grade": "in the best grade"}
    lines = [f"{'':<{wide}}  {word[comparison.question.outcome]}, with its interval; athletes"]
    for group in comparison.groups:
        digits = numbers.percent_digits(group.n)
        rate = numbers.percent(group.x / group.n, digits) if group.n else numbers.NOT_ESTIMATED
        mean = "" if group.mean is None else f"   {numbers.points(group.mean)} points per routine"
        lines.append(
            f"{group.name:<{wide}}  {numbers.count(group.x, group.n):>10}  {rate:>6}  "
            f"{numbers.percent(group.low, digits)} to {numbers.percent(group.high, digits)}  {group.athletes:>4}{mean}"
        )
    return lines


def _wrapped(text: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False
    ) or [""]
