"""report.html in a real browser: no errors, no sideways scroll, a text for every picture."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    driver = shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("Chromium or chromedriver is not installed")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        f"--user-data-dir={tmp_path_factory.mktemp('chromium')}",
    ):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = webdriver.ChromeService(driver, log_output=os.devnull)
    opened = webdriver.Chrome(options=options, service=service)
    yield opened
    opened.quit()


def load(browser: Any, report: Path, width: int, dark: bool = False) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
    browser.get((report / "report.html").as_uri())


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("which", ["report", "hostile_report"])
def test_the_page_fits_and_logs_nothing(
    browser: Any, request: pytest.FixtureRequest, which: str, width: int
) -> None:
    load(browser, request.getfixturevalue(which), width)
    assert browser.execute_script("return window.innerWidth") == width
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script("return document.body.scrollWidth") <= width
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("width", [390, 1280])
def test_every_picture_has_a_text_and_is_shown_once(browser: Any, report: Path, width: int) -> None:
    load(browser, report, width)
    found = browser.execute_script(
        "return [...document.querySelectorAll('figure')].map(f => [...f.querySelectorAll('svg, img')]"
        ".filter(p => p.getBoundingClientRect().width > 0)"
        ".map(p => p.getAttribute('alt') || (p.getAttribute('aria-labelledby') || '').split(' ')"
        ".map(id => (document.getElementById(id) || {}).textContent || '').join(' ')))"
    )
    assert len(found) == 8
    assert all(len(shown) == 1 and len(shown[0]) > 30 for shown in found)


def test_ids_are_unique_and_headings_in_order(browser: Any, report: Path) -> None:
    load(browser, report, 1280)
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


def test_the_dark_page_is_dark_and_its_pictures_stay_light(browser: Any, report: Path) -> None:
    load(browser, report, 1280, dark=True)
    colour = "return getComputedStyle(document.querySelector(arguments[0])).backgroundColor"
    assert browser.execute_script(colour, "body") == "rgb(21, 25, 28)"
    assert browser.execute_script(colour, ".plate") == "rgb(255, 255, 255)"
