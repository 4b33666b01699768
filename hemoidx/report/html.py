"""Just enough HTML: elements as nested calls, and every piece of text escaped on its way in."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape
from importlib.resources import files

_VOID = frozenset({"meta", "img", "br", "hr"})


class Markup(str):
    """Text that is HTML already; everything else is escaped before it enters a page."""

    __slots__ = ()


Piece = str | Iterable["Piece"]


def _inner(piece: Piece) -> str:
    if isinstance(piece, Markup):
        return piece
    if isinstance(piece, str):
        return escape(piece, quote=False)
    return "".join(_inner(part) for part in piece)


def tag(name: str, /, *children: Piece, **attributes: str) -> Markup:
    """
    Make one element.

    Parameters
    ----------
    name : str
        Name of the element.
    *children : str, Markup or iterables of them
        Its content; plain strings are escaped.
    **attributes : str
        Its attributes; a trailing underscore is dropped (`class_`) and others become hyphens.

    Returns
    -------
    Markup
        The element.

    Examples
    --------
    >>> tag("p", "systolic < 90", class_="note")
    '<p class="note">systolic &lt; 90</p>'
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"' for key, value in attributes.items()
    )
    if name in _VOID:
        return Markup(f"<{name}{written}>")
    return Markup(f"<{name}{written}>{_inner(children)}</{name}>")


def table(
    head: Iterable[Piece],
    rows: Iterable[Iterable[Piece]],
    *,
    caption: str = "",
    words: int = 1,
    last_words: int = 0,
) -> Markup:
    """
    Make a table that scrolls sideways where the page is too narrow for it.

    Parameters
    ----------
    head : iterable of str or Markup
        Column names.
    rows : iterable of rows
        Cells of each row.
    caption : str
        What the table holds.
    words : int
        How many columns, from the left, hold words; the others hold numbers and are set to the right.
    last_words : int
        How many columns, from the right, hold words too.
    """
    names = list(head)
    numbers = range(words, len(names) - last_words)
    kind = ["number" if place in numbers else "words" for place in range(len(names))]
    lines = [
        tag("tr", [tag("td", cell, class_=k) for k, cell in zip(kind, row, strict=True)]) for row in rows
    ]
    heading = tag("tr", [tag("th", name, class_=k, scope="col") for k, name in zip(kind, names, strict=True)])
    parts = [tag("caption", caption)] if caption else []
    return tag("div", tag("table", parts, tag("thead", heading), tag("tbody", lines)), class_="wide")


def picture(png: bytes, alternative: str, caption: Piece, *, narrow: bool = False) -> Markup:
    """Make a figure that carries its own picture; `alternative` says in words what it shows."""
    source = "data:image/png;base64," + base64.b64encode(png).decode("ascii")
    image = tag("img", src=source, alt=alternative)
    return tag("figure", image, tag("figcaption", caption), class_="narrow" if narrow else "full")


def section(title: str, *children: Piece) -> Markup:
    """Make a section under its heading."""
    return tag("section", tag("h2", title), *children)


def page(title: str, *children: Piece) -> str:
    """Make a whole page with the house style inside it; it asks nothing of any network."""
    style = files("hemoidx.report").joinpath("page.css").read_text(encoding="utf-8")
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", title),
        tag("style", Markup(style)),
    )
    return "<!doctype html>\n" + tag("html", head, tag("body", tag("main", *children)), lang="en-GB") + "\n"
