"""A compliant half wing marched in time: the reference for the periodic twist and its decay.

Independent of the strip kernel. Kinematics come from the twin's chain of rotation matrices with no
twist in it, loads from its section laws; here they are taken instant by instant. Twist, its rate
and the lag states of every strip's shed wake are the unknowns of an ordinary differential equation,
which scipy integrates stroke after stroke until one repeats.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import solve_ivp

from flapsim.case import Case
from flapsim.constants import STANDARD_GRAVITY
from flapsim.half_wing.twist.compliance import STOP_STIFFENING
from flapsim.wing.strips import strips
from tests.twin import wake
from tests.twin.half_wing import air_velocity, schedule_angles
from tests.twin.induced import LiftingLine
from tests.twin.jet import Array, Jet, inner
from tests.twin.motion import half_wing_motion
from tests.twin.section import Flow, Plate, friction_coefficient, plate_drag

SAMPLES = 256
"""Instants at which the motion without twist is sampled; its Fourier series is then exact."""

_NEWTON_STEPS = 50


@dataclass(frozen=True)
class Spring:
    """Spring and damper of one compliant twist, and the part of the wing that it turns."""

    shape: Array
    rest: float
    stiffness: float
    damping: float
    lower: float
    upper: float

    def moment(self, twist: float, rate: float) -> float:
        """Moment on the wing, N m, nose-up; beyond a stop the spring is as much stiffer."""
        beyond = min(twist - self.lower, 0.0) + max(twist - self.upper, 0.0)
        held = self.rest - twist - STOP_STIFFENING * beyond
        return self.stiffness * held - self.damping * rate


class Periodic:
    """Rows of periodic functions of the stroke phase, from samples at even instants."""

    def __init__(self, samples: Array) -> None:
        spectrum = np.fft.rfft(samples, axis=-1) / samples.shape[-1]
        used = np.flatnonzero(np.abs(spectrum).reshape(-1, spectrum.shape[-1]).max(axis=0) > 1e-15)
        self._order = np.arange(used.max() + 1)
        kept = 2.0 * spectrum[..., : used.max() + 1]
        kept[..., 0] *= 0.5
        self._kept = kept

    def __call__(self, tau: float) -> Array:
        return np.real(self._kept @ np.exp(1j * self._order * tau))


class Marched:
    """Equation of motion of a compliant starboard half wing.

    The state holds the twists, their rates, and for each exponential of the wake's lag and each
    strip ``z - A q``, so that no acceleration enters its rate.
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        self.wing = strips(case.wing, case.craft.shoulder_offset_m)
        self.omega = 2.0 * np.pi * case.stroke.frequency_hz
        self.springs, held = springs(case)
        self.count = len(self.springs)
        self.shapes = np.array([spring.shape for spring in self.springs])
        self._motion = Periodic(motion_without_twist(case, held))
        self._terms = (
            wake.lag_terms(case.model.wake_lag, self.wing.aspect_ratio)
            if case.model.wake == "indicial"
            else []
        )
        self.law = self._plate()
        self._line = None
        if case.model.induced == "lifting-line":
            slope = np.pi * self.wing.chord[:, None]
            self._line = LiftingLine(self.wing, case.modes, 1.0, lambda q: slope * q)
        self.evaluations = 0

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 2 * self.count + len(self._terms) * self.wing.chord.size

    def _plate(self) -> Plate:
        section = self.case.wing.section
        friction = friction_coefficient(
            section.friction, section.friction_factor, np.ones((self.wing.chord.size, 1))
        )
        middle, half = np.radians([section.stall_deg, 0.5 * section.stall_width_deg])
        return Plate(
            camber=-np.radians(section.zero_lift_deg),
            suction=section.suction,
            friction=friction,
            drag_normal=plate_drag(self.case.model.induced, self.wing.aspect_ratio),
            stall=None if section.law == "thin-airfoil" else (middle - half, middle + half),
        )

    def flow(self, tau: float, twists: Array, rates: Array) -> tuple[Flow, Array]:
        """Air that the strips meet, in columns: no acceleration of a twist, then one of each.

        Also the moment of inertia and weight about the twist axis, N m/m, in the same columns.
        """
        rows = self._motion(tau)[:, :, None]
        x, n, x_rate, n_rate, spin, spin_rate, held, held_rate, held_acceleration = rows[:9]
        columns = np.ones((1, 1 + self.count))
        theta = (held + (self.shapes.T @ twists)[:, None]) * columns
        theta_rate = held_rate + (self.shapes.T @ rates)[:, None]
        accelerated = np.hstack([np.zeros((x.size, 1)), self.shapes.T])
        theta_acceleration = held_acceleration + accelerated
        sine, cosine = np.sin(theta), np.cos(theta)
        u, w = x * cosine - n * sine, x * sine + n * cosine
        flow = Flow(
            density=self.case.air.density,
            chord=self.wing.chord[:, None],
            twist_axis=self.case.wing.twist_axis,
            apparent_mass=self.case.model.apparent_mass,
            u=u,
            u_rate=x_rate * cosine - n_rate * sine - theta_rate * w,
            w_axis=w,
            w_axis_rate=x_rate * sine + n_rate * cosine + theta_rate * u,
            spin=spin + theta_rate,
            spin_rate=spin_rate + theta_acceleration,
        )
        return flow, self._mass_moment(rows[9:], sine, cosine, theta_acceleration)

    def _mass_moment(self, rows: Array, sine: Array, cosine: Array, acceleration: Array) -> Array:
        """Skin elements at x behind the axis: the moment of ``g - a`` about the span.

        ``a`` is that of the axis plus x times the second derivative of the chordwise vector, of
        which the component along the section's normal counts.
        """
        xx, xn, nx, nn, fall_x, fall_n = rows
        chord, skin = self.wing.chord[:, None], self.wing.skin[:, None]
        arm = (0.5 - self.case.wing.twist_axis) * chord
        first, second = skin * chord * arm, skin * chord * (arm**2 + chord**2 / 12.0)
        turning = sine * cosine * (xx - nn) - sine**2 * xn + cosine**2 * nx - acceleration
        return -first * (sine * fall_x + cosine * fall_n) + second * turning

    def effective(self, flow: Flow, lagged: Array) -> Array:
        """Downwash left by the trailing sheet."""
        if self.case.model.induced == "none":
            return lagged
        if self._line is not None:
            # Attached flow: the sheet is linear in the downwash.
            assert self.law.stall is None
            return lagged - self._line.downwash @ (self._line.fit @ lagged)
        per_circulation = 2.0 / (np.pi * flow.chord * self.wing.aspect_ratio)

        def excess(q: Array) -> Array:
            return q + per_circulation * self.law.trailed(flow, q) - lagged

        q = lagged / (1.0 + 2.0 / self.wing.aspect_ratio)
        for _ in range(_NEWTON_STEPS):
            left = excess(q)
            if np.abs(left).max() < 1e-13 * (1.0 + np.abs(lagged).max()):
                return q
            kick = 1e-6
            q = q - left * kick / (excess(q + kick) - left)
        raise ArithmeticError("the induced velocity was not found")

    def rate(self, tau: float, state: Array) -> Array:
        """Rate of the state per radian of the stroke."""
        self.evaluations += 1
        count, terms = self.count, self._terms
        twists, rates = state[:count], state[count : 2 * count]
        memory = state[2 * count :].reshape(len(terms), self.wing.chord.size)
        flow, mass = self.flow(tau, twists, rates)
        downwash = flow.normal_velocity(flow.collocation) + self.law.camber * flow.u
        taken = sum(
            (
                m + amplitude * downwash[:, 0]
                for m, (amplitude, _) in zip(memory, terms, strict=True)
            ),
            np.zeros_like(self.wing.chord),
        )
        lagged = downwash - taken[:, None]
        loads = self.law.loads(flow, downwash, self.effective(flow, lagged))
        moments = self.shapes @ (self.wing.width[:, None] * (loads.moment + mass))
        hinge = [s.moment(q, r) for s, q, r in zip(self.springs, twists, rates, strict=True)]
        of_rest = moments[:, 0] + hinge
        acceleration = np.linalg.solve(moments[:, :1] - moments[:, 1:], of_rest)
        travel = 2.0 * np.hypot(flow.u, flow.w_axis)[:, 0] / self.wing.chord
        fading = [
            -decay * travel * (m + amplitude * downwash[:, 0])
            for m, (amplitude, decay) in zip(memory, terms, strict=True)
        ]
        return np.concatenate([rates, acceleration, *fading]) / self.omega

    def stroke(self, state: Array, tolerance: float, phases: Array | None = None) -> Array:
        """State after a stroke, or the states at some phases of it, one a column."""
        answer = solve_ivp(
            self.rate,
            (0.0, 2.0 * np.pi),
            state,
            method="DOP853",
            t_eval=[2.0 * np.pi] if phases is None else phases,
            rtol=tolerance,
            atol=tolerance * 1e-2,
        )
        assert answer.success, answer.message
        return answer.y[:, 0] if phases is None else answer.y

    def settle(self, tolerance: float, most: int = 200) -> tuple[Array, int]:
        """March from rest until a stroke repeats; the state then, and how many strokes it took."""
        state = np.zeros(self.size)
        for number in range(1, most + 1):
            after = self.stroke(state, tolerance)
            repeats = np.abs(after - state).max() <= 10.0 * tolerance * np.abs(after).max()
            state = after
            if repeats:
                return state, number
        raise ArithmeticError(f"no stroke of {most} repeated")

    def carried(self, state: Array, tolerance: float = 1e-8, kick: float = 1e-4) -> Array:
        """What a stroke makes of small departures from a state: central differences of marches."""
        columns = []
        for row in range(self.size):
            # Rates are of the order of the circular frequency, the wake's memory of the airspeed.
            size = kick * (1.0 if row < self.count else self.omega)
            step = size * (np.arange(self.size) == row)
            ahead, behind = (self.stroke(state + sign * step, tolerance) for sign in (1.0, -1.0))
            columns.append((ahead - behind) / (2.0 * size))
        return np.array(columns).T


