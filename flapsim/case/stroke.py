"""The stroke of a case: the shapes that a periodic motion can take, segment by segment.

Answers: which keys describe each shape of a schedule and each mode of a twist, and are they all
there? Does not answer what the motion then is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from flapsim.case.rules import (
    ANY_NUMBER,
    HALF_TURN,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Table,
    Text,
    Word,
    known_names,
    ruled,
)
from flapsim.case.tables import read_samples
from flapsim.case.text import Found

_TURN = Number(least=-360.0, most=360.0)
_DOWNSTROKE_PART = Number(least=0.2, most=0.8)
_HARMONIC_LIST = 24
"""Longest list of Fourier coefficients: as many harmonics as a schedule keeps."""

_SHAPES: Mapping[str, tuple[str, ...]] = {
    "harmonic": ("mean_{unit}", "amplitude_{unit}", "lag_deg"),
    "quick-return": ("mean_{unit}", "amplitude_{unit}", "lag_deg", "downstroke_fraction"),
    "fourier": ("mean_{unit}", "cos_{unit}", "sin_{unit}"),
    "samples": ("file",),
    "linkage": ("mean_{unit}", "lag_deg", "crank_m", "rocker_m", "coupler_m", "base_m"),
}
"""Keys that describe each shape, beside the shape itself."""


def _check_shape(found: Found, unit: str, column: str) -> None:
    """Report keys that do not belong to the shape, and those of its keys that are missing."""
    shape = found.values.get("shape")
    if shape is None:
        return
    keys = {name: [key.format(unit=unit) for key in own] for name, own in _SHAPES.items()}
    for key in found.table:
        owners = [name for name, own in keys.items() if key in own]
        if owners and shape not in owners:
            found.wrong(
                key,
                f'only {", ".join(keys[shape])} with shape = "{shape}"',
                "this key belongs to shape = " + " or ".join(f'"{name}"' for name in owners),
            )
    hint = f'shape = "{shape}" needs it'
    if shape == "samples":
        found.require("file", "the name of a CSV file", hint)
        found.read_file("file", lambda path: read_samples(path, column))
    if shape == "linkage":
        for key in ("crank_m", "rocker_m", "coupler_m", "base_m"):
            found.require(key, POSITIVE.allowed, hint)
    cos, sin = f"cos_{unit}", f"sin_{unit}"
    if shape == "fourier" and not any(found.values.get(key, True) for key in (cos, sin)):
        found.wrong(cos, f"at least one coefficient, here or in {sin}", hint)


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
    mean_deg: float = field(default=0.0, metadata=ruled(HALF_TURN))
    amplitude_deg: float = field(default=0.0, metadata=ruled(HALF_TURN))
    lag_deg: float = field(default=0.0, metadata=ruled(_TURN))
    downstroke_fraction: float = field(default=0.5, metadata=ruled(_DOWNSTROKE_PART))
    cos_deg: tuple[float, ...] = field(
        default=(), metadata=ruled(Numbers(HALF_TURN, most=_HARMONIC_LIST))
    )
    sin_deg: tuple[float, ...] = field(
        default=(), metadata=ruled(Numbers(HALF_TURN, most=_HARMONIC_LIST))
    )
    file: str | None = field(default=None, metadata=ruled(Text()))
    crank_m: float | None = field(default=None, metadata=ruled(POSITIVE))
    rocker_m: float | None = field(default=None, metadata=ruled(POSITIVE))
    coupler_m: float | None = field(default=None, metadata=ruled(POSITIVE))
    base_m: float | None = field(default=None, metadata=ruled(POSITIVE))

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
    mean_m: float = field(default=0.0, metadata=ruled(ANY_NUMBER))
    amplitude_m: float = field(default=0.0, metadata=ruled(ANY_NUMBER))
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
    actuator_order : {1, 2}
        Of a servo: response of first order, or of second order without overshoot to speak of.
    backlash_deg : float
        Of a servo: free play between actuator and wing, end to end.
    sensor_counts : int or None
        Of a servo: counts per revolution of the stroke-phase sensor; None reads the phase exactly.
    sensor_delay_s : float
        Of a servo: from the stroke phase to the command that follows from it.
    """

    mode: Literal["driven", "servo", "passive"] = field(
        default="driven", metadata=ruled(Word(("driven", "servo", "passive")))
    )
    tip: Schedule = field(default=Schedule(), metadata=ruled(Table(Schedule, prefix="tip_")))
    root: Schedule | None = field(default=None, metadata=ruled(Table(Schedule, prefix="root_")))
    rest_deg: float = field(default=0.0, metadata=ruled(HALF_TURN))
    stiffness_n_m_rad: float | None = field(default=None, metadata=ruled(NOT_NEGATIVE))
    damping_n_m_s_rad: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    stops_deg: tuple[float, float] | None = field(
        default=None, metadata=ruled(Numbers(HALF_TURN, count=2))
    )
    bandwidth_hz: float | None = field(default=None, metadata=ruled(POSITIVE))
    rate_limit_deg_s: float | None = field(default=None, metadata=ruled(POSITIVE))
    torque_limit_n_m: float | None = field(default=None, metadata=ruled(POSITIVE))
    actuator_order: int = field(default=2, metadata=ruled(Number(least=1, most=2, whole=True)))
    backlash_deg: float = field(default=0.0, metadata=ruled(Number(least=0.0, most=45.0)))
    sensor_counts: int | None = field(
        default=None, metadata=ruled(Number(least=4, most=1_000_000, whole=True))
    )
    sensor_delay_s: float = field(default=0.0, metadata=ruled(Number(least=0.0, most=1.0)))

    @staticmethod
    def check(found: Found) -> None:
        """Report keys of another mode, missing keys of this one, and stops out of order."""
        mode = found.values.get("mode")
        servo = (
            "bandwidth_hz",
            "rate_limit_deg_s",
            "torque_limit_n_m",
            "actuator_order",
            "backlash_deg",
            "sensor_counts",
            "sensor_delay_s",
        )
        compliant = ("stiffness_n_m_rad", "damping_n_m_s_rad", "stops_deg")
        strangers = {
            "driven": (*servo, *compliant, "rest_deg"),
            "servo": ("rest_deg",),
            "passive": servo,
            None: (),
        }[mode]
        commands = [f"tip_{name}" for name in known_names(Schedule)]
        for name in found.table:
            if name in strangers:
                found.wrong(name, f'no such key with mode = "{mode}"')
            elif mode == "passive" and name in commands:
                found.wrong(
                    name,
                    'no command of the tip with mode = "passive"',
                    "rest_deg presets a passive twist",
                )
        if mode == "passive":
            found.require("stiffness_n_m_rad", NOT_NEGATIVE.allowed, 'mode = "passive" needs it')
        if mode == "servo":
            found.require("bandwidth_hz", POSITIVE.allowed, 'mode = "servo" needs it')
            gives = {"stiffness_n_m_rad", "torque_limit_n_m"} & set(found.table)
            for name in ("stops_deg", "backlash_deg", "damping_n_m_s_rad"):
                if name in found.table and not gives:
                    found.wrong(
                        name,
                        "a stiffness_n_m_rad or a torque_limit_n_m beside it",
                        "an actuator that never gives way leaves it nothing to do",
                    )
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
        None: the segment does not twist, its tip follows its root.
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

    frequency_hz: float = field(metadata=ruled(POSITIVE))
    plane_deg: float = field(default=0.0, metadata=ruled(HALF_TURN))
    heave: Heave | None = field(default=None, metadata=ruled(Table(Heave, inline=True)))
    inner: SegmentStroke = field(default=SegmentStroke(), metadata=ruled(Table(SegmentStroke)))
    outer: SegmentStroke | None = field(default=None, metadata=ruled(Table(SegmentStroke)))
    port: Port | None = field(default=None, metadata=ruled(Table(Port)))

    def half(
        self, side: Literal["starboard", "port"]
    ) -> tuple[SegmentStroke, SegmentStroke | None]:
        """Inner and outer segment of one half; the port half mirrors what it does not replace."""
        own = self.port if side == "port" else None
        inner = self.inner if own is None or own.inner is None else own.inner
        outer = self.outer if own is None or own.outer is None else own.outer
        return inner, outer

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
