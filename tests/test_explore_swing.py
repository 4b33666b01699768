"""The swing bench says what the analysis says of that minute, and its model does what it claims."""

import numpy as np
import pytest

from hemoidx.errors import InputError
from hemoidx.explore import SwingBench
from hemoidx.explore.swing_model import curve, swing


def test_the_words_are_those_of_the_analysis() -> None:
    view = SwingBench(filling=0.5)
    verdict = view.result.verdicts("ppv", table="windows").iloc[1]
    (row,) = (row for row in view.told() if row["title"] == "Pulse pressure variation")
    assert row["value"] == view.result.windows["ppv"].iloc[1]
    assert (row["measurement"], row["reasons"]) == (verdict["measurement"], verdict["reasons"])


def test_the_simulated_swing_is_the_one_on_the_curve() -> None:
    """Pulse pressure follows stroke volume in the model: its variation is the swing over the mean [%]."""
    for filling in (0.4, 0.6):
        view = SwingBench(filling=filling)
        found = swing(view.state)
        high, low = (float(curve(end)) for end in (found.high, found.low))
        expected = 200.0 * (high - low) / (high + low)
        (row,) = (row for row in view.told() if row["unit"] == "%" and "Pulse" in row["title"])
        assert row["value"] == pytest.approx(expected, abs=2.5)


def test_more_filling_swings_less_and_an_open_chest_less_still() -> None:
    shares = [swing(SwingBench(filling=f).state).share for f in np.arange(0.1, 0.95, 0.1)]
    assert np.all(np.diff(shares) < 0)
    assert swing(SwingBench(chest_open=True).state).share < 0.5 * swing(SwingBench().state).share


@pytest.mark.parametrize(
    ("state", "measured", "words"),
    [
        ({"rhythm": "atrial_fibrillation"}, "rejected", "rhythm is irregular"),
        ({"breathing": "spontaneous"}, None, "breathing is spontaneous"),
        ({"tidal": 5.0}, None, "under 8 mL/kg"),
        ({"chest_open": True}, None, "chest"),
    ],
)
def test_when_it_cannot_be_interpreted_the_bench_says_so(
    state: dict, measured: str | None, words: str
) -> None:
    told = SwingBench(**state).told()[0]
    assert words in told["reasons"]
    if measured:
        assert told["measurement"] == measured
        assert np.isnan(told["value"])


def test_a_drag_along_the_curve_changes_filling_and_code_repeats_it() -> None:
    view = SwingBench()
    drag = {"kind": "drag", "area": "curve", "x0": 0.35, "x1": 0.72, "y0": 0.5, "y1": 0.6, "done": True}
    view.heard(drag)
    assert view.state["filling"] == pytest.approx(0.7)
    scope: dict = {}
    exec(view.code().replace("hx.explore", "view = hx.explore"), scope)
    assert scope["view"].state == view.state
    with pytest.raises(InputError, match="filling"):
        view.set(filling=2.0)
    with pytest.raises(InputError, match="rhythm"):
        view.set(rhythm="waltz")
