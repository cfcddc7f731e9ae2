"""From the crank to the battery: what the drive takes to move the wing as it moves.

Answers: which power the crank takes instant by instant, what motor, gear and battery lose on the
way, which part of each limit of motor and battery that uses, and which balance spring takes least.
Does not answer which drive to choose.

The crank carries all motions of the wing and turns at constant speed; `flapsim.drive.crank` lets it
vary. Arrays run over the steps of a stroke; axes after that are designs, and every
number of a drive may be an array over designs too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.craft import BalanceSpring, Drive
from flapsim.wing.body import weight
from flapsim.wing.proportions import ratio

__all__ = [
    "LIMITS",
    "REPORTED",
    "DriveTrain",
    "SpringOptimum",
    "drive_means",
    "drive_notes",
    "drive_refusal",
    "drive_train",
    "optimal_spring",
]

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
"""Means of a run that only a drive gives a meaning; NaN without one."""

LIMITS = {
    "voltage_used": "voltage of the battery under load",
    "battery_power_used": "largest power of the battery",
    "peak_current_used": "peak current of the motor",
    "continuous_current_used": "continuous current of the motor",
}
"""Ratios that tell how near a drive is to what it cannot do, and what that is."""


@dataclass(frozen=True)
class DriveTrain:
    """The drive through one stroke of one or many designs.

    Attributes
    ----------
    series : dict of str to ndarray, shape (n, ...)
        ``shaft_power_w`` (what the crank gives the wing and the spring; negative where they give
        it back), ``spring_power_w``, ``motor_current_a``, ``motor_voltage_v``.
    mean : dict of str to ndarray, shape (...)
        Means over the stroke. From the battery on: ``battery_power_w`` (from the cells) =
        ``battery_loss_w`` + ``electrical_power_w`` (at the battery's terminals);
        ``electrical_power_w`` = ``auxiliary_power_w`` + ``motor_power_w``; ``motor_power_w`` =
        ``copper_loss_w`` + ``no_load_loss_w`` + ``motor_output_w``; ``motor_output_w`` =
        ``gear_friction_w`` + ``shaft_power_w``; ``shaft_power_w`` = ``unrecovered_power_w`` +
        the power of wing and spring. ``gear_loss_w`` is ``gear_friction_w`` +
        ``unrecovered_power_w``. Also ``motor_current_a``, ``motor_current_rms_a``,
        ``motor_speed_rad_s``, ``battery_current_a``, ``battery_voltage_v`` and the ratios
        ``drive_efficiency`` and ``motor_efficiency``. NaN for what the battery cannot give.
    peak : dict of str to ndarray, shape (...)
        Largest ``shaft_power_w``, ``motor_current_a`` and ``motor_voltage_v``.
    used : dict of str to ndarray, shape (...)
        Part used of each of `LIMITS`; NaN for a current of which the drive states no limit. The
        drive can give a state in which none exceeds 1.
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
    """What the drive takes to move the wing, from the crank back to the battery.

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

    Returns
    -------
    DriveTrain

    Notes
    -----
    The balance spring pulls the wing down with the moment ``M0 + k plunge``; over a stroke it
    gives back what it takes. Work that the wing returns passes the gear the other way and counts
    by the part r that is regenerated: with the gear efficiency e, the motor gives ``P/e`` where
    the crank takes P > 0 and takes ``r e |P|`` where it returns P < 0; nothing regenerated means
    that the motor is free of load then. The motor is ``I = torque/kt + I0``, ``V = kt speed + R I``
    (the textbook direct-current motor), so that its loss is the mean of R I^2, not that of the mean
    current, and ``kt speed I0`` without load. The battery gives the mean power, smoothed by the
    controller, at ``V = V0 - Rb I``; it has no such state above ``V0^2/(4 Rb)``. A controller
    passes on that voltage at most, so the largest voltage of the motor may not exceed it.
    """
    wing_power = np.asarray(aero_power, dtype=np.float64) + np.asarray(inertial_power)
    spring_power = _spring_power(drive.balance_spring, plunge, plunge_rate)
    wing_power, spring_power = np.broadcast_arrays(wing_power, spring_power)
    power = wing_power + spring_power
    efficiency = np.asarray(drive.gear_efficiency, dtype=np.float64)
    at_motor = (
        np.maximum(power, 0.0) / efficiency
        + np.minimum(power, 0.0) * drive.regeneration * efficiency
    )
    motor = drive.motor
    speed = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64) * drive.gear_ratio
    rest_voltage = motor.torque_constant_n_m_a * speed
    current = at_motor / rest_voltage + motor.no_load_current_a
    voltage = rest_voltage + motor.resistance_ohm * current
    given, given_square = _positive_means(power)
    returned = (power.mean(axis=0) - given) * drive.regeneration
    returned_square = ((power**2).mean(axis=0) - given_square) * drive.regeneration**2
    output = given / efficiency + returned * efficiency
    output_square = given_square / efficiency**2 + returned_square * efficiency**2
    mean_current = output / rest_voltage + motor.no_load_current_a
    current_square = (
        output_square / rest_voltage**2
        + 2.0 * output / rest_voltage * motor.no_load_current_a
        + np.square(motor.no_load_current_a)
    )
    copper = motor.resistance_ohm * current_square
    shape = copper.shape

    def over_designs(value: ArrayLike) -> Array:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), shape)

    shaft = given + returned
    no_load = over_designs(rest_voltage * motor.no_load_current_a)
    motor_power = output + no_load + copper
    auxiliary = over_designs(drive.auxiliary_w)
    battery_current = _battery_current(drive, motor_power + auxiliary)
    battery_loss = drive.battery.resistance_ohm * battery_current**2
    electrical = np.where(np.isnan(battery_current), np.nan, motor_power + auxiliary)
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
        "battery_current_a": battery_current,
        "battery_voltage_v": drive.battery.voltage_v
        - drive.battery.resistance_ohm * battery_current,
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
    return DriveTrain(series, mean, peak, _used(drive, mean, peak))


