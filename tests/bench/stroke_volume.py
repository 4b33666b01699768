"""
Which estimators of stroke volume follow a change, in arteries that none of them inverts.

Run it with ``python -m tests.bench.stroke_volume [--patients 8] [--seed 2026]``; a second for each patient. A
distributed tree of arteries (`hemoidx.simulate.tree`) gives the pressure at the wrist before and after a
change; both go through the whole analysis, as a recording would. The estimate after over that before is
compared with the true ratio of stroke volumes. ``sv_mean_pressure`` is the bar that the others have to pass.
Everything is reported as found; nothing here passes or fails.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

import hemoidx as hx
from hemoidx.simulate.tree import Circulation, pressures
from tests.waves import recording

FS = 125.0
SECONDS = 450.0
BAR = "sv_mean_pressure"
#: A change counts as followed within this share of the true ratio.
FOLLOWED = 0.08

Change = Callable[[Circulation], Circulation]


def _less(state: Circulation) -> Circulation:
    return replace(state, stroke_ml=0.55 * state.stroke_ml)


def _bleeding(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=0.55 * state.stroke_ml,
        rate=1.3 * state.rate,
        resistance=1.3 * state.resistance,
        tone=1.25 * state.tone,
        ejection=0.92 * state.ejection,
    )


def _constriction(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=0.93 * state.stroke_ml,
        resistance=1.6 * state.resistance,
        tone=1.4 * state.tone,
        small_compliance=0.8 * state.small_compliance,
    )


def _dilation(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=1.12 * state.stroke_ml,
        resistance=0.6 * state.resistance,
        tone=0.75 * state.tone,
        small_compliance=1.2 * state.small_compliance,
        rate=1.1 * state.rate,
    )


def _contractility(state: Circulation) -> Circulation:
    return replace(
        state, stroke_ml=1.2 * state.stroke_ml, upstroke=0.75 * state.upstroke, ejection=0.9 * state.ejection
    )


def _rate(state: Circulation) -> Circulation:
    return replace(state, stroke_ml=0.75 * state.stroke_ml, rate=1.45 * state.rate)


SCENARIOS: dict[str, Change] = {
    "preload fall, tone kept": _less,
    "preload fall with reflexes": _bleeding,
    "vasoconstriction": _constriction,
    "vasodilation": _dilation,
    "contractility": _contractility,
    "heart rate": _rate,
}


def patient(rng: np.random.Generator) -> Circulation:
    """A circulation at rest; ranges are ours, around a usual adult."""
    return Circulation(
        stroke_ml=rng.uniform(55, 90),
        rate=rng.uniform(58, 82),
        resistance=rng.uniform(0.75, 1.05),
        small_compliance=rng.uniform(0.2, 0.5),
        closing=rng.uniform(10, 30),
        stiffness=rng.uniform(0.7, 1.8),
        tone=rng.uniform(0.8, 1.2),
        upstroke=rng.uniform(0.9, 1.1),
        size=rng.uniform(0.9, 1.1),
        breath_swing=rng.uniform(0.05, 0.15),
        variability=rng.uniform(0.01, 0.03),
    )


def measured(state: Circulation, rng: np.random.Generator, site: str = "radial") -> pd.Series:
    """Medians over the windows of an analysis: estimators, pressures, and the true stroke volume."""
    beats = pressures(state, SECONDS, FS, rng)
    wave = getattr(beats, site) + rng.normal(0.0, 0.3, beats.radial.size)
    result = hx.analyse(recording(wave, FS), context={"age_years": 60}, progress=False)
    names = [i.name for i in hx.default_catalogue() if i.name.startswith("sv_")]
    found = result.windows[[*names, "mbp", "pp", "hr"]].median()
    return pd.concat([found, pd.Series({"truth": float(np.mean(beats.train.stroke))})])


def followed(patients: int, seed: int, site: str = "radial") -> pd.DataFrame:
    """One row for each patient, scenario and estimator: ratio found and true."""
    rows = []
    for number in range(patients):
        rng = np.random.default_rng([seed, number])
        state = patient(rng)
        before = measured(state, rng, site)
        for scenario, change in SCENARIOS.items():
            ratio = measured(change(state), rng, site) / before
            for name in ratio.index:
                if name.startswith("sv_"):
                    rows.append((number, scenario, name, ratio[name], ratio["truth"]))
    return pd.DataFrame(rows, columns=["patient", "scenario", "estimator", "found", "true"])


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """By scenario and estimator: error of the ratio, how often followed and how often right in direction."""
    rows = rows.assign(
        error=100.0 * (rows["found"] / rows["true"] - 1.0),
        right=np.sign(rows["found"] - 1.0) == np.sign(rows["true"] - 1.0),
    )
    out = []
    for (scenario, name), group in rows.groupby(["scenario", "estimator"], sort=False):
        known = group[np.isfinite(group["found"])]
        line = {
            "scenario": scenario,
            "estimator": name,
            "true_%": 100.0 * (group["true"].mean() - 1.0),
            "found_%": 100.0 * (known["found"].median() - 1.0),
            "error_%": known["error"].median(),
            "worst_%": known["error"].abs().max(),
            "within_8": (known["error"].abs() <= 100.0 * FOLLOWED).sum(),
            "sign_right": int(known["right"].sum()),
            "of": len(known),
        }
        out.append(line)
    return pd.DataFrame(out)


def overall(rows: pd.DataFrame) -> pd.DataFrame:
    """By estimator over all scenarios: root mean square error, direction, how often better than the bar."""
    rows = rows.assign(error=100.0 * (rows["found"] / rows["true"] - 1.0))
    wide = rows.pivot_table(index=["patient", "scenario"], columns="estimator", values="error", dropna=False)
    better = wide.abs().lt(wide[BAR].abs(), axis=0).astype(float).where(wide.notna())
    right = np.sign(rows["found"] - 1.0) == np.sign(rows["true"] - 1.0)
    out = pd.DataFrame(
        {
            "rms_error_%": np.sqrt((wide**2).mean()),
            "within_8_%": 100.0 * (wide.abs() <= 100.0 * FOLLOWED).sum() / wide.notna().sum(),
            "sign_right_%": 100.0 * right.groupby(rows["estimator"]).mean(),
            "better_than_bar_%": 100.0 * better.mean(),
            "values": wide.notna().sum(),
        }
    )
    return out.sort_values("rms_error_%")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=8)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--site", choices=("radial", "root"), default="radial")
    given = parser.parse_args()
    rows = followed(given.patients, given.seed, given.site)
    print(f"{given.patients} circulations, seed {given.seed}, pressure at the {given.site}")
    for scenario, lines in table(rows).groupby("scenario", sort=False):
        print(f"\n{scenario}: true change {lines['true_%'].iloc[0]:+.0f} %")
        print(lines.drop(columns=["scenario", "true_%"]).round(1).to_string(index=False))
    print("\nall scenarios")
    print(overall(rows).round(1).to_string())


if __name__ == "__main__":
    main()
