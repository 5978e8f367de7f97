"""The clinic kit: one picture and three sentences for athletes and coaches, as a deck, a picture and a text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.canvas import ACCENT, FAINT, SOFT, Canvas, Ruler, tidy
from analysis.publish.gap import Gap, gap_plan
from analysis.publish.layout import Layout, Plan
from analysis.publish.lost import Lost, lost_plan
from analysis.publish.methods import markdown
from analysis.publish.pictogram import pictogram, pictogram_plan
from analysis.publish.sizes import SMALL, Size
from analysis.reading.claim import claim_of
from analysis.reading.clinic import (
    LISTED,
    Seen,
    average_words,
    clinic_question,
    clinic_sentences,
    limit_words,
)
from analysis.reading.sentences import cautions, say

LONGEST = 44
"""A longer name is shortened in its middle, for the deck's large type; the notes of the deck have it whole."""


@dataclass(frozen=True)
class Shown:
    """One picture of the kit with the words that stand for it."""

    name: str
    alt: str
    plan: Plan


@dataclass(frozen=True)
class Kit:
    """What the room gets: `sentences` are what we saw, how sure, what it doesn't say.

    `points` are (label, sentence) about points lost, with falls and without. `sure` and `lost` are None where there
    is nothing to draw.
    """

    question: str
    sentences: tuple[str, str, str]
    reading_the_bar: str
    points: tuple[tuple[str, str], ...]
    routines: Shown
    sure: Shown | None
    lost: Shown | None
    caution: str
    cautions: tuple[str, ...]


def clinic_kit(comparison: Comparison) -> Kit:
    """Collect the question, the sentences and the pictures of a comparison."""
    outcome, head = comparison.question.outcome, comparison.headline
    names = short_names([group.name for group in comparison.groups])
    best = comparison.grade_names[0] if outcome == "landing grade" and comparison.grade_names else "stuck"
    seen = [Seen(name, g.x, g.n, g.mean) for name, g in zip(names, comparison.groups, strict=True)]
    limits = None if head.interval is None else (head.interval.low, head.interval.high)
    drawn = pictogram(comparison, names, best)
    sentences = clinic_sentences(outcome, seen, limits, head.claim, comparison.question.sides, best)
    band = comparison.question.matters is not None
    return Kit(
        question=clinic_question(outcome, names),
        sentences=sentences,
        reading_the_bar=say("clinic", "read_bar") + (" " + say("clinic", "read_band") if band else ""),
        points=_points(comparison, names),
        routines=Shown("routines", drawn.alt, partial(pictogram_plan, drawn)),
        sure=_sure(comparison, names, sentences[1]),
        lost=_lost(comparison, names),
        caution=say("clinic", "caution"),
        cautions=cautions(),
    )


def short_names(names: Sequence[str]) -> tuple[str, ...]:
    """Names on one line, long ones cut in the middle, as long as that keeps them apart.

    >>> short_names(["piked double back", "Diamidov to handstand then tucked double back with a half turn"])
    ('piked double back', 'Diamidov to handstand …back with a half turn')
    """
    whole = [tidy(name) for name in names]
    half = LONGEST // 2
    short = [name if len(name) <= LONGEST + 2 else f"{name[:half]}…{name[-half:].strip()}" for name in whole]
    return tuple(short if len(set(short)) == len(set(whole)) else whole)


