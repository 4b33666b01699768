"""Tables on disk: they explain themselves, and are whole or not there."""

import json
import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import hemoidx as hx
from hemoidx import DataUnavailableError, Index, InputError, default_catalogue, has_fact, read_table, tables
from hemoidx.facts import mask
from hemoidx.simulate import Scenario, simulate

COLUMNS = {
    "beat": np.arange(3),
    "onset_s": np.array([0.1, 0.9, 1.7]),
    "sbp": np.array([120.0, np.nan, 118.0]),
    "facts": np.array([0, mask("low_quality"), mask("ectopic")], dtype=np.int64),
}


def beats() -> pd.DataFrame:
    keys = {"record_id": "é 1", "channel": "ABP"}
    attrs = tables.attributes("beats", (*keys, *COLUMNS), default_catalogue())
    return tables.frame(COLUMNS, keys, attrs)


def test_a_table_comes_back_with_all_that_describes_it(tmp_path: Path) -> None:
    table = beats()
    tables.write_table(table, tmp_path / "beats.parquet")
    again = read_table(tmp_path / "beats.parquet")
    pd.testing.assert_frame_equal(again, table)
    assert again.attrs == table.attrs
    assert again.attrs["units"]["sbp"] == "mmHg"
    assert again.attrs["long_names"]["sbp"] == "Systolic pressure"
    assert "not for patient care" in again.attrs["caution"]
    assert has_fact(again, "ectopic").tolist() == [False, False, True]
    assert table.attrs, "writing must not empty the attrs of the table that was passed in"


def test_other_tools_find_units_and_flags_in_the_schema(tmp_path: Path) -> None:
    tables.write_table(beats(), tmp_path / "beats.parquet")
    file = pq.ParquetFile(tmp_path / "beats.parquet")
    sbp, facts = (file.schema_arrow.field(name).metadata for name in ("sbp", "facts"))
    assert sbp[b"units"] == b"mmHg"
    meanings, masks = facts[b"flag_meanings"].split(), facts[b"flag_masks"].split()
    assert int(masks[meanings.index(b"low_quality")]) == mask("low_quality")
    assert file.metadata.row_group(0).column(3).compression == "ZSTD"


def test_a_table_without_rows_keeps_its_columns(tmp_path: Path) -> None:
    attrs = tables.attributes("spans", ("record_id", "start_s", "end_s", "kind"))
    columns = {"start_s": np.zeros(0), "end_s": np.zeros(0), "kind": np.zeros(0, dtype=object)}
    table = tables.frame(columns, {"record_id": "a"}, attrs)
    tables.write_table(table, tmp_path / "spans.parquet")
    assert list(read_table(tmp_path / "spans.parquet").columns) == ["record_id", "start_s", "end_s", "kind"]


def _with_error(index: Index) -> list[str]:
    return [index.column, *([f"{index.column}_se"] if index.has_se else [])]


def test_every_column_of_the_catalogue_is_described() -> None:
    catalogue = default_catalogue()
    columns = [c for index in catalogue.in_table("windows") for c in _with_error(index)]
    attrs = tables.attributes("windows", columns, catalogue)
    assert attrs["units"]["hr_se"] == "1/min"
    assert attrs["long_names"]["mbp_se"] == "Mean arterial pressure: random standard error"


def test_a_failed_write_leaves_the_old_table(tmp_path: Path) -> None:
    path = tmp_path / "beats.parquet"
    tables.write_table(beats(), path)
    before = path.read_bytes()
    broken = beats()
    broken["odd"] = [object(), 1, "x"]
    with pytest.raises(Exception, match="odd"):
        tables.write_table(broken, path)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["beats.parquet"]


def test_what_is_no_table_of_ours_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataUnavailableError, match="there is no file"):
        read_table(tmp_path / "none.parquet")
    (tmp_path / "cut.parquet").write_bytes(b"PAR1xxxx")
    with pytest.raises(InputError, match="not a Parquet file, or cut off"):
        read_table(tmp_path / "cut.parquet")
    pd.DataFrame({"a": [1]}).to_parquet(tmp_path / "other.parquet")
    with pytest.raises(InputError, match="not a table of hemoidx"):
        read_table(tmp_path / "other.parquet")


def test_a_later_schema_is_refused(tmp_path: Path) -> None:
    table = beats()
    table.attrs["schema_version"] = tables.SCHEMA_VERSION + 1
    tables.write_table(table, tmp_path / "beats.parquet")
    with pytest.raises(InputError, match="install a newer one"):
        read_table(tmp_path / "beats.parquet")


def test_an_unknown_fact_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="knows no fact 'ectopia'"):
        has_fact(beats(), "ectopia")


def test_descriptions_travel_with_every_piece_of_a_table_and_are_not_copied(tmp_path: Path) -> None:
    result = hx.analyse(simulate(Scenario(seed=3, duration_s=40.0)).recording)
    for table in (result.windows, pickle.loads(pickle.dumps(result.windows)), saved(result, tmp_path)):
        assert table.attrs["units"]["sbp"] == "mmHg"
        assert table[["sbp", "dbp"]].attrs["units"] is table.attrs["units"]
        with pytest.raises(TypeError, match="not changed in place"):
            table.attrs["units"]["sbp"] = "kPa"
        json.dumps(table.attrs)


def saved(result: hx.Analysis, folder: Path) -> pd.DataFrame:
    result.save(folder / "out")
    return hx.read_table(folder / "out" / "windows.parquet")
