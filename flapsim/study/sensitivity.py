"""Sensitivity of a quantity to the keys of a plan: rank correlations and Sobol' indices."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import StudyError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Influence:
    """How much one dimension of a plan influences a quantity.

    Spearman's rank correlation (`rank`, -1 to 1); and Sobol' indices, the part of the variance that
    the dimension explains by itself (`first`) and together with all others (`total`), each with the
    half width of its 95 % bootstrap interval; NaN unless the plan's sampling was "saltelli".
    """

    name: str
    rank: float
    first: float = np.nan
    total: float = np.nan
    first_error: float = np.nan
    total_error: float = np.nan


def rank_correlation(inputs: Mapping[str, Array], output: Array) -> dict[str, float]:
    """Spearman's rank correlation of an output with each input, all of shape (n,).

    Points without a finite output are left out; NaN where one of the two does not vary.
    """
    from scipy.stats import spearmanr

    good = np.isfinite(output)
    out = {}
    for name, values in inputs.items():
        x, y = values[good], output[good]
        varied = x.size > 2 and np.ptp(x) > 0.0 and np.ptp(y) > 0.0
        out[name] = float(spearmanr(x, y).statistic) if varied else np.nan
    return out


def sobol_indices(output: Array, width: int, seed: int = 0) -> tuple[Array, Array, Array, Array]:
    """First and total Sobol' indices and their errors, shape (width,) each.

    `output`, shape (samples (width + 2),), holds the values at the rows of a `CrossedSobol` sample;
    `seed` is that of the bootstrap. Base samples that are not finite throughout are left out.

    Raises
    ------
    StudyError
        If SALib is not installed, or too few base samples are finite.
    """
    try:
        from SALib.analyze import sobol
    except ImportError as error:
        message = "Sobol' indices need the library SALib: pip install 'flapsim[sensitivity]'"
        raise StudyError(message) from error
    sets = output.reshape(-1, width + 2)
    sets = sets[np.isfinite(sets).all(axis=1)]
    if len(sets) < 8:
        raise StudyError(
            f"Sobol' indices need 8 base samples with an answer at every point, found {len(sets)}"
        )
    if np.ptp(sets) == 0.0:
        nothing = np.full(width, np.nan)
        return nothing, nothing, nothing, nothing
    problem = {
        "num_vars": width,
        "names": list(map(str, range(width))),
        "bounds": [[0.0, 1.0]] * width,
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # SALib divides by zero for keys without effect
        found = sobol.analyze(
            problem, sets.ravel(), calc_second_order=False, seed=seed, print_to_console=False
        )
    return found["S1"], found["ST"], found["S1_conf"], found["ST_conf"]
