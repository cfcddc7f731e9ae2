"""What a known filter does to a periodic signal, and how to undo it.

Answers: what was the stroke before amplifier, anti-alias filter and a resonant force balance
changed it? Works on harmonics of the averaged stroke; a harmonic that is attenuated too much is
left out, since restoring it would only amplify noise.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from flapsim.rig.channels import Filter

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAST_PASSED: Final = 0.2
"""Fraction of a harmonic that must pass the filter for it to be restored."""

BEYOND_RESONANCE: Final = 0.8
"""Fraction of the natural frequency of a force balance up to which its response is trusted."""


def response(filter_: Filter | None, frequency: Array) -> Complex:
    """Frequency response, recorded over true, for ``exp(+i omega t)``; 1 without a filter.

    Parameters
    ----------
    frequency : (n,) array
        Hz.

    Notes
    -----
    Force balance: one degree of freedom, ``1 / (1 - r^2 + 2 i zeta r)``, r the frequency over the
    natural one.
    """
    out: Complex = np.ones(len(frequency), dtype=np.complex128)
    if filter_ is None:
        return out
    if filter_.cutoff_hz is not None:
        _, out = signal.freqs_zpk(*signal.buttap(filter_.order), frequency / filter_.cutoff_hz)
    if filter_.resonance_hz is not None:
        ratio = frequency / filter_.resonance_hz
        out = out / (1.0 - ratio**2 + 2j * filter_.resonance_damping * ratio)
    return np.asarray(out * np.exp(-2j * np.pi * frequency * filter_.delay_s))


def trusted(filter_: Filter | None, frequency: Array) -> NDArray[np.bool_]:
    """Mark the frequencies at which a filter can be undone."""
    good = np.abs(response(filter_, frequency)) >= LEAST_PASSED
    if filter_ is not None and filter_.resonance_hz is not None:
        good &= frequency <= BEYOND_RESONANCE * filter_.resonance_hz
    return good


def undone(wave: Array, frequency: float, filter_: Filter | None) -> Array:
    """Return a stroke, averaged over equal bins of phase, as it was before the filter.

    Harmonics that cannot be restored are left out. Without a filter the wave itself. `frequency` is
    that of the stroke, Hz.
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
    """Mean product of two periodic signals that was lost in their filters, to be added to it.

    Filters of unequal phase create or destroy mean power. The signals are as recorded, averaged
    over bins of phase, each with its fraction of the stroke in `weights`; frequency in Hz.
    Harmonics that cannot be restored stay as recorded.
    """
    if filters == (None, None):
        return 0.0
    waves = (first, second)
    restored = [_restored(wave, frequency, one) for wave, one in zip(waves, filters, strict=True)]
    return float(weights @ (restored[0] * restored[1] - first * second))


def _restored(wave: Array, frequency: float, filter_: Filter | None) -> Array:
    """Wave with its harmonics restored where that is possible, the others as recorded."""
    harmonics = np.fft.rfft(wave)
    at = frequency * np.arange(len(harmonics), dtype=np.float64)
    ratio = np.where(trusted(filter_, at), response(filter_, at), 1.0)
    return np.fft.irfft(harmonics / ratio, len(wave))
