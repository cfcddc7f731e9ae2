"""Section laws in velocities: what a strip feels from the downwash that makes its circulation.

``u`` is the air velocity along the chord toward the trailing edge, ``w`` the one along the normal,
``q`` the downwash that makes circulation. Every force is kept with the chord fraction at which it
acts until the moment about the twist axis is formed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.twin.jet import Array

PLATE_DRAG_BETWEEN_WALLS = 1.98


@dataclass(frozen=True)
class Flow:
    """What the strips of one segment meet; (n_strips, n_steps), per strip (n_strips, 1)."""

    density: float
    chord: Array
    twist_axis: float
    apparent_mass: bool
    u: Array
    u_rate: Array
    w_axis: Array
    w_axis_rate: Array
    spin: Array
    spin_rate: Array

    def normal_velocity(self, fraction: float) -> Array:
        """Air velocity along the normal at a fraction of the chord."""
        return self.w_axis + (fraction - self.twist_axis) * self.chord * self.spin

    def normal_velocity_rate(self, fraction: float) -> Array:
        """Rate of :meth:`normal_velocity`, as a scalar."""
        return self.w_axis_rate + (fraction - self.twist_axis) * self.chord * self.spin_rate

    @property
    def collocation(self) -> float:
        """Chord fraction whose downwash makes circulation."""
        return 0.75 if self.apparent_mass else 0.25


@dataclass
class Loads:
    """Forces per metre of span on the strips of one segment.

    Incidence and speed are those that the law goes by, after lag and induced velocity.
    """

    flow: Flow
    incidence: Array
    speed: Array
    attached: Array
    circulation: Array
    normal: Array = field(init=False)
    aft: Array = field(init=False)
    moment: Array = field(init=False)  # nose-up, about the twist axis
    profile_loss: Array = field(init=False)
    wake_loss: Array = field(init=False)

    def __post_init__(self) -> None:
        for name in ("normal", "aft", "moment", "profile_loss", "wake_loss"):
            setattr(self, name, np.zeros_like(self.flow.u))

    def add_normal(self, force: Array, fraction: float | Array) -> None:
        """Add a normal force that acts at a chord fraction."""
        self.normal += force
        self.moment -= force * (fraction - self.flow.twist_axis) * self.flow.chord

    def add_apparent_mass(self) -> None:
        """Add the inertia of the air: of its half-way velocity and of its rotation."""
        flow = self.flow
        mass = np.pi / 4.0 * flow.density * flow.chord**2
        inertia = np.pi / 128.0 * flow.density * flow.chord**4
        force = mass * flow.normal_velocity_rate(0.5)
        self.add_normal(force, 0.5)
        self.moment -= inertia * flow.spin_rate
        self.wake_loss += force * flow.normal_velocity(0.5) + inertia * flow.spin * flow.spin_rate


def attached_weight(attached: Array) -> Array:
    """Weight of the attached force: Kirchhoff's ((1 + sqrt f)/2)^2 stretched to [0, 1]."""
    return (((1.0 + np.sqrt(attached)) / 2.0) ** 2 - 0.25) / 0.75


