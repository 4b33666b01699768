"""The teaching cohort: recordings of our own invention, each with one thing to learn."""

from __future__ import annotations

from typing import Any

from hemoidx.simulate.scenario import Event, Scenario


def _converter(bits: int, low: float, high: float) -> dict[str, float]:
    """Rails and step [mmHg] of a converter of so many bits; one code is left for rounding at the ends."""
    return {"rail_low": low, "rail_high": high, "step": (high - low) / (2**bits - 2)}


_FINE = _converter(12, -40.0, 360.0)
_MIDDLE = _converter(10, -30.0, 300.0)
_COARSE = _converter(8, -36.0, 270.0)

# Name, what it teaches, and how it differs from an ordinary recording.
_COHORT: tuple[tuple[str, str, dict[str, Any]], ...] = (
    (
        "alder_steady",
        "A steady patient on a ventilator and a line in good order; one flush.",
        {"rate": 72.0, "breathing": "controlled", "events": (Event("flush", 150.0, 1.4),), **_FINE},
    ),
    (
        "birch_tachycardia",
        "A fast regular rhythm, 148/min: little diastole, small pulse.",
        {"rate": 148.0, "pulse_pressure": 34.0, "mean_pressure": 78.0, "upstroke": 0.9, **_FINE},
    ),
    (
        "cedar_shock",
        "Low pressure, small pulse, fast rate, and a pulse that swings with every ventilator breath.",
        {
            "rate": 126.0,
            "mean_pressure": 46.0,
            "pulse_pressure": 24.0,
            "breathing": "controlled",
            "breath_rate": 18.0,
            "breath_pulse": 0.26,
            "breath_level": 3.0,
            "dicrotic": 0.2,
            "amplification": 1.8,
            "drift": 4.0,
            **_FINE,
        },
    ),
    (
        "elm_atrial_fibrillation",
        "Atrial fibrillation: intervals without order, pulse pressure follows the pause before it.",
        {
            "rate": 104.0,
            "rhythm": "atrial_fibrillation",
            "irregularity": 0.2,
            "pulse_pressure": 46.0,
            "sinus_arrhythmia": 0.0,
            **_FINE,
        },
    ),
    (
        "fir_ectopy",
        "Premature beats with a weak pulse and a full compensatory pause, about one in twelve.",
        {"rate": 78.0, "ectopic_share": 0.08, "coupling": 0.6, **_FINE},
    ),
    (
        "hazel_overdamped",
        "A slow, overdamped line: the notch is gone, the pulse is small, flushes creep back.",
        {
            "line_hz": 4.0,
            "line_damping": 1.7,
            "pulse_pressure": 36.0,
            "events": (Event("flush", 45.0, 1.5), Event("flush", 49.0, 1.0), Event("flush", 160.0, 1.6)),
            **_MIDDLE,
        },
    ),
    (
        "larch_underdamped",
        "A resonant line: systolic overshoot, ripples in diastole, flushes that ring for long.",
        {
            "rate": 92.0,
            "line_hz": 11.0,
            "line_damping": 0.15,
            "pulse_pressure": 74.0,
            "mean_pressure": 90.0,
            "upstroke": 0.7,
            "fs": 250.0,
            "events": (Event("flush", 40.0, 1.2), Event("flush", 43.0, 0.9), Event("flush", 150.0, 1.3)),
            **_FINE,
        },
    ),
    (
        "linden_zeroing",
        "A line brought into use: opened to air and zeroed, flushed, and opened once more for a check.",
        {
            "events": (
                Event("flush", 12.0, 2.0),
                Event("open_to_air", 20.0, 14.0, level=6.0, zeroed=True),
                Event("flush", 36.5, 1.4),
                Event("flush", 39.5, 0.8),
                Event("open_to_air", 150.0, 9.0, level=0.0),
            ),
            **_COARSE,
        },
    ),
    (
        "maple_sampling",
        "Two blood samples, each with its flush, and one sample that nobody flushed after.",
        {
            "events": (
                Event("sampling", 50.0, 36.0),
                Event("flush", 86.0, 2.5),
                Event("sampling", 140.0, 24.0),
                Event("flush", 164.0, 1.8),
                Event("sampling", 210.0, 18.0),
            ),
            **_MIDDLE,
        },
    ),
    (
        "oak_disconnection",
        "The line comes apart and stays open to air; the number that remains is no blood pressure.",
        {"events": (Event("motion", 141.0, 6.0), Event("open_to_air", 148.0, 600.0, level=1.5)), **_MIDDLE},
    ),
    (
        "pine_motion",
        "A restless arm: jerks and whips that look like beats until one looks at them.",
        {
            "rate": 88.0,
            "events": tuple(
                Event("motion", at, length) for at, length in ((30, 4), (75, 9), (120, 3), (165, 12))
            ),
            **_MIDDLE,
        },
    ),
    (
        "rowan_cuff",
        "A cuff on the same arm every ninety seconds or so: the pulse fades out and comes back.",
        {"events": tuple(Event("cuff", at, 38.0) for at in (35.0, 125.0, 215.0)), **_MIDDLE},
    ),
    (
        "spruce_alternans",
        "Pulsus alternans: a regular rhythm with every second pulse weaker.",
        {"rate": 96.0, "alternans": 0.16, "pulse_pressure": 40.0, "mean_pressure": 70.0, **_FINE},
    ),
    (
        "willow_bigeminy",
        "Bigeminy: every second beat comes early and hardly reaches the wrist.",
        {"rate": 74.0, "rhythm": "bigeminy", "coupling": 0.62, **_FINE},
    ),
    (
        "yew_bypass",
        "On and off bypass: a pressure, but no pulse.",
        {"rate": 66.0, "events": (Event("not_pulsatile", 60.0, 100.0, level=58.0),), **_MIDDLE},
    ),
    (
        "aspen_rail",
        "High pressure on a coarse recorder that ends at 182 mmHg: the systoles are cut off.",
        {
            "rate": 84.0,
            "mean_pressure": 112.0,
            "pulse_pressure": 84.0,
            "shoulder": 0.35,
            "events": (Event("saturated", 60.0, 70.0),),
            **_converter(8, -30.0, 182.0),
        },
    ),
    (
        "rush_dicrotic",
        "A tall dicrotic wave that a careless peak finder counts as a second beat.",
        {
            "rate": 70.0,
            "dicrotic": 0.45,
            "dicrotic_delay": 0.25,
            "amplification": 2.0,
            "mean_pressure": 64.0,
            "pulse_pressure": 48.0,
            **_FINE,
        },
    ),
    (
        "sorrel_gaps",
        "A slow heart, a recording with holes in it, and a channel that freezes for a while.",
        {
            "rate": 41.0,
            "pulse_pressure": 72.0,
            "events": (Event("gap", 50.0, 0.6), Event("gap", 90.0, 14.0), Event("flat", 140.0, 11.0)),
            **_FINE,
        },
    ),
)


def teaching_cohort(seed: int = 0) -> list[Scenario]:
    """
    Scenarios of the teaching cohort.

    Parameters
    ----------
    seed : int
        Decides everything random in the recordings; what each of them teaches stays.

    Returns
    -------
    list of Scenario
        Eighteen recordings of three to five minutes; `note` says what there is to learn. No patient stands
        behind any of them.
    """
    out = []
    for k, (name, note, values) in enumerate(_COHORT):
        length = max((e.start_s + min(e.duration_s, 60.0) for e in values.get("events", ())), default=0.0)
        scenario = Scenario(
            name=name,
            family="teaching",
            seed=seed * 1009 + k,
            note=note,
            duration_s=float(min(max(180.0, 30.0 * (-(-(length + 30.0) // 30.0))), 360.0)),
        )
        out.append(scenario.replace(**values))
    return out
