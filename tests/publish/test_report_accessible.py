"""report.html for everybody: axe-core finds nothing, by light, in the dark, on a phone, with hostile names."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from browser import load, opened_browser

import analysis
from analysis.publish.detail_tables import make_tables
from analysis.publish.figures import make_figures
from analysis.publish.html import report_html

DEMO = Path(__file__).parents[2] / "data_demo" / "plan.toml"


@pytest.fixture(scope="module")
def pages(report: Path, hostile_report: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's page, one with three techniques, and one with hostile names."""
    made = analysis.compare(DEMO)
    demo = tmp_path_factory.mktemp("demo") / "report.html"
    demo.write_text(
        report_html(made, make_tables(made), make_figures(made, sizes=("thesis",))), encoding="utf-8"
    )
    return {"demo": demo, "three": report / "report.html", "hostile": hostile_report / "report.html"}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with opened_browser(tmp_path_factory.mktemp("chromium")) as opened:
        yield opened


@pytest.fixture(scope="module")
def axe() -> str:
    package = pytest.importorskip("axe_core_python", reason="axe-core-python is not installed")
    return resources.files(package).joinpath("axe.min.js").read_text(encoding="utf-8")


def violations(browser: Any, axe: str) -> list[str]:
    """What axe-core finds, and where it can't see a contrast; its own sight ends at text in a picture."""
    # The page forbids every script tag; a script that the driver runs isn't one. The shadows at the edges of a
    # table hide the background from axe-core, so they are taken off.
    browser.execute_script(axe)
    browser.execute_script(
        "document.querySelectorAll('.scroll').forEach(e => { e.style.background = 'none' })"
    )
    browser.set_script_timeout(180)
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document, {resultTypes: ['violations', 'incomplete']}).then(done)"
    )
    assert len(found["passes"]) > 20
    unsure = [node for rule in found["incomplete"] for node in rule["nodes"]]
    assert {node["html"].split()[0] for node in unsure} <= {"<text"}
    return [
        f"{rule['impact']}: {rule['id']} at {node['target']}: {node['failureSummary']}"
        for rule in found["violations"]
        for node in rule["nodes"][:3]
    ]


@pytest.mark.parametrize(
    ("which", "width", "dark"),
    [
        ("demo", 1280, False),
        ("demo", 390, True),
        ("three", 768, False),
        ("hostile", 1280, True),
    ],
)
def test_axe_core_finds_nothing(
    browser: Any, axe: str, pages: dict[str, Path], which: str, width: int, dark: bool
) -> None:
    load(browser, pages[which], width, dark)
    assert violations(browser, axe) == []


@pytest.mark.parametrize("width", [320, 640])
@pytest.mark.parametrize("which", ["demo", "hostile"])
def test_the_page_reflows_without_two_way_scrolling(
    browser: Any, pages: dict[str, Path], which: str, width: int
) -> None:
    # WCAG 1.4.10: 320 px is a page of 1280 px at 400 %, 640 px the same page at 200 %.
    load(browser, pages[which], width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    outside = browser.execute_script(
        "return [...document.querySelectorAll('body *')].filter(e => !e.closest('.scroll, svg, .skip') &&"
        " e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 200))"
    )
    assert outside == []


def test_a_table_that_scrolls_can_be_reached_and_is_named(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["three"], 390)
    found = browser.execute_script(
        "return [...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth).map(e =>"
        " [e.tabIndex, e.getAttribute('role'),"
        " document.getElementById(e.getAttribute('aria-labelledby')).textContent])"
    )
    assert len(found) > 3
    assert all(place == 0 and role == "region" and name for place, role, name in found)
    assert len({name for _, _, name in found}) == len(found)


def test_each_header_has_a_scope_and_each_table_a_caption(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["three"], 1280)
    assert browser.execute_script("return document.querySelectorAll('th:not([scope])').length") == 0
    assert browser.execute_script(
        "return [...document.querySelectorAll('table')].every(t => t.caption && t.caption.textContent.trim())"
    )


def test_the_keyboard_meets_the_skip_link_first_and_sees_where_it_is(
    browser: Any, pages: dict[str, Path]
) -> None:
    from selenium.webdriver.common.keys import Keys

    load(browser, pages["three"], 1280)
    browser.switch_to.active_element.send_keys(Keys.TAB)
    first = browser.switch_to.active_element
    assert first.text == "Skip to the report"
    assert first.rect["x"] >= 0
    first.send_keys(Keys.ENTER)
    assert browser.switch_to.active_element.tag_name == "main"
    browser.switch_to.active_element.send_keys(Keys.TAB)
    style = "return getComputedStyle(document.activeElement).outlineStyle"
    assert browser.execute_script(style) == "solid"


def test_nothing_on_the_page_moves(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["three"], 1280)
    assert browser.execute_script(
        "return [...document.querySelectorAll('*')].every(e => { const s = getComputedStyle(e);"
        " return s.animationName === 'none' && s.transitionDuration === '0s' && s.scrollBehavior === 'auto'; })"
    )


def test_the_demo_page_is_small(pages: dict[str, Path]) -> None:
    assert pages["demo"].stat().st_size < 3_000_000
