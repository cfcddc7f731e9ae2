"""Compliance of a twist: spring or actuator, damper, stops, free play.

Answers: which segments of a case are compliant, what moment holds each of them at a given twist,
and where does the actuator behind it stand? Does not find the twist.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Twist
from flapsim.case.columns import Cases
from flapsim.half_wing.twist.actuator import actuator_position
from flapsim.kernel import Batch
from flapsim.kernel import layout as at

Array = NDArray[np.float64]
Side = Literal["starboard", "port"]

STOP_STIFFENING = 20.0
"""Stiffness of a stop over that of the spring it guards (common practice, no source)."""

FULL_MOMENT_ERROR = math.radians(2.0)
"""Error at which an actuator with a moment limit, but no stiffness of its own, gives its full
moment (common practice, no source)."""

TIP = (at.TWIST_INNER_TIP, at.TWIST_OUTER_TIP)
"""Schedule of the tip of the inner and the outer segment."""

ROOT = (at.TWIST_INNER_ROOT, at.TWIST_OUTER_ROOT)
"""Schedule of their roots."""


@dataclass(frozen=True)
class Compliance:
    """One compliant segment of B half wings."""

    segment: int  # 0 inner, 1 outer
    # (2 H + 1, B): twist from root to tip with no moment acting, rad: the actuator's, or the rest
    # angle
    command: Array
    # stiffness, damping, (B,): N m/rad, N m s/rad; one wing
    stiffness: Array
    damping: Array
    # lower, upper, (B,): stops, rad; infinite without
    lower: Array
    upper: Array
    limit: Array  # (B,): largest moment the actuator can hold, N m; infinite without
    backlash: Array  # (B,): half the free play, rad
    carries: bool  # Whether the outer segment's root follows this segment's tip

    @property
    def nonlinear(self) -> bool:
        """Whether the stiffness of any design changes with the twist."""
        bounded = np.isfinite([self.lower, self.upper, self.limit]).any()
        return bool(bounded or (self.backlash > 0.0).any())

    def moment(self, twist: Array, rate: Array, command: Array) -> Array:
        """Moment of spring, actuator, stops and damper on the wing, N m, nose-up, shape (n, B)."""
        return np.asarray(self.spring(twist, command) + self.stop(twist) - self.damping * rate)

    def spring(self, twist: Array, command: Array) -> Array:
        """Moment of the spring or the actuator, N m, nose-up."""
        apart = command - twist
        taken = apart - np.clip(apart, -self.backlash, self.backlash)
        return np.asarray(np.clip(self.stiffness * taken, -self.limit, self.limit))

    def tangent(self, twist: Array, command: Array) -> Array:
        """Stiffness against a small departure from a twist, N m/rad."""
        apart = command - twist
        taken = apart - np.clip(apart, -self.backlash, self.backlash)
        engaged = (taken != 0.0) | (self.backlash == 0.0)
        unsaturated = engaged & (np.abs(self.stiffness * taken) < self.limit)
        beyond = (twist < self.lower) | (twist > self.upper)
        return np.asarray(self.stiffness * (unsaturated + STOP_STIFFENING * beyond))

    def of(self, lanes: NDArray[np.intp], stiffening: float = 1.0) -> Compliance:
        """The compliance of some designs, any of them several times over."""
        names = ("command", "damping", "lower", "upper", "limit", "backlash")
        numbers: dict[str, Any] = {name: getattr(self, name)[..., lanes] for name in names}
        return replace(self, stiffness=stiffening * self.stiffness[lanes], **numbers)

    def stop(self, twist: Array) -> Array:
        """Moment of the stops, N m, nose-up."""
        stiff = STOP_STIFFENING * self.stiffness
        below = np.where(np.isfinite(self.lower), np.minimum(twist - self.lower, 0.0), 0.0)
        above = np.where(np.isfinite(self.upper), np.maximum(twist - self.upper, 0.0), 0.0)
        return np.asarray(-stiff * (below + above))


def compliances(
    case: Cases, batch: Batch, side: Side = "starboard"
) -> tuple[Batch, list[Compliance]]:
    """Half wings moved by their actuators instead of commands, and their compliant segments."""
    lanes = batch.constant.shape[1]
    schedule = batch.schedule.copy()
    inner, outer = case.stroke.half(side)
    carries = root_follows(case, side)
    segments = []
    for segment, stroke in enumerate((inner, outer)):
        twist = None if stroke is None else stroke.twist
        if twist is None or twist.mode == "driven":
            continue
        if twist.mode == "servo":
            before = schedule[TIP[segment]]
            schedule[TIP[segment]] = actuator_position(
                before,
                case.stroke.frequency_hz,
                _given(twist.bandwidth_hz, lanes, math.inf),
                twist.actuator_order,
                None if twist.rate_limit_deg_s is None else np.radians(twist.rate_limit_deg_s),
                twist.sensor_counts,
                twist.sensor_delay_s,
            )
            if segment == 0 and carries:
                change = schedule[TIP[0]] - before
                schedule[at.TWIST_OUTER_ROOT] += change
                if outer is not None and (outer.twist is None or outer.twist.mode == "passive"):
                    schedule[at.TWIST_OUTER_TIP] += change
        stiffness = hinge_stiffness(twist)
        if stiffness is not None:
            command = schedule[TIP[segment]] - schedule[ROOT[segment]]
            segments.append(
                _compliance(twist, segment, command, stiffness, segment == 0 and carries)
            )
    return batch._replace(schedule=schedule), segments


def hinge_stiffness(twist: Twist) -> Any:
    """Stiffness of spring or actuator, N m/rad, number or column; None for a rigid actuator."""
    if twist.stiffness_n_m_rad is None and twist.torque_limit_n_m is not None:
        return twist.torque_limit_n_m / FULL_MOMENT_ERROR
    return twist.stiffness_n_m_rad


def _compliance(
    twist: Twist, segment: int, command: Array, stiffness: ArrayLike, carries: bool
) -> Compliance:
    lanes = command.shape[1]
    lower, upper = (-math.inf, math.inf) if twist.stops_deg is None else twist.stops_deg
    return Compliance(
        segment=segment,
        command=command,
        stiffness=_given(stiffness, lanes, math.inf),
        damping=_given(twist.damping_n_m_s_rad, lanes, 0.0),
        lower=np.radians(_given(lower, lanes, -math.inf)),
        upper=np.radians(_given(upper, lanes, math.inf)),
        limit=_given(twist.torque_limit_n_m, lanes, math.inf),
        backlash=0.5 * np.radians(_given(twist.backlash_deg, lanes, 0.0)),
        carries=carries,
    )


def root_follows(case: Cases, side: Side) -> bool:
    """Whether the outer segment's root follows the inner tip."""
    _, outer = case.stroke.half(side)
    return outer is not None and (outer.twist is None or outer.twist.root is None)


def _given(value: ArrayLike | None, lanes: int, otherwise: float) -> Array:
    number = otherwise if value is None else value
    return np.broadcast_to(np.asarray(number, dtype=np.float64), (lanes,)).copy()
