"""
What the measuring chain does to the values: expected error of the line, error of zero and level, their doubt.

These errors are shared by all beats that the same line measured: they do not grow smaller with more beats,
and stand in columns of their own beside the random standard errors.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .catalogue import Index
from .rules import PRESSURE_RULES

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


def line_error(pp: ArrayLike, share: ArrayLike) -> Float:
    """
    What the line adds to a quantity of each beat.

    Parameters
    ----------
    pp : array_like, shape (n_beats,)
        Recorded pulse pressure [mmHg].
    share : array_like, shape (n_beats,)
        Error for each mmHg of pulse pressure of the typical beat behind the same line.

    Returns
    -------
    ndarray, shape (n_beats,)
        Recorded less true value, in the unit of the quantity: a line is linear, so that beats of one shape
        are distorted in proportion to their size. NaN where the line is not known.

    Examples
    --------
    >>> line_error([40.0, 60.0], [0.1, 0.1])
    array([4., 6.])
    """
    return np.asarray(pp, dtype=np.float64) * np.asarray(share, dtype=np.float64)


def as_it_is(value: ArrayLike) -> Float:
    """
    Give what is known of the chain at each beat, unchanged.

    Parameters
    ----------
    value : array_like, shape (n_beats,)
        What is known.

    Returns
    -------
    ndarray, shape (n_beats,)
        The same.
    """
    return np.asarray(value, dtype=np.float64)


def in_percent(value: ArrayLike) -> Float:
    """
    Give a share in per cent.

    Parameters
    ----------
    value : array_like, shape (n_beats,)
        Share of 1.

    Returns
    -------
    ndarray, shape (n_beats,)
        Per cent.

    Examples
    --------
    >>> in_percent([0.02])
    array([2.])
    """
    return 100.0 * np.asarray(value, dtype=np.float64)


def _line_error_of(name: str, end: str) -> Index:
    title, unit = _TITLES[name]
    bound = f"; {'lower' if end == '_low' else 'upper'} end of its 95 % interval" if end else ""
    return Index(
        name=f"{name}_line_error{end}",
        title=f"Line: {_ENDS[end]} of {title}",
        unit=unit,
        level="beat",
        family="chain",
        formula=f"recorded less true {title} expected from the measured line for these beats, "
        f"times pp over that of the typical beat{bound}",
        inputs=("pp", f"chain.{name}{end}"),
        function=line_error,
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
    inputs=("chain.offset",),
    missing="neither zero nor height of the transducer is known",
    function=as_it_is,
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
    inputs=("chain.offset_se",),
    missing="zero or height of the transducer, or how well it was measured, is not known",
    function=as_it_is,
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
    inputs=("chain.gain_se",),
    missing="the gain was not checked at known pressures",
    function=in_percent,
    sources=("common practice, no source: least squares against a manometer",),
    window="shared",
)

INDICES = (
    *(_line_error_of(name, end) for name in _TITLES for end in _ENDS),
    STATIC_ERROR,
    STATIC_ERROR_SE,
    GAIN_ERROR_SE,
)
