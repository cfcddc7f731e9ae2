"""Motor, gear ratio and balance spring of least electrical power within the limits of the drive.

The mass of the motor is reported but not added to the craft. The gear efficiency is that of the
case at any ratio.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case.craft import Drive, Motor
from flapsim.cycle.simulate import Cycle
from flapsim.drive.spring import optimal_spring
from flapsim.drive.train import DriveTrain, drive_train
from flapsim.faults import CaseError, Fault, NoAnswer
from flapsim.flight.loads import motion_schedules
from flapsim.wing.schedule import evaluate
from flapsim.wing.stroke import PLUNGE_INNER

Array = NDArray[np.float64]

VOLTAGE_PART = 0.95
"""Part of the battery's voltage under load that a sized drive may use: a reserve for gusts and
climbs; common practice, no source. A given drive may use all of it (`flapsim.drive.limits`)."""

_RATIOS = 241
_ZOOMS = 3
_ROUNDS = 3
_SPEED_RANGE = 30.0


class WingLoad(NamedTuple):
    """Powers and plunge of the wings through a stroke, for `drive_train`; arrays (n,).

    Attributes
    ----------
    aero_power, inertial_power : ndarray
        W; the first without the power that springs, dampers and actuators put into the twist.
    plunge, plunge_rate : ndarray
        At the shoulder, rad and rad/s.
    """

    aero_power: Array
    inertial_power: Array
    plunge: Array
    plunge_rate: Array


def wing_load(cycle: Cycle) -> WingLoad:
    """Powers and plunge of the wings of a cycle."""
    plunge, per_turn, _ = evaluate(motion_schedules(cycle)[PLUNGE_INNER], cycle.phase)
    omega = 2.0 * math.pi * cycle.case.stroke.frequency_hz
    # The crank does not supply the power of springs and actuators of the twist.
    return WingLoad(
        cycle.series["aero_power_w"] - cycle.series["twist_power_w"],
        cycle.series["inertial_power_w"],
        plunge,
        per_turn * omega,
    )


# --- the table of motors -----------------------------------------------------------------------


@dataclass(frozen=True)
class MotorType:
    """A motor with the limits its maker would state.

    Attributes
    ----------
    mass : float
        kg.
    motor : Motor
        With both of its currents limited.
    max_speed : float
        rad/s.
    """

    name: str
    mass: float
    motor: Motor
    max_speed: float


_COLUMNS = (
    "mass_g",
    "resistance_ohm",
    "torque_constant_n_m_a",
    "no_load_current_a",
    "rotor_inertia_kg_m2",
    "continuous_current_a",
    "peak_current_a",
    "max_speed_rpm",
)
_MAY_BE_ZERO = ("no_load_current_a", "rotor_inertia_kg_m2", "mass_g")


def motor_table(path: str | Path | None = None) -> tuple[MotorType, ...]:
    """Motors to choose from: those of the package, which are invented, then those of a CSV file.

    The file has the columns of ``motors.csv`` in the package; its motors replace those of the same
    name. Raises CaseError with file, line and column of every fault.
    """
    own = resources.files("flapsim.flight").joinpath("motors.csv").read_text(encoding="utf-8")
    motors = _motors("motors.csv", own)
    if path is not None:
        given = Path(path)
        try:
            text = given.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not a UTF-8 text file"
            fault = Fault(given.name, "", "", reason.lower())
            raise CaseError([fault]) from error
        motors |= _motors(given.name, text)
    return tuple(motors.values())


def _motors(file: str, text: str) -> dict[str, MotorType]:
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    rows = list(csv.reader(line for _, line in lines))
    head = [cell.strip() for cell in rows[0]] if rows else []
    missing = [name for name in ("name", *_COLUMNS) if name not in head]
    if missing:
        line = f"line {lines[0][0]}" if lines else ""
        raise CaseError(
            [Fault(file, line, "none", f"a column {name} in the header") for name in missing]
        )
    faults: list[Fault] = []
    out = {}
    for (number, _), cells in zip(lines[1:], rows[1:], strict=True):
        row = dict(zip(head, (cell.strip() for cell in cells), strict=False))
        values = {name: _value(row.get(name, ""), name) for name in _COLUMNS}
        if not row.get("name"):
            faults.append(Fault(file, f"line {number}, name", "nothing", "a name"))
        for name, value in values.items():
            if math.isnan(value):
                allowed = "a number >= 0" if name in _MAY_BE_ZERO else "a number > 0"
                given = row.get(name) or "nothing"
                faults.append(Fault(file, f"line {number}, {name}", given, allowed))
        out[row.get("name", "")] = _motor_type(row.get("name", ""), values)
    if faults:
        raise CaseError(faults)
    return out


def _value(text: str, name: str) -> float:
    """A number that this column may hold, or NaN."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    sound = math.isfinite(value) and (value > 0.0 or (value == 0.0 and name in _MAY_BE_ZERO))
    return value if sound else math.nan


def _motor_type(name: str, values: dict[str, float]) -> MotorType:
    return MotorType(
        name=name,
        mass=values["mass_g"] * 1e-3,
        motor=Motor(
            values["resistance_ohm"], values["torque_constant_n_m_a"],
            values["no_load_current_a"], values["rotor_inertia_kg_m2"],
            values["continuous_current_a"], values["peak_current_a"],
        ),
        max_speed=values["max_speed_rpm"] * 2.0 * math.pi / 60.0,
    )  # fmt: skip


# --- the choice --------------------------------------------------------------------------------


