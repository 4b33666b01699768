"""The words of the report: what a clinician would call things, and numbers as one would write them."""

from __future__ import annotations

import math

# Decimals that mean something, by unit; more would be noise.
_DECIMALS = {"mmHg": 1, "1/min": 1, "mmHg/s": 0, "mmHg s": 1, "s": 3, "mL": 0, "%": 1}

SPAN_MEANING = {
    "flush": "the line was flushed: the pressure is that of the bag",
    "open_to_air": "the tap was open to air: near zero and still, as in zeroing",
    "sampling": "the tap was off to the patient, as in drawing blood: a slow plateau without a pulse",
    "cuff": "a cuff on the same arm shut the artery",
    "flat": "nothing moved: an unplugged or stopped channel",
    "saturated": "the recorder was at the end of its range and cut the wave off: the true pressure lay "
    "beyond it",
    "motion": "the line or the patient was moved",
    "gap": "no samples were recorded",
    "not_pulsatile": "a level without a pulse, as on bypass or in arrest (the wave does not tell which); "
    "it is in no value",
}

VERDICT_MEANING = {
    "accepted": "measured, and nothing known speaks against it",
    "undocumented": "measured, and nothing seen speaks against it, but something that bears on it was never "
    "written down or shown (a zero, a flush, the height of the transducer, the site): whether it was right "
    "nobody can tell; what is missing stands under Cautions, Not documented",
    "caution": "measured, but something known may have changed it; it is shown",
    "rejected": "not measured, or changed too much to be used; it is left empty",
}


def decimals_of(unit: str, value: float = 0.0) -> int:
    """Decimals to write a value of this unit with; a large value needs fewer."""
    size = abs(value) if math.isfinite(value) else 0.0
    most = 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 10 else 3
    return min(_DECIMALS.get(unit, 2), most)


def number(value: float, decimals: int = 1) -> str:
    """Write a number, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    # Added zero turns a rounded -0.0 into 0.0.
    return f"{round(float(value), decimals) + 0.0:,.{decimals}f}".replace("-", "−")


def how_long(seconds: float) -> str:
    """Write a duration [s] as one would say it."""
    if seconds < 90:
        return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.1f} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {left} s"


def at_time(seconds: float) -> str:
    """Write a place in the recording [s] as hours, minutes and seconds."""
    whole = math.floor(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def share(part: float, whole: float) -> str:
    """Write a part of a whole in per cent; 100 % and 0 % are kept for all and none."""
    if whole <= 0:
        return "–"
    percent = 100 * part / whole
    if percent < 1 and part > 0:
        return "< 1 %"
    if percent > 99 and part < whole:
        return "> 99 %"
    return f"{percent:.0f} %"


def count(n: int, one: str, many: str | None = None) -> str:
    """Write a number with its noun."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def in_sentence(title: str) -> str:
    """Write a title inside a sentence: only its first letter is made small."""
    return title[:1].lower() + title[1:]


def listed(words: list[str]) -> str:
    """Join words with commas and a final 'and'."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def of_level(reasons: str, level: str) -> str:
    """What is said of one level."""
    begin = f"{level.capitalize()} because "
    return next((part.removeprefix(begin) for part in reasons.split(". ") if part.startswith(begin)), reasons)


def reasons_of(reasons: str, level: str) -> list[str]:
    """The single reasons that are given for one level."""
    said = of_level(reasons, level)
    return said.split("; ") if said != reasons else [said]


def first_of(shown: int, there: int, name: str) -> str:
    """Caption of a table that shows the first rows of another."""
    return f"{name}, all {there}." if shown == there else f"{name}, the first {shown} of {there}."
