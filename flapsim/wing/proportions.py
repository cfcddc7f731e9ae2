"""Size, loading and similarity numbers of a case, before anything is computed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.case.columns import Cases
from flapsim.quantities.efficiency import ratio
from flapsim.wing.body import weight
from flapsim.wing.strips import Strips, strips
from flapsim.wing.stroke import stroke_schedules

Array = NDArray[np.float64]


def mean_chord(wing: Strips) -> Array:
    """Area of the wing over the length of its segments, m, shape (B,) or ()."""
    return np.asarray(wing.area / (2.0 * wing.width.sum(axis=0)))


def reduced_frequency(case: Cases, wing: Strips) -> Array:
    """Angular frequency times mean semichord over airspeed, shape (B,) or (); NaN at rest."""
    semichord = 0.5 * mean_chord(wing)
    omega = 2.0 * math.pi * np.asarray(case.stroke.frequency_hz)
    return np.asarray(ratio(omega * semichord, case.flight.airspeed_m_s))


def proportions(case: Case) -> dict[str, float]:
    """Size, loading and similarity numbers of a case, by the names of `PROPORTIONS`.

    NaN where a number has no
    meaning: loadings of a wing on a rig (no mass), similarity numbers without airspeed.

    Raises CaseError if a schedule is at fault.
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
