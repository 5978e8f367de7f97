"""report.html in a real browser: no errors, no sideways scroll, a text for every picture."""

from __future__ import annotations

import base64
import csv
import io
import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from browser import load, opened_browser
from publish_comparisons import HOSTILE


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with opened_browser(tmp_path_factory.mktemp("chromium")) as opened:
        yield opened


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("which", ["report", "hostile_report"])
def test_the_page_fits_and_logs_nothing(
    browser: Any, request: pytest.FixtureRequest, which: str, width: int
) -> None:
    load(browser, request.getfixturevalue(which) / "report.html", width)
    assert browser.execute_script("return window.innerWidth") == width
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script("return document.body.scrollWidth") <= width
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("width", [390, 1280])
def test_every_picture_has_a_text_and_is_shown_once(browser: Any, report: Path, width: int) -> None:
    load(browser, report / "report.html", width)
    found = browser.execute_script(
        "return [...document.querySelectorAll('figure')].map(f => [...f.querySelectorAll('svg, img')]"
        ".filter(p => p.getBoundingClientRect().width > 0)"
        ".map(p => p.getAttribute('alt') || (p.getAttribute('aria-labelledby') || '').split(' ')"
        ".map(id => (document.getElementById(id) || {}).textContent || '').join(' ')))"
    )
    assert len(found) >= 8
    assert all(len(shown) == 1 and len(shown[0]) > 30 for shown in found)


def test_ids_are_unique_and_headings_in_order(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 1280)
    ids = browser.execute_script("return [...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    levels = browser.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3,h4')].map(h => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    targets = browser.execute_script(
        "return [...document.querySelectorAll('a[href^=\"#\"]')].map(a => a.getAttribute('href').slice(1))"
    )
    assert set(targets) <= set(ids)


def test_the_contents_lead_to_every_section_in_order(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 1280)
    listed = browser.execute_script(
        "return [...document.querySelectorAll('nav a')].map(a => [a.getAttribute('href').slice(1), a.textContent])"
    )
    sections = browser.execute_script(
        "return [...document.querySelectorAll('section')].map(s => [s.id, s.querySelector('h2, h3').textContent])"
    )
    assert listed == sections
    assert len(listed) > 20


def test_the_dark_page_is_dark_and_its_pictures_stay_light(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 1280, dark=True)
    colour = "return getComputedStyle(document.querySelector(arguments[0])).backgroundColor"
    assert browser.execute_script(colour, "body") == "rgb(21, 25, 28)"
    assert browser.execute_script(colour, ".plate") == "rgb(255, 255, 255)"


def test_figures_are_numbered_in_the_order_of_the_page(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 1280)
    found = browser.execute_script(
        "return [...document.querySelectorAll('figcaption b')].map(b => b.textContent.split('.')[0])"
    )
    assert found == [f"Figure {i}" for i in range(1, len(found) + 1)]
    assert browser.find_elements("id", "further") == []


def test_the_page_asks_for_nothing_but_itself(browser: Any, report: Path) -> None:
    browser.get_log("performance")
    load(browser, report / "report.html", 1280)
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    ]
    assert (report / "report.html").as_uri() in asked
    assert all(url == (report / "report.html").as_uri() or url.startswith("data:") for url in asked)


def downloaded(browser: Any, page: Path, key: str, folder: Path) -> bytes:
    browser.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)})
    load(browser, page, 1280)
    link = browser.find_element("css selector", f"#table-{key} .take a")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", link)
    link.click()
    end = time.monotonic() + 20
    while not (folder / f"{key}.csv").exists() and time.monotonic() < end:
        time.sleep(0.05)
    assert browser.current_url == page.as_uri()
    return (folder / f"{key}.csv").read_bytes()


