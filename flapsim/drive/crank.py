"""A crank that turns unevenly: what a light rotor lets the load do to the speed.

Answers: by how much does the crank's speed vary through the stroke at constant voltage, what
does that cost, and which rotor is too light to carry it round? `flapsim.drive.train` turns the
crank at constant speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.craft import Drive

__all__ = ["CrankSpeed", "NoSteadyCrank", "crank_speed_ripple"]

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
