"""How the wing moves: the schedules of a stroke and the motion of every strip.

Answers: which eight periodic schedules a stroke asks for, and where each section is, how fast it
moves and accelerates and how it turns, exactly for finite angles. Does not answer what the air or
the drive makes of it: where a twist goes through a compliance, the schedule here is the command.

Body design axes: x aft, y to starboard, z up, origin on the plane of symmetry at the shoulder line.
Angles: plunge tip-up, sweep aft, twist nose-up. The starboard half is described; the port half is
its mirror image in y.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Heave, Schedule, Stroke, Twist
from flapsim.case.tables import read_samples
from flapsim.faults import CaseError, Fault
from flapsim.wing.schedule import (
    HARMONICS,
    LinkageError,
    Series,
    evaluate,
    fourier,
    harmonic,
    linkage,
    periodic_samples,
    quick_return,
)

if TYPE_CHECKING:
    from flapsim.wing.strips import Strips

__all__ = [
    "HARMONICS",
    "HEAVE",
    "PLUNGE_INNER",
    "PLUNGE_OUTER",
    "SCHEDULES",
    "SWEEP_OUTER",
    "TRUNCATION_LIMIT",
    "TWIST_INNER_ROOT",
    "TWIST_INNER_TIP",
    "TWIST_OUTER_ROOT",
    "TWIST_OUTER_TIP",
    "LinkageError",
    "Series",
    "StripMotion",
    "evaluate",
    "fourier",
    "harmonic",
    "linkage",
    "periodic_samples",
    "quick_return",
    "strip_motion",
    "stroke_schedules",
]

Array = NDArray[np.float64]

# Rows of a stroke's schedules.
PLUNGE_INNER = 0
PLUNGE_OUTER = 1
SWEEP_OUTER = 2
TWIST_INNER_ROOT = 3
TWIST_INNER_TIP = 4
TWIST_OUTER_ROOT = 5
TWIST_OUTER_TIP = 6
HEAVE = 7
SCHEDULES = 8

# Largest error of a truncated schedule, relative to half its range: a thousandth of a 30 degree
# amplitude is 0.03 degrees, below what a bench measures.
TRUNCATION_LIMIT = 1e-3


def stroke_schedules(
    stroke: Stroke,
    side: Literal["starboard", "port"],
    folder: Path,
    file: str = "case",
) -> tuple[Array, Array]:
    """Return the eight schedules of one half of the wing.

    Parameters
    ----------
    stroke : Stroke
        As written in the case.
    side : {"starboard", "port"}
        Which half. Without a port stroke of its own the port half mirrors the starboard one.
    folder : Path
        Where the files that schedules name are looked for.
    file : str
        Name of the case file, for messages.

    Returns
    -------
    schedules : (8, 2 * HARMONICS + 1) array
        Rows ``PLUNGE_INNER`` ... ``HEAVE``; rad, heave in m. Zeros for what the stroke leaves out.
    truncation : array, shape () or that of the columns
        Largest truncation of any of them, relative to half the range of the schedule.

    Raises
    ------
    CaseError
        With every fault: unreadable samples, a linkage whose crank cannot turn, a schedule that
        ``HARMONICS`` harmonics do not describe within ``TRUNCATION_LIMIT``.

    Notes
    -----
    Twist is measured from the body x axis. The root of a segment without root schedule follows
    what it hangs on: the body for the inner segment, the tip of the inner segment for the outer.
    The tip of a segment without twist follows its root, and so does, at the rest angle, that of a
    passive one; for servo and passive twist the schedule is the command, not the answer.
    """
    collected = _Collected(folder, file)
    port = stroke.port if side == "port" else None
    inner, inner_key = stroke.inner, "stroke.inner"
    outer, outer_key = stroke.outer, "stroke.outer"
    if port is not None and port.inner is not None:
        inner, inner_key = port.inner, "stroke.port.inner"
    if port is not None and port.outer is not None:
        outer, outer_key = port.outer, "stroke.port.outer"

    rows: list[Array] = [np.zeros(2 * HARMONICS + 1)] * SCHEDULES
    rows[PLUNGE_INNER] = collected.angle(inner.plunge, f"{inner_key}.plunge.")
    rows[TWIST_INNER_ROOT], rows[TWIST_INNER_TIP] = _twist_ends(
        inner.twist, np.zeros(2 * HARMONICS + 1), f"{inner_key}.twist.", collected
    )
    if outer is not None:
        rows[PLUNGE_OUTER] = collected.angle(outer.plunge, f"{outer_key}.plunge.")
        rows[SWEEP_OUTER] = collected.angle(outer.sweep, f"{outer_key}.sweep.")
        rows[TWIST_OUTER_ROOT], rows[TWIST_OUTER_TIP] = _twist_ends(
            outer.twist, rows[TWIST_INNER_TIP], f"{outer_key}.twist.", collected
        )
    rows[HEAVE] = collected.height(stroke.heave, "stroke.heave.")
    if collected.faults:
        raise CaseError(collected.faults)
    return _joined(rows), collected.truncation


def _joined(rows: list[Array]) -> Array:
    """Return all schedules in one array; those that are no columns are the same for all lanes."""
    lanes = np.broadcast_shapes(*(row.shape[1:] for row in rows))
    return np.stack(
        [
            np.broadcast_to(
                row.reshape(row.shape + (1,) * (len(lanes) + 1 - row.ndim)), (len(row), *lanes)
            )
            for row in rows
        ]
    )


def _twist_ends(
    twist: Twist | None, carrier: Array, key: str, collected: _Collected
) -> tuple[Array, Array]:
    """Return the schedules of the segment's root and tip; `carrier` is what the root hangs on."""
    if twist is None:
        return carrier, carrier
    root = carrier if twist.root is None else collected.angle(twist.root, f"{key}root_")
    if twist.mode == "passive":
        rest = harmonic(np.radians(twist.rest_deg), 0.0, 0.0).coefficients
        tip = _joined([root, rest])
        return root, tip[0] + tip[1]
    return root, collected.angle(twist.tip, f"{key}tip_")


