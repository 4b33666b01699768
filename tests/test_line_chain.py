"""The measuring chain as `analyse` uses it: what holds when, and what becomes of the numbers."""

from pathlib import Path

import numpy as np
import pytest

import hemoidx as hx
from hemoidx.facts import mask
from hemoidx.line import FlushReading
from hemoidx.line.physics import PhysicalLine
from hemoidx.line.states import STALE_AFTER_S, line_states, state_of
from hemoidx.simulate import Event, Scenario, simulate
from hemoidx.simulate.tube import equivalent
from hemoidx.tables import has_fact

FS = 125.0


def flush(at: float, hz: float = 15.0, damping: float = 0.3, se: float = 0.01) -> FlushReading:
    """A flush that was measured, released so many samples after the start."""
    interval = {
        "natural_frequency_hz_low": hz - 0.3, "natural_frequency_hz_high": hz + 0.3,
        "damping_ratio_low": damping - 0.02, "damping_ratio_high": damping + 0.02,
    }  # fmt: skip
    errors = {"natural_frequency_hz_se": se * hz, "damping_ratio_se": se * damping}
    return FlushReading(at - 50, at, hz, damping, **errors, **interval, method="fit from rest", resolved=True)


def test_flushes_without_a_disturbance_between_them_are_put_together() -> None:
    states = line_states([flush(1000), flush(3000), flush(9000)], [5000.0], FS, 20_000)
    assert [s.dynamics.n_flushes for s in states] == [1, 2, 1]
    assert [(s.start, s.stop) for s in states] == [(1000, 3000), (3000, 9000), (9000, 20_000)]
    assert [s.fresh_until for s in states] == [3000, 5000, 20_000]


def test_a_flush_tells_of_what_follows_it_until_it_is_stale() -> None:
    late = 1000 + STALE_AFTER_S * FS
    states = line_states([flush(1000)], [], FS, int(2 * late))
    number, stale = state_of(states, [999.0, 1000.0, late - 1, late])
    assert number.tolist() == [-1, 0, 0, 0]
    assert stale.tolist() == [False, False, False, True]
    assert state_of((), [5.0])[0].tolist() == [-1]
    # Two flushes more than eight hours apart are not put together.
    assert line_states([flush(0), flush(late)], [], FS, int(2 * late))[1].dynamics.n_flushes == 1


def test_a_flush_that_tells_nothing_leaves_the_line_as_it_was() -> None:
    assert line_states([FlushReading(10.0, reason="clipped")], [], FS, 1000) == ()


def line_scenario(hz: float, damping: float, **more: object) -> Scenario:
    """A recording with a flush at 20 s on a line of these parameters."""
    events = more.pop("events", (Event("flush", 20.0, 1.5),))
    return Scenario(
        seed=11, duration_s=120.0, fs=250.0, step=0.25, line_hz=hz, line_damping=damping, noise=0.2,
        events=events, **more,
    )  # type: ignore[arg-type]  # fmt: skip


@pytest.fixture(scope="module")
def ringing() -> hx.Analysis:
    return hx.analyse(simulate(line_scenario(9.0, 0.12)).recording)


@pytest.fixture(scope="module")
def damped() -> hx.Analysis:
    return hx.analyse(simulate(line_scenario(5.0, 1.1)).recording)


def test_a_ringing_line_is_measured_and_takes_its_numbers_along(ringing: hx.Analysis) -> None:
    row = ringing.flushes.iloc[0]
    assert row["natural_frequency_hz"] == pytest.approx(9.0, rel=0.03)
    assert row["damping_ratio"] == pytest.approx(0.12, abs=0.03)
    # It rang before the flush as well: a flush makes no fault.
    assert has_fact(ringing.beats, "line_underdamped").all()
    assert (ringing.beats["sbp_line_error"].dropna() > 2.0).all()
    assert ringing.beats["sbp_line_error"].isna().sum() <= 1
    # What the line does to systolic and diastolic pressure decides; the mean is not touched.
    verdict = ringing.verdicts("sbp", "windows").iloc[2]
    assert verdict["measurement"] in ("caution", "rejected")
    assert "the measured line puts it off" in verdict["reasons"]
    assert ringing.verdicts("mbp", "windows")["measurement"].iloc[2] == "accepted"
    assert ringing.verdicts("hr", "windows")["measurement"].iloc[2] == "accepted"


