"""Where the wing is and what pulls at it, for drawing.

Answers: where leading edge, trailing edge and sections lie at a phase, which forces act there, and
when the wing moves down. Positions come from the exact strip motion, not from a sketch of it.

Flight axes: downstream along the flight path, starboard, up (normal to the flight path).
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.wing.motion import StripMotion, evaluate, strip_motion, stroke_schedules
from flapsim.wing.schedule import periodic_samples
from flapsim.wing.strips import Strips, strips

__all__ = [
    "MOTIONS",
    "Outline",
    "Sections",
    "Side",
    "downstroke",
    "flight_axes",
    "moves",
    "outline",
    "sections",
    "starboard_schedules",
]

Array = NDArray[np.float64]
Side = Literal["starboard", "port"]

MOTIONS = (
    "inner_plunge_deg",
    "outer_plunge_deg",
    "outer_sweep_deg",
    "inner_twist_root_deg",
    "inner_twist_tip_deg",
    "outer_twist_root_deg",
    "outer_twist_tip_deg",
    "heave_m",
)
"""Series of the schedules, in the order of their rows."""

# A range below this part of a radian or metre is no motion that could be seen.
_STILL = 1e-9


class Outline(NamedTuple):
    """One segment of one half wing; arrays are (3, stations, phases), flight axes, m.

    Attributes
    ----------
    leading, trailing, axis : ndarray
        Leading edge, trailing edge and twist axis, from the segment's root to its tip.
    """

    leading: Array
    trailing: Array
    axis: Array


class Sections(NamedTuple):
    """Starboard strips with the force on them; vectors are (3, strips, phases), flight axes.

    Attributes
    ----------
    span_position : ndarray, shape (strips,)
        m.
    leading, trailing, axis : ndarray
        Ends of the chord and the twist axis, m.
    force : ndarray
        Force of the air per metre of span, N/m.
    """

    span_position: Array
    leading: Array
    trailing: Array
    axis: Array
    force: Array


def moves(values: ArrayLike) -> bool:
    """Whether a schedule does anything: False for a constant."""
    return bool(np.ptp(np.asarray(values)) > _STILL)


def flight_axes(cycle: Cycle, vector: Array) -> Array:
    """Turn vectors (3, ...) from body design axes into flight axes."""
    pitch = np.radians(cycle.case.flight.pitch_deg)
    x, y, z = vector
    return np.stack(
        [
            x * np.cos(pitch) + z * np.sin(pitch),
            y,
            z * np.cos(pitch) - x * np.sin(pitch),
        ]
    )


def starboard_schedules(cycle: Cycle) -> Array:
    """Schedules of the starboard half as they were flown, shape (8, coefficients); rad and m.

    Taken from the series of the cycle, so that a result read from disk needs none of the files
    that its case names.
    """
    flown = [
        cycle.series[name] if name == "heave_m" else np.radians(cycle.series[name])
        for name in MOTIONS
    ]
    return periodic_samples(cycle.phase, np.array(flown).T).coefficients.T


def downstroke(cycle: Cycle) -> list[tuple[float, float]]:
    """Phases between which the wing moves down.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    list of (begin, end)
        rad, within one period. Of the inner segment's plunge; of the heave, then of the outer
        segment's plunge, where what comes before holds still; empty if nothing moves up and down.
    """
    for name in ("inner_plunge_deg", "heave_m", "outer_plunge_deg"):
        if moves(cycle.series[name]):
            schedule = starboard_schedules(cycle)[MOTIONS.index(name)]
            return _falling(schedule)
    return []


def _falling(schedule: Array) -> list[tuple[float, float]]:
    """Intervals in which a schedule falls, found by the sign of its rate on a fine grid."""
    grid = np.linspace(0.0, 2.0 * np.pi, 1441)
    middle = 0.5 * (grid[1:] + grid[:-1])
    rate = evaluate(schedule, middle)[1]
    falls = np.concatenate([[False], rate < -1e-9 * np.abs(rate).max(), [False]])
    begin = np.flatnonzero(~falls[:-1] & falls[1:])
    end = np.flatnonzero(falls[:-1] & ~falls[1:])
    return [(float(grid[b]), float(grid[e])) for b, e in zip(begin, end, strict=True)]


def outline(cycle: Cycle, tau: ArrayLike, side: Side = "starboard") -> list[Outline]:
    """Edges of one half wing, segment by segment.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    tau : (n,) array
        Stroke phases, rad.
    side : {"starboard", "port"}
        Which half.

    Returns
    -------
    list of Outline
        From the shoulder out.

    Raises
    ------
    CaseError
        If the port half has a stroke of its own and a file of samples it names is not there.
    """
    case = cycle.case
    own = side == "port" and case.stroke.port is not None
    schedules = (
        stroke_schedules(case.stroke, "port", case.folder, case.name)[0]
        if own
        else starboard_schedules(cycle)
    )
    mirror = np.array([1.0, -1.0 if side == "port" else 1.0, 1.0])[:, None, None]
    stations = _outline_stations(cycle)
    points = [
        mirror * flight_axes(cycle, _motion(cycle, stations, schedules, tau, fraction).position)
        for fraction in (0.0, 1.0, None)
    ]
    return [
        Outline(*(point[:, stations.segment == segment] for point in points))
        for segment in range(1 if case.wing.outer is None else 2)
    ]


def sections(cycle: Cycle, tau: ArrayLike) -> Sections:
    """Starboard strips with the forces on them.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    tau : (n,) array
        Stroke phases, rad; forces are interpolated between the instants of the cycle.

    Returns
    -------
    Sections
    """
    at = strips(cycle.case.wing, cycle.case.craft.shoulder_offset_m)
    schedules = starboard_schedules(cycle)
    computed = _motion(cycle, at, schedules, cycle.phase, None)
    force = flight_axes(
        cycle,
        cycle.strips["normal_force_n_m"] * computed.normal
        + cycle.strips["chordwise_force_n_m"] * computed.chordwise,
    )
    phase = np.asarray(tau, dtype=np.float64)
    between = np.array(
        [[np.interp(phase, cycle.phase, row, period=2.0 * np.pi) for row in axis] for axis in force]
    )
    leading, trailing, axis = (
        flight_axes(cycle, _motion(cycle, at, schedules, phase, fraction).position)
        for fraction in (0.0, 1.0, None)
    )
    return Sections(at.span_position, leading, trailing, axis, between)


def _motion(
    cycle: Cycle, at: Strips, schedules: Array, tau: ArrayLike, fraction: float | None
) -> StripMotion:
    case = cycle.case
    return strip_motion(
        at,
        schedules,
        case.stroke.frequency_hz,
        case.craft.shoulder_offset_m,
        float(np.radians(case.stroke.plane_deg)),
        tau,
        case.wing.twist_axis,
        fraction,
    )


def _outline_stations(cycle: Cycle) -> Strips:
    """Stations from end to end of each segment, for its edges rather than for its loads."""
    wing = cycle.case.wing
    computed = strips(wing, cycle.case.craft.shoulder_offset_m)
    segments = [wing.inner] if wing.outer is None else [wing.inner, wing.outer]
    parts = []
    for index, segment in enumerate(segments):
        at, chord = np.array(segment.chord_m, dtype=np.float64).T
        fraction = np.union1d(at, np.linspace(0.0, 1.0, 9))
        hinge = cycle.case.craft.shoulder_offset_m + (wing.inner.length_m if index else 0.0)
        distance = fraction * segment.length_m
        width = np.zeros_like(fraction)
        own = np.interp(fraction, at, chord)
        which = np.full(fraction.size, index)
        parts.append((which, distance, fraction, own, hinge + distance, width))
    which, distance, fraction, own, position, width = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return Strips(
        segment=which,
        distance=distance,
        fraction=fraction,
        width=width,
        chord=own,
        span_position=position,
        skin=width,
        spar=width,
        semispan=computed.semispan,
        area=computed.area,
        aspect_ratio=computed.aspect_ratio,
        inner_length=computed.inner_length,
    )
