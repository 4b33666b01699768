"""What a flush can tell at best: bounds of natural frequency and damping, and misses beside them."""

from __future__ import annotations

from math import erfc, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from tests.bench.flush import Case, Flushed

#: Noise of the simulated recorder, without steps [mmHg].
NOISE = 0.3
#: What the information bound reckons with: every sample after the release; of these only what lies below the
#: rail; and that the pulse underneath is known no better than from the other beats.
REACHES = ("all samples", "below the rail", "pulse unsure")


def bound(case: Case, drop: float, t: np.ndarray, wander: np.ndarray | float = 0.0) -> tuple[float, float]:
    """
    Smallest standard errors that noise and sampling allow: relative one of natural frequency, one of damping.

    Cramer-Rao from the true parameters: samples at times `t` [s] after the release, noise and steps as they
    are simulated, level, drift, and level and slope at the release unknown, nothing of the recorder;
    `wander` is the covariance of what the pulse underneath may do [mmHg^2].
    """
    from hemoidx.line.response import free_response

    def ring(hz: float, z: float, slope: float = 0.0) -> np.ndarray:
        return free_response(t, hz, z, 0.0 if slope else drop, slope)

    d, hz, z = 1e-4, case.hz, case.damping + 1e-3 * (case.damping == 1.0)
    columns = [
        (ring(hz * (1 + d), z) - ring(hz * (1 - d), z)) / (2 * d),
        (ring(hz, z + d) - ring(hz, z - d)) / (2 * d),
        ring(hz, z) / drop,
        ring(hz, z, 1.0) * hz,
        np.ones(t.size),
        t,
    ]
    # Noise of the simulated recorder: two thirds white, one third below about 3 Hz; steps are white.
    lag = np.abs(np.subtract.outer(t, t))
    noise = NOISE**2 / 3 * np.exp(-2 * np.pi * 3.0 * lag) + wander
    noise[np.diag_indices_from(noise)] += NOISE**2 * 2 / 3 + case.step**2 / 12
    jacobian = np.linalg.solve(np.linalg.cholesky(noise), np.column_stack(columns))
    covariance = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-14)
    return float(np.sqrt(covariance[0, 0])), float(np.sqrt(covariance[1, 1]))


def limits(case: Case, made: Flushed, length: float = 1.2) -> dict[str, tuple[float, float]]:
    """The information bound for each of `REACHES`."""
    first = int(np.floor(made.release_s * case.fs + 0.5)) + 1
    piece = made.wave[first : first + round(length * case.fs)]
    t = (np.arange(piece.size) + first) / case.fs - made.release_s
    seen = piece < made.scale[0]["rail_high"] - 0.5 * made.scale[0]["step"]
    wander = pulse_wander(case, made.release_s, t)[np.ix_(seen, seen)]
    every = (bound(case, 190.0, t), bound(case, 190.0, t[seen]), bound(case, 190.0, t[seen], wander))
    return dict(zip(REACHES, every, strict=True))


def pulse_wander(case: Case, release_s: float, t: np.ndarray) -> np.ndarray:
    """Covariance of the patient's pressure at times after a release, over beats caught in the same phase."""
    from hemoidx.simulate import Scenario, simulate_arrays

    scenario = Scenario(
        seed=case.seed,
        duration_s=40.0,
        fs=case.fs,
        step=0.01,
        rate=case.rate,
        pulse_pressure=case.pulse,
        noise=0.0,
        line_hz=case.hz,
        line_damping=case.damping,
    )
    wave, fs, _, truth = simulate_arrays(scenario)
    feet = truth.beats["onset_s"].to_numpy()
    phase = release_s - feet[feet < release_s].max()
    first = np.round((feet + phase + t[0]) * fs).astype(np.int64)
    first = first[(first >= 0) & (first + t.size <= wave.size)]
    pieces = wave[first[:, None] + np.arange(t.size)].astype(np.float64)
    return np.asarray(np.cov(pieces - pieces.mean(axis=1, keepdims=True), rowvar=False))


def good(case: Case, hz: float, z: float) -> tuple[bool, bool]:
    """Whether both are as near to the truth as required."""
    return abs(hz / case.hz - 1) <= 0.03, abs(z - case.damping) <= max(0.03, 0.06 * case.damping)


def allowed(row: dict[str, Any], reach: str = REACHES[0]) -> bool:
    """Whether the bound allows a standard error of 2 % (damping: or of 0.01)."""
    hz, z = row["bounds"][reach]
    return bool(hz <= 0.02 and z <= max(0.01, 0.02 * row["case"].damping))


def expected_misses(row: dict[str, Any], reach: str) -> tuple[float, float]:
    """How often an unbiased estimator at the bound would miss what is asked of each of the two."""
    hz, z = row["bounds"][reach]
    return erfc(0.03 / hz / sqrt(2)), erfc(max(0.03, 0.06 * row["case"].damping) / z / sqrt(2))


def against_bounds(rows: list[dict[str, Any]]) -> str:
    """
    Misses, and those of an efficient estimator, where each bound allows a standard error of 2 %.

    `size`: middle of the errors over the bound's own standard errors, in units of the middle of a normal
    distribution; 1 for an efficient estimator.
    """
    lines = [
        f"{'damping':>12} {'bound':>15} {'excluded':>9} {'n':>4} {'fn miss':>8} {'expected':>9} "
        f"{'z miss':>7} {'expected':>9} {'fn size':>8} {'z size':>7}"
    ]
    # A flush that was found and of which nothing is claimed counts as a miss.
    seen = [row for row in rows if row["reading"] is not None]
    for low, high in ((0.0, 9.0), (0.0, 0.8), (0.8, 9.0)):
        part = [row for row in seen if low <= row["case"].damping < high]
        for reach in REACHES:
            inside = [row for row in part if allowed(row, reach)]
            if not inside:
                continue
            close = [
                good(row["case"], row["reading"].natural_frequency_hz, row["reading"].damping_ratio)
                for row in inside
            ]
            due = np.sum([expected_misses(row, reach) for row in inside], axis=0)
            size = np.nanmedian([_sizes(row, reach) for row in inside], axis=0) / 0.6745
            lines.append(
                f"{f'{low:g} to {high:g}':>12} {reach:>15} {100 * (1 - len(inside) / len(part)):7.1f} % "
                f"{len(inside):4d} {sum(not a for a, _ in close):8d} {due[0]:9.1f} "
                f"{sum(not b for _, b in close):7d} {due[1]:9.1f} {size[0]:8.2f} {size[1]:7.2f}"
            )
    return "\n".join(lines)


def _sizes(row: dict[str, Any], reach: str) -> tuple[float, float]:
    """Errors of both in standard errors that the bound allows."""
    r, case, (hz, z) = row["reading"], row["case"], row["bounds"][reach]
    return abs(r.natural_frequency_hz / case.hz - 1) / hz, abs(r.damping_ratio - case.damping) / z


def three(row: dict[str, Any], which: int) -> str:
    """The bounds of one parameter, in the order of `REACHES`."""
    return " / ".join(f"{row['bounds'][reach][which]:.4f}" for reach in REACHES)