def test_a_sound_line_says_nothing_of_what_lies_before_its_flush() -> None:
    sound = hx.analyse(simulate(line_scenario(25.0, 0.5)).recording)
    after = sound.beats["onset_s"] > sound.flushes["release_s"].iloc[0]
    assert 10 < after.sum() < after.size - 10
    assert sound.beats["sbp_line_error"].notna().tolist() == after.tolist()
    # Nor does a faulty one of the time before the tap was turned.
    events = (Event("open_to_air", 10.0, 5.0, level=0.0), Event("flush", 30.0, 1.5))
    faulty = hx.analyse(simulate(line_scenario(9.0, 0.12, events=events)).recording)
    assert has_fact(faulty.beats, "line_underdamped").tolist() == (faulty.beats["onset_s"] > 12.0).tolist()


def test_an_overdamped_line_rejects_what_it_bends(damped: hx.Analysis) -> None:
    assert has_fact(damped.windows, "line_overdamped")[-2:].all()
    assert has_fact(damped.beats, "line_bends_upstroke").any()
    assert damped.windows["dpdt_max"].iloc[-2:].isna().all()
    reasons = damped.verdicts("dpdt_max")["reasons"].iloc[-2]
    assert "steepest rise by more than a fifth" in reasons
    assert damped.windows["mbp"].iloc[-2:].notna().all()


@pytest.mark.parametrize(
    ("events", "told"),
    [
        (
            (Event("flush", 20.0, 1.5), Event("gap", 21.55, 1.5), Event("flush", 60.0, 1.5)),
            "Of 2 flushes, 1 does not count (the recording is cut off right after the release).",
        ),
        (
            (Event("flush", 20.0, 1.5), Event("open_to_air", 35.0, 8.0), Event("flush", 60.0, 1.5)),
            "Of 2 flushes, 1 does not count (let go before the line was last opened or turned off, or over "
            "8 h before the last one).",
        ),
        (
            (Event("flush", 20.0, 1.5), Event("gap", 21.55, 1.5)),
            "It does not count: the recording is cut off right after the release.",
        ),
    ],
)
def test_a_flush_that_does_not_count_is_explained_in_the_lead(events: tuple[Event, ...], told: str) -> None:
    words = hx.analyse(simulate(line_scenario(9.0, 0.12, events=events)).recording).info["line"]["words"]
    # Right behind the sentence whose number of flushes would else be a riddle.
    assert words[1] == told


def test_every_flush_that_counts_needs_no_word(ringing: hx.Analysis) -> None:
    assert not any("count" in words for words in ringing.info["line"]["words"])


def test_a_tap_turned_after_the_flush_makes_it_stale() -> None:
    events = (Event("flush", 10.0, 1.5), Event("open_to_air", 60.0, 5.0))
    result = hx.analyse(simulate(line_scenario(15.0, 0.4, events=events)).recording)
    stale = has_fact(result.beats, "flush_stale")
    assert stale.tolist() == (result.beats["onset_s"] > 60.0).tolist()
    assert result.beats.loc[stale, "sbp_line_error"].isna().all()
    assert result.verdicts("sbp", "windows")["measurement"].iloc[-1] == "caution"
    assert result.verdicts("mbp", "windows")["measurement"].iloc[-1] == "accepted"


