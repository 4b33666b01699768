"""The line beside the cuff, where the recording holds cuff values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.report.html import Piece, section, table, tag

if TYPE_CHECKING:
    from hemoidx.analysis import Analysis

_HEAD = ("pressure", "pairs", "cuff values without a pair", "line less cuff (mmHg)", "spread (SD, mmHg)")


def beside_the_cuff(result: Analysis) -> Iterable[Piece]:
    """Say how far line and cuff lie apart; nothing if there are no cuff values."""
    from hemoidx.analysis.cuff import has_cuff

    if not has_cuff(result):
        return []
    check = result.cuff_check()
    columns = [check.summary[name].tolist() for name in ("statistic", "n", "n_unpaired", "bias", "spread")]
    rows: list[list[Piece]] = [
        [which, str(n), str(alone), _mmhg(bias), _mmhg(spread)]
        for which, n, alone, bias, spread in zip(*columns, strict=True)
    ]
    return [section("Beside the cuff", table(_HEAD, rows), tag("p", check.caution))]


def _mmhg(value: float) -> str:
    return f"{value:.1f}" if np.isfinite(value) else "none"
