"""Mystery line: a faulty trace to diagnose, with the answer, and why."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from ..errors import InputError
from .line_model import LINE, PATIENT, named, seen
from .line_pictures import draw
from .view import View

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Fault:
    """
    A fault of the line.

    Attributes
    ----------
    key : str
        Its name.
    words : str
        As a learner picks it.
    changes : mapping of str to (float, float)
        Values of the bench, each drawn between two bounds.
    alike : tuple of str
        Faults that the trace and the flush cannot tell from it.
    look : str
        What tells them apart at the bedside.
    """

    key: str
    words: str
    changes: Mapping[str, tuple[float, float]]
    alike: tuple[str, ...] = ()
    look: str = ""


#: Common practice, no source: what goes wrong with lines, and how it is told.
FAULTS: tuple[Fault, ...] = (
    Fault("none", "nothing is wrong", {}),
    Fault(
        "air", "air in the line", {"bubble_ml": (0.15, 0.6), "narrow": (0.0, 4.0)}, ("soft", "long"),
        "look along the tubing and the dome for air, and compare the tubing with the set-up sheet",
    ),
    Fault(
        "soft", "soft tubing", {"wall": (0.05, 0.1)}, ("air", "long"),
        "look at what tubing was used, and for air",
    ),
    Fault(
        "long", "too much tubing", {"tubing_cm": (280.0, 400.0)}, ("air", "soft"),
        "measure the tubing, and look for air",
    ),
    Fault(
        "narrow", "a clot or a kink", {"narrow": (140.0, 300.0), "bubble_ml": (0.05, 0.15)}, (),
        "draw blood back, look at the cannula and along the tubing",
    ),
    Fault(
        "high", "the transducer is too high", {"above_cm": (12.0, 40.0)}, ("zero_low",),
        "hold transducer and reference level side by side, then open it to air and read the zero",
    ),
    Fault(
        "low", "the transducer is too low", {"above_cm": (-40.0, -12.0)}, ("zero_high",),
        "hold transducer and reference level side by side, then open it to air and read the zero",
    ),
    Fault(
        "zero_low", "the zero is too low", {"zero_mmhg": (-28.0, -10.0)}, ("high",),
        "open the transducer to air and read the zero, then look at its height",
    ),
    Fault(
        "zero_high", "the zero is too high", {"zero_mmhg": (10.0, 28.0)}, ("low",),
        "open the transducer to air and read the zero, then look at its height",
    ),
)  # fmt: skip
_BY_KEY = {fault.key: fault for fault in FAULTS}
_CUFF_SAYS = 3.0


class MysteryLine(View):
    """
    An invented patient behind a line with one fault, or with none; the learner says which.

    Shown is what a bedside shows: the recorded trace, a flush, and what a cuff on the other arm said. Pick an
    answer; `answer` tells which it was, what showed it, and what no trace can tell.

    Parameters
    ----------
    **state : object
        ``number``: which exercise, any whole number; ``guess``: the fault that was picked, or empty;
        ``told``: whether the answer is shown.

    Raises
    ------
    InputError
        If there is no such fault.
    """

    TITLE = "mystery line"
    DEFAULTS: ClassVar[Mapping[str, Any]] = {"number": 1, "guess": "", "told": False}

    def check(self, key: str, value: Any) -> Any:
        """Refuse faults that there are not."""
        if key == "guess" and value and value not in _BY_KEY:
            raise InputError(f"guess: no fault {value!r}; there are {', '.join(_BY_KEY)}")
        if key == "number" and (isinstance(value, bool) or not isinstance(value, int)):
            raise InputError(f"number: a whole number is needed, got {value!r}")
        return bool(value) if key == "told" else value

    def settled(self, state: dict[str, Any]) -> dict[str, Any]:
        """A new exercise begins without an answer."""
        if state["number"] != self._state.get("number"):
            return {**state, "guess": "", "told": False}
        return state

    @property
    def fault(self) -> Fault:
        """The fault of this exercise."""
        return random.Random(f"fault {self._state['number']}").choice(FAULTS)

    @property
    def bench(self) -> dict[str, Any]:
        """State of the bench behind it: `LineBench(**view.bench)` shows the line from the inside."""
        chance = random.Random(f"values {self._state['number']}")
        found = {**LINE, **PATIENT}
        found["rate"] = float(chance.randrange(55, 121, 5))
        found["mean_pressure"] = float(chance.randrange(60, 111, 5))
        found["pulse_pressure"] = float(chance.randrange(35, 81, 5))
        for key, (low, high) in self.fault.changes.items():
            found[key] = round(chance.uniform(low, high), 3)
        return found

    def cuff(self) -> float:
        """Mean pressure that a cuff on the other arm said [mmHg], with some scatter; invented."""
        scatter = random.Random(f"cuff {self._state['number']}").uniform(-_CUFF_SAYS, _CUFF_SAYS)
        return round(seen(self.bench).numbers["mbp"][0] + scatter)

    def grade(self) -> tuple[bool, str]:
        """
        Grade the answer.

        Returns
        -------
        right : bool
            Whether the fault was picked, or one that nothing shown here tells from it.
        words : str
            What it was, what showed it, and what to look at.
        """
        fault, guess = self.fault, self._state["guess"]
        right = guess == fault.key or guess in fault.alike
        found = seen(self.bench)
        sbp, mean = found.numbers["sbp"], found.numbers["mbp"]
        told = [f"It is: {fault.words}."]
        kind = named(found, self.bench["gain"])
        told.append(
            f"The flush shows a line of {found.hz:.0f} Hz and damping {found.damping:.2f}, {kind}. Systolic "
            f"is recorded as {sbp[1]:.0f} for {sbp[0]:.0f}, mean as {mean[1]:.0f} for {mean[0]:.0f} mmHg."
        )
        # Half a millimetre is rounding.
        if abs(self.cuff() - mean[1]) > _CUFF_SAYS + 0.5:
            told.append(
                f"The cuff's mean of {self.cuff():.0f} differs from the recorded {mean[1]:.0f} by more than "
                "cuffs scatter: every pressure is shifted alike, and the shape is left alone."
            )
        if guess in fault.alike:
            told.append(f"'{_BY_KEY[guess].words}' looks the same here: no trace tells the two apart.")
        if fault.look:
            told.append(f"To be sure: {fault.look}.")
        return right, " ".join(told)

    def answer(self) -> str:
        """Show the answer; give it in words."""
        self.set(told=True)
        right, words = self.grade()
        begin = "Right. " if right else "No. " if self._state["guess"] else ""
        return begin + words

    def figure(self) -> Figure:
        """Draw what a bedside shows; with the answer, the line from the inside too."""
        who = (
            self.bench["rate"],
            self.bench["mean_pressure"],
            self.bench["pulse_pressure"],
            self.bench["upstroke"],
        )
        return draw(seen(self.bench), who, hidden=not self._state["told"])

    def describe(self) -> str:
        """Say what is shown."""
        recorded = seen(self.bench).numbers
        return (
            f"Exercise {self._state['number']}: recorded {recorded['sbp'][1]:.0f} over "
            f"{recorded['dbp'][1]:.0f}, mean {recorded['mbp'][1]:.0f} mmHg; a cuff on the other arm said a "
            f"mean of {self.cuff():.0f} mmHg. The patient is invented. What, if anything, is wrong with the "
            "line?"
        )

    def controls(self) -> list[Any]:
        """Give the number of the exercise, the answers, and the button that tells."""
        import ipywidgets as widgets

        number = self.bind(widgets.IntText(description="Exercise"), "number")
        choices = [("pick an answer", ""), *((fault.words, fault.key) for fault in FAULTS)]
        guess = self.bind(widgets.Dropdown(options=choices, description="It is"), "guess")
        tell = widgets.Button(description="Tell me", layout=widgets.Layout(width="auto"))
        tell.add_class("hx-tell")
        tell.on_click(lambda _: self.say(self.answer()))
        following = widgets.Button(description="Next exercise", layout=widgets.Layout(width="auto"))
        following.on_click(lambda _: self.set(number=self._state["number"] + 1))
        self._words = widgets.HTML()
        self._words.add_class("hx-words")
        return [widgets.HBox([number, guess, tell, following]), self._words]

    def redrawn(self) -> None:
        """Bring the words up to date."""
        self._words.value = f"<p>{self.describe()}</p>"
        if not self._state["told"]:
            self.say("")
