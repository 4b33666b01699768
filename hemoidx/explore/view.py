"""What every view has in common: state in, state out, a picture, and the plain code that repeats it."""

from __future__ import annotations

import copy
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from ..errors import HemoidxError, InputError
from .picture import picture_class

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.figure import Figure

CAUTION = (
    "Retrospective research and teaching only; not for patient care. "
    "Local codes and licensed practice come first."
)


class View:
    """
    A view: a state of plain values, a figure made from it, and controls that change it.

    A subclass gives `DEFAULTS` (the state it starts with), `TITLE`, `check` (what a value may be), `figure`
    (the picture of the present state), `describe` (the picture in words, for those who do not see it), `code`
    and `controls`. Everything can be done without a browser: `set`, then `snapshot`.

    Parameters
    ----------
    **state : object
        Values of the state other than the defaults.

    Raises
    ------
    InputError
        If the state has no such value, or it cannot be what was given.
    """

    TITLE: ClassVar[str] = ""
    DEFAULTS: ClassVar[Mapping[str, Any]] = {}
    KEYS: ClassVar[tuple[str, ...]] = ()
    """Keys that the picture answers to when it has the focus, as browsers name them."""

    def __init__(self, **state: Any) -> None:
        self._state: dict[str, Any] = copy.deepcopy(dict(self.DEFAULTS))
        self._bound: dict[str, list[Any]] = {}
        self._widget: Any = None
        self._picture: Any = None
        self._notice: Any = None
        self._busy = False
        self._take(state)

    @property
    def state(self) -> dict[str, Any]:
        """The state as plain values (dict); `type(view)(..., **state)` makes the same view again."""
        return copy.deepcopy(self._state)

    def set(self, **changes: Any) -> None:
        """
        Change the state, and with it controls and picture.

        Parameters
        ----------
        **changes : object
            New values.

        Raises
        ------
        InputError
            If the state has no such value, or it cannot be what was given; nothing is changed then.
        """
        self._take(changes)
        self._refresh()

    def check(self, key: str, value: Any) -> Any:
        """Give a value of the state as it is kept, or raise InputError that says what it may be."""
        return value

    def settled(self, state: dict[str, Any]) -> dict[str, Any]:
        """Give the whole new state with values that depend on each other made to agree."""
        return state

    def figure(self) -> Figure:
        """Draw the present state; a Figure that belongs to no backend."""
        raise TypeError(f"{type(self).__name__} draws nothing: a view has its own figure()")

    def snapshot(self) -> Figure:
        """Give the picture as a Figure, which stays in a saved notebook and prints."""
        return self.figure()

    def describe(self) -> str:
        """Say in words what the picture shows."""
        return self.TITLE

    def code(self) -> str:
        """Give plain code that makes this view again."""
        changed = {key: value for key, value in self._state.items() if value != self.DEFAULTS.get(key)}
        given = ", ".join(f"{key}={value!r}" for key, value in changed.items())
        return f"import hemoidx as hx\n\nhx.explore.{type(self).__name__}({given})\n"

    def controls(self) -> list[Any]:
        """Give the widgets above the picture, each bound to a value by `bind`."""
        return []

    def below(self) -> list[Any]:
        """Give the widgets under the picture."""
        return []

    def heard(self, event: Mapping[str, Any]) -> None:
        """Answer what a hand did on the picture; see `hemoidx.explore.picture`."""

    def redrawn(self) -> None:
        """Bring what is shown beside the picture up to date."""

    @property
    def widget(self) -> ipywidgets.VBox:
        """The view as a widget, made on first use."""
        if self._widget is None:
            self._widget = self._build()
            self._refresh()
        return self._widget

    def bind(self, control: Any, key: str) -> Any:
        """
        Tie a control to a value of the state, both ways.

        Parameters
        ----------
        control : ipywidgets widget with a `value`
            The control; it needs a description, by which a screen reader names it.
        key : str
            The value of the state.

        Returns
        -------
        widget
            The control.

        Raises
        ------
        InputError
            If the control says nothing of what it is.
        """
        if not getattr(control, "description", ""):
            raise InputError(f"a control for {key} without a description cannot be named by a screen reader")
        control.value = self._state[key]
        # A name that is cut off is none.
        control.style.description_width = "initial"
        control.add_class(f"hx-{key.replace('_', '-')}")
        self._bound.setdefault(key, []).append(control)
        control.observe(lambda change: self._turned(key, change["new"]), "value")
        return control

    def say(self, words: str) -> None:
        """Show a line under the controls, read out by screen readers; an empty one clears it."""
        if self._notice is not None:
            import html

            self._notice.value = f'<span role="status">{html.escape(words)}</span>'

    def _take(self, changes: Mapping[str, Any]) -> None:
        unknown = [key for key in changes if key not in self.DEFAULTS]
        if unknown:
            raise InputError(
                f"{type(self).__name__} has no {unknown[0]!r}; it has {', '.join(sorted(self.DEFAULTS))}"
            )
        state = {**self._state, **{key: self.check(key, value) for key, value in changes.items()}}
        state = self.settled(state)
        # What is not plain here could not be saved or repeated by code().
        self._state = json.loads(json.dumps(state))

    def _turned(self, key: str, value: Any) -> None:
        """A control was turned by hand."""
        if self._busy:
            return
        try:
            self._take({key: value})
        except HemoidxError as error:
            self.say(str(error))
            return
        self.say("")
        self._refresh()

    def _refresh(self) -> None:
        if self._widget is None:
            return
        self._busy = True
        try:
            for key, controls in self._bound.items():
                for control in controls:
                    if control.value != self._state[key]:
                        control.value = self._state[key]
        finally:
            self._busy = False
        self._picture.alt = self.describe()
        self._picture.show(self.figure())
        self.redrawn()

    def _hear(self, event: Mapping[str, Any]) -> None:
        try:
            self.heard(event)
        except HemoidxError as error:
            self.say(str(error))

    def _build(self) -> Any:
        import ipywidgets as widgets

        self._picture = picture_class()(listens=list(self.KEYS))
        self._picture.add_class("hx-view-picture")
        self._picture.on_event(self._hear)
        self._notice = widgets.HTML(layout=widgets.Layout(min_height="1.6em"))
        self._notice.add_class("hx-notice")
        caution = widgets.HTML(f"<small>{CAUTION}</small>")
        parts = [*self.controls(), self._notice, self._picture, *self.below(), caution]
        return widgets.VBox(parts).add_class("hx-view")

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.widget)  # type: ignore[no-untyped-call]
