"""
Natural frequency and damping of a physical line: published formulas and values, sheets, changes.

Published and not checked here, with the reason: Hougen and others 1986 (18 to 42 rad/s: the unit is
doubtful); an electrical line model that holds to 100 Hz (bibliographic record, no numbers); the volume of a
flush of 2 s (PubMed 12472710: less than twice that of 1 s, so a valve that fades, which is not modelled).
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.line.physical_setup import BORES, FLUIDS, WALLS, from_setup, what_if
from hemoidx.line.physics import (
    Chamber,
    PhysicalLine,
    chain,
    damping_ratio,
    lumped,
    natural_frequency_hz,
)
from hemoidx.line.response import frequency_response
from hemoidx.line.setup import Setup
from hemoidx.line.tubing import Fluid, impedance_per_length, wall_admittance, wall_compliance
from hemoidx.units import PASCAL_PER_CMH2O, PASCAL_PER_MMHG

MODULUS = 4.9e14  # Pa/m3, of the sensor in the textbook example.


def catheter(**changes: object) -> PhysicalLine:
    """A rigid tube of 1 m and 0.46 mm radius with water, and an elastic transducer: Waite and Fine 8.3."""
    values: dict[str, object] = {
        "tubing_length_cm": 100.0,
        "tubing_bore_mm": 0.92,
        "wall_compliance_mm3_per_mmhg_m": 0.0,
        "fluid": Fluid(1000.0, 1.0),
        "taps": 0,
        "cannula_length_mm": 0.0,
        "transducer_compliance_mm3_per_100mmhg": 100 * PASCAL_PER_MMHG / MODULUS * 1e9,
        "profile": "plug",
    }
    return PhysicalLine(**(values | changes))  # type: ignore[arg-type]


# Published values and formulas --------------------------------------------------------------------------


def test_natural_frequency_of_a_rigid_catheter() -> None:
    # Waite L, Fine J, Applied Biofluid Mechanics, 2007, section 8.3: sqrt(E pi r^2 / (rho L)); 90.8 Hz
    # derived from it. Webster JG, Medical Instrumentation, example 7.1 (from memory) prints 91 Hz.
    assert natural_frequency_hz(catheter()) == pytest.approx(90.8, abs=0.1)
    assert natural_frequency_hz(catheter()) == pytest.approx(91, abs=0.5)


def test_damping_of_a_rigid_catheter() -> None:
    # Waite and Fine, section 8.3: (4 mu / r^3) sqrt(L / (pi rho E)); 0.0331 derived from it. Webster,
    # example 7.1 (from memory) prints 0.033.
    assert damping_ratio(catheter()) == pytest.approx(0.0331, abs=0.0002)
    assert damping_ratio(catheter()) == pytest.approx(0.033, abs=0.0005)


def test_a_bubble_in_that_catheter() -> None:
    # Webster, example 7.1 (from memory): an air bubble of 5 mm of its bore, 1 mL per cmH2O for each litre,
    # that is an absolute pressure of 1000 cmH2O: 22 Hz and damping 0.137.
    absolute = 1000 * PASCAL_PER_CMH2O / PASCAL_PER_MMHG
    with_bubble = catheter(bubble_volume_ml=0.003324, pressure_mmhg=0.0, atmosphere_mmhg=absolute)
    assert natural_frequency_hz(with_bubble) == pytest.approx(22, abs=0.5)
    assert damping_ratio(with_bubble) == pytest.approx(0.137, abs=0.003)


def test_displacement_of_its_sensor() -> None:
    # Webster, example 7.1 (from memory): 0.0272 mm3 for 100 mmHg.
    assert catheter().transducer_compliance_mm3_per_100mmhg == pytest.approx(0.0272, abs=0.0002)
    assert chain(catheter())[-1][0] == pytest.approx(1 / MODULUS, rel=1e-12)


def test_correction_for_a_parabolic_profile() -> None:
    # Waite and Fine, equations 8.32 and 8.33: both fall with 1 / sqrt(c_u); c_u = 4/3 gives 0.866 (Gardner
    # RM, Anesthesiology 1981;54:227-236, from memory, uses that form; sources differ in which they use).
    plug, parabolic = lumped(catheter()), lumped(catheter(profile="parabolic"))
    ratio = parabolic.natural_frequency_hz / plug.natural_frequency_hz
    assert ratio == pytest.approx(0.866, abs=1e-4)
    assert parabolic.damping_ratio / plug.damping_ratio == pytest.approx(0.866, abs=1e-4)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"tubing_length_cm": 200.0}, 0.7071),
        ({"tubing_bore_mm": 1.84}, 2.0),
        ({"transducer_compliance_mm3_per_100mmhg": 200 * PASCAL_PER_MMHG / MODULUS * 1e9}, 0.7071),
        ({"fluid": Fluid(2000.0, 1.0)}, 0.7071),
    ],
)
def test_scaling_at_fixed_compliance(changes: dict[str, object], expected: float) -> None:
    # Imbriotis V, Resonance and damping in arterial lines, 2026: f ~ r sqrt(1 / (C L rho)) (tm-08).
    ratio = natural_frequency_hz(catheter(**changes)) / natural_frequency_hz(catheter())
    assert ratio == pytest.approx(expected, abs=1e-4)


def test_compliance_in_the_wall_makes_frequency_fall_with_length() -> None:
    # Imbriotis 2026: f ~ r sqrt(1 / (C L rho)), with C itself growing with length.
    soft = catheter(
        transducer_compliance_mm3_per_100mmhg=0.0, wall_compliance_mm3_per_mmhg_m=0.02, wall_loss=0.0
    )
    longer = soft.replace(tubing_length_cm=200.0)
    assert natural_frequency_hz(longer) == pytest.approx(natural_frequency_hz(soft) / 2, rel=1e-6)


@pytest.mark.parametrize(("volume_ml", "expected"), [(0.05, 5.814e-5), (0.1, 1.163e-4), (0.5, 5.814e-4)])
def test_compliance_of_an_isothermal_bubble(volume_ml: float, expected: float) -> None:
    # Boyle's law, C = V / P with 760 + 100 mmHg [mL/mmHg].
    line = PhysicalLine(bubble_volume_ml=volume_ml, pressure_mmhg=100.0)
    assert line.bubble_compliance_mm3_per_mmhg / 1000 == pytest.approx(expected, abs=1e-7)
    stiff = line.replace(gas="adiabatic")
    assert stiff.bubble_compliance_mm3_per_mmhg == pytest.approx(1000 * expected / 1.4, abs=1e-4)
    if volume_ml == 0.1:
        # The same in SI, over 400 times the compliance of the sensor above.
        bubble = next(part.compliance for part in chain(line) if isinstance(part, Chamber))
        assert bubble == pytest.approx(8.72e-13, abs=0.01e-13)
        assert bubble > 400 / MODULUS


def test_a_slow_flush_that_leaves_bubbles() -> None:
    # Promonet C and others, Anesthesiology 2000;92:208-218: 17.89 Hz, 0.234 became 7.35 Hz, 0.356. One
    # compliance explains the frequency with 5.92 times as much of it, and then wants 2.434 times the damping;
    # 1.521 was seen (tm-10). The model has the same fault, which its documentation says.
    clean = catheter()
    more = clean.transducer_compliance_mm3_per_100mmhg * (17.89 / 7.35) ** 2
    assert more / clean.transducer_compliance_mm3_per_100mmhg == pytest.approx(5.92, abs=0.01)
    after = clean.replace(transducer_compliance_mm3_per_100mmhg=more)
    assert natural_frequency_hz(clean) / natural_frequency_hz(after) == pytest.approx(17.89 / 7.35, rel=1e-9)
    assert damping_ratio(after) / damping_ratio(clean) == pytest.approx(2.434, abs=0.001)
    assert pytest.approx(1.521, abs=0.001) == 0.356 / 0.234


def test_oscillating_flow_is_damped_more_than_poiseuille_says_and_more_so_the_faster() -> None:
    # Donovan FM, Taylor BC, Su MC, J Biomech Eng 1991;113:476-484: resistance and damping, without numbers.
    s = 2j * np.pi * np.array([5.0, 20.0, 80.0])
    drag = impedance_per_length(0.00046, Fluid(1000.0, 1.0), "oscillating", s).real
    steady = impedance_per_length(0.00046, Fluid(1000.0, 1.0), "plug", s).real
    assert np.all(np.diff(np.concatenate(([1.0], drag / steady))) > 0.03)
    excess = [
        damping_ratio(catheter(profile="oscillating", transducer_compliance_mm3_per_100mmhg=c))
        / damping_ratio(catheter(transducer_compliance_mm3_per_100mmhg=c))
        for c in (1.0, 0.2, 0.0272)
    ]
    assert 1.0 < excess[0] < excess[1] < excess[2]


def test_a_catheter_without_bubbles_reads_within_five_percent_to_fifteen_hertz() -> None:
    # Yanof HM, Rosen AL, McDonald NM, McDonald DA, Phys Med Biol 1963;8:407-422 (details from memory).
    found = lumped(catheter(profile="oscillating"))
    gain = np.abs(frequency_response([5.0, 10.0, 15.0], found.natural_frequency_hz, found.damping_ratio))
    assert np.all(np.abs(gain - 1) < 0.05)


def test_a_bubble_lowers_natural_frequency_and_adds_damping() -> None:
    # Barlow C, Part One, chapter Pressure transduction (common practice): bubble, f_n down, damping up.
    clean, air = lumped(PhysicalLine()), lumped(PhysicalLine(bubble_volume_ml=0.1))
    assert air.natural_frequency_hz < clean.natural_frequency_hz
    assert air.damping_ratio > clean.damping_ratio


def test_the_assumed_line_lies_among_measured_ones() -> None:
    # 50 radial lines (probably Davis RF, J Clin Monit 1985;1:114-119): 13 to 40 Hz, damping 0.15 to 0.34.
    found = lumped(PhysicalLine())
    assert 13 <= found.natural_frequency_hz <= 40
    assert 0.15 <= found.damping_ratio <= 0.34


def test_chaining_parts_takes_resonance_from_above_100_to_below_10_hz() -> None:
    # Evaluation of dynamic performance in liquid-filled catheter systems (bench work, journal not shown).
    bare = PhysicalLine(tubing_length_cm=2.0, taps=0, cannula_length_mm=0.0)
    whole = PhysicalLine(
        tubing_length_cm=180.0, taps=3, wall_compliance_mm3_per_mmhg_m=WALLS["soft"], bubble_volume_ml=0.01
    )
    assert natural_frequency_hz(bare) > 100
    assert natural_frequency_hz(whole) < 10


# Formulas against what is known otherwise ----------------------------------------------------------------


def test_a_closed_uniform_tube_rings_at_a_quarter_wave() -> None:
    line = PhysicalLine(
        taps=0,
        cannula_length_mm=0.0,
        wall_loss=0.0,
        transducer_compliance_mm3_per_100mmhg=0.0,
        profile="plug",
    )
    inertance = 1.2 * 1005.0 / (math.pi * 0.00075**2)
    compliance = 0.012 * 1.2 * 1e-9 / PASCAL_PER_MMHG
    assert natural_frequency_hz(line) == pytest.approx(0.25 / math.sqrt(inertance * compliance), rel=1e-4)
    resistance = 8 * 0.00102 * 1.2 / (math.pi * 0.00075**4)
    wanted = resistance / (2 * inertance * 2 * math.pi * natural_frequency_hz(line))
    assert damping_ratio(line) == pytest.approx(wanted, rel=1e-9)


def test_lossy_walls_damp_by_half_their_loss_tangent() -> None:
    line = PhysicalLine(
        taps=0, cannula_length_mm=0.0, transducer_compliance_mm3_per_100mmhg=0.0, fluid=Fluid(1000.0, 0.0)
    )
    assert damping_ratio(line) == pytest.approx(0.05, rel=1e-9)
    y = wall_admittance(0.1, 2.0, np.array([2j * np.pi * 3.0, 2j * np.pi * 30.0]))
    assert y.real / y.imag == pytest.approx([0.1, 0.1], rel=1e-9)


@pytest.mark.parametrize("hz", [0.01, 1.0, 10.0, 60.0])
def test_impedance_of_oscillating_flow_against_its_differential_equation(hz: float) -> None:
    # i w rho v = G + mu (1/r) (r v')', v = 0 at the wall: finite volumes over the radius.
    radius, rho, mu, n = 0.00075, 1005.0, 0.00102, 2000
    edge = np.linspace(0.0, radius, n + 1)
    width = radius / n
    area = np.pi * np.diff(edge**2)
    link = 2 * np.pi * edge[1:] * mu / np.where(np.arange(1, n + 1) == n, width / 2, width)
    w = 2 * np.pi * hz
    diagonal = 1j * w * rho * area + link + np.concatenate(([0.0], link[:-1]))
    from scipy.linalg import solve_banded

    bands = np.zeros((3, n), dtype=complex)
    bands[0, 1:], bands[1], bands[2, :-1] = -link[:-1], diagonal, -link[:-1]
    v = solve_banded((1, 1), bands, area.astype(complex))
    wanted = 1.0 / (v * area).sum()
    got = impedance_per_length(radius, Fluid(rho, 1000 * mu), "oscillating", np.array([1j * w]))[0]
    assert abs(got - wanted) < 1e-5 * abs(wanted)


def test_oscillating_flow_is_parabolic_when_slow_and_flat_when_fast() -> None:
    fluid, r = Fluid(1000.0, 1.0), 0.001
    slow, fast = np.array([2j * np.pi * 1e-4]), np.array([2j * np.pi * 1e5])

    def z(profile: str, s: np.ndarray) -> complex:
        return complex(impedance_per_length(r, fluid, profile, s)[0])

    assert z("oscillating", slow) == pytest.approx(z("parabolic", slow), rel=1e-6)
    assert z("oscillating", fast).imag == pytest.approx(z("plug", fast).imag, rel=0.01)
    assert z("oscillating", fast).real > 50 * z("plug", fast).real
    steady = impedance_per_length(r, fluid, "oscillating", np.zeros(1))[0]
    assert steady == pytest.approx(8e-3 / (math.pi * r**4), rel=1e-12)


def test_wall_compliance_against_a_thin_wall() -> None:
    # Laplace: dA/dP = 2 pi r^3 / (E h) for a wall of thickness h much less than r.
    r, h = 1.0, 0.002
    thin = 2 * math.pi * r**3 / (5.0e6 * h) * 1e-6 * PASCAL_PER_MMHG * 1e9
    assert wall_compliance(2 * r, 2 * (r + h), 5.0, 0.0) == pytest.approx(thin, rel=3e-3)
    assert wall_compliance(1.5, 2.7, 1000.0) == pytest.approx(wall_compliance(1.5, 2.7, 10.0) / 100, rel=1e-9)
    with pytest.raises(InputError, match="outer diameter"):
        wall_compliance(2.0, 2.0, 5.0)


LINES = st.builds(
    PhysicalLine,
    tubing_length_cm=st.floats(10, 300),
    tubing_bore_mm=st.floats(0.8, 3),
    wall_compliance_mm3_per_mmhg_m=st.floats(0, 0.2),
    wall_loss=st.floats(0, 0.4),
    taps=st.integers(0, 5),
    cannula_bore_mm=st.floats(0.3, 1.5),
    transducer_compliance_mm3_per_100mmhg=st.floats(0.02, 1),
    bubble_volume_ml=st.sampled_from([0.0, 0.01, 0.3]),
    bubble_at=st.sampled_from([0.0, 0.4, 1.0]),
    profile=st.sampled_from(["plug", "parabolic", "oscillating"]),
)


@settings(max_examples=25)
@given(LINES)
def test_whatever_gives_way_or_is_longer_makes_a_line_slower(line: PhysicalLine) -> None:
    before = lumped(line)
    assert before.natural_frequency_hz > 0
    assert before.damping_ratio > 0
    assert before.wall_share + before.transducer_share + before.bubble_share == pytest.approx(1.0, abs=1e-9)
    slower = [
        line.replace(bubble_volume_ml=line.bubble_volume_ml + 0.05, bubble_at=1.0),
        line.replace(tubing_length_cm=1.5 * line.tubing_length_cm),
        line.replace(transducer_compliance_mm3_per_100mmhg=2 * line.transducer_compliance_mm3_per_100mmhg),
        line.replace(fluid=Fluid(1300.0, line.fluid.viscosity_mpa_s)),
    ]
    for changed in slower:
        assert lumped(changed).natural_frequency_hz < before.natural_frequency_hz
    narrow = lumped(line.replace(constriction_mmhg_s_per_ml=100.0))
    assert narrow.natural_frequency_hz == pytest.approx(before.natural_frequency_hz, rel=1e-8)
    assert narrow.damping_ratio > before.damping_ratio


def test_a_bubble_at_the_artery_does_nothing() -> None:
    at_end = PhysicalLine(cannula_length_mm=0.0, taps=0, bubble_volume_ml=0.2, bubble_at=0.0)
    assert lumped(at_end) == lumped(at_end.replace(bubble_volume_ml=0.0))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tubing_bore_mm": 0.0}, "tubing_bore_mm"),
        ({"taps": -1}, "taps"),
        ({"gas": "cold"}, "gas"),
        ({"profile": "square"}, "profile"),
        ({"wall_compliance_mm3_per_mmhg_m": 0.0, "transducer_compliance_mm3_per_100mmhg": 0.0}, "compliance"),
        ({"pressure_mmhg": math.nan}, "pressure_mmhg"),
    ],
)
def test_impossible_lines_are_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        PhysicalLine(**changes)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="viscosity"):
        Fluid(1000.0, -1.0)


# From a sheet, and what changes would do -----------------------------------------------------------------


def test_a_full_sheet_leaves_little_to_assume() -> None:
    sheet = Setup(
        fluid="glucose",
        tubing_length_cm=150.0,
        tubing_bore_mm=1.2,
        tubing_stiffness="soft",
        n_taps=3,
        bubble_volume_ml=0.02,
        cannula_gauge=22,
        cannula_kind="long",
    )
    read = from_setup(sheet, pressure_mmhg=70.0)
    line = read.line
    assert (line.tubing_length_cm, line.tubing_bore_mm, line.taps) == (150.0, 1.2, 3)
    assert line.wall_compliance_mm3_per_mmhg_m == WALLS["soft"]
    assert line.fluid == FLUIDS["glucose"]
    assert (line.cannula_bore_mm, line.cannula_length_mm) == (BORES[22], 120.0)
    assert (line.bubble_volume_ml, line.pressure_mmhg) == (0.02, 70.0)
    assert {text.split()[0] for text in read.assumed} == {
        "wall_loss",
        "tap_length_mm",
        "tap_bore_mm",
        "transducer_compliance_mm3_per_100mmhg",
    }
    assert "not measured" in read.words()
    assert f"{natural_frequency_hz(line):.0f} Hz" in read.words()


def test_an_empty_sheet_says_that_all_is_assumed() -> None:
    read = from_setup(Setup())
    assert read.line == PhysicalLine()
    told = {text.split()[0] for text in read.assumed}
    assert {
        "tubing_length_cm",
        "tubing_bore_mm",
        "fluid",
        "taps",
        "cannula_bore_mm",
        "bubble_volume_ml",
    } <= told


def test_what_a_sheet_cannot_tell_the_model_is_said() -> None:
    read = from_setup(Setup(bubbles_seen=True, tubing_kinked=True, taps=({"turned": "between"},)))  # type: ignore[arg-type]
    assert read.line.bubble_volume_ml == 0.0
    assert any("air was seen" in text for text in read.assumed)
    assert any("kink" in text for text in read.left_out)
    assert any("tap" in text for text in read.left_out)
    open_tap = from_setup(Setup(taps=({"turned": "through"},)))  # type: ignore[arg-type]
    assert not any("tap" in text for text in open_tap.left_out)
    assert from_setup(Setup(bubbles_seen=False)).line.bubble_volume_ml == 0.0
    assert BORES[22] < from_setup(Setup(cannula_gauge=21)).line.cannula_bore_mm < BORES[20]
    with pytest.raises(InputError, match="colour"):
        from_setup(Setup(), colour="blue")


def test_what_removing_the_bubble_and_shortening_the_tubing_would_do() -> None:
    line = PhysicalLine(bubble_volume_ml=0.1, wall_compliance_mm3_per_mmhg_m=0.05)
    table = {change.name: change for change in what_if(line)}
    now = table["as it is"]
    assert (now.natural_frequency_hz, now.damping_ratio) == (natural_frequency_hz(line), damping_ratio(line))
    assert now.natural_frequency_change_hz == 0
    bubble = table["without the bubble of 0.1 mL"]
    assert bubble.line == line.replace(bubble_volume_ml=0.0)
    assert bubble.natural_frequency_change_hz > 2
    assert bubble.damping_change < 0
    short = table["tubing of 60 instead of 120 cm"]
    assert short.natural_frequency_hz == natural_frequency_hz(line.replace(tubing_length_cm=60.0))
    best = max(table.values(), key=lambda change: change.natural_frequency_hz)
    assert best.name == "all of these"
    worst = min(table.values(), key=lambda change: change.natural_frequency_hz)
    assert worst.line.bubble_volume_ml == pytest.approx(0.2)
    own = what_if(line, [("blood", {"fluid": Fluid(1060.0, 3.5)})])
    assert [change.name for change in own] == ["as it is", "blood"]
    assert own[1].damping_change > 0
    # Without its bubble nothing of a rigid line would give way: it is not offered.
    rigid = line.replace(wall_compliance_mm3_per_mmhg_m=0.0, transducer_compliance_mm3_per_100mmhg=0.0)
    assert not any("without the bubble" in change.name for change in what_if(rigid))
