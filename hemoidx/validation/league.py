"""
League tables: estimators of stroke volume and respiratory indices against truth, scene by scene.

Everything is reported as found; nothing here passes or fails. Each index stands twice: *masked*, as the
tables give it, and *unmasked*, with every value that a rule rejected put back. A third reading, *refused*,
holds the rejected values alone. `worth` sets them against each other. On simulated arteries; patients differ.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.errors import InputError

from .agreement import four_quadrant, limits_of_agreement, percentage_error, repeated_limits
from .scenes import SCENES, Float, Measured, Recorder, measured, patient

if TYPE_CHECKING:
    import pandas as pd

    from hemoidx.analysis import Analysis
    from hemoidx.indices import Index

READINGS = ("masked", "unmasked", "refused")
FAMILIES = ("stroke_volume", "respiratory")
#: The estimator that the others have to pass.
BAR = "sv_mean_pressure"
#: Changes of the truth up to this size do not count for trending [%]: our choice.
ZONE = 10.0
#: A change counts as followed within this share of the true ratio: our choice.
FOLLOWED = 0.08
_LEVELS = {"beat": "beats", "breath": "breaths", "window": "windows"}
# What the respiratory family holds beside swings.
_NO_SWINGS = ("resp_rate", "beats_per_breath", "ppv_floor", "ppv_harmonics", "dynamic_elastance")


def indices_of(family: str) -> list[Index]:
    """
    Indices of the default catalogue that take part.

    Parameters
    ----------
    family : str
        One of `FAMILIES`.

    Returns
    -------
    list of Index
        Estimators of stroke volume without those that need a reference flow; respiratory swings.

    Raises
    ------
    InputError
        If there is no such family.
    """
    from hemoidx.indices import default_catalogue

    if family not in FAMILIES:
        raise InputError(f"league: family must be one of {', '.join(FAMILIES)}, got {family!r}")
    found = [i for i in default_catalogue() if i.family == family and not i.inner]
    if family == "stroke_volume":
        return [i for i in found if i.name.startswith("sv_")]
    return [i for i in found if i.name not in _NO_SWINGS and i.appears_in("windows")]


def _values(result: Analysis, index: Index) -> dict[str, tuple[float, float]]:
    """Mean and share of rows with a value: masked from the windows, the others from the index's own level."""
    windows = result.windows[index.column].to_numpy(dtype=np.float64)
    own = _LEVELS[index.level]
    whole = getattr(result, own)[index.column].to_numpy(dtype=np.float64).copy()
    hidden = result.unchecked(index.name, own)
    refused = hidden["value"].to_numpy(dtype=np.float64)
    whole[hidden["row"].to_numpy(dtype=np.intp)] = refused
    share = float(np.isfinite(refused).sum() / max(whole.size, 1))
    return {"masked": _middle(windows), "unmasked": _middle(whole), "refused": (_middle(refused)[0], share)}


def _middle(values: Float) -> tuple[float, float]:
    known = np.isfinite(values)
    if not known.any():
        return float("nan"), 0.0
    # The mean, and not a robust middle: what is wrong shall count.
    return float(values[known].mean()), float(known.mean())


def gather(
    patients: int, seed: int, seconds: float = 240.0, site: str = "radial", scenes: tuple[str, ...] = ()
) -> pd.DataFrame:
    """
    Simulate patients through all scenes and read all indices.

    Parameters
    ----------
    patients : int
        Circulations drawn.
    seed : int
        Seed of the drawing.
    seconds : float
        Length of each recording [s].
    site : str
        "radial" or "root".
    scenes : tuple of str
        Names out of `hemoidx.validation.scenes.SCENES`; all by default.

    Returns
    -------
    pandas.DataFrame
        One row for each patient, scene, index and way of reading: patient, group, scene, family, index, unit,
        reading (one of `READINGS`), before, after (values), known (share of rows with a value after the
        change), true_before, true_after (mL for stroke volume, % for swings).

    Raises
    ------
    InputError
        If there is no such scene.
    """
    import pandas as pd

    unknown = set(scenes) - set(SCENES)
    if unknown:
        raise InputError(f"league: no scene {sorted(unknown)[0]!r}; there are {', '.join(SCENES)}")
    rows: list[dict[str, Any]] = []
    for number in range(patients):
        rng = np.random.default_rng([seed, number])
        state = patient(rng)
        first = measured(state, Recorder(), seconds, rng, site)
        for name in scenes or SCENES:
            scene = SCENES[name]
            then = measured(scene.change(state), scene.recorder, seconds, rng, site)
            rows += [
                {"patient": number, "group": scene.group, "scene": name, **one} for one in _pair(first, then)
            ]
    return pd.DataFrame(rows)


