"""What the user writes: one craft, one stroke, one flight state, read from TOML and checked.

Answers: is this case file sound, what does it say, and what does it say with some keys changed?
Does not answer what the wing then does. Units stand in the key of every field; degrees become
radians where schedules and strips are made.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from flapsim.case_rules import (
    CaseError,
    Fault,
    Faults,
    Number,
    Numbers,
    Stations,
    Switch,
    Table,
    Text,
    Word,
    key_paths,
    ruled,
)
from flapsim.case_tables import Polar, read_polar, read_samples, standard_atmosphere
from flapsim.case_text import (
    Found,
    build,
    look_up,
    plain,
    put,
    read_text,
    read_toml,
    write_toml,
)

__all__ = [
    "Air",
    "BalanceSpring",
    "Battery",
    "Case",
    "CaseError",
    "Craft",
    "Drive",
    "Fault",
    "Flight",
    "Heave",
    "Model",
    "Motor",
    "Polar",
    "Port",
    "Schedule",
    "Section",
    "Segment",
    "SegmentStroke",
    "Stroke",
    "Tail",
    "Twist",
    "Wing",
    "known_keys",
    "parse_case",
    "read_case",
    "read_polar",
    "read_samples",
    "standard_atmosphere",
]

_ANY = Number()
_POSITIVE = Number(above=0.0)
_NOT_NEGATIVE = Number(least=0.0)
_PART = Number(least=0.0, most=1.0)
_HALF_TURN = Number(least=-180.0, most=180.0)
_TURN = Number(least=-360.0, most=360.0)
_DOWNSTROKE_PART = Number(least=0.2, most=0.8)
_HARMONIC_LIST = 24
"""Longest list of Fourier coefficients: as many harmonics as a schedule keeps."""


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

    density_kg_m3: float | None = field(default=None, metadata=ruled(_POSITIVE))
    kinematic_viscosity_m2_s: float | None = field(default=None, metadata=ruled(_POSITIVE))
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
        return standard_atmosphere(self.altitude_m or 0.0, self.temperature_c).density

    @property
    def kinematic_viscosity(self) -> float:
        """Kinematic viscosity, m^2/s."""
        if self.kinematic_viscosity_m2_s is not None:
            return self.kinematic_viscosity_m2_s
        return standard_atmosphere(self.altitude_m or 0.0, self.temperature_c).kinematic_viscosity

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
            found.require(name, _POSITIVE.allowed, f"give {either}")


@dataclass(frozen=True, slots=True)
class Tail:
    """Horizontal tail: area, lever arm aft of the centre of mass, aspect ratio, incidence."""

    area_m2: float = field(metadata=ruled(_POSITIVE))
    arm_m: float = field(metadata=ruled(_ANY))
    aspect_ratio: float = field(metadata=ruled(_POSITIVE))
    angle_deg: float = field(metadata=ruled(Number(least=-90.0, most=90.0)))


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

    mass_kg: float = field(metadata=ruled(_NOT_NEGATIVE))
    shoulder_offset_m: float = field(metadata=ruled(_NOT_NEGATIVE))
    body_drag_area_m2: float = field(metadata=ruled(_NOT_NEGATIVE))
    centre_of_mass_m: tuple[float, float, float] = field(metadata=ruled(Numbers(count=3)))
    tail: Tail | None = field(default=None, metadata=ruled(Table(Tail)))


@dataclass(frozen=True, slots=True)
class Flight:
    """Flight state: airspeed, body pitch nose-up, climb angle of the flight path."""

    airspeed_m_s: float = field(metadata=ruled(_NOT_NEGATIVE))
    pitch_deg: float = field(metadata=ruled(_HALF_TURN))
    climb_deg: float = field(default=0.0, metadata=ruled(Number(least=-90.0, most=90.0)))


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
        default="turbulent", metadata=ruled(Word(("turbulent", "laminar"), _NOT_NEGATIVE))
    )
    friction_factor: float = field(default=1.0, metadata=ruled(_NOT_NEGATIVE))

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
        Pairs of fraction of the segment and chord in m, linear in between.
    strips : int
        Spanwise stations.
    skin_kg_m2 : float
        Mass per area, spread evenly over the chord.
    spar_kg_m : float
        Mass per length on the twist axis.
    section : Section or None
        Replaces the section of the wing.
    """

    length_m: float = field(metadata=ruled(_POSITIVE))
    chord_m: tuple[tuple[float, float], ...] = field(metadata=ruled(Stations()))
    strips: int = field(default=12, metadata=ruled(Number(least=2, most=200, whole=True)))
    skin_kg_m2: float = field(default=0.0, metadata=ruled(_NOT_NEGATIVE))
    spar_kg_m: float = field(default=0.0, metadata=ruled(_NOT_NEGATIVE))
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


