"""League tables: what they say of made-up rows, and of simulated patients."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from hemoidx.errors import InputError
from hemoidx.validation import league
from hemoidx.validation.scenes import SCENES, Recorder, as_recording


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    some = (
        "preload fall with reflexes",
        "vasoconstriction",
        "preload rise",
        "preload fall, irregular intervals",
    )
    return league.gather(3, 2026, seconds=120.0, scenes=some)


def made(**columns: Any) -> pd.DataFrame:
    """Rows of one estimator in three patients; the truth falls from 80 to 40."""
    given = {
        "patient": [0, 1, 2], "group": "preload", "scene": "fall", "family": "stroke_volume",
        "index": league.BAR, "unit": "mmHg s", "reading": "masked", "before": 10.0, "after": 5.0,
        "known": 1.0, "true_before": 80.0, "true_after": 40.0,
    }  # fmt: skip
    return pd.DataFrame({**given, **columns})


def test_a_perfect_estimator_has_no_error() -> None:
    table = league.ranked(pd.concat([made(), made(scene="again")]), "stroke_volume")
    row = table.iloc[0]
    assert (row["rms_error"], row["bias"], row["error_percent"], row["followed"]) == (0.0, 0.0, 0.0, 100.0)
    assert (row["concordance"], row["n"]) == (100.0, 6)


def test_errors_are_those_of_hand_arithmetic() -> None:
    # 10 to 6, 5 and 7 of a true half: 48, 40 and 56 mL found of 40.
    found = league.by_scene(made(after=[6.0, 5.0, 7.0])).iloc[0]
    assert found["bias"] == pytest.approx(8.0)
    assert found["upper"] == pytest.approx(8.0 + 1.96 * 8.0)
    assert found["error_percent"] == pytest.approx(1.96 * 8.0 / 40.0 * 100.0)
    assert found["change"] == pytest.approx(-40.0)
    assert found["right"] == 100.0


def test_an_estimator_that_stands_still_or_goes_the_other_way_is_no_concordance() -> None:
    table = league.ranked(made(after=[10.0, 12.0, 5.0]), "stroke_volume").iloc[0]
    assert table["concordance"] == pytest.approx(100.0 / 3.0)
    assert table["n"] == 3


def test_swings_in_mmhg_are_put_on_no_scale() -> None:
    both = made(family="respiratory", true_before=8.0, true_after=16.0, before=8.0, after=15.0)
    found = league.by_scene(both.assign(index="ppv", unit="%")).iloc[0]
    assert found["bias"] == pytest.approx(-1.0)
    other = league.by_scene(both.assign(index="spv", unit="mmHg")).iloc[0]
    assert np.isnan(other["bias"])
    assert other["change"] == pytest.approx(87.5)


def test_worth_tells_kept_from_refused() -> None:
    masked = made(after=[5.0, 5.0, np.nan])
    unmasked = made(after=[5.0, 5.5, 9.0], reading="unmasked")
    refused = made(after=[np.nan, 8.0, 9.0], reading="refused")
    told = league.worth(pd.concat([masked, unmasked, refused])).iloc[0]
    assert told["known_masked"] == pytest.approx(200.0 / 3.0)
    assert told["known_unmasked"] == 100.0
    assert told["rms_masked"] == pytest.approx(0.0)
    assert told["rms_unmasked"] == pytest.approx(5.0 / np.sqrt(2.0))
    assert (told["n_beside"], told["n_alone"]) == (1, 1)
    assert told["rms_kept"] == pytest.approx(0.0)
    assert told["rms_refused"] == pytest.approx(30.0)
    assert told["rms_alone"] == pytest.approx(40.0)


def test_simulated_patients_go_through_it(rows: pd.DataFrame) -> None:
    lines = league.by_scene(rows).set_index(["scene", "index", "reading"])
    # Constriction raises mean pressure while the stroke falls: the bar is wrong there, in direction too.
    told = lines.loc[("vasoconstriction", league.BAR, "masked")]
    assert told["true_change"] < 0 < told["change"]
    table = league.ranked(rows, "stroke_volume").set_index(["index", "reading"])
    assert table.loc[(league.BAR, "masked"), "better_than_bar"] == 0
    better = table.loc[("sv_liljestrand_zander", "masked")]
    assert better["rms_error"] < table.loc[(league.BAR, "masked"), "rms_error"]
    # None follows everything, and the table does not say so.
    assert table["followed"].max() < 100.0
    assert table["rank"].min() == 1


def test_pulse_pressure_variation_leads_the_swings(rows: pd.DataFrame) -> None:
    table = league.ranked(rows, "respiratory", ("preload fall with reflexes", "preload rise"))
    masked = table[table["reading"] == "masked"].set_index("index")
    assert masked.loc["ppv", "concordance"] == 100.0
    assert abs(masked.loc["ppv", "bias"]) < 4.0
    assert masked.loc["ppv", "rank"] < masked.loc["spv", "rank"]
    # With irregular intervals the swing of pulse pressure is not of breathing, and nothing is told.
    lines = league.by_scene(rows).set_index(["scene", "index", "reading"])
    assert lines.loc[("preload fall, irregular intervals", "ppv", "masked"), "n"] == 0


def test_recorders_do_what_they_say() -> None:
    rng = np.random.default_rng(1)
    wave = 90.0 + 20.0 * np.sin(2.0 * np.pi * 10.0 * np.arange(5000) / 125.0)
    damped = Recorder(5.0, 1.0, noise=0.0).recorded(wave, rng)
    # A line of second order at twice its natural frequency, critically damped: 1 / (1 + 2^2).
    assert np.ptp(damped[2500:]) == pytest.approx(40.0 / 5.0, rel=0.05)
    assert np.std(Recorder(noise=2.0).recorded(wave, rng) - wave) == pytest.approx(2.0, rel=0.05)
    shaken = Recorder(noise=0.0, bursts=True).recorded(np.full(20000, 90.0), rng)
    assert 0.05 < np.mean(shaken != 90.0) < 0.4
    assert shaken.max() == 290.0
    assert as_recording(wave)["ABP"].attrs["fs"] == 125.0


def test_what_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="no scene 'flood'"):
        league.gather(1, 1, scenes=("flood",))
    with pytest.raises(InputError, match="family must be one of"):
        league.indices_of("weather")
    assert {scene.group for scene in SCENES.values()} >= {
        "preload", "afterload", "contractility", "damping", "noise", "rhythm",
    }  # fmt: skip
