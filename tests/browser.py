"""A headless Chromium for the tests of pages; a test that needs one skips by name where there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def programs() -> tuple[str, str]:
    """Return the paths of Chromium and its driver, or skip the test."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    driver = shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("Chromium or chromedriver is not installed")
    return chromium, driver


@contextmanager
def opened_browser(profile: Path) -> Iterator[Any]:
    """Open a browser that logs its network traffic, and close it."""
    chromium, driver = programs()
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(driver, log_output=os.devnull)
    )
    try:
        yield browser
    finally:
        browser.quit()


def load(browser: Any, page: Path, width: int, dark: bool = False, media: str = "screen") -> None:
    """Open a page at a width, in the light or in the dark, for the screen or for print."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": [scheme]})
    browser.get(page.as_uri())
