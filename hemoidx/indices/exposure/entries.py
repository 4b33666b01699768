"""Exposure as entries of the catalogue: one line for each threshold, and a user's own in the same way."""

from __future__ import annotations

import inspect
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError
from ..index import Index
from ..pressure.readings import DBP, MBP, PP, SBP
from ..rules import CAUTION, Limit, Rule, When
from .beyond import exposure

Float = NDArray[np.float64]

LONGEST_GAP_S = 10.0
"""A step from one beat to the next that is longer is a gap [s]: our convention."""
LEAST_COVERED_PERCENT = 80.0
"""Share of the recording that beats should cover [%]: our convention, as for windows."""
TIMES = 1.96
"""Standard errors of zero and level for their 95 % interval."""
#: What of an `Exposure` an entry may give: field, unit, words.
MEASURES = {
    "time": ("s", "Time with {of} {side} {at:g}"),
    "area": ("mmHg s", "Area of {of} {side} {at:g}"),
    "average": ("mmHg", "Time-weighted average of {of} {side} {at:g}"),
    "share": ("%", "Share of time with {of} {side} {at:g}"),
}
_OF = {index.name: index for index in (SBP, DBP, MBP, PP)}


@dataclass(frozen=True, slots=True)
class Exposed:
    """
    One number of an exposure, as a function of the beats.

    Attributes
    ----------
    of : str
        Index whose beats are read.
    threshold : float
        [unit of the index].
    below : bool
        Whether exposure is what lies below it.
    measure : str
        Field of `hemoidx.indices.exposure.beyond.Exposure`.
    method : str
        "hold" or "linear".
    longest_gap_s : float
        Longest step from beat to beat that is bridged [s].
    times : float
        Standard errors of zero and level that are added to each value; 0 for none.
    """

    of: str
    threshold: float
    below: bool
    measure: str
    method: str
    longest_gap_s: float
    times: float = 0.0

    def __call__(self, onset_s: ArrayLike, value: ArrayLike, static_error_se: ArrayLike = 0.0) -> Float:
        """
        Work it out.

        Parameters
        ----------
        onset_s : array_like, shape (n_beats,)
            Foot of each beat [s].
        value : array_like, shape (n_beats,)
            Its value; NaN where it was not measured.
        static_error_se : array_like, shape (n_beats,)
            Standard error of zero and level [mmHg]; NaN where it is not known.

        Returns
        -------
        ndarray, shape (1,)
            NaN where no beat has a value, or the error is not known for all that have one.
        """
        values = np.asarray(value, dtype=np.float64)
        if self.times:
            error = np.asarray(static_error_se, dtype=np.float64)
            if np.isnan(error[np.isfinite(values)]).any():
                # The error of a part says nothing of the whole.
                return np.array([np.nan])
            values = values + self.times * error
        found = exposure(
            onset_s, values, self.threshold, self.below, self.method, longest_gap_s=self.longest_gap_s
        )
        return np.array([getattr(found, self.measure)], dtype=np.float64)

    @property
    def __signature__(self) -> inspect.Signature:
        names = ("onset_s", self.of, *(("static_error_se",) if self.times else ()))
        return inspect.Signature(
            [inspect.Parameter(name, inspect.Parameter.POSITIONAL_OR_KEYWORD) for name in names]
        )


_IN_WORDS = {
    "mbp": "mean pressure",
    "sbp": "systolic pressure",
    "dbp": "diastolic pressure",
    "pp": "pulse pressure",
}


def pressure_coverage(onset_s: ArrayLike, mbp: ArrayLike, duration_s: ArrayLike) -> Float:
    """
    Share of a recording that beats with a mean pressure cover.

    Parameters
    ----------
    onset_s, mbp : array_like, shape (n_beats,)
        Foot [s] and mean pressure [mmHg] of the beats; NaN where it was not measured.
    duration_s : array_like, shape (1,)
        Length of the recording [s].

    Returns
    -------
    ndarray, shape (1,)
        Covered time over length [%], a step of more than 10 s from beat to beat being a gap; 0 without beats.
    """
    found = exposure(onset_s, mbp, 0.0, longest_gap_s=LONGEST_GAP_S)
    covered = 0.0 if np.isnan(found.covered) else found.covered
    return 100.0 * covered / np.asarray(duration_s, dtype=np.float64)


COVERED = Rule(
    CAUTION,
    When(column="pressure_coverage", below=LEAST_COVERED_PERCENT),
    f"beats cover less than {LEAST_COVERED_PERCENT:g} % of the recording, and what lay between is not known",
)
_SALMASI = (
    "Salmasi V, Maheshwari K, Yang D and others. Relationship between intraoperative hypotension, defined by "
    "either reduction from baseline or absolute thresholds, and acute kidney and myocardial injury after "
    "noncardiac surgery. Anesthesiology 2017;126:47-65. doi:10.1097/ALN.0000000000001432"
)
_LIMITS = (
    Limit(
        "harm to a patient",
        "says nothing",
        "published thresholds and odds describe groups, mostly of surgical patients; the threshold here is "
        "whatever the user chose",
        source=_SALMASI,
    ),
    Limit(
        "exposure in studies with a reading a minute or a cuff",
        "reads high",
        "sparse readings miss part of it: with a cuff every 5 min about half",
        source="Arterial catheters for early detection and treatment of hypotension during major noncardiac "
        "surgery: a randomized trial. Anesth Analg 2020 (as reported in specialty news)",
    ),
)