def _pair(first: Measured, then: Measured) -> list[dict[str, Any]]:
    rows = []
    for family in FAMILIES:
        true = [m.stroke_ml if family == "stroke_volume" else m.swing_percent for m in (first, then)]
        for index in indices_of(family):
            before, after = _values(first.analysis, index), _values(then.analysis, index)
            for reading in READINGS:
                # What was refused is held against what was kept before.
                start = before["masked" if reading == "refused" else reading][0]
                rows.append(
                    {
                        "family": family,
                        "index": index.name,
                        "unit": index.unit,
                        "reading": reading,
                        "before": start,
                        "after": after[reading][0],
                        "known": after[reading][1],
                        "true_before": true[0],
                        "true_after": true[1],
                    }
                )
    return rows


def on_scale(rows: pd.DataFrame) -> pd.DataFrame:
    """
    Put values on the scale of the truth.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `gather` returns them.

    Returns
    -------
    pandas.DataFrame
        With `found` and `true` after the change, and `change`, `true_change` [%]. Estimators of stroke
        volume are proportional to it at best, so each is calibrated with the truth before the change; swings
        in per cent stand as they are. A swing in mmHg has no scale in common with the truth: `found` is NaN
        and only its changes count.
    """
    ratio = rows["after"] / rows["before"]
    calibrated = rows["true_before"] * ratio
    as_is = rows["after"].where(rows["unit"] == "%")
    return rows.assign(
        found=calibrated.where(rows["family"] == "stroke_volume", as_is),
        true=rows["true_after"],
        change=100.0 * (ratio - 1.0),
        true_change=100.0 * (rows["true_after"] / rows["true_before"] - 1.0),
    )


def by_scene(rows: pd.DataFrame) -> pd.DataFrame:
    """
    Agreement with the truth for each scene, index and way of reading; one value a patient.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `gather` returns them.

    Returns
    -------
    pandas.DataFrame
        Columns: of, n (patients, and those with a value), true_change, change (medians) [%], bias, lower,
        upper (limits of agreement, unit of the truth), error_percent (percentage error), right (share of
        changes in the right direction) [%]. NaN where fewer than three have a value.
    """
    import pandas as pd

    scaled = on_scale(rows[rows["reading"] != "refused"])
    out: list[dict[str, Any]] = []
    keys: tuple[str, ...] = ("family", "scene", "index", "reading")
    for key, part in scaled.groupby(list(keys), sort=False):
        known = part[np.isfinite(part["change"])]
        out.append(
            {
                **dict(zip(keys, tuple(map(str, key)), strict=True)),
                "of": len(part),
                "n": len(known),
                "true_change": float(part["true_change"].median()),
                "change": float(known["change"].median()) if len(known) else float("nan"),
                **_agreement(known, repeated=False),
                "right": _right(known),
            }
        )
    return pd.DataFrame(out)


def _right(known: pd.DataFrame) -> float:
    """Share of changes in the right direction, outside the zone [%]."""
    counts = known[known["true_change"].abs() > ZONE]
    if counts.empty:
        return float("nan")
    return float(100.0 * (np.sign(counts["change"]) == np.sign(counts["true_change"])).mean())


def _agreement(known: pd.DataFrame, repeated: bool) -> dict[str, float]:
    part = known[np.isfinite(known["found"])]
    test, truth, who = (part[name].to_numpy() for name in ("found", "true", "patient"))
    enough = np.unique(who).size >= 3 and (not repeated or part["patient"].duplicated().any())
    if not enough:
        return dict.fromkeys(("bias", "lower", "upper", "error_percent"), float("nan"))
    found = repeated_limits(test, truth, who) if repeated else limits_of_agreement(test, truth)
    error = percentage_error(found.sd, float(truth.mean()))
    return {"bias": found.bias, "lower": found.lower, "upper": found.upper, "error_percent": error}


