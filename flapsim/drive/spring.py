"""The balance spring at the shoulder that takes the least electrical power."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.craft import BalanceSpring, Drive
from flapsim.drive.train import drive_train

Array = NDArray[np.float64]


class SpringOptimum(NamedTuple):
    """The balance spring of least power.

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

    Powers, plunge and its rate as for `drive_train`, shape (n,); the drive's own spring is ignored.
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
