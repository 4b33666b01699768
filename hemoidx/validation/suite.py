"""The validation suite: every reference value held against the function it checks, and what came out."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hemoidx.errors import HemoidxError
from hemoidx.output import whole_folder

from .references import References, load

if TYPE_CHECKING:
    import pandas as pd

AGREES, DISAGREES, CONTRADICTS = "agrees", "disagrees", "contradicts print, as documented"
#: What counts as evidence from outside: read in print, or worked out from a printed formula.
EXTERNAL = ("seen", "computed")
COLUMNS = (
    "collection",
    "id",
    "statement",
    "kind",
    "known",
    "external",
    "expected",
    "got",
    "tolerance",
    "unit",
    "verdict",
    "gap",
    "source",
    "function",
    "why",
)
DESCRIPTION = "validation.json"
CAUTION = (
    "Agreement with a published value shows that a formula was typed right, not that it holds in a patient. "
    "Retrospective research and teaching only; local codes and licensed practice come first."
)


def collections() -> list[str]:
    """Names of the collections of reference values that come with hemoidx."""
    folder = files("hemoidx.validation").joinpath("references")
    return sorted(item.name.removesuffix(".yaml") for item in folder.iterdir() if item.name.endswith(".yaml"))


def run(names: Iterable[str] | None = None) -> pd.DataFrame:
    """
    Hold all reference values against hemoidx.

    Parameters
    ----------
    names : iterable of str, optional
        Collections; all by default.

    Returns
    -------
    pandas.DataFrame
        One row a check: what the source says, expected, got, tolerance and `verdict`. `external` marks what
        was seen in print or worked out from a printed formula; values quoted from memory run too, apart.
    """
    import pandas as pd

    rows = [row for name in (collections() if names is None else names) for row in _rows(load(name))]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _rows(of: References) -> list[dict[str, Any]]:
    rows = []
    for check in of.checks:
        try:
            got = check.value()
            gap = check.disagreement(got)
        except (HemoidxError, ArithmeticError, ValueError, TypeError) as error:
            got, gap = None, f"{type(error).__name__}: {' '.join(str(error).split())}"
        if check.contradicts:
            # Strict: a contradiction that has gone must be looked at again.
            verdict = CONTRADICTS if gap else DISAGREES
            gap = check.contradicts if gap else f"agrees now, yet is documented: {check.contradicts}"
        else:
            verdict = DISAGREES if gap else AGREES
        rows.append(
            {
                "collection": of.title,
                "id": check.name,
                "statement": check.statement,
                "kind": check.kind,
                "known": check.known,
                "external": check.known in EXTERNAL and check.kind != "pin",
                "expected": _plain(check.expected),
                "got": _plain(got),
                "tolerance": float("nan") if check.tolerance is None else float(check.tolerance),
                "unit": check.unit,
                "verdict": verdict,
                "gap": gap,
                "source": check.source,
                "function": check.function,
                "why": check.why,
            }
        )
    return rows


def _plain(value: Any) -> str:
    """Write a value, expected or got, in few words."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int | float):
        return f"{value:.9g}"
    if isinstance(value, dict):
        return ", ".join(f"{how} {_plain(limit)}" for how, limit in value.items())
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_plain, value))}]"
    return str(value)


def failed(table: pd.DataFrame) -> pd.DataFrame:
    """Rows that disagree."""
    return table[table["verdict"] == DISAGREES]


def counts(table: pd.DataFrame) -> list[str]:
    """Say in sentences how many checks there are, of what kind, and how they came out."""
    kinds = Counter(str(kind).replace("_", " ") for kind in table["kind"])
    external = int(table["external"].sum())
    verdicts = Counter(table["verdict"])
    return [
        f"{len(table)} checks: " + ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()) + ".",
        f"{external} rest on values seen in print or worked out from a printed formula, "
        f"{len(table) - external} on values quoted from memory or our own.",
        "; ".join(f"{n} {verdict}" for verdict, n in verdicts.most_common()) + ".",
    ]


def text(table: pd.DataFrame) -> str:
    """
    Write the table for a terminal, collection by collection.

    Parameters
    ----------
    table : pandas.DataFrame
        What `run` returned.

    Returns
    -------
    str
        One line a check: id, expected, got, tolerance, unit, verdict; what disagrees says how.
    """
    lines = []
    for title, part in table.groupby("collection", sort=False):
        lines += ["", str(title), f"  {'check':34}{'expected':>24}{'got':>24}{'within':>10}  unit, verdict"]
        for row in part.to_dict("records"):
            within = "" if row["tolerance"] != row["tolerance"] else f"{row['tolerance']:g}"
            mark = "" if row["external"] else " (from memory or our own)"
            told = (_cut(row["id"], 33), _cut(row["expected"], 23), _cut(row["got"], 23))
            cells = f"  {told[0]:34}{told[1]:>24}{told[2]:>24}{within:>10}  "
            lines.append(f"{cells}{row['unit']}, {row['verdict']}{mark}")
            lines.append(f"      {row['source']}")
            if row["gap"]:
                lines.append(f"      {row['gap']}")
    return "\n".join([*lines[1:], "", *counts(table), CAUTION])


def _cut(words: Any, width: int) -> str:
    told = str(words)
    return told if len(told) <= width else f"{told[: width - 3]}..."


def write(table: pd.DataFrame, folder: Path) -> None:
    """
    Write what came out as Parquet, JSON and a page, whole or not at all.

    Parameters
    ----------
    table : pandas.DataFrame
        What `run` returned.
    folder : path
        A new or empty folder, or one that holds a validation.
    """
    from hemoidx import __version__
    from hemoidx.output import refuse_foreign

    from .page import render

    refuse_foreign(folder, DESCRIPTION)
    with whole_folder(folder) as part:
        table.to_parquet(part / "validation.parquet", compression="zstd", index=False)
        rows = json.loads(table.to_json(orient="records"))
        told = {"hemoidx": __version__, "caution": CAUTION, "counts": counts(table), "checks": rows}
        (part / DESCRIPTION).write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", "utf-8")
        (part / "validation.html").write_text(render(table, __version__), "utf-8")
