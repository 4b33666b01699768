"""Breaths in the catalogue: how beats find their breath, and how values of breaths reach the windows."""

import numpy as np
import pytest

from hemoidx import Context, Index, InputError, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices import Catalogue
from hemoidx.indices.index import Mark
from hemoidx.indices.level import Breathing, Level, Source
from hemoidx.indices.respiratory.breathing import beats_per_breath, breathing_rate
from hemoidx.indices.rules import When, reject
from tests.waves import Float, all_levels, ramps, regular_breaths


def widest(sbp: Float, breath_of_beat: np.ndarray, n_breaths: int) -> Float:
    """Number of the last beat of each breath that has a pressure; NaN if one of its beats has none."""
    out = np.full(n_breaths, np.nan)
    for breath in range(n_breaths):
        inside = np.flatnonzero(breath_of_beat == breath)
        out[breath] = inside[-1] if np.isfinite(sbp[inside]).all() else np.nan
    return out


def entry(**changes: object) -> Index:
    given: dict[str, object] = {
        "name": "widest",
        "title": "Widest",
        "unit": "1",
        "level": "breath",
        "formula": "last beat",
        "inputs": ("beats.sbp", "breath_of_beat", "n_breaths"),
        "function": widest,
    }
    return Index(**{**given, **changes})  # type: ignore[arg-type]


def levels(
    *extra: Index, breathing: Breathing | None = None, **changes: object
) -> tuple[Catalogue, tuple[Level, Level, Level, Level]]:
    catalogue = default_catalogue().with_(extra)
    source = Source(**{**vars(ramps(60)), **changes})  # type: ignore[arg-type]
    return catalogue, all_levels(catalogue, source, breathing)


def test_beats_learn_their_breath_and_breaths_their_beats() -> None:
    # Ramps last a second each: breaths of 5 s from 2 s on hold five of them.
    _, (beats, breaths, windows, record) = levels(breathing=regular_breaths(5.0, 8, 2.0))
    assert beats.keys["breath"][:8].tolist() == [-1, -1, 0, 0, 0, 0, 0, 1]
    assert beats.keys["breath"][-1] == -1
    assert breaths.keys["beats"].tolist() == [5] * 8
    np.testing.assert_allclose(breaths.usable("resp_rate"), 12.0)
    np.testing.assert_allclose(breaths.usable("beats_per_breath"), 5.0)
    # Those that begin at 2, 7, ..., 27 s lie in the first window, the other two in the second.
    assert windows.keys["breaths"][:2].tolist() == [6, 2]
    assert record.keys["breaths"].tolist() == [8]


def test_a_window_needs_three_breaths() -> None:
    _, (_, _, windows, record) = levels(breathing=regular_breaths(5.0, 8, 2.0))
    assert windows.usable("resp_rate")[0] == pytest.approx(12.0)
    assert np.isnan(windows.usable("resp_rate")[1])
    assert [bool(f & mask("too_few_breaths")) for f in windows.facts[:2]] == [False, True]
    # The recording has the median of the windows that have a value.
    assert record.usable("resp_rate")[0] == pytest.approx(12.0)


def test_without_breaths_there_are_no_values_and_a_reason() -> None:
    _, (beats, breaths, windows, record) = levels()
    assert breaths.facts.size == 0
    assert (beats.keys["breath"] == -1).all()
    for level in (windows, record):
        assert np.isnan(level.usable("resp_rate")).all()
        assert (level.facts & mask("too_few_breaths") != 0).all()


def test_what_one_beat_has_its_breath_has() -> None:
    facts = np.zeros(60, dtype=np.int64)
    facts[3] = mask("saturated")
    _, (_, breaths, windows, _) = levels(breathing=regular_breaths(5.0, 11), facts=facts)
    assert [bool(f & mask("saturated")) for f in breaths.facts[:3]] == [True, False, False]
    assert not windows.facts[0] & mask("saturated"), "one beat of thirty is no reason to give up a window"


