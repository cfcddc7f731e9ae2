"""The battery: an open-circuit voltage behind a constant resistance (Thevenin equivalent)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = Array | float


def battery_current(power_w: Numbers, voltage: Numbers, resistance: Numbers) -> Array:
    """Current that gives a power at the terminals, A; NaN above the largest power.

    The smaller root of ``R I^2 - V0 I + P = 0``, in the form that also holds for R = 0.
    """
    open_voltage = np.asarray(voltage, dtype=np.float64)
    under_root = open_voltage**2 - 4.0 * resistance * power_w
    root = np.sqrt(np.where(under_root >= 0.0, under_root, np.nan))
    return np.asarray(2.0 * power_w / (open_voltage + root))


def battery_voltage(current: Numbers, voltage: Numbers, resistance: Numbers) -> Array:
    """Terminal voltage at a current, V."""
    return np.asarray(voltage - resistance * current)


def battery_power_used(power_w: Numbers, voltage: Numbers, resistance: Numbers) -> Array:
    """Power over the largest power ``V0^2/(4 R)`` that the terminals can give."""
    return np.asarray(power_w * 4.0 * resistance / np.square(voltage))