def _used(drive: Drive, mean: Mapping[str, Array], peak: Mapping[str, Array]) -> dict[str, Array]:
    """Part used of each of `LIMITS`."""
    battery, motor = drive.battery, drive.motor
    # Beyond the battery's largest power there is no voltage: half the open one, where that lies.
    voltage = np.where(
        np.isfinite(mean["battery_voltage_v"]),
        mean["battery_voltage_v"],
        0.5 * np.asarray(battery.voltage_v),
    )
    asked = mean["motor_power_w"] + mean["auxiliary_power_w"]
    return {
        "voltage_used": peak["motor_voltage_v"] / voltage,
        "battery_power_used": asked * 4.0 * battery.resistance_ohm / np.square(battery.voltage_v),
        "peak_current_used": _of_limit(peak["motor_current_a"], motor.peak_current_a),
        "continuous_current_used": _of_limit(
            mean["motor_current_rms_a"], motor.continuous_current_a
        ),
    }


def _of_limit(value: Array, limit: float | None) -> Array:
    return value / (np.nan if limit is None else np.asarray(limit, dtype=np.float64))


def _spring_power(spring: BalanceSpring | None, plunge: ArrayLike, plunge_rate: ArrayLike) -> Array:
    """Power that the crank puts into the balance spring, W."""
    rate = np.asarray(plunge_rate, dtype=np.float64)
    if spring is None:
        return np.zeros_like(rate)
    return (spring.moment_n_m + spring.stiffness_n_m_rad * np.asarray(plunge)) * rate


