"""
What the measuring chain does to the values: expected error of the line, error of zero and level, their doubt.

These errors are shared by all beats that the same line measured: they do not grow smaller with more beats,
and stand in columns of their own beside the random standard errors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .index import Index
from .rules import PRESSURE_RULES

if TYPE_CHECKING:
    from ..line.chain import Chain

Float = NDArray[np.float64]

_TITLES = {
    "sbp": ("systolic pressure", "mmHg"),
    "dbp": ("diastolic pressure", "mmHg"),
    "pp": ("pulse pressure", "mmHg"),
    "dpdt_max": ("steepest rise", "mmHg/s"),
}
_ENDS = {"": "expected error", "_low": "least expected error", "_high": "greatest expected error"}
_SOURCES = (
    "Gardner RM. Direct blood pressure measurement - dynamic response requirements. Anesthesiology "
    "1981;54:227-236 (that natural frequency and damping decide); the estimate for one's own beats is "
    "described in hemoidx.line.adequacy",
)


@dataclass(frozen=True, slots=True)
class LineError:
    """
    What the line adds to a quantity of each beat.

    Attributes
    ----------
    quantity : str
        One of "sbp", "dbp", "pp", "dpdt_max".
    part : str
        "value", "low" or "high".
    """

    quantity: str
    part: str

    def __call__(self, chain: Chain, pp: Float, dpdt_max: Float, steepest: Float, duration: Float) -> Float:
        """
        Ask the chain.

        Parameters
        ----------
        chain : Chain
            What measured the beats.
        pp, dpdt_max : ndarray, shape (n_beats,)
            Recorded pulse pressure [mmHg] and steepest rise [mmHg/s].
        steepest : ndarray, shape (n_beats,)
            Steepest rise [samples].
        duration : ndarray, shape (n_beats,)
            Time to the next foot [s].

        Returns
        -------
        ndarray, shape (n_beats,)
            Recorded less true value, or an end of its 95 % interval, in the unit of the quantity. NaN where
            the line is not known.
        """
        return np.asarray(getattr(chain.errors(pp, dpdt_max, steepest, duration)[self.quantity], self.part))


@dataclass(frozen=True, slots=True)
class OfAllPressures:
    """
    What zero, level and gain do at each beat.

    Attributes
    ----------
    name : str
        Column of the chain.
    times : float
        Factor, for per cent.
    """

    name: str
    times: float = 1.0

    def __call__(self, chain: Chain) -> Float:
        """Give the column, shape (n_beats,)."""
        return self.times * chain.columns[self.name]


def _line_error_of(name: str, end: str) -> Index:
    title, unit = _TITLES[name]
    bound = f"; {'lower' if end == '_low' else 'upper'} end of its 95 % interval" if end else ""
    return Index(
        name=f"{name}_line_error{end}",
        title=f"Line: {_ENDS[end]} of {title}",
        unit=unit,
        level="beat",
        family="chain",
        formula=f"recorded less true {title} that the measured line is expected to make of this beat{bound}",
        inputs=("chain", "pp", "dpdt_max", "steepest", "duration"),
        function=LineError(name, end.removeprefix("_") or "value"),
        sources=_SOURCES,
        rules=PRESSURE_RULES,
        window="shared",
        missing="no flush tells what the line does to these beats",
    )


STATIC_ERROR = Index(
    name="static_error",
    title="Zero and level: what they add to every pressure",
    unit="mmHg",
    level="beat",
    family="chain",
    formula="last reading open to air, plus the column of fluid to the documented height of the transducer",
    inputs=("chain",),
    missing="neither zero nor height of the transducer is known",
    function=OfAllPressures("offset"),
    sources=("common practice, no source: open to air the pressure is zero; Pascal's law for the height",),
    window="shared",
)

STATIC_ERROR_SE = Index(
    name="static_error_se",
    title="Zero and level: standard error of what they add",
    unit="mmHg",
    level="beat",
    family="chain",
    formula="reading open to air, drift since then, and documented height, combined",
    inputs=("chain",),
    missing="zero or height of the transducer, or how well it was measured, is not known",
    function=OfAllPressures("offset_se"),
    sources=(
        "Gordon VL, Welch JP, Carley D, Teplick R, Newbower RS. Zero stability of disposable and reusable "
        "pressure transducers. Med Instrum 1987;21(2):87-91 (drift)",
    ),
    window="shared",
)

GAIN_ERROR_SE = Index(
    name="gain_error_se",
    title="Gain: relative standard error of every pressure and difference",
    unit="%",
    level="beat",
    family="chain",
    formula="standard error of the gain over the gain, where it was checked at two or more known pressures",
    inputs=("chain",),
    missing="the gain was not checked at known pressures",
    function=OfAllPressures("gain_se", 100.0),
    sources=("common practice, no source: least squares against a manometer",),
    window="shared",
)

INDICES = (
    *(_line_error_of(name, end) for name in _TITLES for end in _ENDS),
    STATIC_ERROR,
    STATIC_ERROR_SE,
    GAIN_ERROR_SE,
)
