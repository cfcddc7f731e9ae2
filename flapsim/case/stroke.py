"""The stroke of a case: the shapes that a periodic motion can take, segment by segment.

Answers: which keys describe each shape of a schedule and each mode of a twist, and are they all
there? Does not answer what the motion then is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal, TypeAlias

from flapsim.case.keys import Table, When, toml_key, toml_table
from flapsim.case.rules import (
    ANY_NUMBER,
    HALF_TURN,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Text,
    Word,
)
from flapsim.case.tables import read_samples
from flapsim.case.text import Found

_TURN = Number(least=-360.0, most=360.0)
_DOWNSTROKE_PART = Number(least=0.2, most=0.8)
_MOST_HARMONICS: Final = 24
"""Longest list of Fourier coefficients: as many harmonics as a schedule keeps."""

SHAPES: Final[Mapping[str, str]] = {
    "harmonic": "mean + amplitude cos(phase - lag)",
    "quick-return": "harmonic in each half stroke, with a downstroke of another length",
    "fourier": "mean + sum of cos_h cos(h phase) + sin_h sin(h phase), h = 1, 2, ...",
    "samples": "periodic samples in a CSV file",
    "linkage": "crank and rocker; the mean is the middle of the stroke, its top at phase = lag",
}
"""Shapes of a schedule, and what each is."""

_FOURIER = When("shape", ("fourier",))
_WAVE = When("shape", ("harmonic", "quick-return"))
_QUICK = When("shape", ("quick-return",))
_SAMPLES = When("shape", ("samples",), needed=("samples",))
_LINKAGE = When("shape", ("linkage",), needed=("linkage",))
_MEAN = When("shape", ("harmonic", "quick-return", "fourier", "linkage"))
_LAG = When("shape", ("harmonic", "quick-return", "linkage"))

_SHAPE_MEANING = "shape of the motion over a stroke"
_LAG_MEANING = "lag behind the stroke phase; the top of the stroke is at phase = lag"
_DOWNSTROKE_MEANING = "part of the period from the top of the stroke to its bottom"


def _check_shape(found: Found, unit: str, column: str) -> None:
    """Report samples that cannot be read, and a Fourier series without coefficients."""
    shape = found.values.get("shape")
    if shape == "samples":
        found.read_file("file", lambda path: read_samples(path, column))
    cos, sin = f"cos_{unit}", f"sin_{unit}"
    if shape == "fourier" and not any(found.values.get(name, True) for name in (cos, sin)):
        found.wrong(
            cos, f"at least one coefficient, here or in {sin}", 'shape = "fourier" needs it'
        )


@toml_table
class Schedule:
    """Periodic angle: one of five shapes, each with its own keys."""

    # fmt: off
    shape: Literal["harmonic", "quick-return", "fourier", "samples", "linkage"] = toml_key(
        Word(tuple(SHAPES), about=SHAPES), _SHAPE_MEANING, default="harmonic")
    mean_deg: float = toml_key(HALF_TURN, "mean angle", _MEAN, default=0.0)
    amplitude_deg: float = toml_key(HALF_TURN, "amplitude about the mean", _WAVE, default=0.0)
    lag_deg: float = toml_key(_TURN, _LAG_MEANING, _LAG, default=0.0)
    downstroke_fraction: float = toml_key(_DOWNSTROKE_PART, _DOWNSTROKE_MEANING, _QUICK,
        default=0.5)
    cos_deg: tuple[float, ...] = toml_key(Numbers(HALF_TURN, most=_MOST_HARMONICS),
        "Fourier coefficients of the cosines, first harmonic first", _FOURIER, default=())
    sin_deg: tuple[float, ...] = toml_key(Numbers(HALF_TURN, most=_MOST_HARMONICS),
        "Fourier coefficients of the sines, first harmonic first", _FOURIER, default=())
    file: str | None = toml_key(Text("the name of a CSV file in quotes"),
        "CSV file with columns phase_deg and angle_deg, beside the case file", _SAMPLES,
        default=None)
    crank_m: float | None = toml_key(POSITIVE, "length of the crank", _LINKAGE, default=None)
    rocker_m: float | None = toml_key(POSITIVE, "length of the rocker", _LINKAGE, default=None)
    coupler_m: float | None = toml_key(POSITIVE, "length of the coupler", _LINKAGE, default=None)
    base_m: float | None = toml_key(POSITIVE, "distance between the pivots of crank and rocker",
        _LINKAGE, default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report samples that cannot be read, and a Fourier series without coefficients."""
        _check_shape(found, "deg", "angle_deg")


