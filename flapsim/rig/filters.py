"""What a known filter does to a periodic signal, and how to undo it.

Answers: what was the stroke before amplifier, anti-alias filter and a ringing balance changed it?
Works on harmonics of the averaged stroke; a harmonic of which too little came through is left out,
since undoing would only blow up noise.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flapsim.rig.rig_file import Filter

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAST_PASSED: Final = 0.2
"""Part of a harmonic that must have come through for it to be restored."""

BEYOND_RESONANCE: Final = 0.8
"""Part of the natural frequency of a balance up to which its response is trusted."""


def response(filter_: Filter | None, frequency: Array) -> Complex:
    """Ratio of what is recorded to what there is.

    Parameters
    ----------
    frequency : (n,) array
        Hz.

    Returns
    -------
    (n,) array of complex
        For ``exp(+i omega t)``; 1 without a filter.

    Notes
    -----
    Butterworth low-pass of order n: poles on the unit circle at angles
    ``pi (2 k + n - 1) / (2 n)``, k = 1..n (Butterworth 1930). Balance: one degree of freedom,
    ``1 / (1 - r^2 + 2 i zeta r)``, r the frequency over the natural one.
    """
    out: Complex = np.ones(len(frequency), dtype=np.complex128)
    if filter_ is None:
        return out
    if filter_.cutoff_hz is not None:
        s = 1j * frequency / filter_.cutoff_hz
        order = filter_.order
        for k in range(1, order + 1):
            pole = np.exp(1j * math.pi * (2 * k + order - 1) / (2 * order))
            out = out / (1.0 - s / pole)
    if filter_.resonance_hz is not None:
        ratio = frequency / filter_.resonance_hz
        out = out / (1.0 - ratio**2 + 2j * filter_.resonance_damping * ratio)
    return np.asarray(out * np.exp(-2j * math.pi * frequency * filter_.delay_s))


def trusted(filter_: Filter | None, frequency: Array) -> NDArray[np.bool_]:
    """Mark the frequencies at which a filter can be undone."""
    good = np.abs(response(filter_, frequency)) >= LEAST_PASSED
    if filter_ is not None and filter_.resonance_hz is not None:
        good &= frequency <= BEYOND_RESONANCE * filter_.resonance_hz
    return good


def undone(wave: Array, frequency: float, filter_: Filter | None) -> Array:
    """Return the stroke as it was before the filter.

    Parameters
    ----------
    wave : (bins,) array
        Averaged over equal bins of phase.
    frequency : float
        Of the stroke, Hz.

    Returns
    -------
    (bins,) array
        Its harmonics restored as far as they can be; the others are left out. Without a filter the
        wave itself.
    """
    if filter_ is None:
        return wave
    harmonics = np.fft.rfft(wave)
    at = frequency * np.arange(len(harmonics), dtype=np.float64)
    good = trusted(filter_, at)
    ratio = response(filter_, at)
    harmonics = np.where(good, harmonics / np.where(good, ratio, 1.0), 0.0)
    return np.fft.irfft(harmonics, len(wave))


def mean_product_correction(
    first: Array,
    second: Array,
    weights: Array,
    frequency: float,
    filters: tuple[Filter | None, Filter | None],
) -> float:
    """What the filters took from the mean product of two periodic signals.

    Parameters
    ----------
    first, second : (bins,) arrays
        As recorded, averaged over bins of phase.
    weights : (bins,) array
        Part of the stroke that each bin takes.
    frequency : float
        Hz.

    Returns
    -------
    float
        To be added to the mean of the product as recorded. Two filters of unequal phase make watts
        appear or vanish. Harmonics that cannot be restored stay as they were recorded.
    """
    if filters == (None, None):
        return 0.0
    waves = (first, second)
    restored = [_restored(wave, frequency, one) for wave, one in zip(waves, filters, strict=True)]
    return float(weights @ (restored[0] * restored[1] - first * second))


def _restored(wave: Array, frequency: float, filter_: Filter | None) -> Array:
    """Wave with those harmonics restored that can be, the others as they are."""
    harmonics = np.fft.rfft(wave)
    at = frequency * np.arange(len(harmonics), dtype=np.float64)
    ratio = np.where(trusted(filter_, at), response(filter_, at), 1.0)
    return np.fft.irfft(harmonics / ratio, len(wave))
