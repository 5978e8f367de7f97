"""report.docx: the report for a thesis, a short main part first, then the appendix with every other table."""

from __future__ import annotations

from collections.abc import Sequence

from analysis import __version__
from analysis.comparison.result import Comparison
from analysis.publish.figures import Figure
from analysis.publish.html import (
    design_facts,
    difference_said,
    points_said,
    question_words,
    trades_said,
)
from analysis.publish.methods import methods_paragraphs, works_cited
from analysis.publish.tables import Table, sentence
from analysis.publish.word_page import Page, Part
from analysis.study.archive import settle


def report_docx(comparison: Comparison, tables: Sequence[Table], figures: Sequence[Figure]) -> bytes:
    """Return the document, the same bytes each time."""
    page = Page(comparison.question.title, tables, figures)
    page.say("Title", comparison.question.title)
    page.say("Lead", comparison.reading.headline)
    page.contents()
    for part in main_parts(comparison):
        if page.has(part):
            page.part(1, part)
    chapter = "Appendix: details"
    for part in [*detail_parts(comparison), *closing_parts(comparison, page.left())]:
        if page.has(part):
            page.part(2, part, chapter)
            chapter = ""
    return settle(page.finish())


def main_parts(comparison: Comparison) -> list[Part]:
    """What a chapter needs: the question, the sample, the results with their figures, the limits, the methods."""
    adjusted, reading = comparison.adjusted, comparison.reading
    why_no_points = sentence(comparison.deductions_why, "Deductions aren’t compared")
    return [
        Part("The question", [question_words(comparison)], facts=design_facts(comparison)),
        Part(
            "The rows",
            shows=[("Table rows", "{} accounts for every row of the sheet.")],
            pointers=[("Table who_did_what", "Who showed which technique, and where, is in {}.")],
        ),
        Part("Every routine", shows=[("Figure routines", "{} shows every routine as one mark.")]),
        Part(
            "Each technique",
            shows=[
                ("Figure rates", "{} draws the techniques side by side."),
                ("Table rates", "{} gives the counts and the limits."),
            ],
        ),
        Part(
            "The difference",
            difference_said(comparison),
            [
                ("Figure difference", "{} draws the difference."),
                ("Table contrast", "{} sets other measures and tests beside it."),
            ],
            [("Table doubt", "How it holds up under other choices is in {}.")],
        ),
        Part(
            "Points on the landing",
            [*points_said(comparison), why_no_points, *trades_said(comparison)],
            [
                ("Figure deductions", "{} shows how many points were lost."),
                ("Table deductions", "{} sums them up."),
            ],
            [
                ("Table points_contrast", "The differences in points are in {}."),
                ("Table trade", "What the difference in difficulty value makes of them is in {}."),
            ],
        ),
        Part(
            "Like with like",
            [adjusted.agreement, adjusted.reason] if adjusted is not None else [],
            [("Figure models", "{} sets the models side by side.")],
            [("Table adjusted", "What each of them compares is in {}.")],
        ),
        Part("What this sample can’t say", bullets=reading.cannot_say),
        Part("Cautions", bullets=reading.cautions),
        Part("Methods", methods_paragraphs(comparison)),
        Part("Works cited", works=works_cited(comparison)),
    ]


def detail_parts(comparison: Comparison) -> list[Part]:
    """The details, in the order of report.html: the sample, then the comparisons."""
    strata, graded, priors = comparison.strata, comparison.graded, comparison.priors
    by = " and ".join(strata.by) if strata is not None else ""
    return [
        Part(
            "Who did what",
            shows=[
                ("Table who_did_what", "{} counts routines and athletes."),
                ("Table landings", "{} counts the landings."),
                ("Table deduction_values", "{} lists the deductions one by one."),
            ],
        ),
        Part("Athletes who come back", shows=[("Table repeats", "{} counts them.")]),
        Part(
            "Who does which technique",
            shows=[
                ("Table balance", "{} shows how far the routines of the techniques differ otherwise."),
                ("Table tipping", "{} says how strong a hidden advantage would have to be."),
            ],
        ),
        Part(
            f"Within each {by}",
            [strata.agreement, sentence(strata.why)] if strata is not None else [],
            [
                ("Figure strata", "{} shows the techniques side by side."),
                ("Table strata", "{} gives the counts."),
                ("Table strata_together", "{} says what they show together."),
            ],
        ),
        Part("All pairs", shows=[("Table pairs", "{} compares every pair of techniques.")]),
        Part(
            "The points, compared",
            shows=[
                ("Table points_contrast", "{} holds the differences in points."),
                ("Table trade", "{} sets the difference in difficulty value against them."),
            ],
        ),
        Part(
            "The models behind like with like",
            shows=[
                ("Table adjusted", "{} asks the same question by every model."),
                ("Figure odds", "{} draws the odds ratios."),
                ("Table coefficients", "{} gives the coefficients of the model that is read."),
            ],
        ),
        Part(
            "Every grade of the landing",
            [graded.reading] if graded is not None else [],
            [
                ("Table cuts", "{} compares the shares that landed at least this well."),
                ("Table ordered", "{} gives the ordered model."),
            ],
        ),
        Part(
            "Points lost: how often, and how much",
            shows=[("Table points_parts", "{} takes the difference in points apart.")],
        ),
        Part(
            "Other earlier beliefs",
            [priors.reading] if priors is not None else [],
            [
                ("Figure priors", "{} draws what each belief makes of the data."),
                ("Table priors", "{} gives the numbers."),
            ],
        ),
        Part(
            "How the difference holds up",
            shows=[
                ("Figure doubt", "{} draws the difference under other choices."),
                ("Table doubt", "{} gives the numbers."),
            ],
        ),
    ]


def closing_parts(comparison: Comparison, left: Sequence[str]) -> list[Part]:
    """What has no place of its own, the checklist, and enough to make the numbers again.

    `left` names the figures and tables that the main part doesn't show.
    """
    source = comparison.source
    files = (
        ("Sheet", source.sheet, source.sheet_sha256),
        ("Plan", source.plan, source.plan_sha256),
        ("Codebook", source.codebook, source.codebook_sha256),
    )
    facts = [(part, f"{name}, SHA-256 {code}") for part, name, code in files]
    facts.append(("Program", f"landing-outcomes {__version__}, seed {comparison.question.seed}"))
    checklist = ("Table checklist", "{} says what is here and what is yours to write.")
    known = {name for part in detail_parts(comparison) for name, _ in part.shows} | {checklist[0]}
    further = [(name, "{} follows.") for name in left if name not in known]
    return [
        Part("Further figures and tables", shows=further),
        Part("Reporting checklist", shows=[checklist]),
        Part("Made from", facts=facts),
    ]
