"""Parameters of a simulated recording: one frozen description, one seed, one result."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from hemoidx.errors import InputError
from hemoidx.line.physics import PhysicalLine
from hemoidx.simulate.release import CLOSING_S, FLUSH_FLOW

MEANT_AT = ("recorder", "artery")
RHYTHMS = ("sinus", "atrial_fibrillation", "bigeminy")
BREATHING = ("none", "controlled", "spontaneous")
BREATH_CHANNELS = ("respiration", "co2")
EVENT_KINDS = (
    "flush",
    "open_to_air",
    "flat",
    "saturated",
    "sampling",
    "motion",
    "cuff",
    "gap",
    "not_pulsatile",
)


@dataclass(frozen=True, slots=True)
class Event:
    """
    One stretch of a recording that is not, or not only, the patient's pressure.

    Parameters
    ----------
    kind : str
        One of `EVENT_KINDS`.
    start_s : float
        Start from the beginning of the recording [s].
    duration_s : float
        Length [s]; cut at the end of the recording.
    level : float, optional
        What it means depends on the kind: pressure of the flush bag, offset of an open transducer, value of
        a flat stretch, pressure at the end of sampling, plateau under a cuff or without pulse, size of
        motion, rise of mean pressure in an episode that runs into the rail [mmHg]. Drawn from the seed if
        absent.
    zeroed : bool, optional
        Of an open transducer: whether a zero is taken in the middle, after which it reads zero. Drawn from
        the seed if absent; within 4 s there is no time for it.
    """

    kind: str
    start_s: float
    duration_s: float
    level: float | None = None
    zeroed: bool | None = None

    def __post_init__(self) -> None:
        if self.kind not in EVENT_KINDS:
            raise InputError(f"event kind {self.kind!r} is unknown; choose one of {', '.join(EVENT_KINDS)}")
        if not (math.isfinite(self.start_s) and self.start_s >= 0 and self.duration_s > 0):
            raise InputError(
                f"event {self.kind}: needs start_s >= 0 and duration_s > 0, "
                f"got {self.start_s} and {self.duration_s}"
            )


@dataclass(frozen=True, slots=True)
class Scenario:
    """
    Everything that decides a simulated recording.

    Pressures are meant at the recorder's input, behind the line: `pulse_pressure` is the median over the
    regular beats, `mean_pressure` the average over time, both without events.

    Parameters
    ----------
    name, family : str
        Name of the recording and the group it belongs to in a benchmark.
    seed : int
        Seed of everything random in this recording.
    duration_s : float
        Length [s].
    fs : float
        Sampling rate of the recorder [Hz], 20 to 2000.
    rate : float
        Mean heart rate [1/min].
    rate_variability : float
        Standard deviation of successive intervals, as a fraction of the mean interval.
    sinus_arrhythmia : float
        Amplitude of the respiratory swing of rate, as a fraction.
    rhythm : str
        One of `RHYTHMS`.
    irregularity : float
        Spread of intervals in atrial fibrillation, as a fraction of the mean interval.
    ectopic_share : float
        Share of premature beats among all beats, 0 to 0.3.
    coupling : float
        Interval before a premature beat as a fraction of the regular interval.
    alternans : float
        Stroke volume alternates by this fraction above and below its mean.
    mean_pressure, pulse_pressure : float
        Wanted level and pulse at the recorder's input [mmHg].
    drift : float
        Amplitude of slow changes of pressure [mmHg].
    decay_s : float, optional
        Time constant of the windkessel [s]. Chosen from rate, level and pulse if absent.
    amplification : float
        Weight of the travelling pulse against the reservoir: 0.6 central and broad, 2 peripheral and narrow.
    tube_hz : float
        Natural frequency of the arterial tube between aorta and cannula [Hz].
    dicrotic : float
        Height of the dicrotic wave as a fraction of the travelling pulse: 0 none, 0.1 usual, 0.6 tall.
    dicrotic_delay : float
        Delay of that wave after the end of ejection, as a fraction of ejection time.
    ejection : float
        Ejection time relative to its usual value at that rate.
    upstroke : float
        Time to peak flow relative to its usual value: 0.7 brisk, 1.4 slow.
    shoulder : float
        Late systolic wave, as reflections add it in stiff arteries: 0 none, 0.5 as tall as the first peak.
    breathing : str
        One of `BREATHING`.
    breath_rate : float
        Breathing rate [1/min].
    breath_pulse : float
        Swing of stroke volume over a breath, maximum less minimum, as a fraction.
    breath_level : float
        Swing of pressure over a breath, maximum less minimum [mmHg].
    inspiration : float, optional
        Share of each breath that is inspiration; 0.35 in controlled, 0.5 in spontaneous breathing if absent.
    breath_irregularity : float
        Spread of the lengths of breaths, as a fraction of their mean (log-normal, cut at 2.5 times that).
    breath_holds : tuple of (float, float)
        Start and length [s] of stretches without a breath; each begins with the end of the running breath.
    breath_hold_rest : float
        Where stroke volume, pressure and rate settle in a hold, as the breath's own wave counts: -0.5 its
        lowest, 0.5 its highest.
    vasomotor : float
        Swing of slow waves of vessel tone, maximum less minimum [mmHg].
    vasomotor_hz : float
        Their frequency [Hz].
    vasomotor_rate : float
        Amplitude of their swing of heart rate, as a fraction.
    breath_channels : tuple of str
        Channels of breathing beside the pressure, of `BREATH_CHANNELS`.
    breath_fs : float
        Their sampling rate [Hz].
    breath_channel_noise : float
        Their noise, as a fraction of the swing of a breath.
    breath_channel_inverted : bool
        Whether the impedance falls as air flows in.
    breath_channel_gaps : tuple of (float, float)
        Start and length [s] of stretches in which they hold no samples.
    line_hz, line_damping : float
        Natural frequency [Hz] and damping ratio of the line.
    meant_at : str
        Where `mean_pressure` and `pulse_pressure` are meant: at the "recorder", whatever the line does, or in
        the "artery", so that one patient can be put behind several lines.
    line : PhysicalLine, optional
        A physical line instead: waves in a tube, where flushes enter beside the transducer. `line_hz` and
        `line_damping` do not count then.
    closing_s : float
        Time in which the flush valve or a tap of a physical line closes [s].
    flush_flow : float
        Flow of a flush through a physical line for each mmHg that drives it [mL/s/mmHg].
    noise : float
        Standard deviation of the noise [mmHg].
    step : float
        Quantisation step of the recorder [mmHg].
    rail_low, rail_high : float
        Least and greatest pressure the recorder can write [mmHg].
    events : tuple of Event
        What disturbs the recording.
    note : str
        One sentence for the header of the recording.
    """

    name: str = "steady"
    family: str = "regular"
    seed: int = 0
    duration_s: float = 120.0
    fs: float = 125.0
    rate: float = 75.0
    rate_variability: float = 0.015
    sinus_arrhythmia: float = 0.03
    rhythm: str = "sinus"
    irregularity: float = 0.2
    ectopic_share: float = 0.0
    coupling: float = 0.62
    alternans: float = 0.0
    mean_pressure: float = 85.0
    pulse_pressure: float = 55.0
    drift: float = 2.0
    decay_s: float | None = None
    amplification: float = 1.2
    tube_hz: float = 7.0
    dicrotic: float = 0.1
    dicrotic_delay: float = 0.1
    ejection: float = 1.0
    upstroke: float = 1.0
    shoulder: float = 0.1
    breathing: str = "spontaneous"
    breath_rate: float = 15.0
    breath_pulse: float = 0.05
    breath_level: float = 2.0
    line_hz: float = 25.0
    line_damping: float = 0.5
    meant_at: str = "recorder"
    line: PhysicalLine | None = None
    closing_s: float = CLOSING_S
    flush_flow: float = FLUSH_FLOW
    noise: float = 0.3
    step: float = 0.25
    rail_low: float = -30.0
    rail_high: float = 300.0
    events: tuple[Event, ...] = ()
    note: str = ""
    inspiration: float | None = None
    breath_irregularity: float = 0.0
    breath_holds: tuple[tuple[float, float], ...] = ()
    breath_hold_rest: float = 0.0
    vasomotor: float = 0.0
    vasomotor_hz: float = 0.1
    vasomotor_rate: float = 0.0
    breath_channels: tuple[str, ...] = ()
    breath_fs: float = 62.5
    breath_channel_noise: float = 0.03
    breath_channel_inverted: bool = False
    breath_channel_gaps: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        bounds = {
            "duration_s": (5.0, 90000.0),
            "fs": (20.0, 2000.0),
            "rate": (20.0, 240.0),
            "rate_variability": (0.0, 0.1),
            "sinus_arrhythmia": (0.0, 0.3),
            "irregularity": (0.05, 0.4),
            "ectopic_share": (0.0, 0.3),
            "coupling": (0.35, 0.95),
            "alternans": (0.0, 0.6),
            "mean_pressure": (5.0, 250.0),
            "pulse_pressure": (2.0, 200.0),
            "drift": (0.0, 40.0),
            "amplification": (0.3, 4.0),
            "tube_hz": (2.0, 15.0),
            "dicrotic": (0.0, 1.0),
            "dicrotic_delay": (0.0, 1.0),
            "ejection": (0.6, 1.4),
            "upstroke": (0.5, 2.0),
            "shoulder": (0.0, 1.0),
            "breath_rate": (4.0, 60.0),
            "breath_pulse": (0.0, 0.6),
            "breath_level": (0.0, 40.0),
            "line_hz": (1.0, 80.0),
            "line_damping": (0.02, 4.0),
            "closing_s": (0.004, 1.0),
            "flush_flow": (0.0, 10.0),
            "noise": (0.0, 20.0),
            "step": (0.01, 5.0),
            "breath_irregularity": (0.0, 0.4),
            "breath_hold_rest": (-0.5, 0.5),
            "vasomotor": (0.0, 40.0),
            "vasomotor_hz": (0.02, 0.2),
            "vasomotor_rate": (0.0, 0.2),
            "breath_fs": (5.0, 500.0),
            "breath_channel_noise": (0.0, 1.0),
        }
        for name, (low, high) in bounds.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(f"scenario {self.name}: {name} must be {low:g} to {high:g}, got {value}")
        if self.meant_at not in MEANT_AT:
            raise InputError(f"scenario {self.name}: meant_at must be one of {', '.join(MEANT_AT)}")
        if self.rhythm not in RHYTHMS:
            raise InputError(f"scenario {self.name}: rhythm must be one of {', '.join(RHYTHMS)}")
        if self.breathing not in BREATHING:
            raise InputError(f"scenario {self.name}: breathing must be one of {', '.join(BREATHING)}")
        self._check_breathing()
        if self.decay_s is not None and not 0.1 <= self.decay_s <= 10.0:
            raise InputError(f"scenario {self.name}: decay_s must be 0.1 to 10 s, got {self.decay_s}")
        if not self.rail_low < self.rail_high:
            raise InputError(f"scenario {self.name}: rail_low must lie below rail_high")
        if not (self.rail_high - self.rail_low) / self.step < 60000:
            raise InputError(f"scenario {self.name}: the rails are too far apart for 16 bits at this step")

    def _check_breathing(self) -> None:
        if self.inspiration is not None and not 0.1 <= self.inspiration <= 0.8:
            raise InputError(f"scenario {self.name}: inspiration must be 0.1 to 0.8, got {self.inspiration}")
        unknown = set(self.breath_channels) - set(BREATH_CHANNELS)
        if unknown or len(set(self.breath_channels)) < len(self.breath_channels):
            choice = ", ".join(BREATH_CHANNELS)
            raise InputError(f"scenario {self.name}: breath_channels must be of {choice}, each once")
        for start, lasts in (*self.breath_holds, *self.breath_channel_gaps):
            if not (math.isfinite(start) and start >= 0 and math.isfinite(lasts) and lasts > 0):
                raise InputError(
                    f"scenario {self.name}: hold or gap needs start >= 0, length > 0, got {start}, {lasts}"
                )

    @property
    def gain(self) -> float:
        """Codes per mmHg as a header writes it: six significant decimals."""
        return round(1.0 / self.step, 6)

    def replace(self, **changes: object) -> Scenario:
        """Return a copy with some parameters changed."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]
