"""The pictures of the difference: the headline, each meet and all of them pooled, and other choices."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from analysis.comparison.result import Comparison, Doubt, Headline, Strata, Stratum
from analysis.publish import numbers
from analysis.publish.forest import Bar, Ground, forest_plan
from analysis.publish.sketch import Sketch
from analysis.stats.result import Interval

MOST_STRATA = 20


def difference_figure(comparison: Comparison) -> Sketch:
    """The planned difference with its interval; below it the stratified and the adjusted one, where made."""
    head, strata, adjusted = comparison.headline, comparison.strata, comparison.adjusted
    bars = [headline_bar(head)]
    if strata is not None:
        within = strata.standardised or strata.difference
        if within is not None:
            bars.append(interval_bar(f"Within {' and '.join(strata.by)}", within, head.unit))
    if adjusted is not None and adjusted.difference is not None:
        bars.append(
            interval_bar(
                "Adjusted", adjusted.difference, head.unit, below=f"for {', '.join(adjusted.columns)}"
            )
        )
    p = f" {numbers.p_words(head.test.p_value)} by {head.test.method}." if head.test else ""
    band = (
        " The pale band holds differences that the plan calls too small to matter."
        if _matters(comparison)
        else ""
    )
    caption = (
        f"The difference {head.first} minus {head.second} with its interval; dark line: no difference.{band}"
    )
    title = numbers.capital(f"{head.first} minus {head.second}")
    return forest("difference", title, caption, bars, difference_ground(comparison), after=p)


def pooled_figure(comparison: Comparison, strata: Strata) -> Sketch:
    """Each stratum's own difference, then all of them pooled."""
    head = comparison.headline
    by = " and ".join(strata.by)
    shown = largest_strata(strata)
    bars = [_stratum_bar(one, head.unit) for one in shown]
    if strata.difference is not None:
        name = f"Pooled within {by}"
        bars.append(interval_bar(name, strata.difference, head.unit, strong=True, below=strata.basis))
    if strata.standardised is not None:
        name = "Pooled, athletes as units"
        below = "all routines used in the headline"
        bars.append(interval_bar(name, strata.standardised, head.unit, strong=True, below=below))
    plain = headline_bar(head, strong=False)
    bars.append(Bar("Headline, not pooled", plain.words, plain.estimate, plain.low, plain.high))
    left_out = len(strata.tables) - len(shown)
    only = (
        f" The {numbers.whole(MOST_STRATA)} with the most routines are shown, {numbers.whole(left_out)} more are in "
        "the pooled ones and in the table."
        if left_out
        else ""
    )
    caption = (
        f"The difference within each {by} ({strata.basis}; score limits of that {by} alone), and pooled (bold). The "
        f"single ones are small: look at whether they lie around the pooled one, not at each by itself.{only}"
    )
    title = f"The difference within each {by}, and pooled"
    return forest("pooled", title, caption, bars, difference_ground(comparison))


def sensitivity_figure(comparison: Comparison, doubt: Doubt) -> Sketch:
    """The headline under every other choice, and the range of its estimate without each athlete in turn."""
    head = comparison.headline
    n = comparison.rows.used
    bars = [headline_bar(head)]
    for other in doubt.alternatives:
        below = f"{numbers.whole(other.n)} {'routine' if other.n == 1 else 'routines'}"
        words = _words(other.estimate, other.low, other.high, head.unit, other.n)
        bars.append(
            Bar(numbers.capital(other.what), words, other.estimate, other.low, other.high, below=below)
        )
    ranged = ""
    if doubt.leave_out_low is not None and doubt.leave_out_high is not None:
        low, high, changed = doubt.leave_out_low, doubt.leave_out_high, doubt.leave_out_claims
        shown_as = numbers.kind("difference", head.unit)
        claims = (
            "the claim never changes"
            if changed == 0
            else f"the claim changes {'once' if changed == 1 else f'{numbers.whole(changed)} times'}"
        )
        below = f"{numbers.whole(doubt.leave_out_runs)} runs; {claims}"
        words = numbers.limits(low, high, shown_as, n)
        bars.append(Bar("Each athlete left out in turn", words, None, low, high, below=below, range=True))
        ranged = (
            " The striped box spans the estimates when each athlete is left out in turn; it is no interval."
        )
    caption = f"The headline (bold) and the same difference under other choices, each with its own interval.{ranged}"
    return forest(
        "sensitivity", "The headline under other choices", caption, bars, difference_ground(comparison)
    )


