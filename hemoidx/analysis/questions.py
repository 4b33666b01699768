"""Questions that a user puts to an analysis, with thresholds and windows of their own."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    import pandas as pd

    from .cuff import CuffCheck
    from .result import Analysis


def _of(asked: Questions) -> Analysis:
    return cast("Analysis", asked)


class Questions:
    """Exposure, episodes, and what changed with marked interventions: methods of `Analysis`."""

    def exposure(
        self,
        name: str,
        *,
        below: float | None = None,
        above: float | None = None,
        method: str = "hold",
        longest_gap_s: float = 10.0,
        times: float = 1.96,
        inclusive: bool = False,
    ) -> pd.DataFrame:
        """
        Time, area and average beyond a threshold of the user's.

        Parameters
        ----------
        name : str
            Index of beats, for instance "mbp".
        below, above : float
            The threshold, one of the two, in the unit of the index. It is a choice, not a bound of health.
        method : str
            "hold" (each beat holds until the next) or "linear" (beats joined by straight lines).
        longest_gap_s : float
            A longer step from one accepted beat to the next is a gap: neither exposed nor covered [s].
        times : float
            Standard errors of zero, level and gain.
        inclusive : bool
            Whether beats at the threshold count.

        Returns
        -------
        pandas.DataFrame
            One row for each ``measure``: time, area, average (area over covered time) and share of covered
            time, with its ``unit``, ``value``, and ``if_lower`` and ``if_higher``: the same with all
            pressures `times` standard errors lower and higher (NaN where zero or height is not known);
            ``covered_s``, ``gaps``, ``gap_s`` and ``interval_s``, the median step from beat to beat.
            ``attrs`` hold what was asked, and the verdict of the recording.

        Raises
        ------
        InputError
            If there is no such index of beats, or not one threshold.
        """
        from .exposures import exposure_table

        return exposure_table(
            cast("Analysis", self), name, below, above, method, longest_gap_s, times, inclusive
        )

    def episodes(
        self,
        name: str,
        *,
        below: float | None = None,
        above: float | None = None,
        at_least_s: float = 60.0,
        joined_s: float = 0.0,
        method: str = "hold",
        longest_gap_s: float = 10.0,
        inclusive: bool = False,
    ) -> pd.DataFrame:
        """
        Stretches beyond a threshold of the user's that last long enough.

        Parameters
        ----------
        name, below, above, method, longest_gap_s, inclusive
            As in `exposure`.
        at_least_s : float
            Shortest stretch that counts [s].
        joined_s : float
            Stretches no further apart than this are one [s]; a gap always ends one.

        Returns
        -------
        pandas.DataFrame
            ``start_s, end_s, duration_s``, ``area`` beyond the threshold and ``average``, area over duration.

        Raises
        ------
        InputError
            As `exposure`.
        """
        from .exposures import episode_table

        return episode_table(
            _of(self), name, below, above, at_least_s, method, longest_gap_s, joined_s, inclusive
        )

    def cuff_check(self, around_s: float = 60.0) -> CuffCheck:
        """
        Set the cuff values of the recording beside the line; a cuff is no reference for the line.

        Parameters
        ----------
        around_s : float
            Length of the stretch around each cuff value over which the line is taken [s].

        Returns
        -------
        CuffCheck
            ``pairs`` (line less cuff), ``summary`` (bias and spread) and ``caution``. Masked beats are out.

        Raises
        ------
        DataUnavailableError
            If the recording is not at hand or holds no cuff values.
        InputError
            If the length is not a positive number.
        """
        from .cuff import cuff_check

        return cuff_check(_of(self), around_s)

    def responses(
        self,
        names: str | Iterable[str],
        kind: str | None = None,
        *,
        before_s: float = 60.0,
        after_s: float = 60.0,
        wait_s: float = 0.0,
        after: str | None = None,
        declared_percent: float | None = None,
        declared_change: float | None = None,
    ) -> pd.DataFrame:
        """
        Compare indices before and after the interventions that the context marks.

        Parameters
        ----------
        names : str or iterable of str
            Indices of beats, breaths or windows.
        kind : str, optional
            Only events of this kind, for instance "leg_raise".
        before_s, after_s : float
            Lengths of the window that ends where the event starts, and of the window behind it [s].
        wait_s : float
            Time from the event to the window behind it [s].
        after : str, optional
            Whether that time runs from the "start" or the "end" of the event; by default from the end of
            fluid, and from the start of all others, which are looked at while they last.
        declared_percent, declared_change : float, optional
            Change that you look for, with its sign, in % of the value before or in the unit of the index.

        Returns
        -------
        pandas.DataFrame
            One row for each event and index: both windows, ``before`` and ``after`` with standard errors and
            numbers of rows used, ``change`` and ``change_percent`` with theirs; the
            ``least_significant_change``, 1.96 times the standard error of the change, and whether the change
            ``exceeds_least``; ``usual_change``, which 19 of 20 such pairs of windows stay below where the
            recording has no event (``usual_pairs``, at least 20), and ``exceeds_usual``; ``declared``, in
            words, whether the declared change was reached; ``shared_inputs``, which of the other indices
            asked for are read off the same landmarks; ``reason`` where there is no value; ``note`` with what
            was published.

        Raises
        ------
        InputError
            If an index, a kind or a window cannot be used.

        Notes
        -----
        Change and value before share the beats before: a correlation between them, or of the change of one
        index with another of the same beats, is partly arithmetic, and a high value before tends to fall by
        chance alone. Test a change against something measured independently. Slow drift is not in the
        standard errors: with a mean pressure that drifts by 2 mmHg in simulated recordings, 21 of 24
        comparisons without any intervention passed the least significant change, and 1 of 24 the usual one.
        """
        from .responses import Declared, response_table

        declared = Declared(before_s, after_s, wait_s, after, declared_percent, declared_change)
        return response_table(_of(self), names, kind, declared)
