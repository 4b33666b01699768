"""A cohort seen as points: filter, select, compare groups, and open the recording behind a point."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from ..errors import InputError
from .choosing import KEY, condition, kept, numeric, rows_of, wordy
from .cohort_pictures import Drawn, draw
from .view import View

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

SHOWS = ("values", "agreement", "trend")
_LISTED = 12


class CohortView(View):
    """
    Recordings of a cohort as points: two indices against each other, their distributions, and the table.

    Drag over the points to select some, or over a distribution to keep a range; click a point to see its row
    and open its recording. ``show="agreement"`` draws differences of two columns of one unit against their
    means, with limits of agreement; ``show="trend"`` medians and quartiles of `y` along `x`, group by group.

    Parameters
    ----------
    source : hemoidx.Cohort, DataFrame or path
        See `hemoidx.explore.choosing.rows_of`: one row a recording.
    **state : object
        ``x``, ``y``: columns of numbers; ``by``: column of groups, or empty; ``show``; ``keep``: conditions
        by column (least and greatest number, or the words that may stand there); ``box``: least and greatest
        `x` and `y` of the selection; ``picked``: a ``record_id``; ``filter_on``: the column whose condition
        is being set.

    Raises
    ------
    InputError
        If the table has no two columns of numbers, or the state names a column that is not there.
    """

    TITLE = "cohort"
    DEFAULTS: ClassVar[Mapping[str, Any]] = {
        "x": "",
        "y": "",
        "by": "",
        "show": "values",
        "keep": {},
        "box": None,
        "picked": "",
        "filter_on": "",
    }
    KEYS = ("Escape", "ArrowLeft", "ArrowRight")

    def __init__(self, source: Any, **state: Any) -> None:
        self.rows, self.cohort, self._source = rows_of(source)
        self.numbers, self.groups = numeric(self.rows), wordy(self.rows)
        if len(self.numbers) < 2:
            raise InputError("a cohort view needs two columns of numbers; this table has fewer")
        usual = [name for name in ("mbp", "ppv", "sbp", "pp", "hr") if name in self.numbers]
        first = list(dict.fromkeys([*usual, *self.numbers]))[:2]
        self._drawn: Drawn | None = None
        self._filter_row: Any = None
        self._filter_shown = ""
        super().__init__(**{"x": first[0], "y": first[1], **state})

    def check(self, key: str, value: Any) -> Any:
        """Refuse columns that are not there, and conditions that cannot be met by any value."""
        if key in ("x", "y") and value not in self.numbers:
            raise InputError(f"{key}: no column of numbers {value!r}; there are {', '.join(self.numbers)}")
        if key == "by" and value and value not in self.groups:
            raise InputError(
                f"by: {value!r} tells no groups apart; there are {', '.join(self.groups) or 'none'}"
            )
        if key == "show" and value not in SHOWS:
            raise InputError(f"show: {value!r} is none of {', '.join(SHOWS)}")
        if key == "picked" and value and not (self.rows[KEY] == value).any():
            raise InputError(f"picked: there is no recording {value!r}")
        if key == "filter_on" and value and value not in (*self.numbers, *self.groups):
            raise InputError(f"filter_on: no column {value!r} to filter on")
        if key == "keep":
            return {name: self._condition(name, bounds) for name, bounds in dict(value).items()}
        if key == "box" and value is not None:
            x0, x1, y0, y1 = (float(edge) for edge in value)
            return [min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)]
        return value

    def settled(self, state: dict[str, Any]) -> dict[str, Any]:
        """A selection belongs to the axes it was drawn on; agreement needs one unit."""
        if (state["x"], state["y"]) != (self._state["x"], self._state["y"]) and self._state["x"]:
            state = {**state, "box": None}
        if state["show"] == "agreement" and self.unit(state["x"]) != self.unit(state["y"]):
            raise InputError(
                f"agreement compares two columns of one unit: {state['x']} is in "
                f"{self.unit(state['x']) or 'no unit'}, {state['y']} in {self.unit(state['y']) or 'no unit'}"
            )
        return state

    def unit(self, name: str) -> str:
        """Unit of a column, empty where none is known."""
        unit = (self.rows.attrs.get("units") or {}).get(name, "")
        return "" if unit == "1" else str(unit)

    def label(self, name: str) -> str:
        """Name of a column with its unit."""
        words = name.replace("_", " ")
        return f"{words} [{self.unit(name)}]" if self.unit(name) else words

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Rows that meet the conditions, shape (n_rows,)."""
        return kept(self.rows, self._state["keep"])

    @property
    def chosen(self) -> NDArray[np.bool_]:
        """Rows that meet the conditions and lie in the selection, shape (n_rows,)."""
        return kept(self.rows, self._conditions())

    def selected(self) -> pd.DataFrame:
        """Give the rows that were chosen."""
        return self.rows[self.chosen]

    def code(self) -> str:
        """Give plain code that makes the view again, and the selection without it."""
        source = self._source or "table"
        head = "import hemoidx as hx\n"
        if not self._source:
            head += "\n# table: the one that the view was given\n"
        default = {**self.DEFAULTS, "x": None, "y": None}
        state = {k: v for k, v in self._state.items() if v != default[k]}
        given = "".join(f", {key}={value!r}" for key, value in state.items())
        return (
            f"{head}\nview = hx.explore.CohortView({source}{given})\n"
            f"rows = view.rows\nchosen = rows[{condition(self.rows, self._conditions())}]\n"
        )

    def save(self, path: str | Path) -> list[Path]:
        """
        Save the selection, and beside it the code that makes it again.

        Parameters
        ----------
        path : path
            A CSV file for the chosen rows; the code goes beside it, with the suffix ``.py``.

        Returns
        -------
        list of Path
            What was written.

        Raises
        ------
        InputError
            If the name does not end in ``.csv``.
        """
        from ..output import whole_file

        table = Path(path)
        if table.suffix != ".csv":
            raise InputError(f"{table}: the selection is saved as CSV; give a name that ends in .csv")
        with whole_file(table) as part:
            self.selected().to_csv(part, index=False)
        with whole_file(table.with_suffix(".py")) as part:
            part.write_text(self.code(), encoding="utf-8")
        return [table, table.with_suffix(".py")]

    def figure(self) -> Figure:
        """Draw points and distributions, or the comparison of groups."""
        s = self._state
        names = s["show"], s["x"], s["y"], s["by"]
        self._drawn = draw(self.rows, *names, self.kept, self.chosen, s["box"], s["picked"], self.label)
        return self._drawn.figure

    def describe(self) -> str:
        """Say what the picture shows."""
        s = self._state
        chosen, all_ = int(self.chosen.sum()), len(self.rows)
        grouped = f", grouped by {s['by'].replace('_', ' ')}" if s["by"] else ""
        return (
            f"{self.label(s['y'])} against {self.label(s['x'])} of {all_} recordings{grouped}; {chosen} "
            "chosen. Drag to select, click a point to pick it, Escape clears the selection, arrow keys go "
            "from one chosen recording to the next."
        )

    def heard(self, event: Mapping[str, Any]) -> None:
        """Answer a drag, a click or a key."""
        if event["kind"] == "key":
            self._key(event["key"])
        elif event["kind"] == "drag" and event["done"]:
            self._drag(event)
        elif event["kind"] == "click" and event["area"] == "points":
            self.set(picked=self._nearest(event["x"], event["y"]))

    def _conditions(self) -> dict[str, list[Any]]:
        """Conditions, with those of the selection."""
        keep = {name: list(bounds) for name, bounds in self._state["keep"].items()}
        if self._state["box"] is not None:
            x0, x1, y0, y1 = self._state["box"]
            for name, low, high in ((self._state["x"], x0, x1), (self._state["y"], y0, y1)):
                before = keep.get(name, [low, high])
                keep[name] = [max(low, before[0]), min(high, before[1])]
        return keep

    def _condition(self, name: str, bounds: Any) -> list[Any]:
        if name in self.numbers:
            low, high = sorted(float(bound) for bound in bounds)
            return [low, high]
        if name not in self.groups:
            raise InputError(f"keep: no column {name!r} to filter on")
        there = set(self.rows[name].astype(str))
        unknown = [word for word in bounds if word not in there]
        if unknown:
            raise InputError(f"keep: {name} is never {unknown[0]!r}; it is {', '.join(sorted(there))}")
        return [str(word) for word in bounds]

    def _drag(self, event: Mapping[str, Any]) -> None:
        x0, x1, y0, y1 = event["x0"], event["x1"], event["y0"], event["y1"]
        if event["area"] == "points" and self._state["show"] == "values":
            self.set(box=[x0, x1, y0, y1])
        elif event["area"] in ("x", "y"):
            self.set(keep={**self._state["keep"], self._state[event["area"]]: [x0, x1]})

    def _key(self, key: str) -> None:
        if key == "Escape":
            self.set(box=None, picked="")
            return
        names = self.rows.loc[self.chosen, KEY].tolist()
        if not names:
            return
        step = 1 if key == "ArrowRight" else -1
        at = names.index(self._state["picked"]) + step if self._state["picked"] in names else 0
        self.set(picked=names[at % len(names)])

    def _nearest(self, x: float, y: float) -> str:
        """Recording whose point lies nearest to a place of the picture, in shares of the axes."""
        import numpy as np

        drawn = self._drawn
        if drawn is None or not drawn.at.size:
            raise InputError("there is no point to pick")
        away = np.hypot((drawn.x - x) / drawn.span_x, (drawn.y - y) / drawn.span_y)
        return str(self.rows[KEY].iloc[drawn.at[int(np.argmin(away))]])

    def controls(self) -> list[Any]:
        """Give what is shown against what, groups, and one condition at a time."""
        import ipywidgets as widgets

        columns = [(self.label(name), name) for name in self.numbers]
        groups = [("no groups", ""), *((name.replace("_", " "), name) for name in self.groups)]
        across = widgets.Dropdown(options=columns, description="Across")
        up = widgets.Dropdown(options=columns, description="Upward")
        by = widgets.Dropdown(options=groups, description="Groups")
        shows = [("values", "values"), ("agreement of the two", "agreement"), ("trend of groups", "trend")]
        show = widgets.Dropdown(options=shows, description="Show")
        filters = [("nothing", ""), *((n.replace("_", " "), n) for n in (*self.groups, *self.numbers))]
        filter_on = widgets.Dropdown(options=filters, description="Filter on")
        keys = {"x": across, "y": up, "by": by, "show": show, "filter_on": filter_on}
        bound = [self.bind(control, key) for key, control in keys.items()]
        self._filter_row = widgets.HBox([bound[4]])
        return [widgets.HBox(bound[:4]), self._filter_row]

    def below(self) -> list[Any]:
        """Give the table, the picked recording, and what is done with the selection."""
        import ipywidgets as widgets

        self._picture.gesture = "select"
        clear = widgets.Button(description="Clear selection and filters", layout=widgets.Layout(width="auto"))
        clear.on_click(lambda _: self.set(box=None, keep={}, picked=""))
        self._path = widgets.Text("selection.csv", description="File")
        save = widgets.Button(description="Save selection")
        save.on_click(lambda _: self._save())
        self._open = widgets.Button(description="Open picked recording", layout=widgets.Layout(width="auto"))
        self._open.on_click(lambda _: self._open_picked())
        for control, name in ((clear, "clear"), (self._path, "path"), (save, "save"), (self._open, "open")):
            control.add_class(f"hx-{name}")
        self._table = widgets.HTML()
        self._table.add_class("hx-table")
        self._drill = widgets.VBox([])
        return [widgets.HBox([clear, self._path, save, self._open]), self._table, self._drill]

    def redrawn(self) -> None:
        """Bring table, condition and buttons up to date."""
        self._open.disabled = not (self._state["picked"] and self.cohort is not None)
        self._table.value = self._summary() + self._picked_row()
        if self._filter_shown != self._state["filter_on"]:
            self._filter_shown = self._state["filter_on"]
            self._filter_row.children = (self._filter_row.children[0], *self._filter_control())

    def _filter_control(self) -> list[Any]:
        """Make a control for the condition of one column."""
        import ipywidgets as widgets

        name = self._state["filter_on"]
        if not name:
            return []
        there = self._state["keep"].get(name)
        control: Any
        if name in self.numbers:
            low, high = float(self.rows[name].min()), float(self.rows[name].max())
            control = widgets.FloatRangeSlider(
                value=there or (low, high), min=low, max=high, step=(high - low) / 200 or 1.0,
                description="from, to", continuous_update=True, layout=widgets.Layout(width="420px"),
            )  # fmt: skip
        else:
            words = sorted(self.rows[name].astype(str).unique())
            control = widgets.SelectMultiple(
                options=words, value=tuple(there or words), rows=min(5, len(words)), description="keep"
            )
        control.add_class("hx-keep")
        control.observe(
            lambda change: self.set(keep={**self._state["keep"], name: list(change["new"])}), "value"
        )
        return [control]

    def _summary(self) -> str:
        """Say the counts and medians, group by group, as a table."""
        s, chosen = self._state, self.selected()
        head = [
            "group",
            "recordings",
            "chosen",
            *(f"{self.label(s[k])}: median (quartiles)" for k in ("x", "y")),
        ]
        parts = [("all", self.rows, chosen)]
        if s["by"]:
            words = self.rows[s["by"]].astype(str)
            parts += [
                (w, self.rows[words == w], chosen[chosen[s["by"]].astype(str) == w])
                for w in sorted(words.unique())
            ]
        lines = [
            [name, str(len(everybody)), str(len(some)), _spread(some[s["x"]]), _spread(some[s["y"]])]
            for name, everybody, some in parts
        ]
        told = "".join(f"<p>{html.escape(words)}</p>" for words in (self._drawn.words if self._drawn else ()))
        listed = ", ".join(map(str, chosen[KEY].iloc[:_LISTED])) + (" ..." if len(chosen) > _LISTED else "")
        names = f"<p>Chosen: {html.escape(listed) or 'none'}</p>"
        return told + _html_table("Recordings and what was chosen", head, lines) + names

    def _picked_row(self) -> str:
        picked = self._state["picked"]
        if not picked:
            return ""
        row = self.rows[self.rows[KEY] == picked].iloc[0]
        lines = [[name.replace("_", " "), _value(row[name]), self.unit(name)] for name in map(str, self.rows)]
        table = _html_table(f"Recording {picked}", ["column", "value", "unit"], lines)
        return f"<details><summary>Recording {html.escape(picked)}</summary>{table}</details>"

    def _save(self) -> None:
        written = self.save(self._path.value)
        self.say(f"saved {len(self.selected())} recordings: {', '.join(str(path) for path in written)}")

    def _open_picked(self) -> None:
        """Show the recording behind the picked point."""
        from . import RecordingView

        result = self.cohort.analysis(self._state["picked"])
        self._drill.children = (RecordingView(result).widget,)


def _spread(values: pd.Series) -> str:
    known = values.dropna()
    if not len(known):
        return "none known"
    low, middle, high = known.quantile([0.25, 0.5, 0.75])
    return f"{middle:.4g} ({low:.4g} to {high:.4g})"


def _value(value: Any) -> str:
    if isinstance(value, float):
        return "" if value != value else f"{value:.4g}"
    return str(value)


def _html_table(caption: str, head: list[str], lines: list[list[str]]) -> str:
    top = "".join(f'<th scope="col" style="text-align:left">{html.escape(word)}</th>' for word in head)
    body = "".join(f"<tr>{''.join(f'<td>{html.escape(cell)}</td>' for cell in line)}</tr>" for line in lines)
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )
