"""The rig file: one TOML file that describes a test rig, read and checked.

Answers: how was the log written, which strokes count, what was measured in other runs, what drives
the crank? Its columns are in `channels`. Does not read the log.
"""

from __future__ import annotations

import dataclasses
from dataclasses import field
from pathlib import Path
from typing import Final, Literal

from flapsim.case.keys import Table, key_paths, toml_key, toml_table
from flapsim.case.rules import ANY_NUMBER, NOT_NEGATIVE, POSITIVE, Number, Numbers, Text, Word
from flapsim.case.text import Found, build, read_text, read_toml
from flapsim.faults import Faults
from flapsim.rig.channels import CHANNELS, RELATIVE_UNCERTAINTY, Channel, Channels, Position

SAMPLES_PER_STROKE: Final = 16
"""Fewest samples that show the shape of a stroke."""

SAMPLES_PER_EDGE: Final = 3
"""Samples from one edge of a switching sensor to the next needed to catch each edge."""


@toml_table
class Logging:
    """Format of the log, and the gaps it may have."""

    # fmt: off
    sample_rate_hz: float = toml_key(POSITIVE, "sample rate")
    separator: Literal[",", ";", "\t"] = toml_key(Word((",", ";", "\t")),
        "column separator", default=",")
    decimal: Literal[".", ","] = toml_key(Word((".", ",")), "decimal sign", default=".")
    longest_gap_s: float = toml_key(POSITIVE,
        "longest gap between two samples of an accepted stroke", default=0.01)
    largest_loss: float = toml_key(Number(least=0.0, below=1.0),
        "largest fraction of rows that may be discarded (no number, out of range, time repeated)",
        default=0.05)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report one character for two uses."""
        if found.values.get("separator") == found.values.get("decimal"):
            found.wrong("decimal", "another character than the separator")


@toml_table
class Strokes:
    """Which strokes count."""

    # fmt: off
    frequency_hz: tuple[float, float] = toml_key(Numbers(POSITIVE, count=2),
        "lowest and highest plausible stroke frequency")
    bins: int = toml_key(Number(least=16, most=1024, whole=True),
        "phase bins of the averaged stroke", default=64)
    fewest: int = toml_key(Number(least=4, most=100000, whole=True),
        "fewest accepted strokes for a result", default=10)
    period_tolerance: float = toml_key(Number(above=0.0, below=1.0),
        "deviation from the median period beyond which a stroke is rejected, relative",
        default=0.05)
    outlier: float = toml_key(Number(least=4.0), "deviation of a stroke mean from the median "
        "beyond which a stroke is rejected as an outlier, in robust standard deviations",
        default=8.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a range in the wrong order."""
        ends = found.values.get("frequency_hz")
        if ends is not None and not ends[0] < ends[1]:
            found.wrong("frequency_hz", "a list [lowest, highest]")


@toml_table
class Flow:
    """The airflow, where the log does not hold it."""

    # fmt: off
    airspeed_m_s: float = toml_key(NOT_NEGATIVE,
        "airspeed, where the log does not hold it", "without channels.airspeed")
    airspeed_uncertainty_m_s: float = toml_key(NOT_NEGATIVE, "standard uncertainty of the airspeed",
        default=0.0)
    # fmt: on


@toml_table
class Tare:
    """Forces measured in other runs, at the same airspeed and pitch; standard uncertainties."""

    # fmt: off
    body_lift_n: float = toml_key(ANY_NUMBER,
        "lift of body and mounting on the force balance, measured without the wing", default=0.0)
    body_lift_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    body_thrust_n: float = toml_key(ANY_NUMBER,
        "thrust of body and mounting on the force balance, measured without the wing", default=0.0)
    body_thrust_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    still_thrust_n: float | None = toml_key(ANY_NUMBER,
        "thrust with the wing on and held still at the same pitch, as the force balance reads it",
        default=None)
    still_thrust_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    still_log: str | None = toml_key(Text(),
        "log of that run in place of the number: same columns, beside the rig file",
        "in place of still_thrust_n", default=None)
    held_drag_n: float | None = toml_key(ANY_NUMBER,
        "drag of the wing alone, held still at the pitch that gives the flapping wing's lift",
        default=None)
    held_drag_uncertainty_n: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report two sources for one tare."""
        if "still_log" in found.table and "still_thrust_n" in found.table:
            found.say("still_thrust_n", "give either still_thrust_n or still_log, not both")


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
    """From the measured current to the crank."""

    # fmt: off
    gear_ratio: float = toml_key(POSITIVE, "turns of the motor per stroke")
    gear_efficiency: float = toml_key(Number(above=0.0, most=1.0),
        "efficiency of the gear, in either direction of the power")
    gear_efficiency_uncertainty: float = toml_key(RELATIVE_UNCERTAINTY,
        "standard uncertainty of the gear efficiency", default=0.0)
    current_at: Literal["motor", "battery"] = toml_key(Word(("motor", "battery")),
        "where voltage and current are measured; a controller between battery and motor passes on "
        "the power, not the current", default="motor")
    motor: RigMotor | None = toml_key(Table(RigMotor, inline=True), "direct-current motor",
        default=None)
    dynamometer_file: str | None = toml_key(Text(), "CSV file with columns current_a, torque_n_m "
        "of the motor shaft, in place of the motor's constants", "in place of motor", default=None)
    torque_uncertainty: float = toml_key(RELATIVE_UNCERTAINTY,
        "standard uncertainty of that table, relative", default=0.0)
    regeneration: float = toml_key(Number(least=0.0, most=1.0),
        "fraction of the work returned by the wing that motor and gear recover", default=0.0)
    auxiliary_w: float = toml_key(NOT_NEGATIVE, "power of other consumers on the battery",
        default=0.0)
    auxiliary_uncertainty_w: float = toml_key(NOT_NEGATIVE, "its standard uncertainty", default=0.0)
    mechanism_loss_w: float = toml_key(NOT_NEGATIVE, "power on the crank that does not reach the "
        "air: friction of linkage and hinges, and, where the motor serves as torque sensor, the "
        "returned work that it does not see", default=0.0)
    mechanism_loss_uncertainty_w: float = toml_key(NOT_NEGATIVE, "its standard uncertainty",
        default=0.0)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report two descriptions of the motor, or none."""
        motor, table = "motor" in found.table, "dynamometer_file" in found.table
        if motor and table:
            found.say("dynamometer_file", "give either motor or dynamometer_file, not both")
        if not motor and not table:
            found.require("motor", "a table motor, or dynamometer_file", "")
        if table and found.values.get("current_at") == "battery":
            found.wrong("current_at", '"motor"', "a dynamometer table needs the motor's current")


