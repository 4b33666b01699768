"""Before and after marked interventions: what changed, by how much, and what change could have been seen."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..context.intervals import EVENTS
from ..errors import InputError
from ..indices.index import Index
from ..indices.windows import LEAST_BEATS, LEAST_VALID, Groups, blocks_of, covered, statistic
from .published import published_context

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


class _Side(NamedTuple):
    """One window of an event: its value, standard error, number of rows, and why there is none."""

    value: float
    se: float
    n: int
    reason: str


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
    rows = []
    for at in range(len(events)) if kind is None else np.flatnonzero((events["kind"] == kind).to_numpy()):
        windows, reason = _windows(result, int(at), declared)
        rows += [_row(result, index, indices, int(at), windows, reason, declared) for index in indices]
    out = pd.DataFrame(rows, columns=_COLUMNS).astype({"exceeds_least": "boolean"})
    out.attrs = {"declared": vars(declared), "caution": COUPLING}
    return out


_COLUMNS = (
    *("event", "kind", "index", "unit", "before_from_s", "before_to_s", "after_from_s", "after_to_s"),
    *("before", "before_se", "before_n", "after", "after_se", "after_n", "change", "change_se"),
    *("change_percent", "change_percent_se", "least_significant_change", "exceeds_least", "declared"),
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
    at: int,
    windows: tuple[float, float, float, float],
    reason: str,
    declared: Declared,
) -> dict[str, Any]:
    """One event and index."""
    none = _Side(math.nan, math.nan, 0, "")
    before, after = none, none
    if not reason:
        before, after = (_side(result, index, *windows[k : k + 2]) for k in (0, 2))
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
        None if math.isnan(change) or math.isnan(least) else bool(abs(change) > least),
        declared.words(change, relative * change, index.unit),
        *(", ".join(shared), reason, published_context(kind, index.name)),
    )
    return dict(zip(_COLUMNS, values, strict=True))


def _side(result: Analysis, index: Index, first: float, last: float) -> _Side:
    """Value over the rows of the index's own table that lie within a stretch."""
    frame: pd.DataFrame = getattr(result, index.table)
    start_name = "onset_s" if index.level == "beat" else "start_s"
    start, end = frame[start_name].to_numpy(np.float64), frame["end_s"].to_numpy(np.float64)
    inside = (start >= first) & ~(end > last) & (start < last)
    value = frame[index.column].to_numpy(np.float64)[inside]
    start, end = start[inside], end[inside]
    known = np.isfinite(value)
    n = int(np.count_nonzero(known))
    if index.level == "window":
        return _of_windows(frame, index, inside, value)
    if n < LEAST_BEATS:
        return _Side(math.nan, math.nan, n, f"fewer than {LEAST_BEATS} {index.table} have a value")
    if index.level == "beat":
        timed = known & np.isfinite(end)
        share = covered(np.array([first]), np.array([last]), start[timed], end[timed])[0] / (last - first)
        # A beat across either edge belongs to neither side.
        edges = 2.0 * float(np.median(end[timed] - start[timed])) / (last - first) if timed.any() else 0.0
        if share < LEAST_VALID - min(edges, 0.2):
            return _Side(
                math.nan, math.nan, n, f"accepted beats cover less than {100 * LEAST_VALID:g} % of the window"
            )
        block = blocks_of(start, _breath_start(result, frame, inside))
    else:
        block = np.arange(start.size, dtype=np.int64)
    kind = "mean" if index.window == "none" else index.window
    groups = Groups(np.zeros(value.size, dtype=np.intp), block, 1)
    found, se = statistic(kind, value, end - start, groups)
    return _Side(float(found[0]), float(se[0]), n, "")


def _breath_start(result: Analysis, frame: pd.DataFrame, inside: NDArray[np.bool_]) -> Float:
    """Start of the breath of each beat [s], NaN outside of all."""
    starts = np.append(result.breaths["start_s"].to_numpy(np.float64), np.nan)
    row = frame["breath"].to_numpy(np.int64)[inside]
    return np.where(row >= 0, starts[row], np.nan)


def _of_windows(frame: pd.DataFrame, index: Index, inside: NDArray[np.bool_], value: Float) -> _Side:
    """Mean over whole windows; its error from theirs, else from their scatter."""
    known = np.isfinite(value)
    n = int(np.count_nonzero(known))
    if n < max(1, inside.sum()) or not n:
        why = "holds no whole window of 30 s" if not inside.any() else "holds a window without a value"
        return _Side(math.nan, math.nan, n, why)
    se = math.nan
    if index.has_se:
        errors = frame[f"{index.column}_se"].to_numpy(np.float64)[inside]
        se = float(np.sqrt(np.sum(errors**2)) / n)
    elif n >= LEAST_BEATS:
        se = float(np.std(value, ddof=1) / math.sqrt(n))
    return _Side(float(np.mean(value)), se, n, "")