def forest(
    name: str, title: str, caption: str, bars: Sequence[Bar], ground: Ground, after: str = ""
) -> Sketch:
    """A picture of intervals, its text made from what the picture shows."""
    unit = {
        "difference, percentage points": " percentage points",
        "difference, points per routine": " points",
    }
    said = []
    for bar in bars:
        below = f" ({bar.below})" if bar.below else ""
        known = unit.get(ground.axis, "") if bar.estimate is not None or bar.range else ""
        said.append(f"{bar.name}{below}: {bar.words}{known}.")
    alt = f"{numbers.capital(ground.header)}. {' '.join(said)}{after}"
    return Sketch(name, title, alt, caption, partial(forest_plan, bars, ground))


def difference_ground(comparison: Comparison) -> Ground:
    """The scale on which differences of this outcome stand."""
    head = comparison.headline
    shown_as = numbers.kind("difference", head.unit)
    name = {
        "percentage points": "difference, percentage points",
        "points": "difference, points per routine",
    }.get(shown_as, "chance of the better landing, less one half")
    header = f"difference ({numbers.level(comparison.question.level)} limits)"
    factor = 100 if shown_as == "percentage points" else 1
    return Ground(name, header, _directions(head), factor, matters=_matters(comparison))


def headline_bar(head: Headline, strong: bool = True) -> Bar:
    """The headline's own interval, or why there is none."""
    if head.interval is None:
        return Bar("Headline", f"not estimated, {head.interval_why}", None, None, None, strong)
    return interval_bar("Headline", head.interval, head.unit, strong)


def interval_bar(name: str, found: Interval, unit: str, strong: bool = False, below: str = "") -> Bar:
    """One interval under its name."""
    words = _words(found.estimate, found.low, found.high, unit, found.n)
    return Bar(name, words, found.estimate, found.low, found.high, strong, below)


def _stratum_bar(one: Stratum, unit: str) -> Bar:
    counts = f"{numbers.of(one.x1, one.n1)}; {numbers.of(one.x2, one.n2)}"
    if one.difference is None:
        return Bar(one.name, "one technique only", None, None, None, below=counts)
    return interval_bar(one.name, one.difference, unit, below=counts)


def _words(estimate: float | None, low: float | None, high: float | None, unit: str, n: int) -> str:
    """An estimate with its limits; the axis says the unit, and the header the level."""
    shown_as = numbers.kind("difference", unit)
    if estimate is None:
        return numbers.NOT_ESTIMATED
    if low is None or high is None:
        return f"{numbers.amount(estimate, shown_as, n)} (no limits)"
    return f"{numbers.amount(estimate, shown_as, n)} ({numbers.limits(low, high, shown_as, n)})"


def _matters(comparison: Comparison) -> float | None:
    return comparison.question.matters or None


def _directions(head: Headline) -> tuple[str, str]:
    verb = {"proportion": "stuck more often", "points": "loses more points", "probability": "lands better"}[
        head.unit
    ]
    if head.outcome == "landing grade":
        verb = "lands better"
    return f"←\N{NO-BREAK SPACE}{head.second} {verb}", f"{head.first} {verb}\N{NO-BREAK SPACE}→"


def largest_strata(strata: Strata) -> list[Stratum]:
    """The strata of a picture: all of them, or the largest where there are very many."""
    if len(strata.tables) <= MOST_STRATA:
        return list(strata.tables)
    kept = sorted(strata.tables, key=lambda t: -(t.n1 + t.n2))[:MOST_STRATA]
    return [t for t in strata.tables if t in kept]