@dataclass(frozen=True)
class SizedDrive:
    """The drive of least power with one motor.

    Attributes
    ----------
    drive : Drive
        The case's, with this motor, its best gear ratio and its best balance spring.
    train : DriveTrain
        Powers, currents and voltages with it.
    limits : dict of str to float
        Part of each limit that is used: ``peak current``, ``continuous current``, ``voltage``,
        ``battery power``, ``speed``.
    """

    kind: MotorType
    drive: Drive
    train: DriveTrain
    limits: dict[str, float]

    @property
    def electrical_power(self) -> float:
        """Mean power at the battery's terminals, W."""
        return float(self.train.mean["electrical_power_w"])

    @property
    def fits(self) -> bool:
        """Whether no limit is exceeded."""
        # The search for a gear ratio at a limit ends within rounding of it.
        return max(self.limits.values()) <= 1.0 + 1e-9


def size_drive(
    drive: Drive,
    frequency_hz: float,
    load: WingLoad,
    motors: Sequence[MotorType],
    keep_spring: bool = False,
) -> tuple[SizedDrive, ...]:
    """Gear ratio, balance spring and motor that take the least electrical power.

    Parameters
    ----------
    drive : Drive
        Where gear efficiency, regeneration, battery and auxiliary power come from.
    frequency_hz : float
        Strokes per second, Hz.
    motors : sequence of MotorType
        To choose from.
    keep_spring : bool
        Whether the drive's own balance spring stays as it is.

    Returns
    -------
    tuple of SizedDrive
        One for each motor that can drive this stroke, the one of least power first.

    Raises
    ------
    NoAnswer
        If none can; the message names the limit of the nearest.

    Notes
    -----
    For a given spring the power is convex in the gear ratio (no-load loss rises with it, copper
    loss falls), and the ratios within the limits are an interval: even ratios over the
    whole range of speeds, thrice refined about the best, find it. The spring is then found for
    that ratio, and the ratio again, until both stay. The spring is that of least power; a spring
    that would only lower a peak under a limit is not looked for.
    """
    found = [_sized(drive, frequency_hz, load, kind, keep_spring) for kind in motors]
    fit = sorted((sized for sized in found if sized.fits), key=lambda one: one.electrical_power)
    if not fit:
        raise NoAnswer(_refusal(found))
    return tuple(fit)


def _sized(
    drive: Drive, frequency_hz: float, load: WingLoad, kind: MotorType, keep_spring: bool
) -> SizedDrive:
    turns = 2.0 * math.pi * frequency_hz
    most = kind.max_speed / turns
    trial = replace(drive, motor=kind.motor, gear_ratio=0.5 * most)
    for _ in range(1 if keep_spring else _ROUNDS):
        if not keep_spring:
            spring = optimal_spring(trial, frequency_hz, *load).spring
            trial = replace(trial, balance_spring=spring)
        ratio = _best_ratio(trial, frequency_hz, load, kind, most)
        settled = abs(ratio - trial.gear_ratio) <= 1e-4 * ratio
        trial = replace(trial, gear_ratio=ratio)
        if settled:
            break
    train = drive_train(trial, frequency_hz, *load)
    limits = {name: float(part) for name, part in _limits(train, kind).items()}
    return SizedDrive(kind, trial, train, limits)


def _best_ratio(
    drive: Drive, frequency_hz: float, load: WingLoad, kind: MotorType, most: float
) -> float:
    """Gear ratio of least power within the limits, or the one that exceeds them least."""
    low, high = most / _SPEED_RANGE, most
    best = high
    for _ in range(_ZOOMS):
        ratios = np.geomspace(low, high, _RATIOS)
        lanes = WingLoad(*(series[:, None] for series in load))
        train = drive_train(
            replace(drive, gear_ratio=ratios),  # type: ignore[arg-type]
            frequency_hz, *lanes,
        )  # fmt: skip
        used = np.max(list(_limits(train, kind).values()), axis=0)
        power = train.mean["electrical_power_w"]
        within = (used <= 1.0) & np.isfinite(power)
        cost = np.where(within, power, np.inf) if within.any() else used
        index = int(np.argmin(cost))
        best = float(ratios[index])
        low, high = float(ratios[max(index - 1, 0)]), float(ratios[min(index + 1, _RATIOS - 1)])
    return best


def _limits(train: DriveTrain, kind: MotorType) -> dict[str, Array]:
    """Part used of each limit, with `VOLTAGE_PART` of the voltage."""
    used = train.used
    return {
        "peak current": used["peak_current_used"],
        "continuous current": used["continuous_current_used"],
        "voltage": used["voltage_used"] / VOLTAGE_PART,
        "battery power": used["battery_power_used"],
        "speed": train.mean["motor_speed_rad_s"] / kind.max_speed,
    }


_REMEDIES = {
    "peak current": "a stronger motor",
    "continuous current": "a stronger motor",
    "voltage": "a battery of more cells or less resistance",
    "battery power": "a battery of more cells or less resistance",
    "speed": "a faster motor",
}


def _refusal(found: Sequence[SizedDrive]) -> str:
    if not found:
        return "the table of motors is empty"
    nearest = min(found, key=lambda one: max(one.limits.values()))
    name, used = max(nearest.limits.items(), key=lambda item: item[1])
    return (
        f"none of the {len(found)} motors can drive this stroke within the limits. The nearest is"
        f" {nearest.kind.name!r} at {nearest.drive.gear_ratio:.3g}:1, whose {name} is"
        f" {used:.3g} times its limit;"
        f" {_REMEDIES[name]} would help, or a stroke of less power."
    )
