"""Every public result shows itself in a notebook and in a terminal: short, escaped, at every edge."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import re
from dataclasses import fields, is_dataclass, make_dataclass, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from publish_comparisons import HOSTILE, build, nothing_used

import analysis
from analysis.comparison.coders import compare_coders
from analysis.comparison.counts import compare_counts
from analysis.comparison.under_coders import compare_under_coders
from analysis.publish.notebook import figures, listed, said, tables
from analysis.shown import MOST_LINES, Shown, grid, panel
from analysis.stats.result import Interval, Test
from analysis.stats.separated import separation
from analysis.stats.within_athletes import within_athletes
from analysis.study.checks import check
from analysis.study.codebook import read_codebook

DEMO = Path(__file__).resolve().parent.parent / "data_demo"
NAN, INFINITE = math.nan, math.inf
LONGEST_REPR = 600


class Tags(HTMLParser):
    """The tags of a text, and whether each one that was opened is closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.opened: list[str] = []
        self.seen: set[str] = set()
        self.feed(text)
        assert not self.opened

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.seen.add(tag)
        if tag not in ("br", "img"):
            self.opened.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.opened.pop() == tag


PLAIN = {"table", "caption", "thead", "tbody", "tr", "th", "td", "p", "br"}


def modules() -> list[Any]:
    """The modules of the three rooms whose functions a notebook calls."""
    found = []
    for room in ("stats", "study", "comparison"):
        package = importlib.import_module(f"analysis.{room}")
        inside = pkgutil.iter_modules(package.__path__, f"{package.__name__}.")
        found += [importlib.import_module(item.name) for item in inside]
    return found


def public_results() -> list[type]:
    """What documented functions return (those with an example, or a section on what they return), and what is in it."""
    waiting = [
        (made.__annotations__.get("return", ""), module)
        for module in modules()
        for name, made in inspect.getmembers(module, inspect.isfunction)
        if not name.startswith("_") and ("Returns\n" in (made.__doc__ or "") or ">>>" in (made.__doc__ or ""))
    ]
    found: set[type] = set()
    while waiting:
        text, module = waiting.pop()
        for name in re.findall(r"\b[A-Z]\w+", str(text)):
            kind = getattr(module, name, None)
            if is_dataclass(kind) and kind not in found:
                found.add(kind)
                home = importlib.import_module(kind.__module__)
                waiting += [(item.type, home) for item in fields(kind)]
    return sorted(found, key=lambda kind: (kind.__module__, kind.__name__))


SMALL = {"Maximum", "Number"}
"""Two or three numbers in an inner room, whose plain repr says it all."""


@pytest.mark.parametrize("kind", public_results(), ids=lambda kind: kind.__name__)
def test_every_public_result_has_a_display(kind):
    if kind.__name__ in SMALL:
        assert len(fields(kind)) <= 4
        return
    assert callable(getattr(kind, "_repr_html_", None))
    assert kind.__str__ is not object.__str__


def test_the_walk_finds_the_results_that_everybody_meets():
    names = {kind.__name__ for kind in public_results()}
    assert {
        "Interval",
        "Test",
        "Fit",
        "Comparison",
        "Counts",
        "Agreement",
        "Sheet",
        "Plan",
        "Codebook",
    } <= names
    assert {"Adjusted", "Headline", "Group", "Overlap", "Within", "GradeShares"} <= names


@pytest.fixture(scope="module")
def demo() -> analysis.Comparison:
    return analysis.compare(DEMO / "plan.toml")


@pytest.fixture(scope="module")
def coded() -> list[Any]:
    book = read_codebook(DEMO / "codebook.toml")
    first, second = (
        analysis.read_sheet(DEMO / "event_sheet_messy.xlsx", codebook=book, worksheet=name)
        for name in ("Routines", "Second coder")
    )
    under = compare_under_coders(DEMO / "plan_messy.toml", second)
    return [book, first, compare_coders(first, second), under, under.reconciled, under.reconciled.pairing]


def shown(result: Any) -> str:
    """The page of a result, after everything that holds for all of them was looked at."""
    page, text = result._repr_html_(), str(result)
    assert Tags(page).seen <= PLAIN
    assert "nan" not in re.findall(r"\w+", page + text)
    assert text.strip()
    assert "object at 0x" not in page + text
    return page


def test_a_comparison_opens_with_its_sentence_and_counts(demo):
    page = shown(demo)
    assert page.startswith("<p>These routines do not show whether")
    assert "29 of 42" in page
    assert "23 of 41" in page
    assert len(repr(demo)) < LONGEST_REPR


def test_every_part_of_a_comparison_shows_itself(demo):
    parts = [getattr(demo, item.name) for item in fields(demo)]
    parts += [inner for part in parts if isinstance(part, tuple) for inner in part]
    assert str(replace(demo.beside, intervals=(), tests=(), note="")) == "nothing here"
    shows = [part for part in parts if isinstance(part, Shown)]
    assert len(shows) > 15
    for part in shows:
        shown(part)


