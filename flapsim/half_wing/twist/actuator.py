"""Position of a twist actuator for a given command: sensor, delay, bandwidth and rate limit.

The actuator is taken as strong enough to follow its own dynamics; its torque limit and the
compliance of the wing enter in the balance of twist moments (`flapsim.half_wing.twist.balance`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.kernel.marching import march_actuator
from flapsim.wing.schedule import HARMONICS, evaluate

Array = NDArray[np.float64]

GRID = 4096
"""Instants per stroke on which a staircase or a rate limit is resolved."""

_DAMPING = math.sqrt(0.5)


def actuator_position(
    command: Array,
    frequency: ArrayLike,
    bandwidth: ArrayLike,
    order: ArrayLike,
    rate_limit: ArrayLike | None,
    counts: ArrayLike | None,
    delay: ArrayLike,
) -> Array:
    """Periodic position of an actuator, from the command's Fourier coefficients (2 H + 1, B), rad.

    Per design: stroke frequency and 3 dB bandwidth, Hz; order 1, or 2 with damping ratio 1/sqrt 2;
    rate limit, rad/s; counts per revolution of the phase sensor, between which the command is
    constant; delay, s. Without a rate limit the response is linear and exact, harmonic by harmonic.
    With one it is marched on `GRID` instants with the exact step of the linear system, until a
    stroke repeats to 1e-10 of its range.
    """
    lanes = command.shape[1]
    omega = 2.0 * math.pi * np.broadcast_to(np.asarray(frequency, dtype=np.float64), (lanes,))
    corner = 2.0 * math.pi * np.broadcast_to(np.asarray(bandwidth, dtype=np.float64), (lanes,))
    shift = omega * np.broadcast_to(np.asarray(delay, dtype=np.float64), (lanes,))
    heard = _heard(command, counts)
    order_numbers = np.arange(1, HARMONICS + 1)[:, None]
    spectrum = heard[1 : HARMONICS + 1] - 1j * heard[HARMONICS + 1 :]
    spectrum = spectrum * np.exp(-1j * order_numbers * shift)
    if rate_limit is None:
        spectrum = spectrum * _response(order_numbers * omega, corner, order)
        return _coefficients(heard[0], spectrum)
    limit = np.broadcast_to(np.asarray(rate_limit, dtype=np.float64), (lanes,))
    delayed = _staircase(command, counts, shift)
    # Starting where the unlimited actuator would be saves most of the settling.
    unlimited = _coefficients(heard[0], spectrum * _response(order_numbers * omega, corner, order))
    start, start_rate, _ = evaluate(unlimited, np.zeros(1))
    orders = np.broadcast_to(order, (lanes,))
    followed = np.zeros((lanes, GRID))
    for lane in range(lanes):
        step = 2.0 * math.pi / omega[lane] / GRID
        march_actuator(
            followed[lane],
            np.ascontiguousarray(delayed[:, lane]),
            _step_matrix(corner[lane], int(orders[lane]), step),
            limit[lane],
            step,
            start[0, lane],
            start_rate[0, lane] * omega[lane],
        )
    return _project(followed.T)


def _heard(command: Array, counts: ArrayLike | None) -> Array:
    """The command as the sensor's counts let it through."""
    if counts is None:
        return command
    return _project(_staircase(command, counts, np.zeros(command.shape[1])))


def _staircase(command: Array, counts: ArrayLike | None, shift: Array) -> Array:
    each = None if counts is None else np.broadcast_to(counts, shift.shape)
    tau = 2.0 * math.pi * (np.arange(GRID) + 0.5) / GRID
    out = np.empty((GRID, command.shape[1]))
    for lane in range(command.shape[1]):
        phase = np.mod(tau - shift[lane], 2.0 * math.pi)
        if each is not None:
            count = float(each[lane])
            phase = np.floor(phase * count / (2.0 * math.pi)) * (2.0 * math.pi / count)
        out[:, lane] = evaluate(command[:, lane], phase)[0]
    return out


def _project(values: Array) -> Array:
    """Fourier coefficients of values in the middle of the intervals of `GRID`."""
    transformed = np.fft.rfft(values, axis=0)[: HARMONICS + 1] / GRID
    half_step = np.exp(-1j * math.pi * np.arange(HARMONICS + 1) / GRID)[:, None]
    transformed = transformed * half_step
    out = np.empty((2 * HARMONICS + 1, values.shape[1]))
    out[0] = transformed[0].real
    out[1 : HARMONICS + 1] = 2.0 * transformed[1:].real
    out[HARMONICS + 1 :] = -2.0 * transformed[1:].imag
    return out


def _coefficients(mean: Array, spectrum: NDArray[np.complex128]) -> Array:
    return np.concatenate([mean[None], spectrum.real, -spectrum.imag])


def _response(omega: Array, corner: Array, order: ArrayLike) -> NDArray[np.complex128]:
    """Frequency response of the actuator."""
    s = 1j * omega / corner
    first = np.asarray(order) == 1
    below = np.where(first, 1.0 + s, 1.0 + 2.0 * _DAMPING * s + s * s)
    return np.asarray(1.0 / below, dtype=np.complex128)


def _step_matrix(corner: float, order: int, step: float) -> Array:
    """Exact step of position error and rate under a held command."""
    x = corner * step
    if order == 1:
        keep = math.exp(-x)
        return np.array([[keep, 0.0], [0.0, 0.0]])
    damped = math.sqrt(1.0 - _DAMPING**2) * x
    envelope = math.exp(-_DAMPING * x)
    c, s = math.cos(damped), math.sin(damped) / math.sqrt(1.0 - _DAMPING**2)
    return envelope * np.array([[c + _DAMPING * s, s / corner], [-corner * s, c - _DAMPING * s]])
