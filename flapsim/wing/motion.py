"""Where each section of the wing is, how fast it moves and accelerates, and how it turns.

Exact for finite angles. Body design axes: x aft, y to starboard, z up, origin on the plane of
symmetry at the shoulder line; the starboard half is described.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.wing.schedule import evaluate
from flapsim.wing.strips import Strips
from flapsim.wing.stroke import (
    HEAVE,
    PLUNGE_INNER,
    PLUNGE_OUTER,
    SWEEP_OUTER,
    TWIST_INNER_ROOT,
    TWIST_INNER_TIP,
    TWIST_OUTER_ROOT,
    TWIST_OUTER_TIP,
)

Array = NDArray[np.float64]


class StripMotion(NamedTuple):
    """Motion of one point per strip, in body design axes; arrays are (3, n_strips, n_steps)."""

    position: Array  # m
    velocity: Array  # m/s
    acceleration: Array  # m/s^2
    angular_velocity: Array  # Of the section as a rigid body, rad/s
    # chordwise, normal, spanwise: unit vectors of the section: toward the trailing edge, to its
    # upper side, and along the span axis about which twist turns it nose-up. (chordwise, spanwise,
    # normal) is right-handed.
    chordwise: Array
    normal: Array
    spanwise: Array


def strip_motion(
    strips: Strips,
    schedules: ArrayLike,
    frequency: float,
    shoulder_offset: float,
    plane: float,
    tau: ArrayLike,
    twist_axis: float,
    chord_fraction: ArrayLike | None = None,
) -> StripMotion:
    """Motion of one chord point of every strip of the starboard half.

    ``schedules`` are in rad (heave: m), ``frequency`` in Hz, ``shoulder_offset``, from the plane of
    symmetry to the shoulder hinge, in m, the stroke phases ``tau``, shape (n_steps,), in rad.
    ``plane``, rad, tilts the shoulder hinge axis nose-up, so that the downstroke moves down and
    forward; twist stays measured from the body x axis. ``twist_axis`` and ``chord_fraction`` (by
    default the same) are fractions of the chord from the leading edge.

    A chain of rotations from the body outwards: stroke-plane tilt (fixed), plunge about x, the
    outer segment's own plunge about the wrist's x, its sweep about its own normal, and the
    section's twist about the swept span axis. Each link adds its rate to the angular velocity and
    omega x (omega x r) + omega' x r to the acceleration; nothing is linearised. For the port half
    change the sign of every y component (of every x and z component of the angular velocity).
    """
    phase = np.atleast_1d(np.asarray(tau, dtype=np.float64))
    rows = _strip_angles(strips, np.asarray(schedules, dtype=np.float64), frequency, phase)
    plunge_inner, plunge, sweep, twist, heave = rows
    theta = twist.value - plane

    hinge_axis = np.broadcast_to(_vector(1.0, 0.0, 0.0), (3, *plunge.value.shape))
    inner_span = _vector(0.0, np.cos(plunge_inner.value), np.sin(plunge_inner.value))
    span_unswept = _vector(0.0, np.cos(plunge.value), np.sin(plunge.value))
    segment_normal = _vector(0.0, -np.sin(plunge.value), np.cos(plunge.value))
    spanwise = np.cos(sweep.value) * span_unswept + np.sin(sweep.value) * hinge_axis
    segment_chord = np.cos(sweep.value) * hinge_axis - np.sin(sweep.value) * span_unswept
    chordwise = np.cos(theta) * segment_chord - np.sin(theta) * segment_normal
    normal = np.sin(theta) * segment_chord + np.cos(theta) * segment_normal

    # Sweep is aft, a negative rotation about the segment's normal.
    inner = _Turning(plunge_inner.rate * hinge_axis, plunge_inner.acceleration * hinge_axis)
    hinged = _Turning(plunge.rate * hinge_axis, plunge.acceleration * hinge_axis)
    segment = hinged.then(segment_normal, -sweep.rate, -sweep.acceleration)
    section = segment.then(spanwise, twist.rate, twist.acceleration)

    outer = strips.segment[:, None] == 1
    to_wrist = np.where(outer, strips.inner_length, 0.0) * inner_span
    along_span = strips.distance[:, None] * spanwise
    point = twist_axis if chord_fraction is None else np.asarray(chord_fraction, dtype=np.float64)
    from_axis = ((point - twist_axis) * strips.chord)[:, None] * chordwise
    links = ((inner, to_wrist), (segment, along_span), (section, from_axis))

    # In the hinge frame the body's z axis leans forward by the tilt.
    body_z = _vector(-np.sin(plane), 0.0, np.cos(plane))
    shoulder = _vector(0.0, shoulder_offset, 0.0)
    position = shoulder + heave.value * body_z + to_wrist + along_span + from_axis
    velocity = heave.rate * body_z + sum(turning.velocity(arm) for turning, arm in links)
    acceleration = heave.acceleration * body_z + sum(
        turning.acceleration(arm) for turning, arm in links
    )
    in_hinge_frame = (
        position, velocity, acceleration, section.rate, chordwise, normal, spanwise
    )  # fmt: skip
    return StripMotion(*(_tilted(vector, plane) for vector in in_hinge_frame))


class _Moving(NamedTuple):
    """A coordinate with its time derivatives: (n_strips, n_steps) arrays or broadcastable."""

    value: Array
    rate: Array
    acceleration: Array


class _Turning(NamedTuple):
    """Angular velocity (rad/s) and angular acceleration (rad/s^2), vectors (3, ...)."""

    rate: Array
    change: Array

    def then(self, axis: Array, rate: Array, acceleration: Array) -> _Turning:
        """Return the turning of a link hinged on this one about an axis that this one carries."""
        own = rate * axis
        change = self.change + acceleration * axis + _cross(self.rate, own)
        return _Turning(self.rate + own, change)

    def velocity(self, arm: Array) -> Array:
        """Return the velocity of the end of a carried arm relative to its start, m/s."""
        return _cross(self.rate, arm)

    def acceleration(self, arm: Array) -> Array:
        """Return the acceleration of the end of a carried arm relative to its start, m/s^2."""
        return _cross(self.change, arm) + _cross(self.rate, _cross(self.rate, arm))


def _strip_angles(
    strips: Strips, schedules: Array, frequency: float, phase: Array
) -> tuple[_Moving, _Moving, _Moving, _Moving, _Moving]:
    """Return inner plunge, the strip's own absolute plunge, its sweep, its twist, and heave."""
    omega = 2.0 * np.pi * frequency
    value, rate, acceleration = evaluate(np.moveaxis(schedules, 0, 1), phase)
    rows = (value.T, omega * rate.T, omega**2 * acceleration.T)
    outer = strips.segment[:, None] == 1
    eta = strips.fraction[:, None]

    def every(order: Array) -> tuple[Array, Array, Array, Array, Array]:
        absolute = np.where(outer, order[PLUNGE_INNER] + order[PLUNGE_OUTER], order[PLUNGE_INNER])
        root = np.where(outer, order[TWIST_OUTER_ROOT], order[TWIST_INNER_ROOT])
        tip = np.where(outer, order[TWIST_OUTER_TIP], order[TWIST_INNER_TIP])
        sweep = np.where(outer, order[SWEEP_OUTER], 0.0)
        return order[PLUNGE_INNER], absolute, sweep, (1.0 - eta) * root + eta * tip, order[HEAVE]

    values, rates, accelerations = (every(order) for order in rows)
    plunge_inner, plunge, sweep, twist, heave = (
        _Moving(*orders) for orders in zip(values, rates, accelerations, strict=True)
    )
    return plunge_inner, plunge, sweep, twist, heave


def _vector(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
    """Return components stacked on the first axis, with two axes for strips and steps."""
    stacked = np.stack(np.broadcast_arrays(*(np.asarray(c, dtype=np.float64) for c in (x, y, z))))
    return stacked.reshape(3, *(1,) * (3 - stacked.ndim), *stacked.shape[1:])


def _cross(first: Array, second: Array) -> Array:
    """Return the vector product over the first axis."""
    return np.cross(first, second, axis=0)


def _tilted(vector: Array, plane: float) -> Array:
    """Return hinge-frame vectors in body design axes: turned nose-up about y by the tilt."""
    x, y, z = vector
    return np.stack(
        [x * np.cos(plane) + z * np.sin(plane), y, z * np.cos(plane) - x * np.sin(plane)]
    )
