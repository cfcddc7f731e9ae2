"""The whole craft: both half wings, the port one mirrored."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flapsim.case import Case
from tests.twin.half_wing import TwinResult, simulate_half
from tests.twin.jet import Array

SEGMENTS = ("inner", "outer")


@dataclass(frozen=True)
class TwinCraft:
    """Both halves of a craft over one cycle.

    Attributes
    ----------
    halves : dict of TwinResult
        ``starboard`` and ``port``.
    series : dict of (n_steps,) arrays
        Whole craft, under the names of the series of a cycle.
    mean : dict of float
        Their means over the cycle.
    """

    halves: dict[str, TwinResult]
    series: dict[str, Array]
    mean: dict[str, float]


def simulate_craft(case: Case) -> TwinCraft:
    """Compute both half wings and add them up."""
    starboard = simulate_half(case, "starboard")
    port = starboard if case.stroke.port is None else simulate_half(case, "port")
    mirror, turn_mirror = np.array([1.0, -1.0, 1.0]), np.array([-1.0, 1.0, -1.0])
    force = starboard.force + mirror * port.force
    moment = starboard.moment + turn_mirror * port.moment

    pitch = np.radians(case.flight.pitch_deg)
    up = np.array([-np.sin(pitch), 0.0, np.cos(pitch)])
    forward = -np.array([np.cos(pitch), 0.0, np.sin(pitch)])
    total_force, total_moment = force.sum(axis=0), moment.sum(axis=0)
    centre = np.array(case.craft.centre_of_mass_m)
    about_centre = total_moment - np.cross(centre, total_force)

    series = {
        "lift_n": total_force @ up,
        "thrust_n": total_force @ forward,
        "side_n": total_force[:, 1],
        "pitching_moment_n_m": about_centre[:, 1],
    }
    for name in ("aero_power", "wake_loss", "profile_loss", "inertial_power"):
        both = getattr(starboard, name) + getattr(port, name)
        series[f"{name}_w"] = both.sum(axis=0)
        for index, segment in enumerate(SEGMENTS):
            series[f"{segment}_{name}_w"] = both[index]
    for index, segment in enumerate(SEGMENTS):
        series[f"{segment}_lift_n"] = force[index] @ up
        series[f"{segment}_thrust_n"] = force[index] @ forward
    mean = {name: float(np.mean(values)) for name, values in series.items()}
    return TwinCraft({"starboard": starboard, "port": port}, series, mean)