_SHAPES: Mapping[str, tuple[str, ...]] = {
    "harmonic": ("mean", "amplitude", "lag"),
    "quick-return": ("mean", "amplitude", "lag", "downstroke_fraction"),
    "fourier": ("mean", "cos", "sin"),
    "samples": ("file",),
    "linkage": ("mean", "lag", "crank_m", "rocker_m", "coupler_m", "base_m"),
}
"""What describes each shape, beside the shape itself."""


def _check_shape(found: Found, unit: str, column: str) -> None:
    """Report keys that do not belong to the shape, and those of its keys that are missing."""
    shape = found.values.get("shape")
    if shape is None:
        return
    with_unit = {"mean": f"mean_{unit}", "amplitude": f"amplitude_{unit}", "lag": "lag_deg"}
    with_unit |= {"cos": f"cos_{unit}", "sin": f"sin_{unit}"}
    own = [with_unit.get(name, name) for name in _SHAPES[shape]]
    for name in found.table:
        owners = [
            other
            for other, names in _SHAPES.items()
            if name in [with_unit.get(item, item) for item in names]
        ]
        if owners and shape not in owners:
            found.wrong(
                name,
                f'only {", ".join(own)} with shape = "{shape}"',
                "this key belongs to shape = " + " or ".join(f'"{owner}"' for owner in owners),
            )
    hint = f'shape = "{shape}" needs it'
    if shape == "samples":
        found.require("file", "the name of a CSV file", hint)
        found.read_file("file", lambda path: read_samples(path, column))
    if shape == "linkage":
        for name in ("crank_m", "rocker_m", "coupler_m", "base_m"):
            found.require(name, _POSITIVE.allowed, hint)
    if shape == "fourier" and not {with_unit["cos"], with_unit["sin"]} & found.table.keys():
        found.require(with_unit["cos"], "a list of numbers", f"{hint}, or sin_{unit}")


@dataclass(frozen=True, slots=True)
class Schedule:
    """Periodic angle: one of five shapes, each with its own keys.

    Attributes
    ----------
    shape : {"harmonic", "quick-return", "fourier", "samples", "linkage"}
    mean_deg, amplitude_deg, lag_deg : float
        Harmonic: mean + amplitude cos(tau - lag).
    downstroke_fraction : float
        Quick-return: part of the period from the top (tau = lag) to the bottom, 0.2..0.8.
    cos_deg, sin_deg : tuple of float
        Fourier: coefficients of cos(h tau) and sin(h tau), h = 1, 2, ...
    file : str or None
        Samples: CSV with columns phase_deg and angle_deg, relative to the case file.
    crank_m, rocker_m, coupler_m, base_m : float or None
        Linkage: lengths of a crank-and-rocker. The mean is the middle of the stroke, its top is at
        tau = lag.
    """

    shape: Literal["harmonic", "quick-return", "fourier", "samples", "linkage"] = field(
        default="harmonic", metadata=ruled(Word(tuple(_SHAPES)))
    )
    mean_deg: float = field(default=0.0, metadata=ruled(_HALF_TURN))
    amplitude_deg: float = field(default=0.0, metadata=ruled(_HALF_TURN))
    lag_deg: float = field(default=0.0, metadata=ruled(_TURN))
    downstroke_fraction: float = field(default=0.5, metadata=ruled(_DOWNSTROKE_PART))
    cos_deg: tuple[float, ...] = field(
        default=(), metadata=ruled(Numbers(_HALF_TURN, most=_HARMONIC_LIST))
    )
    sin_deg: tuple[float, ...] = field(
        default=(), metadata=ruled(Numbers(_HALF_TURN, most=_HARMONIC_LIST))
    )
    file: str | None = field(default=None, metadata=ruled(Text()))
    crank_m: float | None = field(default=None, metadata=ruled(_POSITIVE))
    rocker_m: float | None = field(default=None, metadata=ruled(_POSITIVE))
    coupler_m: float | None = field(default=None, metadata=ruled(_POSITIVE))
    base_m: float | None = field(default=None, metadata=ruled(_POSITIVE))

    @staticmethod
    def check(found: Found) -> None:
        """Report keys of another shape and missing keys of this one."""
        _check_shape(found, "deg", "angle_deg")


