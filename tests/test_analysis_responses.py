"""Before and after marked interventions: windows, changes, what could have been seen, reasons for nothing."""

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

import hemoidx as hx
from hemoidx.analysis.published import published_context
from hemoidx.analysis.responses import AFTER, Declared, least_significant_change
from hemoidx.context.intervals import EVENTS
from tests.waves import pulses, recording

FS = 125.0
STEP_S = 180.0


def stepped(noise: float = 0.4) -> np.ndarray:
    """Five minutes in which pulse pressure goes from 40 to 48 mmHg at 180 s; beats differ a little."""
    rng = np.random.default_rng(7)
    seconds = np.arange(int(FS * 300)) / FS
    shape = (pulses(FS, 300.0, low=0.0, pulse=1.0)).clip(0, 1)
    beat = np.floor(seconds / 0.8).astype(int)
    height = np.where(seconds < STEP_S, 40.0, 48.0) + noise * rng.standard_normal(beat.max() + 1)[beat]
    return 70.0 + height * shape + 0.05 * rng.standard_normal(seconds.size)


def analysed(*events: dict[str, Any], wave: np.ndarray | None = None, first: int = 0) -> hx.Analysis:
    made = recording(stepped() if wave is None else wave, FS, first=first)
    return hx.analyse(made, context={"events": list(events)})


FLUID = {"kind": "fluid", "from_s": 150.0, "to_s": STEP_S}


@pytest.fixture(scope="module")
def fluid() -> hx.Analysis:
    return analysed(FLUID)


def row(table: pd.DataFrame, index: str = "pp") -> pd.Series:
    return table[table["index"] == index].iloc[0]


def test_a_step_is_found_with_its_error(fluid: hx.Analysis) -> None:
    found = row(fluid.responses(["pp", "mbp", "hr"], before_s=60, after_s=90, wait_s=5))
    assert (found["before_from_s"], found["before_to_s"]) == (90.0, 150.0)
    assert (found["after_from_s"], found["after_to_s"]) == (185.0, 275.0)
    assert found["before"] == pytest.approx(40.0, abs=0.3)
    assert found["after"] == pytest.approx(48.0, abs=0.3)
    assert found["change"] == pytest.approx(8.0, abs=0.4)
    assert found["change_percent"] == pytest.approx(100 * found["change"] / found["before"])
    assert found["before_n"] in (73, 74, 75)
    assert found["after_n"] in (111, 112, 113)
    # 0.4 mmHg from beat to beat: about 0.4 / sqrt(75) on the one side and 0.4 / sqrt(112) on the other.
    assert found["change_se"] == pytest.approx(0.4 * math.hypot(75**-0.5, 112**-0.5), rel=0.5)
    assert found["least_significant_change"] == pytest.approx(1.96 * found["change_se"])
    assert bool(found["exceeds_least"])
    ratio = 100 * math.hypot(found["after_se"], found["before_se"] * found["after"] / found["before"])
    assert found["change_percent_se"] == pytest.approx(ratio / found["before"])
    assert found["reason"] == ""
    assert not row(fluid.responses("hr"), "hr")["exceeds_least"]


def test_where_waiting_starts(fluid: hx.Analysis) -> None:
    assert set(AFTER) == set(EVENTS)
    start = row(fluid.responses("pp", after="start", after_s=20))
    assert (start["after_from_s"], start["after_to_s"]) == (150.0, 170.0)
    assert start["change"] == pytest.approx(0.0, abs=0.4)
    held = analysed({**FLUID, "kind": "leg_raise", "from_s": 180.0, "to_s": 240.0})
    assert row(held.responses("pp", after_s=30, wait_s=20))["after_from_s"] == 200.0
    assert row(held.responses("pp", after="end", after_s=30))["after_from_s"] == 240.0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"declared_percent": 10}, "reached the declared change of 10 %"),
        ({"declared_percent": 30}, "did not reach the declared change of 30 %"),
        ({"declared_percent": -10}, "did not reach the declared change of -10 %"),
        ({"declared_change": 5}, "reached the declared change of 5 mmHg"),
        ({"declared_change": 9}, "did not reach the declared change of 9 mmHg"),
        ({}, ""),
    ],
)
def test_only_a_declared_change_is_reached_or_not(
    fluid: hx.Analysis, options: dict[str, float], words: str
) -> None:
    assert row(fluid.responses("pp", **options))["declared"] == words


