"""What a bench should read if the model were right.

Answers: which voltage, current, forces and torque does a case predict through the stroke, at the
sensors of this rig? The meeting point of simulator, comparison and calibration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.drive.battery import battery_current, battery_voltage
from flapsim.drive.train import drive_train
from flapsim.quantities.efficiency import flapping_efficiency, ratio, tare_efficiency
from flapsim.rig.rig_file import Rig

Array = NDArray[np.float64]

FINE = 2048
"""Phases at which a stroke is predicted."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What happens on the bench through one stroke, sensors without fault."""

    frequency: float  # Hz
    airspeed: float  # m/s
    waves: dict[str, Array]  # By quantity, at n even phases; ``torque`` is that on the crank
    mean: dict[str, float]  # Over time, by the names of a measurement
    ripple: float = 0.0  # Second harmonic of the crank speed, relative


def predict(case: Case, rig: Rig, cycle: Cycle | None = None, ripple: float = 0.0) -> Prediction:
    """Run a case on the bench of a rig file, whose drive says where current is measured.

    ``cycle`` is that of the case, if known; ``ripple`` the second harmonic of the crank speed,
    relative. Loads keep their phase, so only the time spent at each phase changes. The drive is
    that of `flapsim.drive.train.drive_train`, but the battery supplies the power of every instant,
    which `drive_train` smooths: a log records what flows.
    """
    cycle = simulate(case) if cycle is None else cycle
    phase = 2.0 * np.pi * np.arange(FINE) / FINE
    omega = 2.0 * np.pi * case.stroke.frequency_hz
    airspeed = case.flight.airspeed_m_s
    waves, shaft = _through_drive(case, rig, cycle, omega)
    for name in ("lift", "thrust"):
        waves[name] = _finely(cycle.series[f"{name}_n"]) + getattr(rig.tare, f"body_{name}_n")
    waves["airspeed"] = np.full_like(phase, airspeed)
    # Time spent at each phase of the crank.
    turn = phase / (2.0 * np.pi)
    share = np.diff(turn_at(np.append(turn, 1.0), ripple)) * FINE

    def over_time(wave: Array) -> float:
        return float(np.mean(wave * share))

    electrical = np.nan
    if "current" in waves:
        electrical = over_time(waves["voltage"] * waves["current"])
    lost = {name: getattr(rig.tare, f"body_{name}_n") for name in ("lift", "thrust")}
    wing = {name: over_time(waves[name]) - lost[name] for name in lost}
    useful, air = wing["thrust"] * airspeed, cycle.mean["aero_power_w"]
    mean = {
        "frequency_hz": case.stroke.frequency_hz,
        "airspeed_m_s": airspeed,
        "lift_n": wing["lift"],
        "thrust_n": wing["thrust"],
        "thrust_power_w": useful,
        "electrical_power_w": electrical,
        "shaft_power_w": shaft,
        "aero_power_w": air,
        "drive_efficiency": ratio(shaft, electrical),
        "aerodynamic_efficiency": ratio(useful, shaft),
        "total_efficiency": ratio(useful, electrical),
        # Both are NaN without a stream, as is what the wing held still would give.
        "tare_efficiency": tare_efficiency(
            wing["thrust"], cycle.mean["held_thrust_n"], airspeed, air
        ),
        "flapping_efficiency": flapping_efficiency(
            wing["thrust"], cycle.mean["held_drag_n"], airspeed, air
        ),
    }
    return Prediction(case.stroke.frequency_hz, airspeed, waves, mean, ripple)


def turn_at(turn: Array, ripple: float) -> Array:
    """Part of the period after which the crank has made a part of its turn."""
    return turn - ripple / (4.0 * np.pi) * np.sin(4.0 * np.pi * turn)


def _through_drive(
    case: Case, rig: Rig, cycle: Cycle, omega: float
) -> tuple[dict[str, Array], float]:
    """Torque on the crank and, where the case has a drive, voltage and current; shaft power."""
    air, inertial, twist = (
        _finely(cycle.series[f"{name}_power_w"]) for name in ("aero", "inertial", "twist")
    )
    air = air - twist
    drive = cycle.drive
    if drive is None:
        power = air + inertial
        return {"torque": power / omega}, float(np.maximum(power, 0.0).mean())
    plunge = np.radians(_finely(cycle.series["inner_plunge_deg"]))
    train = drive_train(
        drive, case.stroke.frequency_hz, air, inertial, plunge, _rate(plunge) * omega
    )
    current, voltage = train.series["motor_current_a"], train.series["motor_voltage_v"]
    if rig.drive is not None and rig.drive.current_at == "battery":
        watts = voltage * current + drive.auxiliary_w
        cells = drive.battery.voltage_v, drive.battery.resistance_ohm
        current = battery_current(watts, *cells)
        voltage = battery_voltage(current, *cells)
    torque = train.series["shaft_power_w"] / omega
    waves = {"torque": torque, "voltage": voltage, "current": current}
    return waves, float(train.mean["shaft_power_w"])


def _finely(series: Array) -> Array:
    """Periodic series at many more phases, by its harmonics."""
    count = len(series)
    return np.fft.irfft(np.fft.rfft(series), FINE) * (FINE / count)


def _rate(series: Array) -> Array:
    """Derivative with respect to phase."""
    harmonics = np.fft.rfft(series)
    return np.fft.irfft(1j * np.arange(len(harmonics)) * harmonics, len(series))
