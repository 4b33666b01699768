"""The invented cohort of any number of recordings."""

from collections import Counter
from pathlib import Path

import pandas as pd
import pytest

import hemoidx as hx
from hemoidx.errors import InputError
from hemoidx.simulate import context_of, population, write_population


def test_more_recordings_leave_the_first_as_they_are() -> None:
    many = population(300, seed=2)
    assert population(17, seed=2) == many[:17]
    assert population(17, seed=3) != many[:17]
    assert len({one.name for one in many}) == 300
    assert len({one.seed for one in many}) == 300


def test_patients_have_what_is_stated() -> None:
    many = population(600, seed=1)
    table = context_of(many).assign(mean=[one.mean_pressure for one in many])
    sizes = Counter(table.groupby("patient").size())
    assert set(sizes) <= {1, 2, 3}
    assert sizes[1] > sizes[2] > sizes[3] > 0
    # One unit, one way of breathing and one rhythm a patient.
    assert (table.groupby("patient")[["unit", "breathing"]].nunique() == 1).all(axis=None)
    of_patient = table.groupby("patient")["mean"]
    within = table["mean"] - of_patient.transform("mean")
    several = of_patient.transform("size") > 1
    free = int(several.sum()) - int(of_patient.size().gt(1).sum())
    assert (within[several] ** 2).sum() / free == pytest.approx(25.0, rel=0.2)
    lower = table.groupby("unit")["mean"].mean()
    assert lower["unit A"] - lower["unit B"] == pytest.approx(8.0, abs=3.0)
    share = sum(one.rhythm == "atrial_fibrillation" for one in many) / 600
    assert 0.05 < share < 0.16
    assert sum(any(e.kind == "not_pulsatile" for e in one.events) for one in many) > 10
    assert all(
        not one.events or one.events[0].kind in ("not_pulsatile", "open_to_air")
        for one in population(200, disturbed=0.0)
    )


def test_it_is_written_with_its_context(tmp_path: Path) -> None:
    context = write_population(tmp_path / "a", 3, seed=5, duration_s=90.0)
    write_population(tmp_path / "b", 3, seed=5, duration_s=90.0, truth=True)
    table = pd.read_csv(context)
    assert list(table.columns) == ["record_id", "patient", "unit", "breathing", "site"]
    for name in table["record_id"]:
        assert (tmp_path / "a" / f"{name}.dat").read_bytes() == (tmp_path / "b" / f"{name}.dat").read_bytes()
        assert "invented" in " ".join(hx.load(tmp_path / "a" / name).attrs["comments"])
    assert not list((tmp_path / "a").glob("*.parquet"))
    assert len(list((tmp_path / "b").glob("*.truth_beats.parquet"))) == 3


def test_what_cannot_be_used_is_refused() -> None:
    with pytest.raises(InputError, match="n >= 1"):
        population(0)
    with pytest.raises(InputError, match="disturbed"):
        population(1, disturbed=3.0)
