"""The tree of arteries and the windkessel in closed form: what physics demands of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import InputError
from hemoidx.simulate.arteries import windkessel
from hemoidx.simulate.tree import AORTA, Circulation, Vessel, impedances, langewouters, pressures
from hemoidx.simulate.windkessel import COMPLIANCE_RANGE, RESISTANCE_RANGE, Windkessel

USUAL = Circulation()


# --- windkessel -------------------------------------------------------------------------------------------


@given(
    st.floats(*RESISTANCE_RANGE),
    st.floats(*COMPLIANCE_RANGE),
    st.floats(0.0, 0.1),
    st.floats(0.5, 1.2),
    st.floats(40.0, 110.0),
)
def test_closed_form_keeps_its_balance(
    resistance: float, compliance: float, impedance: float, duration: float, stroke: float
) -> None:
    beat = Windkessel(resistance, compliance, impedance, duration, 0.3, stroke)
    t = np.linspace(0.0, duration, 20001)
    pressure = beat.pressure(t)
    assert np.trapezoid(pressure, t) / duration == pytest.approx(beat.mean, rel=1e-5)
    assert np.trapezoid(beat.flow(t), t) == pytest.approx(stroke, rel=1e-5)
    # What is stored in systole runs off in diastole.
    stored = compliance * (beat.end_systolic_pressure - beat.onset_pressure)
    assert 0 < stored < stroke
    assert pressure[-1] == pytest.approx(pressure[0], rel=1e-9)


def test_closed_form_agrees_with_the_one_that_marches_through_time() -> None:
    beat, fs = Windkessel(), 2000.0
    t = np.arange(int(8 * fs)) / fs
    marched = windkessel(beat.flow(t), fs, 1.0, 1.5, 0.05, start=beat.onset_pressure)
    np.testing.assert_allclose(marched, beat.pressure(t), atol=2e-3)


def test_windkessels_that_cannot_be() -> None:
    for wrong in ({"resistance": 0.0}, {"impedance": -0.1}, {"ejection": 0.9}, {"stroke": -1.0}):
        with pytest.raises(InputError, match="windkessel"):
            Windkessel(**wrong)


# --- the aorta's arctangent -------------------------------------------------------------------------------


@given(st.floats(0.0, 200.0), st.floats(10.0, 80.0), st.floats(10.0, 80.0))
def test_compliance_is_the_slope_of_the_area(pressure: float, middle: float, width: float) -> None:
    step = 1e-3
    below, above = (langewouters(pressure + d, 5.0, middle, width)[0] for d in (-step, step))
    slope = langewouters(pressure, 5.0, middle, width)[1]
    assert (above - below) / (2 * step) == pytest.approx(slope, rel=1e-4)
    assert 0 < below < above < 5.0


# --- the tree ---------------------------------------------------------------------------------------------


def shares(vessel: Vessel) -> float:
    return vessel.share + sum(one.number * shares(one) for one in vessel.onward)


def test_all_flow_leaves_through_small_vessels() -> None:
    assert shares(AORTA) == pytest.approx(1.0)
    root, radial = impedances(USUAL, [1e-6])
    # At no frequency the root sees the small vessels and a little friction.
    assert root[0].real == pytest.approx(USUAL.resistance, rel=0.03)
    assert root[0].real > USUAL.resistance
    assert 0.9 < abs(radial[0] / root[0]) < 1.0


def test_impedance_is_that_of_an_adult() -> None:
    f = np.arange(4.0, 12.0, 0.5)
    root, _ = impedances(USUAL, f)
    # Characteristic impedance 0.03 to 0.1 mmHg s/mL (recalled); compliance 0.5 to 2 (wk-params-range).
    assert 0.03 < np.abs(root).mean() < 0.1
    slow, _ = impedances(USUAL, [0.2])
    compliance = (1.0 / slow[0]).imag / (2 * np.pi * 0.2)
    assert COMPLIANCE_RANGE[0] < compliance < COMPLIANCE_RANGE[1]
    # A tree takes up energy at every frequency.
    everywhere, _ = impedances(USUAL, np.geomspace(0.01, 40.0, 300))
    assert (everywhere.real > 0).all()


def test_stiffer_arteries_are_less_compliant() -> None:
    def compliance(state: Circulation) -> float:
        return float((1.0 / impedances(state, [0.5])[0][0]).imag)

    assert compliance(replace(USUAL, stiffness=2.0)) < compliance(USUAL)
    # Elastic vessels stiffen by pressure alone, muscular ones by their tone.
    assert compliance(replace(USUAL, closing=60.0)) < compliance(USUAL)
    assert compliance(replace(USUAL, tone=2.0)) < compliance(USUAL)


def test_waves_are_late_and_taller_at_the_wrist() -> None:
    made = pressures(USUAL, 60.0, 250.0, np.random.default_rng(3))
    assert made.root.size == made.radial.size == 15000
    assert made.radial.mean() == pytest.approx(made.root.mean(), abs=5.0)
    assert np.ptp(made.radial) > 1.15 * np.ptp(made.root)
    start = made.train.start[5:-5]
    rise = {name: np.gradient(getattr(made, name)) for name in ("root", "radial")}
    late = []
    for begin in start:
        piece = slice(int(begin * 250), int((begin + 0.3) * 250))
        late.append((np.argmax(rise["radial"][piece]) - np.argmax(rise["root"][piece])) / 250)
    # 0.8 m at 5 to 9 m/s.
    assert 0.05 < np.median(late) < 0.16
    truth = np.mean(made.train.stroke)
    flow = truth / np.mean(made.train.interval)
    assert made.root.mean() == pytest.approx(USUAL.closing + USUAL.resistance * flow, rel=0.03)


def test_circulations_that_cannot_be() -> None:
    for wrong in ({"stroke_ml": 0.0}, {"tone": -1.0}, {"rate": 0.0}):
        with pytest.raises(InputError, match="circulation"):
            Circulation(**wrong)
