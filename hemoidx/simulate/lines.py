"""How the line of a scenario passes pressure on and lets go of a foreign one: of second order, or a tube."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from hemoidx.line.physics import PhysicalLine
from hemoidx.line.response import free_response, settling_time, through
from hemoidx.simulate.release import flush_release, tap_release
from hemoidx.simulate.tube import through_tube, transfer

if TYPE_CHECKING:
    from hemoidx.simulate.scenario import Scenario

FloatArray = NDArray[np.float64]

# Jerks that reach a line of second order are damped at least so much: tubing that lies on something.
_JERK_DAMPING = 0.2


class Line(Protocol):
    """What the simulation asks of a line."""

    @property
    def delay_s(self) -> float:
        """Delay of slow waves [s]."""

    def through(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line, settled at the first sample [mmHg]."""

    def jerked(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line of something that shakes it [mmHg]."""

    def release(self, kind: str, t: FloatArray, offset: float, slope: float) -> FloatArray:
        """What is left of an offset [mmHg] and its slope [mmHg/s] at times after a release [s]."""

    def rest_s(self, kind: str, offset: float, slope: float, least: float) -> float:
        """Time until less than so much of it is left [s]."""


@dataclass(frozen=True, slots=True)
class SecondOrder:
    """A line of second order, whatever enters it and wherever."""

    hz: float
    damping: float

    @property
    def delay_s(self) -> float:
        """Delay of slow waves, 2 z / w [s]."""
        return float(2 * self.damping / (2 * np.pi * self.hz))

    def through(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line."""
        return through(pressure, self.hz, self.damping, fs)

    def jerked(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line of something that shakes it."""
        return through(pressure, self.hz, max(self.damping, _JERK_DAMPING), fs)

    def release(self, kind: str, t: FloatArray, offset: float, slope: float) -> FloatArray:
        """Free response; the foreign pressure let the line come to rest."""
        return free_response(t, self.hz, self.damping, offset, slope)

    def rest_s(self, kind: str, offset: float, slope: float, least: float) -> float:
        """Time until less than so much of it is left."""
        return settling_time(self.hz, self.damping, offset, slope, least)


@dataclass(frozen=True, slots=True)
class Tube:
    """A distributed line; flushes enter at its transducer, taps join the transducer to it again."""

    line: PhysicalLine
    closing_s: float
    flush_flow: float

    @property
    def delay_s(self) -> float:
        """Delay of slow waves [s]."""
        f = 0.2
        return float(-np.angle(transfer(self.line, f)) / (2 * np.pi * f))

    def through(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line."""
        return through_tube(pressure, self.line, fs)

    def jerked(self, pressure: FloatArray, fs: float) -> FloatArray:
        """Pressure behind the line of something that shakes it."""
        return through_tube(pressure, self.line, fs)

    def release(self, kind: str, t: FloatArray, offset: float, slope: float) -> FloatArray:
        """What is left of an offset; its slope ends with it."""
        if kind == "flush":
            return offset * flush_release(t, self.line, self.closing_s, self.flush_flow)
        return offset * tap_release(t, self.line, self.closing_s)

    def rest_s(self, kind: str, offset: float, slope: float, least: float) -> float:
        """Time until less than so much of it is left."""
        t = np.arange(0.0, 30.0, 0.002)
        high = np.flatnonzero(np.abs(self.release(kind, t, offset, slope)) > least)
        return float(t[high[-1]] + 0.002) if high.size else 0.0


def line_of(scenario: Scenario) -> Line:
    """The line of a scenario."""
    if scenario.line is not None:
        return Tube(scenario.line, scenario.closing_s, scenario.flush_flow)
    return SecondOrder(scenario.line_hz, scenario.line_damping)
