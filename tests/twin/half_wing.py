"""One half wing through one periodic cycle, strip by strip, in plain vectors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flapsim.case import Case, Section
from flapsim.case.tables import read_polar
from flapsim.half_wing.polar import GRID_DEG, polar_table, revolving_plate_table
from flapsim.wing import stroke as kinematics
from flapsim.wing.schedule import evaluate
from flapsim.wing.strips import Strips, strips
from tests.twin import wake
from tests.twin.induced import Circulation, LiftingLine, Slope
from tests.twin.jet import Y_AXIS, Z_AXIS, Array, Jet, constant, inner, rotation
from tests.twin.motion import Angles, Motion, half_wing_motion
from tests.twin.section import Flow, Law, Plate, Table, friction_coefficient, plate_drag

REYNOLDS_FLOOR = 1000.0


@dataclass(frozen=True)
class TwinResult:
    """One half wing over one cycle.

    Attributes
    ----------
    strips : Strips
    motion : Motion
    angles : Angles
        Schedules of this half, (n_steps,).
    velocities : dict of (n_strips, n_steps) arrays
        ``u``, ``w_axis`` and their rates; ``spin`` and its rate; ``downwash`` of the motion,
        ``lagged_downwash``, ``effective_downwash``.
    fields : dict of (n_strips, n_steps) arrays
        Per metre of span, under the names of the per-strip results of a cycle.
    force, moment : (2, n_steps, 3) arrays
        Per segment, design axes; moment about their origin, N and N m.
    force_hinge : (2, n_steps, 3) array
        Force in the frame of the tilted stroke plane, N.
    aero_power, wake_loss, profile_loss, inertial_power, kinetic_energy : (2, n_steps) arrays
        Per segment, W and J.
    torque, rate : dict of (n_steps,) arrays
        What the air does along each degree of freedom and how fast that moves; N m and rad/s,
        for the heave N and m/s. The keys are those of `Angles`.
    """

    strips: Strips
    motion: Motion
    angles: Angles
    velocities: dict[str, Array]
    fields: dict[str, Array]
    force: Array
    moment: Array
    force_hinge: Array
    aero_power: Array
    wake_loss: Array
    profile_loss: Array
    inertial_power: Array
    kinetic_energy: Array
    torque: dict[str, Array]
    rate: dict[str, Array]


@dataclass(frozen=True)
class _Sections:
    """The segments of a half wing, each with its flow and its law."""

    parts: list[slice]
    flows: list[Flow]
    laws: list[Law]

    def join(self, what: str, *arguments: Array | None) -> Array:
        """Ask the law of every segment, with its own part of the arguments."""
        return np.concatenate(
            [
                getattr(law, what)(flow, *_portion(part, arguments))
                for part, flow, law in zip(self.parts, self.flows, self.laws, strict=True)
            ],
            axis=-2,
        )

    def flow(self, name: str) -> Array:
        """Join a quantity of the flow."""
        return np.concatenate([getattr(flow, name) for flow in self.flows])


def _portion(part: slice, arguments: tuple[Array | None, ...]) -> list[Array | None]:
    return [None if array is None else array[..., part, :] for array in arguments]


@dataclass(frozen=True)
class _Solution:
    """Effective downwash of a half wing, and the stages that led to it.

    A stage is the attached length that was held, None for that of steady flow, and the effective
    downwash it led to.
    """

    wing: Strips
    angles: Angles
    motion: Motion
    sections: _Sections
    downwash: Array
    lagged: Array
    stages: list[tuple[Array | None, Array]]


def solve_half(case: Case, side: str) -> _Solution:
    """Solve for the effective downwash of one half wing."""
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    plane = np.radians(case.stroke.plane_deg)
    angles = schedule_angles(case, side)
    motion = half_wing_motion(wing, angles, case.craft.shoulder_offset_m, plane)
    sections = _sections(case, wing, motion)

    step = 1.0 / (case.stroke.frequency_hz * case.model.steps)
    travel_rate = 2.0 * np.hypot(sections.flow("u"), sections.flow("w_axis")) / wing.chord[:, None]
    downwash, downwash_rate = _motion_downwash(sections)
    lagged = downwash
    if case.model.wake == "indicial":
        terms = wake.lag_terms(case.model.wake_lag, wing.aspect_ratio)
        lagged = wake.lagged_downwash(downwash, downwash_rate, travel_rate, step, terms)

    effective = effective_downwash(case, wing, sections, lagged, None)
    stages: list[tuple[Array | None, Array]] = [(None, effective)]
    if case.model.stall == "lagged":
        steady = sections.join("attached", effective)
        attached = wake.lagged_attachment(steady, travel_rate, step)
        stages.append((attached, effective_downwash(case, wing, sections, lagged, attached)))
    return _Solution(wing, angles, motion, sections, downwash, lagged, stages)


def answers(case: Case, side: str = "starboard") -> int:
    """Return the most answers that the equation of the induced velocity has at any instant."""
    solution = solve_half(case, side)
    wing, sections, lagged = solution.wing, solution.sections, solution.lagged
    most = 1
    for attached, _ in solution.stages:
        circulation = _circulation(sections, attached)
        if case.model.induced == "slope":
            most = max(most, int(_slope(wing, sections, lagged, circulation).answers().max()))
        elif case.model.induced == "lifting-line":
            line = _lifting_line(case, wing, sections, lagged)
            most = max(most, int(line.answers(lagged, circulation).max()))
    return most


def simulate_half(case: Case, side: str = "starboard") -> TwinResult:
    """Compute one half wing over one cycle; the port half as if it were the starboard one."""
    solution = solve_half(case, side)
    sections, downwash, lagged = solution.sections, solution.downwash, solution.lagged
    attached, effective = solution.stages[-1]
    loads = [
        law.loads(flow, *_portion(part, (downwash, effective, attached)))
        for part, flow, law in zip(sections.parts, sections.flows, sections.laws, strict=True)
    ]
    per_metre = {
        name: np.concatenate([getattr(segment, name) for segment in loads])
        for name in (
            "incidence",
            "speed",
            "attached",
            "circulation",
            "normal",
            "aft",
            "moment",
            "profile_loss",
            "wake_loss",
        )
    }
    velocities = {
        name: sections.flow(name)
        for name in ("u", "u_rate", "w_axis", "w_axis_rate", "spin", "spin_rate")
    } | {"downwash": downwash, "lagged_downwash": lagged, "effective_downwash": effective}
    return _collect(case, solution, velocities, per_metre)


def schedule_angles(case: Case, side: str) -> Angles:
    """Return the schedules of one half and their time derivatives at the instants of the case."""
    rows, _ = kinematics.stroke_schedules(case.stroke, side, case.folder)
    tau = 2.0 * np.pi * np.arange(case.model.steps) / case.model.steps
    circular = 2.0 * np.pi * case.stroke.frequency_hz

    def schedule(row: int) -> Jet:
        value, rate, acceleration = evaluate(rows[row], tau)
        return Jet(value, circular * rate, circular**2 * acceleration)

    return Angles(
        plunge_inner=schedule(kinematics.PLUNGE_INNER),
        plunge_outer=schedule(kinematics.PLUNGE_OUTER),
        sweep_outer=schedule(kinematics.SWEEP_OUTER),
        twist_inner_root=schedule(kinematics.TWIST_INNER_ROOT),
        twist_inner_tip=schedule(kinematics.TWIST_INNER_TIP),
        twist_outer_root=schedule(kinematics.TWIST_OUTER_ROOT),
        twist_outer_tip=schedule(kinematics.TWIST_OUTER_TIP),
        heave=schedule(kinematics.HEAVE),
    )


def air_velocity(case: Case) -> Array:
    """Return the velocity of the undisturbed air in design axes, m/s."""
    pitch = np.radians(case.flight.pitch_deg)
    return case.flight.airspeed_m_s * np.array([np.cos(pitch), 0.0, np.sin(pitch)])


def _sections(case: Case, wing: Strips, motion: Motion) -> _Sections:
    """Return the flow that each segment meets and its section law at its Reynolds numbers."""
    relative = air_velocity(case) - motion.axis.rate
    relative_rate = -motion.axis.acceleration
    t, n = motion.chordwise, motion.normal
    u, w = inner(relative, t.value), inner(relative, n.value)
    u_rate = inner(relative_rate, t.value) + inner(relative, t.rate)
    w_rate = inner(relative_rate, n.value) + inner(relative, n.rate)
    spin, spin_rate = motion.spin()
    chord = wing.chord[:, None]
    speed = np.sqrt(np.mean(u**2 + w**2, axis=1, keepdims=True))
    reynolds = np.maximum(speed * chord / case.air.kinematic_viscosity, REYNOLDS_FLOOR)

    result = _Sections([], [], [])
    segments = [case.wing.inner] if case.wing.outer is None else [case.wing.inner, case.wing.outer]
    first = 0
    for segment in segments:
        part = slice(first, first + segment.strips)
        first = part.stop
        section = case.wing.section if segment.section is None else segment.section
        flow = Flow(
            density=case.air.density,
            chord=chord[part],
            twist_axis=case.wing.twist_axis,
            apparent_mass=case.model.apparent_mass,
            u=u[part],
            u_rate=u_rate[part],
            w_axis=w[part],
            w_axis_rate=w_rate[part],
            spin=spin[part],
            spin_rate=spin_rate[part],
        )
        result.parts.append(part)
        result.flows.append(flow)
        result.laws.append(_law(case, section, wing.aspect_ratio, reynolds[part]))
    return result


def _law(case: Case, section: Section, aspect_ratio: float, reynolds: Array) -> Law:
    """Return a section law at the Reynolds numbers (n_strips, 1) of its strips."""
    drag_normal = plate_drag(case.model.induced, aspect_ratio)
    if section.law in ("thin-airfoil", "thin-plate"):
        middle, half = np.radians([section.stall_deg, 0.5 * section.stall_width_deg])
        return Plate(
            camber=-np.radians(section.zero_lift_deg),
            suction=section.suction,
            friction=friction_coefficient(section.friction, section.friction_factor, reynolds),
            drag_normal=drag_normal,
            stall=None if section.law == "thin-airfoil" else (middle - half, middle + half),
        )
    if section.law == "revolving-plate":
        table = revolving_plate_table()
    else:
        polar = read_polar(case.folder / section.file)
        table = polar_table(
            polar.alpha_deg, polar.reynolds, polar.cl, polar.cd, polar.cm, drag_normal
        )
    assert np.array_equal(GRID_DEG, np.linspace(-180.0, 180.0, len(GRID_DEG)))
    columns = _at_reynolds(table.log_reynolds, table.values, np.log(reynolds[:, 0]))
    return Table(*(columns[:, k] for k in range(6)))


def _at_reynolds(known: Array, values: Array, wanted: Array) -> Array:
    """Blend tables (k, columns, n) linearly in log Re, held beyond the first and the last."""
    weights = np.array([np.interp(wanted, known, unit) for unit in np.eye(len(known))])
    return np.einsum("ks,kcn->scn", weights, values)


def _motion_downwash(sections: _Sections) -> tuple[Array, Array]:
    """Downwash that the motion makes at the collocation point, camber included, and its rate."""
    pairs = [
        (
            flow.normal_velocity(flow.collocation) + law.camber * flow.u,
            flow.normal_velocity_rate(flow.collocation) + law.camber * flow.u_rate,
        )
        for flow, law in zip(sections.flows, sections.laws, strict=True)
    ]
    downwash, rate = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
    return downwash, rate


def effective_downwash(
    case: Case, wing: Strips, sections: _Sections, lagged: Array, attached: Array | None
) -> Array:
    """Downwash that is left once the trailing sheet has taken its part."""

    if case.model.induced == "none":
        return lagged
    circulation = _circulation(sections, attached)
    if case.model.induced == "slope":
        return _slope(wing, sections, lagged, circulation).effective_downwash()
    return _lifting_line(case, wing, sections, lagged).effective_downwash(lagged, circulation)


def _circulation(sections: _Sections, attached: Array | None) -> Circulation:
    """Trailed circulation of all strips as a function of the effective downwash."""

    def circulation(q: Array) -> Array:
        return sections.join("trailed", q, attached)

    return circulation


def _slope(wing: Strips, sections: _Sections, lagged: Array, circulation: Circulation) -> Slope:
    """Equation of the induced velocity strip by strip."""
    return Slope(lagged, sections.flow("u"), sections.join("no_incidence"), wing, circulation)


def _lifting_line(case: Case, wing: Strips, sections: _Sections, lagged: Array) -> LiftingLine:
    """Equation of the induced velocity of all strips together."""
    speed = float(np.max(np.hypot(sections.flow("u"), lagged))) + np.finfo(float).tiny
    return LiftingLine(wing, case.modes, speed, lambda q: sections.join("unstalled", q))


def _collect(
    case: Case,
    solution: _Solution,
    velocities: dict[str, Array],
    per_metre: dict[str, Array],
) -> TwinResult:
    """Resolve the strip loads into vectors and sum them over each segment."""
    wing, motion, angles = solution.wing, solution.motion, solution.angles
    pitch = np.radians(case.flight.pitch_deg)
    up = np.array([-np.sin(pitch), 0.0, np.cos(pitch)])
    forward = -np.array([np.cos(pitch), 0.0, np.sin(pitch)])
    normal, aft, moment = per_metre["normal"], per_metre["aft"], per_metre["moment"]
    force = normal[..., None] * motion.normal.value + aft[..., None] * motion.chordwise.value
    couple = moment[..., None] * motion.spanwise.value
    power = -(inner(force, motion.axis.rate) + moment * velocities["spin"])
    kinetic, inertial = _kinetic_energy(wing, motion, case.wing.twist_axis)

    width = wing.width[:, None]
    segments = [wing.segment == segment for segment in (0, 1)]

    def per_segment(density: Array) -> Array:
        weighted = density * width.reshape(-1, *(1,) * (density.ndim - 1))
        return np.array([np.sum(weighted[here], axis=0) for here in segments])

    force_sum = per_segment(force)
    torque, rate = _generalised(wing, motion, angles, force, couple)
    fields = {
        "incidence_deg": np.degrees(per_metre["incidence"]),
        "attached_fraction": per_metre["attached"],
        "circulation_m2_s": per_metre["circulation"],
        "induced_velocity_m_s": velocities["lagged_downwash"] - velocities["effective_downwash"],
        "relative_speed_m_s": per_metre["speed"],
        "normal_force_n_m": normal,
        "chordwise_force_n_m": aft,
        "moment_n_m_m": moment,
        "lift_n_m": force @ up,
        "thrust_n_m": force @ forward,
        "power_w_m": power,
        "wake_loss_w_m": per_metre["wake_loss"],
        "profile_loss_w_m": per_metre["profile_loss"],
    }
    plane = rotation(Y_AXIS, constant(np.array(np.radians(case.stroke.plane_deg)))).value
    return TwinResult(
        strips=wing,
        motion=motion,
        angles=angles,
        velocities=velocities,
        fields=fields,
        force=force_sum,
        moment=per_segment(np.cross(motion.axis.value, force) + couple),
        force_hinge=force_sum @ plane,
        aero_power=per_segment(power),
        wake_loss=per_segment(per_metre["wake_loss"]),
        profile_loss=per_segment(per_metre["profile_loss"]),
        inertial_power=per_segment(inertial),
        kinetic_energy=per_segment(kinetic),
        torque=torque,
        rate=rate,
    )


def _generalised(
    wing: Strips, motion: Motion, angles: Angles, force: Array, couple: Array
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Moments of the air about the axes of the joints, from arms and cross products."""
    width = wing.width[:, None]
    outer = (wing.segment == 1)[:, None]
    about_shoulder = np.cross(motion.axis.value - motion.shoulder, force) + couple
    about_wrist = np.cross(motion.axis.value - motion.wrist, force) + couple
    about_span = inner(couple, motion.spanwise.value)
    eta = wing.fraction[:, None]
    density = {
        "plunge_inner": inner(about_shoulder, motion.plunge_axis),
        "plunge_outer": outer * inner(about_wrist, motion.plunge_axis),
        "sweep_outer": outer * inner(about_wrist, motion.sweep_axis),
        "twist_inner_root": ~outer * (1.0 - eta) * about_span,
        "twist_inner_tip": ~outer * eta * about_span,
        "twist_outer_root": outer * (1.0 - eta) * about_span,
        "twist_outer_tip": outer * eta * about_span,
        "heave": force @ Z_AXIS,
    }
    torque = {name: np.sum(width * values, axis=0) for name, values in density.items()}
    rate = {name: getattr(angles, name).rate for name in density}
    return torque, rate


def _kinetic_energy(wing: Strips, motion: Motion, twist_axis: float) -> tuple[Array, Array]:
    """Kinetic energy per metre of span and its rate: spar on the axis, skin over the chord.

    A skin element at the distance x behind the axis moves with the axis' velocity plus x times
    the rate of the chordwise vector; x and x squared are averaged over the chord.
    """
    chord, skin, spar = (v[:, None] for v in (wing.chord, wing.skin, wing.spar))
    arm = (0.5 - twist_axis) * chord
    square = chord**2 / 12.0 + arm**2
    velocity, acceleration = motion.axis.rate, motion.axis.acceleration
    turn, turn_rate = motion.chordwise.rate, motion.chordwise.acceleration
    kinetic = 0.5 * (spar + skin * chord) * inner(velocity, velocity) + skin * chord * (
        arm * inner(velocity, turn) + 0.5 * square * inner(turn, turn)
    )
    rate = (spar + skin * chord) * inner(velocity, acceleration) + skin * chord * (
        arm * (inner(acceleration, turn) + inner(velocity, turn_rate))
        + square * inner(turn, turn_rate)
    )
    return kinetic, rate
