"""Which recordings were sought, which came through, and what stopped the others."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from ..plot.style import CAUTION, FAINT, INK, PAPER, new_figure
from ..report.words import listed
from .tally import Tally, groups_of, patient_of

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from .opened import Cohort

_SHOWN = 4
_LINE = 62
#: Sides and middle of the boxes, in hundredths of the width, and half their height in lines.
_LEFT, _RIGHT, _CENTRE, _HALF = 4.0, 38.0, 21.0, 1.3


@dataclass(frozen=True)
class Step:
    """
    One step of an exclusion flow.

    Attributes
    ----------
    name : str
        What is asked of a recording, in words.
    entered, left, stayed : int
        Recordings that came to it, that it stopped, that went on: the first is the sum of the others.
    patients : int or None
        Patients of those that went on; None where nobody said whose recordings they are.
    reasons : tuple of (str, int)
        Why recordings were stopped, each counted once, the most frequent first.
    """

    name: str
    entered: int
    left: int
    stayed: int
    patients: int | None
    reasons: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Flow:
    """
    Exclusion flow: steps that all indices share, and the last one of each index.

    Attributes
    ----------
    steps : tuple of Step
        From "sought" to "enough valid time".
    last : mapping of str to Step
        By index: whether its value stands.
    group : str
        Group of recordings it tells of; "all" by default.
    """

    steps: tuple[Step, ...]
    last: dict[str, Step]
    group: str = "all"

    def table(self) -> pd.DataFrame:
        """Give it as a table: one row a step and reason, and one a step without a reason."""
        import pandas as pd

        rows: list[dict[str, Any]] = []
        for index, step in [*(("", step) for step in self.steps), *self.last.items()]:
            same = {
                "group": self.group,
                "index": index,
                "step": step.name,
                "entered": step.entered,
                "left": step.left,
                "stayed": step.stayed,
                "patients": step.patients,
            }
            rows.append({**same, "reason": "", "recordings": step.left})
            rows += [{**same, "reason": reason, "recordings": n} for reason, n in step.reasons]
        return pd.DataFrame(rows).astype({"patients": "Int64"})

    def text(self) -> str:
        """Give it in lines of text."""
        lines = []
        for step in self.steps:
            lines += _lines(step, "")
        for name, step in self.last.items():
            lines += _lines(step, f"{name}: ")
        return "\n".join([*lines, CAUTION])

    def plot(self, ax: Axes | None = None) -> Axes:
        """
        Draw it: a box a step, and beside it what was left out and why.

        Parameters
        ----------
        ax : Axes, optional
            Where to; a new figure if left out.

        Returns
        -------
        Axes
            With the drawing.
        """
        return _draw(self, ax)

    def __repr__(self) -> str:
        return self.text()


def flow(cohort: Cohort, found: Tally, least_windows: int = 1) -> Flow:
    """
    Count what became of the recordings of a cohort.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    found : Tally
        What `tally` found in it.
    least_windows : int
        Windows of 30 s with enough beats and valid time that a recording needs, and with a value of the index
        that stands.

    Returns
    -------
    Flow
        Its counts add up, for all recordings.

    Notes
    -----
    A recording that is stopped at a step is counted there and nowhere else, and under one reason: where
    several were given, the one that most recordings share. Whether it failed when it was
    read or later is known where the run noted it.
    """
    return _flow(cohort.members, cohort.failures, found, least_windows, "all")


def flows(cohort: Cohort, found: Tally, by: str, least_windows: int = 1) -> list[Flow]:
    """Count as `flow`, for each group."""
    return [
        _flow(rows, cohort.failures, found, least_windows, name)
        for name, rows in groups_of(cohort.members, by)[1:]
    ]


def enters(rows: pd.DataFrame, least_windows: int = 1) -> pd.Series[bool]:
    """
    Tell which recordings have a value of an index that stands, and enter its summary.

    Parameters
    ----------
    rows : pandas.DataFrame
        What `Tally.of` gives for the index.
    least_windows : int
        As in `flow`.

    Returns
    -------
    pandas.Series of bool
        By row.
    """
    least = rows["table"].map({"windows": least_windows, "record": 1})
    useful = (rows["beats"] > 0) & (rows["usable_windows"] >= least_windows)
    return useful & (rows["of_recording"] != "rejected") & (rows["n"] >= least)


def _flow(members: pd.DataFrame, failures: pd.DataFrame, found: Tally, least: int, group: str) -> Flow:
    names = set(members["record_id"])
    done = set(members.loc[members["status"] == "done", "record_id"])
    lost = failures[failures["record_id"].isin(names)]
    loading = lost[lost["stage"] == "loading"] if "stage" in lost else lost.iloc[:0]
    later = lost[~lost["record_id"].isin(loading["record_id"])]
    whose = patient_of(members).set_axis(members["record_id"]) if "patient" in members else None

    def patients(stayed: set[str]) -> int | None:
        return None if whose is None else int(whose.loc[sorted(stayed)].nunique())

    def step(name: str, came: set[str], stopped: dict[str, str]) -> tuple[Step, set[str]]:
        stayed = came - set(stopped)
        reasons = sorted(Counter(stopped.values()).items(), key=lambda item: (-item[1], item[0]))
        left = len(came & set(stopped))
        return Step(name, len(came), left, len(stayed), patients(stayed), tuple(reasons)), stayed

    steps = []
    here = names
    counts = found.recordings.set_index("record_id")
    analysed = counts.loc[counts.index.isin(done)]
    no_pulse = analysed.index[analysed["beats"] == 0]
    short = analysed.index[(analysed["beats"] > 0) & (analysed["usable_windows"] < least)]
    enough = f"{least} window" + ("s" if least > 1 else "")
    for name, stopped in (
        ("sought", {}),
        ("read", _failed(loading)),
        ("analysed", _failed(later)),
        ("with a pulse", dict.fromkeys(no_pulse, "no beat whose duration was measured")),
        (
            "with enough valid time",
            dict.fromkeys(short, f"fewer than {enough} of 30 s with enough beats and valid time"),
        ),
    ):
        made, here = step(name, here, stopped)
        steps.append(made)
    last = {}
    for name in found.names:
        last[name] = step("with a value that stands", here, _refused(found, name, here, least))[0]
    return Flow(tuple(steps), last, group)


def _failed(rows: pd.DataFrame) -> dict[str, str]:
    words = {"error": "error", "hang": "took too long", "memory": "needed too much memory"}
    return {
        str(row["record_id"]): _general(str(row["reason"]), str(row["record_id"]))
        if row["kind"] == "error"
        else words.get(str(row["kind"]), f"process ended ({row['kind']})")
        for _, row in rows.iterrows()
    }


def _general(reason: str, record_id: str) -> str:
    """Reason without what is peculiar to one recording, so that equal ones are counted together."""
    bare = re.sub(r"\s*\([^()]*\)", "", reason).replace(record_id, "the recording")
    return f"error: {bare}"


def _refused(found: Tally, name: str, here: set[str], least: int) -> dict[str, str]:
    """Recordings whose value does not stand, with one reason each."""
    rows = found.of(name)
    rows = rows[rows["record_id"].isin(here) & ~enters(rows, least)]
    out = {}
    said = found.of_recording[
        (found.of_recording["index"] == name) & (found.of_recording["level"] == "rejected")
    ]
    # With several reasons a recording is counted under the one that most recordings share.
    common = said["reason"].value_counts()
    said = said.assign(common=said["reason"].map(common))
    said = said.sort_values(["common", "reason"], ascending=[False, True])
    whole = said.groupby("record_id")["reason"].first()
    often = found.reasons[(found.reasons["index"] == name) & (found.reasons["level"] == "rejected")]
    most = often.sort_values(["rows", "reason"], ascending=[False, True]).groupby("record_id").first()
    for _, row in rows.iterrows():
        record = str(row["record_id"])
        mine = most["reason"].get(record, "its windows have none")
        if row["of_recording"] == "rejected":
            reason = str(whole.get(record, "of the recording as a whole"))
            # "Too few windows" says nothing; what emptied the windows does.
            out[record] = f"in most windows {mine}" if reason.startswith("fewer than three") else reason
        else:
            out[record] = f"in most windows {mine}"
    return out


def _lines(step: Step, of: str) -> list[str]:
    whose = "" if step.patients is None else f", of {step.patients} patients"
    lines = [f"{of}{step.name}: {step.stayed}{whose}"]
    if step.left:
        lines.append(f"  left out: {step.left}")
        lines += [f"    {n} because {reason}" for reason, n in step.reasons]
    return lines


def _draw(what: Flow, ax: Axes | None) -> Axes:
    import textwrap

    boxes = [(step, step.name) for step in what.steps]
    boxes += [(step, f"{name}: {step.name}") for name, step in what.last.items()]
    sides = []
    for step, _ in boxes:
        shown = [f"{n}: {reason}" for reason, n in step.reasons[:_SHOWN]]
        if len(step.reasons) > _SHOWN:
            rest = sum(n for _, n in step.reasons[_SHOWN:])
            shown.append(f"{rest}: {len(step.reasons) - _SHOWN} further reasons")
        wrapped = [
            line
            for text in shown
            for line in textwrap.wrap(text, _LINE, subsequent_indent="    ", max_lines=2, placeholder=" ...")
        ]
        sides.append([f"left out: {step.left}", *wrapped] if step.left else [])
    heights = [max(2.6, 1.0 * len(lines) + 1.0) for lines in sides]
    gap = 1.3
    total = sum(heights) + gap * len(heights)
    chosen: Axes = new_figure(9.5, 0.2 * total + 0.4).subplots() if ax is None else ax
    chosen.set_xlim(0, 100)
    chosen.set_ylim(-total, 0.3)
    chosen.axis("off")
    middles = []
    top = 0.0
    for (step, name), lines, height in zip(boxes, sides, heights, strict=True):
        middles.append(top - height / 2)
        whose = "" if step.patients is None else f"\nof {step.patients} patients"
        shared = len(middles) <= len(what.steps)
        _box(chosen, middles[-1], f"{name}\n{step.stayed} recordings{whose}", shared)
        if lines:
            _arrow(chosen, (_RIGHT, middles[-1]), (_RIGHT + 5, middles[-1]))
            words = "\n".join(lines)
            chosen.text(_RIGHT + 6, middles[-1], words, va="center", fontsize=8, color=INK, linespacing=1.25)
        top -= height + gap
    common = len(what.steps)
    for above, below in pairwise(middles[:common]):
        _arrow(chosen, (_CENTRE, above - _HALF), (_CENTRE, below + _HALF))
    # Each index starts from what the last shared step left.
    for middle in middles[common:]:
        _arrow(chosen, (1.0, middle), (_LEFT, middle))
    if len(middles) > common:
        root = middles[common - 1]
        chosen.plot([_LEFT, 1.0, 1.0], [root, root, middles[-1]], color=INK, linewidth=0.9)
    group = "" if what.group == "all" else f"{what.group}. "
    chosen.set_title(f"{group}{CAUTION}", fontsize=7.5, color=FAINT, loc="left")
    return chosen


def _arrow(ax: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    ax.annotate("", end, start, arrowprops={"arrowstyle": "->", "color": INK, "linewidth": 0.9})


def _box(ax: Axes, middle: float, words: str, shared: bool) -> None:
    from matplotlib.patches import Rectangle

    place, width = (_LEFT, middle - _HALF), _RIGHT - _LEFT
    line = 0.9 if shared else 1.6
    ax.add_patch(Rectangle(place, width, 2 * _HALF, facecolor=PAPER, edgecolor=INK, linewidth=line))
    ax.text(_CENTRE, middle, words, ha="center", va="center", fontsize=8, color=INK)


def sentence(what: Flow) -> str:
    """Say in one or two sentences what became of the recordings."""
    first, end = what.steps[0], what.steps[-1]
    parts = [f"{step.left} were not {step.name}" for step in what.steps[1:3] if step.left]
    parts += [f"{step.left} were not {step.name}" for step in what.steps[3:] if step.left]
    words = [part.replace("were not with", "were without") for part in parts]
    words = [part.replace("were", "was", 1) if part.startswith("1 ") else part for part in words]
    left = f": {listed(words)}" if words else ""
    ends: Sequence[str] = [f"{name} in {step.stayed}" for name, step in what.last.items()]
    return (
        f"Of {first.stayed} recordings sought, {end.stayed} held enough valid time{left}. "
        f"A value that stands was there of {listed(list(ends))}."
    )
