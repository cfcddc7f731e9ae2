"""What a twist amounts to: motion, moments, powers and limits met, through the stroke and in all.

The same lines serve one case and a batch of thousands. Moments are those of one wing, powers
those of both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case, SegmentStroke, Twist
from flapsim.half_wing.twist.compliance import ROOT, TIP, Compliance, Side, root_follows
from flapsim.half_wing.twist.equations import Equations
from flapsim.half_wing.twist.half_wing import HalfWing
from flapsim.kernel import layout as at
from flapsim.wing.schedule import HARMONICS, evaluate

Array = NDArray[np.float64]

SEGMENTS = ("inner", "outer")

AT_LIMIT = 0.95
"""Part of a rate limit beyond which an actuator counts as held back: its truncated Fourier series
runs through the corners of the true motion."""


class TwistMoments(NamedTuple):
    """Moments about the twist axis of one segment through the stroke, one wing, nose-up.

    They are in balance: their sum is what the harmonics left out would take.

    Attributes
    ----------
    air, mass : ndarray, shape (n, B)
        Of the air, and of inertia and weight, N m.
    held : ndarray, shape (n, B)
        Of the spring, the actuator or the drive, N m.
    damper, stop : ndarray, shape (n, B)
        N m.
    """

    air: Array
    mass: Array
    held: Array
    damper: Array
    stop: Array

    @property
    def hinge(self) -> Array:
        """Everything that acts between root and tip, N m."""
        return self.held + self.damper + self.stop


class Motion(NamedTuple):
    """Twist from root to tip with its rate, rad and rad/s, shape (n, B)."""

    value: Array
    rate: Array


def compliant(case: Case, side: Side = "starboard") -> tuple[bool, ...]:
    """Whether the twist of each segment is left to a spring or an actuator."""
    halves = case.stroke.half(side)
    return tuple(_twist_of(stroke).mode != "driven" for stroke in halves)


def _twist_of(stroke: SegmentStroke | None) -> Twist:
    """Twist of a segment; a driven one where it is left out."""
    return Twist() if stroke is None or stroke.twist is None else stroke.twist


def _twist(case: Case, half: HalfWing, segment: int) -> Twist:
    return _twist_of(case.stroke.half(half.side)[segment])


def _mode(case: Case, half: HalfWing, segment: int) -> str:
    return _twist(case, half, segment).mode


def twist_moments(case: Case, half: HalfWing, series: Array, segment: int) -> TwistMoments:
    """Moments on the twist of one segment.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    half : HalfWing
        Its half wings.
    series : ndarray, shape (n, SERIES_ROWS, B)
        Their strokes.
    segment : int
        0 inner, 1 outer.

    Returns
    -------
    TwistMoments
    """
    equations = Equations(case, half.design.batch, half.parts, half.side)
    found = [part for part in half.parts if part.segment == segment]
    part = found[0] if found else _rigid(case, half, segment)
    air, mass = equations.load(series, part)
    nothing = np.zeros_like(air)
    if not found:
        return TwistMoments(air, mass, -(air + mass), nothing, nothing)
    actual, position = _motion(half, half.twist[segment]), _motion(half, part.command)
    return TwistMoments(
        air,
        mass,
        part.held(actual.value, position.value),
        -part.damping * actual.rate,
        part.stop(actual.value),
    )


def _rigid(case: Case, half: HalfWing, segment: int) -> Compliance:
    """A segment that gives way to nothing, for what hangs on it."""
    lanes = half.design.batch.constant.shape[1]
    none, endless = np.zeros(lanes), np.full(lanes, math.inf)
    return Compliance(
        segment=segment,
        command=half.position[segment],
        stiffness=endless,
        damping=none,
        lower=-endless,
        upper=endless,
        limit=endless,
        backlash=none,
        carries=segment == 0 and root_follows(case, half.side),
    )


def _motion(half: HalfWing, coefficients: Array) -> Motion:
    batch = half.design.batch
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    value, per_turn, _ = evaluate(coefficients, tau)
    return Motion(value, per_turn * 2.0 * np.pi * batch.constant[at.CONST_FREQUENCY])


def twist_power(case: Case, half: HalfWing, series: Array) -> Array:
    """Power that springs, dampers and actuators give to the twist of one half wing.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    half : HalfWing
        Its half wings.
    series : ndarray, shape (n, SERIES_ROWS, B)
        Their strokes.

    Returns
    -------
    ndarray, shape (n, B)
        W; zero for a twist that the crank drives. The crank need not give this part of the power
        that the wing takes.
    """
    out = np.zeros((series.shape[0], series.shape[2]))
    for segment, free in enumerate(compliant(case, half.side)):
        if free:
            moments = twist_moments(case, half, series, segment)
            out += moments.hinge * _motion(half, half.twist[segment]).rate
    return out


def actuator_work(case: Case, half: HalfWing, series: Array) -> Array:
    """Mean power that the servos of one half wing put out, what flows back being lost.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    half : HalfWing
        Its half wings.
    series : ndarray, shape (n, SERIES_ROWS, B)
        Their strokes.

    Returns
    -------
    ndarray, shape (B,)
        W; zero without a servo.
    """
    out = np.zeros(series.shape[2])
    for segment in range(len(SEGMENTS)):
        if _mode(case, half, segment) != "servo":
            continue
        held = twist_moments(case, half, series, segment).held
        rate = _motion(half, half.position[segment]).rate
        out += np.maximum(held * rate, 0.0).mean(axis=0)
    return out


def twist_motion(half: HalfWing) -> dict[str, Array]:
    """Mean, amplitude and lag of the twist at each segment's tip.

    Parameters
    ----------
    half : HalfWing
        The half wings.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        ``inner.mean_deg`` ...; amplitude and lag are those of the fundamental, the lag within half
        a turn, NaN without an amplitude.
    """
    out: dict[str, Array] = {}
    for segment in range(int(half.design.batch.segment.max()) + 1):
        tip = half.design.batch.schedule[TIP[segment]]
        amplitude, lag = _fundamental(tip)
        name = SEGMENTS[segment]
        out[f"{name}.mean_deg"] = np.degrees(tip[0])
        out[f"{name}.amplitude_deg"] = np.degrees(amplitude)
        out[f"{name}.lag_deg"] = np.degrees(np.where(amplitude > 1e-9, lag, np.nan))
    return out


def _fundamental(coefficients: Array) -> tuple[Array, Array]:
    cosine, sine = coefficients[1], coefficients[HARMONICS + 1]
    return np.hypot(cosine, sine), np.arctan2(sine, cosine)


def twist_results(
    case: Case, halves: Sequence[HalfWing], series: Sequence[Array]
) -> dict[str, Array]:
    """What the twist of each segment amounts to.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    halves : sequence of HalfWing
        Starboard half, and the port half if it differs; angles, moments and limits are those of
        the starboard half, powers those of both.
    series : sequence of ndarray, shape (n, SERIES_ROWS, B)
        Their strokes.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        Dotted names without their prefix ``twist.``: ``outer.mean_deg``, ``outer.power_w`` ...
    """
    half = halves[0]
    out = twist_motion(half)
    for segment in range(int(half.design.batch.segment.max()) + 1):
        found = _of_segment(case, half, series[0], segment)
        powers = [
            _powers(case, wing, one, segment) for wing, one in zip(halves, series, strict=True)
        ]
        found |= {name: powers[0][name] + powers[-1][name] for name in powers[0]}
        out |= {f"{SEGMENTS[segment]}.{name}": values for name, values in found.items()}
    return out


def _of_segment(case: Case, half: HalfWing, series: Array, segment: int) -> dict[str, Array]:
    moments = twist_moments(case, half, series, segment)
    actual = _motion(half, half.twist[segment])
    position = _motion(half, half.position[segment])
    command = _motion(half, half.command[segment])
    held = moments.held
    at = np.argmax(np.abs(held), axis=0)
    nothing = np.full(held.shape[1], np.nan)
    out = {
        "peak_moment_n_m": np.take_along_axis(held, at[None], axis=0)[0],
        "deflection_deg": np.degrees(np.abs(actual.value - position.value).max(axis=0)),
        "stop_contact": (moments.stop != 0.0).mean(axis=0),
        "tracking_error_deg": nothing,
        "phase_lag_deg": nothing,
        "saturation": nothing,
    }
    if _mode(case, half, segment) == "servo":
        error = actual.value - command.value
        out["tracking_error_deg"] = np.degrees(np.sqrt((error**2).mean(axis=0)))
        # The actuator follows the tip's twist, not that from root to tip.
        ends = half.design.batch.schedule
        root, tip = ends[ROOT[segment]], ends[TIP[segment]]
        out["phase_lag_deg"] = _behind(root + half.command[segment], tip)
        limits = [part.limit for part in half.parts if part.segment == segment]
        full = np.zeros_like(held, dtype=bool)
        if limits:
            full |= np.abs(held) >= limits[0] * (1.0 - 1e-12)
        fastest = _twist(case, half, segment).rate_limit_deg_s
        if fastest is not None:
            full |= np.abs(position.rate) >= AT_LIMIT * np.radians(fastest)
        out["saturation"] = full.mean(axis=0)
    return out


def _behind(command: Array, actual: Array) -> Array:
    """Lag of the fundamental behind that of the command, degrees within half a turn."""
    asked, wanted = _fundamental(command)
    made, got = _fundamental(actual)
    late = np.remainder(got - wanted + math.pi, 2.0 * math.pi) - math.pi
    return np.degrees(np.where((asked > 1e-9) & (made > 1e-9), late, np.nan))


def _powers(case: Case, half: HalfWing, series: Array, segment: int) -> dict[str, Array]:
    servo = _mode(case, half, segment) == "servo"
    moments = twist_moments(case, half, series, segment)
    rate = _motion(half, half.twist[segment]).rate
    out = {
        "power_w": (moments.hinge * rate).mean(axis=0),
        "damper_loss_w": -(moments.damper * rate).mean(axis=0),
    }
    nothing = np.full(series.shape[2], np.nan)
    driven = moments.held * _motion(half, half.position[segment]).rate
    out["actuator_power_w"] = np.maximum(driven, 0.0).mean(axis=0) if servo else nothing
    out["actuator_peak_power_w"] = driven.max(axis=0) if servo else nothing
    return out


def twist_series(case: Case, half: HalfWing, series: Array) -> dict[str, Array]:
    """Twist and its moments through the stroke, of the segments whose twist is not driven.

    Parameters
    ----------
    case : Case
        The case.
    half : HalfWing
        A half wing of one design.
    series : ndarray, shape (n, SERIES_ROWS, 1)
        Its stroke.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``outer_twist_command_deg`` (twist from root to tip that is asked for),
        ``outer_twist_deg`` and ``outer_twist_rate_deg_s`` (that it takes),
        ``outer_twist_air_n_m`` ... (moments of one wing).
    """
    out: dict[str, Array] = {}
    for segment, free in enumerate(compliant(case, half.side)):
        if not free:
            continue
        name = f"{SEGMENTS[segment]}_twist"
        actual = _motion(half, half.twist[segment])
        out[f"{name}_command_deg"] = np.degrees(_motion(half, half.command[segment]).value[:, 0])
        out[f"{name}_deg"] = np.degrees(actual.value[:, 0])
        out[f"{name}_rate_deg_s"] = np.degrees(actual.rate[:, 0])
        moments = twist_moments(case, half, series, segment)
        for kind in TwistMoments._fields:
            out[f"{name}_{kind}_n_m"] = getattr(moments, kind)[:, 0]
    return out
