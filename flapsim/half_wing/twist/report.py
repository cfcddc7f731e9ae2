"""Results of the twist: motion, moments, powers and the limits reached, through the stroke.

Moments are those of one wing, powers those
of both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case import SegmentStroke, Twist
from flapsim.case.columns import Cases
from flapsim.half_wing.twist.compliance import ROOT, TIP, Compliance, Side, root_follows
from flapsim.half_wing.twist.equations import Equations
from flapsim.half_wing.twist.half_wing import HalfWing
from flapsim.kernel import layout as at
from flapsim.wing.schedule import HARMONICS, evaluate

Array = NDArray[np.float64]

SEGMENTS = ("inner", "outer")

AT_LIMIT = 0.95
"""Part of a rate limit beyond which an actuator counts as saturated: its truncated Fourier series
cuts the corners of the true motion."""


class TwistMoments(NamedTuple):
    """Moments about the twist axis of one segment through the stroke, one wing, nose-up.

    Their sum is zero but for the harmonics that are not solved for.
    """

    # air, mass, (n, B): of the air, and of inertia and weight, N m
    air: Array
    mass: Array
    held: Array  # (n, B): of the spring, the actuator or the drive, N m
    # damper, stop, (n, B): N m
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


class SegmentTwist(NamedTuple):
    """The twist of one segment of a half wing through the stroke."""

    name: str
    keys: Twist  # The segment's table in the case
    part: Compliance | None  # None where the crank drives it
    # command, position, actual: of the command, of the actuator (or of the spring's rest), and of
    # the wing
    command: Motion
    position: Motion
    actual: Motion
    moments: TwistMoments
    lag: Array  # (B,): of the tip's fundamental behind its command, degrees within half a turn

    @property
    def compliant(self) -> bool:
        """Whether a spring or an actuator decides the twist."""
        return self.keys.mode != "driven"

    @property
    def power(self) -> Array:
        """Power of spring, damper, stops and actuator into the twist, one wing, W, shape (n, B)."""
        return self.moments.hinge * self.actual.rate

    @property
    def actuator_power(self) -> Array:
        """Power that the actuator puts out, one wing, W, shape (n, B)."""
        return self.moments.held * self.position.rate


def compliant(case: Cases, side: Side = "starboard") -> tuple[bool, ...]:
    """Whether the twist of each segment is left to a spring or an actuator."""
    return tuple(_keys(stroke).mode != "driven" for stroke in case.stroke.half(side))


def _keys(stroke: SegmentStroke | None) -> Twist:
    """Twist of a segment; a driven one where it is left out."""
    return Twist() if stroke is None or stroke.twist is None else stroke.twist


def segment_twists(case: Cases, half: HalfWing, series: Array) -> tuple[SegmentTwist, ...]:
    """Twist of every segment, from the strokes of half wings, shape (n, SERIES_ROWS, B)."""
    equations = Equations(case, half.design.batch, half.parts, half.side)
    return tuple(
        _segment(case, half, equations, series, segment)
        for segment in range(int(half.design.batch.segment.max()) + 1)
    )


def _segment(
    case: Cases, half: HalfWing, equations: Equations, series: Array, segment: int
) -> SegmentTwist:
    part = next((part for part in half.parts if part.segment == segment), None)
    actual, position = _motion(half, half.twist[segment]), _motion(half, half.position[segment])
    carries = segment == 0 and root_follows(case, half.side)
    air, mass = equations.load(series, segment, carries)
    nothing = np.zeros_like(air)
    if part is None:
        moments = TwistMoments(air, mass, -(air + mass), nothing, nothing)
    else:
        moments = TwistMoments(
            air,
            mass,
            part.spring(actual.value, _motion(half, part.command).value),
            -part.damping * actual.rate,
            part.stop(actual.value),
        )
    # The actuator follows the tip's twist, not that from root to tip.
    ends = half.design.batch.schedule
    asked = ends[ROOT[segment]] + half.command[segment]
    return SegmentTwist(
        SEGMENTS[segment],
        _keys(case.stroke.half(half.side)[segment]),
        part,
        _motion(half, half.command[segment]),
        position,
        actual,
        moments,
        _phase_lag(asked, ends[TIP[segment]]),
    )


def _motion(half: HalfWing, coefficients: Array) -> Motion:
    batch = half.design.batch
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    value, per_turn, _ = evaluate(coefficients, tau)
    return Motion(value, per_turn * 2.0 * np.pi * batch.constant[at.CONST_FREQUENCY])


def _fundamental(coefficients: Array) -> tuple[Array, Array]:
    cosine, sine = coefficients[1], coefficients[HARMONICS + 1]
    return np.hypot(cosine, sine), np.arctan2(sine, cosine)


def _phase_lag(command: Array, actual: Array) -> Array:
    """Lag of the fundamental behind that of the command, degrees within half a turn."""
    asked, wanted = _fundamental(command)
    made, got = _fundamental(actual)
    late = np.remainder(got - wanted + math.pi, 2.0 * math.pi) - math.pi
    return np.degrees(np.where((asked > 1e-9) & (made > 1e-9), late, np.nan))


def twist_power(twists: Sequence[SegmentTwist]) -> Array:
    """Power of springs, dampers and actuators into the twist of one half wing, W, shape (n, B).

    Zero for a twist that the crank drives; the crank need not give this part of the wing's power.
    """
    return np.asarray(
        sum(
            (twist.power for twist in twists if twist.compliant),
            np.zeros_like(twists[0].moments.air),
        )
    )


def actuator_work(twists: Sequence[SegmentTwist]) -> Array:
    """Mean power that the servos of one half wing put out, W, (B,); returned work is lost."""
    out = np.zeros(twists[0].lag.shape)
    for twist in twists:
        if twist.keys.mode == "servo":
            out += np.maximum(twist.actuator_power, 0.0).mean(axis=0)
    return out


def twist_motion(half: HalfWing) -> dict[str, Array]:
    """Mean, amplitude and lag of the twist at each segment's tip, by name, shape (B,).

    Amplitude and lag are those of the fundamental, the lag within half a turn, NaN without an
    amplitude.
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