def exposure_index(
    name: str,
    of: str = "mbp",
    *,
    below: float | None = None,
    above: float | None = None,
    measure: str = "average",
    method: str = "hold",
    longest_gap_s: float = LONGEST_GAP_S,
    zero_errors: float = 0.0,
) -> Index:
    """
    Declare an exposure as an entry of the catalogue.

    Parameters
    ----------
    name : str
        Its name.
    of : str
        Pressure whose beats are read: "mbp", "sbp", "dbp" or "pp".
    below, above : float
        The threshold [mmHg]: one of the two.
    measure : str
        "time" [s], "area" [mmHg s], "average" (over covered time) [mmHg] or "share" (of covered time) [%].
    method : str
        "hold" or "linear", see `hemoidx.indices.exposure.beyond.exposure`.
    longest_gap_s : float
        Longest step from beat to beat that is bridged [s].
    zero_errors : float
        Standard errors of zero and level that are added to every pressure before, such as -1.96 or 1.96.

    Returns
    -------
    Index
        An entry of the record, for ``catalogue=``; the name of a time ends in ``_s`` in the table.

    Raises
    ------
    InputError
        If the pressure, the threshold or the measure cannot be used.

    Examples
    --------
    >>> exposure_index("mbp_share_below_60", below=60, measure="share").title
    'Share of time with mean pressure below 60 mmHg'
    """
    if of not in _OF:
        raise InputError(f"exposure {name}: of must be one of {', '.join(_OF)}, got {of!r}")
    if measure not in MEASURES:
        raise InputError(f"exposure {name}: measure must be one of {', '.join(MEASURES)}, got {measure!r}")
    if (below is None) == (above is None):
        raise InputError(f"exposure {name}: needs a threshold, either below or above")
    if zero_errors and "offset" not in _OF[of].harmed_by:
        raise InputError(f"exposure {name}: zero and level do not change {of}")
    at, side = (above, "above") if below is None else (below, "below")
    unit, title = MEASURES[measure]
    words = title.format(of=_IN_WORDS[of], side=side, at=at) + " mmHg"
    formula = {
        "time": f"sum of dt while {of} is {side} the threshold",
        "area": f"sum of dt times what {of} lies {side} the threshold",
        "average": f"area {side} the threshold / covered time; not the average of {of}",
        "share": f"100 time {side} the threshold / covered time",
    }[measure]
    joined = "each beat holds until the next" if method == "hold" else "beats joined by straight lines"
    if zero_errors:
        words += f", if zero and level were off by {-zero_errors:+g} standard errors"
        formula += f"; {zero_errors:+g} static_error_se added to every beat"
    return Index(
        name=name,
        title=words,
        unit=unit,
        level="record",
        family="exposure",
        formula=f"{formula}; {joined}; steps above {longest_gap_s:g} s are gaps, neither exposed nor covered",
        inputs=("beats.onset_s", f"beats.{of}", *(("beats.static_error_se",) if zero_errors else ())),
        function=Exposed(of, float(at or 0.0), side == "below", measure, method, longest_gap_s, zero_errors),
        sources=(_SALMASI,),
        rules=(*_OF[of].rules, COVERED),
        limits=_LIMITS,
        column=f"{name}_s" if measure == "time" else name,
        harmed_by=_OF[of].harmed_by,
        missing="no beat had a value"
        + (", or the error of zero and level is not known for every beat" if zero_errors else ""),
    )


PRESSURE_COVERAGE = Index(
    name="pressure_coverage",
    title="Share of the recording that beats with a mean pressure cover",
    unit="%",
    level="record",
    family="exposure",
    formula=f"covered time / length; steps above {LONGEST_GAP_S:g} s from beat to beat are gaps",
    inputs=("beats.onset_s", "beats.mbp", "duration_s"),
    function=pressure_coverage,
    sources=("common practice, no source: exposure belongs to the analysed time",),
)

INDICES = (
    PRESSURE_COVERAGE,
    exposure_index("mbp_time_below_65", below=65, measure="time"),
    exposure_index("mbp_area_below_65", below=65, measure="area"),
    exposure_index("mbp_twa_below_65", below=65),
    exposure_index("mbp_twa_below_65_if_lower", below=65, zero_errors=-TIMES),
    exposure_index("mbp_twa_below_65_if_higher", below=65, zero_errors=TIMES),
    exposure_index("mbp_time_below_55", below=55, measure="time"),
    exposure_index("mbp_twa_below_55", below=55),
    exposure_index("mbp_time_below_75", below=75, measure="time"),
    exposure_index("mbp_twa_below_75", below=75),
    exposure_index("sbp_time_below_90", of="sbp", below=90, measure="time"),
    exposure_index("sbp_twa_below_90", of="sbp", below=90),
)