def _points(comparison: Comparison, names: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Points lost, as (label, sentence): with falls unless that is the headline, and without falls.

    Of many techniques only the first two, as in the picture of points.
    """
    told = names if len(names) <= LISTED else names[:2]
    said: list[tuple[str, str]] = []
    for contrast in comparison.deductions:
        if not all(group.n for group in contrast.groups[:2]):
            continue
        seen = [Seen(name, g.none, g.n, g.mean) for name, g in zip(told, contrast.groups, strict=False)]
        effect = contrast.clustered or contrast.effect
        limits = None if effect is None else (effect.low, effect.high)
        claim = "not shown" if limits is None else claim_of(*limits)
        # The effects of points are two-sided whatever side the plan asks of its own outcome.
        saw, sure, _ = clinic_sentences("deduction", seen, limits, claim)
        if contrast.falls == "without falls":
            said.append((say("clinic", "head_without_falls"), saw))
        elif comparison.question.outcome != "deduction":
            said += [(say("clinic", "head_saw"), saw), (say("clinic", "head_sure"), sure)]
    return tuple(said)


def _sure(comparison: Comparison, names: tuple[str, ...], words: str) -> Shown | None:
    """The difference of the first two with what many more routines could show."""
    head = comparison.headline
    found = head.interval
    if found is None or not math.isfinite(found.estimate):
        return None
    key, factor, start = {
        "stuck": ("sticks", 100.0, None),
        "deduction": ("tenths", 10.0, None),
        "landing grade": ("pairs", 100.0, 50.0),
    }[head.outcome]
    # Of a one-sided interval only the limit that was asked for is shown; the other is the edge of the scale.
    sides = comparison.question.sides
    low = found.low if sides != "fewer" and math.isfinite(found.low) else None
    high = found.high if sides != "more" and math.isfinite(found.high) else None
    first, second = (say("clinic", f"ahead_{key}", name=name) for name in names[:2])
    gap = Gap(
        estimate=found.estimate,
        low=low,
        high=high,
        below="" if low is None else limit_words(head.outcome, low),
        above="" if high is None else limit_words(head.outcome, high),
        even=say("clinic", "even"),
        ends=(f"← {second}", f"{first} →"),
        axis=say("clinic", f"axis_{key}", name=names[0]),
        factor=factor,
        start=start,
        matters=comparison.question.matters,
    )
    return Shown("gap", words, partial(gap_plan, gap))


def _lost(comparison: Comparison, names: tuple[str, ...]) -> Shown | None:
    """Points lost on the landing; of many techniques the first two, as in the sentences."""
    if not comparison.deductions or not any(group.n for group in comparison.deductions[0].groups):
        return None
    told = names if len(names) <= LISTED else names[:2]
    contrasts = {contrast.falls: contrast.groups for contrast in comparison.deductions}
    everyone = contrasts["with falls"]
    kept = [dict(group.counts) for group in contrasts.get("without falls", everyone)]
    drawn, alt = [], [say("clinic", "read_falls")]
    for name, group, upright in zip(told, everyone, kept, strict=False):
        counts = tuple(
            (value, upright.get(value, 0), many - upright.get(value, 0)) for value, many in group.counts
        )
        average = "" if group.mean is None else average_words(group.mean)
        drawn.append(Lost(name, counts, group.mean, average))
        alt.append(say("clinic", "alt_lost", name=name, count=numbers.of(group.none, group.n)))
    axis = say("clinic", "axis_lost")
    return Shown("points", " ".join(alt), partial(lost_plan, drawn, axis))


HEADS = ("head_saw", "head_sure", "head_not")


def fitted(plan: Plan, size: Size) -> Canvas:
    """Draw a plan on a sheet of fixed height without a title: the type shrinks until all fits."""
    assert size.height is not None
    small = size
    for _ in range(60):
        layout = plan(small, size.width - 2, size.height)
        if layout.height <= size.height + 0.01:
            break
        # A plan that can leave rows out does so at the smallest type; only one that can't goes below it.
        floor = 0.0 if small.smallest else size.least / SMALL
        small = replace(small, type=max(floor, 0.96 * small.type))
    canvas = Canvas(small, size.height)
    layout.draw(canvas, 1, max(0.0, (size.height - layout.height) / 2))
    return canvas


SHEET = Size("clinic", 960, 540, 20.0, 9.0, 144)
"""For a wall or a phone: 1920 by 1080 pixels."""
MARGIN = 42.0
READABLE = 14.0
"""The sentences are never set smaller; a crowded picture above them shrinks instead."""


def clinic_picture(kit: Kit) -> dict[str, bytes]:
    """Draw the picture, the three sentences and the caution on one sheet of 1920 x 1080, as svg and png."""
    canvas = fitted(partial(sheet_plan, kit), SHEET)
    return canvas.save("clinic", kit.question, " ".join([kit.routines.alt, *kit.sentences]), ("svg", "png"))


def sheet_plan(kit: Kit, size: Size, width: float, room: float | None) -> Layout:
    """The question, the routines, the sentences in three columns, the caution last."""
    assert room is not None
    unit = max(0.9 * size.type, READABLE)
    ruler = Ruler(replace(size, type=unit))
    wide, gap = width - 2 * MARGIN, 1.6 * unit
    column = (wide - 2 * gap) / 3
    # A question a little too long for one line is set a little smaller.
    sizes = {large: ruler.wrap(kit.question, wide, large, bold=True, most=3) for large in (1.45, 1.3, 1.2)}
    large, question = min(sizes.items(), key=lambda found: (len(found[1]), -found[0]))
    columns = [ruler.wrap(sentence, column, most=14) for sentence in kit.sentences]
    caution = ruler.wrap(kit.caution, wide, 0.9, bold=True, most=2)
    lines = max(len(words) for words in columns)
    heading = MARGIN * 0.8 + 1.28 * large * unit * len(question) + 0.3 * unit
    words = 1.28 * unit * (lines + 2.0) + 1.28 * 0.9 * unit * len(caution) + 0.7 * MARGIN + 0.9 * unit
    above = kit.routines.plan(size, wide, room - heading - words)

    def draw(canvas: Canvas, left: float, top: float) -> None:
        left += MARGIN
        scale = unit / canvas.size.type
        canvas.lines(left, top + MARGIN * 0.8 + 1.2 * unit, question, large * scale, bold=True)
        above.draw(canvas, left, top + heading)
        y = top + max(heading + above.height, room - words) + 1.4 * unit
        for place, told in enumerate(columns):
            x = left + place * (column + gap)
            canvas.text(x, y, say("clinic", HEADS[place]), scale, ACCENT, bold=True)
            canvas.lines(x, y + 1.4 * unit, told, scale)
        y += 1.28 * unit * (lines + 0.8)
        canvas.rule(left, y, left + wide, y, FAINT, 0.8)
        canvas.lines(left, y + 1.5 * unit, caution, 0.9 * scale, colour=SOFT, bold=True)

    return Layout(heading + above.height + words, draw)


def clinic_text(kit: Kit) -> str:
    """The sentences and the cautions as a text to send round."""
    parts = [f"# {markdown(kit.question)}"]
    parts += [
        f"**{say('clinic', head)}.** {markdown(words)}"
        for head, words in zip(HEADS, kit.sentences, strict=True)
    ]
    if kit.points:
        parts.append(f"## {say('clinic', 'title_points')}")
        parts += [f"**{head}.** {markdown(words)}" for head, words in kit.points]
    parts.append(f"**{kit.caution}**")
    parts.append("\n".join(f"- {markdown(caution)}" for caution in kit.cautions))
    return "\n\n".join(parts) + "\n"
