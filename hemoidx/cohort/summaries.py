"""Summaries that count patients, not windows; and exposure, recording by recording."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError
from ..plot.style import CAUTION, FAINT, INK, axes_or_new, label_axes
from .clusters import components, mean_of, median_interval, pooled
from .flow import enters
from .tally import Tally, groups_of, patient_of, walk

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from .opened import Cohort


def summary(
    found: Tally, units: Mapping[str, str], by: str | None = None, least_windows: int = 1
) -> pd.DataFrame:
    """
    Summarise indices over patients.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    units : mapping of str to str
        Unit of each index.
    by : str, optional
        Group column of the members.
    least_windows : int
        As for the exclusion flow: who enters.

    Returns
    -------
    pandas.DataFrame
        One row an index and group: ``patients, recordings, rows`` (windows with a value); ``mean`` over
        patients of the mean over their recordings of the mean over windows, its 95 % interval (``low,
        high``), ``sd`` between patients; ``median`` over patients with its interval, and quartiles; the
        intraclass correlation of windows within recordings (``icc``, with interval), ``between_sd`` and
        ``within_sd``, and how many independent windows all windows are worth (``effective_rows``); the
        intraclass correlation of recordings within patients (``icc_of_recordings``), where patients have
        several; ``note``.

    Notes
    -----
    No group is tested against another; intervals of groups that share patients are not independent.
    """
    import pandas as pd

    rows = []
    for name in found.names:
        of_index = found.of(name)
        for group, mine in groups_of(of_index[enters(of_index, least_windows)], by):
            whose = patient_of(mine)
            per = mine["mean"].groupby(whose).mean().to_numpy(dtype=np.float64)
            mean = mean_of(per)
            middle, low, high = median_interval(per)
            windows = components(mine["n"], mine["mean"], mine["sd"])
            _, count, means, sds = pooled(whose.to_numpy(dtype=str), mine["mean"])
            known = per[np.isfinite(per)]
            first, third = np.quantile(known, [0.25, 0.75]) if known.size else (np.nan, np.nan)
            rows.append(
                {
                    "index": name,
                    "unit": units[name],
                    "group": group,
                    "patients": mean.clusters,
                    "recordings": len(mine),
                    "rows": int(mine["n"].sum()),
                    "mean": mean.value,
                    "low": mean.low,
                    "high": mean.high,
                    "sd": mean.sd,
                    "median": middle,
                    "median_low": low,
                    "median_high": high,
                    "quartile_1": float(first),
                    "quartile_3": float(third),
                    "icc": windows.icc,
                    "icc_low": windows.low,
                    "icc_high": windows.high,
                    "between_sd": windows.between_sd,
                    "within_sd": windows.within_sd,
                    "effective_rows": windows.effective,
                    "icc_of_recordings": components(count, means, sds).icc,
                    "note": mean.note,
                }
            )
    return pd.DataFrame(rows)


def exposure(
    cohort: Cohort, name: str, *, below: float | None = None, above: float | None = None, **options: Any
) -> pd.DataFrame:
    """
    Time beyond a threshold of the user's, in each recording.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    name : str
        Index of beats, for instance "mbp".
    below, above : float
        The threshold, one of the two. It is a choice, not a bound of health.
    **options
        As for `Analysis.exposure`: ``method, longest_gap_s, times, inclusive``.

    Returns
    -------
    pandas.DataFrame
        One row a recording, with the columns of the members: ``covered_s``, the time that its beats cover,
        ``uncovered_s``, the rest of the recording, ``gaps``; ``time_s`` beyond the threshold, ``share``
        of covered time [%], ``area`` [unit s], ``average`` [unit]; ``share_if_lower`` and
        ``share_if_higher``, with all pressures lower and higher by what zero and level leave open (NaN where
        that is not known); ``measurement``, the recording's verdict. What is not covered counts neither as
        exposed nor as spared.

    Raises
    ------
    InputError
        As `Analysis.exposure`.
    """
    import pandas as pd

    rows = []
    attrs: dict[str, Any] = {}
    for result in walk(cohort, {"beats"}):
        made = result.exposure(name, below=below, above=above, **options)
        attrs = attrs or {str(key): value for key, value in made.attrs.items()}
        by_measure = made.set_index("measure")
        lasts = float(result.record["duration_s"].iloc[0])
        covered = float(by_measure["covered_s"].iloc[0])
        covered = 0.0 if np.isnan(covered) else covered
        rows.append(
            {
                "record_id": result.record_id,
                "duration_s": lasts,
                "covered_s": covered,
                "uncovered_s": max(lasts - covered, 0.0),
                "gaps": by_measure["gaps"].iloc[0],
                "time_s": by_measure["value"]["time"],
                "share": by_measure["value"]["share"],
                "area": by_measure["value"]["area"],
                "average": by_measure["value"]["average"],
                "share_if_lower": by_measure["if_lower"]["share"],
                "share_if_higher": by_measure["if_higher"]["share"],
                "measurement": made.attrs.get("measurement", ""),
            }
        )
    if not rows:
        raise InputError("no recording of this cohort has results; `failures` says why")
    out = pd.DataFrame(rows).merge(cohort.members, on="record_id", how="left", validate="1:1")
    known = ("index", "threshold", "side", "inclusive", "method", "longest_gap_s", "times")
    out.attrs = {key: attrs[key] for key in known if key in attrs}
    return out


def exposure_summary(table: pd.DataFrame, by: str | None = None) -> pd.DataFrame:
    """
    Summarise `exposure` over patients.

    Parameters
    ----------
    table : pandas.DataFrame
        What `exposure` returned.
    by : str, optional
        Group column of the members.

    Returns
    -------
    pandas.DataFrame
        One row a group: ``patients`` with covered time and ``recordings``; ``covered_hours`` and
        ``uncovered_hours``; of the patients' shares of covered time beyond the threshold [%] the ``mean``
        with interval and the ``median`` with interval and quartiles; ``patients_exposed`` at all.
    """
    import pandas as pd

    rows = []
    for group, mine in groups_of(table, by):
        whose = patient_of(mine)
        time = mine["time_s"].groupby(whose).sum()
        covered = mine["covered_s"].groupby(whose).sum()
        share = (100.0 * time / covered.where(covered > 0)).dropna().to_numpy(dtype=np.float64)
        mean = mean_of(share)
        middle, low, high = median_interval(share)
        first, third = np.quantile(share, [0.25, 0.75]) if share.size else (np.nan, np.nan)
        rows.append(
            {
                "group": group,
                "patients": int(share.size),
                "recordings": int((mine["covered_s"] > 0).sum()),
                "without_covered_time": int((mine["covered_s"] == 0).sum()),
                "covered_hours": float(mine["covered_s"].sum()) / 3600.0,
                "uncovered_hours": float(mine["uncovered_s"].sum()) / 3600.0,
                "mean": mean.value,
                "low": max(mean.low, 0.0),
                "high": min(mean.high, 100.0),
                "median": middle,
                "median_low": low,
                "median_high": high,
                "quartile_1": float(first),
                "quartile_3": float(third),
                "patients_exposed": int(np.sum(share > 0)),
            }
        )
    out = pd.DataFrame(rows)
    out.attrs = dict(table.attrs)
    return out


def plot_summary(
    found: Tally, name: str, unit: str, by: str | None = None, least_windows: int = 1, ax: Axes | None = None
) -> Axes:
    """
    Draw each patient's mean as a point, and the mean over patients with its interval, by group.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    name, unit : str
        Index and its unit.
    by : str, optional
        Group column of the members.
    least_windows : int
        As for `summary`.
    ax : Axes, optional
        Where to; a new figure if left out.

    Returns
    -------
    Axes
        With the drawing.
    """
    rows = found.of(name)
    parts = groups_of(rows[enters(rows, least_windows)], by)
    chosen = axes_or_new(ax, 9.0, 0.55 * len(parts) + 1.3)
    # The same spread every time: neighbours in order are put apart, nothing is random.
    for place, (_, mine) in enumerate(parts):
        per = np.sort(mine["mean"].groupby(patient_of(mine)).mean().to_numpy(dtype=np.float64))
        apart = 0.28 * (np.mod(np.arange(per.size) * 0.618, 1.0) - 0.5) + place - 0.1
        chosen.scatter(per, apart, s=13, facecolor="none", edgecolor="#56606a", linewidth=0.7)
        mean = mean_of(per)
        chosen.plot(
            [mean.low, mean.high], [place + 0.28] * 2, color=INK, linewidth=2.2, solid_capstyle="butt"
        )
        chosen.plot(
            [mean.value], [place + 0.28], marker="D", color="#D55E00", markeredgecolor=INK, markersize=7
        )
    chosen.set_yticks(range(len(parts)), [f"{group} (n = {_patients(mine)})" for group, mine in parts])
    chosen.invert_yaxis()
    chosen.grid(axis="y", visible=False)
    label_axes(chosen, x=f"{name} [{unit}]: a ring a patient, diamond and bar their mean with 95 % interval")
    chosen.set_title(CAUTION, fontsize=7, color=FAINT, loc="right")
    return chosen


def _patients(mine: pd.DataFrame) -> int:
    return int(patient_of(mine)[mine["mean"].notna()].nunique())
