"""The whole craft: both half wings, the port one mirrored."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flapsim.case import Case
from tests.twin.half_wing import TwinResult, simulate_half
from tests.twin.jet import Z_AXIS, Array

SEGMENTS = ("inner", "outer")
JOINTS = {
    "plunge_inner": "inner_plunge",
    "plunge_outer": "outer_plunge",
    "sweep_outer": "outer_sweep",
    "twist_inner_root": "inner_twist_root",
    "twist_inner_tip": "inner_twist_tip",
    "twist_outer_root": "outer_twist_root",
    "twist_outer_tip": "outer_twist_tip",
    "heave": "heave",
}


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
    # A heave moves a rig or a craft as a whole: the centre of mass goes with the wing.
    heave = starboard.angles.heave.value[:, None] * Z_AXIS
    about_centre = total_moment - np.cross(centre + heave, total_force)

    series = {
        "lift_n": total_force @ up,
        "thrust_n": total_force @ forward,
        "side_n": total_force[:, 1],
        "rolling_moment_n_m": about_centre[:, 0],
        "pitching_moment_n_m": about_centre[:, 1],
        "yawing_moment_n_m": about_centre[:, 2],
    }
    for name in ("aero_power", "wake_loss", "profile_loss", "inertial_power"):
        both = getattr(starboard, name) + getattr(port, name)
        series[f"{name}_w"] = both.sum(axis=0)
        for index, segment in enumerate(SEGMENTS):
            series[f"{segment}_{name}_w"] = both[index]
    for index, segment in enumerate(SEGMENTS):
        series[f"{segment}_lift_n"] = force[index] @ up
        series[f"{segment}_thrust_n"] = force[index] @ forward
    for name, series_name in JOINTS.items():
        torque = starboard.torque[name] + port.torque[name]
        series[f"torque_{series_name}_n_m"] = torque
        power = starboard.torque[name] * starboard.rate[name] + port.torque[name] * port.rate[name]
        series[f"power_{series_name}_w"] = -power
    series["force_heave_n"] = series.pop("torque_heave_n_m")
    mean = {name: float(np.mean(values)) for name, values in series.items()}
    return TwinCraft({"starboard": starboard, "port": port}, series, mean)
