"""From the crank to the battery: what the drive takes to move the wing as it moves.

Answers: which power the crank takes instant by instant, what motor, gear and battery lose on the
way, which balance spring takes least, and how unevenly a crank with a light rotor turns. Does not
answer which drive to choose.

The crank carries all motions of the wing. It turns at constant speed, except in
`crank_speed_ripple`. Arrays run over the steps of a stroke; axes after that are designs, and every
number of a drive may be an array over designs too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.body import weight
from flapsim.case import Case
from flapsim.case_craft import BalanceSpring, Drive

__all__ = [
    "REPORTED",
    "CrankSpeed",
    "DriveTrain",
    "NoSteadyCrank",
    "SpringOptimum",
    "crank_speed_ripple",
    "drive_means",
    "drive_notes",
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
    """

    series: dict[str, Array]
    mean: dict[str, Array]
    peak: dict[str, Array]


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
    controller, at ``V = V0 - Rb I``; it has no such state above ``V0^2/(4 Rb)``.
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
        "drive_efficiency": _ratio(shaft, electrical),
        "motor_efficiency": _ratio(output, motor_power),
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
    return DriveTrain(series, mean, peak)


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


def _ratio(top: ArrayLike, bottom: ArrayLike) -> Array:
    """A ratio, or NaN where the bottom is not a positive number."""
    above, below = np.broadcast_arrays(
        np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)
    )
    positive = below > 0.0
    return np.where(positive, above / np.where(positive, below, 1.0), np.nan)


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
        All of `REPORTED`, NaN without a drive; with one also all of ``DriveTrain.mean``.
    """
    mean_thrust = np.asarray(thrust, dtype=np.float64)
    if case.drive is None:
        return {name: np.full(mean_thrust.shape, np.nan) for name in REPORTED}
    train = drive_train(
        case.drive, case.stroke.frequency_hz, aero_power, inertial_power, plunge, plunge_rate
    )
    return train.mean | efficiencies(case, train.mean, mean_thrust)


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
        "aerodynamic_efficiency": _ratio(thrust_power, shaft),
        "total_efficiency": _ratio(thrust_power, electrical),
        "effective_lift_to_drag": _ratio(load_power, shaft),
        "cost_of_transport": _ratio(electrical, load_power),
    }


def drive_notes(drive: Drive, train: DriveTrain) -> tuple[str, ...]:
    """What a drive cannot do, in words.

    Parameters
    ----------
    drive : Drive
        The drive of one design.
    train : DriveTrain
        What it is asked for; one design.

    Returns
    -------
    tuple of str
        Empty where the drive gives what is asked.
    """
    mean, peak = train.mean, train.peak
    notes = []
    asked = float(mean["motor_power_w"] + mean["auxiliary_power_w"])
    if math.isnan(mean["electrical_power_w"]):
        most = drive.battery.voltage_v**2 / (4.0 * drive.battery.resistance_ohm)
        notes.append(
            f"The battery cannot give the {asked:.3g} W asked of it: at most {most:.3g} W, at half"
            " its voltage. It needs more voltage or less resistance, or the stroke less power."
        )
    elif peak["motor_voltage_v"] > mean["battery_voltage_v"]:
        notes.append(
            f"The motor needs up to {float(peak['motor_voltage_v']):.3g} V, the battery has"
            f" {float(mean['battery_voltage_v']):.3g} V under load: the crank cannot keep this"
            " speed. A lower gear ratio or more cells would."
        )
    if drive.regeneration == 0.0 and mean["unrecovered_power_w"] > 0.2 * mean["shaft_power_w"]:
        part = float(mean["unrecovered_power_w"] / mean["shaft_power_w"])
        notes.append(
            f"{100.0 * part:.0f} % of the shaft power is work that the wing returns and nothing"
            " takes up: a balance spring at the shoulder would carry it."
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


# --- a crank that turns unevenly ---------------------------------------------------------------


class NoSteadyCrank(ArithmeticError):
    """The rotor is too light to carry the crank through the stroke."""


@dataclass(frozen=True)
class CrankSpeed:
    """A crank driven at constant voltage, its rotor the only flywheel.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        Crank speed at the steps of the stroke's phase, rad/s.
    fluctuation : float
        Largest less least speed, over the mean.
    motor_current : ndarray, shape (n,)
        A.
    voltage : float
        Constant voltage at the motor that keeps the stroke's frequency, V.
    motor_power : float
        Mean power at the motor's terminals over time, W.
    copper_loss : float
        Mean loss in the winding over time, W.
    """

    speed: Array
    fluctuation: float
    motor_current: Array
    voltage: float
    motor_power: float
    copper_loss: float


def crank_speed_ripple(drive: Drive, frequency_hz: float, shaft_power: ArrayLike) -> CrankSpeed:
    """How unevenly the crank turns at constant voltage, and what that changes.

    Parameters
    ----------
    drive : Drive
        The drive of one design; its motor has a resistance.
    frequency_hz : float
        Strokes per second, Hz, kept by the choice of the voltage.
    shaft_power : array_like, shape (n,)
        ``DriveTrain.series["shaft_power_w"]``: what the crank takes at constant speed, W.

    Returns
    -------
    CrankSpeed

    Raises
    ------
    NoSteadyCrank
        If the crank would stop within the stroke, or no periodic speed was found.

    Notes
    -----
    The crank meets at each angle the torque that it meets there at constant speed: air and mass
    of the wing do not follow the ripple, which holds for small ripple. With the rotor inertia J
    and the gear ratio N, ``J N^2/2 d(speed^2)/d(angle) = N kt (current - I0) - torque/gear``, the
    gear as in `drive_train`. Its periodic solution is found as such: collocation at the steps of
    the stroke with the derivative of the trigonometric interpolant (Trefethen 2000, Spectral
    Methods in MATLAB, ch. 3) and Newton's method for the squares of the speed and the voltage.
    """
    from scipy.optimize import root

    motor = drive.motor
    if not motor.resistance_ohm > 0.0:
        raise NoSteadyCrank(
            "a motor without resistance keeps its speed at constant voltage: there is no ripple"
        )
    base = 2.0 * np.pi * frequency_hz
    load = np.asarray(shaft_power, dtype=np.float64)
    count = load.size
    passed = np.where(
        load > 0.0, load / drive.gear_efficiency, load * drive.regeneration * drive.gear_efficiency
    )
    # Everything relative to the mean speed; torques in watts at that speed.
    turn = motor.torque_constant_n_m_a * drive.gear_ratio * base
    inertia = motor.rotor_inertia_kg_m2 * drive.gear_ratio**2 * base**3 / 2.0
    derivative = _periodic_derivative(count)
    resistance, idle = motor.resistance_ohm, motor.no_load_current_a

    def current_at(ratio: Array, voltage: float) -> Array:
        return (voltage - turn * ratio) / resistance

    def faults(unknown: Array) -> tuple[Array, Array]:
        squares, voltage = np.maximum(unknown[:-1], 1e-6), unknown[-1]
        ratio = np.sqrt(squares)
        torque = turn * (current_at(ratio, voltage) - idle)
        balance = inertia * derivative @ unknown[:-1] - torque + passed
        slope = np.zeros((count + 1, count + 1))
        slope[:-1, :-1] = inertia * derivative + np.diag(turn**2 / resistance / (2.0 * ratio))
        slope[:-1, -1] = -turn / resistance
        # The mean over the angle of 1/speed is the period, which the frequency sets.
        slope[-1, :-1] = -0.5 / (count * ratio**3)
        return np.append(balance, (1.0 / ratio).mean() - 1.0), slope

    start_voltage = turn + resistance * (float(passed.mean()) / turn + idle)
    start = np.append(np.ones(count), start_voltage)
    solution = root(faults, start, jac=True, method="hybr", options={"xtol": 1e-13})
    scale = float(np.abs(passed).max()) + turn * idle + 1e-300
    left = np.abs(faults(solution.x)[0])
    if solution.x[:-1].min() <= 1e-6 or left[:-1].max() > 1e-8 * scale or left[-1] > 1e-8:
        raise NoSteadyCrank(
            "the rotor is too light for this load: at constant voltage the crank would stop within"
            " the stroke; more rotor inertia, a higher gear ratio or a balance spring would help"
        )
    ratio, voltage = np.sqrt(solution.x[:-1]), float(solution.x[-1])
    current = current_at(ratio, voltage)
    # Steps are even in angle: a mean over time weighs each by the time spent there.
    time = (1.0 / ratio) / (1.0 / ratio).sum()
    return CrankSpeed(
        speed=base * ratio,
        fluctuation=float(ratio.max() - ratio.min()),
        motor_current=current,
        voltage=voltage,
        motor_power=float(voltage * (current * time).sum()),
        copper_loss=float(resistance * (current**2 * time).sum()),
    )


def _periodic_derivative(count: int) -> Array:
    """Derivative at even steps of a turn of the trigonometric interpolant, shape (n, n)."""
    index = np.arange(count)
    apart = index[:, None] - index[None, :]
    with np.errstate(divide="ignore"):
        entry = 0.5 * (-1.0) ** apart / np.tan(np.pi * apart / count)
    return np.where(apart == 0, 0.0, entry).astype(np.float64)