def test_a_zero_that_was_left_off_is_a_fact_and_can_be_taken_out() -> None:
    events = (Event("open_to_air", 20.0, 3.0, level=8.0),)
    rec = simulate(line_scenario(20.0, 0.5, events=events)).recording
    result = hx.analyse(rec)
    off = has_fact(result.beats, "zero_not_applied")
    assert off.tolist() == (result.beats["onset_s"] > 22.0).tolist()
    assert result.beats.loc[off, "static_error"].to_numpy() == pytest.approx(8.0, abs=0.3)
    # 8 mmHg is too much to show; pulse pressure and rate do not care.
    last = result.windows.iloc[-1]
    assert last[["sbp", "dbp", "mbp"]].isna().all()
    assert last[["pp", "hr"]].notna().all()
    zero = hx.line.zeros_of(rec, "ABP", result.spans)
    again = hx.analyse(hx.line.correct_zero(rec, "ABP", zero, backwards=True), channel="ABP_zeroed")
    assert again.windows[["sbp", "dbp", "mbp"]].iloc[-1].notna().all()
    assert not has_fact(again.beats, "zero_not_applied").any()
    assert again.windows["mbp"].iloc[-1] == pytest.approx(
        result.unchecked("mbp", "windows")["value"].iloc[-1] - 8.0, abs=0.3
    )


def test_a_documented_height_shifts_pressures_and_says_how_sure() -> None:
    events = (Event("open_to_air", 20.0, 5.0, level=0.0),)
    rec = simulate(line_scenario(20.0, 0.5, events=events)).recording
    low = hx.analyse(rec, context={"transducer_height_cm": -5.0, "transducer_height_se_cm": 1.0})
    # 10 cm of water are 7.36 mmHg (definition of both units); a transducer too low reads too high.
    late = low.beats["onset_s"] > 30.0
    assert low.beats.loc[late, "static_error"].to_numpy() == pytest.approx(3.68, abs=0.15)
    assert low.verdicts("mbp")["measurement"].iloc[-1] == "caution"
    assert low.verdicts("pp")["measurement"].iloc[-1] == "accepted"
    both = low.plus_minus("mbp").iloc[-1]
    assert both["low"] < both["value"] < both["high"]
    # 1 cm is 0.74 mmHg; zero and drift add to that.
    assert both["high"] - both["value"] == pytest.approx(1.96 * 0.75, abs=0.2)
    unsure = hx.analyse(rec, context={"transducer_height_cm": -5.0})
    assert np.isnan(unsure.plus_minus("mbp")["low"].iloc[-1])
    with pytest.raises(hx.InputError, match="do not change it"):
        low.plus_minus("hr")
    levelled = hx.line.correct_level(rec, "ABP", hx.line.Level(-5.0))
    again = hx.analyse(levelled, "ABP_levelled", context={"transducer_height_cm": -5.0})
    assert again.beats["static_error"].iloc[-1] == pytest.approx(-3.68 + 3.68, abs=4.0)
    assert again.windows["mbp"].iloc[-1] == pytest.approx(low.windows["mbp"].iloc[-1] - 3.68, abs=0.1)


def test_a_checked_gain_is_said_and_carried() -> None:
    rec = simulate(line_scenario(20.0, 0.5, events=())).recording
    line = hx.line.calibrate([0.0, 50.0, 100.0, 200.0], [0.2, 50.8, 101.4, 202.2])
    result = hx.analyse(hx.line.apply(rec, "ABP", line), "ABP_calibrated")
    assert not int(result.record["facts"].iloc[0]) & mask("gain_unchecked")
    assert int(hx.analyse(rec).record["facts"].iloc[0]) & mask("gain_unchecked")
    share = 100.0 * line.gain_se / line.gain
    assert result.beats["gain_error_se"].to_numpy() == pytest.approx(share)
    both = result.plus_minus("pp").iloc[-1]
    assert both["high"] - both["value"] == pytest.approx(1.96 * share / 100.0 * both["value"])


