"""Before and after marked interventions: what changed, by how much, and what change could have been seen."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..context.intervals import EVENTS
from ..errors import InputError
from ..indices.index import Index
from ..indices.windows import WINDOW_S
from .published import published_context
from .sides import NOTHING, Rows

if TYPE_CHECKING:
    import pandas as pd

    from .result import Analysis

Float = NDArray[np.float64]

AFTER = {
    "fluid": "end",
    "leg_raise": "start",
    "end_expiratory_occlusion": "start",
    "tidal_volume_challenge": "start",
    "vasopressor_change": "start",
    "apnoea": "start",
}
"""Where the waiting time starts to run: what is given is looked at afterwards, a manoeuvre while it lasts."""
TIMES = 1.96
LEAST_PAIRS, MOST_PAIRS = 20, 200
"""Pairs of windows elsewhere in the recording that its usual change needs, and that are looked at."""
COUPLING = (
    "Change and value before share the beats before: a correlation between them, or of the change with any "
    "index of the same beats, is partly arithmetic (Enevoldsen, thesis: the first part of a fluid bolus "
    "'predicted' the whole with an area of 0.92, the remaining part with 0.33)."
)


def least_significant_change(se_before: float, se_after: float | None = None, averaged: int = 1) -> float:
    """
    Smallest change that two measurements tell from none.

    Parameters
    ----------
    se_before, se_after : float
        Random standard error of either [unit of the value, or %]; the second is like the first if left out.
    averaged : int
        Readings averaged on either side, where the errors are those of one reading.

    Returns
    -------
    float
        1.96 sqrt((se_before^2 + se_after^2) / averaged), in the same unit.

    Notes
    -----
    Random error only: zero, level, gain and line are shared by both sides.

    References
    ----------
    .. [1] Cecconi M, Dawson D, Grounds RM, Rhodes A. Lithium dilution cardiac output measurement in the
       critically ill patient: determination of precision of the technique. Intensive Care Med
       2009;35:498-504.

    Examples
    --------
    >>> round(least_significant_change(5.0, averaged=4), 2)
    6.93
    """
    after = se_before if se_after is None else se_after
    return TIMES * math.sqrt((se_before**2 + after**2) / averaged)


@dataclass(frozen=True)
class Declared:
    """
    What is asked of the windows and of the change; all of it the user's.

    Attributes
    ----------
    before_s, after_s, wait_s : float
        Lengths of the windows, and the time to wait before the second [s].
    after : str, optional
        Whether the waiting time runs from the "start" or the "end" of the event.
    percent, change : float, optional
        Change that is looked for, in % of the value before or in the unit of the index.
    """

    before_s: float = 60.0
    after_s: float = 60.0
    wait_s: float = 0.0
    after: str | None = None
    percent: float | None = None
    change: float | None = None

    def __post_init__(self) -> None:
        for name in ("before_s", "after_s"):
            if not getattr(self, name) > 0:
                raise InputError(f"responses: {name} must be above 0, got {getattr(self, name):g}")
        if not self.wait_s >= 0:
            raise InputError(f"responses: wait_s must not be negative, got {self.wait_s:g}")
        if self.after not in (None, "start", "end"):
            raise InputError(f"responses: after must be 'start' or 'end', got {self.after!r}")
        if self.percent is not None and self.change is not None:
            raise InputError("responses: declare one change, in percent or in the unit of the index")
        if 0 in (self.percent, self.change):
            raise InputError("responses: a declared change has a size and a direction; 0 has neither")

    def words(self, change: float, percent: float, unit: str) -> str:
        """Whether the declared change was reached; empty where none was declared or measured."""
        wanted, found, per = (
            (self.percent, percent, "%") if self.percent is not None else (self.change, change, unit)
        )
        if wanted is None or math.isnan(found):
            return ""
        reached = found >= wanted if wanted > 0 else found <= wanted
        return f"{'reached' if reached else 'did not reach'} the declared change of {wanted:g} {per}"


def response_table(
    result: Analysis, names: str | Iterable[str], kind: str | None, declared: Declared
) -> pd.DataFrame:
    """
    Work out what `Analysis.responses` returns.

    Parameters
    ----------
    result : Analysis
        The analysis.
    names, kind
        As there.
    declared : Declared
        Windows and change.

    Returns
    -------
    pandas.DataFrame
        As there.
    """
    import pandas as pd

    indices = [result.catalogue[name] for name in ([names] if isinstance(names, str) else list(names))]
    for index in indices:
        if index.level == "record":
            raise InputError(f"responses: {index.name} is one value of the recording, with no before")
    if kind is not None and kind not in EVENTS:
        raise InputError(f"responses: no event is called {kind!r}; known are {', '.join(EVENTS)}")
    events = result.events
    of = {index.name: Rows(result, index) for index in indices}
    rows = []
    for at in range(len(events)) if kind is None else np.flatnonzero((events["kind"] == kind).to_numpy()):
        windows, reason = _windows(result, int(at), declared)
        starts = [] if reason else _elsewhere(result, windows)
        rows += [
            _row(result, index, indices, of[index.name], int(at), windows, reason, starts, declared)
            for index in indices
        ]
    out = pd.DataFrame(rows, columns=_COLUMNS).astype(
        {"exceeds_least": "boolean", "exceeds_usual": "boolean"}
    )
    out.attrs = {"declared": vars(declared), "caution": COUPLING}
    return out


_COLUMNS = (
    *("event", "kind", "index", "unit", "before_from_s", "before_to_s", "after_from_s", "after_to_s"),
    *("before", "before_se", "before_n", "after", "after_se", "after_n", "change", "change_se"),
    *("change_percent", "change_percent_se", "least_significant_change", "exceeds_least"),
    *("usual_change", "usual_pairs", "exceeds_usual", "declared"),
    *("shared_inputs", "reason", "note"),
)


def _windows(result: Analysis, at: int, declared: Declared) -> tuple[tuple[float, float, float, float], str]:
    """Both windows of an event [s], and why they cannot be used."""
    event = result.events.iloc[at]
    kind, start, end = str(event["kind"]), float(event["start_s"]), float(event["end_s"])
    anchor = declared.after or AFTER.get(kind, "end")
    first = (start if anchor == "start" else end) + declared.wait_s
    windows = (start - declared.before_s, start, first, first + declared.after_s)
    info = result.info["samples"]
    begins = info["first"] / result.info["fs"]
    ends = begins + info["size"] / result.info["fs"]
    if windows[0] < begins or windows[3] > ends:
        side = "before" if windows[0] < begins else "after"
        return windows, f"the window {side} the event falls off the recording"
    if anchor == "start" and end > start and windows[3] > end + 1e-9:
        return windows, "the window after its start runs beyond the end of the event"
    others = result.events.drop(result.events.index[at])
    last = max(windows[3], end)
    moment = (others["end_s"] == others["start_s"]) & (others["start_s"] >= windows[0])
    touches = (others["start_s"] < last) & ((others["end_s"] > windows[0]) | moment)
    if touches.any():
        other = others[touches].iloc[0]
        return windows, f"another event overlaps ({other['kind']} from {other['start_s']:g} s)"
    return windows, ""


def _row(
    result: Analysis,
    index: Index,
    asked: list[Index],
    rows: Rows,
    at: int,
    windows: tuple[float, float, float, float],
    reason: str,
    starts: list[float],
    declared: Declared,
) -> dict[str, Any]:
    """One event and index."""
    before, after = NOTHING, NOTHING
    if not reason:
        before, after = (rows.between(*windows[k : k + 2]) for k in (0, 2))
        reasons = ((name, side.reason) for name, side in (("before", before), ("after", after)))
        reason = "; ".join(f"{name} the event {words}" for name, words in reasons if words)
    if reason:
        before, after = (side._replace(value=math.nan, se=math.nan) for side in (before, after))
    change = after.value - before.value
    least = least_significant_change(before.se, after.se)
    relative = 100.0 / abs(before.value) if before.value else math.nan
    # Of a ratio: the value before stands in both its parts.
    ratio = after.value / before.value if before.value else math.nan
    ratio_se = relative * math.hypot(after.se, before.se * ratio)
    usual, pairs = _usual_change(rows, windows, [] if reason else starts)
    kind = str(result.events["kind"].iloc[at])
    shared = [
        other.name
        for other in asked
        if other is not index and (other.name in index.shared_inputs or index.name in other.shared_inputs)
    ]
    values = (
        *(at, kind, index.name, index.unit, *windows),
        *(before.value, before.se, before.n, after.value, after.se, after.n, change, least / TIMES),
        *(relative * change, ratio_se, least),
        _exceeds(change, least),
        *(usual, pairs, _exceeds(change, usual)),
        declared.words(change, relative * change, index.unit),
        *(", ".join(shared), reason, published_context(kind, index.name)),
    )
    return dict(zip(_COLUMNS, values, strict=True))


def _exceeds(change: float, limit: float) -> bool | None:
    return None if math.isnan(change) or math.isnan(limit) else bool(abs(change) > limit)


def _elsewhere(result: Analysis, windows: tuple[float, float, float, float]) -> list[float]:
    """Where else in the recording the same pair of windows could begin without touching an event [s]."""
    info = result.info["samples"]
    begins = info["first"] / result.info["fs"]
    ends = begins + info["size"] / result.info["fs"]
    length = windows[3] - windows[0]
    # Whole windows of the table keep their place in the pair.
    step = WINDOW_S * math.ceil(0.5 * length / WINDOW_S)
    first = windows[0] - step * math.floor((windows[0] - begins) / step)
    starts = np.arange(first, ends - length, step)
    taken = result.events[["start_s", "end_s"]].to_numpy(np.float64)
    touched = (taken[:, 0] < starts[:, None] + length) & (taken[:, 1] >= starts[:, None])
    free = starts[~touched.any(axis=1)]
    return [float(start) for start in free[:: max(1, math.ceil(free.size / MOST_PAIRS))]]


def _usual_change(
    rows: Rows, windows: tuple[float, float, float, float], starts: list[float]
) -> tuple[float, int]:
    """Change that 19 of 20 such pairs elsewhere stay below, and how many pairs there are."""
    shape = [at - windows[0] for at in windows]
    changes = []
    for start in starts:
        before, after = (rows.between(start + shape[k], start + shape[k + 1]) for k in (0, 2))
        changes.append(abs(after.value - before.value))
    known = np.array([change for change in changes if not math.isnan(change)])
    return (float(np.quantile(known, 0.95)) if known.size >= LEAST_PAIRS else math.nan), int(known.size)