@toml_table
class Heave:
    """Periodic translation of the whole wing along the body's z axis: a `Schedule` in metres."""

    # fmt: off
    shape: Literal["harmonic", "quick-return", "fourier", "samples"] = toml_key(
        Word(tuple(SHAPES)[:4], about=SHAPES), _SHAPE_MEANING, default="harmonic")
    mean_m: float = toml_key(ANY_NUMBER, "mean height", When("shape", (*_WAVE.values, "fourier")),
        default=0.0)
    amplitude_m: float = toml_key(ANY_NUMBER, "amplitude about the mean", _WAVE, default=0.0)
    lag_deg: float = toml_key(_TURN, _LAG_MEANING, _WAVE, default=0.0)
    downstroke_fraction: float = toml_key(_DOWNSTROKE_PART, _DOWNSTROKE_MEANING, _QUICK,
        default=0.5)
    cos_m: tuple[float, ...] = toml_key(Numbers(most=_MOST_HARMONICS),
        "Fourier coefficients of the cosines, first harmonic first", _FOURIER, default=())
    sin_m: tuple[float, ...] = toml_key(Numbers(most=_MOST_HARMONICS),
        "Fourier coefficients of the sines, first harmonic first", _FOURIER, default=())
    file: str | None = toml_key(Text("the name of a CSV file in quotes"),
        "CSV file with columns phase_deg and height_m, beside the case file", _SAMPLES,
        default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report samples that cannot be read, and a Fourier series without coefficients."""
        _check_shape(found, "m", "height_m")


Mode: TypeAlias = Literal["driven", "servo", "passive"]

MODES_OF_TWIST: Final[Mapping[str, str]] = {
    "driven": "the twist follows its schedule exactly",
    "servo": "an actuator of limited bandwidth, rate, moment or stiffness follows the schedule",
    "passive": "the tip is free against a spring; air and inertia decide",
}
"""Modes of a twist, and what each is."""

_COMMANDED = When("mode", ("driven", "servo"))
_SERVO = When("mode", ("servo",))
_COMPLIANT = When("mode", ("servo", "passive"))


@toml_table
class Twist:
    """Twist of a segment: driven, followed by a servo with limits, or free against a spring.

    In the file the schedules stand in the same table, each key behind `tip_` or `root_`. Without
    `root_` keys the root of the outer segment follows the tip of the inner one, and that of the
    inner segment stays at zero.
    """

    # fmt: off
    mode: Mode = toml_key(Word(tuple(MODES_OF_TWIST), about=MODES_OF_TWIST),
        "what decides the twist", default="driven")
    tip: Schedule = toml_key(Table(Schedule, prefix="tip_"), "twist at the outer end", _COMMANDED,
        default=Schedule())
    root: Schedule | None = toml_key(Table(Schedule, prefix="root_"), "twist at the hinge",
        default=None)
    rest_deg: float = toml_key(HALF_TURN,
        "twist of the tip relative to the root with the spring relaxed", When("mode", ("passive",)),
        default=0.0)
    stiffness_n_m_rad: float | None = toml_key(NOT_NEGATIVE,
        "torsional stiffness about the twist axis, one wing; a servo without it is rigid",
        _COMPLIANT._replace(needed=("passive",)), default=None)
    damping_n_m_s_rad: float = toml_key(NOT_NEGATIVE, "mechanical damping of the twist, one wing",
        _COMPLIANT, default=0.0)
    stops_deg: tuple[float, float] | None = toml_key(Numbers(HALF_TURN, count=2),
        "lower and upper end of the travel", _COMPLIANT, default=None)
    bandwidth_hz: float | None = toml_key(POSITIVE,
        "frequency at which the response has fallen by 3 dB", _SERVO._replace(needed=("servo",)),
        default=None)
    rate_limit_deg_s: float | None = toml_key(POSITIVE, "largest rate; no limit without it", _SERVO,
        default=None)
    torque_limit_n_m: float | None = toml_key(POSITIVE,
        "largest moment, one wing; no limit without it", _SERVO, default=None)
    actuator_order: int = toml_key(Number(least=1, most=2, whole=True),
        "order of the response: 1, or 2 with a damping ratio of 1/sqrt 2", _SERVO, default=2)
    backlash_deg: float = toml_key(Number(least=0.0, most=45.0),
        "free play between actuator and wing, end to end", _SERVO, default=0.0)
    sensor_counts: int | None = toml_key(Number(least=4, most=1_000_000, whole=True),
        "counts per revolution of the stroke-phase sensor; without it the phase is exact", _SERVO,
        default=None)
    sensor_delay_s: float = toml_key(Number(least=0.0, most=1.0),
        "delay from stroke phase to command", _SERVO, default=0.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report what a rigid servo cannot use, and stops out of order."""
        mode = found.values.get("mode")
        if mode == "servo" and not {"stiffness_n_m_rad", "torque_limit_n_m"} & set(found.table):
            for name in ("stops_deg", "backlash_deg", "damping_n_m_s_rad"):
                if name in found.table:
                    found.say(
                        name,
                        "this has no effect on a rigid servo; give it a stiffness_n_m_rad or a"
                        " torque_limit_n_m",
                    )
        stops = found.values.get("stops_deg")
        rest = found.values.get("rest_deg", 0.0)
        if stops is not None and stops[0] >= stops[1]:
            found.wrong("stops_deg", "the lower stop before the upper one")
        elif stops is not None and mode == "passive" and not stops[0] <= rest <= stops[1]:
            found.wrong("stops_deg", f"stops on either side of rest_deg = {rest:g}")


@toml_table
class SegmentStroke:
    """Motion of one segment."""

    # fmt: off
    plunge: Schedule = toml_key(Table(Schedule, inline=True),
        "flap angle about the hinge, tip up; of the outer segment relative to the inner one",
        default=Schedule())
    sweep: Schedule | None = toml_key(Table(Schedule, inline=True),
        "in-plane angle of the outer segment, aft", "for the outer segment only", default=None)
    twist: Twist | None = toml_key(Table(Twist, inline=True), "twist, nose up, linear from the "
        "segment's root to its tip; without it the segment does not twist", default=None)
    # fmt: on


@toml_table
class Port:
    """Motion of the port half, segment by segment; what is left out mirrors the starboard half."""

    # fmt: off
    inner: SegmentStroke | None = toml_key(Table(SegmentStroke),
        "motion of the inner segment of the port half", default=None)
    outer: SegmentStroke | None = toml_key(Table(SegmentStroke),
        "motion of the outer segment of the port half", default=None)
    # fmt: on


@toml_table
class Stroke:
    """Periodic motion of the wing."""

    # fmt: off
    frequency_hz: float = toml_key(POSITIVE, "flapping frequency")
    plane_deg: float = toml_key(HALF_TURN,
        "tilt of the stroke plane; positive moves the downstroke forward", default=0.0)
    heave: Heave | None = toml_key(Table(Heave, inline=True),
        "translation of the whole wing along the body's z axis", default=None)
    inner: SegmentStroke = toml_key(Table(SegmentStroke), "motion of the inner segment",
        default=SegmentStroke())
    outer: SegmentStroke | None = toml_key(Table(SegmentStroke), "motion of the outer segment",
        "with wing.outer only", default=None)
    port: Port | None = toml_key(Table(Port),
        "motion of the port half where it differs from starboard", default=None)
    # fmt: on

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
                Found(table, {}, found.prefix + start, found.faults).say(
                    "sweep", "the inner segment has no sweep hinge; sweep belongs to stroke.outer"
                )
