"""What was documented while a row lasted: nothing that holds for a part of it may be missed."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.context import Context

CVP = "central_venous_pressure_mmhg"
# Tenths of a second: every moment of the grid below lies in the middle of one.
TENTHS = st.integers(0, 200)


@st.composite
def documented(draw: st.DrawFn) -> list[tuple[int, int, float]]:
    """Stretches that do not overlap, in tenths of a second, some of them back to back, each with a number."""
    edges = sorted(draw(st.lists(TENTHS, min_size=2, max_size=9, unique=True)))
    pieces = pairwise(edges)
    return [(a, b, float(draw(st.integers(0, 4)))) for a, b in pieces if draw(st.booleans())]


@settings(max_examples=150, deadline=None)
@given(documented(), st.lists(st.tuples(TENTHS, TENTHS), min_size=1, max_size=6))
def test_rows_see_all_that_held_in_them(pieces: list, rows: list) -> None:
    """Against a plain look at every tenth of a second."""
    held = np.full(201, np.nan)
    for a, b, value in pieces:
        held[a:b] = value
    context = Context.read(
        {"intervals": [{"from_s": a / 10, "to_s": b / 10, CVP: value} for a, b, value in pieces]}
    )
    rows = [(min(row), max(row)) for row in rows]
    start, end = (np.array(side) / 10 for side in zip(*rows, strict=True))
    over = context.over(CVP, start, end)
    inside = [held[a : max(b, a + 1)] for a, b in rows]
    # Mean of what is unknown for a part is unknown: numpy's mean does that by itself.
    np.testing.assert_allclose(over.value(), [part.mean() for part in inside], atol=1e-9)
    high = over.anywhere(over.steps.values > 2.0)
    assert high.tolist() == [bool((part > 2.0).any()) for part in inside]


def test_words_that_change_are_no_word_but_yes_counts_for_the_whole() -> None:
    context = Context.read(
        {
            "intervals": [
                {"from_s": 0, "to_s": 40, "breathing": "controlled_no_effort", "chest_open": "no"},
                {"from_s": 40, "to_s": 90, "breathing": "spontaneous", "chest_open": "yes"},
            ]
        }
    )
    start, end = np.array([0.0, 30.0, 60.0, 60.0]), np.array([30.0, 60.0, 90.0, 120.0])
    assert context.over("breathing", start, end).value().tolist() == [
        "controlled_no_effort",
        None,
        "spontaneous",
        None,
    ]
    assert context.over("chest_open", start, end).value().tolist() == ["no", "yes", "yes", "yes"]


@pytest.fixture(scope="module")
def ventilated() -> hx.simulate.Simulated:
    return hx.simulate.simulate(
        hx.simulate.Scenario(duration_s=150.0, breathing="controlled", breath_pulse=0.15, seed=51)
    )


def analysed(made: hx.simulate.Simulated, *intervals: dict, events: tuple = ()) -> hx.Analysis:
    always = {"site": "radial", "tidal_volume_ml_per_kg_pbw": 9.0}
    return hx.analyse(
        made.recording, context={**always, "intervals": list(intervals), "events": list(events)}
    )


def interpretation(result: hx.Analysis, table: str) -> pd.Series:
    return result.verdicts("ppv", table=table)["reasons"]


def test_an_effort_in_the_middle_of_a_window_limits_it_and_the_recording(
    ventilated: hx.simulate.Simulated,
) -> None:
    """Spontaneous from 40 to 50 s: it begins after the window from 30 s did, and ends before the next."""
    result = analysed(
        ventilated,
        {"to_s": 40, "breathing": "controlled_no_effort"},
        {"from_s": 40, "to_s": 50, "breathing": "spontaneous"},
        {"from_s": 50, "breathing": "controlled_no_effort"},
    )
    limited = interpretation(result, "windows").str.contains("spontaneous")
    assert limited.tolist() == [False, True, False, False, False]
    assert interpretation(result, "record").str.contains("spontaneous").all()
    saved = interpretation(result, "breaths").str.contains("spontaneous")
    touched = (result.breaths["end_s"] > 40) & (result.breaths["start_s"] < 50)
    assert saved.tolist() == touched.tolist()


def test_a_pressure_that_changes_in_a_window_counts_by_its_time(ventilated: hx.simulate.Simulated) -> None:
    """Systemic resistance uses the mean of the central venous pressure: 6 for 10 s and 12 for 20 s are 10."""
    flow = {"reference_flow_l_per_min": 5.0, "reference_flow_window_s": 150.0}
    changed = analysed(ventilated, flow, {"to_s": 40, CVP: 6.0}, {"from_s": 40, CVP: 12.0})
    constant = analysed(ventilated, flow, {CVP: 10.0})
    both = [result.windows["svr"].iloc[1] for result in (changed, constant)]
    assert np.isfinite(both).all()
    assert both[0] == pytest.approx(both[1], rel=1e-9)
    partly = analysed(ventilated, flow, {"from_s": 40, CVP: 10.0})
    assert np.isnan(partly.windows["svr"].iloc[1])
    assert np.isfinite(partly.windows["svr"].iloc[2])


def test_no_breath_is_counted_where_somebody_marked_that_there_was_none(
    ventilated: hx.simulate.Simulated,
) -> None:
    free = analysed(ventilated)
    held = analysed(ventilated, events=({"kind": "apnoea", "from_s": 92.0, "to_s": 118.0},))
    inside = (free.breaths["end_s"] > 92.0) & (free.breaths["start_s"] < 118.0)
    assert inside.sum() >= 4
    assert len(held.breaths) == len(free.breaths) - inside.sum()
    assert np.isfinite(free.windows["ppv"].iloc[3])
    assert np.isnan(held.windows["ppv"].iloc[3])
