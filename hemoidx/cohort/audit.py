"""What is missing and why, by group; and what a summary would be if nothing had been hidden."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..plot.style import CAUTION, FAINT, INK, axes_or_new, label_axes, legend
from .clusters import mean_of
from .flow import enters
from .tally import LEVELS, Tally, groups_of, patient_of

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

_COLOURS = {"accepted": "#0072B2", "caution": "#E69F00", "rejected": "#d5dade"}
_RANK = {"rejected": 0, "caution": 1, "undocumented": 2}
_HATCHES = {"accepted": "", "caution": "////", "rejected": "...."}


def audit(found: Tally, by: str | None = None) -> pd.DataFrame:
    """
    Share of windows by verdict, by index and group.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    by : str, optional
        Group column of the members.

    Returns
    -------
    pandas.DataFrame
        One row an index and group: ``recordings``, ``rows`` (windows), ``accepted, caution, rejected`` and
        their shares [%]; ``undocumented_percent``, of rows not rejected, on which something bears that
        nobody documented; ``accepted_low`` and ``accepted_high``, an interval of the accepted
        share over patients, each counting once; and of the recordings as a whole, how many are
        ``of_recording_rejected``.
    """
    import pandas as pd

    rows = []
    for name in found.names:
        for group, mine in groups_of(found.of(name), by):
            total = int(mine["rows"].sum())
            counts = {level: int(mine[level].sum()) for level in LEVELS}
            per = mine.groupby(patient_of(mine))[["accepted", "rows"]].sum()
            share = mean_of(100.0 * (per["accepted"] / per["rows"].where(per["rows"] > 0)).to_numpy())
            stands = total - counts["rejected"]
            rows.append(
                {
                    "index": name,
                    "group": group,
                    "recordings": len(mine),
                    "rows": total,
                    **counts,
                    **{f"{level}_percent": _percent(n, total) for level, n in counts.items()},
                    "undocumented_percent": _percent(int(mine["undocumented"].sum()), stands),
                    "accepted_of_patients_percent": share.value,
                    "accepted_low": max(share.low, 0.0),
                    "accepted_high": min(share.high, 100.0),
                    "of_recording_rejected": int((mine["of_recording"] == "rejected").sum()),
                }
            )
    return pd.DataFrame(rows)


def _percent(part: int, whole: int) -> float:
    return 100.0 * part / whole if whole else float("nan")


def reasons(found: Tally, by: str | None = None) -> pd.DataFrame:
    """
    Reasons of verdicts, the most frequent first.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    by : str, optional
        Group column of the members.

    Returns
    -------
    pandas.DataFrame
        One row an index, group, ``level`` (rejected, caution, undocumented) and ``reason``: ``rows`` it was
        given for and their share of all
        rows [%], those for which it was the only reason of that level (``alone``), and ``recordings`` it
        occurs in. A row may have several reasons, so that shares do not add up.
    """
    import pandas as pd

    parts = []
    for name in found.names:
        for group, mine in groups_of(found.of(name), by):
            total = int(mine["rows"].sum())
            here = pd.concat([found.reasons, _undocumented(found, mine)])
            here = here[(here["index"] == name) & here["record_id"].isin(mine["record_id"])]
            if here.empty:
                continue
            counted = here.groupby(["level", "reason"], as_index=False).agg(
                rows=("rows", "sum"), alone=("alone", "sum"), recordings=("record_id", "nunique")
            )
            counted.insert(0, "group", group)
            counted.insert(0, "index", name)
            counted["percent"] = 100.0 * counted["rows"] / total
            # Rejected first: what is not there matters more than what is doubtful.
            counted["rank"] = counted["level"].map(_RANK)
            parts.append(counted.sort_values(["rank", "rows", "reason"], ascending=[True, False, True]))
    columns = ["index", "group", "level", "reason", "rows", "percent", "alone", "recordings"]
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


def _undocumented(found: Tally, mine: pd.DataFrame) -> pd.DataFrame:
    """What was not documented of these recordings, given for all of their rows that were not rejected."""
    said = found.of_recording[found.of_recording["level"] == "undocumented"].drop(columns=["rows"])
    counts = mine[["record_id", "index", "undocumented"]].rename(columns={"undocumented": "rows"})
    out = said.merge(counts, on=["record_id", "index"], how="inner")
    out["alone"] = out["rows"].where(out["alone"] > 0, 0)
    return out


def missing(found: Tally, by: str | None = None, least_windows: int = 1) -> pd.DataFrame:
    """
    How much is missing, by index and group.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    by : str, optional
        Group column of the members.
    least_windows : int
        As for the exclusion flow.

    Returns
    -------
    pandas.DataFrame
        One row an index and group: ``recordings`` with results, ``with_value`` of them that enter the
        summary, and ``without``; ``patients`` and ``patients_without`` any such recording; ``rows`` and the
        share of them without a value [%].
    """
    import pandas as pd

    rows = []
    for name in found.names:
        for group, mine in groups_of(found.of(name), by):
            there = enters(mine, least_windows)
            whose = patient_of(mine)
            total, known = int(mine["rows"].sum()), int(mine["n"].sum())
            rows.append(
                {
                    "index": name,
                    "group": group,
                    "recordings": len(mine),
                    "with_value": int(there.sum()),
                    "without": int((~there).sum()),
                    "patients": whose.nunique(),
                    "patients_without": whose.nunique() - whose[there].nunique(),
                    "rows": total,
                    "rows_without_percent": _percent(total - known, total),
                }
            )
    return pd.DataFrame(rows)


def sensitivity(found: Tally, by: str | None = None, least_windows: int = 1) -> pd.DataFrame:
    """
    Hold the summary of an index against what it would be if no rule had hidden anything.

    Parameters
    ----------
    found : Tally
        What `tally` found.
    by : str, optional
        Group column of the members.
    least_windows : int
        As for the exclusion flow, for the masked side.

    Returns
    -------
    pandas.DataFrame
        One row an index and group. ``masked``: mean over patients of their recordings' means, of recordings
        that enter the summary, with interval; ``unmasked``: the same of every recording that has any value.
        ``difference``: unmasked less masked within the patients that have both, with interval, and
        ``sd_of_difference`` between them; ``of_selection``: what is left of the difference of the two
        summaries, which comes from patients that only the unmasked one holds. ``changed_most``: largest
        absolute difference of a patient.

    Notes
    -----
    Differences are taken within patients and averaged over patients, so that windows of one recording do not
    pass for independent ones. What was never found, such as beats in a marked stretch, is in neither.
    """
    import pandas as pd

    rows = []
    for name in found.names:
        for group, mine in groups_of(found.of(name), by):
            whose = patient_of(mine)
            there = enters(mine, least_windows)
            masked = mine["mean"].where(there).groupby(whose).mean()
            plain = mine["mean_unmasked"].groupby(whose).mean()
            both = mine["mean_unmasked"].where(there & mine["mean_unmasked"].notna()).groupby(whose).mean()
            apart = (both - masked).dropna()
            left, right, difference = mean_of(masked), mean_of(plain), mean_of(apart)
            rows.append(
                {
                    "index": name,
                    "group": group,
                    "masked": left.value,
                    "masked_low": left.low,
                    "masked_high": left.high,
                    "masked_patients": left.clusters,
                    "unmasked": right.value,
                    "unmasked_low": right.low,
                    "unmasked_high": right.high,
                    "unmasked_patients": right.clusters,
                    "difference": difference.value,
                    "difference_low": difference.low,
                    "difference_high": difference.high,
                    "sd_of_difference": difference.sd,
                    "of_selection": right.value - left.value - difference.value,
                    "changed_most": float(apart.abs().max()) if len(apart) else float("nan"),
                    "rows_hidden": int((mine["n_unmasked"] - mine["n"]).sum()),
                    "note": difference.note,
                }
            )
    return pd.DataFrame(rows)


def plot_audit(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """
    Draw the shares of `audit` as bars, told apart by hatch and place as well as by colour.

    Parameters
    ----------
    table : pandas.DataFrame
        What `audit` returned.
    ax : Axes, optional
        Where to; a new figure if left out.

    Returns
    -------
    Axes
        With the drawing.
    """
    names = [_named(row) for _, row in table.iterrows()]
    chosen = axes_or_new(ax, 9.0, 0.34 * len(names) + 1.5)
    place = np.arange(len(names))
    begin = np.zeros(len(names))
    for level in LEVELS:
        share = table[f"{level}_percent"].fillna(0.0).to_numpy()
        chosen.barh(
            place, share, left=begin, height=0.68, label=level, color=_COLOURS[level],
            hatch=_HATCHES[level], edgecolor=INK, linewidth=0.5,
        )  # fmt: skip
        for at, (start, width) in enumerate(zip(begin, share, strict=True)):
            if width >= 7.0:
                chosen.text(
                    start + width / 2, at, f"{width:.0f}", ha="center", va="center", fontsize=8, color=INK,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
                )  # fmt: skip
        begin = begin + share
    chosen.set_yticks(place, names)
    chosen.invert_yaxis()
    chosen.set_xlim(0, 100)
    chosen.grid(axis="y", visible=False)
    label_axes(chosen, x="share of windows [%]")
    legend(chosen, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3)
    chosen.set_title(CAUTION, fontsize=7, color=FAINT, loc="right")
    return chosen


def plot_sensitivity(table: pd.DataFrame, units: dict[str, str], ax: Axes | None = None) -> Axes:
    """
    Draw the differences of `sensitivity` with their intervals, in standard deviations between patients.

    Parameters
    ----------
    table : pandas.DataFrame
        What `sensitivity` returned.
    units : dict of str
        Unit of each index.
    ax : Axes, optional
        Where to; a new figure if left out.

    Returns
    -------
    Axes
        With the drawing: values are written beside the marks in the unit of the index.
    """
    shown = table[table["difference"].notna()].reset_index(drop=True)
    chosen = axes_or_new(ax, 9.0, 0.34 * len(shown) + 1.4)
    # Indices have different units: each is drawn relative to its own interval of the masked mean.
    scale = ((shown["masked_high"] - shown["masked_low"]) / 2.0).replace(0.0, np.nan).to_numpy()
    for at, (_, row) in enumerate(shown.iterrows()):
        unit = scale[at]
        middle, low, high = (row[c] / unit for c in ("difference", "difference_low", "difference_high"))
        chosen.plot([low, high], [at, at], color=INK, linewidth=1.4, solid_capstyle="butt")
        chosen.plot([middle], [at], marker="D", color="#0072B2", markersize=6, markeredgecolor=INK)
        words = f"{row['difference']:+.2f} ({row['difference_low']:.2f} to {row['difference_high']:.2f})"
        chosen.annotate(
            f"{words} {units[row['index']]}", (1.01, at), xycoords=("axes fraction", "data"), fontsize=8,
            va="center", color=INK,
        )  # fmt: skip
    chosen.axvline(0.0, color=INK, linewidth=0.8)
    chosen.axvspan(-1.0, 1.0, facecolor="none", edgecolor=FAINT, hatch="..", linewidth=0.5, alpha=0.5)
    chosen.set_yticks(range(len(shown)), [_named(row) for _, row in shown.iterrows()])
    chosen.invert_yaxis()
    chosen.grid(axis="y", visible=False)
    label_axes(
        chosen,
        x="unmasked less masked, in half widths of the masked mean's own interval (dotted: within one)",
    )
    chosen.set_title(CAUTION, fontsize=7, color=FAINT, loc="right")
    return chosen


def _named(row: pd.Series[Any]) -> str:
    return f"{row['index']}, {row['group']}"