def test_a_rejected_breath_is_left_out_of_its_window() -> None:
    facts = np.zeros(60, dtype=np.int64)
    facts[12] = mask("ectopic")
    index = entry(rules=reject("ectopic", tables=("breaths",)))
    _, (_, breaths, windows, _) = levels(index, breathing=regular_breaths(5.0, 11), facts=facts)
    used = breaths.usable("widest")
    assert np.flatnonzero(np.isnan(used[:6])).tolist() == [2]
    assert windows.usable("widest")[0] == pytest.approx(np.mean([4, 9, 19, 24, 29]))
    assert windows.values["widest_se"][0] == pytest.approx(np.std([4, 9, 19, 24, 29], ddof=1) / np.sqrt(5))


def test_a_beat_that_was_rejected_reaches_the_breath_as_missing() -> None:
    facts = np.zeros(60, dtype=np.int64)
    facts[7] = mask("low_quality")
    _, (_, breaths, _, _) = levels(entry(), breathing=regular_breaths(5.0, 11), facts=facts)
    assert np.isnan(breaths.values["widest"]).tolist()[:3] == [False, True, False]


def test_what_was_documented_reaches_breaths_and_windows_by_the_beat() -> None:
    context = Context.read({"events": [{"kind": "apnoea", "from_s": 10.0, "to_s": 20.0}]})

    def quiet(apnoea: Float, breath_of_beat: np.ndarray, n_breaths: int) -> Float:
        inside = breath_of_beat >= 0
        return np.bincount(breath_of_beat[inside], apnoea[inside], n_breaths)

    index = entry(inputs=("beats.context.apnoea", "breath_of_beat", "n_breaths"), function=quiet)
    _, (_, breaths, windows, _) = levels(index, breathing=regular_breaths(5.0, 12), context=context.over)
    assert breaths.usable("widest")[:6].tolist() == [0, 0, 5, 5, 0, 0]
    assert windows.usable("widest")[0] == pytest.approx(10.0 / 6.0)


def test_a_window_sees_its_breaths_and_the_place_of_beats_in_them() -> None:
    def seen(rate: Float, row: np.ndarray, phase: Float, beat_row: np.ndarray, n: int) -> Float:
        first = np.array([np.nanmin(phase[beat_row == k], initial=np.inf) for k in range(n)])
        return np.bincount(row[row >= 0], rate[row >= 0], n) + first

    index = entry(
        name="seen",
        level="window",
        inputs=("breaths.resp_rate", "window_of_breath", "breath_phase", "window_of_beat", "n_windows"),
        function=seen,
    )
    _, (_, _, windows, _) = levels(index, breathing=regular_breaths(5.0, 6))
    # Ramps begin a tenth of a second after the full second or on it: the phase tells.
    assert 72.0 <= windows.values["seen"][0] < 72.2


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"inputs": ("windows.sbp",)}, "unknown input 'windows.sbp'"),
        ({"inputs": ("breaths.sbp",)}, "unknown input 'breaths.sbp'"),
        ({"inputs": ("beats.sbd",)}, "did you mean 'beats.sbp'"),
        ({"inputs": ("windows.context.site",)}, "unknown input"),
        ({"name": "breath"}, "is that of a column of the tables"),
        ({"name": "breaths"}, "is that of a column of the tables"),
        ({"level": "sigh"}, "level must be one of beat, breath, window, record"),
        ({"readings": -1.0}, "readings must be a number from 0 on"),
    ],
)
def test_entries_that_cannot_be_are_refused(changes: dict[str, object], complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        default_catalogue().with_([entry(**changes)])


def test_an_index_marks_facts_on_breaths() -> None:
    from hemoidx.facts import Fact

    late = Fact("late", 50, "it is late", "own")
    index = entry(marks=(Mark(late, When(column="widest", above=10.0)),))
    _, (_, breaths, _, _) = levels(index, breathing=regular_breaths(5.0, 4))
    assert (breaths.facts >> 50 & 1).tolist() == [0, 0, 1, 1]


def test_rate_and_beats_of_a_breath() -> None:
    np.testing.assert_allclose(breathing_rate([0.0, 4.0], [4.0, 10.0]), [15.0, 10.0])
    row = np.array([0, 0, 0, 1, -1])
    found = beats_per_breath([0.0, 3.0, 6.0], [3.0, 6.0, 9.0], [0.6, 0.7, 0.8, np.nan, 9.0], row)
    np.testing.assert_allclose(found[0], 3.0 / 0.7)
    assert np.isnan(found[1:]).all()
