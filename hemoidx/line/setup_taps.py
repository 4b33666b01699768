"""Taps of the set-up sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hemoidx.errors import InputError

from .setup_fields import check_fields, flag, left_open, specs, unknown_keys, word

#: How the handle of a tap stands: through from cannula to transducer, or else.
TURNS = ("through", "closed_to_cannula", "closed_to_transducer", "open_to_air", "between")


@dataclass(frozen=True)
class Tap:
    """
    One tap between transducer and cannula.

    Attributes
    ----------
    where : str, optional
        ``near_transducer``, ``along_the_line`` or ``near_cannula``.
    turned : str, optional
        How its handle stands, one of `TURNS`; ``between`` is part of the way.
    tight : bool, optional
        Whether its connections are tight.

    Raises
    ------
    InputError
        If a value cannot be.
    """

    where: str | None = word("where it sits", "near_transducer", "along_the_line", "near_cannula")
    turned: str | None = word("how its handle stands", *TURNS)
    tight: bool | None = flag("whether its connections are tight")

    def __post_init__(self) -> None:
        if problems := check_fields(self):
            raise InputError("; ".join(problems))


def read_taps(given: Any) -> tuple[Tap, ...] | None:
    """
    Read taps from what was given: taps, or mappings of their fields.

    Raises
    ------
    InputError
        If one cannot be; all problems in one line.
    """
    if left_open(given):
        return None
    if not isinstance(given, list | tuple) or not all(isinstance(tap, Tap | Mapping) for tap in given):
        raise InputError("taps: need a list with one mapping of where, turned and tight for each tap")
    taps, problems = [], []
    for i, tap in enumerate(given, start=1):
        if isinstance(tap, Tap):
            taps.append(tap)
            continue
        found = unknown_keys(tap, specs(Tap))
        try:
            taps.append(Tap(**{name: tap[name] for name in specs(Tap) if name in tap}))
        except InputError as error:
            found.append(str(error))
        problems += [f"taps[{i}]: {problem}" for problem in found]
    if problems:
        raise InputError("; ".join(problems))
    return tuple(taps)
