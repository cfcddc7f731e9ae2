"""The direct-current motor: torque constant, winding resistance and no-load current.

``V = k omega + R I`` and ``torque = k (I - I0)``, the textbook model (Hughes & Drury 2019, Electric
Motors and Drives, ch. 3), written for powers: with the back-EMF ``e = k omega``, the output power
is ``e (I - I0)``. `flapsim.rig.shaft` solves the same equations for what a bench does not measure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = Array | float


def motor_speed(frequency_hz: Numbers, gear_ratio: Numbers) -> Array:
    """Speed of the motor at ``gear_ratio`` turns per stroke, rad/s."""
    return np.asarray(2.0 * np.pi * frequency_hz * gear_ratio)


def motor_current(output_w: Numbers, back_emf: Numbers, no_load: Numbers) -> Array:
    """Current at an output power, A, from the back-EMF in V and the no-load current in A."""
    return np.asarray(output_w / back_emf + no_load)


def motor_voltage(current: Numbers, back_emf: Numbers, resistance: Numbers) -> Array:
    """Terminal voltage, V, at a current in A through the winding's resistance in ohm."""
    return np.asarray(back_emf + resistance * current)
