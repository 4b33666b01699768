"""Two readers of one recording: where their corrections agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .edits import ACTIONS, Edit, Edits

if TYPE_CHECKING:
    import pandas as pd

#: Beats that two readers mean when their times differ by no more than this [s]: the window of ANSI/AAMI EC57.
TOLERANCE_S = 0.15


def compare_readers(first: Edits, second: Edits, tolerance_s: float = TOLERANCE_S) -> pd.DataFrame:
    """
    Compare the edits of two readers, action by action.

    Parameters
    ----------
    first, second : Edits
        Of the same recording.
    tolerance_s : float
        How far apart two times may lie that mean the same beat [s].

    Returns
    -------
    pandas.DataFrame
        One row an action (and kind of span): ``both``, ``first_only``, ``second_only`` and ``agreement``, the
        first over the sum of all three. For beats they are counts, each beat paired once at most; for spans
        seconds of the time that they cover.

    Raises
    ------
    InputError
        If the tolerance is not above 0.

    References
    ----------
    .. [1] ANSI/AAMI EC57:2012 (beats are paired within 150 ms; recalled).
    """
    import pandas as pd

    if not tolerance_s > 0:
        raise InputError(f"compare_readers: the tolerance must be above 0 s, got {tolerance_s:g}")
    rows = []
    for action in ACTIONS:
        mine, theirs = ([row for row in edits.rows if row.action == action] for edits in (first, second))
        if not mine and not theirs:
            continue
        if action.endswith("_beat"):
            a, b = (np.sort([row.at_s for row in some]) for some in (mine, theirs))
            both = float(_pairs(a, b, tolerance_s))
            rows.append(_row(action.replace("_", " "), "beats", both, len(a) - both, len(b) - both))
            continue
        for kind in sorted({row.kind for row in (*mine, *theirs)}):
            sides = [[row for row in some if row.kind == kind] for some in (mine, theirs)]
            both, one, other = _shared(*sides)
            name = f"{action.replace('_', ' ')} {kind.replace('_', ' ')}".strip()
            rows.append(_row(name, "s", both, one, other))
    columns = ["edits", "counted_in", "both", "first_only", "second_only", "agreement"]
    return pd.DataFrame(rows, columns=columns)


def _row(name: str, unit: str, both: float, one: float, other: float) -> dict[str, object]:
    whole = both + one + other
    return {
        "edits": name,
        "counted_in": unit,
        "both": both,
        "first_only": one,
        "second_only": other,
        "agreement": both / whole if whole else np.nan,
    }


def _pairs(a: NDArray[np.float64], b: NDArray[np.float64], tolerance_s: float) -> int:
    """Most pairs of sorted times within the tolerance, each time in one at most."""
    i = j = count = 0
    # Edits are few: somebody made each of them by hand.
    while i < len(a) and j < len(b):
        if abs(a[i] - b[j]) <= tolerance_s:
            count, i, j = count + 1, i + 1, j + 1
        elif a[i] < b[j]:
            i += 1
        else:
            j += 1
    return count


def _shared(mine: list[Edit], theirs: list[Edit]) -> tuple[float, float, float]:
    """Seconds that both cover, that only the first does, that only the second does."""
    edges = np.unique([t for row in (*mine, *theirs) for t in (row.from_s, row.to_s)])
    middle, length = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    a, b = (np.array([any(r.from_s <= m < r.to_s for r in some) for m in middle]) for some in (mine, theirs))
    return float(length[a & b].sum()), float(length[a & ~b].sum()), float(length[b & ~a].sum())