@toml_table
class Rig:
    """One test rig.

    `folder` is where files that it names are looked for, `name` that of the file, for messages,
    and `text` its contents.
    """

    # fmt: off
    title: str = toml_key(Text(), "title of the rig")
    log: Logging = toml_key(Table(Logging), "format of the log, and the gaps it may have")
    channels: Channels = toml_key(Table(Channels),
        "which column holds what; quantities that are not measured are left out")
    position: Position = toml_key(Table(Position), "how the log gives the position of the crank")
    strokes: Strokes = toml_key(Table(Strokes), "which strokes count")
    flow: Flow | None = toml_key(Table(Flow), "airflow, where the log does not hold it",
        default=None)
    tare: Tare = toml_key(Table(Tare),
        "forces measured in other runs, at the same airspeed and pitch", default=Tare())
    drive: RigDrive | None = toml_key(Table(RigDrive), "from the measured current to the crank",
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
        """Report two airspeeds, sampling that is too slow, and one column for two quantities."""
        channels, flow = found.values.get("channels"), found.values.get("flow")
        if channels is not None and channels.airspeed is not None and flow is not None:
            found.say("flow", "leave it out, or leave out channels.airspeed, which measures it")
        log, strokes = found.values.get("log"), found.values.get("strokes")
        if log is not None and strokes is not None:
            highest = strokes.frequency_hz[1]
            _require_rate(found.faults, log.sample_rate_hz, SAMPLES_PER_STROKE * highest,
                          f"{SAMPLES_PER_STROKE} samples per stroke are the fewest that show its "
                          "shape")  # fmt: skip
            position = found.values.get("position")
            if position is not None:
                _check_counts(found.faults, log.sample_rate_hz, highest, position)
        _check_columns(found)


def _require_rate(faults: Faults, given: float, least: float, why: str) -> None:
    if given < least:
        faults.add("log.sample_rate_hz", f"{given:g}", f"a number >= {least:g}", why)


def _check_counts(faults: Faults, sample_rate: float, frequency: float, position: Position) -> None:
    """Report a crank sensor that is faster than the samples can follow."""
    rate = position.per_stroke * frequency
    if position.kind == "edges":
        _require_rate(faults, sample_rate, SAMPLES_PER_EDGE * rate,
                      f"{SAMPLES_PER_EDGE} samples per edge are the fewest that catch each edge; a "
                      'counter (position.kind = "counts") has no such limit')  # fmt: skip
    if position.kind == "counts" and position.wraps_at is not None:
        per_sample = rate / sample_rate
        if position.wraps_at <= 2.0 * per_sample:
            faults.add(
                "position.wraps_at", f"{position.wraps_at:g}", f"a number > {2.0 * per_sample:g}",
                f"with up to {per_sample:g} counts from sample to sample, forwards and backwards"
                " look the same",
            )  # fmt: skip


def _check_columns(found: Found) -> None:
    """Report one column for two quantities."""
    channels, position = found.values.get("channels"), found.values.get("position")
    if channels is None or position is None:
        return
    used = {channels.time.column: "channels.time"}
    places = {f"channels.{name}": getattr(channels, name) for name in CHANNELS}
    for place, source in (places | {"position": position}).items():
        if source is None:
            continue
        if source.column in used:
            found.faults.add(
                f"{place}.column", f'"{source.column}"', "a column of its own",
                f"{used[source.column]} has it already",
            )  # fmt: skip
        used.setdefault(source.column, place)


def read_rig(path: str | Path) -> Rig:
    """Read a rig file (TOML).

    Raises
    ------
    CaseError
        With every fault found.
    """
    path = Path(path)
    return parse_rig(read_text(path), path.parent, path.name)


def parse_rig(text: str, folder: str | Path = ".", name: str = "rig") -> Rig:
    """Read a rig from TOML text; files that it names are looked for in `folder`.

    Raises CaseError, under `name`, with every fault found.
    """
    faults = Faults(name, Path(folder), key_paths(Rig))
    rig: Rig = build(Rig, read_toml(text, name), "", faults)
    faults.raise_if_any()
    return dataclasses.replace(rig, folder=Path(folder), name=name, text=text)
