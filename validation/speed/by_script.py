"""One design as a script does it: step after step, stroke after stroke, until strokes repeat.

The same physics as the kernel's, numpy over the strips, Python over the steps, no block of designs
and no closed form for the wake: what somebody writes in an afternoon, and what a study of thousands
of variants then has to live with. It steps the wake to second order, so its means agree with the
kernel's to a part in a thousand or two at 128 steps and not to rounding.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case, Schedule
from flapsim.half_wing.wake import finite_wing_lag
from flapsim.kernel.section import plate_drag_coefficient
from flapsim.wing.strips import strips

Array = NDArray[np.float64]

REPEATS = 1e-6
"""Strokes repeat when forces and power do, at every step, within this part of their largest."""

MOST_STROKES = 60


def by_script(case: Case) -> tuple[float, float, float]:
    """Mean lift, thrust and aerodynamic power of half a wing, N and W."""
    march = _March(case)
    before = np.full((case.model.steps, 3), math.inf)
    for _ in range(MOST_STROKES):
        stroke = march.stroke()
        if np.all(np.abs(stroke - before) <= REPEATS * np.max(np.abs(stroke), axis=0)):
            break
        before = stroke
    lift, thrust, power = np.mean(stroke, axis=0).tolist()
    return lift, thrust, power


def _angle(schedule: Schedule | None, phase: float, omega: float) -> tuple[float, float, float]:
    """Angle, rate and acceleration of a harmonic schedule, rad."""
    if schedule is None:
        return 0.0, 0.0, 0.0
    amplitude, lag = math.radians(schedule.amplitude_deg), math.radians(schedule.lag_deg)
    swing = amplitude * math.cos(phase - lag)
    rate = -amplitude * omega * math.sin(phase - lag)
    return math.radians(schedule.mean_deg) + swing, rate, -(omega**2) * swing


class _March:
    """A half wing on its way through the stroke, with the state of its wake."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.wing = strips(case.wing, case.craft.shoulder_offset_m)
        self.outer = self.wing.segment == 1
        self.omega = 2.0 * math.pi * case.stroke.frequency_hz
        self.step_time = 1.0 / (case.stroke.frequency_hz * case.model.steps)
        self.amplitude, self.rate = (float(x) for x in finite_wing_lag(self.wing.aspect_ratio))
        self.drag = float(plate_drag_coefficient(self.wing.aspect_ratio))
        section = case.wing.section
        self.camber = -math.radians(section.zero_lift_deg)
        half = 0.5 * section.stall_width_deg
        self.onset = math.sin(math.radians(section.stall_deg - half))
        self.full = math.sin(math.radians(section.stall_deg + half))
        self.state = np.zeros(self.wing.chord.size)
        self.downwash: Array | None = None
        self.travel = np.zeros(self.wing.chord.size)
        self.square = np.full(self.wing.chord.size, case.flight.airspeed_m_s**2)

    def _motion(self, n: int) -> tuple[Array, ...]:
        """Air velocity of every strip along chord and normal, rotation, and their rates."""
        case, wing, outer = self.case, self.wing, self.outer
        phase = 2.0 * math.pi * n / case.model.steps
        inner_stroke, outer_stroke = case.stroke.inner, case.stroke.outer
        assert outer_stroke is not None
        assert inner_stroke.twist is not None
        assert outer_stroke.twist is not None
        p1, p1_rate, p1_accel = _angle(inner_stroke.plunge, phase, self.omega)
        p2, p2_rate, p2_accel = _angle(outer_stroke.plunge, phase, self.omega)
        wrist = np.array(_angle(inner_stroke.twist.tip, phase, self.omega))
        tip = np.array(_angle(outer_stroke.twist.tip, phase, self.omega))
        eta = wing.fraction
        twist, twist_rate, twist_accel = (
            np.where(outer, wrist[i] + eta * (tip[i] - wrist[i]), eta * wrist[i]) for i in range(3)
        )
        pitch, speed = math.radians(case.flight.pitch_deg), case.flight.airspeed_m_s
        along, up = speed * math.cos(pitch), speed * math.sin(pitch)
        arm = wing.inner_length
        plunge = np.where(outer, p1 + p2, p1)
        plunge_rate = np.where(outer, p1_rate + p2_rate, p1_rate)
        plunge_accel = np.where(outer, p1_accel + p2_accel, p1_accel)
        normal = up * np.cos(plunge) - wing.distance * plunge_rate
        normal -= np.where(outer, arm * p1_rate * math.cos(p2), 0.0)
        normal_rate = -up * np.sin(plunge) * plunge_rate - wing.distance * plunge_accel
        normal_rate -= np.where(
            outer, arm * (p1_accel * math.cos(p2) - p1_rate * p2_rate * math.sin(p2)), 0.0
        )
        sine, cosine = np.sin(twist), np.cos(twist)
        u, w = along * cosine - normal * sine, along * sine + normal * cosine
        w_rate = normal_rate * cosine + twist_rate * u
        return u, w, w_rate, twist_rate, twist_accel, sine, cosine, plunge

    def _lagged(self, downwash: Array, u: Array, w: Array) -> Array:
        """Downwash less what the shed wake takes, one step on."""
        travel = 2.0 * np.hypot(u, w) / self.wing.chord
        if self.downwash is not None:
            path = 0.5 * (travel + self.travel) * self.step_time
            change = self.amplitude * (downwash - self.downwash)
            self.state = self.state * np.exp(-self.rate * path)
            self.state += change * np.exp(-0.5 * self.rate * path)
        self.downwash, self.travel = downwash, travel
        return np.asarray(downwash - self.state)

    def _bound(self, q: Array, u: Array, spin: Array) -> tuple[Array, Array]:
        """Circulation over pi c, and the weight of the attached flow."""
        w = q - self.camber * u - 0.25 * self.wing.chord * spin
        speed = np.hypot(u, w)
        sine = w / speed
        t = np.clip((np.abs(sine) - self.onset) / (self.full - self.onset), 0.0, 1.0)
        f = np.where(u > 0.0, np.maximum(1.0 - t**3 * (10.0 - t * (15.0 - 6.0 * t)), 0.0), 0.0)
        g = ((1.0 + np.sqrt(f)) ** 2 / 4.0 - 0.25) / 0.75
        lift = self.drag * sine * np.abs(u / speed) / (0.56 + 0.44 * np.abs(sine))
        return g * q + (1.0 - g) * speed * lift / (2.0 * math.pi), g

    def _effective(self, lagged: Array, u: Array, spin: Array) -> tuple[Array, Array]:
        """Downwash less the induced velocity, by relaxation."""
        k = 2.0 / self.wing.aspect_ratio
        q = lagged / (1.0 + k)
        for _ in range(200):
            bound, g = self._bound(q, u, spin)
            change = (lagged - k * bound - q) / (1.0 + k)
            q = q + change
            if np.max(np.abs(change)) <= 1e-9 * np.max(np.abs(q)):
                break
        return q, g

    def stroke(self) -> Array:
        """Lift, thrust and power at every step; friction goes by the stroke before."""
        self.squares: list[Array] = []
        out = np.array([self.step(n) for n in range(self.case.model.steps)])
        self.square = np.mean(self.squares, axis=0)
        return out

    def step(self, n: int) -> tuple[float, float, float]:
        """Lift, thrust and power at a step."""
        case, wing = self.case, self.wing
        section, air = case.wing.section, case.air
        rho, c, axis = air.density, wing.chord, case.wing.twist_axis
        u, w, w_rate, spin, spin_rate, sine, cosine, plunge = self._motion(n)
        q = w + (0.75 - axis) * c * spin + self.camber * u
        q_c, g = self._effective(self._lagged(q, u, w), u, spin)
        w_m = q_c - self.camber * u - 0.25 * c * spin
        speed = np.hypot(u, w_m)
        s = w_m / speed
        self.squares.append(u**2 + w**2)
        reynolds = np.maximum(c * np.sqrt(self.square) / air.kinematic_viscosity, 1000.0)
        friction = section.friction_factor * 0.91 / np.log10(reynolds) ** 2.58

        circulatory = g * math.pi * rho * c * u * q_c
        separated = (1.0 - g) * 0.5 * rho * c * self.drag * w_m * speed / (0.56 + 0.44 * np.abs(s))
        centre = 0.5 - 0.75 * (u / speed) / (4.0 + math.pi * np.abs(s))
        mass = 0.25 * math.pi * rho * c**2
        push = mass * (w_rate + (0.5 - axis) * c * spin_rate)
        normal = circulatory + separated + push
        suction = g * math.pi * rho * c * (section.suction * w_m**2 + self.camber * u * w_m)
        aft = 0.5 * rho * c * friction * speed * u - suction
        moment = (
            -circulatory * (0.25 - axis) * c
            - separated * (centre - axis) * c
            - push * (0.5 - axis) * c
            - g * 0.25 * math.pi * rho * c**2 * u * (self.camber * u + 0.25 * c * spin)
            - mass * c**2 / 32.0 * spin_rate
        )
        pitch = math.radians(case.flight.pitch_deg)
        along = aft * cosine + normal * sine
        up = (normal * cosine - aft * sine) * np.cos(plunge)
        lift = float(np.sum(wing.width * (up * math.cos(pitch) - along * math.sin(pitch))))
        thrust = -float(np.sum(wing.width * (up * math.sin(pitch) + along * math.cos(pitch))))
        loss = float(np.sum(wing.width * (normal * w + aft * u - moment * spin)))
        return lift, thrust, thrust * case.flight.airspeed_m_s + loss
