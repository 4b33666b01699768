"""A bench for swing and filling: how pulse pressure variation arises, and when it says nothing."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..errors import InputError
from ..plot.style import FAINT, INK, TRACE, axes_or_new, label_axes, new_figure
from .swing_model import BREATHING, RHYTHMS, analysed, curve, swing
from .view import View

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..analysis import Analysis

RANGES: dict[str, tuple[float, float, float, str]] = {
    "filling": (0.05, 0.95, 0.05, "Filling, 0 to 1"),
    "tidal": (2.0, 14.0, 0.5, "Tidal volume [mL/kg]"),
    "effort": (0.2, 3.0, 0.1, "Effort of breathing, 1 usual"),
    "breath_rate": (8.0, 30.0, 1.0, "Breaths a minute"),
    "rate": (45.0, 150.0, 5.0, "Heart rate [1/min]"),
}
_ROOM = {"left": 0.06, "right": 0.985, "bottom": 0.11, "top": 0.92, "wspace": 0.2, "hspace": 0.5}
_SHOWN_S = 26.0
_WINDOW = 1


class SwingBench(View):
    """
    Breathing, tidal volume, filling and rhythm: how pulse pressure swings, and what the analysis says.

    The curve, the size of the swing and the patient are invented; values and verdicts are those that
    `hemoidx.analyse` gives for the simulated minute. Drag along the curve to change the filling.

    Parameters
    ----------
    **state : object
        ``filling, tidal, effort, breath_rate, rate`` (see `RANGES`); ``breathing``: controlled, assisted or
        spontaneous; ``rhythm``: sinus, ectopic or atrial_fibrillation; ``chest_open``.

    Raises
    ------
    InputError
        If a value cannot be what was given.
    """

    TITLE = "swing and filling"
    DEFAULTS: ClassVar[Mapping[str, Any]] = {
        "filling": 0.35,
        "tidal": 8.0,
        "effort": 1.0,
        "breath_rate": 14.0,
        "rate": 80.0,
        "breathing": "controlled",
        "rhythm": "sinus",
        "chest_open": False,
    }

    def check(self, key: str, value: Any) -> Any:
        """Refuse what lies outside of its range or list."""
        if key in RANGES:
            low, high, _, name = RANGES[key]
            if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
                raise InputError(f"{key}: {name} lies between {low:g} and {high:g}, got {value!r}")
            return float(value)
        if key == "chest_open":
            return bool(value)
        allowed = BREATHING if key == "breathing" else RHYTHMS
        if value not in allowed:
            raise InputError(f"{key}: {value!r} is none of {', '.join(allowed)}")
        return value

    @property
    def result(self) -> Analysis:
        """The analysis of the simulated minute."""
        return analysed(self._state)

    def told(self) -> list[dict[str, Any]]:
        """
        Give what the analysis says of the window from 30 to 60 s.

        Returns
        -------
        list of dict
            ``title, value`` (NaN where it was rejected), ``unit, measurement, interpretation, reasons``.
        """
        result = self.result
        rows = []
        for name in ("ppv", "spv"):
            entry = result.catalogue[name]
            verdict = result.verdicts(name, table="windows").iloc[_WINDOW]
            rows.append(
                {
                    "title": entry.title,
                    "value": float(result.windows[entry.column].iloc[_WINDOW]),
                    "unit": entry.unit,
                    **{key: str(verdict[key]) for key in ("measurement", "interpretation", "reasons")},
                }
            )
        return rows

    def figure(self) -> Figure:
        """Draw curve, trace and pulse pressures."""
        figure = new_figure(10.2, 4.6)
        figure.set_layout_engine("none")
        figure.set_dpi(96)
        grid = figure.add_gridspec(2, 2, width_ratios=(1.0, 1.5), **_ROOM)
        axes = [axes_or_new(figure.add_subplot(place)) for place in (grid[:, 0], grid[0, 1], grid[1, 1])]
        for ax, name in zip(axes, ("curve", "trace", "pulses"), strict=True):
            ax.set_gid(name)
        self._curve(axes[0])
        self._trace(axes[1], self.result)
        self._pulses(axes[2], self.result)
        return figure

    def _curve(self, ax: Axes) -> None:
        found = swing(self._state)
        x = np.linspace(0.0, 1.0, 120)
        ax.plot(x, curve(x), color=FAINT, linewidth=1.4)
        part = np.linspace(found.low, found.high, 20)
        ax.plot(part, curve(part), color=TRACE, linewidth=3.5)
        at = self._state["filling"]
        ax.plot([at], [curve(at)], "o", ms=11, mfc="none", mec=INK, mew=2.0)
        for end, dash in ((found.low, ":"), (found.high, "--")):
            ax.plot(
                [end, end, 0.0], [0.0, curve(end), curve(end)], color=FAINT, linestyle=dash, linewidth=1.0
            )
        ax.set_xlim(0.0, 1.0)
        ax.set_ylim(0.0, 1.05)
        label_axes(ax, x="filling, as a share", y="stroke volume, as a share", title="an invented heart")

    def _trace(self, ax: Axes, result: Analysis) -> None:
        recording: Any = result.recording
        pressure = recording[result.channel].to_numpy()
        fs = float(result.info["fs"])
        shown = slice(round(30.0 * fs), round((30.0 + _SHOWN_S) * fs))
        ax.plot(np.arange(shown.start, shown.stop) / fs, pressure[shown], color=TRACE, linewidth=0.9)
        for k, (start, end) in enumerate(
            zip(result.breaths["start_s"], result.breaths["end_s"], strict=True)
        ):
            if k % 2 == 0 and end > 30.0 and start < 30.0 + _SHOWN_S:
                ax.axvspan(
                    start, end, facecolor="#e8edf2", edgecolor=FAINT, hatch="..", linewidth=0.0, zorder=0
                )
        ax.set_xlim(30.0, 30.0 + _SHOWN_S)
        label_axes(ax, y="pressure [mmHg]", title="every second breath that was found is dotted")

    def _pulses(self, ax: Axes, result: Analysis) -> None:
        beats = result.beats
        ax.plot(beats["onset_s"], beats["pp"], ".", ms=6, color=TRACE)
        ax.set_xlim(30.0, 30.0 + _SHOWN_S)
        label_axes(ax, x="time [s]", y="pulse pressure [mmHg]")

    def describe(self) -> str:
        """Say what the picture shows."""
        s, found = self._state, swing(self._state)
        return (
            f"Filling {s['filling']:.2f} on an invented curve, {BREATHING[s['breathing']]} at "
            f"{s['breath_rate']:.0f} a minute, {RHYTHMS[s['rhythm']]} rhythm: stroke volume swings by "
            f"{200.0 * found.share:.0f} % of its mean with each breath."
        )

    def heard(self, event: Mapping[str, Any]) -> None:
        """Answer a drag or a click on the curve: it changes the filling."""
        if event["area"] != "curve" or event["kind"] not in ("drag", "click"):
            return
        low, high, step, _ = RANGES["filling"]
        at = float(event["x1"] if event["kind"] == "drag" else event["x"])
        self.set(filling=min(max(step * round(at / step), low), high))

    def controls(self) -> list[Any]:
        """Give sliders and lists."""
        import ipywidgets as widgets

        wide = widgets.Layout(width="330px")
        sliders = [
            self.bind(widgets.FloatSlider(min=low, max=high, step=step, description=name, layout=wide), key)
            for key, (low, high, step, name) in RANGES.items()
        ]
        lists = [
            self.bind(widgets.Dropdown(options=[(w, k) for k, w in choices.items()], description=name), key)
            for key, name, choices in (("breathing", "Breathing", BREATHING), ("rhythm", "Rhythm", RHYTHMS))
        ]
        chest = self.bind(widgets.Checkbox(description="Chest open"), "chest_open")
        return [widgets.HBox(sliders[:3]), widgets.HBox(sliders[3:]), widgets.HBox([*lists, chest])]

    def below(self) -> list[Any]:
        """Give what the analysis says."""
        import ipywidgets as widgets

        self._told = widgets.HTML()
        self._told.add_class("hx-table")
        return [self._told]

    def redrawn(self) -> None:
        """Bring the words up to date."""
        rows = []
        for row in self.told():
            value = f"{row['value']:.1f} {row['unit']}" if math.isfinite(row["value"]) else "no value"
            head = f"{row['title']}: {value}, {row['measurement']}"
            rows.append(f"<p><strong>{html.escape(head)}</strong>. {html.escape(row['reasons'])}</p>")
        self._told.value = "".join(rows)
