"""What is asked of every contestant: the wing, the designs, the means they return.

Two segments of 12 strips, 128 steps, thin plate with suction and turbulent friction, static stall,
slope induction, finite-wing lag, apparent mass, driven twist.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.kernel import Batch, solve
from flapsim.kernel import layout as at
from validation.textbook import as_case

Array = NDArray[np.float64]


def benchmark_case() -> Case:
    """The wing of the benchmark: 1.2 m, two segments."""
    return as_case(
        {
            "title": "Speed",
            "air": {"density_kg_m3": 1.225, "kinematic_viscosity_m2_s": 1.46e-5},
            "craft": {
                "mass_kg": 0.24,
                "shoulder_offset_m": 0.04,
                "body_drag_area_m2": 0.0,
                "centre_of_mass_m": [0.0, 0.0, 0.0],
            },
            "flight": {"airspeed_m_s": 5.0, "pitch_deg": 3.8},
            "wing": {
                "twist_axis": 0.2,
                "section": {
                    "law": "thin-plate",
                    "zero_lift_deg": -5.0,
                    "suction": 0.8,
                    "friction_factor": 1.6,
                },
                "inner": {"length_m": 0.22, "chord_m": [[0.0, 0.28], [1.0, 0.27]]},
                "outer": {"length_m": 0.34, "chord_m": [[0.0, 0.27], [0.5, 0.24], [1.0, 0.08]]},
            },
            "stroke": {
                "frequency_hz": 2.8,
                "inner": {
                    "plunge": {"mean_deg": 4.0, "amplitude_deg": 20.4},
                    "twist": {"tip_amplitude_deg": 10.5, "tip_lag_deg": -72.0},
                },
                "outer": {
                    "plunge": {"amplitude_deg": 20.4, "lag_deg": 56.0},
                    "twist": {
                        "tip_mean_deg": -3.6,
                        "tip_amplitude_deg": 34.0,
                        "tip_lag_deg": -57.0,
                    },
                },
            },
            "model": {"induced": "slope", "steps": 128},
        }
    )


def columns(count: int) -> dict[str, Array]:
    """Numbers in which the designs differ, spread evenly and fixed."""
    random = np.random.default_rng(7)

    def between(low: float, high: float) -> Array:
        return random.uniform(low, high, count)

    return {
        "flight.airspeed_m_s": between(4.0, 7.0),
        "flight.pitch_deg": between(0.0, 6.0),
        "stroke.frequency_hz": between(2.0, 3.5),
        "stroke.inner.plunge.amplitude_deg": between(10.0, 25.0),
        "stroke.outer.plunge.amplitude_deg": between(10.0, 25.0),
        "stroke.outer.plunge.lag_deg": between(30.0, 80.0),
        "stroke.outer.twist.tip_amplitude_deg": between(25.0, 40.0),
        "stroke.outer.twist.tip_lag_deg": between(-75.0, -45.0),
    }


def passive_case() -> Case:
    """The wing of the benchmark with an outer segment twisted by spring, air and mass."""
    spring = {
        "mode": "passive",
        "rest_deg": -3.6,
        "stiffness_n_m_rad": 0.1,
        "damping_n_m_s_rad": 0.0015,
    }
    light = {"wing.inner.skin_kg_m2": 0.15, "wing.outer.skin_kg_m2": 0.12}
    return benchmark_case().replace({"stroke.outer.twist": spring, **light})


def passive_columns(count: int) -> dict[str, Array]:
    """Numbers in which passive designs differ: those of `columns`, the spring for the schedule."""
    same = {key: values for key, values in columns(count).items() if ".outer.twist." not in key}
    stiffness = np.random.default_rng(8).uniform(0.07, 0.15, count)
    return same | {"stroke.outer.twist.stiffness_n_m_rad": stiffness}


class Means(NamedTuple):
    """Stroke means of half a wing, each of shape (designs,)."""

    lift: Array
    thrust: Array
    power: Array
    wake_loss: Array
    profile_loss: Array
    torques: Array


def by_kernel(batch: Batch, threads: int = 1) -> Means:
    """All designs of a batch by the compiled kernel."""
    mean = solve(batch, inertia=False, threads=threads).mean

    def both(row: int) -> Array:
        return np.asarray(mean[row] + mean[at.SEGMENT_SERIES + row])

    torques = [
        at.PLUNGE_INNER,
        at.PLUNGE_OUTER,
        at.TWIST_INNER_ROOT,
        at.TWIST_INNER_TIP,
        at.TWIST_OUTER_ROOT,
        at.TWIST_OUTER_TIP,
    ]
    return Means(
        both(at.SERIES_LIFT),
        both(at.SERIES_THRUST),
        both(at.SERIES_POWER),
        both(at.SERIES_WAKE),
        both(at.SERIES_PROFILE),
        mean[[at.SERIES_TORQUE + row for row in torques]],
    )


def disagreement(first: Means, second: Means) -> float:
    """Largest difference of any mean of any design, on the greatest of its kind."""
    shares = []
    for a, b in zip(map(np.atleast_2d, first), map(np.atleast_2d, second), strict=True):
        shares.append(np.max(np.abs(a - b) / np.max(np.abs(a), axis=1, keepdims=True)))
    return float(np.max(shares))
