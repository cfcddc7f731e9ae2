"""Columns of a log, as a rig file describes them: units, ranges, calibration, crank sensor.

Answers: which column holds what, in which unit, and how well is each sensor known?
"""

from __future__ import annotations

from typing import Final, Literal

from flapsim.case.keys import Table, toml_key, toml_table
from flapsim.case.rules import (
    ANY_NUMBER,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Switch,
    Text,
    Word,
    show,
)
from flapsim.case.text import Found
from flapsim.constants import STANDARD_GRAVITY
from flapsim.faults import did_you_mean

_FORCES = {
    "N": 1.0,
    "mN": 1e-3,
    "gf": 1e-3 * STANDARD_GRAVITY,
    "kgf": STANDARD_GRAVITY,
    "lbf": 4.4482216152605,
}
UNITS: Final[dict[str, dict[str, float]]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6},
    "voltage": {"V": 1.0, "mV": 1e-3},
    "current": {"A": 1.0, "mA": 1e-3},
    "lift": _FORCES,
    "thrust": _FORCES,
    "torque": {"N m": 1.0, "N cm": 1e-2, "mN m": 1e-3},
    "airspeed": {"m/s": 1.0, "km/h": 1.0 / 3.6, "kn": 1852.0 / 3600.0},
}
"""Units that a column may have, by quantity, with their size in SI units."""

CHANNELS: Final = ("voltage", "current", "lift", "thrust", "torque", "airspeed")
"""Quantities that a log may hold beside time and crank position."""

RELATIVE_UNCERTAINTY: Final = Number(least=0.0, most=0.5)


@toml_table
class Filter:
    """Filter between a quantity and its column, to be undone."""

    # fmt: off
    cutoff_hz: float | None = toml_key(POSITIVE,
        "corner frequency of a Butterworth low-pass, such as an anti-alias filter", default=None)
    order: int = toml_key(Number(least=1, most=8, whole=True), "order of that low-pass", default=1)
    resonance_hz: float | None = toml_key(POSITIVE,
        "natural frequency of the force balance under load", default=None)
    resonance_damping: float = toml_key(Number(above=0.0, most=2.0),
        "damping ratio of that resonance", default=0.02)
    delay_s: float = toml_key(Number(least=0.0, most=1.0), "pure delay", default=0.0)
    # fmt: on


