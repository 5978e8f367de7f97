"""Which sentences a comparison calls for, and in which order. How they read is the business of `reading`."""

from __future__ import annotations

from analysis.comparison.evidence import Adjusted, PointsParts
from analysis.comparison.result import (
    Doubt,
    Group,
    Headline,
    Pairs,
    PointsContrast,
    Question,
    Reading,
    Repeats,
    Strata,
)
from analysis.reading import numbers
from analysis.reading.claim import FEWEST
from analysis.reading.sentences import (
    Arm,
    cautions,
    headline_sentence,
    limit,
    one_sided_sentence,
    overall_sentence,
    p_sentence,
    points_sentence,
    say,
)

WIDE = 0.3
"""An interval for a difference of rates wider than 30 percentage points is said to be wide."""

FEW_ATHLETES = 5
"""Fewer athletes than this in a group can't show how alike an athlete's landings are (measured by simulation)."""


def make_reading(
    question: Question,
    groups: tuple[Group, ...],
    headline: Headline,
    repeats: Repeats,
    strata: Strata | None,
    pairs: Pairs | None,
    deductions: tuple[PointsContrast, ...],
    adjusted: Adjusted | None,
    points_parts: tuple[PointsParts, ...],
    doubt: Doubt | None,
    meets: int,
    unknown: int,
) -> Reading:
    """Return the words of a report: the headline, the sentences that follow it, and what the sample can't say.

    `meets` counts the meets in the headline, `unknown` the routines of compared techniques whose cells could not be
    used.
    """
    first, second = (_arm(group) for group in groups[:2])
    interval = headline.interval
    main = headline_sentence(
        outcome=headline.outcome,
        first=first,
        second=second,
        estimate=headline.estimate,
        limits=None if interval is None else (interval.low, interval.high),
        level=question.level,
        claim=headline.claim,
        why=headline.interval_why,
        sides=question.sides,
        matters=question.matters,
        fewest=FEWEST,
    )
    # The stratified difference belongs to the first paragraph only where it changes the sign or the claim.
    changed = strata is not None and strata.agreement and strata.changes
    opening = [main]
    if pairs is not None and pairs.overall is not None:
        by_pairs = pairs.overall.method.startswith("smallest")
        opening.insert(0, overall_sentence(len(groups), pairs.overall.p_value, by_pairs))
    if changed and strata is not None:
        opening.append(strata.agreement)
    if adjusted is not None and adjusted.changes:
        opening.append(adjusted.agreement)
    sentences = []
    if question.sides != "two":
        sentences.append(one_sided_sentence(question.sides))
    test = headline.test
    sentences.append(
        p_sentence(
            None if test is None else test.p_value, "" if test is None else test.method, headline.p_why
        )
    )
    if headline.disagreement:
        sentences.append(headline.disagreement)
    if strata is not None and strata.agreement and not changed:
        sentences.append(strata.agreement)
    if adjusted is not None and adjusted.agreement and not adjusted.changes:
        sentences.append(adjusted.agreement)
    sentences.append(repeats.note)
    if headline.outcome != "deduction":
        sentences.extend(_points(question, deductions))
    sentences.extend(part.reading for part in points_parts if part.reading)
    return Reading(
        headline=" ".join(opening),
        sentences=tuple(sentences),
        cannot_say=tuple(_cannot(question, groups, headline, repeats, doubt, meets, unknown)),
        cautions=cautions(),
    )


def _arm(group: Group) -> Arm:
    return Arm(group.name, group.x, group.n, group.low, group.high, group.mean)


def _points(question: Question, deductions: tuple[PointsContrast, ...]) -> list[str]:
    said = []
    for contrast in deductions:
        effect = contrast.clustered or contrast.effect
        if effect is None:
            continue
        said.append(
            points_sentence(
                question.techniques[0],
                question.techniques[1],
                effect.estimate,
                effect.low,
                effect.high,
                question.level,
                contrast.falls,
            )
        )
    return said


def _cannot(
    question: Question,
    groups: tuple[Group, ...],
    headline: Headline,
    repeats: Repeats,
    doubt: Doubt | None,
    meets: int,
    unknown: int,
) -> list[str]:
    said = [say("cannot", "choice")]
    interval = headline.interval
    if interval is not None and headline.unit == "proportion" and question.sides == "two":
        width = interval.high - interval.low
        if width > WIDE:
            said.append(say("cannot", "wide", width=limit(width, "proportion", interval.n)))
    if headline.outcome == "stuck":
        for group in groups:
            slots = {"name": group.name, "count": numbers.count(group.x, group.n)}
            if group.n and group.x == group.n:
                said.append(
                    say(
                        "cannot",
                        "all_stuck",
                        limit=numbers.percent(group.low, numbers.percent_digits(group.n)),
                        **slots,
                    )
                )
            elif group.n and group.x == 0:
                said.append(
                    say(
                        "cannot",
                        "none_stuck",
                        limit=numbers.percent(group.high, numbers.percent_digits(group.n)),
                        **slots,
                    )
                )
    fewest = min((group.athletes for group in groups[:2]), default=0)
    if repeats.choice == "cluster" and repeats.returning and 0 < fewest < FEW_ATHLETES:
        said.append(say("cannot", "few_athletes", athletes=fewest))
    if doubt is not None and doubt.leave_out_claims:
        said.append(say("cannot", "one_athlete", changed=doubt.leave_out_claims, runs=doubt.leave_out_runs))
    if unknown:
        said.append(say("cannot", "unknown", rows=unknown, compared=unknown + repeats.routines))
    if meets == 1:
        said.append(say("cannot", "meets"))
    return said
