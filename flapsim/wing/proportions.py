"""What a case amounts to before anything is computed: size, loading, similarity numbers.

Answers: how large and how heavily loaded is this wing, and in which range of reduced frequency and
Reynolds number does it work? Does not answer what it then does: that is `flapsim.cycle.simulate`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import Cases
from flapsim.wing.body import weight
from flapsim.wing.motion import stroke_schedules
from flapsim.wing.strips import Strips, strips

__all__ = ["mean_chord", "proportions", "ratio", "reduced_frequency"]

Array = NDArray[np.float64]


def ratio(top: ArrayLike, bottom: ArrayLike) -> Array:
    """A ratio, or NaN where the bottom is not a positive number.

    Parameters
    ----------
    top, bottom : array_like
        Numbers.
    """
    above, below = np.broadcast_arrays(
        np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)
    )
    positive = below > 0.0
    return np.where(positive, above / np.where(positive, below, 1.0), np.nan)


def mean_chord(wing: Strips) -> Array:
    """Area of the wing over the length of its segments.

    Parameters
    ----------
    wing : Strips
        One wing, or many as columns.

    Returns
    -------
    ndarray, shape (B,) or ()
        m.
    """
    return np.asarray(wing.area / (2.0 * wing.width.sum(axis=0)))


def reduced_frequency(case: Cases, wing: Strips) -> Array:
    """Angular frequency times mean semichord over airspeed.

    Returns
    -------
    ndarray, shape (B,) or ()
        NaN at rest.
    """
    return ratio(
        math.pi * np.asarray(case.stroke.frequency_hz) * mean_chord(wing), case.flight.airspeed_m_s
    )


def proportions(case: Case) -> dict[str, float]:
    """Return size, loading and similarity numbers of a case.

    Returns
    -------
    dict of str to float
        SI, names and units in `flapsim.quantities.PROPORTIONS`. NaN where a number has no meaning:
        loadings of a wing on a rig (no mass), similarity numbers without airspeed.

    Raises
    ------
    CaseError
        If a schedule is at fault.
    """
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    chord = float(mean_chord(wing))
    airspeed = case.flight.airspeed_m_s
    flies, moves = case.craft.mass_kg > 0.0, airspeed > 0.0
    return {
        "span_m": 2.0 * wing.semispan,
        "area_m2": wing.area,
        "aspect_ratio": wing.aspect_ratio,
        "mean_chord_m": chord,
        "wing_mass_kg": 2.0 * float(((wing.skin * wing.chord + wing.spar) * wing.width).sum()),
        "mass_loading_kg_m2": case.craft.mass_kg / wing.area if flies else math.nan,
        "wing_loading_n_m2": weight(case) / wing.area if flies else math.nan,
        "reduced_frequency": float(reduced_frequency(case, wing)),
        "reynolds_at_airspeed": (
            airspeed * chord / case.air.kinematic_viscosity if moves else math.nan
        ),
        "schedule_truncation": max(
            float(stroke_schedules(case.stroke, "starboard", case.folder, case.name)[1]),
            float(stroke_schedules(case.stroke, "port", case.folder, case.name)[1]),
        ),
    }
