"""A notebook in a real JupyterLab, in a real browser: opened, run by the menu, and its figure seen."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import opened_browser

ROOT = Path(__file__).resolve().parent.parent
NOTEBOOK = "3_compare_techniques.ipynb"
PATIENCE = 90


def free_port() -> int:
    """A port that is free now; the server takes a next one should it be gone by then, and says so in its own file."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def wait_for(what: str, found: Any) -> Any:
    """Ask again until there is an answer."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        answer = found()
        if answer:
            return answer
        time.sleep(0.2)
    raise AssertionError(f"{what}: not there after {PATIENCE} s")


def address_of(server: subprocess.Popen[bytes], place: Path) -> str:
    """Where the server listens, "" as long as it hasn't said so."""
    assert server.poll() is None, "JupyterLab ended; see jupyter.log in the test's folder"
    for file in place.glob("jpserver-*.json"):
        text = file.read_text(encoding="utf-8")
        if text.rstrip().endswith("}"):
            return str(json.loads(text)["url"])
    return ""


@pytest.fixture
def jupyter(tmp_path: Path) -> Iterator[str]:
    """JupyterLab with folders of its own; yields the address of its start page with the token."""
    pytest.importorskip("jupyterlab", reason="JupyterLab is not installed")
    place = tmp_path / "study"
    (place / "notebooks").mkdir(parents=True)
    shutil.copy(ROOT / "notebooks" / NOTEBOOK, place / "notebooks")
    shutil.copytree(ROOT / "data_demo", place / "data_demo")
    own = {name: str(tmp_path / name.lower()) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    own |= {name: str(tmp_path / name.lower()) for name in ("JUPYTER_RUNTIME_DIR", "IPYTHONDIR")}
    own |= {f"JUPYTERLAB_{name}_DIR": str(tmp_path / name.lower()) for name in ("SETTINGS", "WORKSPACES")}
    settings = {
        # No call to the network, and every cell in the page, not only those that are in view.
        "apputils-extension/notification": {"checkForUpdates": False, "fetchNews": "false"},
        "notebook-extension/tracker": {"windowingMode": "none"},
    }
    for name, setting in settings.items():
        file = tmp_path / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        file.parent.mkdir(parents=True)
        file.write_text(json.dumps(setting), encoding="utf-8")
    token = secrets.token_hex(16)
    command = [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ServerApp.ip=127.0.0.1"),
        *(f"--ServerApp.port={free_port()}", f"--IdentityProvider.token={token}"),
        *(f"--ServerApp.root_dir={place}", "--LabApp.collaborative=False"),
    ]
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
    with (tmp_path / "jupyter.log").open("wb") as log:
        server = subprocess.Popen(
            command, env=os.environ | own | {"PYTHONPATH": path}, stdout=log, stderr=log, cwd=place
        )
    try:
        address = wait_for("the server", lambda: address_of(server, tmp_path / "jupyter_runtime_dir"))
        yield f"{address}lab/tree/notebooks/{NOTEBOOK}?token={token}"
        request = urllib.request.Request(f"{address}api/shutdown?token={token}", method="POST")
        urllib.request.urlopen(request, timeout=PATIENCE).close()
        server.wait(PATIENCE)
    finally:
        if server.poll() is None:
            server.kill()
            server.wait()


def test_a_notebook_runs_by_the_menu_and_shows_its_figure(jupyter: str, tmp_path: Path) -> None:
    with opened_browser(tmp_path / "chromium") as browser:
        browser.set_window_size(1400, 1000)
        browser.get(jupyter)

        def click(selector: str, text: str = "") -> None:
            """Click the first visible element of that kind and text as a person would, as soon as it is there."""
            from selenium.common.exceptions import WebDriverException

            def done() -> bool:
                try:
                    for element in browser.find_elements("css selector", selector):
                        if element.is_displayed() and text in element.text:
                            element.click()
                            return True
                except WebDriverException:  # still being drawn, or something passes over it
                    return False
                return False

            wait_for(f"{selector} {text}", done)

        def count(selector: str) -> int:
            return len(browser.find_elements("css selector", selector))

        wait_for("the notebook", lambda: count(".jp-Notebook .jp-CodeCell"))
        wait_for(
            "the kernel", lambda: count(".jp-NotebookPanel .jp-Notebook-ExecutionIndicator[data-status=idle]")
        )
        click(".lm-MenuBar-itemLabel", "Run")
        click(".lm-Menu-item[data-command='runmenu:run-all'] .lm-Menu-itemLabel")
        seen = (
            "return [...document.querySelectorAll('.jp-OutputArea-output figure img')]"
            ".filter(i => i.complete && i.naturalWidth > 100 && i.getBoundingClientRect().width > 100).length"
        )
        wait_for("the figure", lambda: browser.execute_script(f"{seen} > 0"))
        running = (
            "return [...document.querySelectorAll('.jp-InputPrompt')].some(p => p.textContent.includes('*'))"
        )
        wait_for("the last cell", lambda: not browser.execute_script(running))
        assert browser.execute_script(seen) >= 5
        picture = browser.find_element("css selector", ".jp-OutputArea-output figure img")
        browser.execute_script("arguments[0].scrollIntoView()", picture)
        assert picture.is_displayed()
        assert picture.get_attribute("alt").startswith("Every routine is one mark")
        assert not count(
            ".jp-OutputArea-output[data-mime-type$='stderr'], .jp-OutputArea-output[data-mime-type$='error']"
        )
