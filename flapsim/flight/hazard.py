"""Hazards of a craft to people: energies in cruise, in a fall and of a wing strike, with warnings.

Part of every flight report. Whether a flight is allowed or safe is for local rules and licensed
people to decide.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, replace

import numpy as np

from flapsim.case import Case
from flapsim.cycle.simulate import Cycle
from flapsim.flight.loads import motion_schedules, wing_kinetic_energy
from flapsim.kernel.section import plate_drag_coefficient
from flapsim.quantities import HAZARDS
from flapsim.wing.body import weight
from flapsim.wing.motion import strip_motion
from flapsim.wing.strips import strips

_SKIN_FRICTION = 0.01
"""Friction coefficient of a wing edge-on, both sides; a low one, for a high speed."""


@dataclass(frozen=True)
class Hazard:
    """Energies and warnings of a craft.

    Attributes
    ----------
    values : dict of str to float
        Names and units in `HAZARDS`; NaN where one has no meaning.
    text : str
        Plain words, wrapped at 80 columns.
    """

    values: dict[str, float]
    text: str

    def attributes(self) -> dict[str, str | float]:
        """Numbers and words by name, to be written beside a result: ``hazard.cruise_energy_j``."""
        named = {f"hazard.{name}": value for name, value in self.values.items()}
        return {"hazard": self.text} | named


def hazard_note(case: Case, cycle: Cycle) -> Hazard:
    """Energies of a craft that falls, flies into or strikes someone, with warnings.

    Notes
    -----
    Three falls bracket the speed. Flat: the wing as a plate across the fall, the slowest; the drag
    coefficient is Viterna & Corrigan's (1982) for its aspect ratio. Tumbling: the mean area that a
    thin plate shows to all directions is half its area (Cauchy 1841). Dive: nose first, the drag of
    the body and a low friction of the wing, the fastest; a craft that falls from low never gets
    there. Energies per area use the body's drag area for its front, which is smaller than the
    front of most bodies and so errs on the high side.
    """
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    mass, density = case.craft.mass_kg, case.air.density
    body = case.craft.body_drag_area_m2
    plate = float(plate_drag_coefficient(wing.aspect_ratio)) * wing.area
    falls = {
        "flat_fall": plate + body,
        "tumbling_fall": 0.5 * plate + body,
        "dive": _SKIN_FRICTION * wing.area + body,
    }
    nothing = math.nan if mass == 0.0 else 1.0
    values = {"cruise_energy_j": nothing * 0.5 * mass * case.flight.airspeed_m_s**2}
    for name, drag_area in falls.items():
        speed = nothing * math.sqrt(2.0 * weight(case) / (density * drag_area))
        values[f"{name}_speed_m_s"] = speed
        values[f"{name}_energy_j"] = 0.5 * mass * speed**2
    per_area = 1.0 / body if body > 0.0 else math.nan
    values["cruise_energy_per_area_j_m2"] = values["cruise_energy_j"] * per_area
    values["dive_energy_per_area_j_m2"] = values["dive_energy_j"] * per_area
    values["wing_tip_speed_m_s"] = _tip_speed(cycle)
    values["wing_strike_energy_j"] = float(wing_kinetic_energy(cycle).max())
    values["rotor_energy_j"] = values["battery_energy_j"] = math.nan
    drive = case.drive
    if drive is not None:
        speed = 2.0 * math.pi * case.stroke.frequency_hz * drive.gear_ratio
        values["rotor_energy_j"] = 0.5 * drive.motor.rotor_inertia_kg_m2 * speed**2
        values["battery_energy_j"] = 3600.0 * drive.battery.capacity_ah * drive.battery.voltage_v
    return Hazard({name: values[name] for name in HAZARDS}, _words(case, values))


def _tip_speed(cycle: Cycle) -> float:
    """Largest speed of the wing tip's twist axis against the body, m/s."""
    case = cycle.case
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    last = case.wing.outer or case.wing.inner
    distance, fraction = wing.distance.copy(), wing.fraction.copy()
    distance[-1], fraction[-1] = last.length_m, 1.0
    # The motion depends only on where a strip is: move the last one to the tip.
    at_tip = replace(wing, distance=distance, fraction=fraction)
    motion = strip_motion(
        at_tip, motion_schedules(cycle), case.stroke.frequency_hz,
        case.craft.shoulder_offset_m, math.radians(case.stroke.plane_deg), cycle.phase,
        case.wing.twist_axis,
    )  # fmt: skip
    return float(np.sqrt((motion.velocity[:, -1] ** 2).sum(axis=0)).max())


def _words(case: Case, values: dict[str, float]) -> str:
    craft = case.craft.mass_kg > 0.0
    parts = []
    if craft:
        parts.append(
            f"If it flies into someone: {values['cruise_energy_j']:.2g} J at"
            f" {case.flight.airspeed_m_s:.3g} m/s{_area_words(values)}"
        )
        parts.append(
            "If it falls from high enough with its wings still: between"
            f" {values['flat_fall_speed_m_s']:.2g} m/s and {values['flat_fall_energy_j']:.2g} J"
            f" flat, {values['tumbling_fall_speed_m_s']:.2g} m/s and"
            f" {values['tumbling_fall_energy_j']:.2g} J tumbling, and up to"
            f" {values['dive_speed_m_s']:.2g} m/s and {values['dive_energy_j']:.2g} J nose first."
        )
    rotor = values["rotor_energy_j"]
    massless = [
        f"wing.{name}"
        for name, segment in (("inner", case.wing.inner), ("outer", case.wing.outer))
        if segment is not None and segment.skin_kg_m2 == 0.0 and segment.spar_kg_m == 0.0
    ]
    missing = f" (without {' and '.join(massless)}, which has no mass here)" if massless else ""
    behind = f", with {rotor:.2g} J in the motor's rotor behind them" if rotor > 0.0 else ""
    parts.append(
        f"If a wing strikes: its tip moves at up to {values['wing_tip_speed_m_s']:.2g} m/s and one"
        f" wing carries up to {values['wing_strike_energy_j']:.2g} J{missing}{behind};"
        " the drive keeps pushing until power is cut. Leading edges and spar ends are sharp:"
        " round them, keep eyes and fingers out of the stroke, restrain the craft on the bench."
    )
    if case.drive is not None:
        battery = case.drive.battery
        parts.append(
            f"The battery holds {values['battery_energy_j'] / 3600.0:.2g} W h"
            f" ({battery.voltage_v:g} V, {battery.capacity_ah:g} A h). Lithium cells that are"
            " crushed, shorted, overcharged or run flat can burn minutes later: charge them"
            " watched, away from what burns, and put a crashed pack outside."
        )
    parts.append(
        "These numbers come from a model; they prove neither safety nor compliance with any rule."
        + (
            " Check the local rules before flying, and leave to licensed people what is theirs to"
            " judge."
            if craft
            else " Follow the local rules for running it."
        )
    )
    return "\n".join(line for part in parts for line in textwrap.wrap(part, 80))


def _area_words(values: dict[str, float]) -> str:
    per_area = values["cruise_energy_per_area_j_m2"]
    if not math.isfinite(per_area):
        return "."
    return f", {per_area * 1e-4:.2g} J on each square centimetre of its drag area."