def test_a_set_up_sheet_speaks_through_facts_and_report(tmp_path: Path) -> None:
    rec = simulate(line_scenario(20.0, 0.5, events=())).recording
    sheet = {"tubing_length_cm": 200, "tubing_stiffness": "soft", "bubble_volume_ml": 0.2, "zeroed": False}
    result = hx.analyse(rec, context={"setup": sheet})
    assert not int(result.record["facts"].iloc[0]) & mask("setup_undocumented")
    assert {f["rule"] for f in result.info["line"]["setup"]} >= {"not_zeroed", "tubing_long"}
    facts = {name for name in ("perhaps_overdamped", "perhaps_ringing") if has_fact(result.beats, name).all()}
    assert facts
    assert has_fact(result.beats, "setup_offset").all()
    assert result.verdicts("sbp")["measurement"].iloc[1] == "caution"
    assert "set-up sheet" in result.verdicts("sbp")["reasons"].iloc[1]
    result.report(tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "found on the set-up sheet" in page
    assert "licensed practice decide at the bedside" in page
    # It comes back with the analysis, and its site counts as documented.
    result.save(tmp_path / "kept")
    assert hx.Analysis.open(tmp_path / "kept").verdicts("sbp").equals(result.verdicts("sbp"))
    at_the_wrist = hx.analyse(rec, context={"setup": {**sheet, "cannula_site": "radial"}})
    assert not int(at_the_wrist.record["facts"].iloc[0]) & mask("site_undocumented")
    with pytest.raises(hx.InputError, match="both"):
        hx.analyse(rec, context={"setup": {"cannula_site": "radial"}, "site": "femoral"})


def test_a_sheet_is_read_beside_the_context_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "sheet.yaml").write_text("tubing_length_cm: 200\nzeroed: false\n", encoding="utf-8")
    (tmp_path / "context.yaml").write_text("site: radial\nsetup: sheet.yaml\n", encoding="utf-8")
    known = hx.Context.read(tmp_path / "context.yaml")
    assert known.setup == hx.line.Setup(tubing_length_cm=200, zeroed=False)
    (tmp_path / "context.csv").write_text("site,setup\nradial,sheet.yaml\n", encoding="utf-8")
    assert hx.Context.read(tmp_path / "context.csv") == known
    with pytest.raises(hx.HemoidxError, match="nowhere"):
        hx.Context.read({"setup": "nowhere.yaml"})


def test_without_a_flush_the_pulse_may_hint() -> None:
    slow = hx.analyse(simulate(line_scenario(3.5, 1.3, events=())).recording)
    assert has_fact(slow.beats, "perhaps_overdamped").all()
    assert slow.verdicts("sbp")["measurement"].iloc[1] == "caution"
    assert "suggest an overdamped line" in slow.verdicts("sbp")["reasons"].iloc[1]
    assert slow.verdicts("mbp")["measurement"].iloc[1] == "accepted"
    assert any("only a flush can tell" in words for words in slow.info["line"]["words"])


def test_a_corrected_channel_is_an_ordinary_one_and_says_so() -> None:
    through = simulate(line_scenario(12.0, 0.2))
    first = hx.analyse(through.recording)
    assert first.dynamics is not None
    rec = hx.line.correct(through.recording, "ABP", first.dynamics)
    result = hx.analyse(rec, channel="ABP_corrected")
    assert has_fact(result.beats, "line_corrected").all()
    assert result.beats["sbp_line_error"].isna().all()
    assert result.flushes.empty
    assert not int(result.record["facts"].iloc[0]) & mask("line_unknown")
    assert result.verdicts("sbp")["measurement"].iloc[-1] == "caution"
    assert first.info["line"]["states"]
    assert "taken out of this wave" in result.info["line"]["words"][0]


def test_a_catalogue_without_the_errors_of_the_chain_still_judges() -> None:
    rec = simulate(line_scenario(9.0, 0.12)).recording
    ours = hx.default_catalogue()
    few = hx.Catalogue(tuple(ours[name] for name in ("sbp", "duration", "hr")))
    result = hx.analyse(rec, catalogue=few)
    assert result.windows["sbp"].notna().any()
    assert result.verdicts("sbp")["measurement"].iloc[1] in ("accepted", "caution")