@pytest.mark.parametrize("made", [build, nothing_used, lambda: build(outcome="deduction")])
def test_a_made_up_comparison_shows_itself_at_its_edges(made):
    comparison = made()
    shown(comparison)
    for name in ("headline", "rows", "beside", "strata", "adjusted", "graded", "priors", "doubt"):
        if getattr(comparison, name) is not None:
            shown(getattr(comparison, name))


def test_hostile_names_stay_text():
    comparison = build(names=HOSTILE, title="<img src=x onerror=alert(1)>")
    comparison = replace(comparison, reading=replace(comparison.reading, headline=HOSTILE[0]))
    for result in (
        comparison,
        comparison.headline,
        comparison.strata,
        comparison.adjusted,
        comparison.selection,
    ):
        assert "script" not in Tags(shown(result)).seen
    page = tables(comparison, "rates", "contrast", "pairs", "adjusted")
    assert Tags(page.html).seen <= PLAIN
    drawn = figures(comparison, "routines", HOSTILE[0])
    assert Tags(drawn.html).seen <= {"figure", "img", "figcaption", "p"}
    assert "&lt;script&gt;" in drawn.html


def test_coding_shows_itself(coded):
    for result in coded:
        shown(result)
        assert len(repr(result)) < 4 * LONGEST_REPR
    book, sheet, agreement = coded[:3]
    assert "One step, hop or foot adjustment" in shown(book)
    assert "tuked double back" in shown(sheet)
    assert agreement.methods[:40] in shown(agreement).replace("&#x27;", "'")
    shown(analysis.read_plan(DEMO / "plan.toml"))


def test_counts_show_themselves():
    page = shown(compare_counts(9, 9, 14, 22))
    assert "9 of 9" in page
    assert "infinity" in page
    shown(compare_counts(0, 0, 14, 22))


def test_results_without_a_number_say_so():
    unknown = Interval("difference", NAN, NAN, NAN, 0.95, "none", 0, why="0 of 0")
    assert "not estimated" in shown(unknown)
    endless = Interval("odds ratio", INFINITE, 0.8, INFINITE, 0.95, "exact", 31)
    assert "infinity" in shown(endless)
    test = Test(0.034, "two-sided", "Barnard", 31)
    assert "statistic" not in shown(test), "what a test never had isn't missing"
    assert shown(separation([1] * 9 + [1, 0] * 11, [[1]] * 9 + [[0]] * 22))
    nobody = within_athletes([1, 1, 0], [True, True, False], ["a", "b", "c"])
    assert "no athlete showed both" in shown(nobody)


Empty = make_dataclass("Empty", [("what", str), ("rows", tuple)], bases=(Shown,), frozen=True)


def test_long_lists_are_cut_and_say_so():
    rows = tuple(Empty(f"row {i}", ("a", "b")) for i in range(MOST_LINES + 5))
    result = Empty("<b>", rows)
    assert "… and 5 more" in shown(result)
    assert "… and 5 more" in str(result)
    assert "<b>" not in shown(result)
    assert shown(Empty("nothing", ()))
    assert Tags(grid(("a",), [])).seen <= PLAIN
    assert Tags(panel({})).seen <= PLAIN


def test_a_cell_can_say_yes_not_estimated_and_a_table_inside():
    page = panel({"ok": True, "none": None, "pair": ((1, 2), (3, 4)), "inner": {"x": 0.5}, "tiny": 1e-9})
    assert all(word in page for word in ("yes", "not estimated", "(1; 2); (3; 4)", "0.5000", "1.00e-09"))
    assert Tags(page).seen <= PLAIN


def test_tables_and_figures_are_those_of_the_report(demo):
    assert "rates" in str(tables(demo))
    assert "Every routine is one mark" in str(figures(demo))
    page = tables(demo, "rates", "nothing of that name")
    assert "29 of 42" in page.html
    assert "There is no table “nothing of that name” here" in str(page)
    drawn = figures(demo, "rates", "difference", size="single")
    assert drawn.html.count('<img src="data:image/svg+xml;base64,') == 2
    assert "29 of 42" in str(drawn)
    with pytest.raises(ValueError, match="there is no figure size 'wall'"):
        figures(demo, "rates", size="wall")


def test_codings_have_tables_and_figures_too(coded):
    agreement, under = coded[2:4]
    assert "Agreement of the coders" in tables(agreement, "agreement").html
    assert "The comparison under each coder" in tables(under, "under_coders").html
    assert "confusion-landing" in str(figures(agreement))


def test_problems_and_repairs_are_listed_once_a_kind(coded):
    sheet = coded[1]
    problems = listed([*sheet.problems, *check(sheet)])
    assert problems.html.count("tuked double back") == 1
    assert "34, 71, 144" in problems.html
    repairs = listed(sheet.repairs)
    assert "decimal comma" in repairs.html
    assert Tags(repairs.html).seen <= PLAIN
    assert str(listed(())) == "None."
    assert said("One & two.", "").html == "<p>One &amp; two.</p>"
