"""
Which estimators of stroke volume, and which swings over a breath, follow a change that is known.

Run it with ``python -m tests.bench.stroke_volume [--patients 8] [--seed 2026]``; some three seconds for each
patient. A distributed tree of arteries, which none of the estimators inverts, gives the pressure at the wrist
before and after a change; both go through the whole analysis, as a recording would. Tables and scenes are
those of `hemoidx.validation.league`. Everything is reported as found; nothing here passes or fails.
"""

from __future__ import annotations

import argparse

from hemoidx.validation import league


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=8)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--seconds", type=float, default=240.0, help="length of each recording")
    parser.add_argument("--site", choices=("radial", "root"), default="radial")
    given = parser.parse_args()
    rows = league.gather(given.patients, given.seed, given.seconds, given.site)
    print(f"{given.patients} circulations, seed {given.seed}, pressure at the {given.site}")
    lines = league.by_scene(rows)
    for (family, scene), part in lines.groupby(["family", "scene"], sort=False):
        print(f"\n{family}, {scene}: true change {part['true_change'].iloc[0]:+.0f} %")
        told = part[part["n"] > 0].drop(columns=["family", "scene", "true_change"])
        print(told.round(1).to_string(index=False) if len(told) else "no index has a value")
    for family in league.FAMILIES:
        print(f"\n{family}, all scenes")
        print(league.ranked(rows, family).round(1).to_string(index=False))
    print("\nwhat masking is worth")
    print(league.worth(rows).round(1).to_string(index=False))


if __name__ == "__main__":
    main()