class _Written(NamedTuple):
    """A schedule as written, in SI units.

    `unit` is how the case file calls its values; `lengths` are crank, rocker, coupler and base.
    """

    shape: str
    mean: ArrayLike
    amplitude: ArrayLike
    lag: ArrayLike
    downstroke_fraction: ArrayLike
    cos: Array
    sin: Array
    file: str | None
    unit: str
    lengths: tuple[ArrayLike, ...] = ()


def _written_angle(schedule: Schedule) -> _Written:
    lengths = (schedule.crank_m, schedule.rocker_m, schedule.coupler_m, schedule.base_m)
    return _Written(
        schedule.shape,
        np.radians(schedule.mean_deg),
        np.radians(schedule.amplitude_deg),
        np.radians(schedule.lag_deg),
        schedule.downstroke_fraction,
        np.radians(_stacked(schedule.cos_deg)),
        np.radians(_stacked(schedule.sin_deg)),
        schedule.file,
        "deg",
        tuple(0.0 if length is None else length for length in lengths),
    )


def _written_height(heave: Heave) -> _Written:
    return _Written(
        heave.shape,
        heave.mean_m,
        heave.amplitude_m,
        np.radians(heave.lag_deg),
        heave.downstroke_fraction,
        _stacked(heave.cos_m),
        _stacked(heave.sin_m),
        heave.file,
        "m",
    )


def _stacked(values: Sequence[ArrayLike]) -> Array:
    """Return coefficients as an array whose last axis, if any of them is a column, is the lanes."""
    if not values:
        return np.zeros(0)
    return np.stack(np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in values)))


@dataclass
class _Collected:
    """Series of the schedules read so far, with what was found wrong and the worst truncation."""

    folder: Path
    file: str
    faults: list[Fault] = field(default_factory=list)
    truncation: Array = field(default_factory=lambda: np.zeros(()))

    def angle(self, schedule: Schedule | None, key: str) -> Array:
        """Return the coefficients of an angle, rad; zeros if it is absent or at fault."""
        return self._coefficients(None if schedule is None else _written_angle(schedule), key)

    def height(self, heave: Heave | None, key: str) -> Array:
        """Return the coefficients of the heave, m; zeros if it is absent or at fault."""
        return self._coefficients(None if heave is None else _written_height(heave), key)

    def _coefficients(self, written: _Written | None, key: str) -> Array:
        if written is None:
            return np.zeros(2 * HARMONICS + 1)
        try:
            series = _FORMS[written.shape](written, self.folder)
        except CaseError as error:
            self.faults += error.faults
            return np.zeros(2 * HARMONICS + 1)
        except LinkageError as error:
            self.faults.append(_linkage_fault(self.file, key, error))
            return np.zeros(2 * HARMONICS + 1)
        self.truncation = np.maximum(self.truncation, series.truncation)
        worst = float(np.max(series.truncation))
        if worst > TRUNCATION_LIMIT:
            self.faults.append(_truncation_fault(self.file, key, written, worst))
        return series.coefficients


