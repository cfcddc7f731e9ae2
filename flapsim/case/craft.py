"""The tables of a case about the craft: air, craft, flight, wing, model and drive.

Answers: what may these tables hold, and which of their keys belong together? The stroke has a
module of its own.
"""

from __future__ import annotations

from typing import Final, Literal

from flapsim.case.atmosphere import standard_atmosphere
from flapsim.case.keys import Table, When, toml_key, toml_table
from flapsim.case.rules import (
    ANY_NUMBER,
    HALF_TURN,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Stations,
    Switch,
    Text,
    Word,
)
from flapsim.case.tables import read_polar
from flapsim.case.text import Found

_PART = Number(least=0.0, most=1.0)
_QUARTER_TURN = Number(least=-90.0, most=90.0)

SECTION_LAWS: Final = {
    "thin-airfoil": "attached flow at any incidence",
    "thin-plate": "thin flat or cambered plate, stalled flow included",
    "polar": "measured or computed coefficients from a CSV file",
    "revolving-plate": "revolving wing at a Reynolds number of about 100, not 1e5; Dickinson,"
    " Lehmann and Sane 1999",
}
"""Section laws, and what each is for."""


@toml_table
class Air:
    """State of the air: density and viscosity, or an altitude in the standard atmosphere."""

    # fmt: off
    density_kg_m3: float | None = toml_key(POSITIVE, "density of the air", "without altitude_m",
        default=None)
    kinematic_viscosity_m2_s: float | None = toml_key(POSITIVE, "kinematic viscosity of the air",
        "without altitude_m", default=None)
    altitude_m: float | None = toml_key(Number(least=-1000.0, most=20000.0),
        "geometric altitude in the standard atmosphere",
        "in place of density_kg_m3 and kinematic_viscosity_m2_s", default=None)
    temperature_c: float | None = toml_key(Number(least=-90.0, most=60.0),
        "replaces the standard temperature at that altitude; the pressure stays",
        "with altitude_m only", default=None)
    # fmt: on

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
                    found.say(name, f"give {either}, not both")
            return
        if "temperature_c" in found.table:
            found.say("temperature_c", "this needs altitude_m, whose temperature it replaces")
        for name in measured:
            found.require(name, POSITIVE.allowed, f"give {either}")


@toml_table
class Tail:
    """Horizontal tail."""

    area_m2: float = toml_key(POSITIVE, "area of the tail")
    arm_m: float = toml_key(ANY_NUMBER, "lever arm of the tail, aft of the centre of mass")
    aspect_ratio: float = toml_key(POSITIVE, "aspect ratio of the tail")
    angle_deg: float = toml_key(_QUARTER_TURN, "incidence of the tail against the body, nose up")


@toml_table
class Craft:
    """What carries the wing."""

    # fmt: off
    mass_kg: float = toml_key(NOT_NEGATIVE, "mass of the whole craft, 0 for a wing on a rig")
    shoulder_offset_m: float = toml_key(NOT_NEGATIVE, "plane of symmetry to flap hinge")
    body_drag_area_m2: float = toml_key(NOT_NEGATIVE, "drag coefficient of the body times its area")
    centre_of_mass_m: tuple[float, float, float] = toml_key(Numbers(count=3),
        "centre of mass: aft, to starboard, up from the shoulder line in the plane of symmetry")
    tail: Tail | None = toml_key(Table(Tail), "horizontal tail", default=None)
    # fmt: on


@toml_table
class Flight:
    """Flight state."""

    airspeed_m_s: float = toml_key(NOT_NEGATIVE, "airspeed, 0 for hover or a bench without wind")
    pitch_deg: float = toml_key(HALF_TURN, "pitch of the body against the horizon, nose up")
    climb_deg: float = toml_key(_QUARTER_TURN, "angle of the flight path, climbing", default=0.0)


