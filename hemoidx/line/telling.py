"""The measuring chain in words and rows: what was done to the line when, and what is known of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..facts import mask
from .chain import Chain
from .drift import zero_drift
from .dynamics import Dynamics, FlushReading

Rows = dict[str, NDArray[Any]]

_DYNAMICS = (
    *("natural_frequency_hz", "natural_frequency_hz_se", "natural_frequency_hz_low"),
    *("natural_frequency_hz_high", "damping_ratio", "damping_ratio_se", "damping_ratio_low"),
    *("damping_ratio_high", "slow_pole_s", "slow_pole_s_se"),
)
#: Below this many seconds of drift nothing is said about it [h].
_DRIFT_FROM_H = 0.5
# Swings that give a natural frequency further from that of the fit than this factor are none of the line.
_SAME = 1.5
# Why a flush that tells something does not count in what is said of the line.
_EARLIER = "let go before the line was last opened or turned off, or over 8 h before the last one"
_ONLY_BOUNDS = "told bounds only, beside others that told both numbers"


def flush_rows(chain: Chain, fs: float, first: int) -> Rows:
    """
    Flushes as columns of a table.

    Parameters
    ----------
    chain : Chain
        What measured the recording.
    fs : float
        Sampling rate [Hz].
    first : int
        Sample number of the first sample.

    Returns
    -------
    dict of str to ndarray
        One row a flush, times in s from the start of the recording.
    """
    readings = chain.flushes
    rows: Rows = {
        "flush": np.arange(len(readings), dtype=np.int64),
        "start_s": np.array([(first + r.start) / fs for r in readings], dtype=np.float64),
        "release_s": np.array([(first + r.release) / fs for r in readings], dtype=np.float64),
    }
    rows |= {name: np.array([getattr(r, name) for r in readings], dtype=np.float64) for name in _DYNAMICS}
    # Where only bounds are known they are the result: one pair among many would look like a number.
    sure = np.array([r.resolved for r in readings], dtype=bool)
    for name in ("natural_frequency_hz", "damping_ratio"):
        rows[name] = np.where(sure, rows[name], np.nan)
    for name in ("natural_frequency_hz", "damping_ratio"):
        rows[f"bedside_{name}"] = np.array(
            [getattr(r.bedside, name) if _swings(r) else np.nan for r in readings], dtype=np.float64
        )
    rows["method"] = np.array([r.method for r in readings], dtype=object)
    rows["reason"] = np.array([r.reason for r in readings], dtype=object)
    partly = mask("line_partly_known")
    rows["facts"] = np.array([0 if r.resolved else partly for r in readings], dtype=np.int64)
    return rows


def _swings(reading: FlushReading) -> bool:
    """Whether swings were read that can be the line's: the patient's own pulse is no swing of it."""
    if reading.bedside is None or not reading.resolved:
        return reading.bedside is not None
    ratio = reading.bedside.natural_frequency_hz / reading.natural_frequency_hz
    return bool(1 / _SAME < ratio < _SAME)


def zero_rows(chain: Chain) -> Rows:
    """
    Levels read while the line was open to air, as columns of a table.

    Parameters
    ----------
    chain : Chain
        What measured the recording.

    Returns
    -------
    dict of str to ndarray
        One row a level, times in s from the start of the recording.
    """
    zeros = chain.zeros
    return {
        "zero": np.arange(len(zeros), dtype=np.int64),
        "start_s": zeros.start_s,
        "end_s": zeros.end_s,
        "level": zeros.level,
        "level_se": zeros.se,
        "zeroed": zeros.zeroed,
        "holds": zeros.holds,
        "not_applied": zeros.not_applied,
    }


def story(chain: Chain, fs: float, first: int) -> list[tuple[float, str]]:
    """
    What was done to the line, in order of time.

    Parameters
    ----------
    chain : Chain
        What measured the recording.
    fs : float
        Sampling rate [Hz].
    first : int
        Sample number of the first sample.

    Returns
    -------
    list of (float, str)
        Time [s from the start of the recording] and what happened, in words without a full stop.
    """
    told = [((first + r.start) / fs, _flush_words(r, fs)) for r in chain.flushes]
    told += _zero_words(chain)
    if np.isfinite(chain.in_use):
        told.append(((first + chain.in_use) / fs, "pulses from here on: the line comes into use"))
    return sorted(told)


def _flush_words(reading: FlushReading, fs: float) -> str:
    if not np.isfinite(reading.release):
        return f"fast flush; its release cannot be used ({reading.reason})"
    lasted = f"fast flush, released after {(reading.release - reading.start) / fs:.1f} s"
    if not np.isfinite(reading.natural_frequency_hz):
        return f"{lasted}; tells nothing of the line ({reading.reason})"
    if reading.resolved:
        return (
            f"{lasted}: natural frequency {reading.natural_frequency_hz:.1f} Hz, "
            f"damping ratio {reading.damping_ratio:.2f}"
        )
    return f"{lasted}: natural frequency and damping known by bounds only"


def _zero_words(chain: Chain) -> list[tuple[float, str]]:
    zeros = chain.zeros
    told = []
    for k in range(len(zeros)):
        # Added zero turns a rounded -0.0 into 0.0.
        level = f"{round(float(zeros.level[k]), 1) + 0.0:.1f} mmHg"
        if zeros.zeroed[k]:
            words = f"zeroed: the open line reads {level} from here on"
        elif k and zeros.stretch[k] == zeros.stretch[k - 1]:
            words = f"the level of the open line moves to {level}"
        else:
            words = f"open to air, or come apart: reads {level}"
        if zeros.not_applied[k]:
            words += ", and is left so"
        told.append((float(zeros.start_s[k]), words))
    return told


def described(chain: Chain, fs: float, first: int) -> dict[str, Any]:
    """
    Give what is known of the measuring chain as plain data with words.

    Parameters
    ----------
    chain : Chain
        What measured the recording.
    fs : float
        Sampling rate [Hz].
    first : int
        Sample number of the first sample.

    Returns
    -------
    dict
        ``words`` (list of sentences), ``corrected`` (whether the line was taken out), ``story`` (what was
        done when), ``states`` (the dynamic response and how long it holds), ``adequacy`` (what it does to
        the pulses), ``hint``, ``setup`` (findings on the set-up sheet), ``setup_undocumented``. Fit for JSON.
    """
    states = [
        {
            "from_s": (first + s.start) / fs,
            "to_s": (first + s.stop) / fs,
            "fresh_until_s": (first + s.fresh_until) / fs,
            **_plain(s.dynamics),
            "words": s.dynamics.words(),
        }
        for s in chain.states
    ]
    adequacy = [
        {"from_s": (first + a) / fs, "to_s": (first + b) / fs, "words": known.words()}
        for a, b, known in chain.adequacy
    ]
    return {
        "words": _sentences(chain),
        "corrected": chain.corrected,
        "story": [{"at_s": at, "what": what} for at, what in story(chain, fs, first)],
        "states": states,
        "adequacy": adequacy,
        "hint": chain.hint.words() if chain.hint is not None and chain.hint.facts else "",
        "setup": [finding.to_json() for finding in chain.findings],
        "setup_undocumented": list(chain.setup.undocumented()) if chain.setup is not None else [],
    }


def _sentences(chain: Chain) -> list[str]:
    """What a reader must know of the chain before the first number."""
    out = []
    if chain.corrected:
        out.append("The line was taken out of this wave by computation; its flushes tell nothing here.")
    elif chain.states:
        last = chain.states[-1]
        out += [last.dynamics.words(), *_left_out(chain)]
        out += [known.words() for start, _, known in chain.adequacy[-1:] if start == last.start]
        if chain.onset.size and chain.onset[-1] >= last.fresh_until:
            out.append("That no longer holds at the end: the line was touched since, or 8 h have passed.")
    elif chain.flushes:
        none = "A flush was seen, but none tells the dynamic response of the line."
        out += [none, *_left_out(chain)]
    else:
        out.append("No fast flush was recorded: the dynamic response of the line is unknown.")
    if chain.hint is not None and chain.hint.facts and not chain.states:
        out.append(chain.hint.words())
    zeros = chain.zeros
    followed = np.flatnonzero(zeros.start < (chain.onset[-1] if chain.onset.size else -1.0))
    if not followed.size:
        out.append("The line was never seen open to air with pulses after it: its zero is unknown.")
    else:
        k = int(followed[-1])
        left = "was left off zero" if zeros.not_applied[k] else "reads zero"
        level = round(float(zeros.level[k]), 1) + 0.0
        out.append(
            f"Last open to air with pulses after it at {zeros.start_s[k]:.1f} s, where it {left} "
            f"({level:.1f} mmHg, standard error {zeros.se[k]:.2f})."
        )
    if followed.size < len(zeros):
        out.append(
            "At the end it stands near zero without a pulse, as when open to air or come apart: the trace "
            "cannot tell which."
        )
    if len(zeros) > 1:
        drift = zero_drift(zeros)
        if drift.hours >= _DRIFT_FROM_H:
            out.append(f"Zero drift {drift.per_hour:+.2f} mmHg/h (standard error {drift.se:.2f}).")
    return out


def _left_out(chain: Chain) -> list[str]:
    """Say which flushes did not count, and why, so that the number of those that did is no riddle."""
    told = [np.isfinite(r.release) and np.isfinite(r.natural_frequency_hz) for r in chain.flushes]
    why = Counter(r.reason for r, known in zip(chain.flushes, told, strict=True) if not known)
    known = [r for r, sure in zip(chain.flushes, told, strict=True) if sure]
    if known:
        last = chain.states[-1]
        why[_EARLIER] = len(known) - last.together
        why[_ONLY_BOUNDS] = last.dynamics.resolved * sum(not r.resolved for r in known[-last.together :])
    left = {words: count for words, count in why.items() if count}
    if not left:
        return []
    if len(chain.flushes) == 1:
        return [f"It does not count: {chain.flushes[0].reason}."]
    dropped = sum(left.values())
    parts = left if len(left) == 1 else [f"{count}: {words}" for words, count in left.items()]
    verb = "does" if dropped == 1 else "do"
    return [f"Of {len(chain.flushes)} flushes, {dropped} {verb} not count ({'; '.join(parts)})."]


def _plain(dynamics: Dynamics) -> dict[str, Any]:
    """Numbers for JSON, which knows neither NaN nor infinity."""
    numbers = {name: float(getattr(dynamics, name)) for name in _DYNAMICS}
    plain: dict[str, Any] = {k: v if np.isfinite(v) else None for k, v in numbers.items()}
    more = {
        "resolved": dynamics.resolved,
        "disagree": dynamics.disagree,
        "method": dynamics.method,
        "flushes": dynamics.n_flushes,
    }
    return plain | more


def dynamics_from(state: Mapping[str, Any]) -> Dynamics:
    """
    Dynamic response out of a state as `described` wrote it.

    Parameters
    ----------
    state : mapping
        One of ``states``.

    Returns
    -------
    Dynamics
        The same numbers.
    """
    unknown = {name: np.inf if name.endswith("_high") else np.nan for name in _DYNAMICS}
    numbers = {k: v if state[k] is None else float(state[k]) for k, v in unknown.items()}
    return Dynamics(
        **numbers,
        resolved=bool(state["resolved"]),
        disagree=bool(state["disagree"]),
        method=str(state["method"]),
        n_flushes=int(state["flushes"]),
    )