@dataclass(frozen=True, slots=True)
class Heave:
    """Periodic translation of the whole wing along the body's z axis, in metres.

    Shapes and keys are those of :class:`Schedule` without the linkage, with `_m` for `_deg` where
    the quantity is a length; the column of the samples is height_m.
    """

    shape: Literal["harmonic", "quick-return", "fourier", "samples"] = field(
        default="harmonic",
        metadata=ruled(Word(("harmonic", "quick-return", "fourier", "samples"))),
    )
    mean_m: float = field(default=0.0, metadata=ruled(_ANY))
    amplitude_m: float = field(default=0.0, metadata=ruled(_ANY))
    lag_deg: float = field(default=0.0, metadata=ruled(_TURN))
    downstroke_fraction: float = field(default=0.5, metadata=ruled(_DOWNSTROKE_PART))
    cos_m: tuple[float, ...] = field(default=(), metadata=ruled(Numbers(most=_HARMONIC_LIST)))
    sin_m: tuple[float, ...] = field(default=(), metadata=ruled(Numbers(most=_HARMONIC_LIST)))
    file: str | None = field(default=None, metadata=ruled(Text()))

    @staticmethod
    def check(found: Found) -> None:
        """Report keys of another shape and missing keys of this one."""
        _check_shape(found, "m", "height_m")