def test_nothing_calls_anybody_anything(fluid: hx.Analysis) -> None:
    told = fluid.responses(["pp", "sbp", "hr", "rmssd"], declared_percent=10).to_csv()
    assert "responder" not in told.lower()
    assert "0.64 to 0.70" in told
    assert "responder" not in "".join(
        published_context(kind, index) for kind in EVENTS for index in ("pp", "ppv", "svv_x", "mbp")
    )


def reasons(result: hx.Analysis, **options: Any) -> list[str]:
    found = result.responses("pp", **options)
    for column in ("before", "after", "change", "change_percent", "least_significant_change"):
        assert found.loc[found["reason"] != "", column].isna().all()
    assert found.loc[found["reason"] != "", "exceeds_least"].isna().all()
    assert found.loc[found["reason"] == "", "change"].notna().all()
    return found["reason"].tolist()


def test_windows_off_the_recording() -> None:
    both = analysed({"kind": "fluid", "at_s": 30.0}, {"kind": "fluid", "at_s": 290.0})
    assert reasons(both, before_s=60) == [
        "the window before the event falls off the recording",
        "the window after the event falls off the recording",
    ]
    assert reasons(both, before_s=30, after_s=10) == ["", ""]
    # Times count from the start of the recording, of which a part may have been cut off.
    late = analysed({"kind": "fluid", "at_s": 130.0}, first=int(100 * FS))
    assert reasons(late, before_s=60) == ["the window before the event falls off the recording"]
    assert reasons(late, before_s=25) == [""]


def test_events_that_overlap() -> None:
    near = analysed(FLUID, {"kind": "apnoea", "from_s": 200.0, "to_s": 210.0})
    assert reasons(near, before_s=30, after_s=30)[0] == "another event overlaps (apnoea from 200 s)"
    assert reasons(near, before_s=30, after_s=10)[1] == "another event overlaps (fluid from 150 s)"
    assert reasons(near, before_s=20, after_s=10) == ["", ""]
    assert reasons(near, before_s=30, after_s=20)[0] == ""
    moment = analysed(FLUID, {"kind": "vasopressor_change", "at_s": 130.0})
    assert reasons(moment, kind="fluid", before_s=30)[0].startswith("another event overlaps (vasopressor")
    assert reasons(moment, kind="fluid", before_s=15) == [""]
    alone = moment.responses("pp", kind="fluid")
    assert alone["event"].tolist() == [0]


def test_a_manoeuvre_is_looked_at_while_it_lasts() -> None:
    hold = analysed({"kind": "end_expiratory_occlusion", "from_s": 180.0, "to_s": 195.0})
    assert reasons(hold, after_s=30) == ["the window after its start runs beyond the end of the event"]
    found = row(hold.responses("pp", after_s=10, wait_s=5))
    assert found["change"] == pytest.approx(8.0, abs=0.6)
    # Ten seconds hold two blocks of 5 s or three; with two there is no standard error, and no claim.
    assert math.isnan(found["least_significant_change"]) == (found["exceeds_least"] is pd.NA)


def test_disturbed_windows() -> None:
    wave = stepped()
    wave[int(100 * FS) : int(130 * FS)] = np.nan
    assert reasons(analysed(FLUID, wave=wave)) == [
        "before the event accepted beats cover less than 80 % of the window"
    ]
    wave[int(89 * FS) : int(151 * FS)] = np.nan
    assert reasons(analysed(FLUID, wave=wave)) == ["before the event fewer than 3 beats have a value"]


def test_indices_of_windows_take_whole_windows(fluid: hx.Analysis) -> None:
    found = row(fluid.responses("rmssd", before_s=60, after_s=60), "rmssd")
    windows = fluid.windows.set_index("start_s")["rmssd_s"]
    assert found["before"] == pytest.approx(windows[[90.0, 120.0]].mean())
    assert found["after"] == pytest.approx(windows[[180.0, 210.0]].mean())
    assert (found["before_n"], found["after_n"]) == (2, 2)
    error = fluid.windows.set_index("start_s")["rmssd_s_se"][[90.0, 120.0]]
    assert found["before_se"] == pytest.approx(math.hypot(*error) / 2)
    short = row(fluid.responses("rmssd", before_s=20), "rmssd")
    assert short["reason"] == "before the event holds no whole window of 30 s"