def twist_results(half: HalfWing, twists: Sequence[Sequence[SegmentTwist]]) -> dict[str, Array]:
    """Results of the twist of each segment by name, such as ``outer.power_w``, shape (B,).

    ``twists`` are those of the starboard half, and of the port half if it differs. Angles, moments
    and limits are those of the starboard half, powers those of both.
    """
    out = twist_motion(half)
    for both in zip(*twists, strict=True):
        found = _reached(both[0])
        powers = [_powers(twist) for twist in both]
        found |= {name: powers[0][name] + powers[-1][name] for name in powers[0]}
        out |= {f"{both[0].name}.{name}": values for name, values in found.items()}
    return out


def peak(values: Array) -> Array:
    """Value of largest magnitude along the first axis, with its sign; the first of several."""
    place = np.argmax(np.abs(values), axis=0, keepdims=True)
    largest: Array = np.take_along_axis(values, place, axis=0)[0]
    return largest


def _reached(twist: SegmentTwist) -> dict[str, Array]:
    """Largest moment, deflection and the limits reached of one segment."""
    held, actual, position = twist.moments.held, twist.actual, twist.position
    nothing = np.full(held.shape[1], np.nan)
    out = {
        "peak_moment_n_m": peak(held),
        "deflection_deg": np.degrees(np.abs(actual.value - position.value).max(axis=0)),
        "stop_contact": (twist.moments.stop != 0.0).mean(axis=0),
        "tracking_error_deg": nothing,
        "phase_lag_deg": nothing,
        "saturation": nothing,
    }
    if twist.keys.mode == "servo":
        error = actual.value - twist.command.value
        out["tracking_error_deg"] = np.degrees(np.sqrt((error**2).mean(axis=0)))
        out["phase_lag_deg"] = twist.lag
        full = np.zeros_like(held, dtype=bool)
        if twist.part is not None:
            full |= np.abs(held) >= twist.part.limit * (1.0 - 1e-12)
        fastest = twist.keys.rate_limit_deg_s
        if fastest is not None:
            full |= np.abs(position.rate) >= AT_LIMIT * np.radians(fastest)
        out["saturation"] = full.mean(axis=0)
    return out


def _powers(twist: SegmentTwist) -> dict[str, Array]:
    servo = twist.keys.mode == "servo"
    nothing = np.full(twist.lag.shape, np.nan)
    driven = twist.actuator_power
    return {
        "power_w": twist.power.mean(axis=0),
        "damper_loss_w": -(twist.moments.damper * twist.actual.rate).mean(axis=0),
        "actuator_power_w": np.maximum(driven, 0.0).mean(axis=0) if servo else nothing,
        "actuator_peak_power_w": driven.max(axis=0) if servo else nothing,
    }


def twist_series(twists: Sequence[SegmentTwist]) -> dict[str, Array]:
    """Twist and its moments through the stroke, first design, segments that are not driven; (n,).

    Commanded and actual twist are from root to tip, moments those of one wing.
    """
    out: dict[str, Array] = {}
    for twist in twists:
        if not twist.compliant:
            continue
        name = f"{twist.name}_twist"
        out[f"{name}_command_deg"] = np.degrees(twist.command.value[:, 0])
        out[f"{name}_deg"] = np.degrees(twist.actual.value[:, 0])
        out[f"{name}_rate_deg_s"] = np.degrees(twist.actual.rate[:, 0])
        for kind in TwistMoments._fields:
            out[f"{name}_{kind}_n_m"] = getattr(twist.moments, kind)[:, 0]
    return out