@dataclass(frozen=True)
class Plate:
    """Thin airfoil (``stall`` None) or thin plate with stall.

    Attributes
    ----------
    camber : float
        Incidence without lift, sign changed, rad.
    suction : float
        Part of the leading-edge suction that is realised.
    friction : Array
        Friction coefficient of both sides, (n_strips, 1).
    drag_normal : float
        Drag coefficient normal to the stream.
    stall : tuple of float or None
        Incidences at which separation begins and is complete, rad.
    """

    camber: float
    suction: float
    friction: Array
    drag_normal: float
    stall: tuple[float, float] | None

    def _effective(self, flow: Flow, q: Array) -> tuple[Array, Array]:
        """Normal velocity at the collocation point and the one that makes suction and stall."""
        w = q - self.camber * flow.u
        return w, w - 0.25 * flow.chord * flow.spin * flow.apparent_mass

    def no_incidence(self, flow: Flow) -> Array:
        """Downwash at which the plate has no incidence."""
        return -self._effective(flow, np.zeros_like(flow.u))[1]

    def _direction(self, flow: Flow, q: Array) -> tuple[Array, Array, Array]:
        """Speed, sine and cosine of the incidence of the separated plate."""
        _, w = self._effective(flow, q)
        speed = np.hypot(flow.u, w)
        floor = np.maximum(speed, np.finfo(float).tiny)
        return speed, w / floor, flow.u / floor

    def attached(self, flow: Flow, q: Array) -> Array:
        """Part of the chord over which steady flow is attached."""
        _, sine, cosine = self._direction(flow, q)
        if self.stall is None:
            return np.ones_like(sine)
        onset, full = np.sin(self.stall)
        t = np.clip((np.abs(sine) - onset) / (full - onset), 0.0, 1.0)
        # One less the fifth-degree smooth step t^3 (10 - 15 t + 6 t^2), without cancellation: its
        # square root is taken, which would make 1e-8 of a rounding error.
        remains = (1.0 - t) ** 3 * (1.0 + 3.0 * t + 6.0 * t**2)
        return np.where(np.broadcast_to(cosine, sine.shape) > 0.0, remains, 0.0)

    def _separated_normal_force(self, flow: Flow, q: Array) -> Array:
        """Normal force of the separated plate (Lindenburg 2003)."""
        speed, sine, _ = self._direction(flow, q)
        coefficient = self.drag_normal * sine / (0.56 + 0.44 * np.abs(sine))
        return 0.5 * flow.density * flow.chord * speed**2 * coefficient

    def circulation(self, flow: Flow, q: Array, attached: Array | None = None) -> Array:
        """Circulation of the attached flow and of the separated lift, weighted.

        Of a separated plate only the lift is circulation (Kutta-Joukowski); its drag trails none.
        """
        g = attached_weight(self.attached(flow, q) if attached is None else attached)
        speed, sine, cosine = self._direction(flow, q)
        lift = self.drag_normal * sine * cosine / (0.56 + 0.44 * np.abs(sine))
        return g * np.pi * flow.chord * q + (1.0 - g) * 0.5 * flow.chord * speed * lift

    def trailed(self, flow: Flow, q: Array, attached: Array | None = None) -> Array:
        """Circulation as its trailing sheet has it, which lies downstream of either edge."""
        g = attached_weight(self.attached(flow, q) if attached is None else attached)
        bound_to_plate = g * np.pi * flow.chord * q
        separated = self.circulation(flow, q, attached) - bound_to_plate
        return bound_to_plate + np.where(flow.u < 0.0, -1.0, 1.0) * separated

    def unstalled(self, flow: Flow, q: Array) -> Array:
        """Circulation if the flow never separated."""
        return np.pi * flow.chord * q

    def loads(self, flow: Flow, q: Array, q_c: Array, attached: Array | None = None) -> Loads:
        """Loads at the downwash ``q`` of the motion and the effective downwash ``q_c``."""
        rho, c, u, spin = flow.density, flow.chord, flow.u, flow.spin
        f = self.attached(flow, q_c) if attached is None else attached
        g = attached_weight(f)
        w_c, w_m = self._effective(flow, q_c)
        speed, sine, cosine = self._direction(flow, q_c)
        loads = Loads(flow, np.arctan2(w_m, u), speed, f, self.circulation(flow, q_c, f))

        circulatory = g * np.pi * rho * c * u * q_c
        loads.add_normal(circulatory, 0.25)

        separated = (1.0 - g) * self._separated_normal_force(flow, q_c)
        pressure_point = 0.5 - 0.75 * cosine / (4.0 + np.pi * np.abs(sine))
        loads.add_normal(separated, pressure_point)

        # Camber pressure acts along the chord with the normal velocity of the mid-chord when the
        # circulation is that of the 3/4 chord, of the mid-chord too when it is that of the 1/4.
        w_camber = w_c + 0.25 * c * spin * (1.0 - 2.0 * flow.apparent_mass)
        loads.aft -= g * np.pi * rho * c * (self.suction * w_m**2 + self.camber * u * w_camber)
        skin_friction = 0.5 * rho * c * self.friction * speed * u
        loads.aft += skin_friction

        loads.moment -= g * np.pi / 4.0 * rho * c**2 * self.camber * u**2
        if flow.apparent_mass:
            loads.moment -= g * np.pi / 16.0 * rho * c**3 * u * spin
            loads.add_apparent_mass()

        lost_suction = g * (1.0 - self.suction) * np.pi * rho * c * u * w_m**2
        w_pressure_point = w_c + (pressure_point - flow.collocation) * c * spin
        loads.profile_loss += lost_suction + separated * w_pressure_point + skin_friction * u
        loads.wake_loss += (q - q_c) * (circulatory + separated)
        return loads