def ranked(rows: pd.DataFrame, family: str, scenes: tuple[str, ...] = ()) -> pd.DataFrame:
    """
    League table of a family over scenes, the best first.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `gather` returns them.
    family : str
        One of `FAMILIES`.
    scenes : tuple of str
        Scenes that count; all by default.

    Returns
    -------
    pandas.DataFrame
        One row an index and way of reading, masked ones ranked by the root mean square error of the change
        [points of per cent], each followed by its unmasked reading: known (share of patients and scenes with
        a value) [%], rms_error, worst_error, followed (share of changes within 8 % of the true ratio) [%],
        bias, lower, upper (limits for several values of a patient, the truth varying), error_percent,
        concordance (four quadrants, zone 10 %) with concordance_low and _high, n of it, and for stroke
        volume better_than_bar: how often the change is nearer to the truth than that of mean pressure [%].
    """
    import pandas as pd

    indices_of(family)
    scaled = on_scale(rows[(rows["family"] == family) & (rows["reading"] != "refused")])
    if scenes:
        scaled = scaled[scaled["scene"].isin(scenes)]
    scaled = scaled.assign(error=scaled["change"] - scaled["true_change"])
    bar = scaled[scaled["index"] == BAR].set_index(["patient", "scene", "reading"])["error"].abs()
    out = []
    for (name, reading), part in scaled.groupby(["index", "reading"], sort=False):
        known = part[np.isfinite(part["error"])]
        line = {"index": name, "reading": reading, "known": 100.0 * len(known) / len(part)}
        line |= _errors(known)
        line |= _agreement(known, repeated=True)
        line |= _trending(known)
        if len(bar):
            beside = bar.reindex(pd.MultiIndex.from_frame(known[["patient", "scene", "reading"]])).to_numpy()
            both = np.isfinite(beside)
            nearer = known["error"].abs().to_numpy()[both] < beside[both]
            line["better_than_bar"] = 100.0 * float(nearer.mean()) if both.any() else float("nan")
        out.append(line)
    table = pd.DataFrame(out)
    masked = table[table["reading"] == "masked"].sort_values("rms_error", na_position="last")
    order = {name: place for place, name in enumerate(masked["index"], start=1)}
    table.insert(0, "rank", table["index"].map(order))
    return table.sort_values(["rank", "reading"]).reset_index(drop=True)


def _errors(known: pd.DataFrame) -> dict[str, float]:
    if known.empty:
        return dict.fromkeys(("rms_error", "worst_error", "followed"), float("nan"))
    error = known["error"].to_numpy()
    relative = (100.0 + known["change"]) / (100.0 + known["true_change"]) - 1.0
    return {
        "rms_error": float(np.sqrt(np.mean(error**2))),
        "worst_error": float(np.abs(error).max()),
        "followed": float(100.0 * (relative.abs() <= FOLLOWED).mean()),
    }


def _trending(known: pd.DataFrame) -> dict[str, float]:
    """
    Four quadrants; only the truth decides what lies in the zone.

    A zone about both would let an index that stays still drop out, and so look better.
    """
    part = known[known["true_change"].abs() > ZONE]
    if len(part) < 3:
        return {
            "concordance": float("nan"),
            "concordance_low": float("nan"),
            "concordance_high": float("nan"),
            "n": len(part),
        }
    found = four_quadrant(part["change"], part["true_change"], zone=0.0)
    return {
        "concordance": found.rate,
        "concordance_low": found.ci[0],
        "concordance_high": found.ci[1],
        "n": found.n,
    }


def worth(rows: pd.DataFrame) -> pd.DataFrame:
    """
    What the verdicts are worth: errors of what was kept, of all, and of what was rejected.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `gather` returns them.

    Returns
    -------
    pandas.DataFrame
        For each family and scene, over patients and indices: known_masked, known_unmasked (share with a
        value) [%]; rms_masked, rms_unmasked (error of the change where both have a value); of the same
        patients and indices, kept and rejected side by side: n_beside, rms_kept, rms_refused; n_alone and
        rms_alone, of those that masking left without any value [points of per cent, errors capped at 200].

    Notes
    -----
    Beats inside disturbed stretches are not read at all: they are in neither reading.
    """
    import pandas as pd

    scaled = on_scale(rows)
    scaled = scaled.assign(error=(scaled["change"] - scaled["true_change"]).clip(-200.0, 200.0))
    keys = ["family", "scene", "index", "patient"]
    wide = scaled.set_index([*keys, "reading"])["error"].unstack("reading").reindex(columns=list(READINGS))
    out = []
    for family, scene in dict.fromkeys(zip(scaled["family"], scaled["scene"], strict=True)):
        part = wide.loc[(family, scene)]
        masked, unmasked, refused = (part[name] for name in READINGS)
        there = unmasked.notna() | masked.notna()
        if not there.any():
            continue
        both = masked.notna() & unmasked.notna()
        beside = masked.notna() & refused.notna()
        alone = masked.isna() & unmasked.notna()
        out.append(
            {
                "family": family,
                "scene": scene,
                "known_masked": 100.0 * float(masked[there].notna().mean()),
                "known_unmasked": 100.0 * float(unmasked[there].notna().mean()),
                "rms_masked": _rms(masked[both]),
                "rms_unmasked": _rms(unmasked[both]),
                "n_beside": int(beside.sum()),
                "rms_kept": _rms(masked[beside]),
                "rms_refused": _rms(refused[beside]),
                "n_alone": int(alone.sum()),
                "rms_alone": _rms(unmasked[alone]),
            }
        )
    return pd.DataFrame(out)


def _rms(values: pd.Series) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")
