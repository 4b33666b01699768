"""Statistics that are functions of sums over beats, with a standard error by leaving blocks of beats out."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Int = NDArray[np.intp]

BLOCK_BEATS = 5
"""Beats of a block: about a breath, so that beats that breathing moves together are left out together."""
LEAST_BLOCKS = 3
"""Blocks that a standard error needs."""


class Estimate(NamedTuple):
    """Value and random standard error, one of each for every group of beats."""

    value: Float
    se: Float


@dataclass(frozen=True)
class Part:
    """
    One part of what a function gives, as a function of its own.

    Attributes
    ----------
    of : callable
        Module-level function that returns a named tuple.
    part : str
        Name in that tuple.
    """

    of: Callable[..., Any]
    part: str = "value"

    def __call__(self, *inputs: Any) -> Any:
        """Call the function and take the part."""
        return getattr(self.of(*inputs), self.part)

    @property
    def __signature__(self) -> inspect.Signature:
        return inspect.signature(self.of)


def of_sums(
    terms: Sequence[ArrayLike],
    group: ArrayLike,
    n_groups: int,
    function: Callable[..., Float],
    least: int,
    block_beats: int = BLOCK_BEATS,
) -> Estimate:
    """
    Work out a function of sums over each group of beats, and its standard error.

    Parameters
    ----------
    terms : sequence of array_like, shape (n_beats,)
        What is summed. The first says whether the beat counts (1 or 0); the others are 0 where it does not.
    group : array_like of int, shape (n_beats,)
        Group of each beat, never falling from one beat to the next; a negative number leaves the beat out.
    n_groups : int
        Number of groups.
    function : callable
        Given the sums, arrays with one value a group, it returns the statistic.
    least : int
        Beats that must count in a group.
    block_beats : int
        Beats of a block.

    Returns
    -------
    Estimate
        Both of shape (n_groups,). The value is NaN with fewer than `least` beats, the standard error also
        with fewer than three blocks.

    Notes
    -----
    Delete-one-block jackknife: se^2 = (m - 1) / m sum (t_j - mean t)^2, where t_j leaves block j out of m.

    References
    ----------
    .. [1] Kuensch HR. The jackknife and the bootstrap for general stationary observations. Ann Stat
       1989;17:1217-1241 (leaving out blocks; quoted from memory).
    """
    of = np.asarray(group, dtype=np.intp)
    inside = of >= 0
    kept = np.array([np.asarray(term, dtype=np.float64) for term in terms])
    if not inside.all():
        of, kept = of[inside], kept[:, inside]
    if not of.size:
        return Estimate(np.full(n_groups, np.nan), np.full(n_groups, np.nan))
    first = np.searchsorted(of, np.arange(n_groups))
    block = (np.arange(of.size) - first[of]) // block_beats
    opens = np.concatenate([[True], (np.diff(of) != 0) | (np.diff(block) != 0)])
    parts = np.add.reduceat(kept, np.flatnonzero(opens), axis=1)
    owner = of[opens]
    total = np.array([np.bincount(owner, part, n_groups) for part in parts])
    used = parts[0] > 0
    parts, owner = parts[:, used], owner[used]
    with np.errstate(invalid="ignore", divide="ignore"):
        value = function(*total)
        without = function(*(total[:, owner] - parts))
        blocks = np.bincount(owner, minlength=n_groups)
        mean = np.bincount(owner, without, n_groups) / blocks
        scatter = np.bincount(owner, (without - mean[owner]) ** 2, n_groups)
        se = np.sqrt(scatter * (blocks - 1.0) / blocks)
    enough = total[0] >= least
    return Estimate(np.where(enough, value, np.nan), np.where(enough & (blocks >= LEAST_BLOCKS), se, np.nan))


def rows_of(values: ArrayLike, group: ArrayLike, n_groups: int) -> Float:
    """
    Lay the beats of each group into a row, NaN behind the last.

    Parameters
    ----------
    values : array_like, shape (n_beats,)
        One value a beat.
    group : array_like of int, shape (n_beats,)
        Group of each beat, never falling; a negative number leaves the beat out.
    n_groups : int
        Number of groups.

    Returns
    -------
    ndarray, shape (n_groups, most)
        As wide as the group with the most beats.
    """
    of = np.asarray(group, dtype=np.intp)
    inside = of >= 0
    of = of[inside]
    count = np.bincount(of, minlength=n_groups)
    out = np.full((n_groups, int(count.max(initial=0))), np.nan)
    out[of, np.arange(of.size) - np.searchsorted(of, np.arange(n_groups))[of]] = np.asarray(
        values, dtype=np.float64
    )[inside]
    return out


def step(interval: Float, group: ArrayLike) -> Float:
    """Change to the next interval of the same group; NaN where either is not known."""
    of = np.asarray(group)
    return np.where(np.append(of[1:] == of[:-1], False)[: of.size], np.diff(interval, append=np.nan), np.nan)


def terms(*values: Float) -> list[Float]:
    """Whether all values of a beat are known, then the values, 0 where one is not."""
    known = np.asarray(np.isfinite(np.array(values)).all(axis=0))
    return [known.astype(np.float64), *(np.where(known, value, 0.0) for value in values)]
