"""Averaged strokes and the bench they come from: torque and power on the crank.

Answers: what does the averaged stroke look like with the known filters undone, and what turned the
crank? Numbers without their uncertainty; `power_account` adds that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from flapsim.rig.filters import undone
from flapsim.rig.rig_file import Rig, RigDrive
from flapsim.rig.shaft import Dynamometer, crank_torque, motor_current, motor_torque, tabled_torque
from flapsim.rig.strokes import POWER, StrokeTable

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """Averaged strokes, and the rig that they were measured on.

    Attributes
    ----------
    strokes : StrokeTable
        Accepted ones only.
    still : tuple of 2 floats or None
        Thrust of the wing held still as the force balance reads it, and its standard uncertainty.
    """

    strokes: StrokeTable
    rig: Rig
    table: Dynamometer | None = None
    still: tuple[float, float] | None = None

    @cached_property
    def frequency(self) -> float:
        """Mean stroke frequency, Hz."""
        return 1.0 / float(self.strokes.period.mean())

    @cached_property
    def bin_time(self) -> Array:
        """Mean time spent in each bin, s, shape (bins,)."""
        return np.asarray(self.strokes.time.mean(axis=0))

    def recorded(self, name: str) -> Array:
        """Averaged stroke as recorded, shape (bins,)."""
        return np.asarray(self.strokes.waves[name].mean(axis=0, dtype=np.float64))

    def wave(self, name: str) -> Array:
        """Averaged stroke with the known filters undone, shape (bins,)."""
        if name == POWER:
            residual = self.recorded(POWER) - self.recorded("voltage") * self.recorded("current")
            return np.asarray(residual + self.wave("voltage") * self.wave("current"))
        return undone(self.recorded(name), self.frequency, self.rig.measured[name].filter)

    def has(self, *names: str) -> bool:
        """Whether the log holds all these quantities."""
        return all(name in self.rig.measured for name in names)

    @property
    def knows_shaft(self) -> bool:
        """Whether the log gives the power on the crank."""
        if self.has("torque"):
            return True
        drive = self.rig.drive
        if drive is None or not self.has("current"):
            return False
        return drive.current_at == "motor" or self.has("voltage")


def torque_wave(
    bench: Bench,
    *,
    current: tuple[float, float] = (1.0, 0.0),
    voltage: tuple[float, float] = (1.0, 0.0),
    torque: tuple[float, float] = (1.0, 0.0),
    constants: dict[str, float] | None = None,
) -> Array:
    """Torque on the crank through the averaged stroke, N m, shape (bins,).

    Recorded current, voltage and torque are corrected by pairs (gain, zero): gain * (value - zero).
    `constants` of the drive, by key, stand in for those of the rig file.
    """
    if bench.has("torque"):
        return np.asarray(torque[0] * (bench.wave("torque") - torque[1]))
    speed = 2.0 * np.pi / (len(bench.bin_time) * bench.bin_time)
    amperes = current[0] * (bench.wave("current") - current[1])
    watts = None
    if bench.has("voltage"):
        flow, pressure = bench.wave("current"), bench.wave("voltage")
        watts = bench.wave(POWER) - current[1] * pressure - voltage[1] * flow
        watts = voltage[0] * current[0] * (watts + current[1] * voltage[1])
    assert bench.rig.drive is not None
    return _through_drive(amperes, watts, speed, bench.rig.drive, bench.table, constants or {})


def _through_drive(
    current: Array,
    power: Array | None,
    speed: Array,
    drive: RigDrive,
    table: Dynamometer | None,
    constants: dict[str, float],
) -> Array:
    """Torque on the crank from current (or power) through motor and gear."""
    efficiency = constants.get("gear_efficiency", drive.gear_efficiency)
    if table is not None:
        torque = constants.get("torque_factor", 1.0) * tabled_torque(current, table)
        return crank_torque(torque, drive.gear_ratio, efficiency)
    motor = drive.motor
    assert motor is not None
    constant = constants.get("torque_constant_n_m_a", motor.torque_constant_n_m_a)
    no_load = constants.get("no_load_current_a", motor.no_load_current_a)
    if drive.current_at == "battery":
        assert power is not None
        resistance = constants.get("resistance_ohm", motor.resistance_ohm)
        motor_power = power - constants.get("auxiliary_w", drive.auxiliary_w)
        current = motor_current(motor_power, speed * drive.gear_ratio, resistance, constant)
    return crank_torque(motor_torque(current, constant, no_load), drive.gear_ratio, efficiency)


def crank_power(bench: Bench, torque: Array, frequency: Array | float) -> tuple[Array, Array]:
    """Mean power that the crank takes, and mean power that wing and linkage take, W, shape (...).

    From the torque on the crank, N m, shape (..., bins), and the frequency, Hz. The two differ by
    the returned work that is not recovered.
    """
    drive = bench.rig.drive
    recovered = 0.0 if drive is None else drive.regeneration
    omega = 2.0 * np.pi * np.asarray(frequency)
    whole = torque.mean(axis=-1) * omega
    returned = np.minimum(torque, 0.0).mean(axis=-1) * omega
    if bench.has("torque"):
        return np.asarray(whole - (1.0 - recovered) * returned), np.asarray(whole)
    # Through the motor only the recovered part of the returned work shows.
    hidden = (1.0 / recovered - 1.0) * returned if recovered > 0.0 else 0.0
    return np.asarray(whole), np.asarray(whole + hidden)


def finely(wave: Array) -> Array:
    """Periodic wave at eight times as many phases, to resolve its changes of sign."""
    count = len(wave)
    return np.fft.irfft(np.fft.rfft(wave), 8 * count) * 8.0


def stroke_powers(bench: Bench) -> tuple[Array, Array]:
    """Shaft power and power into the wing of every stroke by itself, W; for the scatter only."""
    strokes = bench.strokes
    parts = [
        np.stack(_powers_of(bench, strokes.taken(slice(first, first + _AT_A_TIME))))
        for first in range(0, strokes.count, _AT_A_TIME)
    ]
    shaft, wing = np.concatenate(parts, axis=1)
    return shaft, wing


_AT_A_TIME = 4096
"""Strokes converted to double precision at a time: a log may have hundreds of thousands."""


def _powers_of(bench: Bench, strokes: StrokeTable) -> tuple[Array, Array]:
    angle = 2.0 * np.pi / strokes.time.shape[1]
    if bench.has("torque"):
        torque = strokes.waves["torque"].astype(np.float64)
    else:
        assert bench.rig.drive is not None
        power = strokes.waves[POWER].astype(np.float64) if POWER in strokes.waves else None
        current = strokes.waves["current"].astype(np.float64)
        speed = angle / strokes.time
        torque = _through_drive(current, power, speed, bench.rig.drive, bench.table, {})
    return crank_power(bench, torque, 1.0 / strokes.period)