@dataclass(frozen=True)
class Table:
    """A polar over a full turn, one per strip, on a uniform grid of incidence.

    Attributes
    ----------
    lift, drag, moment, attached_length, lift_gain : (n_strips, n) arrays
        Coefficients from -180 to 180 degrees; moment about the quarter chord. ``lift_gain`` is
        the lift of the attached less that of the separated flow; ``unstalled_lift`` that of flow
        which never separates.
    """

    lift: Array
    drag: Array
    moment: Array
    attached_length: Array
    lift_gain: Array
    unstalled_lift: Array
    camber: float = 0.0

    def _look_up(self, column: Array, incidence: Array) -> Array:
        """Interpolate linearly, each strip in its own row."""
        intervals = column.shape[1] - 1
        place = (incidence + np.pi) / (2.0 * np.pi) * intervals
        left = np.clip(np.floor(place), 0, intervals - 1).astype(int)
        row = np.arange(len(column))[:, None]
        return column[row, left] + (place - left) * (column[row, left + 1] - column[row, left])

    def no_incidence(self, flow: Flow) -> Array:
        """Downwash without incidence."""
        return np.zeros_like(flow.u)

    def attached(self, flow: Flow, q: Array) -> Array:
        """Attached length that the lift curve implies."""
        return self._look_up(self.attached_length, np.arctan2(q, flow.u))

    def _lift(self, incidence: Array, attached: Array | None) -> Array:
        lift = self._look_up(self.lift, incidence)
        if attached is None:
            return lift
        steady = attached_weight(self._look_up(self.attached_length, incidence))
        gain = self._look_up(self.lift_gain, incidence)
        return lift + (attached_weight(attached) - steady) * gain

    def circulation(self, flow: Flow, q: Array, attached: Array | None = None) -> Array:
        """Circulation of the lift coefficient."""
        lift = self._lift(np.arctan2(q, flow.u), attached)
        return 0.5 * flow.chord * np.hypot(flow.u, q) * lift

    def trailed(self, flow: Flow, q: Array, attached: Array | None = None) -> Array:
        """Circulation as its trailing sheet has it, which lies downstream of either edge."""
        return np.where(flow.u < 0.0, -1.0, 1.0) * self.circulation(flow, q, attached)

    def unstalled(self, flow: Flow, q: Array) -> Array:
        """Circulation if the flow never separated."""
        lift = self._look_up(self.unstalled_lift, np.arctan2(q, flow.u))
        return 0.5 * flow.chord * np.hypot(flow.u, q) * lift

    def loads(self, flow: Flow, q: Array, q_c: Array, attached: Array | None = None) -> Loads:
        """Loads at the downwash ``q`` of the motion and the effective downwash ``q_c``."""
        rho, c, u, spin = flow.density, flow.chord, flow.u, flow.spin
        incidence, speed = np.arctan2(q_c, u), np.hypot(u, q_c)
        f = self.attached(flow, q_c) if attached is None else attached
        gamma = self.circulation(flow, q_c, attached)
        loads = Loads(flow, incidence, speed, f, gamma)

        # Lift is normal to the air at the quarter chord, which a turning section meets with
        # less normal velocity than the 3/4 chord; the drag is in line with the effective velocity.
        w_quarter = q_c - 0.5 * c * spin * flow.apparent_mass
        drag = 0.5 * rho * c * speed * self._look_up(self.drag, incidence)
        quarter_normal = rho * gamma * u + drag * q_c
        loads.add_normal(quarter_normal, 0.25)
        loads.aft += -rho * gamma * w_quarter + drag * u
        couple = 0.5 * rho * c**2 * speed**2 * self._look_up(self.moment, incidence)
        loads.moment += couple
        if flow.apparent_mass:
            loads.aft -= np.pi / 16.0 * rho * c**3 * spin**2
            loads.moment -= np.pi / 16.0 * rho * c**3 * u * spin
            loads.add_apparent_mass()
        loads.profile_loss += drag * (u**2 + q_c * w_quarter) - couple * spin
        loads.wake_loss += (q - q_c) * quarter_normal
        return loads


Law = Plate | Table


def friction_coefficient(law: str | float, factor: float, reynolds: Array) -> Array:
    """Friction coefficient of both sides: Blasius, Prandtl and Schlichting, or a number."""
    if law == "laminar":
        return factor * 2.0 * 1.328 / np.sqrt(reynolds)
    if law == "turbulent":
        return factor * 2.0 * 0.455 / np.log10(reynolds) ** 2.58
    return factor * float(law) * np.ones_like(reynolds)


def plate_drag(induced: str, aspect_ratio: float) -> float:
    """Drag coefficient of the plate normal to the stream (Viterna and Corrigan 1982)."""
    if induced == "none":
        return PLATE_DRAG_BETWEEN_WALLS
    return min(PLATE_DRAG_BETWEEN_WALLS, 1.11 + 0.018 * aspect_ratio)
