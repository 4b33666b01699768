"""What a paper asks of a cohort: methods of `Cohort`."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    import pandas as pd

    from .flow import Flow
    from .opened import Cohort
    from .plan import Cost
    from .tally import Tally

Names = str | Sequence[str]


class Questions:
    """
    Flow, missingness, audit, sensitivity, summaries, exposure, methods, citations.

    Everywhere `names` are indices, `by` is a column of the members to group by, and `least_windows` is how
    many windows of 30 s with a value that stands a recording needs. A cohort with a column ``patient`` counts
    patients, any other recordings.
    """

    tallies: dict[tuple[str, ...], Tally]

    def tally(self, names: Names) -> Tally:
        """
        Walk through the cohort once for these indices; what was found is kept for the next question.

        Parameters
        ----------
        names : str or sequence of str
            Indices.

        Returns
        -------
        Tally
            Counts and numbers of each recording.
        """
        from .tally import tally

        catalogue = self._cohort().catalogue
        given = (names,) if isinstance(names, str) else names
        wanted = tuple(dict.fromkeys(catalogue[name].name for name in given))
        if wanted not in self.tallies:
            held = next((one for one in self.tallies.values() if {*wanted} <= {*one.names}), None)
            made = tally(self._cohort(), wanted) if held is None or not wanted else held.only(wanted)
            self.tallies[wanted] = made
        return self.tallies[wanted]

    def flow(self, names: Names, least_windows: int = 1) -> Flow:
        """
        Count what became of the recordings, from sought to a value that stands.

        Parameters
        ----------
        names, least_windows
            See the class.

        Returns
        -------
        Flow
            Steps whose counts add up; ``.text()``, ``.table()``, ``.plot(ax)``.
        """
        from .flow import flow

        return flow(self._cohort(), self.tally(names), least_windows)

    def missing(self, names: Names, by: str | None = None, least_windows: int = 1) -> pd.DataFrame:
        """
        Say how much is missing, by index and group; see `hemoidx.cohort.audit.missing`.

        Parameters
        ----------
        names, by, least_windows
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row an index and group.
        """
        from .audit import missing

        return missing(self.tally(names), by, least_windows)

    def audit(self, names: Names, by: str | None = None) -> pd.DataFrame:
        """
        Give shares of windows by verdict, by index and group; see `hemoidx.cohort.audit.audit`.

        Parameters
        ----------
        names, by
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row an index and group.
        """
        from .audit import audit

        return audit(self.tally(names), by)

    def reasons(self, names: Names, by: str | None = None) -> pd.DataFrame:
        """
        Rank the reasons of verdicts, by index and group; see `hemoidx.cohort.audit.reasons`.

        Parameters
        ----------
        names, by
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row an index, group, level and reason.
        """
        from .audit import reasons

        return reasons(self.tally(names), by)

    def sensitivity(self, names: Names, by: str | None = None, least_windows: int = 1) -> pd.DataFrame:
        """
        Hold summaries against those without masking; see `hemoidx.cohort.audit.sensitivity`.

        Parameters
        ----------
        names, by, least_windows
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row an index and group.
        """
        from .audit import sensitivity

        return sensitivity(self.tally(names), by, least_windows)

    def summary(self, names: Names, by: str | None = None, least_windows: int = 1) -> pd.DataFrame:
        """
        Summarise indices over patients; see `hemoidx.cohort.summaries.summary`.

        Parameters
        ----------
        names, by, least_windows
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row an index and group.
        """
        from .summaries import summary

        found = self.tally(names)
        units = {name: self._cohort().catalogue[name].unit for name in found.names}
        return summary(found, units, by, least_windows)

    def exposure(
        self, name: str, *, below: float | None = None, above: float | None = None, **options: Any
    ) -> pd.DataFrame:
        """
        Give the time beyond a threshold of yours, recording by recording.

        Parameters
        ----------
        name : str
            Index of beats.
        below, above : float
            The threshold, one of the two. It is a choice, not a bound of health.
        **options
            As for `Analysis.exposure`.

        Returns
        -------
        pandas.DataFrame
            See `hemoidx.cohort.summaries.exposure`; `hemoidx.cohort.summaries.exposure_summary` sums it up.
        """
        from .summaries import exposure

        return exposure(self._cohort(), name, below=below, above=above, **options)

    def methods(self, names: Names, by: str | None = None, least_windows: int = 1) -> str:
        """
        Write the methods section, in Markdown, with versions, parameters, rules and counts.

        Parameters
        ----------
        names, by, least_windows
            See the class.

        Returns
        -------
        str
            The text.
        """
        from .methods import methods

        return methods(
            self._cohort(),
            self.tally(names),
            self.flow(names, least_windows),
            reasons=self.reasons(names, by),
            sensitivity=self.sensitivity(names, by, least_windows),
            by=by,
            least_windows=least_windows,
        )

    def citations(self, names: Names) -> pd.DataFrame:
        """
        List what has to be cited; see `hemoidx.cohort.citations`, which also writes BibTeX.

        Parameters
        ----------
        names
            See the class.

        Returns
        -------
        pandas.DataFrame
            One row a source.
        """
        from .citations import citations

        return citations(self._cohort(), [names] if isinstance(names, str) else names)

    def write_paper(
        self, folder: str | os.PathLike[str], names: Sequence[str] | None = None, **options: Any
    ) -> Path:
        """
        Write all of this into a folder: a page, tables, pictures, texts.

        Parameters
        ----------
        folder : path
            A new or empty folder, or one that holds such a paper.
        names : sequence of str, optional
            Indices; the usual ones if left out.
        **options
            ``by``, ``least_windows``, and ``exposure_of`` with ``below`` or ``above``.

        Returns
        -------
        Path
            The page.
        """
        from .paper import write_paper

        return write_paper(self._cohort(), folder, names, **options)

    def cost(self) -> Cost:
        """
        Measure what this cohort cost, as `hemoidx.cohort.plan.plan` needs it.

        Returns
        -------
        Cost
            Hours, seconds, bytes.
        """
        from .plan import cost_of

        return cost_of(self._cohort())

    def _cohort(self) -> Cohort:
        return cast("Cohort", self)
