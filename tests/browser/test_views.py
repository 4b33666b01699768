"""Views in a real browser, as a page and in JupyterLab: open, drag, click, edit, save."""

import socket
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from hemoidx.context import Edits
from hemoidx.errors import DataUnavailableError
from hemoidx.explore.serving import code_for, served
from hemoidx.simulate import Event, Scenario, simulate, write_recording


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = simulate(Scenario(name="ash", duration_s=120.0, seed=4, events=(Event("flush", 60.0, 1.4),)))
    return write_recording(made, tmp_path_factory.mktemp("recordings"))


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten thousand invented recordings of two wards."""
    rng = np.random.default_rng(6)
    n = 10_000
    rows = pd.DataFrame(
        {
            "record_id": [f"r{k:05d}" for k in range(n)],
            "ward": rng.choice(["north", "south"], n),
            "mbp": rng.normal(80.0, 12.0, n),
            "ppv": rng.gamma(3.0, 3.0, n),
        }
    )
    path = tmp_path_factory.mktemp("cohort") / "rows.parquet"
    rows.to_parquet(path)
    return path


def test_a_recording_as_a_page_is_panned_asked_edited_and_saved(
    as_page: Callable[[str], Any], recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with as_page(code_for(str(recording))) as seen:
        page = seen.page
        first = page.locator(".hx-picture").get_attribute("aria-label")
        assert "from 0.0 to 30.0 s" in first
        seen.after(lambda: seen.drag((0.6, 0.3), (0.3, 0.3)))
        page.wait_for_function("a => document.querySelector('.hx-picture').ariaLabel !== a", arg=first)
        page.locator(".hx-picture").focus()
        seen.after(lambda: page.keyboard.press("Home"))
        page.wait_for_function("document.querySelector('.hx-picture').ariaLabel.includes('from 0.0 to 30.0')")
        seen.after(lambda: page.mouse.click(*seen.at(0.4, 0.3)))
        seen.says(".hx-notice", "Mean arterial pressure of the beat")
        seen.shot("recording")
        # By hand: one beat is taken away, analysed anew, saved.
        page.locator(".hx-mode select").select_option(label="remove a beat")
        seen.after(lambda: page.mouse.click(*seen.at(0.4, 0.3)))
        seen.says(".hx-edits", "remove a beat at")
        beats = page.locator(".hx-picture").get_attribute("aria-label")
        seen.after(lambda: page.locator(".hx-rerun").click())
        assert page.locator(".hx-picture").get_attribute("aria-label") != beats
        # A relative name is one beside the person who gave the command.
        page.locator(".hx-file input").fill("mine.csv")
        page.locator(".hx-file input").press("Tab")
        page.locator(".hx-save").click()
        seen.says(".hx-notice", "saved 1 edits")
        (edit,) = Edits.read(tmp_path / "mine.csv").to_json()
        assert edit["action"] == "remove_beat"


def test_every_control_has_a_name_and_is_reached_by_keyboard(
    as_page: Callable[[str], Any], recording: Path
) -> None:
    with as_page(code_for(str(recording))) as seen:
        nameless = seen.page.evaluate(
            """() => [...document.querySelectorAll('.hx-view select, .hx-view input, .hx-view button')]
                 .filter(e => !(e.labels?.length && e.labels[0].textContent.trim()) && !e.textContent.trim()
                              && !e.getAttribute('aria-label')).map(e => e.outerHTML)"""
        )
        assert nameless == []
        reached = set()
        for _ in range(25):
            seen.page.keyboard.press("Tab")
            reached.add(
                seen.page.evaluate(
                    "() => document.activeElement.className + ' ' + document.activeElement.tagName"
                )
            )
        assert any("hx-picture" in name for name in reached)
        assert sum("BUTTON" in name for name in reached) >= 3
        assert any("SELECT" in name for name in reached)


def test_benches_as_pages_answer_their_sliders(as_page: Callable[[str], Any]) -> None:
    with as_page(code_for("line")) as seen:
        before = seen.page.locator(".hx-picture").get_attribute("aria-label")
        seen.page.locator(".hx-bubble-ml .noUi-handle").focus()
        seen.after(lambda: seen.page.keyboard.press("ArrowRight"))
        seen.page.wait_for_function("a => document.querySelector('.hx-picture').ariaLabel !== a", arg=before)
        seen.says(".hx-table", "Natural frequency")
        seen.after(lambda: seen.page.mouse.click(*seen.at(0.75, 0.5)))
        seen.shot("line")
    with as_page(code_for("mystery")) as seen:
        seen.page.locator(".hx-guess select").select_option(index=2)
        seen.after(lambda: seen.page.locator(".hx-tell").click())
        seen.says(".hx-notice", "It is: ")
        seen.shot("mystery")
    with as_page(code_for("swings")) as seen:
        seen.page.locator(".hx-rhythm select").select_option(label="atrial fibrillation")
        seen.says(".hx-table", "rejected")
        seen.shot("swings")


def test_a_cohort_as_a_page_is_selected_filtered_and_saved(
    as_page: Callable[[str], Any], table: Path, tmp_path: Path
) -> None:
    with as_page(code_for(str(table))) as seen:
        page = seen.page
        assert "10000 chosen" in page.locator(".hx-picture").get_attribute("aria-label")
        seen.after(lambda: seen.drag((0.25, 0.4), (0.4, 0.8)))
        page.wait_for_function("!document.querySelector('.hx-picture').ariaLabel.includes('10000 chosen')")
        seen.after(lambda: page.locator(".hx-by select").select_option(label="ward"))
        seen.says(".hx-table", "north")
        seen.shot("cohort")
        page.locator(".hx-path input").fill(str(tmp_path / "some.csv"))
        page.locator(".hx-path input").press("Tab")
        page.locator(".hx-save").click()
        seen.says(".hx-notice", "saved")
        rows = pd.read_parquet(table)
        scope: dict[str, Any] = {}
        exec((tmp_path / "some.py").read_text(encoding="utf-8"), scope)
        saved = pd.read_csv(tmp_path / "some.csv")
        assert 0 < len(saved) < len(rows)
        assert scope["chosen"]["record_id"].tolist() == saved["record_id"].tolist()


def test_the_same_views_in_a_notebook_of_jupyterlab(
    in_lab: Callable[[str], Any], recording: Path, table: Path
) -> None:
    code = f"""import hemoidx as hx
