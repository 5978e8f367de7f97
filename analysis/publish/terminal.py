"""What a comparison looks like in a terminal: plain lines, widths fitted to the longest name."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from analysis.reading import numbers
from analysis.reading.sentences import interval_words

if TYPE_CHECKING:
    from analysis.comparison.counts import Counts
    from analysis.comparison.result import Comparison

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
        lines.append(
            f"{name:<7} {numbers.count(x, n):>10}   {numbers.percent(interval.estimate):>6}   "
            f"{numbers.level(interval.level)} {numbers.percent(interval.low)} to {numbers.percent(interval.high)}"
        )
    difference = counts.difference
    lines += [
        "",
        f"difference, first minus second: {numbers.percentage_points(difference.estimate)} percentage points "
        f"({interval_words(difference.low, difference.high, difference.level, 'proportion')}; {difference.method})",
    ]
    for name, interval in (("ratio", counts.ratio), ("odds ratio", counts.odds_ratio)):
        lines.append(
            f"{name}: {numbers.decimal(interval.estimate, 2)} ({numbers.level(interval.level)} "
            f"{numbers.decimal(interval.low, 2)} to {numbers.decimal(interval.high, 2)}; {interval.method})"
        )
    lines += [f"{test.method}: {numbers.p_value(test.p_value)}" for _, test in counts.tests]
    return "\n".join([*lines, "", *_wrapped(counts.reading)])


def _groups(comparison: Comparison) -> list[str]:
    wide = max(len(group.name) for group in comparison.groups)
    word = {"stuck": "stuck", "deduction": "without deduction", "landing grade": "in the best grade"}
    lines = [f"{'':<{wide}}  {word[comparison.question.outcome]}, with its interval; athletes"]
    for group in comparison.groups:
        rate = numbers.percent(group.x / group.n) if group.n else numbers.NOT_ESTIMATED
        mean = "" if group.mean is None else f"   {numbers.points(group.mean)} points per routine"
        lines.append(
            f"{group.name:<{wide}}  {numbers.count(group.x, group.n):>10}  {rate:>6}  "
            f"{numbers.percent(group.low)} to {numbers.percent(group.high)}  {group.athletes:>4}{mean}"
        )
    return lines


def _wrapped(text: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False
    ) or [""]
