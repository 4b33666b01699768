"""
How long a hand waits: from a gesture in a real browser to the new picture, view by view.

A day of pressure at 125 Hz (10.8 million samples), 10,000 recordings of a cohort, and the benches. Each
gesture is repeated, and median and worst are printed [ms]; the clock is that of the page.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import wfdb

from hemoidx.explore.serving import code_for, served
from tests.bench.speed import day
from tests.browser.conftest import CHROMIUM, DRAWN, FLAGS, Page

TIMES = 9


@contextmanager
def page_of(browser: Any, code: str) -> Any:
    """Serve some code and open its page."""
    with served(code) as (url, _):
        page = browser.new_context(viewport={"width": 1400, "height": 1100}).new_page()
        page.goto(url)
        page.wait_for_selector(DRAWN, timeout=120_000)
        page.wait_for_timeout(500)
        yield Page(page)
        page.context.close()


def told(name: str, act: Callable[[int], float]) -> None:
    """Repeat a gesture and print how long it took."""
    took = np.array([act(k) for k in range(TIMES)])
    print(f"{name:<44} median {np.median(took):4.0f} ms, worst {took.max():4.0f} ms")


def recording(browser: Any, folder: Path) -> None:
    """Pan and zoom a day."""
    wave = day(24, 125.0)
    wfdb.wrsamp("day", fs=125, units=["mmHg"], sig_name=["ABP"], p_signal=wave[:, None], fmt=["16"],
                write_dir=str(folder))  # fmt: skip
    with page_of(browser, code_for(str(folder / "day"))) as seen:
        keys, box = seen.page.keyboard, seen.page.locator(".hx-picture")
        box.focus()
        told("a day, half a minute shown: pan by key", lambda k: seen.after(lambda: keys.press("ArrowRight")))
        told("a day: zoom by key", lambda k: seen.after(lambda: keys.press("-" if k < 5 else "+")))
        for _ in range(30):
            keys.press("-")
        seen.page.wait_for_timeout(1500)
        told(
            "a day, hours shown: zoom by key", lambda k: seen.after(lambda: keys.press("+" if k % 2 else "-"))
        )
        told("a day: to the other end", lambda k: seen.after(lambda: keys.press("Home" if k % 2 else "End")))


def bench(browser: Any, code: str, name: str, slider: str) -> None:
    """Turn a slider by keys."""
    with page_of(browser, code) as seen:
        knob = seen.page.locator(f"{slider} .noUi-handle")
        knob.focus()
        told(name, lambda k: seen.after(lambda: seen.page.keyboard.press("ArrowRight")))


def cohort(browser: Any, folder: Path) -> None:
    """Select among ten thousand points."""
    rng = np.random.default_rng(6)
    n = 10_000
    rows = pd.DataFrame({"record_id": [f"r{k:05d}" for k in range(n)], "ward": rng.choice(["a", "b"], n),
                         "mbp": rng.normal(80, 12, n), "ppv": rng.gamma(3, 3, n)})  # fmt: skip
    rows.to_parquet(folder / "rows.parquet")
    with page_of(browser, code_for(str(folder / "rows.parquet"))) as seen:
        told("10,000 recordings: select by dragging",
             lambda k: released(seen, (0.2 + 0.01 * k, 0.3), (0.4, 0.8)))  # fmt: skip


def released(seen: Page, start: tuple[float, float], stop: tuple[float, float]) -> float:
    """Drag, and time from letting go."""
    mouse = seen.page.mouse
    mouse.move(*seen.at(*start))
    mouse.down()
    mouse.move(*seen.at(*stop), steps=4)
    return seen.after(mouse.up)


def main() -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    head = "import hemoidx as hx\n\nhx.explore."
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        recording(browser, Path(name))
        bench(browser, f"{head}LineBench()\n", "line bench: a slider", ".hx-bubble-ml")
        bench(browser, f"{head}SwingBench()\n", "swing bench: a slider", ".hx-filling")
        cohort(browser, Path(name))
        browser.close()


if __name__ == "__main__":
    main()
