"""Stroke volume from the decay of pressure in a windkessel: published estimators, at best proportional."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def decay_flow(mbp: ArrayLike, tau: ArrayLike, compliance: ArrayLike = 1.0) -> Float:
    """
    Flow of a windkessel in a steady state, from the time constant of its diastolic decay.

    Parameters
    ----------
    mbp : array_like
        Mean pressure [mmHg].
    tau : array_like
        Time constant of the decay towards zero [s].
    compliance : array_like
        Compliance [mL/mmHg]; 1 leaves the flow relative.

    Returns
    -------
    ndarray
        Flow [mL/s], or proportional to it [mmHg/s]. NaN where `tau` is not positive.

    Notes
    -----
    Q = C mbp / tau: mean pressure over resistance, with tau = R C. A comparison prints another form under the
    same name (`decay_printed`).

    References
    ----------
    .. [1] Bourgeois MJ, Gilbert BK, von Bernuth G, Wood EH. Circ Res 1976;39:15-24.
       doi:10.1161/01.RES.39.1.15 (not seen).
    .. [2] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (R from mean pressure).

    Examples
    --------
    >>> decay_flow(87.5, 1.5, compliance=1.5).item()
    87.5
    """
    time = _float(tau)
    return _float(compliance) * _float(mbp) / np.where(time > 0, time, np.nan)


def decay_stroke(mbp: ArrayLike, duration: ArrayLike, tau: ArrayLike) -> Float:
    """
    Stroke volume of a windkessel in a steady state, from the time constant of its diastolic decay.

    Parameters
    ----------
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].
    duration : array_like, shape (n_beats,)
        Beat duration [s].
    tau : array_like, shape (n_beats,)
        Time constant of the decay towards zero [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg]: `decay_flow` over one beat.

    References
    ----------
    .. [1] Bourgeois MJ, Gilbert BK, von Bernuth G, Wood EH. Circ Res 1976;39:15-24.
       doi:10.1161/01.RES.39.1.15 (not seen).

    Examples
    --------
    >>> decay_stroke([90.0], [0.8], [1.5])
    array([48.])
    """
    return decay_flow(mbp, tau) * _float(duration)


def decay_printed(mbp: ArrayLike, sbp: ArrayLike, dbp: ArrayLike, duration: ArrayLike) -> Float:
    """
    Decay method as a comparison prints it, here only to explain disagreement.

    Parameters
    ----------
    mbp, sbp, dbp : array_like
        Mean, systolic and diastolic pressure [mmHg].
    duration : array_like
        Beat duration [s].

    Returns
    -------
    ndarray
        (mbp / T) ln(sbp / dbp) hr [mmHg/s/min].

    Notes
    -----
    (mbp / T) ln(sbp / dbp) is already a flow, mean pressure over a time constant; the further heart rate
    makes it rise with the square of the rate. No column is made of it: use `decay_flow`.

    References
    ----------
    .. [1] Monge Garcia MI and others. Crit Care 2013;17:R113, table 1.
    """
    time = _float(duration)
    return _float(mbp) / time * np.log(_float(sbp) / _float(dbp)) * 60.0 / time


def storage_and_runoff(
    rise: ArrayLike, duration: ArrayLike, mbp: ArrayLike, tau: ArrayLike, compliance: ArrayLike = 1.0
) -> Float:
    """
    Flow of one beat: what the arteries keep and what runs off.

    Parameters
    ----------
    rise : array_like, shape (n_beats,)
        Pressure at the next foot minus pressure at this foot [mmHg].
    duration : array_like, shape (n_beats,)
        Beat duration [s].
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].
    tau : array_like, shape (n_beats,)
        Time constant [s].
    compliance : array_like
        Compliance [mL/mmHg]; 1 leaves the flow relative.

    Returns
    -------
    ndarray, shape (n_beats,)
        Mean flow of the beat [mL/s], or proportional to it [mmHg/s].

    Notes
    -----
    Q = C (rise / T + mbp / tau), the windkessel equation averaged over a beat; without a rise it is
    `decay_flow`. The equation is recalled from memory.

    References
    ----------
    .. [1] Parlikar TA, Heldt T, Ranade GV, Verghese GC. Comput Cardiol 2007;34:379-382 (model class seen in
       the abstract, equation recalled).

    Examples
    --------
    >>> storage_and_runoff(1.0, 0.8, 87.5, 1.5, compliance=1.5).item()
    89.375
    """
    return _float(compliance) * _float(rise) / _float(duration) + decay_flow(mbp, tau, compliance)
