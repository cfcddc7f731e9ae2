"""Uncertainty of results as in the Guide (JCGM 100:2008): propagation, scatter, coverage, budget.

Knows nothing of rigs. Type A: the scatter of consecutive strokes, from means over blocks of strokes
so long that one block hardly depends on the one before. Type B: sensors and constants.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import uncertainties
from numpy.typing import NDArray
from scipy.stats import t as student

Array = NDArray[np.float64]
Uncertain = Any
"""A number of the library `uncertainties`, or a plain number without uncertainty."""

CONFIDENCE: Final = 0.95
SCATTER: Final = "scatter between strokes"


@dataclass(frozen=True, slots=True)
class Estimate:
    """One result with its standard uncertainty.

    Attributes
    ----------
    low, high : float
        Coverage interval, 95 %.
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite (JCGM 100, G.4.1).
    scatter_low, scatter_high : float
        95 % interval of the scatter alone, from resampling blocks of strokes; NaN where it does not
        apply.
    """

    value: float
    uncertainty: float
    low: float
    high: float
    degrees_of_freedom: float
    scatter_low: float = math.nan
    scatter_high: float = math.nan


@dataclass(frozen=True, slots=True)
class Share:
    """Contribution of one source to the uncertainty of a result, and its part of the variance."""

    source: str
    uncertainty: float
    part: float


def coverage_factor(degrees_of_freedom: float) -> float:
    """Coverage factor of a 95 % interval: Student's t (JCGM 100, G.3)."""
    return float(student.ppf(0.5 + 0.5 * CONFIDENCE, degrees_of_freedom))


def linearised(function: Callable[..., Array], inputs: Sequence[Uncertain]) -> list[Uncertain]:
    """Values of a function, with the uncertainty of its inputs to first order.

    Parameters
    ----------
    function : callable
        Takes as many numbers as there are inputs, returns an array of shape (n,).
    inputs : sequence of float or uncertain number
        May be correlated.

    Notes
    -----
    JCGM 100:2008, 5.1.2 and 5.2.2. Sensitivities are differences over one standard uncertainty to
    either side.
    """
    at = [float(uncertainties.nominal_value(value)) for value in inputs]
    out: list[Uncertain] = [float(value) for value in function(*at)]
    for place, value in enumerate(inputs):
        spread = uncertainties.std_dev(value)
        if spread == 0.0:
            continue
        above, below = (
            [*at[:place], at[place] + step, *at[place + 1 :]] for step in (spread, -spread)
        )
        slopes = (function(*above) - function(*below)) / (2.0 * spread)
        out = [
            result + float(slope) * (value - at[place])
            for result, slope in zip(out, slopes, strict=True)
        ]
    return out


def block_length(series: Array) -> int:
    """Strokes to a block, so that one block hardly depends on the one before.

    Returns
    -------
    int
        The cube root of n, or four correlation times where those are longer; at most n / 8.

    Notes
    -----
    Blocks that grow with the cube root of the series are the best compromise of bias and scatter
    for the variance of a mean (Hall, Horowitz & Jing 1995). Correlation time: integrated
    autocorrelation with the window of Sokal (1997), cut at five times itself.
    """
    deviation = series - series.mean()
    count = len(series)
    most = max(count // 8, 1)
    least = min(math.ceil(float(np.cbrt(count))), most)
    power = float(deviation @ deviation)
    if power <= 0.0:
        return least
    spectrum = np.abs(np.fft.rfft(deviation, 2 * count)) ** 2
    correlation = np.fft.irfft(spectrum)[:count] / power
    time = np.cumsum(correlation) - 0.5
    cut = np.flatnonzero(np.arange(count) >= 5.0 * time)
    length = float(time[cut[0]]) if cut.size else 0.5
    wanted = math.ceil(4.0 * length) if length > 0.75 else 1
    return max(least, min(wanted, most))


def block_means(series: NDArray[Any], length: int) -> NDArray[Any]:
    """Means over consecutive blocks, shape (n // length, ...); an incomplete block is left out."""
    count = len(series) // length
    blocks = series[: count * length].reshape(count, length, *series.shape[1:])
    return np.asarray(blocks.mean(axis=1, dtype=np.result_type(series, np.float64)))


def means_with_scatter(middle: Array, blocks: Array) -> list[Uncertain]:
    """Means with the uncertainty that the scatter of independent observations gives them.

    Parameters
    ----------
    middle : (k,) array
        Means of k quantities.
    blocks : (k, n) array
        n observations of all k together.

    Returns
    -------
    list of k uncertain numbers
        Correlated as the observations are.

    Notes
    -----
    JCGM 100:2008, 4.2.3 and 5.2.3 (covariance of means).
    """
    covariance = np.atleast_2d(np.cov(blocks)) / blocks.shape[1]
    values = [float(value) for value in middle]
    return list(
        uncertainties.correlated_values(values, covariance.tolist(), tags=[SCATTER] * len(values))
    )


def estimate_of(value: Uncertain, blocks: int, scatter: tuple[float, float]) -> Estimate:
    """Estimate of an uncertain number whose scatter comes from `blocks` observations."""
    middle, spread = uncertainties.nominal_value(value), uncertainties.std_dev(value)
    random = math.sqrt(sum(s**2 for source, s in _contributions(value) if source == SCATTER))
    freedom = (blocks - 1) * (spread / random) ** 4 if random > 0.0 else math.inf
    reach = coverage_factor(freedom) * spread
    return Estimate(middle, spread, middle - reach, middle + reach, freedom, *scatter)


def budget_of(value: Uncertain) -> tuple[Share, ...]:
    """Uncertainty budget of a result, the largest share first."""
    variances: dict[str, float] = {}
    for source, spread in _contributions(value):
        variances[source] = variances.get(source, 0.0) + spread**2
    whole = sum(variances.values())
    shares = [
        Share(source, math.sqrt(variance), float(variance / whole))
        for source, variance in variances.items()
        if variance > 0.0
    ]
    return tuple(sorted(shares, key=lambda share: -share.part))


def _contributions(value: Uncertain) -> list[tuple[str, float]]:
    if not isinstance(value, uncertainties.UFloat):
        return []
    return [(str(source.tag), abs(s)) for source, s in value.error_components().items()]