@dataclass(frozen=True, slots=True)
class Twist:
    """Twist of a segment: driven, followed by a servo with limits, or free against a spring.

    In the file the schedules stand in the same table, each key behind `tip_` or `root_`.

    Attributes
    ----------
    mode : {"driven", "servo", "passive"}
    tip : Schedule
        Twist at the outer end; no part of a passive twist.
    root : Schedule or None
        Twist at the hinge. None: the outer segment follows the tip of the inner one, the inner
        segment stays at zero.
    rest_deg : float
        Passive: twist of the tip relative to the root with the spring relaxed.
    stiffness_n_m_rad : float or None
        Torsional stiffness about the twist axis, one wing; passive needs it, a servo may have it.
    damping_n_m_s_rad : float
        Mechanical damping, one wing.
    stops_deg : tuple of 2 floats or None
        Lower and upper end of the travel.
    bandwidth_hz, rate_limit_deg_s, torque_limit_n_m : float or None
        Of a servo; without a limit it has none.
    """

    mode: Literal["driven", "servo", "passive"] = field(
        default="driven", metadata=ruled(Word(("driven", "servo", "passive")))
    )
    tip: Schedule = field(default=Schedule(), metadata=ruled(Table(Schedule, prefix="tip_")))
    root: Schedule | None = field(default=None, metadata=ruled(Table(Schedule, prefix="root_")))
    rest_deg: float = field(default=0.0, metadata=ruled(_HALF_TURN))
    stiffness_n_m_rad: float | None = field(default=None, metadata=ruled(_NOT_NEGATIVE))
    damping_n_m_s_rad: float = field(default=0.0, metadata=ruled(_NOT_NEGATIVE))
    stops_deg: tuple[float, float] | None = field(
        default=None, metadata=ruled(Numbers(_HALF_TURN, count=2))
    )
    bandwidth_hz: float | None = field(default=None, metadata=ruled(_POSITIVE))
    rate_limit_deg_s: float | None = field(default=None, metadata=ruled(_POSITIVE))
    torque_limit_n_m: float | None = field(default=None, metadata=ruled(_POSITIVE))

    @staticmethod
    def check(found: Found) -> None:
        """Report keys of another mode, missing keys of this one, and stops out of order."""
        mode = found.values.get("mode")
        servo = ("bandwidth_hz", "rate_limit_deg_s", "torque_limit_n_m")
        compliant = ("stiffness_n_m_rad", "damping_n_m_s_rad", "stops_deg")
        strangers = {
            "driven": (*servo, *compliant, "rest_deg"),
            "servo": ("rest_deg",),
            "passive": servo,
            None: (),
        }[mode]
        for name in found.table:
            if name in strangers:
                found.wrong(name, f'no such key with mode = "{mode}"')
            elif mode == "passive" and name.startswith("tip_"):
                found.wrong(
                    name,
                    'no command of the tip with mode = "passive"',
                    "rest_deg presets a passive twist",
                )
        if mode == "passive":
            found.require("stiffness_n_m_rad", _NOT_NEGATIVE.allowed, 'mode = "passive" needs it')
        if mode == "servo":
            found.require("bandwidth_hz", _POSITIVE.allowed, 'mode = "servo" needs it')
        stops = found.values.get("stops_deg")
        rest = found.values.get("rest_deg", 0.0)
        if stops is not None and stops[0] >= stops[1]:
            found.wrong("stops_deg", "the lower stop before the upper one")
        elif stops is not None and mode == "passive" and not stops[0] <= rest <= stops[1]:
            found.wrong("stops_deg", f"stops on either side of rest_deg = {rest:g}")


@dataclass(frozen=True, slots=True)
class SegmentStroke:
    """Motion of one segment.

    Attributes
    ----------
    plunge : Schedule
        Flap angle about the hinge, tip up; of the outer segment relative to the inner one.
    sweep : Schedule or None
        In-plane angle of the outer segment, aft; the inner one has none.
    twist : Twist or None
    """

    plunge: Schedule = field(default=Schedule(), metadata=ruled(Table(Schedule, inline=True)))
    sweep: Schedule | None = field(default=None, metadata=ruled(Table(Schedule, inline=True)))
    twist: Twist | None = field(default=None, metadata=ruled(Table(Twist, inline=True)))


@dataclass(frozen=True, slots=True)
class Port:
    """What the port half does instead of mirroring the starboard half, segment by segment."""

    inner: SegmentStroke | None = field(default=None, metadata=ruled(Table(SegmentStroke)))
    outer: SegmentStroke | None = field(default=None, metadata=ruled(Table(SegmentStroke)))


@dataclass(frozen=True, slots=True)
class Stroke:
    """Periodic motion of the wing.

    Attributes
    ----------
    frequency_hz : float
    plane_deg : float
        Tilt of the stroke plane; positive moves the downstroke forward.
    heave : Heave or None
    inner : SegmentStroke
    outer : SegmentStroke or None
    port : Port or None
    """

    frequency_hz: float = field(metadata=ruled(_POSITIVE))
    plane_deg: float = field(default=0.0, metadata=ruled(_HALF_TURN))
    heave: Heave | None = field(default=None, metadata=ruled(Table(Heave, inline=True)))
    inner: SegmentStroke = field(default=SegmentStroke(), metadata=ruled(Table(SegmentStroke)))
    outer: SegmentStroke | None = field(default=None, metadata=ruled(Table(SegmentStroke)))
    port: Port | None = field(default=None, metadata=ruled(Table(Port)))

    @staticmethod
    def check(found: Found) -> None:
        """Report a sweep of the inner segment, which has no hinge for it."""
        port = found.table.get("port")
        inner_tables = {
            "inner.": found.table.get("inner"),
            "port.inner.": port.get("inner") if isinstance(port, dict) else None,
        }
        for start, table in inner_tables.items():
            if isinstance(table, dict) and "sweep" in table:
                Found(table, {}, found.prefix + start, found.faults).wrong(
                    "sweep", "no sweep of the inner segment", "sweep belongs to stroke.outer"
                )


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
    modes : int
        Spanwise modes of the lifting line, fewer than the strips of a half wing.
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
    modes: int = field(default=8, metadata=ruled(Number(least=1, most=32, whole=True)))


