"""Values of a cuff beside those of the line, at the same moments; neither is held to be right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import DataUnavailableError, InputError
from ..recordings.channels import CUFF, statistic_of
from .sides import Rows

if TYPE_CHECKING:
    import pandas as pd

    from .result import Analysis

Float = NDArray[np.float64]

CAUTION = (
    "A cuff is no reference for the line: it measures elsewhere, at another moment and in another way. "
    "The difference says how far the two lie apart, not which of them is right."
)
_INDEX = {"systolic": "sbp", "mean": "mbp", "diastolic": "dbp"}
#: A value that comes again within this time [s] is the same measurement, shown again.
REPEAT_S = 30.0
_COLUMNS = ("time_s", "statistic", "cuff_channel", "cuff", "line", "difference", "n_beats", "reason")


@dataclass(frozen=True, eq=False)
class CuffCheck:
    """
    What a cuff and the line said at the same moments.

    Attributes
    ----------
    pairs : pandas.DataFrame
        One row a cuff value: ``time_s``, ``statistic``, ``cuff_channel``, ``cuff``, ``line`` and
        ``difference`` (line less cuff) [mmHg], ``n_beats`` behind the line's value, and the ``reason`` where
        it has none.
    summary : pandas.DataFrame
        One row a statistic: ``n`` pairs, ``n_unpaired`` cuff values, ``bias`` (mean difference) and
        ``spread`` (standard deviation of the differences, NaN below two pairs) [mmHg].
    caution : str
        Why this is no verdict on either.
    """

    pairs: pd.DataFrame
    summary: pd.DataFrame
    caution: str = CAUTION

    def __repr__(self) -> str:
        return f"{self.summary.to_string(index=False)}\n{self.caution}"


def cuff_check(result: Analysis, around_s: float = 60.0) -> CuffCheck:
    """
    Set each cuff value beside the line's value of the stretch around it.

    Parameters
    ----------
    result : Analysis
        An analysis whose recording is at hand and holds cuff values.
    around_s : float
        Length of the stretch, half of it before the value and half behind [s].

    Returns
    -------
    CuffCheck
        Pairs and their summary. Masked beats do not count; a stretch that is mostly masked has no value.

    Raises
    ------
    DataUnavailableError
        If the recording is not at hand or holds no cuff values.
    InputError
        If the length is not a positive number.
    """
    import pandas as pd

    if not (np.isfinite(around_s) and around_s > 0):
        raise InputError(f"around_s is {around_s!r}; give the length of the stretch in s, above 0")
    rec = result.recording
    if rec is None:
        raise DataUnavailableError(
            f"{result.record_id}: the recording with its cuff values is not at hand; load and analyse it"
        )
    names = _channels(result)
    if not names:
        raise DataUnavailableError(
            f"{result.record_id} holds no cuff values; load the recording with its cuff channels"
        )
    found = []
    for name in names:
        which = statistic_of(name)
        rows = Rows(result, result.catalogue[_INDEX[which]])
        da = rec[name]
        seconds = np.asarray(da[da.dims[0]].to_numpy(), dtype=np.float64)
        for at, value in zip(*measurements(seconds, da.to_numpy().astype(np.float64)), strict=True):
            side = rows.between(at - around_s / 2.0, at + around_s / 2.0)
            found.append((at, which, name, value, side.value, side.value - value, side.n, side.reason))
    pairs = pd.DataFrame(found, columns=list(_COLUMNS))
    pairs = pairs.sort_values(["time_s", "cuff_channel"], ignore_index=True)
    pairs.attrs = {"units": {"time_s": "s"} | dict.fromkeys(("cuff", "line", "difference"), "mmHg")}
    return CuffCheck(pairs, _summary(pairs))


def has_cuff(result: Analysis) -> bool:
    """Whether there are cuff values and the indices to set beside them."""
    return bool(_channels(result))


def _channels(result: Analysis) -> list[str]:
    """Cuff channels of the recording whose partner among the indices was computed."""
    if result.recording is None:
        return []
    names = [str(n) for n, da in result.recording.data_vars.items() if da.attrs.get("role") == CUFF]
    there = set(result.beats.columns)
    return [n for n in names if _INDEX.get(statistic_of(n)) in there and n != result.channel]


def measurements(seconds: Float, values: Float) -> tuple[Float, Float]:
    """
    Take the moments at which a cuff gave a value, each once.

    Parameters
    ----------
    seconds, values : ndarray, shape (n,)
        Time [s] and what stood there [mmHg], NaN where nothing did.

    Returns
    -------
    seconds, values : ndarray, shape (m,)
        A value equal to the one before, and noted at most 30 s behind it, is that one shown again (common
        practice, no source). Two true measurements that agree to the digit and follow so closely count once.
    """
    there = np.isfinite(values)
    at, value = seconds[there], values[there]
    new = np.ones(at.size, dtype=np.bool_)
    new[1:] = (np.diff(value) != 0) | (np.diff(at) > REPEAT_S)
    return at[new], value[new]


def _summary(pairs: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for which in _INDEX:
        diff = pairs.loc[pairs["statistic"] == which, "difference"].to_numpy(np.float64)
        known = diff[np.isfinite(diff)]
        bias = float(np.mean(known)) if known.size else np.nan
        spread = float(np.std(known, ddof=1)) if known.size > 1 else np.nan
        if diff.size:
            rows.append((which, known.size, diff.size - known.size, bias, spread))
    return pd.DataFrame(rows, columns=["statistic", "n", "n_unpaired", "bias", "spread"])