def _positive_means(power: Array) -> tuple[Array, Array]:
    """Means over a period of the positive part of a series and of its square.

    Even steps integrate a periodic function to rounding, but for the kink where the series changes
    its sign between two of them. The Euler-Maclaurin formula tells what that costs: a kink at the
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
    # A series that is positive at one step alone is beyond the formula: keep what must hold.
    mean = np.maximum(mean, np.maximum(power.mean(axis=0), 0.0))
    return mean, np.clip(square, 0.0, (power**2).mean(axis=0))


def _battery_current(drive: Drive, power: Array) -> Array:
    """Mean current that gives a mean power at the terminals, A; NaN where none does."""
    voltage = np.asarray(drive.battery.voltage_v, dtype=np.float64)
    under_root = voltage**2 - 4.0 * drive.battery.resistance_ohm * power
    root = np.sqrt(np.where(under_root >= 0.0, under_root, np.nan))
    # The smaller current of the two, in the form that holds for a battery without resistance.
    return 2.0 * power / (voltage + root)


def drive_means(
    case: Case,
    aero_power: ArrayLike,
    inertial_power: ArrayLike,
    plunge: ArrayLike,
    plunge_rate: ArrayLike,
    thrust: ArrayLike,
) -> dict[str, Array]:
    """What a run reports of the drive in the mean, by the names of `flapsim.quantities`.

    Parameters
    ----------
    case : Case
        A case, or one with columns.
    aero_power, inertial_power : array_like, shape (n, ...)
        As for `drive_train`, W.
    plunge, plunge_rate : array_like, shape (n, ...)
        As for `drive_train`, rad and rad/s.
    thrust : array_like, shape (...)
        Mean net thrust of both wings, N.

    Returns
    -------
    dict of str to ndarray, shape (...)
        All of `REPORTED`, NaN without a drive; with one also all of ``DriveTrain.mean`` and of
        ``DriveTrain.used``.
    """
    mean_thrust = np.asarray(thrust, dtype=np.float64)
    if case.drive is None:
        return {name: np.full(mean_thrust.shape, np.nan) for name in REPORTED}
    train = drive_train(
        case.drive, case.stroke.frequency_hz, aero_power, inertial_power, plunge, plunge_rate
    )
    return train.mean | train.used | efficiencies(case, train.mean, mean_thrust)


def efficiencies(case: Case, mean: Mapping[str, Array], thrust: ArrayLike) -> dict[str, Array]:
    """Ratios of a drive's powers to what the craft gets for them.

    Parameters
    ----------
    case : Case
        A case, or one with columns.
    mean : mapping of str to ndarray, shape (...)
        ``DriveTrain.mean``.
    thrust : array_like, shape (...)
        Mean net thrust of both wings, N.

    Returns
    -------
    dict of str to ndarray, shape (...)
        NaN at rest, and what concerns the weight NaN for a wing on a rig.
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


def drive_refusal(drive: Drive, mean: Mapping[str, ArrayLike]) -> str:
    """Why a drive cannot give a state, in words.

    Parameters
    ----------
    drive : Drive
        The drive of one design.
    mean : mapping of str to float
        From `drive_means`: what it is asked for.

    Returns
    -------
    str
        What binds, by how much, and what would help; empty where the drive gives what is asked.
    """
    value = {name: float(np.asarray(number)) for name, number in mean.items()}
    reasons = []
    if value["battery_power_used"] > 1.0:
        asked = value["motor_power_w"] + value["auxiliary_power_w"]
        reasons.append(
            f"the battery cannot give the {asked:.3g} W asked of it: at most"
            f" {asked / value['battery_power_used']:.3g} W, at half its voltage; it needs more"
            " voltage or less resistance, or the stroke less power"
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
                f"the motor draws {what} {value[name] * limit:.3g} A and may draw {limit:.3g} A; a"
                " higher gear ratio or a stronger motor would help"
            )
    return f"The drive cannot give this state: {'; and '.join(reasons)}." if reasons else ""


