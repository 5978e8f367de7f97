"""The reporting checklist: every STROBE item once, one of three words, and pointers that lead somewhere."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest
from lxml import html as lxml_html
from publish_comparisons import NAMES, build

from analysis.comparison.result import Comparison
from analysis.publish.checklist import (
    CHECKLIST,
    SEVERAL,
    WHERE,
    Item,
    checklist,
    checklist_items,
    checklist_text,
    facts,
)
from analysis.publish.detail_tables import make_tables
from analysis.publish.html import report_html
from analysis.publish.latex import latex_table
from analysis.publish.sections import places
from analysis.publish.tables import table_of

# von Elm et al. (2007), table: 22 items, those with letters as the joint list for cohort and cross-sectional
# studies numbers them.
STROBE_2007 = (
    *(
        "1a",
        "1b",
        "2",
        "3",
        "4",
        "5",
        "6a",
        "6b",
        "7",
        "8",
        "9",
        "10",
        "11",
        "12a",
        "12b",
        "12c",
        "12d",
        "12e",
    ),
    *(
        "13a",
        "13b",
        "13c",
        "14a",
        "14b",
        "14c",
        "15",
        "16a",
        "16b",
        "16c",
        "17",
        "18",
        "19",
        "20",
        "21",
        "22",
    ),
)

KINDS = (
    "five",
    "hostile",
    "deduction",
    "grade",
    "one routine each",
    "nothing used",
)


def bare(made: Comparison) -> Comparison:
    """The same without repeats, rows set aside, strata, pairs, models and other choices."""
    return replace(
        made,
        rows=replace(made.rows, set_aside=0, read=made.rows.used, reasons=()),
        repeats=replace(made.repeats, returning=0),
        table=made.table[made.table["status"] == "used"],
        strata=None,
        pairs=None,
        adjusted=None,
        selection=None,
        graded=None,
        points_parts=(),
        priors=None,
        doubt=None,
        planning=None,
    )


def answered(made: Comparison) -> dict[str, Item]:
    return {found.item: found for found in checklist_items(made)}


def page_of(made: Comparison) -> lxml_html.HtmlElement:
    tables = {table.key: table for table in (*make_tables(made), checklist(made))}
    return lxml_html.fromstring(report_html(made, tuple(tables.values()), ()))


def test_von_elm_2007_every_item_once_and_in_order(comparison: Comparison) -> None:
    for made in (comparison, bare(comparison)):
        assert tuple(found.item for found in checklist_items(made)) == STROBE_2007
    assert {re.sub("[a-e]", "", item) for item in STROBE_2007} == {str(i) for i in range(1, 23)}


@pytest.mark.parametrize("kind", KINDS)
def test_a_status_is_one_of_three_words_and_what_is_covered_is_pointed_to(
    variants: dict[str, Comparison], kind: str
) -> None:
    for made in (variants[kind], bare(variants[kind])):
        for found in checklist_items(made):
            assert found.status in ("covered", "partly", "author")
            assert found.status == "author" or found.where
            assert found.asks.endswith(".")
            assert found.says.endswith(".")


@pytest.mark.parametrize("kind", KINDS)
def test_every_pointer_leads_to_a_section_with_that_heading_or_a_file(
    variants: dict[str, Comparison], kind: str
) -> None:
    for made in (variants[kind], bare(variants[kind])):
        page = page_of(made)
        headings = {
            section.get("id"): section.xpath("./h2|./h3")[0].text_content()
            for section in page.xpath("//section")
        }
        links = page.xpath('//*[@id="table-checklist"]//td[3]//a')
        assert len(links) == sum(len(found.where) for found in checklist_items(made))
        for link in links:
            place, words = link.get("href"), link.text_content()
            if place.startswith("#"):
                assert headings[place[1:]] == words
            else:
                assert place == words == places(made)[words]


def test_files_that_are_pointed_to_are_written(report: Path) -> None:
    named = {place for place in places(build()).values() if not place.startswith("#")}
    assert named <= {path.name for path in report.iterdir()}


def test_missing_data_points_to_the_rows_only_where_some_were_set_aside(comparison: Comparison) -> None:
    assert answered(comparison)["12c"].where[:2] == ("The rows", "Rows set aside")
    alone = answered(bare(comparison))["12c"]
    assert alone.where == ("Methods",)
    assert alone.says.startswith("No row had to be set aside")


def test_sensitivity_is_covered_only_where_something_was_run(comparison: Comparison) -> None:
    found = answered(comparison)["12e"]
    assert (found.status, found.where) == (
        "covered",
        ("How the difference holds up", "Other earlier beliefs"),
    )
    found = answered(replace(comparison, priors=None))["12e"]
    assert (found.status, found.where) == ("covered", ("How the difference holds up",))
    found = answered(bare(comparison))["12e"]
    assert (found.status, found.where) == ("author", ())


def test_strata_that_could_not_be_compared_are_not_called_covered(comparison: Comparison) -> None:
    assert answered(comparison)["12b"].status == "covered"
    strata = replace(comparison.strata, odds_ratio=None, difference=None, homogeneity=None, standardised=None)
    assert answered(replace(comparison, strata=strata))["12b"].status == "partly"
    assert answered(bare(comparison))["12b"].status == "author"


def test_a_run_without_an_interval_does_not_boast_of_one(comparison: Comparison) -> None:
    headline = replace(comparison.headline, interval=None, interval_why="no routine can be used")
    found = answered(replace(comparison, headline=headline))
    assert {found[item].status for item in ("1b", "16c", "18")} == {"author"}
    assert (
        "No difference with an interval" in answered(replace(bare(comparison), headline=headline))["16a"].says
    )


@pytest.mark.parametrize("item", ["1a", "2", "6b", "20", "21", "22"])
def test_what_no_run_can_know_is_the_authors(comparison: Comparison, item: str) -> None:
    assert answered(comparison)[item].status == "author"


def test_the_table_and_the_text_say_the_same(hostile: Comparison) -> None:
    table, text = checklist(hostile), checklist_text(hostile)
    assert table.key == CHECKLIST
    assert table.header[3] == WHERE
    assert len(table.rows) == len(STROBE_2007)
    assert text.count("\n- **") == len(STROBE_2007)
    for name, _, status, where, _ in table.rows:
        line = next(line for line in text.split("\n") if line.startswith(f"- **{name}** "))
        assert f"({status})" in line
        assert all(words.replace("_", r"\_") in line for words in where.split(SEVERAL))
    assert "<script" not in text
    assert "PLoS Medicine 4(10), e296" in text
    assert r"\begin{" in latex_table(table)


def test_every_place_and_fact_of_the_file_is_known(comparison: Comparison) -> None:
    # A comparison with every part: three techniques, strata, models, priors, rows set aside.
    every = {place.removeprefix("#") for place in places(build(names=NAMES)).values()}
    path = resources.files("analysis.resources").joinpath("report", "checklist.toml")
    for item in tomllib.loads(path.read_text(encoding="utf-8"))["items"]:
        assert "when" not in item["answers"][-1]
        for answer in item["answers"]:
            assert set(answer.get("where", ())) <= every
            assert answer.get("when", "estimated") in facts(comparison)


def test_a_table_without_a_place_is_shown_all_the_same(comparison: Comparison) -> None:
    stray = table_of("stray", "A table from elsewhere", ("Name", "Number"), [("nine", "9")])
    page = lxml_html.fromstring(report_html(comparison, (*make_tables(comparison), stray), ()))
    (section,) = page.xpath('//*[@id="table-stray"]/ancestor::section[1]')
    assert section.xpath("./h3")[0].text_content() == "Further tables"
    assert page.xpath('//nav//a[@href="#further"]')
