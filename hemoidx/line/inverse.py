"""The inverse of a second-order line as a finite filter: undoes it where the wave stands out of noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..samples import around, nearest
from .response import frequency_response

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

# All ours. Nothing is restored above this share of the sampling rate, where the recorder's own low-pass
# begins; nor above `band_limit`.
BAND_SHARE = 0.4
#: Half the length of the filter [s]: samples this close to a gap or an end cannot be corrected.
HALF_S = 0.24
# The outer part of the filter that is let fade, and where the band begins to close.
_FADE, _CLOSING = 0.4, 0.7
# Exponent of the filter's end; power of frequency with which the pulse is taken to fall beyond the band.
_ROUND, _FALLS = 3.7, 4.0
#: Length of the pieces of the spectrum [s].
PIECE_S = 4.0
# The width over which it is smoothed [Hz].
_SMOOTH_HZ = 2.5
#: Pieces it takes, fewest and most.
LEAST_PIECES, MOST_PIECES = 2, 256
# Part of the beat, counted from its foot, in which noise is read: after the notch, before the next foot.
_QUIET_FROM, _QUIET_TO = 0.65, 0.92


@dataclass(frozen=True, slots=True)
class Inverse:
    """
    Finite filter that undoes a line.

    Attributes
    ----------
    kernel : ndarray, shape (2 half + 1,)
        Weights for `np.convolve`; they sum to one, so that the mean stays. The filter looks as far ahead as
        back: what the line delayed is put back in time.
    fs : float
        Sampling rate it is made for [Hz].
    band_hz : float
        Frequency up to which at least half of each component is restored [Hz].
    noise_gain : float
        Standard deviation of white noise behind the filter over that before it.
    lost_sd : float
        Root mean square of what the filter leaves out of the undistorted wave, estimated [mmHg].
    """

    kernel: Float
    fs: float
    band_hz: float
    noise_gain: float
    lost_sd: float

    @property
    def half(self) -> int:
        """Samples on each side of the middle."""
        return self.kernel.size // 2


@dataclass(frozen=True, slots=True)
class Spectrum:
    """
    Power of a recorded wave and of its noise.

    Attributes
    ----------
    f : ndarray, shape (n,)
        Frequencies [Hz].
    signal : ndarray, shape (n,)
        Power density without noise, never rising with frequency [mmHg^2/Hz].
    noise_sd : float
        Standard deviation of white noise, rounding of the recorder included [mmHg].
    fs : float
        Sampling rate [Hz].
    """

    f: Float
    signal: Float
    noise_sd: float
    fs: float

    @property
    def noise(self) -> float:
        """Power density of the noise [mmHg^2/Hz]."""
        return 2.0 * self.noise_sd**2 / self.fs


def noise_in_diastole(wave: Wave, fs: float, onset: Float, end: Float, step: float = 0.0) -> float:
    """
    Noise of a recording, read where the pressure only runs off.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure [mmHg].
    fs : float
        Sampling rate [Hz].
    onset, end : ndarray, shape (n_beats,)
        Foot of each beat and of the next [samples].
    step : float
        Step of the recorder [mmHg]; its rounding is noise too and sets the least that is returned.

    Returns
    -------
    float
        Standard deviation of white noise [mmHg]; that of rounding alone if no diastole can be read.

    Notes
    -----
    Third differences of neighbouring samples between 65 and 92 % of the beat, over the square root of 20:
    a smooth run-off and slow ringing leave next to nothing in them. The median over beats counts. Noise that
    the recorder filtered away is not seen, nor is noise below about a fifth of the sampling rate.
    """
    least = step / np.sqrt(12.0)
    length = end - onset
    usable = np.isfinite(length) & (length * (_QUIET_TO - _QUIET_FROM) >= 8)
    if not usable.any():
        return float(least)
    width = int(np.median(length[usable]) * (_QUIET_TO - _QUIET_FROM))
    start, _ = nearest(onset[usable] + _QUIET_FROM * length[usable])
    third = np.diff(around(wave, start, 0, width - 1).astype(np.float64), n=3, axis=1)
    variance = np.mean(third**2, axis=1) / 20.0
    variance = variance[np.isfinite(variance)]
    return float(max(least, np.sqrt(np.median(variance)))) if variance.size else float(least)


def spectrum_of(wave: Wave, fs: float, usable: Bool, noise_sd: float) -> Spectrum:
    """
    Spectrum of a recorded wave, smoothed over its harmonics.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure [mmHg].
    fs : float
        Sampling rate [Hz].
    usable : ndarray of bool, shape (n_samples,)
        Samples that are the patient's pressure; pieces of 4 s that hold others are left out. Of more than 256
        pieces so many are taken, evenly spread.
    noise_sd : float
        Standard deviation of the noise [mmHg].

    Returns
    -------
    Spectrum

    Raises
    ------
    InputError
        If there are not two whole pieces.
    """
    size = round(PIECE_S * fs)
    count = wave.size // size
    whole = usable[: count * size].reshape(count, size).all(axis=1)
    if int(whole.sum()) < LEAST_PIECES:
        raise InputError(
            f"line: needs {LEAST_PIECES * PIECE_S:g} s of undisturbed pressure to tell pulse from noise; "
            "give a longer stretch"
        )
    pieces = np.flatnonzero(whole)
    if pieces.size > MOST_PIECES:
        pieces = pieces[np.linspace(0, pieces.size - 1, MOST_PIECES).astype(np.int64)]
    return spectrum_from(wave[: count * size].reshape(count, size)[pieces], fs, noise_sd)


def spectrum_from(rows: Wave, fs: float, noise_sd: float) -> Spectrum:
    """
    Spectrum of pieces of a recorded wave, smoothed over its harmonics.

    Parameters
    ----------
    rows : ndarray, shape (n, size)
        Pieces of pressure without missing samples [mmHg].
    fs : float
        Sampling rate [Hz].
    noise_sd : float
        Standard deviation of the noise [mmHg].

    Returns
    -------
    Spectrum
    """
    pieces = rows.astype(np.float64)
    count, size = pieces.shape
    x = np.linspace(-1.0, 1.0, size)
    pieces -= pieces.mean(axis=1, keepdims=True)
    pieces -= np.outer(pieces @ x / (x @ x), x)
    taper = np.hanning(size)
    power = np.mean(np.abs(np.fft.rfft(pieces * taper, axis=1)) ** 2, axis=0) * 2.0 / (fs * (taper @ taper))
    f = np.fft.rfftfreq(size, 1.0 / fs)
    reach = max(1, round(0.5 * _SMOOTH_HZ * size / fs))
    padded = np.pad(power, reach, mode="reflect")
    smooth = np.convolve(padded, np.full(2 * reach + 1, 1.0 / (2 * reach + 1)), mode="valid")
    noise = 2.0 * noise_sd**2 / fs
    # What chance alone lifts above the noise is no signal; divided by the line it would look like a lot.
    chance = 3.0 / np.sqrt(0.5 * count * (2 * reach + 1))
    signal = np.where(smooth > noise * (1.0 + chance), smooth - noise, 0.0)
    # A bump where the line rings must not make the filter pass less below it.
    falling = np.maximum.accumulate(signal[::-1])[::-1]
    return Spectrum(np.asarray(f, dtype=np.float64), falling, noise_sd, fs)


def band_limit(frequency_hz: float) -> float:
    """
    Highest frequency worth restoring behind a line of a natural frequency [Hz].

    Ours: 12 Hz above it, between 20 and 30 Hz. A slow line leaves nothing of what lies higher; an arterial
    pulse holds less than 1 mmHg above 30 Hz.
    """
    return float(np.clip(frequency_hz + 12.0, 20.0, 30.0))


def pass_band(f: Float, signal_to_noise: Float, fs: float, limit_hz: float) -> Float:
    """
    Share of each component that is worth restoring.

    Wiener's share, ``s / (1 + s)`` of the ratio `s` of signal to noise power at the recorder, closed by half
    a cosine on the way to the limit.
    """
    top = min(limit_hz, BAND_SHARE * fs)
    place = np.clip((f / top - _CLOSING) / (1.0 - _CLOSING), 0.0, 1.0)
    return np.asarray(signal_to_noise / (1.0 + signal_to_noise) * (0.5 + 0.5 * np.cos(np.pi * place)))


def design(frequency_hz: float, damping: float, spectrum: Spectrum) -> Inverse:
    """
    Make the filter that undoes a line.

    Parameters
    ----------
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio of the line.
    spectrum : Spectrum
        What the wave and its noise look like behind the line.

    Returns
    -------
    Inverse

    Notes
    -----
    The inverse of the line, ``1 + 2 z s / w + (s / w)^2``, adds to the wave its first and second derivative.
    It is exact but makes noise grow with the square of frequency; components are restored up to where
    Wiener's share (`pass_band`) falls to one half. The derivatives are local, so that half a second holds all
    of it: values do not depend on how a long recording is cut.

    References
    ----------
    .. [1] Wiener N. Extrapolation, Interpolation, and Smoothing of Stationary Time Series. MIT Press, 1949.
    """
    fs = spectrum.fs
    half = max(3, round(HALF_S * fs))
    size = 1 << int(np.ceil(np.log2(16 * half)))
    f = np.asarray(np.fft.rfftfreq(size, 1.0 / fs), dtype=np.float64)
    noise = max(spectrum.noise, 1e-12)
    ratio = np.interp(f, spectrum.f, spectrum.signal) / noise
    wiener = pass_band(f, ratio, fs, band_limit(frequency_hz))
    # Wiener's share says how far to go. A steep end would ring before every upstroke, into the diastolic
    # pressure; a rounder one with the same middle does not.
    band = float(f[np.argmax(wiener < 0.5 * wiener[0])])
    share = np.exp2(-((f / band) ** _ROUND))
    inverse = 1.0 / frequency_response(f, frequency_hz, damping)
    kernel = np.roll(np.fft.irfft(share * inverse, size), half)[: 2 * half + 1]
    distance = np.abs(np.arange(-half, half + 1)) / (half + 1)
    fade = np.clip((distance - (1.0 - _FADE)) / _FADE, 0.0, 1.0)
    kernel = kernel * (0.5 + 0.5 * np.cos(np.pi * fade))
    kernel = kernel / kernel.sum()
    undistorted = np.minimum.accumulate(ratio * noise * np.abs(inverse) ** 2)
    # Beyond the band noise hides what there is; it is taken to fall on steeply from where it was last seen.
    beyond = np.interp(band, f, undistorted) * (band / np.maximum(f, band)) ** _FALLS
    lost = np.sum(np.where(f < band, undistorted, beyond) * (1.0 - share) ** 2) * f[1]
    return Inverse(
        kernel=kernel,
        fs=fs,
        band_hz=band,
        noise_gain=float(np.sqrt(np.sum(kernel**2))),
        lost_sd=float(np.sqrt(lost)),
    )


def filtered(wave: Wave, inverse: Inverse, untrusted: Bool | None = None) -> Float:
    """
    Wave behind an inverse.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, NaN where missing [mmHg].
    inverse : Inverse
        What to apply.
    untrusted : ndarray of bool, shape (n_samples,), optional
        Samples to treat as missing.

    Returns
    -------
    ndarray, shape (n_samples,)
        NaN where half the filter's length reaches a missing sample or an end.
    """
    missing = ~np.isfinite(wave)
    if untrusted is not None:
        missing = missing | untrusted
    half = inverse.half
    out = np.full(wave.size, np.nan)
    if wave.size <= 2 * half:
        return out
    whole = np.convolve(np.where(missing, 0.0, wave), inverse.kernel, mode="valid")
    out[half : wave.size - half] = whole
    out[near(missing, half)] = np.nan
    return out


def near(which: Bool, reach: int) -> Bool:
    """Samples that lie within `reach` samples of a marked one."""
    total = np.concatenate([[0], np.cumsum(which)])
    at = np.arange(which.size)
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, which.size)
    return np.asarray(total[high] > total[low])
