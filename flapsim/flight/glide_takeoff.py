"""Glide with the wings held still, and thrust margin and steepest climb at full stroke."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from flapsim.case import Case
from flapsim.case.rules import show
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.faults import CaseError, Fault
from flapsim.flight.drive_power import refusal_of_drive, watts
from flapsim.flight.hazard import hazard_note
from flapsim.flight.trim import NoTrim, Trim, flight_words, trim
from flapsim.wing.body import weight
from flapsim.wing.stroke import (
    PLUNGE_INNER,
    PLUNGE_OUTER,
    SWEEP_OUTER,
    TWIST_INNER_ROOT,
    TWIST_INNER_TIP,
    TWIST_OUTER_ROOT,
    TWIST_OUTER_TIP,
    stroke_schedules,
)

GLIDE = ("flight.pitch_deg", "flight.climb_deg")
"""What is free in a glide: the path finds its own angle."""


def wings_held(case: Case, plunge_deg: float | None = None) -> Case:
    """The same craft with its wings held still at the mean of each motion; a passive twist stays.

    `plunge_deg` is the dihedral of the inner segments in place of their mean plunge.
    """
    schedules, _ = stroke_schedules(case.stroke, "starboard", case.folder, case.name)
    mean = np.degrees(schedules[:, 0])
    changes: dict[str, object] = {"stroke.heave": None, "stroke.port": None}
    changes["stroke.inner.plunge"] = {
        "mean_deg": float(mean[PLUNGE_INNER]) if plunge_deg is None else plunge_deg
    }
    rows = {"inner": (TWIST_INNER_ROOT, TWIST_INNER_TIP)}
    if case.stroke.outer is not None:
        changes["stroke.outer.plunge"] = {"mean_deg": float(mean[PLUNGE_OUTER])}
        if case.stroke.outer.sweep is not None:
            changes["stroke.outer.sweep"] = {"mean_deg": float(mean[SWEEP_OUTER])}
        rows["outer"] = (TWIST_OUTER_ROOT, TWIST_OUTER_TIP)
    for name, (root, tip) in rows.items():
        twist = getattr(case.stroke, name).twist
        if twist is not None and twist.mode != "passive":
            changes[f"stroke.{name}.twist"] = {
                "root_mean_deg": float(mean[root]),
                "tip_mean_deg": float(mean[tip]),
            }
    return case.replace(changes)


@dataclass(frozen=True)
class Glide:
    """Steady flight with the wings held.

    Attributes
    ----------
    trim : Trim
        The state.
    angle_deg : float
        Angle of the path below the horizontal.
    glide_ratio : float
        Distance over height.
    """

    trim: Trim
    angle_deg: float
    sink_rate_m_s: float
    glide_ratio: float
    verdict: str


def glide(case: Case, bounds: Mapping[str, tuple[float, float]] | None = None) -> Glide:
    """Trim a craft with its wings held: body pitch and path angle are free, within `bounds`.

    Raises NoTrim if it cannot glide at its airspeed.
    """
    # The drive stands still: it counts only for the hazards.
    held = wings_held(case).replace({"flight.climb_deg": -8.0, "drive": None})
    found = trim(held, GLIDE, bounds=bounds)
    with_drive = found.case.replace({"drive": case.drive})
    found = replace(found, hazard=hazard_note(with_drive, replace(found.cycle, case=with_drive)))
    angle = -found.solution["flight.climb_deg"]
    speed = case.flight.airspeed_m_s
    sink = speed * math.sin(math.radians(angle))
    ratio = 1.0 / math.tan(math.radians(angle)) if angle > 0.0 else math.nan
    pitch = found.solution["flight.pitch_deg"]
    return Glide(
        found,
        angle,
        sink,
        ratio,
        f"Glide at {speed:.4g} m/s, wings held: path {angle:.3g} deg down, sinking {sink:.3g} m/s,"
        f" glide ratio {ratio:.3g}, nose {pitch - angle:+.3g} deg against the horizon.",
    )


@dataclass(frozen=True)
class TakeOff:
    """Thrust margin and steepest climb at full stroke.

    Attributes
    ----------
    case : Case
        The case at full stroke, its pitch set so that lift carries the weight.
    margin : float
        Thrust minus drag, relative to the weight.
    climb_deg : float
        Steepest steady climb at that airspeed and stroke, NaN if there is none.
    watts : dict of str to float
        Of the drive, and ``aero_power_w``.
    """

    case: Case
    cycle: Cycle
    margin: float
    climb_deg: float
    climb_rate_m_s: float
    watts: dict[str, float]
    verdict: str


def take_off(case: Case, full: Mapping[str, float]) -> TakeOff:
    """Thrust margin and steepest climb at full stroke, such as ``{"stroke.frequency_hz": 3.6}``.

    The airspeed of the case is that at which it leaves the hand or the ground. Raises CaseError for
    a key or value at fault, and NoTrim if lift cannot carry the weight even so.
    """
    worded = [key for key, value in full.items() if not isinstance(value, int | float)]
    if worded:
        raise CaseError([Fault(case.name, key, show(full[key]), "a number") for key in worded])
    hard = case.replace(dict(full)).replace({"flight.climb_deg": 0.0})
    level = trim(hard, ("flight.pitch_deg",), ("lift",))
    margin = (level.cycle.mean["thrust_n"] - level.cycle.mean["drag_n"]) / weight(hard)
    try:
        climbing = trim(level.case, GLIDE)
        steepest = climbing.solution["flight.climb_deg"]
    except NoTrim:
        steepest = math.nan
    rate = hard.flight.airspeed_m_s * math.sin(math.radians(steepest))
    cycle = simulate(level.case)
    taken = {"aero_power_w": cycle.mean["aero_power_w"]} | watts(cycle)
    can = margin > 0.0
    stalled = 100.0 * cycle.check["stalled_fraction"]
    words = ", ".join(f"{key} = {value:.4g}" for key, value in full.items())
    electrical = taken["electrical_power_w"]
    power = f"{taken['aero_power_w']:.3g} W aerodynamic"
    if math.isfinite(electrical):
        power += f", {electrical:.3g} W electrical"
    return TakeOff(
        level.case,
        cycle,
        margin,
        steepest,
        rate,
        taken,
        f"{flight_words(hard)} at full stroke ({words}): excess thrust {100 * margin:+.3g} %"
        f" of the weight, {'steepest climb' if can else 'no climb, descent of'}"
        f" {abs(steepest):.3g} deg ({abs(rate):.3g} m/s); {power}; {stalled:.0f} % stalled."
        f" {refusal_of_drive(cycle)}".rstrip(),
    )
