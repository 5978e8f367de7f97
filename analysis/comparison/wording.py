"""Which sentences a comparison calls for, and in which order. How they read is the business of `reading`."""

from __future__ import annotations

import math

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
from analysis.reading.amounts import Arm, amount
from analysis.reading.claim import FEWEST
from analysis.reading.points import points_sentence
from analysis.reading.sentences import (
    headline_sentence,
    one_sided_sentence,
    overall_sentence,
    p_sentence,
)
from analysis.reading.words import cautions, say, say_counted

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

    The order is the same for every outcome: the answer; where like with like changes its sign or its claim, that;
    how it was tested; like with like where it changes nothing; who comes back; points and the trade with difficulty.
    What the headline has said is not said again.

    Parameters
    ----------
    question, groups, headline, repeats, strata, pairs, deductions, adjusted, points_parts, doubt
        The parts of a comparison.
    meets : int
        Meets in the headline.
    unknown : int
        Routines of compared techniques whose cells could not be used.
    """
    language = question.language
    likened = _likened(groups, strata, adjusted)
    opening = [
        *_overall(groups, pairs, language),
        _answer(question, groups, headline, language),
        *(text for text, changes in likened if changes),
    ]
    return Reading(
        headline=" ".join(opening),
        sentences=(
            *_tested(question, headline, groups, language),
            *(text for text, changes in likened if not changes),
            repeats.note,
            *points_said(question, deductions, beside=headline),
            *(part.reading for part in points_parts if part.reading),
        ),
        cannot_say=tuple(_cannot(question, groups, headline, repeats, doubt, meets, unknown, language)),
        cautions=cautions(language),
    )


def points_said(
    question: Question,
    deductions: tuple[PointsContrast, ...],
    beside: Headline | None = None,
) -> list[str]:
    """Return the points saved per routine, with falls and without, in words.

    Where neither technique had a fall both are one sentence. `beside` is the headline that stands next to them: if
    it is about the deduction, it has said the points with falls.
    """
    said: list[str] = []
    whole = [contrast for contrast in deductions if contrast.effect is not None]
    same = len(whole) == 2 and whole[0].groups[:2] == whole[1].groups[:2]
    for contrast in whole[:1] if same else whole:
        if beside is not None and beside.outcome == "deduction" and contrast.falls == "with falls":
            continue
        effect = contrast.clustered or contrast.effect
        assert effect is not None
        said.append(
            points_sentence(
                first=question.techniques[0],
                second=question.techniques[1],
                estimate=effect.estimate,
                low=effect.low,
                high=effect.high,
                level=question.level,
                falls="no falls" if same else contrast.falls,
                why=effect.why,
                few=min(group.n for group in contrast.groups[:2]) < FEWEST,
                language=question.language,
            )
        )
    return said


def _overall(groups: tuple[Group, ...], pairs: Pairs | None, language: str) -> list[str]:
    """The test over all techniques, where there are three or more and it has a p-value."""
    if pairs is None or pairs.overall is None or math.isnan(pairs.overall.p_value):
        return []
    by_pairs = pairs.overall.method.startswith("smallest")
    return [overall_sentence(len(groups), pairs.overall.p_value, by_pairs, language)]


def _answer(question: Question, groups: tuple[Group, ...], headline: Headline, language: str) -> str:
    first, second = (
        Arm(group.name, group.x, group.n, group.low, group.high, group.mean) for group in groups[:2]
    )
    interval = headline.interval
    return headline_sentence(
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
        language=language,
    )


def _likened(
    groups: tuple[Group, ...], strata: Strata | None, adjusted: Adjusted | None
) -> list[tuple[str, bool]]:
    """What like with like shows, each with whether it changes the sign or the claim; nothing from too few routines."""
    found: list[tuple[str, bool]] = []
    if _too_few(groups):
        return found
    if strata is not None and strata.agreement:
        found.append((strata.agreement, strata.changes))
    if adjusted is not None and adjusted.agreement:
        found.append((adjusted.agreement, adjusted.changes))
    return found


def _too_few(groups: tuple[Group, ...]) -> bool:
    return min(group.n for group in groups[:2]) < FEWEST


def _tested(question: Question, headline: Headline, groups: tuple[Group, ...], language: str) -> list[str]:
    """On which side, with which p-value, and whether that fits the interval; not what the headline has said."""
    test = headline.test
    said = []
    if question.sides != "two" and (test is not None or headline.interval is not None):
        said.append(one_sided_sentence(language))
    if test is not None:
        beside = headline.interval is not None
        said.append(p_sentence(test.p_value, test.method, headline.p_why, beside, language))
    elif not _too_few(groups) and headline.p_why != headline.interval_why:
        said.append(p_sentence(None, "", headline.p_why, language=language))
    if headline.disagreement:
        said.append(headline.disagreement)
    return said


def _cannot(
    question: Question,
    groups: tuple[Group, ...],
    headline: Headline,
    repeats: Repeats,
    doubt: Doubt | None,
    meets: int,
    unknown: int,
    language: str,
) -> list[str]:
    said = [say("cannot", "choice", language)]
    interval = headline.interval
    if interval is not None and headline.unit == "proportion" and question.sides == "two":
        width = interval.high - interval.low
        if width > WIDE:
            shown = amount(width, "proportion", interval.n, language)
            said.append(say("cannot", "wide", language, width=shown))
    if headline.outcome == "stuck":
        said += [_full_house(group, language) for group in groups if group.n and group.x in (0, group.n)]
    fewest = min((group.athletes for group in groups[:2]), default=0)
    if repeats.choice == "cluster" and repeats.returning and 0 < fewest < FEW_ATHLETES:
        said.append(say_counted("cannot", "few_athletes", fewest, language, athletes=fewest))
    if doubt is not None and doubt.leave_out_claims:
        slots = {"changed": doubt.leave_out_claims, "runs": doubt.leave_out_runs}
        said.append(say("cannot", "one_athlete", language, **slots))
    if unknown:
        compared = unknown + repeats.routines
        said.append(say_counted("cannot", "unknown", unknown, language, rows=unknown, compared=compared))
    if meets == 1:
        said.append(say("cannot", "meets", language))
    return said


def _full_house(group: Group, language: str) -> str:
    """What a run without a miss, or without a hit, doesn't say."""
    key, edge = ("all_stuck", group.low) if group.x == group.n else ("none_stuck", group.high)
    shown = numbers.percent(edge, numbers.percent_digits(group.n))
    count = say("rate", "count", language, x=group.x, n=group.n)
    return say("cannot", key, language, name=group.name, count=count, limit=shown)