def _sampled(written: _Written, folder: Path) -> Series:
    """Return the series of a file of samples."""
    angle = written.unit == "deg"
    column = "angle_deg" if angle else "height_m"
    phase, value = read_samples(folder / str(written.file), column)
    return periodic_samples(phase, np.radians(value) if angle else value)


def _linked(written: _Written, _: Path) -> Series:
    """Return the series of a crank-and-rocker linkage."""
    crank, rocker, coupler, base = written.lengths
    return linkage(crank, rocker, coupler, base, written.mean, written.lag)


# One row per shape a schedule may have: the shape's name in a case file and its series.
_FORMS: dict[str, Callable[[_Written, Path], Series]] = {
    "harmonic": lambda w, _: harmonic(w.mean, w.amplitude, w.lag),
    "quick-return": lambda w, _: quick_return(w.mean, w.amplitude, w.lag, w.downstroke_fraction),
    "fourier": lambda w, _: fourier(w.mean, w.cos, w.sin),
    "samples": _sampled,
    "linkage": _linked,
}


def _linkage_fault(file: str, key: str, error: LinkageError) -> Fault:
    """Name the lengths that keep the crank from turning."""
    given = ", ".join(f"{name}_m = {error.lengths[name]:g}" for name in error.offending)
    return Fault(
        file, f"{key}{error.offending[0]}_m", given, error.condition, "else the crank cannot turn"
    )


def _truncation_fault(file: str, key: str, written: _Written, truncation: float) -> Fault:
    """Name the key that asks for more than the harmonics can follow."""
    source = {
        "quick-return": "downstroke_fraction",
        "fourier": f"cos_{written.unit}",
        "samples": "file",
        "linkage": "crank_m",
    }
    return Fault(
        file,
        key + source[written.shape],
        f"a motion that {HARMONICS} harmonics miss by {100.0 * truncation:.2g} % of half its range",
        f"one that they miss by at most {100.0 * TRUNCATION_LIMIT:g} %",
        "smooth it or round off its corners",
    )


class StripMotion(NamedTuple):
    """Motion of one point per strip, in body design axes; arrays are (3, n_strips, n_steps).

    Attributes
    ----------
    position : array
        m.
    velocity : array
        m/s.
    acceleration : array
        m/s^2.
    angular_velocity : array
        Of the section as a rigid body, rad/s.
    chordwise, normal, spanwise : arrays
        Unit vectors of the section: toward the trailing edge, to its upper side, and along the
        span axis about which twist turns it nose-up. (chordwise, spanwise, normal) is
        right-handed.
    """

    position: Array
    velocity: Array
    acceleration: Array
    angular_velocity: Array
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
    """Return the motion of one chord point of every strip of the starboard half.

    Parameters
    ----------
    strips : Strips
        Only segment, distance, fraction, chord and inner_length are used.
    schedules : (8, 2 * HARMONICS + 1) array
        Schedules of the stroke, rad (heave: m).
    frequency : float
        Hz.
    shoulder_offset : float
        Plane of symmetry to shoulder hinge, m.
    plane : float
        Tilt of the stroke plane, rad; positive turns the shoulder hinge axis nose-up, so that the
        downstroke moves down and forward. Twist stays measured from the body x axis.
    tau : (n_steps,) array
        Stroke phases, rad.
    twist_axis : float
        Fraction of the chord, from the leading edge, about which twist turns.
    chord_fraction : scalar or (n_strips,) array, optional
        Point whose motion is wanted, fraction of the chord from the leading edge; the twist axis
        if omitted.

    Notes
    -----
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
        [
            x * np.cos(plane) + z * np.sin(plane),
            y,
            z * np.cos(plane) - x * np.sin(plane),
        ]
    )