@pytest.mark.parametrize("which", ["report", "hostile_report"])
def test_a_click_saves_the_table_as_the_csv_file_has_it(
    browser: Any, request: pytest.FixtureRequest, which: str, tmp_path: Path
) -> None:
    folder = request.getfixturevalue(which)
    for key in ("contrast", "rates"):
        wanted = (folder / "tables" / f"{key}.csv").read_bytes()
        assert downloaded(browser, folder / "report.html", key, tmp_path) == wanted


def test_every_table_has_its_csv_in_the_page(browser: Any, hostile_report: Path) -> None:
    load(browser, hostile_report / "report.html", 1280)
    found = browser.execute_script(
        "return [...document.querySelectorAll('.table')].map(t => [t.id, ...['href', 'download', 'aria-label']"
        ".map(name => t.querySelector('.take a').getAttribute(name))])"
    )
    files = {path.stem: path.read_bytes() for path in hostile_report.glob("tables/*.csv")}
    page = {}
    for place, link, name, label in found:
        key = place.removeprefix("table-")
        head, _, data = link.partition(";base64,")
        assert head == "data:text/csv;charset=utf-8"
        assert name == f"{key}.csv"
        assert label.startswith("csv: ")
        page[key] = base64.b64decode(data)
    assert page.keys() == files.keys() | {"set_aside", "source"}
    assert all(page[key] == content for key, content in files.items())
    aside = list(csv.reader(io.StringIO(page["set_aside"].decode("utf-8-sig"))))
    assert [row[0] for row in aside] == ["Row", "43", "44", "45"]
    assert {row[1] for row in aside[1:3]} == {HOSTILE[0], f"'{HOSTILE[1]}"}


def test_decimal_marks_stand_below_each_other(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 1280)
    lines = browser.execute_script(
        "return [...document.querySelectorAll('#table-deductions .tail')]"
        ".map(e => [e.closest('td').cellIndex, e.getBoundingClientRect().left])"
    )
    for column in {place for place, _ in lines}:
        lefts = [left for place, left in lines if place == column]
        assert max(lefts) - min(lefts) < 0.5


def test_on_paper_nothing_is_cut_and_nothing_is_noise(browser: Any, report: Path) -> None:
    load(browser, report / "report.html", 700, dark=True, media="print")
    style = "return [...document.querySelectorAll(arguments[0])].map(e => getComputedStyle(e)[arguments[1]])"
    assert set(browser.execute_script(style, ".scroll", "overflowX")) == {"visible"}
    assert set(browser.execute_script(style, ".tall", "maxHeight")) <= {"none"}
    assert set(browser.execute_script(style, "a", "textDecorationLine")) == {"none"}
    assert set(browser.execute_script(style, ".take, .skip", "display")) == {"none"}
    assert set(browser.execute_script(style, "thead", "display")) == {"table-header-group"}
    assert set(browser.execute_script(style, "figure, tr", "breakInside")) == {"avoid"}
    assert browser.execute_script(style, "body", "color") == ["rgb(0, 0, 0)"]
    assert browser.execute_script("return document.querySelectorAll('details').length") == 0


def test_the_printed_page_is_numbered_and_repeats_the_head_of_a_long_table(
    browser: Any, report: Path, tmp_path: Path
) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    load(browser, report / "report.html", 1280, media="print")
    # Twenty times as many rows set aside, so that the table runs over a page.
    browser.execute_script(
        "const b = document.querySelector('#table-set_aside tbody'); b.innerHTML = b.innerHTML.repeat(20)"
    )
    made = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    (tmp_path / "report.pdf").write_bytes(base64.b64decode(made))
    command = ["pdftotext", "-layout", "report.pdf", "-"]
    text = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True).stdout.decode()
    pages = text.removesuffix("\f").split("\f")
    assert all(f"{i} / {len(pages)}" in page for i, page in enumerate(pages, start=1))
    over = [page for page in pages if page.count("qualification") + page.count("October meet") > 5]
    assert sum("Row " in page and "Reason" in page for page in over) >= 2
