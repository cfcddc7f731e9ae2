"""What the user writes about a test rig: one TOML file, read and checked.

Answers: which column of the log is what, in which unit, how well is each sensor known, what drives
the crank? Does not read the log. Units stand in the key, those of a column in its `unit`.
"""

from __future__ import annotations

import dataclasses
import difflib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from flapsim.case.rules import (
    ANY_NUMBER,
    NOT_NEGATIVE,
    POSITIVE,
    Number,
    Numbers,
    Switch,
    Table,
    Text,
    Word,
    key_paths,
    ruled,
)
from flapsim.case.text import Found, build, read_text, read_toml
from flapsim.constants import STANDARD_GRAVITY
from flapsim.faults import CaseError, Faults

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


@dataclass(frozen=True, slots=True)
class Filter:
    """What lies between the quantity and its column, and is to be undone.

    Attributes
    ----------
    cutoff_hz : float or None
        Corner of a Butterworth low-pass, such as an anti-alias filter.
    order : int
        Order of that low-pass.
    resonance_hz : float or None
        Natural frequency of the balance under load.
    resonance_damping : float
        Its damping ratio.
    delay_s : float
        Pure delay.
    """

    cutoff_hz: float | None = field(default=None, metadata=ruled(POSITIVE))
    order: int = field(default=1, metadata=ruled(Number(least=1, most=8, whole=True)))
    resonance_hz: float | None = field(default=None, metadata=ruled(POSITIVE))
    resonance_damping: float = field(default=0.02, metadata=ruled(Number(above=0.0, most=2.0)))
    delay_s: float = field(default=0.0, metadata=ruled(Number(least=0.0, most=1.0)))


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity: value = gain * (column * unit - zero).

    Attributes
    ----------
    column : str
        Its name in the header of the log.
    unit : str
        Of the column.
    range : tuple of 2 floats
        Values that can be true, SI units, after calibration; others count as lost.
    gain : float
        Correction found by calibration; negative turns the sign.
    zero : float
        Reading without load, SI units.
    gain_uncertainty : float
        Standard uncertainty of the gain, relative.
    zero_uncertainty : float
        Standard uncertainty of the zero, SI units.
    steady : bool
        Whether it may rightly read the same throughout a stroke.
    filter : Filter or None
    """

    column: str = field(metadata=ruled(Text()))
    unit: str = field(metadata=ruled(Text()))
    range: tuple[float, float] = field(metadata=ruled(Numbers(count=2)))
    gain: float = field(default=1.0, metadata=ruled(ANY_NUMBER))
    zero: float = field(default=0.0, metadata=ruled(ANY_NUMBER))
    gain_uncertainty: float = field(default=0.0, metadata=ruled(_RATIO))
    zero_uncertainty: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    steady: bool = field(default=False, metadata=ruled(Switch()))
    filter: Filter | None = field(default=None, metadata=ruled(Table(Filter, inline=True)))

    @staticmethod
    def check(found: Found) -> None:
        """Report a range that runs backwards and a gain of zero."""
        ends = found.values.get("range")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("range", "a list [lowest, highest]")
        if found.values.get("gain") == 0.0:
            found.wrong("gain", "a number other than 0")


@dataclass(frozen=True, slots=True)
class Clock:
    """The time column; `wraps_at` is the count, in its unit, at which the clock starts again."""

    column: str = field(metadata=ruled(Text()))
    unit: str = field(default="s", metadata=ruled(Text()))
    wraps_at: float | None = field(default=None, metadata=ruled(Number(above=0.0)))


@dataclass(frozen=True, slots=True)
class Channels:
    """Which column holds what. Quantities that are not measured are left out."""

    time: Clock = field(metadata=ruled(Table(Clock, inline=True)))
    voltage: Channel | None = field(default=None, metadata=ruled(Table(Channel)))
    current: Channel | None = field(default=None, metadata=ruled(Table(Channel)))
    lift: Channel | None = field(default=None, metadata=ruled(Table(Channel)))
    thrust: Channel | None = field(default=None, metadata=ruled(Table(Channel)))
    torque: Channel | None = field(default=None, metadata=ruled(Table(Channel)))
    airspeed: Channel | None = field(default=None, metadata=ruled(Table(Channel)))

    @staticmethod
    def check(found: Found) -> None:
        """Report units that do not belong to their quantity."""
        for name, units in UNITS.items():
            channel = found.values.get(name)
            if channel is not None and channel.unit not in units:
                allowed = " or ".join(f'"{unit}"' for unit in units)
                near = difflib.get_close_matches(channel.unit, units, n=1, cutoff=0.4)
                hint = f'did you mean "{near[0]}"?' if near else ""
                found.faults.add(f"{found.prefix}{name}.unit", f'"{channel.unit}"', allowed, hint)
        if all(found.values.get(name) is None for name in CHANNELS):
            found.faults.add(
                found.prefix.rstrip("."), "a log without measurements", "a table such as voltage"
            )


@dataclass(frozen=True, slots=True)
class Position:
    """How the log tells where the crank is.

    A count is 0 at the sensor's phase 0. Where it wraps within a stroke's counts, or not by whole
    strokes, it must not have wrapped before the log begins; an index makes that good.

    Attributes
    ----------
    kind : {"angle", "counts", "edges"}
        Crank angle in degrees, a running count, or the level of a sensor that switches.
    column : str
    per_turn : float
        Counts or rising edges per turn of the shaft that the sensor sits on; 360 for an angle.
    turns_per_stroke : float
        Turns of that shaft per stroke: the gear ratio for a sensor on the motor.
    wraps_at : float or None
        Count (or degrees) at which the column starts again; None if it does not.
    zero_deg : float
        Reading of the sensor, as a stroke phase, at which the phase of the case is 0.
    zero_uncertainty_deg : float
        Standard uncertainty of that.
    direction : {1, -1}
        -1 where the count falls as the stroke proceeds.
    index_column : str or None
        Level that rises once a stroke, at the sensor's phase 0; corrects the count.
    """

    kind: Literal["angle", "counts", "edges"] = field(
        metadata=ruled(Word(("angle", "counts", "edges")))
    )
    column: str = field(metadata=ruled(Text()))
    per_turn: float = field(default=360.0, metadata=ruled(POSITIVE))
    turns_per_stroke: float = field(default=1.0, metadata=ruled(POSITIVE))
    wraps_at: float | None = field(default=None, metadata=ruled(POSITIVE))
    zero_deg: float = field(default=0.0, metadata=ruled(Number(least=-360.0, most=360.0)))
    zero_uncertainty_deg: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    direction: int = field(default=1, metadata=ruled(Number(least=-1, most=1, whole=True)))
    index_column: str | None = field(default=None, metadata=ruled(Text()))

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


@dataclass(frozen=True, slots=True)
class Logging:
    """How the log is written and what it may lack.

    Attributes
    ----------
    sample_rate_hz : float
    separator : str
    decimal : {".", ","}
    longest_gap_s : float
        A stroke with a longer gap between two samples is rejected.
    largest_loss : float
        Part of the rows that may be lost (not a number, out of range, time repeated).
    """

    sample_rate_hz: float = field(metadata=ruled(POSITIVE))
    separator: Literal[",", ";", "\t"] = field(default=",", metadata=ruled(Word((",", ";", "\t"))))
    decimal: Literal[".", ","] = field(default=".", metadata=ruled(Word((".", ","))))
    longest_gap_s: float = field(default=0.01, metadata=ruled(POSITIVE))
    largest_loss: float = field(default=0.05, metadata=ruled(Number(least=0.0, below=1.0)))

    @staticmethod
    def check(found: Found) -> None:
        """Report one sign for two uses."""
        if found.values.get("separator") == found.values.get("decimal"):
            found.wrong("decimal", "another sign than the separator")


@dataclass(frozen=True, slots=True)
class Strokes:
    """Which strokes count.

    Attributes
    ----------
    frequency_hz : tuple of 2 floats
        Least and greatest that can be true.
    bins : int
        Phases of the averaged stroke.
    fewest : int
        Accepted strokes below which there is no result.
    period_tolerance : float
        Departure from the median period at which a stroke is rejected, relative.
    outlier : float
        Departure of a stroke mean from its median at which a stroke is rejected, in robust
        standard deviations.
    """

    frequency_hz: tuple[float, float] = field(metadata=ruled(Numbers(POSITIVE, count=2)))
    bins: int = field(default=64, metadata=ruled(Number(least=16, most=1024, whole=True)))
    fewest: int = field(default=10, metadata=ruled(Number(least=4, most=100000, whole=True)))
    period_tolerance: float = field(default=0.05, metadata=ruled(Number(above=0.0, below=1.0)))
    outlier: float = field(default=8.0, metadata=ruled(Number(least=4.0)))

    @staticmethod
    def check(found: Found) -> None:
        """Report a range that runs backwards."""
        ends = found.values.get("frequency_hz")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("frequency_hz", "a list [lowest, highest]")


@dataclass(frozen=True, slots=True)
class Flow:
    """The stream, where the log does not hold it."""

    airspeed_m_s: float = field(metadata=ruled(NOT_NEGATIVE))
    airspeed_uncertainty_m_s: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class Tare:
    """Forces measured in other runs, at the same airspeed and pitch; standard uncertainties.

    Attributes
    ----------
    body_lift_n, body_thrust_n : float
        Wing taken off: what body and mounting add to the balance.
    still_thrust_n : float or None
        Wing on and held still at the same pitch, as the balance reads it; None if not measured.
    still_log : str or None
        Log of that run in place of the number; the same columns, beside the rig file.
    held_drag_n : float or None
        Drag of the wing alone, held still at the pitch that gives the flapping wing's lift.
    """

    body_lift_n: float = field(default=0.0, metadata=ruled(ANY_NUMBER))
    body_lift_uncertainty_n: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    body_thrust_n: float = field(default=0.0, metadata=ruled(ANY_NUMBER))
    body_thrust_uncertainty_n: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    still_thrust_n: float | None = field(default=None, metadata=ruled(ANY_NUMBER))
    still_thrust_uncertainty_n: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    still_log: str | None = field(default=None, metadata=ruled(Text()))
    held_drag_n: float | None = field(default=None, metadata=ruled(ANY_NUMBER))
    held_drag_uncertainty_n: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))

    @staticmethod
    def check(found: Found) -> None:
        """Report a still run that is given twice."""
        if "still_log" in found.table and "still_thrust_n" in found.table:
            found.wrong("still_thrust_n", "either still_thrust_n or still_log, not both")


@dataclass(frozen=True, slots=True)
class RigMotor:
    """Direct-current motor: torque = constant * (current - no-load current)."""

    resistance_ohm: float = field(metadata=ruled(NOT_NEGATIVE))
    torque_constant_n_m_a: float = field(metadata=ruled(POSITIVE))
    no_load_current_a: float = field(metadata=ruled(NOT_NEGATIVE))
    resistance_uncertainty_ohm: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    torque_constant_uncertainty_n_m_a: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    no_load_current_uncertainty_a: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))


@dataclass(frozen=True, slots=True)
class RigDrive:
    """From the log's current to the crank.

    Attributes
    ----------
    gear_ratio : float
        Turns of the motor per stroke.
    gear_efficiency : float
        In either direction of the power.
    current_at : {"motor", "battery"}
        Where voltage and current are measured. A controller between battery and motor keeps the
        power but not the current; `auxiliary_w` is what else it feeds.
    motor : RigMotor or None
    dynamometer_file : str or None
        CSV table current_a, torque_n_m of the motor shaft in place of the motor's constants.
    torque_uncertainty : float
        Standard uncertainty of that table, relative.
    regeneration : float
        Part of the work returned by the wing that motor and gear take up.
    mechanism_loss_w : float
        Power on the crank that does not reach the air: what linkage and hinges take without the
        wing, and where a motor is the sensor, returned work that it does not see.
    """

    gear_ratio: float = field(metadata=ruled(POSITIVE))
    gear_efficiency: float = field(metadata=ruled(Number(above=0.0, most=1.0)))
    gear_efficiency_uncertainty: float = field(default=0.0, metadata=ruled(_RATIO))
    current_at: Literal["motor", "battery"] = field(
        default="motor", metadata=ruled(Word(("motor", "battery")))
    )
    motor: RigMotor | None = field(default=None, metadata=ruled(Table(RigMotor, inline=True)))
    dynamometer_file: str | None = field(default=None, metadata=ruled(Text()))
    torque_uncertainty: float = field(default=0.0, metadata=ruled(_RATIO))
    regeneration: float = field(default=0.0, metadata=ruled(Number(least=0.0, most=1.0)))
    auxiliary_w: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    auxiliary_uncertainty_w: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    mechanism_loss_w: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))
    mechanism_loss_uncertainty_w: float = field(default=0.0, metadata=ruled(NOT_NEGATIVE))

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


@dataclass(frozen=True, slots=True)
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

    title: str = field(metadata=ruled(Text()))
    log: Logging = field(metadata=ruled(Table(Logging)))
    channels: Channels = field(metadata=ruled(Table(Channels)))
    position: Position = field(metadata=ruled(Table(Position)))
    strokes: Strokes = field(metadata=ruled(Table(Strokes)))
    flow: Flow | None = field(default=None, metadata=ruled(Table(Flow)))
    tare: Tare = field(default=Tare(), metadata=ruled(Table(Tare)))
    drive: RigDrive | None = field(default=None, metadata=ruled(Table(RigDrive)))
    folder: Path = field(default=Path(), compare=False, repr=False)
    name: str = field(default="rig", compare=False, repr=False)
    text: str = field(default="", compare=False, repr=False)

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

    Returns
    -------
    Rig

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
