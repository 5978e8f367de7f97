"""report.docx: the report for a thesis, a short main part first, then an appendix with the details."""

from __future__ import annotations

from collections.abc import Sequence

from analysis import __version__
from analysis.comparison.result import Comparison
from analysis.publish.figures import Figure
from analysis.publish.html import (
    design_facts,
    difference_said,
    headline_said,
    points_said,
    question_words,
    trades_said,
)
from analysis.publish.methods import methods_paragraphs, works_cited
from analysis.publish.sections import detail_headings, front_headings
from analysis.publish.tables import Table, sentence
from analysis.publish.word_page import Page, Part
from analysis.study.archive import settle

CHECKLIST = ("Table checklist", "{} says what is here and what is yours to write.")


def report_docx(comparison: Comparison, tables: Sequence[Table], figures: Sequence[Figure]) -> bytes:
    """Return the document, the same bytes each time."""
    page = Page(comparison.question.title, tables, figures)
    page.say("Title", comparison.question.title)
    page.say("Lead", comparison.reading.headline)
    page.contents()
    for part in main_parts(comparison):
        if page.has(part):
            page.part(1, part)
    details = [*sample_parts(comparison), *comparison_parts(comparison)]
    known = {name for part in details for name, _ in part.shows}
    further = [(name, "{} follows.") for name in page.left() if name not in known and name != CHECKLIST[0]]
    chapter = "Appendix: details"
    for part in [*details, Part("Further figures and tables", shows=further), *last_parts(comparison)]:
        if page.has(part):
            page.part(2, part, chapter)
            chapter = ""
    return settle(page.finish())


def main_parts(comparison: Comparison) -> list[Part]:
    """What a chapter needs: the question, the sample, the results with their figures, the limits, the methods."""
    headings = front_headings(comparison) | detail_headings(comparison)
    adjusted, reading = comparison.adjusted, comparison.reading
    why_no_points = sentence(comparison.deductions_why, "Deductions aren’t compared")
    return [
        Part(headings["question"], [question_words(comparison)], facts=design_facts(comparison)),
        Part(
            headings["rows"],
            shows=[("Table rows", "{} accounts for every row of the sheet.")],
            pointers=[("Table who_did_what", "Who showed which technique, and where, is in {}.")],
        ),
        Part(
            headings["routines"],
            shows=[
                ("Figure routines", "{} shows every routine as one mark."),
                ("Figure landings", "{} draws the landings as shares."),
            ],
        ),
        Part(
            headings["rates"],
            shows=[
                ("Figure rates", "{} draws the techniques side by side."),
                ("Table rates", "{} gives the counts and the limits."),
            ],
        ),
        Part(
            headings["difference"],
            [headline_said(comparison), *difference_said(comparison)],
            [
                ("Figure difference", "{} draws the difference."),
                ("Table contrast", "{} sets other measures and tests beside it."),
            ],
            [("Table doubt", "How it holds up under other choices is in {}.")],
        ),
        Part(
            headings["points"],
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
            headings.get("alike", ""),
            [adjusted.agreement, adjusted.reason] if adjusted is not None else [],
            [("Figure models", "{} sets the models side by side.")],
            [("Table adjusted", "What each of them compares is in {}.")],
        ),
        Part(headings["limits"], bullets=reading.cannot_say),
        Part(headings["cautions"], bullets=reading.cautions),
        Part(headings["methods"], methods_paragraphs(comparison)),
        Part(headings["works"], works=works_cited(comparison)),
    ]


def sample_parts(comparison: Comparison) -> list[Part]:
    """Who is in the sample, and who does which technique."""
    headings = detail_headings(comparison)
    return [
        Part(
            headings["who"],
            shows=[
                ("Table who_did_what", "{} counts routines and athletes."),
                ("Table landings", "{} counts the landings."),
                ("Table deduction_values", "{} lists the deductions one by one."),
            ],
        ),
        Part(headings["returning"], shows=[("Table repeats", "{} counts them.")]),
        Part(
            headings.get("mix", ""),
            shows=[
                ("Table balance", "{} shows how far the routines of the techniques differ otherwise."),
                ("Table tipping", "{} says how strong a hidden advantage would have to be."),
            ],
        ),
    ]


def comparison_parts(comparison: Comparison) -> list[Part]:
    """Every comparison beside the headline, in the order of report.html."""
    headings = detail_headings(comparison)
    strata, graded, priors = comparison.strata, comparison.graded, comparison.priors
    return [
        Part(
            headings.get("within", ""),
            [strata.agreement, sentence(strata.why)] if strata is not None else [],
            [
                ("Figure strata", "{} shows the techniques side by side."),
                ("Table strata", "{} gives the counts."),
                ("Figure pooled", "{} draws the differences."),
                ("Table strata_together", "{} says what they show together."),
            ],
        ),
        Part(headings.get("all-pairs", ""), shows=[("Table pairs", "{} compares every pair of techniques.")]),
        Part(
            "The points, compared",
            shows=[
                ("Table points_contrast", "{} holds the differences in points."),
                ("Table trade", "{} sets the difference in difficulty value against them."),
            ],
        ),
        Part(
            headings.get("behind", "Like with like by every model"),
            shows=[
                ("Table adjusted", "{} asks the same question by every model."),
                ("Figure odds", "{} draws the odds ratios."),
                ("Table coefficients", "{} gives the coefficients of one model."),
            ],
        ),
        Part(
            headings.get("grades", ""),
            [graded.reading] if graded is not None else [],
            [
                ("Table cuts", "{} compares the shares that landed at least this well."),
                ("Table ordered", "{} gives the ordered model."),
            ],
        ),
        Part(
            headings.get("parts", ""),
            shows=[("Table points_parts", "{} takes the difference in points apart.")],
        ),
        Part(
            headings.get("beliefs", ""),
            [priors.reading] if priors is not None else [],
            [
                ("Figure priors", "{} draws what each belief makes of the data."),
                ("Table priors", "{} gives the numbers."),
            ],
        ),
        Part(
            headings.get("holds", ""),
            shows=[
                ("Figure sensitivity", "{} draws the difference under other choices."),
                ("Table doubt", "{} gives the numbers."),
            ],
        ),
        Part(
            headings.get("next", ""),
            shows=[
                ("Figure planning", "{} draws what more routines would bring."),
                ("Table planning", "{} gives the numbers."),
            ],
        ),
    ]


def last_parts(comparison: Comparison) -> list[Part]:
    """Where the rows set aside are listed, enough to make the numbers again, and the checklist."""
    headings, source = detail_headings(comparison), comparison.source
    aside = "Their cells as they were written are in rows_set_aside.csv, beside this document."
    files = (
        ("Sheet", source.sheet, source.sheet_sha256),
        ("Plan", source.plan, source.plan_sha256),
        ("Codebook", source.codebook, source.codebook_sha256),
    )
    facts = [(part, f"{name}, SHA-256 {code}") for part, name, code in files]
    facts.append(("Program", f"landing-outcomes {__version__}, seed {comparison.question.seed}"))
    return [
        Part(
            headings.get("aside", ""),
            [aside] if comparison.rows.set_aside else [],
            pointers=[("Table rows", "{} counts them by reason.")],
        ),
        Part(headings["source"], facts=facts),
        Part(headings["checklist"], shows=[CHECKLIST]),
    ]
