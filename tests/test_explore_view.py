"""The common ground of all views: state in, state out; a picture answers in the units of its axes."""

import io

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from hemoidx.errors import InputError
from hemoidx.explore.picture import areas_of, picture_class, png_of
from hemoidx.explore.view import View


class Line(View):
    """A straight line with a slope."""

    TITLE = "a line"
    DEFAULTS = {"slope": 1.0, "log": False}  # noqa: RUF012

    def check(self, key, value):
        if key == "slope" and not 0 < value < 10:
            raise InputError(f"slope is {value:g}; it lies between 0 and 10")
        return value

    def figure(self):
        figure = Figure(figsize=(5, 3), dpi=100)
        ax = figure.subplots()
        ax.set_gid("line")
        ax.plot([1, 10], [self.state["slope"], 10 * self.state["slope"]])
        if self.state["log"]:
            ax.set_xscale("log")
        ax.set(xlim=(1, 10), ylim=(0, 50))
        return figure

    def controls(self):
        import ipywidgets

        return [self.bind(ipywidgets.FloatText(description="slope"), "slope")]

    def heard(self, event):
        if event["kind"] == "click":
            self.set(slope=event["y"] / event["x"])


def test_state_makes_the_same_view_again() -> None:
    view = Line(slope=2.5)
    assert Line(**view.state).state == {"slope": 2.5, "log": False}
    scope: dict[str, object] = {}
    code = view.code()
    assert "Line(slope=2.5)" in code
    compile(code, "view", "exec", dont_inherit=True)
    assert scope == {}


def test_the_state_given_out_is_a_copy() -> None:
    view = Line()
    view.state["slope"] = 7.0
    assert view.state["slope"] == 1.0


@pytest.mark.parametrize(
    ("change", "words"), [({"slope": 12.0}, "between 0 and 10"), ({"width": 1}, "has no 'width'")]
)
def test_what_cannot_be_is_refused_and_changes_nothing(change: dict[str, float], words: str) -> None:
    view = Line(slope=3.0)
    with pytest.raises(InputError, match=words):
        view.set(**change)
    assert view.state["slope"] == 3.0


def test_control_and_state_move_together() -> None:
    view = Line()
    control = view.widget.children[0]
    before = view._picture.png
    control.value = 4.0
    assert view.state["slope"] == 4.0
    assert view._picture.png != before
    view.set(slope=2.0)
    assert control.value == 2.0


def test_a_refused_turn_is_said_and_the_picture_stays() -> None:
    view = Line()
    control = view.widget.children[0]
    before = view._picture.png
    control.value = 99.0
    assert view.state["slope"] == 1.0
    assert "between 0 and 10" in view._notice.value
    assert view._picture.png == before


def test_a_control_without_a_name_is_refused() -> None:
    import ipywidgets

    with pytest.raises(InputError, match="screen reader"):
        Line().bind(ipywidgets.FloatText(), "slope")


def test_a_click_on_the_picture_reaches_the_state() -> None:
    view = Line()
    told = []
    view.widget  # noqa: B018
    view._picture.send = told.append
    view._picture._hear(None, {"kind": "click", "area": "line", "x": 2.0, "y": 10.0, "shift": False}, [])
    assert view.state["slope"] == 5.0
    assert told == [{"kind": "done"}]


def test_an_event_that_is_refused_still_lets_the_page_go_on() -> None:
    view = Line()
    told = []
    view.widget  # noqa: B018
    view._picture.send = told.append
    view._picture._hear(None, {"kind": "click", "area": "line", "x": 1.0, "y": 40.0, "shift": False}, [])
    assert view.state["slope"] == 1.0
    assert "between 0 and 10" in view._notice.value
    assert told == [{"kind": "done"}]


@pytest.mark.parametrize("log", [False, True])
def test_areas_say_where_the_ink_is(log: bool) -> None:
    """The corner of the line, found in the pixels of the picture, lies where the areas say it does."""
    figure = Line(slope=5.0, log=log).figure()
    ax = figure.axes[0]
    ax.lines[0].remove()
    ax.axis("off")
    x, y = 3.0, 20.0
    ax.plot([x], [y], "s", color="black", markersize=6)
    pixels = np.asarray(Image.open(io.BytesIO(png_of(figure))).convert("L"))
    rows, columns = np.nonzero(pixels < 128)
    (area,) = areas_of(figure)
    share = np.log(x / area["x0"]) / np.log(area["x1"] / area["x0"]) if log else (x - 1) / 9
    assert area["xlog"] is log
    assert columns.mean() + 0.5 == pytest.approx(
        area["left"] + share * (area["right"] - area["left"]), abs=1.0
    )
    assert rows.mean() + 0.5 == pytest.approx(
        area["bottom"] - y / 50 * (area["bottom"] - area["top"]), abs=1.0
    )


def test_the_picture_has_the_size_of_the_figure() -> None:
    picture = picture_class()()
    figure = Line().figure()
    picture.show(figure)
    assert (picture.width, picture.height) == (500, 300)
    assert Image.open(io.BytesIO(picture.png)).size == (500, 300)
