"""The wing held still: the reference against which flapping is compared."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.kernel import Batch, solve
from flapsim.kernel import layout as at

Array = NDArray[np.float64]

_MOST_STEPS = 25
_LONGEST_STEP = math.radians(5.0)
_WIDEST = math.radians(40.0)
_LIFT_TOLERANCE = 1e-11


class Held(NamedTuple):
    """The wing held still."""

    # (B,): drag at the lift of the moving wing, N; NaN where the wing cannot make that lift
    drag: Array
    angle: Array  # (B,): angle of the air against the hinge frame at which it makes it, rad
    thrust: Array  # (B,): thrust (minus drag) at the pitch the wing flaps at, N


def held_still(batch: Batch) -> Batch:
    """Half wings stopped at the mean of each of their schedules: the same designs, one step."""
    schedule = np.zeros_like(batch.schedule)
    schedule[:, 0] = batch.schedule[:, 0]
    schedule[at.HEAVE] = 0.0
    return batch._replace(schedule=schedule, steps=1)


def _at_angle(batch: Batch, angle: Array) -> tuple[Array, Array]:
    """Lift and thrust of both wings with the air at given angles."""
    constant = batch.constant.copy()
    constant[at.CONST_AIR_ANGLE] = angle
    mean = 2.0 * solve(batch._replace(constant=constant), inertia=False).mean
    return mean[at.SERIES_TOTAL_LIFT], mean[at.SERIES_TOTAL_THRUST]


def hold(batch: Batch, lift: ArrayLike) -> Held:
    """Hold wings still: at the same pitch, and at the same mean lift of both wings, N, shape (B,).

    The angle for that lift is found by the secant rule from the pitch the wing flaps at, in steps
    of at most five degrees, design by design. There is none if the lift still falls short after 25
    steps, needs more than 40 degrees, or falls with incidence there: the wing would be stalled.
    """
    still = held_still(batch)
    wanted = np.broadcast_to(np.asarray(lift, dtype=np.float64), batch.constant.shape[1:])
    angle = batch.constant[at.CONST_AIR_ANGLE].copy()
    made, thrust = _at_angle(still, angle)
    at_pitch = thrust
    before, made_before = angle + 1e-3, _at_angle(still, angle + 1e-3)[0]
    scale = np.abs(wanted) + 1e-12
    open_ = np.ones(angle.shape, dtype=bool)
    slope = np.ones_like(angle)
    for _ in range(_MOST_STEPS):
        open_ &= np.abs(made - wanted) > _LIFT_TOLERANCE * scale
        if not open_.any():
            break
        apart = angle - before
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(open_ & (apart != 0.0), (made - made_before) / apart, slope)
            step = np.clip((wanted - made) / slope, -_LONGEST_STEP, _LONGEST_STEP)
        step = np.where(open_ & np.isfinite(step), step, 0.0)
        before, made_before = np.where(open_, angle, before), np.where(open_, made, made_before)
        angle = np.clip(angle + step, -_WIDEST, _WIDEST)
        # Lanes that are done are solved again at the same angle: same bits, same answer.
        made, thrust = _at_angle(still, angle)
    found = ~(np.abs(made - wanted) > 1e-8 * scale) & (slope > 0.0)
    return Held(
        drag=np.where(found, -thrust, np.nan), angle=np.where(found, angle, np.nan), thrust=at_pitch
    )
