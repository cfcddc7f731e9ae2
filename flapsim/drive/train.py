"""The drive train from the crank back to the battery: powers, currents, voltages and losses.

The crank drives all motions of the wing and turns at constant speed; `flapsim.drive.crank` lets the
speed vary. The first axis of an array is the step of the stroke, further axes are designs; every
number of a drive may be an array over designs too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.columns import Cases
from flapsim.case.craft import BalanceSpring, Drive
from flapsim.drive.battery import battery_current, battery_voltage
from flapsim.drive.gear import motor_side_power
from flapsim.drive.limits import limits_used
from flapsim.drive.motor import motor_current, motor_speed, motor_voltage
from flapsim.quantities.efficiency import ratio
from flapsim.wing.body import weight

Array = NDArray[np.float64]

REPORTED = (
    "shaft_power_w",
    "electrical_power_w",
    "aerodynamic_efficiency",
    "drive_efficiency",
    "total_efficiency",
    "effective_lift_to_drag",
    "cost_of_transport",
)
"""Means that a run reports for its drive; NaN without one."""


@dataclass(frozen=True)
class DriveTrain:
    """The drive through one stroke of one or many designs.

    Attributes
    ----------
    series : dict of str to ndarray, shape (n, ...)
        ``shaft_power_w`` (from the crank to wing and spring; negative where they return it),
        ``spring_power_w``, ``motor_current_a``, ``motor_voltage_v``.
    mean : dict of str to ndarray, shape (...)
        Means over the stroke. From the battery on: ``battery_power_w`` (from the cells) =
        ``battery_loss_w`` + ``electrical_power_w`` (at the battery's terminals);
        ``electrical_power_w`` = ``auxiliary_power_w`` + ``motor_power_w``; ``motor_power_w`` =
        ``copper_loss_w`` + ``no_load_loss_w`` + ``motor_output_w``; ``motor_output_w`` =
        ``gear_friction_w`` + ``shaft_power_w``; ``shaft_power_w`` = ``unrecovered_power_w`` +
        the power of wing and spring. ``gear_loss_w`` is ``gear_friction_w`` +
        ``unrecovered_power_w``. Also ``motor_current_a``, ``motor_current_rms_a``,
        ``motor_speed_rad_s``, ``battery_current_a``, ``battery_voltage_v`` and the ratios
        ``drive_efficiency`` and ``motor_efficiency``. NaN where the
        battery cannot deliver the power.
    peak : dict of str to ndarray, shape (...)
        Largest ``shaft_power_w``, ``motor_current_a`` and ``motor_voltage_v``.
    used : dict of str to ndarray, shape (...)
        Part used of each of `flapsim.drive.limits.LIMITS`; NaN for a current without a limit. The
        drive can deliver a state in which none exceeds 1.
    """

    series: dict[str, Array]
    mean: dict[str, Array]
    peak: dict[str, Array]
    used: dict[str, Array]


def drive_train(
    drive: Drive,
    frequency_hz: ArrayLike,
    aero_power: ArrayLike,
    inertial_power: ArrayLike,
    plunge: ArrayLike,
    plunge_rate: ArrayLike,
) -> DriveTrain:
    """Powers, currents, voltages and losses of a drive through the stroke.

    Parameters
    ----------
    drive : Drive
        Numbers, or arrays of shape (...).
    frequency_hz : array_like, shape (...)
        Strokes per second, Hz.
    aero_power, inertial_power : array_like, shape (n, ...)
        Power given to the air, and to the wing's mass, both wings, W.
    plunge, plunge_rate : array_like, shape (n, ...)
        Plunge at the shoulder, tip-up, rad, and its rate, rad/s, for the balance spring.

    Notes
    -----
    The balance spring pulls the wing down with the moment ``M0 + k plunge``; its mean power over a
    stroke is zero. Motor, gear and battery are those of `flapsim.drive.motor`, `flapsim.drive.gear`
    and `flapsim.drive.battery`. The copper loss is the mean of R I^2, not R times the square of
    the mean current. The battery delivers the mean power, smoothed by the controller, whose output
    voltage cannot exceed the battery's voltage under load.
    """
    wing_power = np.asarray(aero_power, dtype=np.float64) + np.asarray(inertial_power)
    spring_power = _spring_power(drive.balance_spring, plunge, plunge_rate)
    wing_power, spring_power = np.broadcast_arrays(wing_power, spring_power)
    power = wing_power + spring_power
    efficiency = np.asarray(drive.gear_efficiency, dtype=np.float64)
    at_motor = motor_side_power(
        np.maximum(power, 0.0), np.minimum(power, 0.0), efficiency, drive.regeneration
    )
    motor = drive.motor
    idle = motor.no_load_current_a
    speed = motor_speed(np.asarray(frequency_hz, dtype=np.float64), drive.gear_ratio)
    back_emf = motor.torque_constant_n_m_a * speed
    current = motor_current(at_motor, back_emf, idle)
    voltage = motor_voltage(current, back_emf, motor.resistance_ohm)
    given, given_square = _positive_means(power)
    returned = power.mean(axis=0) - given
    returned_square = (power**2).mean(axis=0) - given_square
    output = motor_side_power(given, returned, efficiency, drive.regeneration)
    output_square = motor_side_power(
        given_square, returned_square, efficiency**2, drive.regeneration**2
    )
    mean_current = motor_current(output, back_emf, idle)
    current_square = output_square / back_emf**2 + 2.0 * output / back_emf * idle + np.square(idle)
    copper = motor.resistance_ohm * current_square
    shape = copper.shape

    def over_designs(value: ArrayLike) -> Array:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), shape)

    shaft = given + returned * drive.regeneration
    no_load = over_designs(back_emf * idle)
    motor_power = output + no_load + copper
    auxiliary = over_designs(drive.auxiliary_w)
    battery = drive.battery
    drawn = battery_current(motor_power + auxiliary, battery.voltage_v, battery.resistance_ohm)
    battery_loss = battery.resistance_ohm * drawn**2
    electrical = np.where(np.isnan(drawn), np.nan, motor_power + auxiliary)
    friction = output - shaft
    unrecovered = shaft - power.mean(axis=0)
    mean = {
        "shaft_power_w": shaft,
        "electrical_power_w": electrical,
        "battery_power_w": electrical + battery_loss,
        "battery_loss_w": battery_loss,
        "auxiliary_power_w": auxiliary,
        "motor_power_w": motor_power,
        "copper_loss_w": copper,
        "no_load_loss_w": no_load,
        "motor_output_w": output,
        "gear_friction_w": friction,
        "unrecovered_power_w": unrecovered,
        "gear_loss_w": friction + unrecovered,
        "spring_power_w": spring_power.mean(axis=0),
        "motor_current_a": mean_current,
        "motor_current_rms_a": np.sqrt(current_square),
        "motor_speed_rad_s": over_designs(speed),
        "battery_current_a": drawn,
        "battery_voltage_v": battery_voltage(drawn, battery.voltage_v, battery.resistance_ohm),
        "drive_efficiency": ratio(shaft, electrical),
        "motor_efficiency": ratio(output, motor_power),
    }
    series = {
        "shaft_power_w": power,
        "spring_power_w": spring_power,
        "motor_current_a": current,
        "motor_voltage_v": voltage,
    }
    peak = {
        name: series[name].max(axis=0)
        for name in ("shaft_power_w", "motor_current_a", "motor_voltage_v")
    }
    return DriveTrain(series, mean, peak, limits_used(drive, mean, peak))


def _spring_power(spring: BalanceSpring | None, plunge: ArrayLike, plunge_rate: ArrayLike) -> Array:
    """Power that the crank puts into the balance spring, W."""
    rate = np.asarray(plunge_rate, dtype=np.float64)
    if spring is None:
        return np.zeros_like(rate)
    return (spring.moment_n_m + spring.stiffness_n_m_rad * np.asarray(plunge)) * rate


def _positive_means(power: Array) -> tuple[Array, Array]:
    """Means over a period of the positive part of a series and of its square.

    Even steps integrate a periodic function to rounding, but for the kink where the series changes
    its sign between two of them. The Euler-Maclaurin formula gives the error: a kink at the
    part p of a step, where the series rises or falls by d over the step, adds -d B2(p)/2n to the
    mean of the positive part, and -d^2 B3(p)/3n, p counted from the kink to the next step on the
    positive side, to that of its square (Bernoulli polynomials; Abramowitz & Stegun 1964, 23.1.30).
    """
    count = power.shape[0]
    after = np.roll(power, -1, axis=0)
    change = np.abs(after - power)
    crossing = ((power > 0.0) != (after > 0.0)) & (change > 0.0)
    divisor = np.where(crossing, change, 1.0)
    part = np.where(crossing, np.maximum(power, after) / divisor, 0.0)
    step = np.where(crossing, change, 0.0)
    second = part**2 - part + 1.0 / 6.0
    third = part * (part - 0.5) * (part - 1.0)
    positive = np.maximum(power, 0.0)
    mean = positive.mean(axis=0) + (step * second).sum(axis=0) / (2.0 * count)
    square = (positive**2).mean(axis=0) + (step**2 * third).sum(axis=0) / (3.0 * count)
    # The formula fails for a series that is positive at a single step: clip to the exact bounds.
    mean = np.maximum(mean, np.maximum(power.mean(axis=0), 0.0))
    return mean, np.clip(square, 0.0, (power**2).mean(axis=0))


def drive_means(
    case: Cases,
    aero_power: ArrayLike,
    inertial_power: ArrayLike,
    plunge: ArrayLike,
    plunge_rate: ArrayLike,
    thrust: ArrayLike,
    drive: Drive | None = None,
) -> dict[str, Array]:
    """Means that a run reports for its drive, by the names of `flapsim.quantities`.

    Powers (W), plunge (rad) and its rate (rad/s) as for `drive_train`, shape (n, ...); mean net
    thrust of both wings, N, shape (...); `drive` in place of the case's own. All of `REPORTED`, NaN
    without a drive; with one also all of ``DriveTrain.mean`` and ``DriveTrain.used``.
    """
    mean_thrust = np.asarray(thrust, dtype=np.float64)
    drive = case.drive if drive is None else drive
    if drive is None:
        return {name: np.full(mean_thrust.shape, np.nan) for name in REPORTED}
    train = drive_train(
        drive, case.stroke.frequency_hz, aero_power, inertial_power, plunge, plunge_rate
    )
    return train.mean | train.used | efficiencies(case, train.mean, mean_thrust)


def efficiencies(case: Cases, mean: Mapping[str, Array], thrust: ArrayLike) -> dict[str, Array]:
    """Efficiencies of the whole chain, effective lift to drag and cost of transport.

    From ``DriveTrain.mean`` and the mean net thrust of both wings, N. NaN at rest; those that take
    the weight are NaN for a wing on a rig.
    """
    airspeed = np.asarray(case.flight.airspeed_m_s, dtype=np.float64)
    moving = np.where(airspeed > 0.0, airspeed, np.nan)
    carried = np.asarray(weight(case), dtype=np.float64)
    load_power = np.where(carried > 0.0, carried, np.nan) * moving
    thrust_power = np.asarray(thrust, dtype=np.float64) * moving
    shaft, electrical = mean["shaft_power_w"], mean["electrical_power_w"]
    return {
        "aerodynamic_efficiency": ratio(thrust_power, shaft),
        "total_efficiency": ratio(thrust_power, electrical),
        "effective_lift_to_drag": ratio(load_power, shaft),
        "cost_of_transport": ratio(electrical, load_power),
    }
