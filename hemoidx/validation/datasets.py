"""Published data sets that ship with the package: small tables out of papers on agreement."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from hemoidx.errors import DataUnavailableError

if TYPE_CHECKING:
    import pandas as pd


def dataset_names() -> list[str]:
    """Names of the data sets."""
    folder = files("hemoidx.validation").joinpath("data")
    return sorted(item.name.removesuffix(".csv") for item in folder.iterdir() if item.name.endswith(".csv"))


def dataset(name: str) -> pd.DataFrame:
    """
    Read a published data set.

    Parameters
    ----------
    name : str
        One of `dataset_names`, for instance "cardiac_output_1999".

    Returns
    -------
    pandas.DataFrame
        The table; ``attrs`` holds ``title`` and ``source``.

    Raises
    ------
    DataUnavailableError
        If there is no such data set.

    Examples
    --------
    >>> dataset("cardiac_output_1999").shape
    (60, 4)
    """
    import pandas as pd

    if name not in dataset_names():
        raise DataUnavailableError(f"no data set {name!r}; there are {', '.join(dataset_names())}")
    file = files("hemoidx.validation").joinpath("data", f"{name}.csv")
    with file.open(encoding="utf-8") as lines:
        title, source = (next(lines).removeprefix("# ").strip() for _ in range(2))
        table: pd.DataFrame = pd.read_csv(lines)
    table.attrs = {"title": title, "source": source.removeprefix("Source: ")}
    return table
