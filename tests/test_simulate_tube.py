"""The distributed line against lumped ladders, closed forms, conservation laws, and in whole recordings."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from hemoidx.errors import InputError
from hemoidx.line.measure import measure_flushes
from hemoidx.line.physics import Chamber, PhysicalLine, Pipe, chain, lumped
from hemoidx.line.response import frequency_response, through
from hemoidx.line.tubing import Fluid
from hemoidx.simulate import Event, Scenario, simulate_arrays
from hemoidx.simulate.release import FLUSH_FLOW, flush_release, tap_release
from hemoidx.simulate.tube import (
    chain_matrix,
    equivalent,
    flush_transfer,
    impulse_response,
    steady_resistance,
    through_tube,
    transducer_impedance,
    transfer,
)

F = np.linspace(0.1, 120.0, 400)
# A tube whose wall stores and whose fluid resists, both without memory: what a ladder can copy.
PLAIN = PhysicalLine(profile="plug", wall_loss=0.0, taps=0, bubble_volume_ml=0.003, bubble_at=0.5)
LINES = st.builds(
    PhysicalLine,
    tubing_length_cm=st.floats(5, 300),
    tubing_bore_mm=st.floats(0.6, 4),
    wall_compliance_mm3_per_mmhg_m=st.floats(0, 0.3),
    wall_loss=st.floats(0, 1),
    taps=st.integers(0, 4),
    cannula_length_mm=st.floats(0, 150),
    cannula_bore_mm=st.floats(0.3, 2),
    constriction_mmhg_s_per_ml=st.floats(0, 2000),
    transducer_compliance_mm3_per_100mmhg=st.floats(0.01, 5),
    bubble_volume_ml=st.floats(0, 1),
    bubble_at=st.floats(0, 1),
    profile=st.sampled_from(["plug", "parabolic", "oscillating"]),
)


class Ladder:
    """The same line as a chain of small lumps: flows [m3/s] and pressures [Pa] as states."""

    def __init__(self, line: PhysicalLine, cells: int) -> None:
        drag, inert, give = [], [], []
        waiting = [0.0, 0.0]
        for part in chain(line):
            if isinstance(part, Pipe):
                area = math.pi * part.radius**2
                mu = line.fluid.viscosity_mpa_s / 1000
                whole = 8 * mu * part.length / (math.pi * part.radius**4)
                mass = line.fluid.density_kg_m3 * part.length / area
                if not part.compliance:
                    waiting[0] += whole
                    waiting[1] += mass
                    continue
                if waiting[1]:
                    drag.append(waiting[0])
                    inert.append(waiting[1])
                    give.append(0.0)
                    waiting = [0.0, 0.0]
                each = part.compliance * part.length / cells
                give[-1] += each / 2
                drag += [whole / cells] * cells
                inert += [mass / cells] * cells
                give += [each] * (cells - 1) + [each / 2]
            else:
                assert isinstance(part, Chamber)
                give[-1] += part.compliance
        n = len(drag)
        self.drag = np.array(drag)
        self.a = np.zeros((2 * n, 2 * n))
        for i in range(n):
            self.a[i, i] = -drag[i] / inert[i]
            self.a[i, n + i] = -1 / inert[i]
            self.a[n + i, i] = 1 / give[i]
            if i:
                self.a[i, n + i - 1] = 1 / inert[i]
                self.a[n + i - 1, i] = -1 / give[i - 1]
        self.artery, self.flush = np.zeros(2 * n), np.zeros(2 * n)
        self.artery[0] = 1 / inert[0]
        self.flush[-1] = 1 / give[-1]
        self.n = n

    def response(self, f: np.ndarray, source: np.ndarray) -> np.ndarray:
        eye = np.eye(2 * self.n)
        return np.array([np.linalg.solve(2j * np.pi * x * eye - self.a, source)[-1] for x in f])

    def run(self, source: np.ndarray, u: np.ndarray, rate: float, start: np.ndarray) -> np.ndarray:
        out = np.zeros(2 * self.n)
        out[-1] = 1.0
        system = signal.StateSpace(self.a, source[:, None], out[None, :], [[0.0]])
        _, y, _ = signal.lsim(system, u, np.arange(u.size) / rate, X0=start)
        return y


# Frequency domain ----------------------------------------------------------------------------------------


def test_a_short_stiff_tube_is_the_lumped_line() -> None:
    line = PLAIN.replace(
        tubing_length_cm=10.0,
        bubble_volume_ml=0.0,
        wall_compliance_mm3_per_mmhg_m=0.0,
        transducer_compliance_mm3_per_100mmhg=3.0,
    )
    found = lumped(line)
    wanted = frequency_response(F, found.natural_frequency_hz, found.damping_ratio)
    assert np.abs(transfer(line, F) - wanted).max() < 1e-9 * np.abs(wanted).max()
    # The flush's transfer has the zero of the moving column: (1 + s L / R) H, L / R = 1 / (2 z w).
    lead = 1 + 1j * (F / found.natural_frequency_hz) / (2 * found.damping_ratio)
    assert np.abs(flush_transfer(line, F) - lead * wanted).max() < 1e-9 * np.abs(lead * wanted).max()


def test_a_lossless_closed_tube_resonates_at_odd_quarter_waves() -> None:
    # Any text on acoustics: pressure at the closed end over that at the open one is 1 / cos(w l / c).
    line = PhysicalLine(
        fluid=Fluid(1000.0, 0.0),
        wall_loss=0.0,
        taps=0,
        cannula_length_mm=0.0,
        transducer_compliance_mm3_per_100mmhg=0.0,
    )
    area = math.pi * 0.00075**2
    speed = 1 / math.sqrt(1000.0 / area * 0.012e-9 / 133.322387415)
    quarter = speed / (4 * 1.2)
    f = np.array([0.2, 0.5, 0.9, 1.1, 2.0, 2.9, 3.3]) * quarter
    assert transfer(line, f) == pytest.approx(1 / np.cos(np.pi / 2 * f / quarter), rel=1e-7)
    assert abs(transfer(line, quarter)) > 1e8
    assert lumped(line).natural_frequency_hz == pytest.approx(quarter, rel=1e-4)


@pytest.mark.parametrize("load", [0.02, 0.3, 5.0])
def test_a_loaded_lossless_tube_resonates_where_theory_says(load: float) -> None:
    # x tan(x) = wall compliance / transducer compliance, x the angle of a quarter wave.
    from scipy.optimize import brentq

    line = PhysicalLine(
        fluid=Fluid(1000.0, 0.0),
        wall_loss=0.0,
        taps=0,
        cannula_length_mm=0.0,
        transducer_compliance_mm3_per_100mmhg=load,
    )
    wall = 0.012 * 1.2
    x = brentq(lambda x: x * math.tan(x) - wall / (load / 100), 1e-6, math.pi / 2 - 1e-9)
    inertance = 1000.0 * 1.2 / (math.pi * 0.00075**2)
    hz = x / (2 * math.pi * math.sqrt(inertance * wall * 1e-9 / 133.322387415))
    assert abs(chain_matrix(line, 2j * np.pi * hz).a) < 1e-9
    assert lumped(line).natural_frequency_hz == pytest.approx(hz, rel=1e-4)


def test_the_chain_matrix_is_the_limit_of_ladders() -> None:
    errors = []
    f = np.linspace(0.1, 50.0, 120)
    for cells in (4, 8, 16):
        ladder = Ladder(PLAIN, cells)
        gap = ladder.response(f, ladder.artery) - transfer(PLAIN, f)
        z = ladder.response(f, ladder.flush) / (133.322387415 * 1e6) - transducer_impedance(PLAIN, f)
        errors.append((np.abs(gap).max(), np.abs(z).max() / np.abs(transducer_impedance(PLAIN, f)).max()))
    (h4, z4), (h8, z8), (h16, z16) = errors
    # Second order: half the length of a cell, a quarter of the error.
    assert h16 < 0.03
    assert 3.3 < h8 / h16 < 4.7
    assert 3.3 < z8 / z16 < 4.7
    assert h4 > h8
    assert z4 > z8


@given(LINES, st.floats(0.001, 400))
def test_the_line_is_reciprocal_and_makes_no_energy(line: PhysicalLine, hz: float) -> None:
    m = chain_matrix(line, np.array([2j * np.pi * hz]))
    scale = max(abs(m.a[0] * m.d[0]), abs(m.b[0] * m.c[0]), 1.0)
    assert abs(m.a[0] * m.d[0] - m.b[0] * m.c[0] - 1) < 1e-9 * scale
    impedance = transducer_impedance(line, np.array([hz]))[0]
    assert impedance.real >= -1e-10 * abs(impedance)
    # Power into the line from the artery, the transducer taking none.
    admittance = m.c[0] / m.a[0]
    assert admittance.real >= -1e-10 * abs(admittance)


@given(LINES)
def test_static_gain_is_one_and_steady_flow_meets_poiseuille(line: PhysicalLine) -> None:
    assert transfer(line, 0.0) == 1.0
    assert flush_transfer(line, 0.0) == pytest.approx(1.0, abs=1e-12)
    drag = sum(
        8 * line.fluid.viscosity_mpa_s / 1000 * part.length / (math.pi * part.radius**4)
        for part in chain(line)
        if isinstance(part, Pipe)
    )
    wanted = drag / (133.322387415 * 1e6) + line.constriction_mmhg_s_per_ml
    assert steady_resistance(line) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("changes", [{}, {"bubble_volume_ml": 0.1}, {"tubing_length_cm": 60.0}])
def test_equivalent_finds_the_pole(changes: dict[str, float]) -> None:
    line = PhysicalLine(**changes)  # type: ignore[arg-type]
    found = equivalent(line)
    w, z = 2 * np.pi * found.ringing_hz, found.ringing_damping
    pole = w * complex(-z, math.sqrt(1 - z * z))
    assert abs(chain_matrix(line, np.array([pole])).a[0]) < 1e-6
    assert found.ringing_hz == pytest.approx(lumped(line).natural_frequency_hz, rel=0.03)
    gain = np.abs(transfer(line, np.array([0.99, 1.0, 1.01]) * found.peak_hz))
    assert gain[1] == pytest.approx(found.peak_gain)
    assert gain[1] >= gain.max()


def test_equivalent_gives_a_lumped_line_back() -> None:
    line = PLAIN.replace(tubing_length_cm=10.0, wall_compliance_mm3_per_mmhg_m=0.0, bubble_volume_ml=0.0)
    line = line.replace(transducer_compliance_mm3_per_100mmhg=10.0)
    found, wanted = equivalent(line), lumped(line)
    assert found.natural_frequency_hz == pytest.approx(wanted.natural_frequency_hz, rel=1e-6)
    assert found.damping_ratio == pytest.approx(wanted.damping_ratio, rel=1e-6)
    assert found.misfit < 1e-6
    slow = line.replace(constriction_mmhg_s_per_ml=2000.0)
    assert lumped(slow).damping_ratio > 1
    assert equivalent(slow).damping_ratio == pytest.approx(lumped(slow).damping_ratio, rel=1e-5)
    assert math.isnan(equivalent(slow).ringing_hz)
    assert equivalent(slow).peak_gain == 1.0


# Time domain ---------------------------------------------------------------------------------------------


def step(size: int, at: int) -> np.ndarray:
    """A step of 20 on 90 mmHg, smooth enough for a band-limited wave."""
    t = np.clip((np.arange(size) - at) / 40.0, 0.0, 1.0)
    return 90.0 + 20.0 * (0.5 - 0.5 * np.cos(np.pi * t))


def test_a_steady_pressure_and_the_mean_pass_unchanged() -> None:
    line = PhysicalLine(bubble_volume_ml=0.05)
    assert np.array_equal(through_tube(np.full(5000, 93.7), line, 500.0), np.full(5000, 93.7))
    t = np.arange(20000) / 1000.0
    wave = 90 + 20 * np.sin(2 * np.pi * 1.0 * t) + 8 * np.sin(2 * np.pi * 4.0 * t + 1)
    assert through_tube(wave, line, 1000.0)[5000:15000].mean() == pytest.approx(90.0, abs=1e-6)
    assert impulse_response(line, 1000.0)[0].sum() == pytest.approx(1.0, abs=1e-12)


def test_a_sine_passes_as_its_transfer_says() -> None:
    line = PhysicalLine()
    t = np.arange(8000) / 1000.0
    for hz in (1.0, 7.0, 22.0, 40.0):
        got = through_tube(80 + 10 * np.sin(2 * np.pi * hz * t), line, 1000.0)[4000:7000]
        want = 80 + 10 * np.imag(transfer(line, hz) * np.exp(2j * np.pi * hz * t[4000:7000]))
        assert np.abs(got - want).max() < 0.01


def test_a_short_stiff_tube_passes_a_wave_as_the_lumped_line_does() -> None:
    line = PLAIN.replace(tubing_length_cm=30.0, wall_compliance_mm3_per_mmhg_m=0.0, bubble_volume_ml=0.0)
    line = line.replace(transducer_compliance_mm3_per_100mmhg=10.0)
    found, wave = lumped(line), step(8000, 2000)
    want = through(wave, found.natural_frequency_hz, found.damping_ratio, 4000.0)
    assert np.abs(through_tube(wave, line, 4000.0) - want).max() < 0.02


def test_a_long_tube_passes_a_wave_as_a_fine_ladder_does() -> None:
    wave, rate = step(4000, 400), 2000.0
    ladder = Ladder(PLAIN, 32)
    want = 90 + ladder.run(ladder.artery, wave - 90, rate, np.zeros(2 * ladder.n))
    got = through_tube(wave, PLAIN, rate)
    assert np.ptp(got) > 25
    assert np.abs(got - want).max() < 0.1


def test_the_rate_of_the_samples_does_not_matter() -> None:
    line, wave = PhysicalLine(), step(8000, 2000)
    fine = through_tube(wave, line, 4000.0)
    assert np.abs(through_tube(wave[::4], line, 1000.0) - fine[::4]).max() < 0.02


def closing(rate: float, closing_s: float, size: int) -> np.ndarray:
    """Half a cosine from 1 to 0."""
    t = np.arange(size) / rate / closing_s
    return np.where(t < 1, 1 - t + np.sin(2 * np.pi * t) / (2 * np.pi), 0.0)


def test_a_flush_is_let_go_as_a_ladder_lets_it_go() -> None:
    rate, size, closing_s = 4000.0, 4000, 0.03
    ladder = Ladder(PLAIN, 32)
    valve = closing(rate, closing_s, size)
    t = np.arange(size) / rate
    # All pressure drives flow: the column moves towards the artery when the valve closes.
    flow = -1 / ladder.drag.sum()
    moving = np.concatenate([np.full(ladder.n, flow), np.cumsum(ladder.drag) * -flow])
    want = ladder.run(ladder.flush, -flow * valve, rate, moving)
    got = flush_release(t, PLAIN, closing_s, flow=10.0)
    assert want.min() < -1.5
    assert np.abs(got - want).max() < 0.02
    # No flow at all: pressure that stands in the whole line, let out at the artery.
    still = np.concatenate([np.zeros(ladder.n), np.ones(ladder.n)])
    want = ladder.run(ladder.artery, valve, rate, still)
    assert np.abs(flush_release(t, PLAIN, closing_s, flow=0.0) - want).max() < 0.01


def test_a_flush_begins_at_its_pressure_and_ends_at_the_patients() -> None:
    line = PhysicalLine()
    assert flush_release([-1.0, 0.0], line) == pytest.approx([1.0, 1.0], abs=1e-3)
    assert abs(flush_release(2.0, line)) < 1e-3
    part = FLUSH_FLOW * steady_resistance(line)
    t = np.linspace(0, 1, 500)
    mixed = part * flush_release(t, line, flow=10.0) + (1 - part) * flush_release(t, line, flow=0.0)
    assert flush_release(t, line) == pytest.approx(mixed, abs=1e-12)
    # The faster the valve closes, the deeper the moving column pulls.
    depth = [flush_release(t, line, c).min() for c in (0.01, 0.03, 0.06, 0.12)]
    assert depth == sorted(depth)
    assert depth[0] < 3 * depth[-1]


def test_a_flush_lets_go_as_in_a_real_recording() -> None:
    # MIMIC-II Waveform Database, s00001, 3975656_0013: two of its releases, not hidden by the rail, fall from
    # 95 % to the trough in 50 to 60 ms, 0.29 and 0.53 of the flush's pressure below the patient's.
    line = PhysicalLine(bubble_volume_ml=0.0065, constriction_mmhg_s_per_ml=75.0)
    true = equivalent(line)
    assert true.ringing_hz == pytest.approx(16, abs=0.5)
    assert true.ringing_damping == pytest.approx(0.25, abs=0.02)
    t = np.arange(0.0, 0.4, 0.0005)
    left = flush_release(t, line)
    assert -0.55 < left.min() < -0.27
    assert 0.04 < t[left.argmin()] - t[np.flatnonzero(left < 0.95)[0]] < 0.065


def test_flow_of_a_flush_by_its_driving_pressure() -> None:
    # PubMed 12472710 (2002), infants, 24 gauge: 0.0025 mL/mmHg in 1 s; bag 300 on mean 50 mmHg: 0.625 mL.
    assert pytest.approx(0.625, abs=0.001) == FLUSH_FLOW * (300 - 50) * 1.0


def test_a_tap_joins_the_charged_transducer_to_the_line() -> None:
    line = PLAIN.replace(bubble_volume_ml=0.0)
    rate, size = 4000.0, 2000
    t = np.arange(size) / rate
    got = tap_release(t, line, 0.01)
    assert got[0] == pytest.approx(1.0, abs=1e-3)
    assert abs(got[-1]) < 0.01
    # The charge of the transducer comes back out of a ladder the same way, once the tap has turned.
    ladder = Ladder(line, 48)
    chamber = chain(line)[-1][0]
    pulse = -np.gradient(closing(rate, 0.01, size), 1 / rate) * chamber
    want = ladder.run(ladder.flush, pulse, rate, np.zeros(2 * ladder.n))
    later = t > 0.015
    assert np.abs(got - want)[later].max() < 0.01
    assert np.abs(want[later]).max() > 0.02


@pytest.mark.parametrize("wrong", [0.0, math.nan])
def test_releases_that_cannot_be_are_refused(wrong: float) -> None:
    with pytest.raises(InputError, match="closing_s"):
        flush_release(0.1, PhysicalLine(), wrong)
    with pytest.raises(InputError, match="turning_s"):
        tap_release(0.1, PhysicalLine(), wrong)
    with pytest.raises(InputError, match="viscosity"):
        flush_release(0.1, PhysicalLine(fluid=Fluid(1000.0, 0.0)))
    with pytest.raises(InputError, match="too slow"):
        through_tube(
            np.zeros(9), PhysicalLine(bubble_volume_ml=9.0, constriction_mmhg_s_per_ml=9000.0), 100.0
        )
    with pytest.raises(InputError, match="one-dimensional"):
        through_tube(np.zeros((2, 2)), PhysicalLine(), 100.0)


# In recordings -------------------------------------------------------------------------------------------


def test_a_recording_through_a_tube_has_its_truth_at_the_recorder() -> None:
    line = PhysicalLine(bubble_volume_ml=0.01)
    quiet = Scenario(seed=5, duration_s=20.0, fs=500.0, noise=0.0, step=0.01, line=line)
    wave, fs, _, truth = simulate_arrays(quiet)
    beats = truth.beats[truth.beats["clear"]]
    assert beats["pp" if "pp" in beats else "sbp"].notna().all()
    assert (beats["sbp"] - beats["dbp"]).median() == pytest.approx(quiet.pulse_pressure, rel=0.1)
    peak = np.round(beats["peak_s"].to_numpy() * fs).astype(int)
    top = np.array([wave[k - 4 : k + 5].max() for k in peak])
    assert np.abs(top - beats["sbp"].to_numpy()).max() < 0.3
    # Such a line is another than the one of the scenario's two numbers.
    other = simulate_arrays(quiet.replace(line=None))[0]
    assert np.abs(wave - other).max() > 3


def test_a_flush_in_a_recording_rings_as_the_tubes_pole_says() -> None:
    line = PhysicalLine(bubble_volume_ml=0.012)
    want = equivalent(line)
    scenario = Scenario(
        seed=8, duration_s=30.0, fs=500.0, step=0.25, line=line, events=(Event("flush", 15.0, 1.5),)
    )
    wave, fs, scale, truth = simulate_arrays(scenario)
    span = truth.spans.iloc[0]
    assert span["end_s"] == pytest.approx(16.5, abs=0.01)
    feet = truth.beats["onset_s"].dropna().to_numpy() * fs
    reading = measure_flushes(
        wave,
        fs,
        [round(span["start_s"] * fs)],
        [round(span["end_s"] * fs)],
        step=0.25,
        rails=(scale[0]["rail_low"], scale[0]["rail_high"]),
        feet=feet,
    )[0]
    assert reading.natural_frequency_hz == pytest.approx(want.ringing_hz, rel=0.03)
    assert reading.damping_ratio == pytest.approx(want.ringing_damping, abs=0.03)


def test_other_events_end_at_the_patients_pressure_too() -> None:
    line = PhysicalLine()
    events = (Event("open_to_air", 8.0, 4.0), Event("sampling", 18.0, 5.0), Event("motion", 27.0, 2.0))
    base = Scenario(seed=9, duration_s=36.0, noise=0.0, step=0.01, line=line)
    with_events, _, _, truth = simulate_arrays(base.replace(events=events))
    alone = simulate_arrays(base)[0]
    assert list(truth.spans["kind"]) == ["open_to_air", "sampling", "motion"]
    t = np.arange(alone.size) / base.fs
    touched = np.zeros(alone.size, dtype=bool)
    for row in truth.spans.itertuples():
        touched |= (t >= row.touch_start_s - 0.1) & (t <= row.touch_end_s + 0.1)
    gap = np.abs(with_events - alone)
    assert gap[~touched].max() < 0.6
    assert gap[touched].max() > 50


def test_a_small_bubble_raises_the_reading_and_a_large_one_lowers_it() -> None:
    # Mark JB, Atlas of Cardiovascular Monitoring, 1998, figure 9-14: from 17 Hz and damping 0.2, 0.1 mL of
    # air makes systolic pressure read high and 0.5 mL makes it read low (direction only).
    line = PhysicalLine(wall_compliance_mm3_per_mmhg_m=0.024)
    assert lumped(line).natural_frequency_hz == pytest.approx(17, abs=1)
    assert lumped(line).damping_ratio == pytest.approx(0.2, abs=0.05)
    patient = simulate_arrays(
        Scenario(seed=4, duration_s=30.0, fs=1000.0, noise=0.0, step=0.01, line_hz=80.0, line_damping=0.7)
    )
    wave = patient[0].astype(float)
    beats = patient[3].beats
    top = beats.loc[beats["clear"], "sbp"].median()

    def systolic(volume: float) -> float:
        out = through_tube(wave, line.replace(bubble_volume_ml=volume), 1000.0)
        starts = np.round(beats["onset_s"].to_numpy() * 1000).astype(int)[5:25]
        return float(np.median([out[a:b].max() for a, b in itertools.pairwise(starts)]))

    assert systolic(0.1) > max(systolic(0.0), top) + 2
    assert systolic(0.5) < top - 1
