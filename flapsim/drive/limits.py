"""Limits of motor and battery: how much of each a state uses, and warnings where it is too much."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.craft import Drive
from flapsim.drive.battery import battery_power_used

Array = NDArray[np.float64]

LIMITS = {
    "voltage_used": "voltage of the battery under load",
    "battery_power_used": "largest power of the battery",
    "peak_current_used": "peak current of the motor",
    "continuous_current_used": "continuous current of the motor",
}
"""Limits of a drive: name of the part used of each, and what is limited."""


def limits_used(
    drive: Drive, mean: Mapping[str, Array], peak: Mapping[str, Array]
) -> dict[str, Array]:
    """Part used of each of `LIMITS`, from the means and peaks of a `DriveTrain`."""
    battery, motor = drive.battery, drive.motor
    # No terminal voltage exists above the battery's largest power: use that at the largest power,
    # half the open-circuit voltage.
    voltage = np.where(
        np.isfinite(mean["battery_voltage_v"]),
        mean["battery_voltage_v"],
        0.5 * np.asarray(battery.voltage_v),
    )
    asked = mean["motor_power_w"] + mean["auxiliary_power_w"]
    return {
        "voltage_used": peak["motor_voltage_v"] / voltage,
        "battery_power_used": battery_power_used(asked, battery.voltage_v, battery.resistance_ohm),
        "peak_current_used": _of_limit(peak["motor_current_a"], motor.peak_current_a),
        "continuous_current_used": _of_limit(
            mean["motor_current_rms_a"], motor.continuous_current_a
        ),
    }


def _of_limit(value: Array, limit: float | None) -> Array:
    return value / (np.nan if limit is None else np.asarray(limit, dtype=np.float64))


def drive_refusal(drive: Drive, mean: Mapping[str, ArrayLike]) -> str:
    """Why a drive cannot deliver a state.

    Returns
    -------
    str
        Each limit exceeded, by how much, and what would help; empty if none is.
    """
    value = {name: float(np.asarray(number)) for name, number in mean.items()}
    reasons = []
    if value["battery_power_used"] > 1.0:
        asked = value["motor_power_w"] + value["auxiliary_power_w"]
        reasons.append(
            f"the battery would have to deliver {asked:.3g} W and can deliver at most"
            f" {asked / value['battery_power_used']:.3g} W, at half its voltage; more cells, less"
            " resistance or a stroke of less power would help"
        )
    elif value["voltage_used"] > 1.0:
        under_load = value["battery_voltage_v"]
        reasons.append(
            f"the motor needs up to {value['voltage_used'] * under_load:.3g} V and the battery has"
            f" {under_load:.3g} V under load; a lower gear ratio or more cells would help"
        )
    for name, limit, what in (
        ("peak_current_used", drive.motor.peak_current_a, "up to"),
        ("continuous_current_used", drive.motor.continuous_current_a, "a root mean square of"),
    ):
        if limit is not None and value[name] > 1.0:
            reasons.append(
                f"the motor draws {what} {value[name] * limit:.3g} A, its limit is {limit:.3g} A; a"
                " higher gear ratio or a stronger motor would help"
            )
    return f"The drive cannot deliver this state: {'; and '.join(reasons)}." if reasons else ""


def drive_notes(drive: Drive, mean: Mapping[str, ArrayLike]) -> tuple[str, ...]:
    """Warnings about a drive, one sentence each.

    Returns
    -------
    tuple of str
        Empty if the drive can deliver the state and little returned work is lost.
    """
    refusal = drive_refusal(drive, mean)
    notes = [refusal] if refusal else []
    lost, shaft = (
        float(np.asarray(mean[name])) for name in ("unrecovered_power_w", "shaft_power_w")
    )
    if drive.regeneration == 0.0 and lost > 0.2 * shaft:
        notes.append(
            f"{100.0 * lost / shaft:.0f} % of the shaft power is work that the wing returns and"
            " the drive cannot recover; a balance spring at the shoulder would store it."
        )
    return tuple(notes)
