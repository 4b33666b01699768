"""What a paper has to cite: indices, databases, software, statistics."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from ..opendata import Databases
    from .opened import Cohort

_DOI = re.compile(r"doi[:\s]+(10\.\d{4,9}/[^\s,;()]+(?:\([^\s()]*\)[^\s,;()]*)*)", re.IGNORECASE)
_YEAR = re.compile(r"\b(1[89]\d\d|20\d\d)\b")
_REMARK = re.compile(r"\s*\(([^()]*)\)\s*\.?$")
_NO_SOURCE = ("common practice, no source", "our convention", "the number of")
_SPECIAL = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
    "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
}  # fmt: skip

#: What the work rests on beside hemoidx; quoted from memory.
SOFTWARE = {
    "NumPy": "Harris CR, Millman KJ, van der Walt SJ and others. Array programming with NumPy. Nature "
    "2020;585:357-362. doi:10.1038/s41586-020-2649-2 (from memory)",
    "SciPy": "Virtanen P, Gommers R, Oliphant TE and others. SciPy 1.0: fundamental algorithms for "
    "scientific computing in Python. Nat Methods 2020;17:261-272. doi:10.1038/s41592-019-0686-2 "
    "(from memory)",
    "pandas": "McKinney W. Data structures for statistical computing in Python. Proc 9th Python in Science "
    "Conf 2010:56-61. doi:10.25080/Majora-92bf1922-00a (from memory)",
    "xarray": "Hoyer S, Hamman J. xarray: N-D labeled arrays and datasets in Python. J Open Res Softw "
    "2017;5:10. doi:10.5334/jors.148 (from memory)",
    "Matplotlib": "Hunter JD. Matplotlib: a 2D graphics environment. Comput Sci Eng 2007;9:90-95. "
    "doi:10.1109/MCSE.2007.55 (from memory)",
}
STATISTICS = {
    "intraclass correlation": "Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater "
    "reliability. Psychol Bull 1979;86:420-428. doi:10.1037/0033-2909.86.2.420 (from memory)",
    "worth of clustered readings": "Kish L. Survey Sampling. Wiley 1965 (from memory)",
    "interval of a median": "Conover WJ. Practical Nonparametric Statistics. Wiley, 3rd edition 1999 (from "
    "memory)",
}
COLUMNS = ("kind", "used_for", "key", "citation", "year", "doi", "remark")


def citations(cohort: Cohort, names: Iterable[str]) -> pd.DataFrame:
    """
    List what has to be cited.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    names : iterable of str
        Indices used.

    Returns
    -------
    pandas.DataFrame
        One row a source: ``kind`` (software, database, index, statistics, or "no source" for what is common
        practice or our own convention), ``used_for``, ``key`` of the BibTeX entry ("" for no source),
        ``citation``, ``year`` and ``doi`` where they are known, ``remark`` on how it is known.
    """
    import pandas as pd

    version = cohort.info["hemoidx"]
    own = f"hemoidx, version {version}, algorithm {cohort.info['cohort']['settings']['algorithm']}"
    rows = [_row("software", "analysis", f"{own} (add the commit; `hemoidx --version`)", "hemoidx")]
    rows += [_row("software", name, text, name) for name, text in SOFTWARE.items()]
    rows += [
        _row("database", title, text, f"database {slug}")
        for slug, (title, text) in databases_of(cohort).items()
    ]
    for name in dict.fromkeys(names):
        index = cohort.catalogue[name]
        rows += [_row("index", index.name, text, text) for text in index.sources]
    rows += [_row("statistics", use, text, text) for use, text in STATISTICS.items()]
    return pd.DataFrame(_merged(rows), columns=list(COLUMNS))


def databases_of(cohort: Cohort) -> dict[str, tuple[str, str]]:
    """
    Find the databases that recordings of a cohort lie in.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    dict of str to (str, str)
        By slug: title with version, and citation. A recording belongs to a database that the manifest knows
        if a folder above it has its slug; where it came from otherwise nobody can tell.
    """
    from ..opendata import databases

    known = databases()
    parts = {part for source in cohort.members["source"].astype(str) for part in PurePath(source).parts[:-1]}
    return {
        slug: (f"{entry.title} {entry.version or ''}".strip(), _of_database(known, slug))
        for slug, entry in known.items()
        if slug in parts
    }


def _of_database(known: Databases, slug: str) -> str:
    entry = known[slug]
    if entry.citation is None:
        return f"{entry.title}. {entry.landing} (its citation is not known here)"
    remark = " (from memory)" if "citation" in entry.known["recalled"] else ""
    return f"{known.citation(slug)}{remark}"


def bibtex(table: pd.DataFrame) -> str:
    """
    Write citations as BibTeX.

    Parameters
    ----------
    table : pandas.DataFrame
        What `citations` returned.

    Returns
    -------
    str
        One entry a source: year and DOI where they are known; all else stands as one text in ``note``, since
        authors and titles are not kept apart in the catalogue.
    """
    entries = []
    for _, row in table[table["key"] != ""].iterrows():
        fields = {"note": _tex(row["citation"]), "year": row["year"], "doi": row["doi"]}
        fields["annote"] = _tex(row["remark"])
        body = ",\n".join(f"  {name} = {{{value}}}" for name, value in fields.items() if value)
        entries.append(f"@misc{{{row['key']},\n{body}\n}}")
    return "\n\n".join(entries) + "\n"


def plain(table: pd.DataFrame) -> str:
    """Write citations as numbered lines of text, what they were used for behind each."""
    cited = table[table["key"] != ""]
    lines = []
    for number, (_, row) in enumerate(cited.iterrows(), start=1):
        doi = f" doi:{row['doi']}" if row["doi"] and row["doi"] not in row["citation"] else ""
        remark = f" [{row['remark']}]" if row["remark"] else ""
        lines.append(f"{number}. {row['citation']}{doi}{remark} ({row['kind']}: {row['used_for']})")
    none = table[table["key"] == ""]
    if len(none):
        lines += ["", "Without a published source:"]
        lines += [f"- {row['used_for']}: {row['citation']}" for _, row in none.iterrows()]
    return "\n".join(lines) + "\n"


def _row(kind: str, used_for: str, text: str, name: str) -> dict[str, str]:
    doi = _DOI.search(text)
    remark = _REMARK.search(text)
    bare = text
    if remark is not None and "doi" not in remark.group(1):
        bare = text[: remark.start()]
    else:
        remark = None
    year = _YEAR.search(bare)
    sourceless = kind == "index" and bare.startswith(_NO_SOURCE)
    return {
        "kind": "no source" if sourceless else kind,
        "used_for": used_for,
        "key": "" if sourceless else _key(name, "" if year is None else year.group(0)),
        "citation": bare.strip(),
        "year": "" if year is None else year.group(0),
        "doi": "" if doi is None else doi.group(1).rstrip("."),
        "remark": "" if remark is None else remark.group(1),
    }


def _key(name: str, year: str) -> str:
    first = re.findall(r"[A-Za-z]+", name)
    return f"{first[0].lower() if first else 'source'}{'' if name in SOFTWARE else year}"


def _merged(rows: list[dict[str, str]]) -> list[dict[str, Any]]:
    """One row a source, and a key of its own for each."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for row in rows:
        same = found.setdefault((row["kind"], row["doi"] or row["citation"]), {**row, "used_for": []})
        if row["used_for"] not in same["used_for"]:
            same["used_for"].append(row["used_for"])
    out = [{**row, "used_for": ", ".join(row["used_for"])} for row in found.values()]
    taken: set[str] = set()
    for row in out:
        if not row["key"]:
            continue
        key, ending = row["key"], "a"
        while row["key"] in taken:
            row["key"], ending = f"{key}{ending}", chr(ord(ending) + 1)
        taken.add(row["key"])
    return out


def _tex(text: str) -> str:
    return "".join(_SPECIAL.get(letter, letter) for letter in text)
