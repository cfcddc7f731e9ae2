"""From the current of a motor to the torque on the crank, on arrays of any shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Dynamometer:
    """Dynamometer table: torque of the motor shaft, N m, over the current, A, increasing."""

    current: Array
    torque: Array


def motor_current(power: Array, speed: Array, resistance: float, constant: float) -> Array:
    """Current of a direct-current motor at an electrical power, A; NaN where there is none.

    Parameters
    ----------
    power : (n,) array
        Electrical power at the motor, W.
    speed : (n,) array
        Of the motor, rad/s.
    resistance : float
        Ohm.
    constant : float
        Torque constant, N m/A, which is also the voltage constant, V s/rad.

    Notes
    -----
    The smaller root of ``R I^2 + k omega I = P``, in the form that also holds for R = 0.
    """
    back = constant * speed
    with np.errstate(invalid="ignore"):
        root = np.sqrt(back**2 + 4.0 * resistance * power)
    return np.asarray(2.0 * power / (back + root))


def motor_torque(current: Array, constant: float, no_load: float) -> Array:
    """Torque of the motor shaft, ``k (I - I0)``, N m."""
    return np.asarray(constant * (current - no_load))


def tabled_torque(current: Array, table: Dynamometer) -> Array:
    """Torque of the motor shaft from a dynamometer table, N m; NaN outside it."""
    return np.asarray(np.interp(current, table.current, table.torque, left=np.nan, right=np.nan))


def crank_torque(torque: Array, gear_ratio: float, gear_efficiency: float) -> Array:
    """Torque on the crank, N m, through a gear of the same efficiency in either direction."""
    passed = np.where(torque >= 0.0, gear_efficiency, 1.0 / gear_efficiency)
    return np.asarray(gear_ratio * torque * passed)
