"""A page as a person meets it: a real browser, on a local page and in JupyterLab; else skipped."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import nbformat
import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DRAWN = ".hx-picture[data-drawn]"


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("there is no chromium on this machine")
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        yield found
        found.close()


class Page:
    """A page with a view on it, and the few things that hands do there."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def drawn(self) -> int:
        """How many pictures have been shown."""
        return int(self.page.locator(".hx-picture").first.get_attribute("data-drawn") or 0)

    def after(self, act: Callable[[], Any]) -> float:
        """Do something that draws a new picture; give how long it took to be shown [ms]."""
        before = self.drawn()
        self.page.evaluate(
            """before => { window.hxDone = new Promise((done, late) => {
                 setTimeout(() => late("no new picture"), 8000);
                 const box = document.querySelector('.hx-picture'), start = performance.now();
                 const look = () => { if (+box.dataset.drawn > before) done(performance.now() - start); };
                 new MutationObserver(look).observe(box, {attributes: true}); }); }""",
            before,
        )
        act()
        took: float = self.page.evaluate("() => window.hxDone")
        return took

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Place on the page of a share of the picture's width and height."""
        box = self.page.locator(".hx-picture img").first.bounding_box()
        return box["x"] + x * box["width"], box["y"] + y * box["height"]

    def drag(self, start: tuple[float, float], stop: tuple[float, float]) -> None:
        """Drag with the mouse between two shares of the picture."""
        mouse = self.page.mouse
        mouse.move(*self.at(*start))
        mouse.down()
        mouse.move(*self.at(*stop), steps=6)
        mouse.up()

    def says(self, selector: str, words: str) -> None:
        """Wait until something is written there."""
        look = "([s, w]) => document.querySelector(s)?.textContent.includes(w)"
        self.page.wait_for_function(look, arg=[selector, words], timeout=10_000)

    def shot(self, name: str) -> None:
        """Keep a picture of the page where SHOTS names a folder."""
        folder = os.environ.get("SHOTS")
        if folder:
            self.page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


@pytest.fixture
def as_page(browser: Any) -> Callable[[str], Any]:
    """Open the page of some code, as `hemoidx open` serves it."""
    from hemoidx.explore.serving import served

    @contextmanager
    def opened(code: str) -> Iterator[Page]:
        with served(code) as (url, _):
            page = browser.new_context(viewport={"width": 1280, "height": 1000}).new_page()
            page.goto(url)
            page.wait_for_selector(DRAWN, timeout=60_000)
            yield Page(page)
            page.context.close()

    return opened


@pytest.fixture
def in_lab(browser: Any, tmp_path: Path) -> Callable[[str], Any]:
    """Run some code in a notebook of JupyterLab, and give the page."""

    @contextmanager
    def opened(code: str) -> Iterator[Page]:
        notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code)])
        notebook.metadata["kernelspec"] = {
            "name": "python3",
            "display_name": "Python 3",
            "language": "python",
        }
        nbformat.write(notebook, tmp_path / "n.ipynb")
        # The question about news would lie over the page.
        news = tmp_path / "set" / "@jupyterlab" / "apputils-extension"
        news.mkdir(parents=True)
        settings = json.dumps({"fetchNews": "false"})
        (news / "notification.jupyterlab-settings").write_text(settings, encoding="utf-8")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        token = secrets.token_hex(8)
        own = {"JUPYTER_PREFER_ENV_PATH": "1", "JUPYTER_CONFIG_DIR": str(tmp_path / "cfg"),
               "JUPYTERLAB_SETTINGS_DIR": str(tmp_path / "set"),
               "JUPYTERLAB_WORKSPACES_DIR": str(tmp_path / "ws")}  # fmt: skip
        command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1",
                   f"--port={port}", f"--IdentityProvider.token={token}",
                   "--KernelManager.transport=ipc"]  # fmt: skip
        with (tmp_path / "lab.log").open("wb") as log:
            server = subprocess.Popen(
                command, cwd=tmp_path, env={**os.environ, **own}, stdout=log, stderr=log
            )
        try:
            _answer(port)
            page = browser.new_context(viewport={"width": 1400, "height": 1100}).new_page()
            page.goto(f"http://127.0.0.1:{port}/lab/tree/n.ipynb?token={token}&reset")
            page.wait_for_selector(".jp-Notebook-ExecutionIndicator[data-status='idle']", timeout=60_000)
            _run_all(page)
            page.wait_for_selector(DRAWN, timeout=60_000)
            yield Page(page)
            page.context.close()
        finally:
            server.terminate()
            server.wait(20)

    return opened


def _answer(port: int) -> None:
    for _ in range(300):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise AssertionError("JupyterLab does not start")


def _run_all(page: Any) -> None:
    """Run all cells; the menu is asked again where nothing happens, as it now and then does."""
    from playwright.sync_api import TimeoutError as Late

    for _ in range(5):
        # A question that lies over the page is answered as it proposes.
        if page.locator(".jp-Dialog").count():
            page.locator(".jp-Dialog .jp-mod-accept").first.click()
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_text("Run All Cells", exact=True).click()
        try:
            page.wait_for_function(
                r"/\[[\d*]+\]/.test(document.querySelector('.jp-CodeCell .jp-InputPrompt').textContent)",
                timeout=3000,
            )
        except Late:
            continue
        return
    raise AssertionError("the notebook does not run")
