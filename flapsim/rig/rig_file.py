"""What the user writes about a test rig: one TOML file, read and checked.

Answers: which column of the log is what, in which unit, how well is each sensor known, what drives
the crank? Does not read the log. Units stand in the key, those of a column in its `unit`.
"""

from __future__ import annotations

import dataclasses
from dataclasses import field
from pathlib import Path
from typing import Final, Literal

from flapsim.case.keys import Table, key_paths, toml_key, toml_table
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
from flapsim.case.text import Found, build, read_text, read_toml
from flapsim.constants import STANDARD_GRAVITY
from flapsim.faults import CaseError, Faults, did_you_mean

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

_RATIO = Number(least=0.0, most=0.5)

SAMPLES_AN_EDGE: Final = 3
"""Samples from one edge of a switching sensor to the next that see it for certain."""


@toml_table
class Filter:
    """What lies between the quantity and its column, and is to be undone."""

    # fmt: off
    cutoff_hz: float | None = toml_key(POSITIVE,
        "corner of a Butterworth low-pass, such as an anti-alias filter", default=None)
    order: int = toml_key(Number(least=1, most=8, whole=True), "order of that low-pass", default=1)
    resonance_hz: float | None = toml_key(POSITIVE, "natural frequency of the balance under load",
        default=None)
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
    range: tuple[float, float] = toml_key(Numbers(count=2), "lowest and highest value that can be "
        "true, SI units, after calibration; others count as lost")
    gain: float = toml_key(ANY_NUMBER, "correction found by calibration; negative turns the sign",
        default=1.0)
    zero: float = toml_key(ANY_NUMBER, "reading without load, SI units", default=0.0)
    gain_uncertainty: float = toml_key(_RATIO, "standard uncertainty of the gain, relative",
        default=0.0)
    zero_uncertainty: float = toml_key(NOT_NEGATIVE, "standard uncertainty of the zero, SI units",
        default=0.0)
    steady: bool = toml_key(Switch(), "whether the reading may stay constant throughout a stroke",
        default=False)
    filter: Filter | None = toml_key(Table(Filter, inline=True),
        "filter between the quantity and its column, to be undone", default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a range that runs backwards and a gain of zero."""
        ends = found.values.get("range")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("range", "a list [lowest, highest]")
        if found.values.get("gain") == 0.0:
            found.wrong("gain", "a number other than 0")


@toml_table
class Clock:
    """The time column; `wraps_at` is the count, in its unit, at which the clock starts again."""

    # fmt: off
    column: str = toml_key(Text(), "name of the time column in the header of the log")
    unit: str = toml_key(Text(), "unit of the time column", default="s")
    wraps_at: float | None = toml_key(Number(above=0.0),
        "count, in its unit, at which the clock starts again", default=None)
    # fmt: on


@toml_table
class Channels:
    """Which column holds what. Quantities that are not measured are left out."""

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
            found.faults.add(
                found.prefix.rstrip("."), "a log without measurements", "a table such as voltage"
            )


@toml_table
class Position:
    """How the log tells where the crank is.

    A count is 0 at the sensor's phase 0. Where it wraps within a stroke's counts, or not by whole
    strokes, it must not have wrapped before the log begins; an index makes that good.
    """

    # fmt: off
    kind: Literal["angle", "counts", "edges"] = toml_key(Word(("angle", "counts", "edges")),
        "crank angle in degrees, a running count, or the level of a sensor that switches")
    column: str = toml_key(Text(), "name of the column in the header of the log")
    per_turn: float = toml_key(POSITIVE,
        "counts or rising edges per turn of the shaft that the sensor sits on; 360 for an angle",
        default=360.0)
    turns_per_stroke: float = toml_key(POSITIVE,
        "turns of that shaft per stroke: the gear ratio for a sensor on the motor", default=1.0)
    wraps_at: float | None = toml_key(POSITIVE,
        "count or angle at which the column starts again; without it it does not", default=None)
    zero_deg: float = toml_key(Number(least=-360.0, most=360.0),
        "reading of the sensor, as a stroke phase, at which the phase of the case is 0",
        default=0.0)
    zero_uncertainty_deg: float = toml_key(NOT_NEGATIVE, "standard uncertainty of that reading",
        default=0.0)
    direction: int = toml_key(Number(least=-1, most=1, whole=True),
        "1, or -1 where the count falls as the stroke proceeds", default=1)
    index_column: str | None = toml_key(Text(),
        "column of a level that rises once a stroke, at the sensor's phase 0; corrects the count",
        default=None)
    # fmt: on

    @property
    def per_stroke(self) -> float:
        """Counts per stroke."""
        return self.per_turn * self.turns_per_stroke

    @property
    def wrap(self) -> float | None:
        """Reading at which the column starts again; None if it does not."""
        return 360.0 if self.kind == "angle" else self.wraps_at

    @property
    def wraps_whole(self) -> bool:
        """Whether a wrap leaves the phase of the stroke as it is."""
        strokes = 1.0 if self.wrap is None else self.wrap / self.per_stroke
        return strokes >= 1.0 and abs(strokes - round(strokes)) < 1e-9

    @property
    def finds_phase(self) -> bool:
        """Whether the log tells where in the turn the stroke begins."""
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
                found.wrong("per_turn", "at least one count or edge a stroke")
        if kind == "edges" and "wraps_at" in found.table:
            found.wrong("wraps_at", 'nothing with kind = "edges"')
        if kind == "angle" and found.table.get("per_turn", 360.0) != 360.0:
            found.wrong("per_turn", 'nothing with kind = "angle"', "an angle is in degrees")
        if found.values.get("direction") == 0:
            found.wrong("direction", "1 or -1")


@toml_table
class Logging:
    """How the log is written and what it may lack."""

    # fmt: off
    sample_rate_hz: float = toml_key(POSITIVE, "sample rate")
    separator: Literal[",", ";", "\t"] = toml_key(Word((",", ";", "\t")),
        "sign between two columns", default=",")
    decimal: Literal[".", ","] = toml_key(Word((".", ",")), "decimal sign", default=".")
    longest_gap_s: float = toml_key(POSITIVE,
        "longest gap between two samples of a stroke that is accepted", default=0.01)
    largest_loss: float = toml_key(Number(least=0.0, below=1.0),
        "largest part of the rows that may be lost (not a number, out of range, time repeated)",
        default=0.05)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report one sign for two uses."""
        if found.values.get("separator") == found.values.get("decimal"):
            found.wrong("decimal", "another sign than the separator")


@toml_table
class Strokes:
    """Which strokes count."""

    # fmt: off
    frequency_hz: tuple[float, float] = toml_key(Numbers(POSITIVE, count=2),
        "lowest and highest stroke frequency that can be true")
    bins: int = toml_key(Number(least=16, most=1024, whole=True), "phases of the averaged stroke",
        default=64)
    fewest: int = toml_key(Number(least=4, most=100000, whole=True),
        "least number of accepted strokes for a result", default=10)
    period_tolerance: float = toml_key(Number(above=0.0, below=1.0),
        "departure from the median period at which a stroke is rejected, relative", default=0.05)
    outlier: float = toml_key(Number(least=4.0), "departure of a stroke mean from its median at "
        "which a stroke is rejected, in robust standard deviations", default=8.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a range that runs backwards."""
        ends = found.values.get("frequency_hz")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("frequency_hz", "a list [lowest, highest]")


@toml_table
class Flow:
    """The stream, where the log does not hold it."""

    # fmt: off
    airspeed_m_s: float = toml_key(NOT_NEGATIVE,
        "airspeed of the stream, where the log does not hold it", "without channels.airspeed")
    airspeed_uncertainty_m_s: float = toml_key(NOT_NEGATIVE, "standard uncertainty of the airspeed",
        default=0.0)
    # fmt: on


@toml_table
class Tare:
    """Forces measured in other runs, at the same airspeed and pitch; standard uncertainties."""

    # fmt: off
    body_lift_n: float = toml_key(ANY_NUMBER,
        "lift that body and mounting add to the balance, measured without the wing", default=0.0)
    body_lift_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    body_thrust_n: float = toml_key(ANY_NUMBER,
        "thrust that body and mounting add to the balance, measured without the wing", default=0.0)
    body_thrust_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    still_thrust_n: float | None = toml_key(ANY_NUMBER,
        "thrust with the wing on and held still at the same pitch, as the balance reads it",
        default=None)
    still_thrust_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    still_log: str | None = toml_key(Text(),
        "log of that run in place of the number; the same columns, beside the rig file",
        "in place of still_thrust_n", default=None)
    held_drag_n: float | None = toml_key(ANY_NUMBER,
        "drag of the wing alone, held still at the pitch that gives the flapping wing's lift",
        default=None)
    held_drag_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a still run that is given twice."""
        if "still_log" in found.table and "still_thrust_n" in found.table:
            found.wrong("still_thrust_n", "either still_thrust_n or still_log, not both")


@toml_table
class RigMotor:
    """Direct-current motor: torque = constant * (current - no-load current)."""

    # fmt: off
    resistance_ohm: float = toml_key(NOT_NEGATIVE, "resistance of the winding")
    torque_constant_n_m_a: float = toml_key(POSITIVE, "torque per current")
    no_load_current_a: float = toml_key(NOT_NEGATIVE, "current without load")
    resistance_uncertainty_ohm: float = toml_key(NOT_NEGATIVE,
        "standard uncertainty of the resistance", default=0.0)
    torque_constant_uncertainty_n_m_a: float = toml_key(NOT_NEGATIVE,
        "standard uncertainty of the torque constant", default=0.0)
    no_load_current_uncertainty_a: float = toml_key(NOT_NEGATIVE,
        "standard uncertainty of the no-load current", default=0.0)
    # fmt: on


@toml_table
class RigDrive:
    """From the log's current to the crank."""

    # fmt: off
    gear_ratio: float = toml_key(POSITIVE, "turns of the motor per stroke")
    gear_efficiency: float = toml_key(Number(above=0.0, most=1.0),
        "efficiency of the gear, in either direction of the power")
    gear_efficiency_uncertainty: float = toml_key(_RATIO,
        "standard uncertainty of the gear efficiency", default=0.0)
    current_at: Literal["motor", "battery"] = toml_key(Word(("motor", "battery")),
        "where voltage and current are measured; a controller between battery and motor keeps the "
        "power but not the current", default="motor")
    motor: RigMotor | None = toml_key(Table(RigMotor, inline=True), "direct-current motor",
        default=None)
    dynamometer_file: str | None = toml_key(Text(), "CSV file with columns current_a, torque_n_m "
        "of the motor shaft, in place of the motor's constants", "in place of motor", default=None)
    torque_uncertainty: float = toml_key(_RATIO, "standard uncertainty of that table, relative",
        default=0.0)
    regeneration: float = toml_key(Number(least=0.0, most=1.0),
        "part of the work returned by the wing that motor and gear recover", default=0.0)
    auxiliary_w: float = toml_key(NOT_NEGATIVE, "power of what else the battery feeds", default=0.0)
    auxiliary_uncertainty_w: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    mechanism_loss_w: float = toml_key(NOT_NEGATIVE, "power on the crank that does not reach the "
        "air: friction of linkage and hinges, and returned work that a motor as the sensor does "
        "not see", default=0.0)
    mechanism_loss_uncertainty_w: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a motor that is described twice or not at all."""
        motor, table = "motor" in found.table, "dynamometer_file" in found.table
        if motor and table:
            found.wrong("dynamometer_file", "either motor or dynamometer_file, not both")
        if not motor and not table:
            found.require("motor", "a table, or dynamometer_file", "")
        if table and found.values.get("current_at") == "battery":
            found.wrong("current_at", '"motor"', "a dynamometer table holds the motor's current")


@toml_table
class Rig:
    """One test rig.

    Attributes
    ----------
    title : str
    log : Logging
    channels : Channels
    position : Position
    strokes : Strokes
    flow : Flow or None
    tare : Tare
    drive : RigDrive or None
    folder : Path
        Where files that it names are looked for.
    name : str
        Of the file, for messages.
    """

    # fmt: off
    title: str = toml_key(Text(), "title of the rig")
    log: Logging = toml_key(Table(Logging), "how the log is written and what it may lack")
    channels: Channels = toml_key(Table(Channels),
        "which column holds what; quantities that are not measured are left out")
    position: Position = toml_key(Table(Position), "how the log gives the position of the crank")
    strokes: Strokes = toml_key(Table(Strokes), "which strokes count")
    flow: Flow | None = toml_key(Table(Flow), "the stream, where the log does not hold it",
        default=None)
    tare: Tare = toml_key(Table(Tare),
        "forces measured in other runs, at the same airspeed and pitch", default=Tare())
    drive: RigDrive | None = toml_key(Table(RigDrive), "from the log's current to the crank",
        default=None)
    folder: Path = field(default=Path(), compare=False, repr=False)
    name: str = field(default="rig", compare=False, repr=False)
    text: str = field(default="", compare=False, repr=False)
    # fmt: on

    @property
    def measured(self) -> dict[str, Channel]:
        """The channels that the log holds, by quantity."""
        found = {name: getattr(self.channels, name) for name in CHANNELS}
        return {name: channel for name, channel in found.items() if channel is not None}

    @staticmethod
    def check(found: Found) -> None:
        """Report an airspeed known twice, a sampling too slow, and one column for two things."""
        channels, flow = found.values.get("channels"), found.values.get("flow")
        if channels is not None and channels.airspeed is not None and flow is not None:
            found.wrong("flow", "no such table", "channels.airspeed measures it")
        log, strokes = found.values.get("log"), found.values.get("strokes")
        if log is not None and strokes is not None:
            need = 16.0 * strokes.frequency_hz[1]
            if log.sample_rate_hz < need:
                found.faults.add(
                    "log.sample_rate_hz",
                    f"{log.sample_rate_hz:g}",
                    f"a number >= {need:g}",
                    "16 samples a stroke are the fewest that show its shape",
                )
            _check_counts(found.faults, log.sample_rate_hz, strokes, found.values.get("position"))
        _check_columns(found)


def _check_counts(
    faults: Faults, sample_rate: float, strokes: Strokes, position: Position | None
) -> None:
    """Report a sensor of the crank that is faster than the samples can follow."""
    if position is None:
        return
    per_sample = position.per_stroke * strokes.frequency_hz[1] / sample_rate
    if position.kind == "edges" and per_sample * SAMPLES_AN_EDGE > 1.0:
        need = SAMPLES_AN_EDGE * position.per_stroke * strokes.frequency_hz[1]
        faults.add(
            "log.sample_rate_hz", f"{sample_rate:g}", f"a number >= {need:g}",
            f"{SAMPLES_AN_EDGE} samples an edge are the fewest that see each; a counter"
            ' (position.kind = "counts") needs none',
        )  # fmt: skip
    if position.kind == "counts" and position.wraps_at is not None:
        least = 2.0 * per_sample
        if position.wraps_at <= least:
            faults.add(
                "position.wraps_at", f"{position.wraps_at:g}", f"a number > {least:g}",
                f"up to {per_sample:g} counts from sample to sample cannot be told from counts"
                " back",
            )  # fmt: skip


def _check_columns(found: Found) -> None:
    """Report one column that is to be two quantities."""
    channels, position = found.values.get("channels"), found.values.get("position")
    if channels is None or position is None:
        return
    used = {channels.time.column: "channels.time"}
    places = [
        *((f"channels.{name}", getattr(channels, name)) for name in CHANNELS),
        ("position", position),
    ]
    for place, thing in places:
        if thing is None:
            continue
        if thing.column in used:
            found.faults.add(
                f"{place}.column", f'"{thing.column}"', "a column of its own",
                f"{used[thing.column]} has it already",
            )  # fmt: skip
        used.setdefault(thing.column, place)


def read_rig(path: str | Path) -> Rig:
    """Read a rig file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Rig

    Raises
    ------
    CaseError
        With every fault found.
    """
    path = Path(path)
    return parse_rig(read_text(path), path.parent, path.name)


def parse_rig(text: str, folder: str | Path = ".", name: str = "rig") -> Rig:
    """Read a rig from its text.

    Parameters
    ----------
    text : str
        TOML.
    folder : str or Path
        Where the files that it names are looked for.
    name : str
        What messages call it.

    Raises
    ------
    CaseError
        With every fault found.
    """
    faults = Faults(name, Path(folder), key_paths(Rig))
    rig: Rig = build(Rig, read_toml(text, name), "", faults)
    faults.raise_if_any()
    return dataclasses.replace(rig, folder=Path(folder), name=name, text=text)


__all__ = [
    "CHANNELS", "UNITS", "CaseError", "Channel", "Channels", "Clock", "Filter", "Flow", "Logging",
    "Position", "Rig", "RigDrive", "RigMotor", "Strokes", "Tare", "parse_rig", "read_rig",
]  # fmt: skip
