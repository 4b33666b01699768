"""A recording seen from any distance: why a value is there or not, and corrections by hand."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from ..analysis.annotations import write_annotations
from ..context import Edits
from ..context.readers import compare_readers
from ..errors import DataUnavailableError, InputError
from ..spans import KINDS
from .levels import Levels
from .recording_pictures import draw, table_of
from .view import View

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.figure import Figure

    from ..analysis import Analysis

MODES = ("look", "add a beat", "remove a beat", "add a span", "remove a span")
_SHORTEST_S = 0.5
_FIRST_LOOK_S = 30.0
_ZOOM = 1.25


class RecordingView(View):
    """
    The wave of a recording with its spans, landmarks and beats, and an index under it on the same time axis.

    Drag to pan, turn the wheel to zoom once the picture has the focus, or use the keys: arrows pan, + and -
    zoom, Home and End go to either end. A click says why the value of the index is there, or is not. With
    `mode` beats and spans are added and removed; `rerun` analyses again with these edits.

    Parameters
    ----------
    source : Analysis or xarray.Dataset
        An analysis whose recording is at hand, or a recording, which is analysed.
    **state : object
        ``from_s``, ``to_s``: the stretch shown [s]; ``index``: the index under the wave; ``mode``: what a
        click does, one of `MODES`; ``kind``: kind of the spans that are added; ``edits``: edits by hand, as
        `hemoidx.Edits.read` takes them; ``picked``: time of what was clicked [s], and its table.

    Raises
    ------
    InputError
        If the state cannot be what was given.
    DataUnavailableError
        If the samples of the analysis are not at hand.
    """

    TITLE = "recording"
    DEFAULTS: ClassVar[Mapping[str, Any]] = {
        "from_s": None,
        "to_s": None,
        "index": "mbp",
        "mode": "look",
        "kind": "motion",
        "edits": [],
        "picked": None,
    }
    KEYS = ("ArrowLeft", "ArrowRight", "+", "=", "-", "Home", "End")

    def __init__(self, source: Analysis | xr.Dataset, **state: Any) -> None:
        import hemoidx as hx

        edits = Edits.read(state.get("edits") or None)
        made: Any = source
        self.result: Analysis = (
            hx.analyse(made, edits=edits or None) if hasattr(source, "data_vars") else made
        )
        if self.result.recording is None:
            raise DataUnavailableError(
                "the samples of this analysis are not at hand; load and analyse the recording again"
            )
        if "edits" not in state and self.result.info["edits"]:
            state["edits"] = self.result.info["edits"]
        self._begin, self._end = self._ends()
        self._held: tuple[float, float] | None = None
        self._verdicts: dict[tuple[str, str], pd.DataFrame] = {}
        if not self.indices:
            raise InputError("the catalogue of this analysis has no index of beats or windows to show")
        first = {
            "from_s": self._begin,
            "to_s": min(self._end, self._begin + _FIRST_LOOK_S),
            "index": "mbp" if "mbp" in self.indices else self.indices[0],
        }
        super().__init__(**{**first, **state})

    @cached_property
    def _levels(self) -> Levels:
        recording: Any = self.result.recording
        return Levels(recording[self.result.channel].to_numpy())

    @cached_property
    def _axis(self) -> Any:
        from ..recordings import axis_of

        recording: Any = self.result.recording
        return axis_of(recording[self.result.channel])

    def _ends(self) -> tuple[float, float]:
        return float(self._axis.seconds(0)), float(self._axis.seconds(self._axis.size))

    def check(self, key: str, value: Any) -> Any:
        """Refuse what the recording does not have."""
        if key == "index":
            if value not in self.indices:
                raise InputError(f"index: {value!r} has no values of beats or windows here")
        elif key == "mode" and value not in MODES:
            raise InputError(f"mode: {value!r} is none of {', '.join(MODES)}")
        elif key == "kind" and value not in KINDS:
            raise InputError(f"kind: {value!r} is none of {', '.join(KINDS)}")
        elif key == "edits":
            return Edits.read(value or None).to_json()
        elif key in ("from_s", "to_s"):
            if value is None or not math.isfinite(float(value)):
                raise InputError(f"{key}: a time in seconds is needed, got {value!r}")
            return float(value)
        return value

    def settled(self, state: dict[str, Any]) -> dict[str, Any]:
        """Keep the stretch inside the recording, and long enough to be seen."""
        whole = self._end - self._begin
        length = min(max(state["to_s"] - state["from_s"], _SHORTEST_S), whole)
        start = min(max(state["from_s"], self._begin), self._end - length)
        return {**state, "from_s": start, "to_s": start + length}

    @cached_property
    def indices(self) -> list[str]:
        """Indices that can be shown."""
        columns = {*self.result.beats, *self.result.windows}
        return [entry.name for entry in self.result.catalogue if entry.column in columns and not entry.inner]

    def figure(self) -> Figure:
        """Draw wave, index and whole recording."""
        moving = self._held is not None
        return draw(self.result, self._levels, self._axis, self._state, self._marked(), moving)

    def describe(self) -> str:
        """Say what the picture shows."""
        s = self._state
        inside = self.result.beats["onset_s"].between(s["from_s"], s["to_s"])
        return (
            f"{self.result.channel} of {self.result.info['record_id'] or 'a recording'} from "
            f"{s['from_s']:.1f} to {s['to_s']:.1f} s, {int(inside.sum())} beats; under it "
            f"{s['index'].replace('_', ' ')}. Arrow keys pan, + and - zoom, Home and End go to either end; a "
            "click explains a value."
        )

    def explain(self, time_s: float, table: str | None = None) -> str:
        """
        Say why the value of the index at a time is there, or is not.

        Parameters
        ----------
        time_s : float
            Time [s].
        table : str, optional
            "beats" or "windows"; by default what the picture shows.

        Returns
        -------
        str
            Value, verdict and reasons in words, after the spans that lie there.
        """
        index, table = self._state["index"], table or self._table()
        spans = self.result.spans
        there = spans[(spans["start_s"] <= time_s) & (spans["end_s"] >= time_s)]
        told = [
            f"{str(kind).replace('_', ' ')} from {start:.2f} to {end:.2f} s"
            for kind, start, end in zip(there["kind"], there["start_s"], there["end_s"], strict=True)
        ]
        row = self._row(time_s, table)
        if row is None:
            return "; ".join([*told, f"no {table[:-1]} at {time_s:.2f} s"])
        entry = self.result.catalogue[index]
        rows = getattr(self.result, table)
        value = rows[entry.column].iloc[row]
        if (index, table) not in self._verdicts:
            self._verdicts[index, table] = self.result.verdicts(index, table=table)
        verdict = self._verdicts[index, table].iloc[row]
        unit = "" if entry.unit == "1" else f" {entry.unit}"
        said = f"{value:.4g}{unit}" if math.isfinite(value) else "no value"
        start = rows["onset_s" if table == "beats" else "start_s"].iloc[row]
        told.append(f"{entry.title} of the {table[:-1]} from {start:.2f} s: {said}, {verdict['measurement']}")
        if verdict["reasons"]:
            told.append(str(verdict["reasons"]))
        return ". ".join(told)

    def rerun(self) -> None:
        """
        Analyse again, with the edits of the state.

        Raises
        ------
        InputError
            If an edit cannot be followed; the analysis stays as it was.
        """
        import hemoidx as hx

        recording: Any = self.result.recording
        self.result = hx.analyse(
            recording,
            channel=self.result.channel,
            context=self.result.info["context"],
            edits=self._state["edits"] or None,
            catalogue=self.result.catalogue,
            progress=False,
        )
        self._verdicts.clear()
        self._refresh()

    def save_edits(self, path: str | Path) -> Path:
        """Save the edits as YAML, JSON or CSV, by the ending of the name, for `hemoidx.Edits.read`."""
        return Edits.read(self._state["edits"]).save(path)

    def save_annotations(self, folder: str | Path, extension: str = "hxb") -> Path:
        """Save beats and spans as WFDB annotations, see `hemoidx.analysis.annotations`."""
        if self._state["edits"] != self.result.info["edits"]:
            raise InputError("annotations: some edits were not followed yet; analyse again first")
        return write_annotations(self.result, folder, extension)

    def code(self) -> str:
        """Give plain code that makes the view again."""
        info = self.result.info
        source = info["samples"]["source"]
        there = bool(source) and Path(source).exists()
        load = f"rec = hx.load({source!r})\n" if there else "# rec: the recording that the view was given\n"
        given = "".join(
            f", {key}={self._state[key]!r}"
            for key in self.DEFAULTS
            if key != "edits" and self._state[key] != self.DEFAULTS[key]
        )
        context = f", context={info['context']!r}" if info["context"] else ""
        edits = f", edits={self._state['edits']!r}" if self._state["edits"] else ""
        analyse = f"hx.analyse(rec, channel={self.result.channel!r}{context}{edits})"
        view = f"hx.explore.RecordingView(result{given})"
        return f"import hemoidx as hx\n\n{load}result = {analyse}\nview = {view}\n"

    # --- what hands do -----------------------------------------------------------------------------------

    def heard(self, event: Mapping[str, Any]) -> None:
        """Answer a drag, the wheel, a click or a key."""
        kind = event["kind"]
        if kind == "key":
            self._key(event["key"])
        elif kind == "wheel":
            self._zoom(_ZOOM ** event["steps"], event["x"])
        elif kind == "drag":
            self._drag(event)
        elif kind == "click":
            self._click(event)

    def _key(self, key: str) -> None:
        start, stop = self._state["from_s"], self._state["to_s"]
        quarter = 0.25 * (stop - start)
        if key in ("+", "=", "-"):
            self._zoom(_ZOOM if key == "-" else 1 / _ZOOM, 0.5 * (start + stop))
        elif key in ("ArrowLeft", "ArrowRight"):
            step = quarter if key == "ArrowRight" else -quarter
            self.set(from_s=start + step, to_s=stop + step)
        else:
            length = stop - start
            at = self._begin if key == "Home" else self._end - length
            self.set(from_s=at, to_s=at + length)

    def _zoom(self, factor: float, about: float) -> None:
        start, stop = self._state["from_s"], self._state["to_s"]
        self.set(from_s=about - factor * (about - start), to_s=about + factor * (stop - about))

    def _drag(self, event: Mapping[str, Any]) -> None:
        if event["area"] != "whole" and self._state["mode"] == "add a span":
            if event["done"]:
                ends = sorted((event["x0"], event["x1"]))
                span = {"from_s": ends[0], "to_s": ends[1], "kind": self._state["kind"]}
                self._edit({"action": "add_span", **span})
            return
        if self._held is None:
            self._held = self._state["from_s"], self._state["to_s"]
        start, stop = self._held
        # The whole is dragged along with the hand, a stretch of it against the hand.
        moved = event["x1"] - event["x0"] if event["area"] == "whole" else event["x0"] - event["x1"]
        if event["done"]:
            self._held = None
        self.set(from_s=start + moved, to_s=stop + moved)

    def _click(self, event: Mapping[str, Any]) -> None:
        at, mode = float(event["x"]), self._state["mode"]
        if event["area"] == "whole":
            half = 0.5 * (self._state["to_s"] - self._state["from_s"])
            self.set(from_s=at - half, to_s=at + half)
        elif mode == "add a beat":
            self._edit({"action": "add_beat", "at_s": at})
        elif mode == "remove a beat":
            row = self._row(at, "beats")
            if row is None:
                raise InputError(f"there is no beat at {at:.2f} s to remove")
            self._edit({"action": "remove_beat", "at_s": float(self.result.beats["onset_s"].iloc[row])})
        elif mode == "remove a span":
            spans = self.result.spans
            there = spans[(spans["start_s"] <= at) & (spans["end_s"] >= at)]
            if there.empty:
                raise InputError(f"there is no span at {at:.2f} s to remove")
            span = there.iloc[0]
            ends = {"from_s": float(span["start_s"]), "to_s": float(span["end_s"]), "kind": str(span["kind"])}
            self._edit({"action": "remove_span", **ends})
        else:
            self.set(picked={"at_s": at, "table": self._table()})
            self.say(self.explain(at))

    def _edit(self, edit: dict[str, Any]) -> None:
        rounded = {key: round(value, 4) if isinstance(value, float) else value for key, value in edit.items()}
        self.set(edits=[*self._state["edits"], rounded])
        self.say(f"noted: {_edit_words(rounded)}. 'Analyse again' follows it, 'Undo' takes it back.")

    def undo(self) -> None:
        """Take the last edit back."""
        if not self._state["edits"]:
            raise InputError("there is no edit to take back")
        self.set(edits=self._state["edits"][:-1])

    # --- what is where -----------------------------------------------------------------------------------

    def _table(self) -> str:
        return table_of(self.result, self._state["index"], self._state["to_s"] - self._state["from_s"])

    def _row(self, time_s: float, table: str) -> int | None:
        import numpy as np

        rows = getattr(self.result, table)
        start = rows["onset_s" if table == "beats" else "start_s"].to_numpy()
        row = int(np.searchsorted(start, time_s, side="right")) - 1
        if row < 0:
            return None
        end = rows["end_s"].iloc[row]
        return row if not (math.isfinite(end) and time_s > end) else None

    def _marked(self) -> tuple[str, float, float] | None:
        picked = self._state["picked"]
        if not picked:
            return None
        row = self._row(picked["at_s"], picked["table"])
        if row is None:
            return None
        rows = getattr(self.result, picked["table"])
        start = float(rows["onset_s" if picked["table"] == "beats" else "start_s"].iloc[row])
        end = float(rows["end_s"].iloc[row])
        return picked["table"], start, end if math.isfinite(end) else start + 1.0

    # --- widgets -----------------------------------------------------------------------------------------

    def controls(self) -> list[Any]:
        """Give index, mode and kind."""
        import ipywidgets as widgets

        names = [(self.result.catalogue[name].title, name) for name in self.indices]
        index = self.bind(widgets.Dropdown(options=names, description="Index"), "index")
        mode = self.bind(widgets.Dropdown(options=MODES, description="A click will"), "mode")
        kinds = [(kind.replace("_", " "), kind) for kind in KINDS]
        kind = self.bind(widgets.Dropdown(options=kinds, description="Kind of span"), "kind")
        return [widgets.HBox([index, mode, kind])]

    def below(self) -> list[Any]:
        """Give buttons for edits, names of files, and another reader's edits."""
        import ipywidgets as widgets

        self._file = widgets.Text("edits.csv", description="Edits file")
        self._other = widgets.Text("", description="Other reader", placeholder="edits file of another reader")
        self._list = widgets.HTML()
        done = [
            ("Undo", "undo", self.undo),
            ("Analyse again", "rerun", self.rerun),
            ("Save edits", "save", self._save),
            ("Save annotations", "annotate", self._annotate),
            ("Compare readers", "compare", self._compare),
        ]
        buttons = []
        for control in (self._file, self._other):
            control.style.description_width = "initial"
        for words, name, action in done:
            button = widgets.Button(description=words, layout=widgets.Layout(width="auto"))
            button.add_class(f"hx-{name}")
            button.on_click(lambda _, action=action: self._do(action))
            buttons.append(button)
        self._file.add_class("hx-file")
        self._other.add_class("hx-other")
        self._list.add_class("hx-edits")
        return [widgets.HBox([*buttons[:4], self._file]), widgets.HBox([self._other, buttons[4]]), self._list]

    def redrawn(self) -> None:
        """Bring gesture and list of edits up to date."""
        self._picture.gesture = "select" if self._state["mode"] == "add a span" else "pan"
        items = "".join(f"<li>{html.escape(_edit_words(edit))}</li>" for edit in self._state["edits"])
        self._list.value = f"<ol>{items}</ol>" if items else "<p>No edits.</p>"

    def _do(self, action: Any) -> None:
        try:
            action()
        except (InputError, DataUnavailableError, OSError) as error:
            self.say(" ".join(str(error).split()))

    def _save(self) -> None:
        self.say(f"saved {len(self._state['edits'])} edits: {self.save_edits(self._file.value)}")

    def _annotate(self) -> None:
        self.say(f"saved annotations: {self.save_annotations(Path(self._file.value).parent)}")

    def _compare(self) -> None:
        other = Edits.read(self._other.value)
        found = compare_readers(Edits.read(self._state["edits"] or None), other)
        self._list.value = found.to_html(index=False, border=0)


def _edit_words(edit: Mapping[str, Any]) -> str:
    what = str(edit["action"]).replace("_", " a ", 1)
    where = f"at {edit['at_s']:g} s" if "at_s" in edit else f"from {edit['from_s']:g} to {edit['to_s']:g} s"
    kind = f" ({edit['kind'].replace('_', ' ')})" if edit.get("kind") else ""
    return f"{what}{kind} {where}"
