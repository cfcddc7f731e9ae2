"""Shed wake: how the lift of a section lags behind its downwash.

The lag acts on the downwash as a velocity, in semichords travelled, and is found in its periodic
state directly: the state is linear in itself, so one pass from rest and the product of the decay
factors give its starting value; nobody marches cycle after cycle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

POLES = 2
"""Number of exponentials the kernel carries; a one-pole lag leaves the second at zero."""

JONES = ((0.165, 0.0455), (0.335, 0.300))
"""Wagner's function as two exponentials (amplitude, rate per semichord): R. T. Jones (1940),
NACA TR 681. Within 0.0065 of the exact function up to 50 semichords."""


def finite_wing_lag(aspect_ratio: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Amplitude and rate per semichord of the one-exponential lag of a finite wing.

    DeLaurier, J. D. (1993), Aeronautical Journal 97, 125, after Scherer, J. O. (1968): ``C1 = 0.5
    AR/(2.32 + AR)``, ``C2 = 0.181 + 0.772/AR``.
    """
    ar = np.asarray(aspect_ratio, dtype=np.float64)
    return 0.5 * ar / (2.32 + ar), 0.181 + 0.772 / ar


def lag_constants(kind: str, aspect_ratio: ArrayLike) -> NDArray[np.float64]:
    """Amplitude and rate of the first, then of the second exponential, shape (4, ...).

    ``kind`` is "finite-wing" or "two-dimensional"; ``aspect_ratio`` has shape (...,).
    """
    ar = np.asarray(aspect_ratio, dtype=np.float64)
    out = np.zeros((2 * POLES, *ar.shape))
    if kind == "finite-wing":
        out[0], out[1] = finite_wing_lag(ar)
    else:
        for pole, (amplitude, rate) in enumerate(JONES):
            out[2 * pole], out[2 * pole + 1] = amplitude, rate
    return out