@toml_table
class Channel:
    """One measured quantity: value = gain * (column * unit - zero)."""

    # fmt: off
    column: str = toml_key(Text(), "name of the column in the header of the log")
    unit: str = toml_key(Text(), "unit of the column")
    range: tuple[float, float] = toml_key(Numbers(count=2), "lowest and highest plausible value "
        "after calibration, SI units; rows with other values are discarded")
    gain: float = toml_key(ANY_NUMBER, "gain found by calibration; negative reverses the sign",
        default=1.0)
    zero: float = toml_key(ANY_NUMBER, "reading without load, SI units", default=0.0)
    gain_uncertainty: float = toml_key(RELATIVE_UNCERTAINTY,
        "standard uncertainty of the gain, relative", default=0.0)
    zero_uncertainty: float = toml_key(NOT_NEGATIVE, "standard uncertainty of the zero, SI units",
        default=0.0)
    steady: bool = toml_key(Switch(), "whether the reading may stay constant throughout a stroke",
        default=False)
    filter: Filter | None = toml_key(Table(Filter, inline=True),
        "filter between the quantity and its column, to be undone", default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a range in the wrong order and a gain of zero."""
        ends = found.values.get("range")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("range", "a list [lowest, highest]")
        if found.values.get("gain") == 0.0:
            found.wrong("gain", "a number other than 0")


@toml_table
class Clock:
    """The time column."""

    # fmt: off
    column: str = toml_key(Text(), "name of the time column in the header of the log")
    unit: str = toml_key(Text(), "unit of the time column", default="s")
    wraps_at: float | None = toml_key(Number(above=0.0),
        "count, in the unit of the column, at which the clock returns to 0", default=None)
    # fmt: on


@toml_table
class Channels:
    """Which column holds what; quantities that are not measured are left out."""

    time: Clock = toml_key(Table(Clock, inline=True), "time column")
    voltage: Channel | None = toml_key(Table(Channel), "voltage", default=None)
    current: Channel | None = toml_key(Table(Channel), "current", default=None)
    lift: Channel | None = toml_key(Table(Channel), "lift", default=None)
    thrust: Channel | None = toml_key(Table(Channel), "net thrust", default=None)
    torque: Channel | None = toml_key(Table(Channel), "torque on the crank", default=None)
    airspeed: Channel | None = toml_key(Table(Channel), "airspeed", default=None)

    @staticmethod
    def check(found: Found) -> None:
        """Report units that do not belong to their quantity."""
        for name, units in UNITS.items():
            channel = found.values.get(name)
            if channel is not None and channel.unit not in units:
                allowed = " or ".join(f'"{unit}"' for unit in units)
                hint = did_you_mean(channel.unit, units, 0.4, show)
                found.faults.add(f"{found.prefix}{name}.unit", f'"{channel.unit}"', allowed, hint)
        if all(found.values.get(name) is None for name in CHANNELS):
            found.faults.say(
                found.prefix.rstrip("."),
                "nothing is measured; add at least one table, such as [channels.voltage]",
            )


@toml_table
class Position:
    """How the log gives the position of the crank.

    A count is 0 at the sensor's phase 0. Where it wraps within a stroke, or not by whole strokes,
    it must not have wrapped before the log begins, unless there is an index.
    """

    # fmt: off
    kind: Literal["angle", "counts", "edges"] = toml_key(Word(("angle", "counts", "edges")),
        "crank angle in degrees, a running count, or the level of a switching sensor")
    column: str = toml_key(Text(), "name of the column in the header of the log")
    per_turn: float = toml_key(POSITIVE,
        "counts or rising edges per turn of the shaft that carries the sensor; 360 for an angle",
        default=360.0)
    turns_per_stroke: float = toml_key(POSITIVE,
        "turns of that shaft per stroke: the gear ratio for a sensor on the motor", default=1.0)
    wraps_at: float | None = toml_key(POSITIVE,
        "count or angle at which the column returns to 0; left out if it never does", default=None)
    zero_deg: float = toml_key(Number(least=-360.0, most=360.0),
        "reading of the sensor, as a stroke phase, at which the phase of the case is 0",
        default=0.0)
    zero_uncertainty_deg: float = toml_key(NOT_NEGATIVE, "standard uncertainty of that reading",
        default=0.0)
    direction: int = toml_key(Number(least=-1, most=1, whole=True),
        "1, or -1 where the count falls as the stroke proceeds", default=1)
    index_column: str | None = toml_key(Text(),
        "column of an index pulse that rises once a stroke at the sensor's phase 0, which corrects "
        "the count", default=None)
    # fmt: on

    @property
    def per_stroke(self) -> float:
        """Counts per stroke."""
        return self.per_turn * self.turns_per_stroke

    @property
    def wrap(self) -> float | None:
        """Reading at which the column returns to 0; None if it never does."""
        return 360.0 if self.kind == "angle" else self.wraps_at

    @property
    def wraps_whole(self) -> bool:
        """Whether a wrap leaves the phase of the stroke as it is."""
        strokes = 1.0 if self.wrap is None else self.wrap / self.per_stroke
        return strokes >= 1.0 and abs(strokes - round(strokes)) < 1e-9

    @property
    def finds_phase(self) -> bool:
        """Whether the log shows where in the turn the stroke begins."""
        if self.index_column is not None:
            return True
        if self.kind == "edges":
            return self.per_stroke == 1.0
        return self.wrap is None or self.wrap >= self.per_stroke

    @staticmethod
    def check(found: Found) -> None:
        """Report a sensor without its number of counts, and a direction of 0."""
        kind = found.values.get("kind")
        if kind in ("counts", "edges"):
            found.require("per_turn", POSITIVE.allowed, f'kind = "{kind}" needs it')
            counts, turns = (found.values.get(key) for key in ("per_turn", "turns_per_stroke"))
            if counts is not None and turns is not None and counts * turns < 1.0:
                found.wrong("per_turn", "at least one count or edge per stroke")
        if kind == "edges" and "wraps_at" in found.table:
            found.say("wraps_at", 'leave it out: edges (kind = "edges") do not wrap')
        if kind == "angle" and found.table.get("per_turn", 360.0) != 360.0:
            found.say("per_turn", 'leave it out: an angle (kind = "angle") is in degrees')
        if found.values.get("direction") == 0:
            found.wrong("direction", "1 or -1")
