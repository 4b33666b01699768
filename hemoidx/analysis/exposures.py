"""Exposure of an analysis: beyond a threshold of the user, at plus and minus what zero and gain leave."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..indices.exposure.beyond import episodes, exposure

if TYPE_CHECKING:
    import pandas as pd

    from .result import Analysis

Float = NDArray[np.float64]


def _threshold(below: float | None, above: float | None) -> tuple[float, bool]:
    given = [limit for limit in (below, above) if limit is not None]
    if len(given) != 1:
        raise InputError("exposure needs a threshold of the user's: either below or above")
    return float(given[0]), below is not None


def _beats(result: Analysis, name: str) -> tuple[Float, Float, str]:
    """Times and values of the beats, and the unit."""
    index = result.catalogue[name]
    if index.level != "beat":
        raise InputError(f"exposure is read from beats, and {name} is an index of the {index.table}")
    beats = result.beats
    return beats["onset_s"].to_numpy(np.float64), beats[index.column].to_numpy(np.float64), index.unit


def exposure_table(
    result: Analysis,
    name: str,
    below: float | None,
    above: float | None,
    method: str,
    longest_gap_s: float,
    times: float,
    inclusive: bool,
) -> pd.DataFrame:
    """
    Work out what `Analysis.exposure` returns.

    Parameters
    ----------
    result : Analysis
        The analysis.
    name, below, above, method, longest_gap_s, times, inclusive
        As there.

    Returns
    -------
    pandas.DataFrame
        As there.
    """
    import pandas as pd

    threshold, is_below = _threshold(below, above)
    time, value, unit = _beats(result, name)
    index = result.catalogue[name]
    columns = {
        "value": value,
        "if_lower": np.full(value.size, np.nan),
        "if_higher": np.full(value.size, np.nan),
    }
    if {"offset", "gain"} & set(index.harmed_by):
        around = result.plus_minus(name, "beats", times)
        low, high = (around[side].to_numpy(np.float64) for side in ("low", "high"))
        if np.isfinite(low[np.isfinite(value)]).all():
            # The error of a part says nothing of the whole.
            columns |= {"if_lower": low, "if_higher": high}
    found = {
        column: exposure(
            time, values, threshold, is_below, method, longest_gap_s=longest_gap_s, inclusive=inclusive
        )
        for column, values in columns.items()
    }
    units = {"time": "s", "area": f"{unit} s", "average": unit, "share": "%"}
    plain = found["value"]
    out = pd.DataFrame(
        {
            "measure": list(units),
            "unit": list(units.values()),
            **{column: [getattr(one, measure) for measure in units] for column, one in found.items()},
            "covered_s": plain.covered,
            "gaps": plain.gaps,
            "gap_s": plain.gap,
            "interval_s": plain.interval,
        }
    )
    out.attrs = {
        "index": name,
        "threshold": threshold,
        "side": "below" if is_below else "above",
        "inclusive": inclusive,
        "method": method,
        "longest_gap_s": longest_gap_s,
        "times": times,
    }
    if index.appears_in("record"):
        verdict = result.verdicts(name, "record").iloc[0]
        out.attrs |= {"measurement": verdict["measurement"], "reasons": verdict["reasons"]}
    return out


def episode_table(
    result: Analysis,
    name: str,
    below: float | None,
    above: float | None,
    at_least_s: float,
    method: str,
    longest_gap_s: float,
    joined_s: float,
    inclusive: bool,
) -> pd.DataFrame:
    """
    Work out what `Analysis.episodes` returns.

    Parameters
    ----------
    result : Analysis
        The analysis.
    name, below, above, at_least_s, method, longest_gap_s, joined_s, inclusive
        As there.

    Returns
    -------
    pandas.DataFrame
        As there.
    """
    import pandas as pd

    threshold, is_below = _threshold(below, above)
    time, value, unit = _beats(result, name)
    found = episodes(
        time,
        value,
        threshold,
        is_below,
        method,
        longest_gap_s=longest_gap_s,
        at_least_s=at_least_s,
        joined_s=joined_s,
        inclusive=inclusive,
    )
    lasts = found.end - found.start
    out = pd.DataFrame(
        {
            "start_s": found.start,
            "end_s": found.end,
            "duration_s": lasts,
            "area": found.area,
            "average": found.area / lasts,
        }
    )
    out.attrs = {
        "units": {
            "start_s": "s", "end_s": "s", "duration_s": "s", "area": f"{unit} s", "average": unit,
        },
        "index": name,
        "threshold": threshold,
        "side": "below" if is_below else "above",
    }  # fmt: skip
    return out