@toml_table
class Section:
    """Section law: the force of a strip from the flow that it meets."""

    # fmt: off
    law: Literal["thin-airfoil", "thin-plate", "polar", "revolving-plate"] = toml_key(
        Word(tuple(SECTION_LAWS), about=SECTION_LAWS),
        "how the force of a strip follows from the flow it meets")
    file: str | None = toml_key(Text("the name of a CSV file in quotes"),
        "CSV file with columns alpha_deg, cl, cd and optionally cm, reynolds, beside the case file",
        When("law", ("polar",), needed=("polar",)), default=None)
    zero_lift_deg: float = toml_key(Number(least=-45.0, most=45.0),
        "incidence without lift; negative for a section cambered upward", default=0.0)
    suction: float = toml_key(_PART,
        "part of the leading-edge suction that is realised, from 0 (sharp plate) to 1", default=1.0)
    stall_deg: float = toml_key(Number(above=0.0, below=90.0),
        "middle of the range of incidence over which the flow separates", default=12.0)
    stall_width_deg: float = toml_key(Number(above=0.0, below=90.0), "width of that range",
        default=8.0)
    friction: Literal["turbulent", "laminar"] | float = toml_key(
        Word(("turbulent", "laminar"), NOT_NEGATIVE),
        "law of the skin friction, or the friction coefficient of both sides together",
        default="turbulent")
    friction_factor: float = toml_key(NOT_NEGATIVE, "multiplies the friction", default=1.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a polar that cannot be read, and a stall out of range."""
        if found.values.get("law") == "polar":
            found.read_file("file", read_polar)
        if "stall_deg" in found.values and "stall_width_deg" in found.values:
            middle, width = found.values["stall_deg"], found.values["stall_width_deg"]
            name = "stall_width_deg" if "stall_width_deg" in found.table else "stall_deg"
            first, last = middle - width / 2, middle + width / 2
            if first < 0.0 or last >= 90.0:
                found.say(
                    name,
                    f"the stall would run from {first:g} to {last:g} deg;"
                    " stall_deg -+ stall_width_deg / 2 must stay within 0 and below 90 deg",
                )


@toml_table
class Segment:
    """One rigid segment of a half wing."""

    # fmt: off
    length_m: float = toml_key(POSITIVE, "length from hinge to end")
    chord_m: tuple[tuple[float, float], ...] = toml_key(Stations(),
        "pairs [fraction of the segment, chord], linear in between; 0 only at an end")
    strips: int = toml_key(Number(least=2, most=200, whole=True),
        "number of strips along the segment", default=12)
    skin_kg_m2: float = toml_key(NOT_NEGATIVE, "mass per area, spread evenly over the chord",
        default=0.0)
    spar_kg_m: float = toml_key(NOT_NEGATIVE, "mass per length on the twist axis", default=0.0)
    section: Section | None = toml_key(Table(Section, inline=True),
        "section of this segment, in place of wing.section", default=None)
    # fmt: on


@toml_table
class Wing:
    """Both halves of the wing, mirror images: one or two segments each."""

    # fmt: off
    twist_axis: float = toml_key(_PART,
        "position of the twist axis, fraction of chord from the leading edge")
    section: Section = toml_key(Table(Section, inline=True), "section of the wing")
    inner: Segment = toml_key(Table(Segment), "inner segment of a half wing")
    outer: Segment | None = toml_key(Table(Segment), "outer segment of a half wing", default=None)
    # fmt: on


@toml_table
class Model:
    """Which physics is computed, and how finely."""

    # fmt: off
    induced: Literal["lifting-line", "slope", "none"] = toml_key(
        Word(("lifting-line", "slope", "none")),
        "velocity induced by the trailing wake: lifting line, lift slope of the aspect ratio, none",
        default="lifting-line")
    wake: Literal["indicial", "quasi-steady"] = toml_key(Word(("indicial", "quasi-steady")),
        "lag of the lift behind the motion by the shed wake (indicial), or none (quasi-steady)",
        default="indicial")
    wake_lag: Literal["finite-wing", "two-dimensional"] = toml_key(
        Word(("finite-wing", "two-dimensional")),
        "lag of a wing of this aspect ratio, or of a section (Wagner)", 'with wake = "indicial"',
        default="finite-wing")
    stall: Literal["static", "lagged"] = toml_key(Word(("static", "lagged")),
        "whether separation lags behind the incidence", default="static")
    apparent_mass: bool = toml_key(Switch(), "whether to include the apparent mass of the air",
        default=True)
    steps: int = toml_key(Number(least=16, most=4096, whole=True, even=True), "instants per stroke",
        default=128)
    modes: int | None = toml_key(Number(least=1, most=32, whole=True),
        "spanwise modes of the lifting line, at most half as many as a half wing has strips; "
        "without it 8, or that many if fewer", 'with induced = "lifting-line"', default=None)
    # fmt: on


@toml_table
class BalanceSpring:
    """Spring at the shoulder hinge, both wings together."""

    moment_n_m: float = toml_key(ANY_NUMBER, "moment of the spring at zero plunge")
    stiffness_n_m_rad: float = toml_key(NOT_NEGATIVE, "stiffness of the spring")


@toml_table
class Motor:
    """Direct-current motor."""

    # fmt: off
    resistance_ohm: float = toml_key(NOT_NEGATIVE, "resistance of the winding")
    torque_constant_n_m_a: float = toml_key(POSITIVE, "torque per current")
    no_load_current_a: float = toml_key(NOT_NEGATIVE, "current without load")
    rotor_inertia_kg_m2: float = toml_key(NOT_NEGATIVE, "moment of inertia of the rotor")
    continuous_current_a: float | None = toml_key(POSITIVE,
        "largest root mean square of the current; no limit without it", default=None)
    peak_current_a: float | None = toml_key(POSITIVE,
        "largest instantaneous current; no limit without it", default=None)
    # fmt: on


@toml_table
class Battery:
    """Battery."""

    voltage_v: float = toml_key(POSITIVE, "open-circuit voltage")
    resistance_ohm: float = toml_key(NOT_NEGATIVE, "internal resistance")
    capacity_ah: float = toml_key(POSITIVE, "capacity")


@toml_table
class Drive:
    """From battery to crank."""

    # fmt: off
    gear_ratio: float = toml_key(POSITIVE, "turns of the motor per stroke")
    gear_efficiency: float = toml_key(Number(above=0.0, most=1.0), "efficiency of the gear")
    motor: Motor = toml_key(Table(Motor, inline=True), "direct-current motor")
    battery: Battery = toml_key(Table(Battery, inline=True), "battery")
    regeneration: float = toml_key(_PART, "part of the returned shaft work that is recovered",
        default=0.0)
    balance_spring: BalanceSpring | None = toml_key(Table(BalanceSpring, inline=True),
        "spring at the shoulder hinge, both wings together", default=None)
    auxiliary_w: float = toml_key(NOT_NEGATIVE, "power of electronics and actuators", default=0.0)
    # fmt: on