def springs(
    case: Case,
) -> tuple[list[Spring], Callable[[Jet, Jet, Jet, Jet], list[tuple[Jet, Jet]]]]:
    """What holds the compliant twists, and what of the twist schedules is left without them.

    The latter takes the schedules of root and tip of either segment and returns, for either, root
    and tip of the twist in which nothing compliant counts.
    """
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    eta, outer = wing.fraction, wing.segment == 1
    of_inner, of_outer = case.stroke.inner.twist, None
    if case.stroke.outer is not None:
        of_outer = case.stroke.outer.twist
    inner_free = of_inner is not None and of_inner.mode == "passive"
    outer_free = of_outer is not None and of_outer.mode == "passive"
    follows = of_outer is None or of_outer.root is None
    found = []
    if inner_free:
        carried = np.where(of_outer is None or outer_free, 1.0, 1.0 - eta) * follows
        found.append(_spring(of_inner, np.where(outer, carried, eta)))
    if outer_free:
        found.append(_spring(of_outer, np.where(outer, eta, 0.0)))

    def held(root1: Jet, tip1: Jet, root2: Jet, tip2: Jet) -> list[tuple[Jet, Jet]]:
        first = (root1, root1 if inner_free else tip1)
        start = first[1] if follows else root2
        return [first, (start, start if outer_free or of_outer is None else tip2)]

    return found, held