view = hx.explore.RecordingView(hx.load({str(recording)!r}))
view"""
    with in_lab(code) as seen:
        before = seen.page.locator(".hx-picture").get_attribute("aria-label")
        seen.page.locator(".hx-picture").scroll_into_view_if_needed()
        seen.after(lambda: seen.drag((0.6, 0.3), (0.3, 0.3)))
        seen.page.wait_for_function("a => document.querySelector('.hx-picture').ariaLabel !== a", arg=before)
        seen.page.locator(".hx-picture").focus()
        seen.after(lambda: seen.page.keyboard.press("+"))
        seen.shot("lab")


# --- who may look ------------------------------------------------------------------------------------------


def test_nobody_without_the_token_and_nobody_from_elsewhere(recording: Path) -> None:
    pytest.importorskip("voila", reason="voila is not installed")
    with served("1 + 1\n") as (url, process):
        with urllib.request.urlopen(url) as answer:
            assert answer.status == 200
        bare = url.split("?")[0]
        assert _refused(bare)
        command = Path(f"/proc/{process.pid}/cmdline")
        if command.is_file():
            assert url.split("token=")[1].encode() not in command.read_bytes()
        port = int(bare.rsplit(":", 1)[1].strip("/"))
        elsewhere = socket.gethostbyname(socket.gethostname())
        if not elsewhere.startswith("127."):
            with pytest.raises(OSError, match=r"refused|timed out"):
                socket.create_connection((elsewhere, port), 1.0)
    assert process.poll() is not None


def _refused(url: str) -> bool:
    """Whether a request is turned away, or sent to a login."""
    try:
        with urllib.request.urlopen(url) as answer:
            return "login" in answer.url
    except urllib.error.HTTPError as error:
        return error.code in (401, 403)


def test_what_is_not_there_is_said_before_anything_starts(tmp_path: Path) -> None:
    with pytest.raises(DataUnavailableError, match="no recording"):
        code_for(str(tmp_path / "nothing"))
