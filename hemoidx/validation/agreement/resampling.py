"""Resampling whole patients, and results patient by patient."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import HemoidxError, InputError

from .limits import Interval

if TYPE_CHECKING:
    import pandas as pd


def draws(cluster: ArrayLike, times: int, seed: int) -> Iterator[NDArray[np.intp]]:
    """
    Rows of resamples in which whole clusters are drawn with replacement.

    Parameters
    ----------
    cluster : array_like, shape (n,)
        Cluster of each row.
    times, seed : int
        Resamples, and the seed of their generator.

    Yields
    ------
    ndarray of int
        Rows of one resample.
    """
    names, number = np.unique(np.asarray(cluster), return_inverse=True)
    order = np.argsort(number, kind="stable")
    begin = np.searchsorted(number[order], np.arange(names.size + 1))
    rng = np.random.default_rng(seed)
    for _ in range(times):
        drawn = rng.integers(names.size, size=names.size)
        size = begin[drawn + 1] - begin[drawn]
        within = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
        yield order[np.repeat(begin[drawn], size) + within]


@dataclass(frozen=True)
class Resampled:
    """
    A statistic with its bootstrap interval.

    Attributes
    ----------
    value, ci : float, tuple of float
        Of all data, and percentiles over the resamples.
    se : float
        Standard deviation over the resamples.
    clusters, used, failed : int
        Clusters, resamples with a value, and resamples in which there was none.
    note : str
        Where the interval does not hold what it promises; else empty.
    """

    value: float
    ci: Interval
    se: float
    clusters: int
    used: int
    failed: int
    note: str = ""


def cluster_bootstrap(
    statistic: Callable[..., float],
    *columns: ArrayLike,
    cluster: ArrayLike,
    times: int = 2000,
    seed: int = 0,
    level: float = 0.95,
) -> Resampled:
    """
    Interval of any statistic, patients drawn whole.

    Parameters
    ----------
    statistic : callable
        Takes the columns, returns one number.
    *columns : array_like, shape (n,)
        Data.
    cluster : array_like, shape (n,)
        Patient of each row.
    times, seed : int
        Resamples, and the seed of their generator.
    level : float
        Level of the interval.

    Returns
    -------
    Resampled
        Percentile interval. Coverage of a mean in simulation, nominal 95 %: 87 to 91 % with 8 to 20 patients,
        94 to 95 % from 40 on; `note` says so below that.

    Raises
    ------
    InputError
        If there are fewer than five clusters, columns differ in length, or most resamples give no value.

    References
    ----------
    .. [1] Davison AC, Hinkley DV. Bootstrap Methods and their Application. Cambridge 1997 (from memory).

    Examples
    --------
    >>> patient = np.repeat(np.arange(30), 4)
    >>> found = cluster_bootstrap(np.mean, patient.astype(float), cluster=patient, times=200)
    >>> found.value, found.clusters
    (14.5, 30)
    """
    data = [np.asarray(column) for column in columns]
    names = np.asarray(cluster)
    if any(column.shape[:1] != names.shape for column in data):
        raise InputError("bootstrap: every column must have one entry for each row of cluster")
    clusters = int(np.unique(names).size)
    if clusters < 5:
        raise InputError(f"bootstrap: need at least five patients, got {clusters}")
    found = []
    for rows in draws(names, times, seed):
        try:
            found.append(float(statistic(*(column[rows] for column in data))))
        except HemoidxError:
            # A resample may hold one group only; it counts as failed.
            found.append(float("nan"))
    values = np.asarray(found)
    known = values[np.isfinite(values)]
    if known.size < 0.5 * times:
        raise InputError(f"bootstrap: the statistic has a value in {known.size} of {times} resamples only")
    low, high = np.quantile(known, [0.5 - 0.5 * level, 0.5 + 0.5 * level])
    return Resampled(
        float(statistic(*data)), (float(low), float(high)), float(known.std(ddof=1)), clusters,
        int(known.size), int(times - known.size), _few(clusters),
    )  # fmt: skip


#: Fewer patients than this, and the interval is too narrow.
ENOUGH = 40


def _few(clusters: int) -> str:
    if clusters >= ENOUGH:
        return ""
    return f"with {clusters} patients the interval is too narrow: with 8 to 20 it holds in 87 to 91 %"


def per_patient(
    function: Callable[..., Any], *columns: ArrayLike, cluster: ArrayLike, **options: Any
) -> pd.DataFrame:
    """
    Apply an agreement statistic to each patient alone.

    Parameters
    ----------
    function : callable
        One of this package, such as `limits_of_agreement`; its numbers become columns.
    *columns : array_like, shape (n,)
        Data.
    cluster : array_like, shape (n,)
        Patient of each row.
    **options
        Passed on.

    Returns
    -------
    pandas.DataFrame
        One row a patient, in the order of their names; ``reason`` says why one has no numbers.
    """
    import pandas as pd

    names = np.asarray(cluster)
    data = [np.asarray(column) for column in columns]
    rows = []
    for name in np.unique(names):
        here = names == name
        row: dict[str, Any] = {"patient": name, "rows": int(here.sum()), "reason": ""}
        try:
            found = function(*(column[here] for column in data), **options)
        except InputError as error:
            rows.append({**row, "reason": str(error)})
            continue
        if is_dataclass(found):
            given = {f.name: getattr(found, f.name) for f in fields(found)}
            row |= {k: v for k, v in given.items() if isinstance(v, int | float | str | bool)}
        else:
            row["value"] = float(found)
        rows.append(row)
    return pd.DataFrame(rows)