def test_the_start_of_a_real_line_is_told_in_order(real_data: Path) -> None:
    # MIMIC-II waveform database, 3975656_0013 (open data): a line is flushed, opened, zeroed, flushed again
    # and brought into use. Times seen in the plot of the recording by eye: flushes from 0.0, 2.4, 20.4 and
    # 23.0 s; opened from 7.8 s, its level falls from 7.6 mmHg to 0 at 10.5 s; pulses from 24.5 s on.
    result = hx.analyse(hx.load(real_data / "mimic2wdb-excerpt/s00001/3975656_0013"))
    assert result.flushes["start_s"].to_numpy() == pytest.approx([0.0, 2.4, 20.4, 23.0], abs=0.15)
    assert result.zeros["zeroed"].tolist() == [False, True, False]
    assert result.zeros["level"].to_numpy() == pytest.approx([7.6, 0.0, 0.0], abs=0.5)
    assert result.zeros["start_s"].iloc[1] == pytest.approx(10.5, abs=0.2)
    story = [(row["at_s"], row["what"]) for row in result.info["line"]["story"]]
    order = [
        "fast flush",
        "fast flush",
        "open to air",
        "zeroed",
        "fast flush",
        "fast flush",
        "pulses",
        "open",
    ]
    assert [what.startswith(word) for (_, what), word in zip(story, order, strict=True)] == [True] * 8
    assert dict((what[:6], at) for at, what in story)["pulses"] == pytest.approx(24.5, abs=0.3)
    last = result.flushes.iloc[-2:]
    assert last["natural_frequency_hz"].between(12.0, 20.0).all()
    assert last["damping_ratio"].between(0.15, 0.5).all()


def test_flushes_that_differ_too_far_leave_bounds() -> None:
    # As read from the real start-up recording 3975656_0013 of the MIMIC-II waveform database.
    first = FlushReading(
        0.0, 1.0, 17.3, 0.37, 0.19, 0.007, 16.9, 17.7, 0.36, 0.39, method="fit from rest", resolved=True
    )
    second = FlushReading(
        9.0, 10.0, 15.2, 0.22, 0.25, 0.010, 14.6, 15.7, 0.20, 0.24, method="fit of the ringing", resolved=True
    )
    together = hx.line.pool([first, second])
    assert (together.resolved, together.disagree, together.n_flushes) == (False, True, 2)
    assert (together.natural_frequency_hz_low, together.natural_frequency_hz_high) == (14.6, 17.7)
    assert (together.damping_ratio_low, together.damping_ratio_high) == (0.20, 0.39)
    assert "differ by more than their errors" in together.words()
    alike = hx.line.pool([first, first])
    assert alike.resolved
    assert not alike.disagree


def test_the_line_comes_back_from_the_description(ringing: hx.Analysis, tmp_path: Path) -> None:
    known = ringing.dynamics
    assert known is not None
    ringing.save(tmp_path / "kept")
    again = hx.Analysis.open(tmp_path / "kept").dynamics
    assert again is not None
    assert again.words() == known.words()
    assert again.natural_frequency_hz == known.natural_frequency_hz
    assert again.resolved
    assert hx.analyse(simulate(line_scenario(9.0, 0.12, events=())).recording).dynamics is None


@pytest.mark.parametrize("closing_s", [0.03, 0.08])
def test_flushes_on_a_tube_tell_how_it_rings(closing_s: float) -> None:
    # A line with waves in it and a valve that takes time to close: what rings on is what the tube rings at,
    # by its own transfer function.
    tube = PhysicalLine(tubing_length_cm=150.0, wall_compliance_mm3_per_mmhg_m=0.02, taps=1)
    scenario = line_scenario(25.0, 0.5, line=tube, closing_s=closing_s)
    row = hx.analyse(simulate(scenario).recording).flushes.iloc[0]
    rings = equivalent(tube)
    assert row["natural_frequency_hz"] == pytest.approx(rings.ringing_hz, rel=0.03)
    assert row["damping_ratio"] == pytest.approx(rings.ringing_damping, abs=0.03)


def test_what_is_known_by_bounds_shows_no_number() -> None:
    rec = simulate(line_scenario(25.0, 1.2).replace(fs=125.0, step=1.2)).recording
    row = hx.analyse(rec).flushes.iloc[0]
    assert np.isnan(row["natural_frequency_hz"])
    assert np.isnan(row["damping_ratio"])
    assert row["reason"]
    assert row["damping_ratio_low"] < 1.2 < row["damping_ratio_high"]