def test_what_shares_the_same_beats_is_told(fluid: hx.Analysis) -> None:
    found = fluid.responses(["pp", "sbp", "hr"])
    assert found["shared_inputs"].tolist() == ["sbp", "pp", ""]
    assert "share the beats before" in found.attrs["caution"]


def test_least_significant_change() -> None:
    assert least_significant_change(3.0, 4.0) == pytest.approx(1.96 * 5)
    assert least_significant_change(2.0) == pytest.approx(2.772 * 2, abs=1e-3)  # 1.96 sqrt(2), as published
    assert least_significant_change(2.0, averaged=4) == pytest.approx(least_significant_change(1.0))
    assert math.isnan(least_significant_change(math.nan, 1.0))


def test_it_holds_its_error_without_a_change() -> None:
    """No change beyond the least significant one in about 19 of 20 comparisons of an even row."""
    rng = np.random.default_rng(1)
    shape = pulses(FS, 3600.0, low=0.0, pulse=1.0).clip(0, 1)
    beat = np.floor(np.arange(shape.size) / FS / 0.8).astype(int)
    wave = 70 + (40 + 0.6 * rng.standard_normal(beat.max() + 1))[beat] * shape
    events = [{"kind": "vasopressor_change", "at_s": float(at)} for at in range(65, 3500, 125)]
    found = analysed(*events, wave=wave).responses("pp", before_s=60, after_s=60)
    assert len(found) == 28
    assert found["reason"].eq("").all()
    assert found["exceeds_least"].astype(bool).sum() <= 5


def test_slow_waves_pass_the_least_change_but_not_the_usual_one() -> None:
    """A mean pressure that swings by itself: random error does not hold that, other pairs of windows do."""
    seconds = np.arange(int(FS * 3600)) / FS
    wave = pulses(FS, 3600.0, low=70.0, pulse=40.0) + 4.0 * np.sin(2 * np.pi * seconds / 500.0)
    rise = wave + np.where(seconds >= 1800.0, 12.0, 0.0)
    event = {"kind": "vasopressor_change", "at_s": 1800.0}
    found, risen = (row(analysed(event, wave=w).responses(["mbp", "pp"]), "mbp") for w in (wave, rise))
    assert found["usual_pairs"] > 50
    # Means over a minute, a minute apart, of a swing of 4 mmHg in 500 s: at most 2.9 mmHg.
    most = 8.0 * math.sin(math.pi * 60 / 500) * math.sin(math.pi * 60 / 500) / (math.pi * 60 / 500)
    assert found["usual_change"] == pytest.approx(most, rel=0.05)
    assert bool(found["exceeds_least"])
    assert not found["exceeds_usual"]
    assert bool(risen["exceeds_usual"])
    # No pair touches the event itself.
    assert risen["usual_change"] == pytest.approx(found["usual_change"], abs=0.05)


def test_a_short_recording_does_not_know_its_usual_change(fluid: hx.Analysis) -> None:
    found = row(fluid.responses("pp"))
    assert found["usual_pairs"] < 20
    assert math.isnan(found["usual_change"])
    assert found["exceeds_usual"] is pd.NA


def test_a_saved_analysis_answers_alike(fluid: hx.Analysis, tmp_path: Any) -> None:
    fluid.save(tmp_path / "saved")
    again = hx.Analysis.open(tmp_path / "saved")
    pd.testing.assert_frame_equal(again.responses(["pp", "rmssd"]), fluid.responses(["pp", "rmssd"]))
    pd.testing.assert_frame_equal(again.exposure("mbp", below=85), fluid.exposure("mbp", below=85))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"before_s": 0}, "before_s must be above 0"),
        ({"wait_s": -1}, "must not be negative"),
        ({"after": "middle"}, "'start' or 'end'"),
        ({"declared_percent": 10, "declared_change": 5}, "declare one change"),
        ({"declared_percent": 0}, "0 has neither"),
        ({"kind": "cough"}, "no event is called 'cough'"),
        ({"names": "nothing"}, "no index is called 'nothing'"),
        ({"names": "mbp_twa_below_65"}, "one value of the recording"),
    ],
)
def test_what_cannot_be_asked(fluid: hx.Analysis, options: dict[str, Any], words: str) -> None:
    with pytest.raises(hx.InputError, match=words):
        fluid.responses(**{"names": "pp", **options})


def test_no_event_no_row(fluid: hx.Analysis) -> None:
    assert fluid.responses("pp", kind="apnoea").empty
    assert Declared().words(math.nan, math.nan, "mmHg") == ""
