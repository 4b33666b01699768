"""A bench for the measuring chain: change the line, and see what becomes of the pressure."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from ..errors import InputError
from .line_model import LINE, PATIENT, Seen, measured, named, seen, verdict
from .line_pictures import draw
from .view import View

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Least, greatest and step of each value, and its name on the control.
RANGES: dict[str, tuple[float, float, float, str]] = {
    "tubing_cm": (20.0, 400.0, 5.0, "Tubing, length [cm]"),
    "bore_mm": (0.6, 3.0, 0.1, "Tubing, bore [mm]"),
    "wall": (0.002, 0.1, 0.002, "Tubing, give [mm3/mmHg/m]"),
    "bubble_ml": (0.0, 1.0, 0.01, "Air at the transducer [mL]"),
    "narrow": (0.0, 300.0, 5.0, "Narrow place [mmHg s/mL]"),
    "above_cm": (-60.0, 60.0, 1.0, "Transducer above reference [cm]"),
    "zero_mmhg": (-30.0, 30.0, 1.0, "Zero off by [mmHg]"),
    "gain": (0.8, 1.2, 0.01, "Gain"),
    "fs": (62.5, 500.0, 62.5, "Samples a second"),
    "rate": (40.0, 180.0, 5.0, "Heart rate [1/min]"),
    "mean_pressure": (40.0, 140.0, 5.0, "Mean pressure [mmHg]"),
    "pulse_pressure": (15.0, 120.0, 5.0, "Pulse pressure [mmHg]"),
    "upstroke": (0.6, 1.8, 0.1, "Upstroke, 1 usual"),
}
_SHOWN = {
    "sbp": ("systolic", "mmHg"),
    "dbp": ("diastolic", "mmHg"),
    "mbp": ("mean", "mmHg"),
    "pp": ("pulse pressure", "mmHg"),
    "dpdt_max": ("steepest rise", "mmHg/s"),
}


class LineBench(View):
    """
    Tubing, air, narrow places, level, zero and gain: what each does to one invented patient's pressure.

    Drag on the plane to see what a line of that frequency and damping does: length of tubing and a narrow
    place are found that come near it. Numbers and verdicts follow at once; `measure` measures the flush as an
    analysis does.

    Parameters
    ----------
    **state : float
        Values of the line and of the patient, see `RANGES`.

    Raises
    ------
    InputError
        If a value lies outside its range.

    Notes
    -----
    The line is one of second order, lumped from its parts (`hemoidx.line.lumped`); real lines have more.
    """

    TITLE = "line bench"
    DEFAULTS: ClassVar[Mapping[str, Any]] = {**LINE, **PATIENT}

    def __init__(self, **state: Any) -> None:
        self._measured: str = ""
        super().__init__(**state)

    def check(self, key: str, value: Any) -> float:
        """Refuse what lies outside of its range."""
        low, high, _, name = RANGES[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise InputError(f"{key}: {name} lies between {low:g} and {high:g}, got {value!r}")
        return float(value)

    @property
    def seen(self) -> Seen:
        """What is recorded of the present state."""
        return seen(self._state)

    def figure(self) -> Figure:
        """Draw trace, flush and plane."""
        return draw(self.seen, self._who())

    def _who(self) -> tuple[float, float, float, float]:
        rate, mean, pulse, upstroke = (float(self._state[key]) for key in PATIENT)
        return rate, mean, pulse, upstroke

    def describe(self) -> str:
        """Say what the picture shows."""
        found = self.seen
        sbp = found.numbers["sbp"]
        return (
            f"Line of {found.hz:.1f} Hz and damping {found.damping:.2f}, "
            f"{named(found, self._state['gain'])}: systolic {sbp[1]:.0f} recorded, "
            f"{sbp[0]:.0f} in the artery."
        )

    def numbers(self) -> list[dict[str, Any]]:
        """
        Give true and recorded numbers with what an analysis would make of the difference.

        Returns
        -------
        list of dict
            ``name, unit, true, recorded, error, verdict``; the verdict, by our convention of 2 and 5 mmHg, is
            None for the steepest rise, which has none.
        """
        return [
            {
                "name": words,
                "unit": unit,
                "true": true,
                "recorded": recorded,
                "error": recorded - true,
                "verdict": verdict(recorded - true) if unit == "mmHg" else None,
            }
            for key, (words, unit) in _SHOWN.items()
            for true, recorded in [self.seen.numbers[key]]
        ]

    def measure(self, seed: int = 0) -> str:
        """
        Measure the flush as an analysis does.

        Parameters
        ----------
        seed : int
            Of noise and pulse under the flush.

        Returns
        -------
        str
            Natural frequency and damping with their 95 % intervals, or why there are none.
        """
        flushes = measured(self._state, seed)
        if flushes.empty:
            return "the flush was not found"
        row = flushes.iloc[0]
        ends = [
            f"{low:.3g} to {high:.3g}"
            for low, high in (
                (row["natural_frequency_hz_low"], row["natural_frequency_hz_high"]),
                (row["damping_ratio_low"], row["damping_ratio_high"]),
            )
        ]
        if not math.isfinite(row["natural_frequency_hz_low"]):
            return f"no number: {row['reason']}"
        return f"measured: natural frequency {ends[0]} Hz, damping ratio {ends[1]} (95 % intervals)"

    def heard(self, event: Mapping[str, Any]) -> None:
        """Answer a drag or a click on the plane: find a tubing and a narrow place that give such a line."""
        if event["area"] != "plane" or event["kind"] not in ("drag", "click"):
            return
        x, y = (event["x1"], event["y1"]) if event["kind"] == "drag" else (event["x"], event["y"])
        self.set(**reached(self._state, float(x), float(y)))

    def controls(self) -> list[Any]:
        """Give a slider for each value, those of the line first."""
        import ipywidgets as widgets

        made = []
        for key, (low, high, step, name) in RANGES.items():
            wide = widgets.Layout(width="340px")
            slider = widgets.FloatSlider(min=low, max=high, step=step, description=name, layout=wide)
            made.append(self.bind(slider, key))
        rows = [made[k : k + 3] for k in range(0, len(made), 3)]
        return [widgets.HBox(row) for row in rows]

    def below(self) -> list[Any]:
        """Give the table of numbers, and the button that measures."""
        import ipywidgets as widgets

        self._table = widgets.HTML()
        self._table.add_class("hx-table")
        measure = widgets.Button(description="Measure the flush", layout=widgets.Layout(width="auto"))
        measure.add_class("hx-measure")
        measure.on_click(lambda _: self.say(self.measure()))
        reset = widgets.Button(description="Begin again", layout=widgets.Layout(width="auto"))
        reset.on_click(lambda _: self.set(**self.DEFAULTS))
        return [widgets.HBox([measure, reset]), self._table]

    def redrawn(self) -> None:
        """Bring the numbers up to date."""
        words_of = ("", "artery", "recorded", "error", "verdict")
        head = "".join(f'<th scope="col">{word}</th>' for word in words_of)
        body = "".join(
            f"<tr><th scope='row' style='text-align:left'>{html.escape(row['name'])} [{row['unit']}]</th>"
            f"<td>{row['true']:.0f}</td><td>{row['recorded']:.0f}</td><td>{row['error']:+.1f}</td>"
            f"<td>{row['verdict'] or 'none by itself'}</td></tr>"
            for row in self.numbers()
        )
        found = self.seen
        words = (
            f"Natural frequency {found.hz:.1f} Hz, damping ratio {found.damping:.2f}: "
            f"{named(found, self._state['gain'])}. Level and zero add {found.static:+.1f} mmHg to every "
            "pressure."
        )
        self._table.value = (
            f"<table><caption>{html.escape(words)}</caption><thead><tr>{head}</tr></thead>"
            f"<tbody>{body}</tbody></table>"
        )


def reached(state: Mapping[str, Any], hz: float, damping: float) -> dict[str, float]:
    """
    Find length of tubing and narrow place that give a line of some frequency and damping.

    Parameters
    ----------
    state : mapping
        The line as it is.
    hz, damping : float
        Natural frequency [Hz] and damping ratio wanted.

    Returns
    -------
    dict
        ``tubing_cm`` and ``narrow`` within their ranges: as near as these two can come.
    """
    from ..line.physics import lumped
    from .line_model import physical

    (short, long, step, _), (_, most, each, _) = RANGES["tubing_cm"], RANGES["narrow"]
    trial = dict(state)
    low, high = short, long
    # Longer tubing is slower; what narrows hardly changes the frequency.
    for _ in range(12):
        trial["tubing_cm"] = 0.5 * (low + high)
        if lumped(physical(trial)).natural_frequency_hz > hz:
            low = trial["tubing_cm"]
        else:
            high = trial["tubing_cm"]
    trial["tubing_cm"] = min(max(step * round(trial["tubing_cm"] / step), short), long)
    low, high = 0.0, most
    for _ in range(12):
        trial["narrow"] = 0.5 * (low + high)
        if lumped(physical(trial)).damping_ratio < damping:
            low = trial["narrow"]
        else:
            high = trial["narrow"]
    trial["narrow"] = min(max(each * round(trial["narrow"] / each), 0.0), most)
    return {"tubing_cm": trial["tubing_cm"], "narrow": trial["narrow"]}
