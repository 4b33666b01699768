"""Hints from the pulse alone: how often right on simulated patients, and what they may not say."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.line.adequacy import errors_of_lines
from hemoidx.line.hints import EVIDENCE, Hint, evidence_of, hint
from hemoidx.line.typical import TypicalBeat, typical_beat
from tests.bench.line import FINE_HZ, draw_patient, hints_table, second_order, sensitivity


@pytest.fixture(scope="module")
def beat():
    """A typical beat at the cannula."""
    one = draw_patient(43001, duration_s=15.0)
    marks = (one.beats[name].to_numpy() * FINE_HZ for name in ("onset_s", "steepest_s", "end_s"))
    return typical_beat(one.wave, FINE_HZ, *marks)


def behind(beat: TypicalBeat, hz: float, damping: float) -> TypicalBeat:
    return TypicalBeat(beat.behind(hz, damping), beat.period_s, beat.fs, beat.noise, beat.beats)


def test_sensitivity_and_specificity_on_seeds_nobody_tuned_on():
    table = hints_table(32, 4300, second_order, lines=4)
    got = sensitivity(table)
    assert got["n_harmed"].min() >= 15
    for kind, least in (("overdamped", 0.85), ("ringing", 0.85)):
        assert got.loc[(kind, "weak or clear"), "sensitivity"] > least
        assert got.loc[(kind, "weak or clear"), "specificity"] > 0.85
        assert got.loc[(kind, "clear"), "specificity"] > 0.92
        assert got.loc[(kind, "clear"), "sensitivity"] > 0.5
    # One pulse cannot suggest both with conviction.
    assert not np.any((table["overdamped"] == "clear") & (table["ringing"] == "clear"))


def test_what_a_line_does_to_the_evidence(beat):
    sound, ringing, slow = (evidence_of(b) for b in (beat, behind(beat, 8.0, 0.1), behind(beat, 5.0, 1.3)))
    assert set(sound) == set(EVIDENCE)
    assert ringing["sharpness"] > 1.3 * sound["sharpness"] > 1.3 * slow["sharpness"]
    assert ringing["crest"] < sound["crest"] < slow["crest"]
    assert ringing["bend"] > sound["bend"] > 2 * slow["bend"]
    assert slow["detail"] < 0.1 * sound["detail"]


def test_evidence_of_a_beat_of_known_shape():
    # A raised cosine of 1 s: half full; above nine tenths for arccos(0.8) / pi; bends with 2 pi^2.
    harmonics = np.zeros(26, dtype=complex)
    harmonics[:2] = 80.0, -20.0
    got = evidence_of(TypicalBeat(harmonics, 1.0, 250.0, np.full(26, 1e-4), 20))
    assert got["fullness"] == pytest.approx(0.5, abs=0.001)
    assert got["crest"] == pytest.approx(np.arccos(0.8) / np.pi, abs=0.005)
    assert got["sharpness"] == pytest.approx(2 * np.pi**2, rel=0.01)
    # Half a second behind the peak it would bend as much upwards; it is looked for up to 0.3 s.
    assert got["bend"] == pytest.approx(-2 * np.pi**2 * np.cos(2 * np.pi * 0.3), rel=0.05)
    # No harmonic there: noise alone sets how little can be seen.
    assert got["detail"] == pytest.approx(1e-4 / 40.0**2)
    harmonics[15] = 0.8
    seen = evidence_of(TypicalBeat(harmonics, 1.0, 250.0, np.full(26, 1e-4), 20))["detail"]
    assert seen == pytest.approx(0.8**2 / 5 / 41.0**2, rel=0.05)


@settings(max_examples=25)
@given(gain=st.floats(0.3, 3.0), level=st.floats(-30, 80))
def test_evidence_does_not_depend_on_size_or_level(beat, gain, level):
    harmonics = gain * beat.harmonics
    harmonics[0] += level
    other = TypicalBeat(harmonics, beat.period_s, beat.fs, gain**2 * beat.noise, beat.beats)
    for name, value in evidence_of(beat).items():
        assert evidence_of(other)[name] == pytest.approx(value, rel=1e-3)


def test_words_are_a_hint_and_no_number(beat):
    found = {
        "ringing": hint(behind(beat, 8.0, 0.08)),
        "overdamped": hint(behind(beat, 4.0, 1.6)),
    }
    for kind, said in found.items():
        assert said.facts == (f"perhaps_{kind}",)
        assert f"perhaps {kind}" in said.words()
        assert "only a flush can tell" in said.words()
        assert not any(ch.isdigit() for ch in said.words())
    assert abs(errors_of_lines(beat, 8.0, 0.08)["sbp"]) > 4
    nothing = Hint("", "", {})
    assert nothing.facts == ()
    assert "does not show that the line is sound" in nothing.words()
    assert Hint("weak", "", {}).words().startswith("A weak hint")


def test_no_pulse_gives_no_hint():
    flat = TypicalBeat(np.zeros(20, dtype=complex), 0.8, 125.0, np.full(20, 1e-6), 10)
    said = hint(flat)
    assert said.facts == ()
    assert all(np.isnan(v) for v in said.evidence.values())
