"""The validation as one self-contained page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx.report.html import Piece, page, section, table, tag

from .suite import AGREES, CAUTION, counts, failed

if TYPE_CHECKING:
    import pandas as pd

_HEAD = ("check", "what the source says", "source", "verdict", "expected", "got", "within", "unit")


def render(found: pd.DataFrame, version: str) -> str:
    """
    Make the page.

    Parameters
    ----------
    found : pandas.DataFrame
        What `hemoidx.validation.suite.run` returned.
    version : str
        Version of hemoidx.

    Returns
    -------
    str
        A whole HTML page; what was seen in print stands before what is quoted from memory.
    """
    parts: list[Piece] = [
        tag("h1", "Validation of hemoidx"),
        tag("div", tag("p", tag("strong", CAUTION)), class_="note"),
        tag("p", f"hemoidx {version}. ", " ".join(counts(found)), class_="lead"),
    ]
    wrong = failed(found)
    if len(wrong):
        parts.append(section("What disagrees", _rows(wrong)))
    for title, of in found.groupby("collection", sort=False):
        pieces: list[Piece] = []
        outside, own = of[of["external"]], of[~of["external"]]
        if len(outside):
            pieces.append(_rows(outside))
        if len(own):
            pieces += [tag("h3", "From memory, or our own"), _rows(own)]
        parts.append(section(str(title), pieces))
    return page("Validation of hemoidx", *parts)


def _rows(of: pd.DataFrame) -> Piece:
    rows = [
        [
            tag("code", row["id"]),
            [str(row["statement"]), tag("br"), tag("span", str(row["function"]), class_="quiet")],
            str(row["source"]),
            [str(row["verdict"]), [tag("br"), str(row["gap"])] if row["verdict"] != AGREES else []],
            str(row["expected"]),
            str(row["got"]),
            "" if row["tolerance"] != row["tolerance"] else f"{row['tolerance']:g}",
            str(row["unit"]),
        ]
        for row in of.to_dict("records")
    ]
    return table(_HEAD, rows, words=4)
