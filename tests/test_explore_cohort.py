"""Points of a cohort: what is chosen, how groups compare, and the code and files that keep it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.explore import CohortView
from hemoidx.explore.choosing import condition, kept, rows_of


def table(n: int = 300, seed: int = 0) -> pd.DataFrame:
    """Invented recordings of two wards; one value in ten is not known."""
    rng = np.random.default_rng(seed)
    mbp = rng.normal(80.0, 12.0, n)
    mbp[rng.random(n) < 0.1] = np.nan
    rows = pd.DataFrame(
        {
            "record_id": [f"r{k:04d}" for k in range(n)],
            "ward": rng.choice(["north", "south"], n),
            "mbp": mbp,
            "mbp_third": mbp + rng.normal(2.0, 3.0, n),
            "ppv": rng.gamma(3.0, 3.0, n),
        }
    )
    rows.attrs["units"] = {"mbp": "mmHg", "mbp_third": "mmHg", "ppv": "%"}
    return rows


@settings(max_examples=40, deadline=None)
@given(
    st.tuples(st.floats(40, 120), st.floats(40, 120)),
    st.lists(st.sampled_from(["north", "south"]), unique=True),
)
def test_conditions_are_what_their_code_says(bounds: tuple[float, float], wards: list[str]) -> None:
    rows = table(120)
    keep = {"mbp": sorted(bounds), "ward": wards}
    by_hand = (rows["mbp"] >= min(bounds)) & (rows["mbp"] <= max(bounds)) & rows["ward"].isin(wards)
    assert kept(rows, keep).tolist() == by_hand.tolist()
    assert eval(condition(rows, keep), {"rows": rows}).tolist() == by_hand.tolist()


def test_a_drag_over_the_points_selects_and_the_code_repeats_it() -> None:
    rows = table()
    view = CohortView(rows, x="mbp", y="ppv", keep={"ward": ["north"], "mbp": [60.0, 90.0]})
    view.widget  # noqa: B018
    drag = {"kind": "drag", "area": "points", "done": True, "x0": 100.0, "x1": 70.0, "y0": 4.0, "y1": 12.0}
    view.heard(drag)
    inside = rows["mbp"].between(70, 90) & rows["ppv"].between(4, 12) & (rows["ward"] == "north")
    assert inside.any()
    assert view.selected()["record_id"].tolist() == rows.loc[inside, "record_id"].tolist()
    scope: dict = {"table": rows}
    exec(view.code(), scope)
    pd.testing.assert_frame_equal(scope["chosen"], view.selected())
    assert scope["view"].state == view.state
    view.heard({"kind": "key", "key": "Escape"})
    assert view.state["box"] is None


def test_a_drag_that_goes_on_selects_nothing_yet() -> None:
    view = CohortView(table(), x="mbp", y="ppv")
    view.heard({"kind": "drag", "area": "points", "done": False, "x0": 60, "x1": 70, "y0": 4, "y1": 12})
    assert view.state["box"] is None


def test_a_drag_over_a_distribution_keeps_a_range_of_that_column() -> None:
    view = CohortView(table(), x="mbp", y="ppv")
    view.heard({"kind": "drag", "area": "y", "done": True, "x0": 9.0, "x1": 3.0, "y0": 0, "y1": 1})
    assert view.state["keep"] == {"ppv": [3.0, 9.0]}
    assert view.selected()["ppv"].between(3.0, 9.0).all()


def test_a_click_picks_the_nearest_point_as_the_eye_sees_it() -> None:
    """Axes differ a thousandfold: the nearest point is so in shares of the axes, not in their units."""
    rows = pd.DataFrame({"record_id": ["a", "b", "c"], "u": [0.0, 1.0, 0.5], "v": [0.0, 1000.0, 480.0]})
    view = CohortView(rows, x="u", y="v")
    view.figure()
    view.heard({"kind": "click", "area": "points", "x": 0.9, "y": 700.0, "shift": False})
    assert view.state["picked"] == "b"
    view.widget  # noqa: B018
    assert "Recording b" in view._table.value
    view.heard({"kind": "key", "key": "ArrowRight"})
    assert view.state["picked"] == "c"


def test_agreement_of_groups_is_the_mean_and_its_limits() -> None:
    """Mean and mean -+ 1.96 standard deviations of the differences, by numpy."""
    rows = table()
    view = CohortView(rows, x="mbp", y="mbp_third", by="ward", show="agreement")
    view.figure()
    north = rows[rows["ward"] == "north"]
    d = (north["mbp_third"] - north["mbp"]).dropna()
    ends = d.mean() - 1.96 * d.std(), d.mean() + 1.96 * d.std()
    (words,) = (told for told in view._drawn.words if told.startswith("north"))
    assert f"bias {d.mean():.3g}" in words
    assert f"limits of agreement {ends[0]:.3g} to {ends[1]:.3g}" in words
    assert f"{len(d)} recordings" in words
    with pytest.raises(InputError, match="mbp is in mmHg, ppv in %"):
        view.set(y="ppv")
    assert view.state["y"] == "mbp_third"


def test_few_recordings_get_no_limits_and_no_trend() -> None:
    rows = table(4)
    rows["mbp"] = [80.0, np.nan, np.nan, 81.0]
    rows["mbp_third"] = rows["mbp"] + 1.0
    view = CohortView(rows, x="mbp", y="mbp_third", show="agreement")
    view.figure()
    assert "too few for limits" in view._drawn.words[0]
    view.set(show="trend")
    view.figure()
    assert "too few for a trend" in view._drawn.words[0]


def test_the_selection_is_saved_with_its_code(tmp_path: Path) -> None:
    path = tmp_path / "cohort.parquet"
    table().to_parquet(path)
    view = CohortView(str(path), x="mbp", y="ppv", box=[70, 90, 2, 30])
    written = view.save(tmp_path / "some.csv")
    assert [p.name for p in written] == ["some.csv", "some.py"]
    assert pd.read_csv(written[0])["record_id"].tolist() == view.selected()["record_id"].tolist()
    scope: dict = {}
    exec(written[1].read_text(encoding="utf-8"), scope)
    assert scope["chosen"]["record_id"].tolist() == view.selected()["record_id"].tolist()
    with pytest.raises(InputError, match=r"ends in \.csv"):
        view.save(tmp_path / "some.txt")


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ({"x": "ward"}, "no column of numbers 'ward'"),
        ({"by": "mbp"}, "tells no groups apart"),
        ({"show": "pie"}, "none of values, agreement, trend"),
        ({"keep": {"ward": ["east"]}}, "ward is never 'east'"),
        ({"keep": {"sex": ["m"]}}, "no column 'sex'"),
        ({"picked": "nobody"}, "no recording 'nobody'"),
    ],
)
def test_what_is_not_there_is_named(state: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        CohortView(table(30), **state)


def test_recordings_must_be_told_apart(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no column 'record_id'"):
        CohortView(pd.DataFrame({"a": [1.0], "b": [2.0]}))
    with pytest.raises(InputError, match="'r0000' stands there twice"):
        CohortView(pd.concat([table(3), table(3)]))
    with pytest.raises(DataUnavailableError, match="no such cohort or table"):
        CohortView(tmp_path / "none")


def test_filter_controls_follow_the_state() -> None:
    view = CohortView(table(), x="mbp", y="ppv")
    view.widget  # noqa: B018
    view.set(filter_on="ward")
    control = view._filter_row.children[1]
    control.value = ("south",)
    assert view.state["keep"] == {"ward": ["south"]}
    assert set(view.selected()["ward"]) == {"south"}


class _Cohort:
    """What a cohort gives, as far as its rows are asked for."""

    def __init__(self) -> None:
        self.members = pd.DataFrame(
            {"record_id": ["a", "b"], "ward": ["north", "south"], "hours": [1.0, 2.0]}
        )

    def table(self, name: str) -> pd.DataFrame:
        if name == "record":
            found = pd.DataFrame(
                {"record_id": ["a", "b"], "channel": "ABP", "mbp": [80.0, 70.0], "facts": [0, 0]}
            )
            found.attrs["units"] = {"mbp": "mmHg"}
            return found
        return pd.DataFrame({"record_id": ["a", "a", "b", "b"], "mbp": [80.0, np.nan, 70.0, 70.0]})


def test_rows_of_a_cohort_join_members_summary_and_what_masking_left() -> None:
    rows, cohort, _ = rows_of(_Cohort())
    assert rows["mbp_share"].tolist() == [0.5, 1.0]
    assert rows["ward"].tolist() == ["north", "south"]
    assert "channel" not in rows
    assert rows.attrs["units"] == {"mbp": "mmHg", "mbp_share": "1"}
    assert isinstance(cohort, _Cohort)
    assert hx.explore.CohortView(_Cohort(), x="mbp", y="hours", by="ward").label("mbp") == "mbp [mmHg]"
