"""Positions of the wing and the forces on it through the stroke, for drawing.

Positions come from the exact motion of the strips. Flight axes: downstream along the flight path,
starboard, up (normal to the flight path).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.flight.loads import motion_schedules
from flapsim.wing.motion import StripMotion, strip_motion
from flapsim.wing.schedule import evaluate
from flapsim.wing.strips import Strips, strips
from flapsim.wing.stroke import HEAVE, PLUNGE_INNER, PLUNGE_OUTER, stroke_schedules

Array = NDArray[np.float64]
Side = Literal["starboard", "port"]

_STILL = 1e-9
"""A range smaller than this, in rad or m, is no motion."""


class Outline(NamedTuple):
    """Leading edge, trailing edge and twist axis of one segment of one half wing, root to tip.

    Arrays are (3, stations, phases), flight axes, m.
    """

    leading: Array
    trailing: Array
    axis: Array


class Sections(NamedTuple):
    """Starboard strips with the force on them.

    Span position, shape (strips,), m; ends of the chord and the twist axis, m, and force of the air
    per metre of span, N/m, each (3, strips, phases) in flight axes.
    """

    span_position: Array
    leading: Array
    trailing: Array
    axis: Array
    force: Array


def moves(values: ArrayLike) -> bool:
    """Whether a schedule varies through the stroke."""
    return bool(np.ptp(np.asarray(values)) > _STILL)


def downstroke(cycle: Cycle) -> list[tuple[float, float]]:
    """Intervals of phase, rad within one period, in which the wing moves down.

    Of the plunge of the inner segment; if that is constant, of the heave; if that is constant too,
    of the plunge of the outer segment. Empty if nothing moves up and down.
    """
    for name, row in (
        ("inner_plunge_deg", PLUNGE_INNER),
        ("heave_m", HEAVE),
        ("outer_plunge_deg", PLUNGE_OUTER),
    ):
        if moves(cycle.series[name]):
            return _falling(motion_schedules(cycle)[row])
    return []


def _falling(schedule: Array) -> list[tuple[float, float]]:
    """Intervals in which a schedule falls, by the sign of its rate on a fine grid."""
    grid = np.linspace(0.0, 2.0 * np.pi, 1441)
    rate = evaluate(schedule, 0.5 * (grid[1:] + grid[:-1]))[1]
    falls = np.concatenate([[False], rate < -1e-9 * np.abs(rate).max(), [False]])
    begin = np.flatnonzero(~falls[:-1] & falls[1:])
    end = np.flatnonzero(falls[:-1] & ~falls[1:])
    return [(float(grid[b]), float(grid[e])) for b, e in zip(begin, end, strict=True)]


def outline(cycle: Cycle, tau: ArrayLike, side: Side = "starboard") -> list[Outline]:
    """Edges of one half wing at stroke phases `tau`, rad, segment by segment from the shoulder out.

    The starboard half is drawn from the series of the cycle, so that a result needs no other file.
    Raises a CaseError if the port half has its own stroke and names a file that is missing.
    """
    case = cycle.case
    if side == "port" and case.stroke.port is not None:
        schedules = stroke_schedules(case.stroke, "port", case.folder, case.name)[0]
    else:
        schedules = motion_schedules(cycle)
    mirror = np.array([1.0, -1.0 if side == "port" else 1.0, 1.0])[:, None, None]
    stations = _outline_stations(cycle)
    points = [mirror * edge for edge in _edges(cycle, stations, schedules, tau)]
    return [
        Outline(*(point[:, stations.segment == segment] for point in points))
        for segment in range(1 if case.wing.outer is None else 2)
    ]


def sections(cycle: Cycle, tau: ArrayLike) -> Sections:
    """Starboard strips at stroke phases `tau`, rad, and the forces on them, interpolated."""
    wing = strips(cycle.case.wing, cycle.case.craft.shoulder_offset_m)
    schedules = motion_schedules(cycle)
    motion = _motion(cycle, wing, schedules, cycle.phase, None)
    force = _flight_axes(
        cycle,
        cycle.strips["normal_force_n_m"] * motion.normal
        + cycle.strips["chordwise_force_n_m"] * motion.chordwise,
    )
    phase = np.asarray(tau, dtype=np.float64)
    between = np.array(
        [[np.interp(phase, cycle.phase, row, period=2.0 * np.pi) for row in axis] for axis in force]
    )
    leading, trailing, axis = _edges(cycle, wing, schedules, phase)
    return Sections(wing.span_position, leading, trailing, axis, between)


def _edges(cycle: Cycle, wing: Strips, schedules: Array, tau: ArrayLike) -> list[Array]:
    """Leading edge, trailing edge and twist axis, each (3, stations, phases), flight axes, m."""
    return [
        _flight_axes(cycle, _motion(cycle, wing, schedules, tau, fraction).position)
        for fraction in (0.0, 1.0, None)
    ]


def _flight_axes(cycle: Cycle, vector: Array) -> Array:
    """Turn vectors (3, ...) from body design axes into flight axes."""
    pitch = np.radians(cycle.case.flight.pitch_deg)
    x, y, z = vector
    return np.stack(
        [x * np.cos(pitch) + z * np.sin(pitch), y, z * np.cos(pitch) - x * np.sin(pitch)]
    )


def _motion(
    cycle: Cycle, wing: Strips, schedules: Array, tau: ArrayLike, fraction: float | None
) -> StripMotion:
    case = cycle.case
    plane = float(np.radians(case.stroke.plane_deg))
    return strip_motion(
        wing, schedules, case.stroke.frequency_hz, case.craft.shoulder_offset_m, plane, tau,
        case.wing.twist_axis, fraction,
    )  # fmt: skip


def _outline_stations(cycle: Cycle) -> Strips:
    """Stations from end to end of each segment; strips stop short of the ends."""
    wing = cycle.case.wing
    computed = strips(wing, cycle.case.craft.shoulder_offset_m)
    hinge = cycle.case.craft.shoulder_offset_m
    columns = []
    for index, segment in enumerate(part for part in (wing.inner, wing.outer) if part is not None):
        at, chord = np.array(segment.chord_m, dtype=np.float64).T
        fraction = np.union1d(at, np.linspace(0.0, 1.0, 9))
        distance = fraction * segment.length_m
        which = np.full(fraction.size, index)
        columns.append(
            (which, distance, fraction, np.interp(fraction, at, chord), hinge + distance)
        )
        hinge += segment.length_m
    which, distance, fraction, chord, position = map(np.concatenate, zip(*columns, strict=True))
    massless = np.zeros_like(fraction)
    return replace(
        computed, segment=which, distance=distance, fraction=fraction, width=massless, chord=chord,
        span_position=position, skin=massless, spar=massless,
    )  # fmt: skip