@dataclass(frozen=True, slots=True)
class BalanceSpring:
    """Spring at the shoulder hinge, both wings together: its moment at zero plunge, its slope."""

    moment_n_m: float = field(metadata=ruled(_ANY))
    stiffness_n_m_rad: float = field(metadata=ruled(_NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class Motor:
    """Direct-current motor."""

    resistance_ohm: float = field(metadata=ruled(_NOT_NEGATIVE))
    torque_constant_n_m_a: float = field(metadata=ruled(_POSITIVE))
    no_load_current_a: float = field(metadata=ruled(_NOT_NEGATIVE))
    rotor_inertia_kg_m2: float = field(metadata=ruled(_NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class Battery:
    """Battery: open-circuit voltage, inner resistance, capacity."""

    voltage_v: float = field(metadata=ruled(_POSITIVE))
    resistance_ohm: float = field(metadata=ruled(_NOT_NEGATIVE))
    capacity_ah: float = field(metadata=ruled(_POSITIVE))


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

    gear_ratio: float = field(metadata=ruled(_POSITIVE))
    gear_efficiency: float = field(metadata=ruled(Number(above=0.0, most=1.0)))
    motor: Motor = field(metadata=ruled(Table(Motor, inline=True)))
    battery: Battery = field(metadata=ruled(Table(Battery, inline=True)))
    regeneration: float = field(default=0.0, metadata=ruled(_PART))
    balance_spring: BalanceSpring | None = field(
        default=None, metadata=ruled(Table(BalanceSpring, inline=True))
    )
    auxiliary_w: float = field(default=0.0, metadata=ruled(_NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class Case:
    """One craft, one stroke, one flight state, and the physics to compute it with.

    Attributes
    ----------
    title : str
    air : Air
    craft : Craft
    flight : Flight
    wing : Wing
    stroke : Stroke
    model : Model
    drive : Drive or None
    folder : Path
        Where the files that the case names are looked for.
    name : str
        Name of the file, for messages.
    written : str or None
        Text that the case was read from; None for a changed case. These last three are neither
        compared nor written.
    """

    title: str = field(metadata=ruled(Text()))
    air: Air = field(metadata=ruled(Table(Air)))
    craft: Craft = field(metadata=ruled(Table(Craft)))
    flight: Flight = field(metadata=ruled(Table(Flight)))
    wing: Wing = field(metadata=ruled(Table(Wing)))
    stroke: Stroke = field(metadata=ruled(Table(Stroke)))
    model: Model = field(default=Model(), metadata=ruled(Table(Model)))
    drive: Drive | None = field(default=None, metadata=ruled(Table(Drive)))
    folder: Path = field(default=Path(), compare=False, repr=False)
    name: str = field(default="case", compare=False, repr=False)
    written: str | None = field(default=None, compare=False, repr=False)

    @staticmethod
    def check(found: Found) -> None:
        """Report a wing and a stroke that do not fit, and more modes than the strips can carry."""
        _check_segments(found)
        _check_modes(found)

    @property
    def text(self) -> str:
        """The case as written, or as it would be written after a change."""
        return self.to_toml() if self.written is None else self.written

    def to_toml(self) -> str:
        """Return the case as TOML that reads back to an equal case; defaults are left out."""
        return write_toml(self)

    def get(self, key_path: str) -> Any:
        """Return what the case says at a key path.

        Parameters
        ----------
        key_path : str
            Such as ``stroke.outer.twist.tip_amplitude_deg``; may index into a list
            (``wing.outer.chord_m.1.1``).

        Returns
        -------
        object
            The value, default included; None for a key that this case leaves out.

        Raises
        ------
        CaseError
            If no case has such a key.
        """
        return look_up(self, key_path, Faults(self.name, known=known_keys()))

    def replace(self, changes: Mapping[str, Any]) -> Case:
        """Return a copy with other values at some key paths, checked as a whole.

        Parameters
        ----------
        changes : mapping of str to object
            Key path to new value: a number, text, list or table (dict or dataclass of this module).
            None leaves the key out. A table that the case does not have yet is begun.

        Returns
        -------
        Case

        Raises
        ------
        CaseError
            With every unknown key path and every value that is not allowed.
        """
        faults = Faults(self.name, self.folder, known_keys())
        table = plain(self)
        for key_path, value in changes.items():
            put(table, Case, key_path, value, faults)
        return _finish(table, faults, self.folder, self.name, None)


def _check_segments(found: Found) -> None:
    """Report an outer segment that only one of wing and stroke has."""
    has_outer = {}
    for name in ("wing", "stroke"):
        table = found.table.get(name)
        if not isinstance(table, dict):
            return
        has_outer[name] = "outer" in table
    stroke_faults = Found(found.table["stroke"], {}, "stroke.", found.faults)
    if has_outer["wing"] and not has_outer["stroke"]:
        stroke_faults.require("outer", "a table", "wing.outer needs a motion")
    absent = "no such table without wing.outer"
    if has_outer["stroke"] and not has_outer["wing"]:
        stroke_faults.wrong("outer", absent, "a wing of one segment has wing.inner only")
    port = found.table["stroke"].get("port")
    if isinstance(port, dict) and "outer" in port and not has_outer["wing"]:
        Found(port, {}, "stroke.port.", found.faults).wrong("outer", absent)


def _check_modes(found: Found) -> None:
    """Report a lifting line with as many modes as strips: it would fit noise."""
    wing, model = found.values.get("wing"), found.values.get("model")
    if wing is None or model is None or model.induced != "lifting-line":
        return
    count = wing.inner.strips + (wing.outer.strips if wing.outer is not None else 0)
    if model.modes >= count:
        found.faults.add(
            "model.modes",
            str(model.modes),
            f"a whole number < {count}",
            f"a half wing of {count} strips carries fewer modes than strips",
        )


def known_keys() -> tuple[str, ...]:
    """Return every key path that a case can have, tables included."""
    return key_paths(Case)


def read_case(path: str | Path) -> Case:
    """Read a case file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        With every fault found, in the case or in a file that it names.
    """
    path = Path(path)
    return parse_case(read_text(path), path.parent, path.name)


def parse_case(
    text: str, folder: str | Path = ".", name: str = "case", *, check_files: bool = True
) -> Case:
    """Read a case from its text.

    Parameters
    ----------
    text : str
        TOML.
    folder : str or Path
        Where the files that the case names are looked for.
    name : str
        What messages call the case.
    check_files : bool
        False leaves those files unread, for a case that is only looked at.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        With every fault found.
    """
    folder = Path(folder)
    faults = Faults(name, folder if check_files else None, known_keys())
    table = read_toml(text, name)
    return _finish(table, faults, folder, name, text)


def _finish(
    table: dict[str, Any], faults: Faults, folder: Path, name: str, written: str | None
) -> Case:
    """Turn plain values into a case that knows where it came from."""
    case: Case = build(Case, table, "", faults)
    faults.raise_if_any()
    return dataclasses.replace(case, folder=folder, name=name, written=written)