def _spring(twist: object, shape: Array) -> Spring:
    return Spring(
        shape,
        float(np.radians(twist.rest_deg)),  # type: ignore[attr-defined]
        twist.stiffness_n_m_rad,  # type: ignore[attr-defined]
        twist.damping_n_m_s_rad,  # type: ignore[attr-defined]
        *np.radians(twist.stops_deg or (-np.inf, np.inf)),  # type: ignore[attr-defined]
    )


def motion_without_twist(case: Case, held: Callable[..., list[tuple[Jet, Jet]]]) -> Array:
    """Rows of periodic functions for every strip, shape (15, n_strips, SAMPLES).

    Air velocity along the untwisted section's axes with rates, rotation rate and its rate by the
    hinges, the prescribed part of the twist with rate and acceleration, the products of the axes
    with their second derivatives, and gravity less the axis' acceleration along the axes.
    """
    finer = replace(case, model=replace(case.model, steps=SAMPLES))
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    angles = schedule_angles(finer, "starboard")
    none = Jet(*(np.zeros(SAMPLES),) * 3)
    untwisted = replace(
        angles,
        twist_inner_root=none,
        twist_inner_tip=none,
        twist_outer_root=none,
        twist_outer_tip=none,
    )
    plane = np.radians(case.stroke.plane_deg)
    motion = half_wing_motion(wing, untwisted, case.craft.shoulder_offset_m, plane)
    relative = air_velocity(case) - motion.axis.rate
    t, n = motion.chordwise, motion.normal
    spin, spin_rate = motion.spin()
    path = np.radians(case.flight.pitch_deg + case.flight.climb_deg)
    down = -STANDARD_GRAVITY * np.array([-np.sin(path), 0.0, np.cos(path)])
    falling = down - motion.axis.acceleration
    ends = held(
        angles.twist_inner_root,
        angles.twist_inner_tip,
        angles.twist_outer_root,
        angles.twist_outer_tip,
    )
    eta = wing.fraction[:, None]
    twist = [
        np.where(
            (wing.segment == 1)[:, None],
            *(
                (1.0 - eta) * getattr(root, order) + eta * getattr(tip, order)
                for root, tip in reversed(ends)
            ),
        )
        for order in ("value", "rate", "acceleration")
    ]
    return np.array(
        [
            inner(relative, t.value),
            inner(relative, n.value),
            inner(-motion.axis.acceleration, t.value) + inner(relative, t.rate),
            inner(-motion.axis.acceleration, n.value) + inner(relative, n.rate),
            spin,
            spin_rate,
            *twist,
            inner(t.value, t.acceleration),
            inner(t.value, n.acceleration),
            inner(n.value, t.acceleration),
            inner(n.value, n.acceleration),
            inner(falling, t.value),
            inner(falling, n.value),
        ]
    )
