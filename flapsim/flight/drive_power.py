"""Means of the drive that trims and power curves report, of one cycle or of many designs."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.drive.limits import LIMITS, drive_refusal
from flapsim.drive.train import REPORTED

Array = NDArray[np.float64]

BATTERY = ("battery_current_a", "battery_voltage_v", "battery_power_w")
"""Needed for endurance, beside the means that every run reports."""

_ASKED = ("motor_power_w", "auxiliary_power_w")
_NAMES = (*REPORTED, *BATTERY, *_ASKED, *LIMITS)


def watts(cycle: Cycle) -> dict[str, float]:
    """Means of the drive of a cycle by the names of `flapsim.drive.train.drive_means`.

    NaN for what only a drive has if there is none.
    """
    return {name: cycle.mean.get(name, math.nan) for name in _NAMES}


def refusal_of_drive(cycle: Cycle) -> str:
    """Why the drive of a cycle cannot deliver its state; empty if it can, or without a drive."""
    drive = cycle.drive
    return "" if drive is None else drive_refusal(drive, watts(cycle))


def drive_power_of_many(
    results: Mapping[str, Array], wanted: NDArray[np.bool_]
) -> dict[str, Array]:
    """Means as `watts` gives them, shape (B,), of many designs; NaN for those not wanted."""
    nothing = np.full(wanted.shape, np.nan)
    return {name: np.where(wanted, results.get(f"mean.{name}", nothing), np.nan) for name in _NAMES}
