"""The same wing held still: the reference that tells what the flapping itself is worth."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flapsim.blade_element import Batch, repeated, solve
from flapsim.blade_element import layout as rows
from flapsim.case import Case
from flapsim.design import Design

_PITCHES = 16
_ROUNDS = 8
_WIDEST = math.radians(35.0)


def held_still(half: Design) -> Batch:
    """The half wing stopped at the mean of each of its schedules.

    Parameters
    ----------
    half : Design
        The moving half wing.

    Returns
    -------
    Batch
        One design, one step.
    """
    schedule = np.zeros_like(half.batch.schedule)
    schedule[:, 0] = half.batch.schedule[:, 0]
    schedule[rows.HEAVE] = 0.0
    return half.batch._replace(schedule=schedule, steps=1)


def _at_pitches(batch: Batch, pitches: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Lift and thrust of both wings at several air angles."""
    several = repeated(batch, pitches.size)
    several.constant[rows.CONST_AIR_ANGLE] = pitches
    mean = 2.0 * solve(several, inertia=False).mean
    return mean[rows.SERIES_TOTAL_LIFT], mean[rows.SERIES_TOTAL_THRUST]


def held_drag(case: Case, half: Design, lift: float) -> tuple[float, float]:
    """Drag of the wing held still at a given lift, and the body pitch that takes.

    Parameters
    ----------
    case : Case
        The case, for its stroke-plane tilt.
    half : Design
        The moving starboard half.
    lift : float
        Lift of both wings, N.

    Returns
    -------
    drag, pitch : float
        N, rad; NaN where the wing cannot make that lift before it stalls.

    Notes
    -----
    Starts from the pitch without lift and walks towards the lift wanted, so that of several
    pitches with this lift the attached one is found.
    """
    batch = held_still(half)
    sign = 1.0 if lift >= 0.0 else -1.0
    pitches = np.linspace(-_WIDEST, _WIDEST, 141)
    lifts, thrusts = _at_pitches(batch, pitches)
    start = int(np.argmin(np.abs(pitches - _no_lift(pitches, lifts))))
    path = np.arange(start, pitches.size) if sign > 0 else np.arange(start, -1, -1)
    excess = sign * (lifts[path] - lift)
    crossing = np.flatnonzero(excess[1:] >= 0.0)
    if not crossing.size:
        return math.nan, math.nan
    after = int(crossing[0]) + 1
    low, high = pitches[path[after - 1]], pitches[path[after]]
    for _ in range(_ROUNDS):
        inside = np.linspace(low, high, _PITCHES)
        lifts, thrusts = _at_pitches(batch, inside)
        beyond = np.flatnonzero(sign * (lifts - lift) >= 0.0)
        index = max(int(beyond[0]) if beyond.size else _PITCHES - 1, 1)
        low, high = inside[index - 1], inside[index]
        span = lifts[index] - lifts[index - 1]
        part = (lift - lifts[index - 1]) / span if span != 0.0 else 0.5
        pitch = low + part * (high - low)
        thrust = thrusts[index - 1] + part * (thrusts[index] - thrusts[index - 1])
        if abs(high - low) < 1e-9:
            break
    tilt = math.radians(case.stroke.plane_deg)
    return -float(thrust), float(pitch) - tilt


def _no_lift(pitches: NDArray[np.float64], lifts: NDArray[np.float64]) -> float:
    """Pitch nearest to level at which the lift changes sign."""
    crossing = np.flatnonzero(np.diff(np.sign(lifts)) > 0)
    if not crossing.size:
        return 0.0
    nearest = crossing[np.argmin(np.abs(pitches[crossing]))]
    return float(pitches[nearest])


def held_thrust(case: Case, half: Design) -> float:
    """Thrust (minus drag) of the wing held still at the pitch it flaps at.

    Parameters
    ----------
    case : Case
        The case.
    half : Design
        The moving starboard half.

    Returns
    -------
    float
        N, both wings.
    """
    angle = math.radians(case.flight.pitch_deg + case.stroke.plane_deg)
    return float(_at_pitches(held_still(half), np.array([angle]))[1][0])
