"""Speed ripple of a crank driven at constant voltage, its rotor the only flywheel.

`flapsim.drive.train` turns the crank at constant speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.craft import Drive
from flapsim.drive.gear import motor_side_power
from flapsim.drive.motor import motor_current, motor_voltage

Array = NDArray[np.float64]


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
    """Speed ripple of the crank at constant voltage, and the motor power with it.

    Parameters
    ----------
    drive : Drive
        The drive of one design; its motor has a resistance.
    frequency_hz : float
        Strokes per second, Hz, kept by the choice of the voltage.
    shaft_power : array_like, shape (n,)
        ``DriveTrain.series["shaft_power_w"]``: the power of the crank at constant speed, W.

    Raises
    ------
    NoSteadyCrank
        If the crank would stop within the stroke, or no periodic speed was found.

    Notes
    -----
    The torque at each crank angle is that at constant speed: the change of the loads of air and
    mass with the ripple is neglected, which holds for small ripple. With the rotor inertia J
    and the gear ratio N, ``J N^2/2 d(speed^2)/d(angle) = N kt (current - I0) - torque/gear``, the
    gear as in `drive_train`. The periodic solution is found by collocation at the steps of
    the stroke with the derivative of the trigonometric interpolant (Trefethen 2000, Spectral
    Methods in MATLAB, ch. 3) and Newton's method for the squares of the speed and the voltage.
    """
    from scipy.optimize import root

    motor = drive.motor
    if not motor.resistance_ohm > 0.0:
        raise NoSteadyCrank("a motor without resistance has no speed ripple at constant voltage")
    base = 2.0 * np.pi * frequency_hz
    load = np.asarray(shaft_power, dtype=np.float64)
    count = load.size
    passed = motor_side_power(
        np.maximum(load, 0.0), np.minimum(load, 0.0), drive.gear_efficiency, drive.regeneration
    )
    # Everything relative to the mean speed; torques in watts at that speed.
    turn = motor.torque_constant_n_m_a * drive.gear_ratio * base
    inertia = motor.rotor_inertia_kg_m2 * drive.gear_ratio**2 * base**3 / 2.0
    derivative = _periodic_derivative(count)
    resistance, idle = motor.resistance_ohm, motor.no_load_current_a

    def current_at(ratio: Array, voltage: float) -> Array:
        return (voltage - turn * ratio) / resistance

    def misfit(unknown: Array) -> tuple[Array, Array]:
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

    start_voltage = motor_voltage(motor_current(passed.mean(), turn, idle), turn, resistance)
    start = np.append(np.ones(count), start_voltage)
    solution = root(misfit, start, jac=True, method="hybr", options={"xtol": 1e-13})
    scale = float(np.abs(passed).max()) + turn * idle + 1e-300
    left = np.abs(misfit(solution.x)[0])
    if solution.x[:-1].min() <= 1e-6 or left[:-1].max() > 1e-8 * scale or left[-1] > 1e-8:
        raise NoSteadyCrank(
            "the rotor is too light: at constant voltage the crank would stop within"
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
