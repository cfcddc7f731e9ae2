"""The tables of a case about the craft: air, craft, flight, wing, model and drive.

Answers: what may these tables hold, and which of their keys belong together? The stroke has a
module of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from flapsim.case.rules import (
    ANY_NUMBER,
    HALF_TURN,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Stations,
    Switch,
    Table,
    Text,
    Word,
    ruled,
)
from flapsim.case.tables import read_polar, standard_atmosphere
from flapsim.case.text import Found

_PART = Number(least=0.0, most=1.0)
_QUARTER_TURN = Number(least=-90.0, most=90.0)


@dataclass(frozen=True, slots=True)
class Air:
    """State of the air: density and viscosity, or an altitude in the standard atmosphere.

    Attributes
    ----------
    density_kg_m3, kinematic_viscosity_m2_s : float or None
        Both, or neither.
    altitude_m : float or None
        Geometric altitude, -1000..20000 m.
    temperature_c : float or None
        Replaces the standard temperature at that altitude; the pressure stays the standard one.
    """

    density_kg_m3: float | None = field(default=None, metadata=ruled(POSITIVE))
    kinematic_viscosity_m2_s: float | None = field(default=None, metadata=ruled(POSITIVE))
    altitude_m: float | None = field(
        default=None, metadata=ruled(Number(least=-1000.0, most=20000.0))
    )
    temperature_c: float | None = field(
        default=None, metadata=ruled(Number(least=-90.0, most=60.0))
    )

    @property
    def density(self) -> float:
        """Density, kg/m^3."""
        if self.density_kg_m3 is not None:
            return self.density_kg_m3
        return standard_atmosphere(self._altitude, self.temperature_c).density

    @property
    def kinematic_viscosity(self) -> float:
        """Kinematic viscosity, m^2/s."""
        if self.kinematic_viscosity_m2_s is not None:
            return self.kinematic_viscosity_m2_s
        return standard_atmosphere(self._altitude, self.temperature_c).kinematic_viscosity

    @property
    def _altitude(self) -> float:
        return 0.0 if self.altitude_m is None else self.altitude_m

    @staticmethod
    def check(found: Found) -> None:
        """Report a state that is given twice, by halves or not at all."""
        measured = ("density_kg_m3", "kinematic_viscosity_m2_s")
        either = "either density_kg_m3 and kinematic_viscosity_m2_s, or altitude_m"
        if "altitude_m" in found.table:
            for name in measured:
                if name in found.table:
                    found.wrong(name, f"{either}, not both")
            return
        if "temperature_c" in found.table:
            found.wrong(
                "temperature_c",
                "no temperature without altitude_m",
                "it changes the standard atmosphere at altitude_m",
            )
        for name in measured:
            found.require(name, POSITIVE.allowed, f"give {either}")


@dataclass(frozen=True, slots=True)
class Tail:
    """Horizontal tail: area, lever arm aft of the centre of mass, aspect ratio, incidence."""

    area_m2: float = field(metadata=ruled(POSITIVE))
    arm_m: float = field(metadata=ruled(ANY_NUMBER))
    aspect_ratio: float = field(metadata=ruled(POSITIVE))
    angle_deg: float = field(metadata=ruled(_QUARTER_TURN))


@dataclass(frozen=True, slots=True)
class Craft:
    """What carries the wing.

    Attributes
    ----------
    mass_kg : float
        0 for a wing on a rig, which has no weight to carry.
    shoulder_offset_m : float
        Plane of symmetry to the flap hinge.
    body_drag_area_m2 : float
        Drag coefficient times area.
    centre_of_mass_m : tuple of 3 floats
        x aft, y to starboard, z up from the plane of symmetry at the shoulder line.
    tail : Tail or None
    """

    mass_kg: float = field(metadata=ruled(NOT_NEGATIVE))
    shoulder_offset_m: float = field(metadata=ruled(NOT_NEGATIVE))
    body_drag_area_m2: float = field(metadata=ruled(NOT_NEGATIVE))
    centre_of_mass_m: tuple[float, float, float] = field(metadata=ruled(Numbers(count=3)))
    tail: Tail | None = field(default=None, metadata=ruled(Table(Tail)))


@dataclass(frozen=True, slots=True)
class Flight:
    """Flight state: airspeed, body pitch nose-up, climb angle of the flight path."""

    airspeed_m_s: float = field(metadata=ruled(NOT_NEGATIVE))
    pitch_deg: float = field(metadata=ruled(HALF_TURN))
    climb_deg: float = field(default=0.0, metadata=ruled(_QUARTER_TURN))


@dataclass(frozen=True, slots=True)
class Section:
    """Section law: the force of a strip from the flow that it meets.

    Attributes
    ----------
    law : {"thin-airfoil", "thin-plate", "polar", "revolving-plate"}
    file : str or None
        Table of a polar, relative to the case file; for that law only.
    zero_lift_deg : float
        Incidence without lift; negative for a section arched upward.
    suction : float
        Part of the leading-edge suction that is realised, 0 (sharp plate) to 1.
    stall_deg, stall_width_deg : float
        Middle and width of the range of incidence over which the flow separates.
    friction : {"turbulent", "laminar"} or float
        Law of the skin friction, or the friction coefficient of both sides together.
    friction_factor : float
        Multiplies the friction.
    """

    law: Literal["thin-airfoil", "thin-plate", "polar", "revolving-plate"] = field(
        metadata=ruled(Word(("thin-airfoil", "thin-plate", "polar", "revolving-plate")))
    )
    file: str | None = field(default=None, metadata=ruled(Text()))
    zero_lift_deg: float = field(default=0.0, metadata=ruled(Number(least=-45.0, most=45.0)))
    suction: float = field(default=1.0, metadata=ruled(_PART))
    stall_deg: float = field(default=12.0, metadata=ruled(Number(above=0.0, below=90.0)))
    stall_width_deg: float = field(default=8.0, metadata=ruled(Number(above=0.0, below=90.0)))
    friction: Literal["turbulent", "laminar"] | float = field(
        default="turbulent", metadata=ruled(Word(("turbulent", "laminar"), NOT_NEGATIVE))
    )
    friction_factor: float = field(default=1.0, metadata=ruled(NOT_NEGATIVE))

    @staticmethod
    def check(found: Found) -> None:
        """Report a file without a polar, a polar without a file, and a stall out of range."""
        law = found.values.get("law")
        if law == "polar":
            found.require("file", "the name of a CSV file", 'law = "polar" reads it')
            found.read_file("file", read_polar)
        elif law is not None and "file" in found.table:
            found.wrong("file", f'no file with law = "{law}"', 'law = "polar" reads one')
        if "stall_deg" in found.values and "stall_width_deg" in found.values:
            middle, width = found.values["stall_deg"], found.values["stall_width_deg"]
            name = "stall_width_deg" if "stall_width_deg" in found.table else "stall_deg"
            span = f"from {middle - width / 2:g} to {middle + width / 2:g} deg"
            if middle - width / 2 < 0.0 or middle + width / 2 >= 90.0:
                found.wrong(
                    name,
                    "stall_deg -+ stall_width_deg / 2 within 0 and below 90 deg",
                    f"the stall would run {span}",
                )


@dataclass(frozen=True, slots=True)
class Segment:
    """One rigid segment of a half wing.

    Attributes
    ----------
    length_m : float
        Hinge to end.
    chord_m : tuple of (float, float)
        Pairs of fraction of the segment and chord in m, linear in between; zero only at an end.
    strips : int
        Spanwise stations.
    skin_kg_m2 : float
        Mass per area, spread evenly over the chord.
    spar_kg_m : float
        Mass per length on the twist axis.
    section : Section or None
        Replaces the section of the wing.
    """

    length_m: float = field(metadata=ruled(POSITIVE))
    chord_m: tuple[tuple[float, float], ...] = field(metadata=ruled(Stations()))
    strips: int = field(default=12, metadata=ruled(Number(least=2, most=200, whole=True)))
    skin_kg_m2: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    spar_kg_m: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    section: Section | None = field(default=None, metadata=ruled(Table(Section, inline=True)))


@dataclass(frozen=True, slots=True)
class Wing:
    """Both halves of the wing, mirror images: one or two segments each.

    Attributes
    ----------
    twist_axis : float
        Fraction of the chord from the leading edge.
    section : Section
    inner : Segment
    outer : Segment or None
    """

    twist_axis: float = field(metadata=ruled(_PART))
    section: Section = field(metadata=ruled(Table(Section, inline=True)))
    inner: Segment = field(metadata=ruled(Table(Segment)))
    outer: Segment | None = field(default=None, metadata=ruled(Table(Segment)))


@dataclass(frozen=True, slots=True)
class Model:
    """Which physics is computed, and how finely.

    Attributes
    ----------
    induced : {"lifting-line", "slope", "none"}
    wake : {"indicial", "quasi-steady"}
    wake_lag : {"finite-wing", "two-dimensional"}
    stall : {"static", "lagged"}
    apparent_mass : bool
    steps : int
        Instants per stroke, 16..4096, even.
    modes : int or None
        Spanwise modes of the lifting line, at most half as many as a half wing has strips; 8, or
        that many if fewer, unless written.
    """

    induced: Literal["lifting-line", "slope", "none"] = field(
        default="lifting-line", metadata=ruled(Word(("lifting-line", "slope", "none")))
    )
    wake: Literal["indicial", "quasi-steady"] = field(
        default="indicial", metadata=ruled(Word(("indicial", "quasi-steady")))
    )
    wake_lag: Literal["finite-wing", "two-dimensional"] = field(
        default="finite-wing", metadata=ruled(Word(("finite-wing", "two-dimensional")))
    )
    stall: Literal["static", "lagged"] = field(
        default="static", metadata=ruled(Word(("static", "lagged")))
    )
    apparent_mass: bool = field(default=True, metadata=ruled(Switch()))
    steps: int = field(
        default=128, metadata=ruled(Number(least=16, most=4096, whole=True, even=True))
    )
    modes: int | None = field(default=None, metadata=ruled(Number(least=1, most=32, whole=True)))


@dataclass(frozen=True, slots=True)
class BalanceSpring:
    """Spring at the shoulder hinge, both wings together: its moment at zero plunge, its slope."""

    moment_n_m: float = field(metadata=ruled(ANY_NUMBER))
    stiffness_n_m_rad: float = field(metadata=ruled(NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class Motor:
    """Direct-current motor.

    Attributes
    ----------
    resistance_ohm, torque_constant_n_m_a, no_load_current_a, rotor_inertia_kg_m2 : float
    continuous_current_a, peak_current_a : float or None
        Largest root mean square and largest instantaneous current that it may draw.
    """

    resistance_ohm: float = field(metadata=ruled(NOT_NEGATIVE))
    torque_constant_n_m_a: float = field(metadata=ruled(POSITIVE))
    no_load_current_a: float = field(metadata=ruled(NOT_NEGATIVE))
    rotor_inertia_kg_m2: float = field(metadata=ruled(NOT_NEGATIVE))
    continuous_current_a: float | None = field(default=None, metadata=ruled(POSITIVE))
    peak_current_a: float | None = field(default=None, metadata=ruled(POSITIVE))


@dataclass(frozen=True, slots=True)
class Battery:
    """Battery: open-circuit voltage, inner resistance, capacity."""

    voltage_v: float = field(metadata=ruled(POSITIVE))
    resistance_ohm: float = field(metadata=ruled(NOT_NEGATIVE))
    capacity_ah: float = field(metadata=ruled(POSITIVE))


@dataclass(frozen=True, slots=True)
class Drive:
    """From battery to crank.

    Attributes
    ----------
    gear_ratio : float
        Turns of the motor per stroke.
    gear_efficiency : float
        Above 0, at most 1.
    motor : Motor
    battery : Battery
    regeneration : float
        Part of the returned shaft work that is recovered.
    balance_spring : BalanceSpring or None
    auxiliary_w : float
        Electronics and actuators.
    """

    gear_ratio: float = field(metadata=ruled(POSITIVE))
    gear_efficiency: float = field(metadata=ruled(Number(above=0.0, most=1.0)))
    motor: Motor = field(metadata=ruled(Table(Motor, inline=True)))
    battery: Battery = field(metadata=ruled(Table(Battery, inline=True)))
    regeneration: float = field(default=0.0, metadata=ruled(_PART))
    balance_spring: BalanceSpring | None = field(
        default=None, metadata=ruled(Table(BalanceSpring, inline=True))
    )
    auxiliary_w: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
