"""Round tube spars: stress, deflection, twist and mass of each segment, and the lightest tube.

Answers: how hard is a tube of this size worked by these loads, how far does it bend, and which is
the least tube that would do? The tube carries everything; ribs and skin carry nothing. Does not
answer what a bending wing does to the air: that is the limit of rigid segments, and it is flagged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flapsim.flight.loads import SpanLoads

Array = NDArray[np.float64]

RIGID_LIMIT = 0.1
"""Deflection of the tip, part of the semispan, beyond which segments are not rigid."""

WALL_PART = 0.1
"""Wall of a tube that is sized here, part of its outer diameter; common practice, no source."""

TWIST_LIMIT = math.radians(5.0)
"""Twist of a tube under torsion beyond which the twist of the case is no longer the wing's; our
choice."""

SAFETY = 2.0
"""Allowable stress over stress of a tube that is sized here; common practice, no source."""

STIFFNESS_PART = 0.05
"""Deflection of a segment of a tube that is sized here, part of its length; our choice."""


@dataclass(frozen=True)
class Material:
    """What a tube is made of.

    Attributes
    ----------
    modulus, shear_modulus : float
        Pa.
    allowable : float
        Largest stress it may carry, Pa.
    density : float
        kg/m^3.
    """

    modulus: float
    shear_modulus: float
    allowable: float
    density: float


CARBON = Material(modulus=120e9, shear_modulus=5e9, allowable=500e6, density=1600.0)
"""Pultruded carbon-fibre tube, fibres along it; common practice, no source. Your maker's data go
first: joints, wrapped layers and damage change all four."""


@dataclass(frozen=True)
class Tube:
    """Round tube.

    Attributes
    ----------
    diameter : float
        Outer, m.
    wall : float
        m; half the diameter for a solid rod.

    Raises
    ------
    ValueError
        If there is no such tube.
    """

    diameter: float
    wall: float
    material: Material = CARBON

    def __post_init__(self) -> None:
        if not (self.diameter > 0.0 and 0.0 < self.wall <= 0.5 * self.diameter):
            raise ValueError(
                f"a tube of {1e3 * self.diameter:g} mm with a wall of {1e3 * self.wall:g} mm:"
                " expected a wall above 0 and at most half the diameter"
            )

    @property
    def bore(self) -> float:
        """Inner diameter, m."""
        return self.diameter - 2.0 * self.wall

    @property
    def area(self) -> float:
        """Of the cross-section, m^2."""
        return math.pi / 4.0 * (self.diameter**2 - self.bore**2)

    @property
    def second_moment(self) -> float:
        """Second moment of area about a diameter, m^4; twice that about the axis."""
        return math.pi / 64.0 * (self.diameter**4 - self.bore**4)

    @property
    def mass_per_length(self) -> float:
        """kg/m."""
        return self.material.density * self.area


@dataclass(frozen=True)
class SparState:
    """One segment's tube through the stroke.

    Attributes
    ----------
    mass : float
        Of one wing's tube of this segment, kg.
    stress : float
        Largest equivalent stress (von Mises: bending, tension and torsion), Pa.
    stress_distance, stress_phase : float
        Where, m from the segment's hinge, and when, rad.
    reserve : float
        Allowable stress over that.
    stress_amplitude : float
        Half the range of the flap bending stress at the cut where that is largest, Pa.
    flap_deflection, in_plane_deflection : ndarray, shape (n,)
        Of the segment's end against its own hinge, up and aft, m.
    flap_slope, in_plane_slope : ndarray, shape (n,)
        Of the segment's end, rad.
    twist : ndarray, shape (n,)
        Of the segment's end, nose-up, rad.
    """

    tube: Tube
    mass: float
    stress: float
    stress_distance: float
    stress_phase: float
    reserve: float
    stress_amplitude: float
    flap_deflection: Array
    in_plane_deflection: Array
    flap_slope: Array
    in_plane_slope: Array
    twist: Array


def spar_states(loads: SpanLoads, tubes: Sequence[Tube]) -> tuple[SparState, ...]:
    """Stress, deflection and mass of the tubes of one wing.

    Parameters
    ----------
    tubes : sequence of Tube
        One per segment, inner first.

    Raises
    ------
    ValueError
        If there are not as many tubes as segments.

    Notes
    -----
    Slender beam, held at its hinge by the drive: curvature is moment over E I, twist per length
    torsion over G J (Euler-Bernoulli and Saint-Venant). The bending stress is that of both bending
    moments together, at the outer fibre; with the shear of torsion at the same place
    ``sqrt(sigma^2 + 3 tau^2)``. Shear forces and the dynamics of the bending spar are left out:
    a spar that stays within `RIGID_LIMIT` and far from resonance is meant.
    """
    count = int(loads.segment[-1]) + 1
    if len(tubes) != count:
        raise ValueError(f"expected one tube for each of {count} segments, found {len(tubes)}")
    return tuple(_state(loads, index, tube) for index, tube in enumerate(tubes))


def _state(loads: SpanLoads, segment: int, tube: Tube) -> SparState:
    from scipy.integrate import cumulative_simpson

    here = loads.segment == segment
    distance = loads.distance[here]
    flap, in_plane, torsion, tension = (
        loads.cuts[name][here]
        for name in ("flap_bending_n_m", "in_plane_bending_n_m", "torsion_n_m", "tension_n")
    )
    material, second = tube.material, tube.second_moment
    stress = _equivalent_stress(tube, flap, in_plane, torsion, tension)
    worst = np.unravel_index(int(np.argmax(stress)), stress.shape)
    swing = 0.5 * np.ptp(flap, axis=1) * 0.5 * tube.diameter / second

    def integrated(values: Array) -> Array:
        return np.asarray(cumulative_simpson(values, x=distance, axis=0, initial=0.0))

    def bent(moment: Array) -> tuple[Array, Array]:
        slope = integrated(moment / (material.modulus * second))
        return integrated(slope)[-1], slope[-1]

    up, up_slope = bent(flap)
    aft, aft_slope = bent(in_plane)
    return SparState(
        tube=tube,
        mass=tube.mass_per_length * float(distance[-1]),
        stress=float(stress[worst]),
        stress_distance=float(distance[worst[0]]),
        stress_phase=float(loads.phase[worst[1]]),
        reserve=material.allowable / max(float(stress[worst]), 1e-300),
        stress_amplitude=float(swing.max()),
        flap_deflection=up,
        in_plane_deflection=aft,
        flap_slope=up_slope,
        in_plane_slope=aft_slope,
        twist=integrated(torsion / (material.shear_modulus * 2.0 * second))[-1],
    )


def _equivalent_stress(
    tube: Tube, flap: Array, in_plane: Array, torsion: Array, tension: Array
) -> Array:
    outer = 0.5 * tube.diameter
    along = np.hypot(flap, in_plane) * outer / tube.second_moment + np.abs(tension) / tube.area
    shear = torsion * outer / (2.0 * tube.second_moment)
    return np.sqrt(along**2 + 3.0 * shear**2)


def tip_deflection(loads: SpanLoads, states: Sequence[SparState]) -> Array:
    """Distance of the wing tip from where rigid segments would have it, m, shape (n,).

    Flap and in-plane deflection together; an inner segment's slope carries the outer one along as
    if the wing were stretched out.
    """
    up, aft = np.zeros(loads.phase.size), np.zeros(loads.phase.size)
    up_slope, aft_slope = up.copy(), aft.copy()
    for index, state in enumerate(states):
        length = float(loads.distance[loads.segment == index][-1])
        up = up + up_slope * length + state.flap_deflection
        aft = aft + aft_slope * length + state.in_plane_deflection
        up_slope = up_slope + state.flap_slope
        aft_slope = aft_slope + state.in_plane_slope
    return np.hypot(up, aft)


def least_tube(
    loads: SpanLoads,
    segment: int,
    material: Material = CARBON,
    wall_part: float = WALL_PART,
    safety: float = SAFETY,
    stiffness_part: float = STIFFNESS_PART,
) -> Tube:
    """Lightest tube of given proportions that stands the loads of a segment.

    Parameters
    ----------
    segment : int
        0 inner, 1 outer.
    wall_part : float
        Wall over outer diameter, at most 0.5.
    safety : float
        Allowable stress over stress, at least.
    stiffness_part : float
        Deflection of the segment's end over its length, at most.

    Notes
    -----
    Stress, deflection and twist fall steadily with the diameter: the largest of the diameters at
    which each meets its limit (Brent's method); the twist's is `TWIST_LIMIT`.
    """
    from scipy.optimize import brentq

    length = float(loads.distance[loads.segment == segment][-1])

    def excess(log_diameter: float) -> float:
        diameter = math.exp(log_diameter)
        state = _state(loads, segment, Tube(diameter, wall_part * diameter, material))
        bent = float(np.hypot(state.flap_deflection, state.in_plane_deflection).max())
        turned = float(np.abs(state.twist).max())
        worked = max(
            safety / state.reserve, bent / (stiffness_part * length), turned / TWIST_LIMIT, 1e-300
        )
        return math.log(worked)

    low, high = math.log(1e-6), math.log(10.0)
    if excess(low) <= 0.0:
        diameter = math.exp(low)
    else:
        diameter = math.exp(brentq(excess, low, high, xtol=1e-10))
    return Tube(diameter, wall_part * diameter, material)


def spar_notes(
    loads: SpanLoads,
    states: Sequence[SparState],
    semispan: float,
    mass_per_length: Sequence[float] = (),
) -> tuple[str, ...]:
    """Warnings about the tubes, or about the model of them.

    `mass_per_length` (kg/m, inner first) is what the loads were computed with; semispan in m.
    """
    notes = []
    for index, state in enumerate(states):
        name = ("inner", "outer")[index]
        if state.reserve < 1.0:
            notes.append(
                f"The {name} spar breaks: {state.stress / 1e6:.0f} MPa at"
                f" {1e3 * state.stress_distance:.0f} mm from its hinge,"
                f" {state.tube.material.allowable / 1e6:.0f} MPa allowed."
            )
    bent = float(tip_deflection(loads, states).max())
    if bent > RIGID_LIMIT * semispan:
        notes.append(
            f"The tip is bent by {100.0 * bent / semispan:.0f} % of the semispan, more than"
            f" {100.0 * RIGID_LIMIT:.0f} %: the segments are not rigid, so loads, lift and thrust"
            " of this run are not valid."
        )
    for index, state in enumerate(states):
        turned = float(np.abs(state.twist).max())
        if turned > TWIST_LIMIT * (1.0 + 1e-6):
            notes.append(
                f"Torsion turns the end of the {('inner', 'outer')[index]} tube by"
                f" {math.degrees(turned):.0f} deg: where it carries the twist, the wing's twist is"
                " not the one in the case. A wider tube, wrapped layers or a second rod would help."
            )
    for index, (state, given) in enumerate(zip(states, mass_per_length, strict=False)):
        own = state.tube.mass_per_length
        if not 0.5 * own <= given <= 2.0 * own:
            notes.append(
                f"The {('inner', 'outer')[index]} tube weighs {1e3 * own:.1f} g/m, the loads were"
                f" computed with a spar of {1e3 * given:.1f} g/m (spar_kg_m)."
            )
    return tuple(notes)