def drive_notes(drive: Drive, mean: Mapping[str, ArrayLike]) -> tuple[str, ...]:
    """What to mind of a drive, in words.

    Parameters
    ----------
    drive : Drive
        The drive of one design.
    mean : mapping of str to float
        From `drive_means`: what it is asked for.

    Returns
    -------
    tuple of str
        Empty where the drive gives what is asked and loses little on the way.
    """
    refusal = drive_refusal(drive, mean)
    notes = [refusal] if refusal else []
    lost, shaft = (
        float(np.asarray(mean[name])) for name in ("unrecovered_power_w", "shaft_power_w")
    )
    if drive.regeneration == 0.0 and lost > 0.2 * shaft:
        notes.append(
            f"{100.0 * lost / shaft:.0f} % of the shaft power is work that the wing returns and"
            " nothing takes up: a balance spring at the shoulder would carry it."
        )
    return tuple(notes)


# --- the best balance spring -------------------------------------------------------------------


class SpringOptimum(NamedTuple):
    """The balance spring that takes least power.

    Attributes
    ----------
    spring : BalanceSpring
        Moment at zero plunge, N m, and stiffness, N m/rad.
    motor_power : float
        Mean power at the motor's terminals with it, W.
    """

    spring: BalanceSpring
    motor_power: float


def optimal_spring(
    drive: Drive,
    frequency_hz: float,
    aero_power: ArrayLike,
    inertial_power: ArrayLike,
    plunge: ArrayLike,
    plunge_rate: ArrayLike,
) -> SpringOptimum:
    """Balance spring whose moment and stiffness take least electrical power.

    Parameters
    ----------
    drive : Drive
        The drive of one design; its own balance spring is put aside.
    frequency_hz : float
        Strokes per second, Hz.
    aero_power, inertial_power, plunge, plunge_rate : array_like, shape (n,)
        As for `drive_train`.

    Returns
    -------
    SpringOptimum
        Without a moment and a stiffness if the wing does not plunge.

    Notes
    -----
    The power at the motor is convex in moment and stiffness wherever the motor does not generate,
    so that a simplex (Nelder & Mead 1965) that starts from the spring with the least mean square
    of the shaft power finds the one minimum; the stiffness is not negative.
    """
    from scipy.optimize import minimize

    rate = np.asarray(plunge_rate, dtype=np.float64)
    angle = np.asarray(plunge, dtype=np.float64)
    load = np.asarray(aero_power, dtype=np.float64) + np.asarray(inertial_power)

    def motor_power(numbers: Array) -> float:
        moment, stiffness = numbers
        trial = replace(
            drive, balance_spring=BalanceSpring(float(moment), max(float(stiffness), 0.0))
        )
        return float(drive_train(trial, frequency_hz, load, 0.0, angle, rate).mean["motor_power_w"])

    if not np.any(rate):
        still = np.zeros(2)
        return SpringOptimum(BalanceSpring(0.0, 0.0), motor_power(still))
    start = _smoothing_spring(load, angle, rate)
    # A moment and a stiffness worth the whole shaft power: the natural steps of the search.
    moment_step = 0.2 * float(np.sqrt((load**2).mean() / (rate**2).mean())) + 1e-12
    reach = float(np.ptp(angle)) / 2.0
    steps = np.array([moment_step, moment_step / reach])
    found = start
    for _ in range(2):
        simplex = found + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) * steps
        found = minimize(
            motor_power,
            found,
            method="Nelder-Mead",
            bounds=[(None, None), (0.0, None)],
            options={
                "initial_simplex": simplex,
                "xatol": 1e-7 * steps.min(),
                "fatol": 1e-13,
                "maxfev": 600,
            },
        ).x
        steps = 0.1 * steps
    moment, stiffness = (float(number) for number in found)
    return SpringOptimum(BalanceSpring(moment, max(stiffness, 0.0)), motor_power(found))


def _smoothing_spring(load: Array, angle: Array, rate: Array) -> Array:
    """Moment and stiffness, not negative, that leave the least mean square of the power."""
    terms = np.stack([rate, angle * rate], axis=1)
    both = np.linalg.lstsq(terms, -load)[0].astype(np.float64)
    if both[1] >= 0.0:
        return both
    return np.array([-float(load @ rate / (rate @ rate)), 0.0])
