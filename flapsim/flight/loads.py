"""Structural loads: bending, shear and torsion along the starboard wing, hinge and crank forces.

The air loads come from the cycle; the wing's mass adds its inertia (d'Alembert) and its weight.
Segments are rigid and the body flies steadily; `flapsim.flight.spar` sizes and checks spars.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from flapsim.constants import STANDARD_GRAVITY
from flapsim.cycle.simulate import Cycle
from flapsim.quantities import SPAN_LOADS
from flapsim.wing.motion import StripMotion, strip_motion
from flapsim.wing.schedule import HARMONICS, evaluate
from flapsim.wing.strips import Strips, strips
from flapsim.wing.stroke import PLUNGE_INNER, SCHEDULES, TWIST_INNER_ROOT, TWIST_OUTER_TIP

Array = NDArray[np.float64]
Cause = Literal["air", "inertia", "weight"]

CAUSES: tuple[Cause, ...] = ("air", "inertia", "weight")
"""What loads the wing."""

STATIONS = 33
"""Cuts per segment, from hinge to end."""

_MOTIONS = (
    "inner_plunge_deg",
    "outer_plunge_deg",
    "outer_sweep_deg",
    "inner_twist_root_deg",
    "inner_twist_tip_deg",
    "outer_twist_root_deg",
    "outer_twist_tip_deg",
    "heave_m",
)

# A uniform rod along the chord moves as three point masses do: a sixth at either edge and two
# thirds in the middle have its mass, its centre and its moment of inertia (Simpson's rule).
_ROD_POINTS = ((0.0, 1.0 / 6.0), (0.5, 2.0 / 3.0), (1.0, 1.0 / 6.0))


@dataclass(frozen=True)
class LineLoads:
    """Loads per metre of span of every starboard strip; body design axes.

    Attributes
    ----------
    force : ndarray, shape (3, n_strips, n)
        On the twist axis, N/m.
    couple : ndarray, shape (3, n_strips, n)
        Moment about the twist axis, N.
    """

    force: Array
    couple: Array


@dataclass(frozen=True)
class Joint:
    """Load of the wing outboard of a hinge on it; body design axes.

    Attributes
    ----------
    force : ndarray, shape (3, n)
        N.
    moment : ndarray, shape (3, n)
        N m.
    plunge_moment : ndarray, shape (n,)
        Moment about the hinge's plunge axis, tip-up, which its drive holds, N m.
    """

    force: Array
    moment: Array
    plunge_moment: Array

    @property
    def peak_force(self) -> float:
        """Largest size of the force that the hinge passes on, N."""
        return float(np.sqrt((self.force**2).sum(axis=0)).max())


@dataclass(frozen=True)
class SpanLoads:
    """Loads along the starboard wing through the stroke.

    Attributes
    ----------
    phase : ndarray, shape (n,)
        rad.
    segment : ndarray, shape (k,)
        Of each cut: 0 inner, 1 outer.
    distance : ndarray, shape (k,)
        Of each cut from its segment's hinge, m.
    span_position : ndarray, shape (k,)
        Of each cut from the plane of symmetry with the wing stretched out, m.
    cuts : dict of str to ndarray, shape (k, n)
        Names and units in `SPAN_LOADS`; along the axes of the segment, which do not twist.
    wrist : Joint or None
        None for a wing of one segment.
    """

    phase: Array
    segment: NDArray[np.int64]
    distance: Array
    span_position: Array
    cuts: dict[str, Array]
    shoulder: Joint
    wrist: Joint | None


def span_loads(cycle: Cycle, causes: Sequence[Cause] = CAUSES) -> SpanLoads:
    """Bending, shear and torsion along the starboard wing through the stroke.

    Parameters
    ----------
    cycle : Cycle
        A computed cycle.
    causes : sequence of {"air", "inertia", "weight"}
        Which loads to count; all if left out.

    Notes
    -----
    A cut carries the integral of the loads outboard of it, and their moment about it. The loads
    between the strips are the polynomial through them, segment by segment, so that the sums at a
    hinge are those of the strips themselves.
    """
    wing = strips(cycle.case.wing, cycle.case.craft.shoulder_offset_m)
    line = _summed([line_loads(cycle, cause) for cause in causes], wing, cycle)
    axes = _segment_axes(cycle, wing)
    hinge_axis = axes[0].chordwise
    free = np.zeros((3, cycle.phase.size))
    outboard = Joint(force=free, moment=free, plunge_moment=free[0])
    joints: list[Joint] = []
    parts: list[dict[str, Array]] = []
    lengths = _lengths(cycle)
    for index in reversed(range(len(lengths))):
        here = wing.segment == index
        force, moment = _cut_loads(
            line.force[:, here], line.couple[:, here], axes[index].spanwise, lengths[index],
            outboard,
        )  # fmt: skip
        parts.insert(0, _resolved(force, moment, axes[index]))
        outboard = Joint(force[:, 0], moment[:, 0], _along(moment[:, 0], hinge_axis))
        joints.insert(0, outboard)
    return SpanLoads(
        phase=cycle.phase,
        segment=np.repeat(np.arange(len(lengths)), STATIONS),
        distance=np.concatenate([np.linspace(0.0, length, STATIONS) for length in lengths]),
        span_position=cycle.case.craft.shoulder_offset_m
        + np.concatenate(
            [
                sum(lengths[:index]) + np.linspace(0.0, length, STATIONS)
                for index, length in enumerate(lengths)
            ]
        ),
        cuts={name: np.concatenate([part[name] for part in parts]) for name in SPAN_LOADS},
        shoulder=joints[0],
        wrist=joints[1] if len(joints) > 1 else None,
    )


def line_loads(cycle: Cycle, cause: Cause) -> LineLoads:
    """Loads per metre of span of one cause on every starboard strip.

    The cause is ``air``, ``weight`` or ``inertia`` (d'Alembert's: minus mass times acceleration).
    """
    wing = strips(cycle.case.wing, cycle.case.craft.shoulder_offset_m)
    if cause == "air":
        motion = _motion(cycle, wing)
        fields = cycle.strips
        return LineLoads(
            fields["normal_force_n_m"] * motion.normal
            + fields["chordwise_force_n_m"] * motion.chordwise,
            fields["moment_n_m_m"] * motion.spanwise,
        )
    axis = _motion(cycle, wing)
    zeros = np.zeros_like(axis.position)
    force, couple = zeros.copy(), zeros.copy()
    masses = [(axis, wing.spar)]
    for fraction, part in _ROD_POINTS:
        masses.append((_motion(cycle, wing, fraction), part * wing.skin * wing.chord))
    down = -STANDARD_GRAVITY * _up(cycle)[:, None, None]
    for point, mass in masses:
        field = down if cause == "weight" else -point.acceleration
        pull = mass[:, None] * field + zeros
        force += pull
        couple += np.cross(point.position - axis.position, pull, axis=0)
    return LineLoads(force, couple)


def wing_kinetic_energy(cycle: Cycle) -> Array:
    """Kinetic energy of the starboard wing relative to the body, J, shape (n,)."""
    wing = strips(cycle.case.wing, cycle.case.craft.shoulder_offset_m)
    masses = [(_motion(cycle, wing), wing.spar)]
    for fraction, part in _ROD_POINTS:
        masses.append((_motion(cycle, wing, fraction), part * wing.skin * wing.chord))
    energy = np.zeros_like(cycle.phase)
    for point, mass in masses:
        energy += 0.5 * (wing.width * mass) @ (point.velocity**2).sum(axis=0)
    return energy


# --- motion of the wing ------------------------------------------------------------------------


def _motion(cycle: Cycle, wing: Strips, chord_fraction: float | None = None) -> StripMotion:
    return strip_motion(
        wing,
        motion_schedules(cycle),
        cycle.case.stroke.frequency_hz,
        cycle.case.craft.shoulder_offset_m,
        math.radians(cycle.case.stroke.plane_deg),
        cycle.phase,
        cycle.case.wing.twist_axis,
        chord_fraction,
    )


def motion_schedules(cycle: Cycle) -> Array:
    """Fourier coefficients of the motion of a cycle, rad and m, shape (8, 2 HARMONICS + 1).

    Read back from its series, so of what its steps resolve, whatever caused the motion.
    """
    count = cycle.phase.size
    kept = min(HARMONICS, count // 2 - 1)
    out = np.zeros((SCHEDULES, 2 * HARMONICS + 1))
    for row, name in enumerate(_MOTIONS):
        unit = 1.0 if name == "heave_m" else math.pi / 180.0
        part = np.fft.rfft(unit * cycle.series[name]) / count
        out[row, 0] = part[0].real
        out[row, 1 : kept + 1] = 2.0 * part[1 : kept + 1].real
        out[row, HARMONICS + 1 : HARMONICS + 1 + kept] = -2.0 * part[1 : kept + 1].imag
    return out


def _segment_axes(cycle: Cycle, wing: Strips) -> list[StripMotion]:
    """Per segment, unit vectors (3, n) that plunge and sweep with it but do not twist."""
    plane = math.radians(cycle.case.stroke.plane_deg)
    schedules = motion_schedules(cycle)
    schedules[TWIST_INNER_ROOT : TWIST_OUTER_TIP + 1] = 0.0
    # Twist is measured from the body's axis; the segment's own chord line lies in the hinge frame.
    schedules[TWIST_INNER_ROOT : TWIST_OUTER_TIP + 1, 0] = plane
    untwisted = strip_motion(
        wing, schedules, 1.0, cycle.case.craft.shoulder_offset_m, plane, cycle.phase,
        cycle.case.wing.twist_axis,
    )  # fmt: skip
    first = [int(np.argmax(wing.segment == index)) for index in range(int(wing.segment[-1]) + 1)]
    return [StripMotion(*(vector[:, strip] for vector in untwisted)) for strip in first]


def _up(cycle: Cycle) -> Array:
    """Unit vector away from the earth in body design axes, shape (3,)."""
    flight = cycle.case.flight
    nose = math.radians(flight.pitch_deg + flight.climb_deg)
    return np.array([-math.sin(nose), 0.0, math.cos(nose)])


# --- from strips to cuts -----------------------------------------------------------------------


def _summed(parts: list[LineLoads], wing: Strips, cycle: Cycle) -> LineLoads:
    zeros = np.zeros((3, wing.segment.size, cycle.phase.size))
    return LineLoads(
        sum((part.force for part in parts), zeros), sum((part.couple for part in parts), zeros)
    )


def _lengths(cycle: Cycle) -> list[float]:
    wing = cycle.case.wing
    return [wing.inner.length_m] + ([] if wing.outer is None else [wing.outer.length_m])


def _cut_loads(
    force: Array, couple: Array, spanwise: Array, length: float, outboard: Joint
) -> tuple[Array, Array]:
    """Force and moment, (3, STATIONS, n), at the cuts of one segment."""
    beyond, arm = outboard_integrals(force.shape[1], STATIONS)
    total = length * np.einsum("ks,csn->ckn", beyond, force)
    lever = length**2 * np.einsum("ks,csn->ckn", arm, force)
    moment = np.cross(spanwise[:, None], lever, axis=0)
    moment += length * np.einsum("ks,csn->ckn", beyond, couple)
    to_end = length * (1.0 - np.linspace(0.0, 1.0, STATIONS))
    reach = to_end[:, None] * np.cross(spanwise, outboard.force, axis=0)[:, None]
    return total + outboard.force[:, None], moment + reach + outboard.moment[:, None]


def outboard_integrals(strip_count: int, cut_count: int) -> tuple[Array, Array]:
    """Integrals outboard of evenly spaced cuts of what is known at Gauss-Legendre stations.

    Parameters
    ----------
    strip_count : int
        Stations of the segment.
    cut_count : int
        Cuts from the hinge to the end.

    Returns
    -------
    load, moment : ndarray, shape (cut_count, strip_count)
        Weights of the values at the stations for the integral of f, and of (x - cut) f, from each
        cut to the end of a segment of unit length.

    Notes
    -----
    The polynomial through the stations, in Legendre polynomials, is integrated once and, for the
    moment, once more: the integral of (x - cut) f equals that of the integral of f beyond x.
    """
    node, weight = legendre.leggauss(strip_count)
    cut = np.linspace(-1.0, 1.0, cut_count)
    order = np.arange(strip_count)
    # Coefficients of the polynomial through the stations: projection is exact at this degree.
    fit = (order + 0.5)[:, None] * legendre.legvander(node, strip_count - 1).T * weight
    once = legendre.legint(np.eye(strip_count), lbnd=1.0)
    twice = legendre.legint(np.eye(strip_count), m=2, lbnd=1.0)
    load = -legendre.legval(cut, once).T @ fit / 2.0
    moment = legendre.legval(cut, twice).T @ fit / 4.0
    return load, moment


def _resolved(force: Array, moment: Array, axes: StripMotion) -> dict[str, Array]:
    chord, normal, span = (
        vector[:, None] for vector in (axes.chordwise, axes.normal, axes.spanwise)
    )
    # (chord, span, normal) is right-handed: a force up at a span turns about the chord.
    return {
        "flap_bending_n_m": _along(moment, chord),
        "in_plane_bending_n_m": -_along(moment, normal),
        "torsion_n_m": _along(moment, span),
        "flap_shear_n": _along(force, normal),
        "in_plane_shear_n": _along(force, chord),
        "tension_n": _along(force, span),
    }


def _along(vector: Array, direction: Array) -> Array:
    return np.asarray((vector * direction).sum(axis=0))


# --- hinge and crank ---------------------------------------------------------------------------


@dataclass(frozen=True)
class CrankForces:
    """Moment at the shoulder and forces at the crank that drives both wings.

    Attributes
    ----------
    hinge_moment : ndarray, shape (n,)
        Of the drive at one shoulder, net of the balance spring, tip-up, N m.
    crank_torque : ndarray, shape (n,)
        That turns the crank at constant speed for the plunge of both wings, N m.
    tangential_force : float
        Largest tangential force at the crank, N; NaN without a known crank.
    rod_force : float
        Least that the largest force in the rod of one wing can be, with the rod square to the
        rocker, N; NaN without a known rocker.
    """

    hinge_moment: Array
    crank_torque: Array
    tangential_force: float
    rod_force: float


def crank_forces(
    cycle: Cycle,
    loads: SpanLoads,
    crank: float | None = None,
    rocker: float | None = None,
) -> CrankForces:
    """Moment at the shoulder hinge and forces of the crank that holds it.

    Parameters
    ----------
    cycle : Cycle
        A computed cycle.
    loads : SpanLoads
        Its loads.
    crank, rocker : float, optional
        Lengths of crank and rocker, m; those of the linkage where the inner plunge has one.

    Notes
    -----
    The crank torque follows from virtual work at constant crank speed: moment times
    d(plunge)/d(crank angle). Plunge of the inner segment only: what drives wrist and twist takes
    its own share.
    """
    schedule = cycle.case.stroke.inner.plunge
    if schedule.shape == "linkage":
        crank = schedule.crank_m if crank is None else crank
        rocker = schedule.rocker_m if rocker is None else rocker
    plunge, per_turn, _ = evaluate(motion_schedules(cycle)[PLUNGE_INNER], cycle.phase)
    drive = cycle.case.drive
    spring = drive.balance_spring if drive is not None else None
    held = loads.shoulder.plunge_moment.copy()
    if spring is not None:
        held -= 0.5 * (spring.moment_n_m + spring.stiffness_n_m_rad * plunge)
    torque = -2.0 * held * per_turn
    return CrankForces(
        hinge_moment=held,
        crank_torque=torque,
        tangential_force=math.nan if crank is None else float(np.abs(torque).max()) / crank,
        rod_force=math.nan if rocker is None else float(np.abs(held).max()) / rocker,
    )
