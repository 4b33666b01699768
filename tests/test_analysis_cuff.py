"""Cuff values beside the line: pairs, repeats, masked stretches, words."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import hemoidx as hx
from hemoidx.analysis.cuff import measurements
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.simulate import Event, Scenario, simulate


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four minutes of a line, opened for a while, and a cuff that reads 5, 3 and 2 mmHg low."""
    folder = tmp_path_factory.mktemp("case")
    events = (Event("open_to_air", 150.0, 50.0),)
    rec = simulate(Scenario(seed=5, duration_s=240.0, events=events)).recording
    name = hx.recordings.choose_arterial(rec)
    seconds = np.asarray(rec[name][rec[name].dims[0]])
    pd.DataFrame({"Time": seconds, "x/ART": rec[name].to_numpy()}).to_csv(folder / "ART.csv", index=False)
    result = hx.analyse(hx.load(folder))
    for track, index, low in (("NIBP_SBP", "sbp", 5), ("NIBP_MBP", "mbp", 3), ("NIBP_DBP", "dbp", 2)):
        beats = result.beats
        rows = []
        for at in (50.0, 101.0, 175.0):
            near = beats[(beats.onset_s >= at - 30) & (beats.end_s <= at + 30)]
            truth = float(near[index].median()) if at < 150 else 90.0
            rows.append((at, truth - low))
            if at == 50.0:
                rows.append((at + 5, truth - low))
        pd.DataFrame(rows, columns=["Time", f"x/{track}"]).to_csv(folder / f"{track}.csv", index=False)
    return folder


def test_difference_is_line_less_cuff_and_masked_stretches_have_no_pair(case: Path) -> None:
    check = hx.analyse(hx.load(case)).cuff_check()
    table = check.summary.set_index("statistic")
    assert list(table["n"]) == [2, 2, 2]
    assert list(table["n_unpaired"]) == [1, 1, 1]
    # The median stands for the window's own statistic, which differs from it by parts of a mmHg.
    np.testing.assert_allclose(table.loc[["systolic", "mean", "diastolic"], "bias"], [5, 3, 2], atol=0.6)
    masked = check.pairs[check.pairs["time_s"] == 175.0]
    assert len(masked) == 3
    assert masked["line"].isna().all()
    assert (masked["reason"] != "").all()
    assert "no reference" in repr(check)


def test_report_tells_of_the_cuff_only_where_there_is_one(case: Path) -> None:
    from hemoidx.report import render

    assert "Beside the cuff" in render(hx.analyse(hx.load(case)))
    alone = hx.analyse(hx.load(case, channels="ART"))
    assert "Beside the cuff" not in render(alone)
    with pytest.raises(DataUnavailableError, match="holds no cuff values"):
        alone.cuff_check()


def test_repeats_count_once() -> None:
    seconds = np.array([0.0, 2.0, 4.0, 40.0, 41.0, 60.0])
    values = np.array([120.0, 120.0, np.nan, 120.0, 118.0, 118.0])
    at, value = measurements(seconds, values)
    assert at.tolist() == [0.0, 40.0, 41.0]
    assert value.tolist() == [120.0, 120.0, 118.0]


@pytest.mark.parametrize("around_s", [0.0, -1.0, float("nan")])
def test_stretch_must_have_a_length(case: Path, around_s: float) -> None:
    with pytest.raises(InputError, match="around_s"):
        hx.analyse(hx.load(case, channels="ART")).cuff_check(around_s)
