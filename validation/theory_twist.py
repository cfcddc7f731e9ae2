"""Twist that spring, mass and air decide, in linear theory: section, hinged wing, still wing.

Written a second time, independent of the solver. Conventions and loads are those of
:mod:`validation.theory_section`; a motion is a phasor, twist is nose-up.

References
----------
Bisplinghoff, R. L., Ashley, H. & Halfman, R. L., "Aeroelasticity" (1955), ch. 8 and 9: equation of
a section on a torsion spring, torsional divergence, flutter.
Theodorsen, T., NACA TR 496 (1935); Garrick, I. E., NACA TR 567 (1936); Jones, R. T., NACA TR 681
(1940).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.integrate
import scipy.optimize
from numpy.typing import NDArray

from validation.theory_section import (
    JONES_DECAY,
    JONES_DEFICIENCY,
    LiftFunction,
    mean_product,
    oscillating_section,
)

ComplexArray = NDArray[np.complex128]

GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Section:
    """Section of a wing that twists about an axis, per metre of span.

    Attributes
    ----------
    chord, axis : float
        m; axis as a fraction of the chord.
    inertia : float
        About the axis, kg m2/m.
    static_moment : float
        Mass times the distance of its centre behind the axis, kg m/m.
    """

    chord: float
    axis: float
    inertia: float
    static_moment: float
    density: float


def skin_section(chord: float, axis: float, skin: float, density: float) -> Section:
    """Section whose mass (kg/m2) is spread evenly over the chord."""
    arm = (0.5 - axis) * chord
    return Section(
        chord, axis, skin * chord * (arm**2 + chord**2 / 12.0), skin * chord * arm, density
    )


@dataclass(frozen=True, slots=True)
class Response:
    """Twist (rad) and loads of a plunging section, at the given heave; as in the tables."""

    twist: complex
    lift: complex
    thrust: float
    power: float


def moment_slopes(
    section: Section, omega: float, airspeed: float, lift_function: LiftFunction | None
) -> tuple[complex, complex]:
    """Moment about the axis per metre of heave and per radian of twist, N/m and N m/rad.

    ``lift_function`` None: lift at the quarter chord from the incidence there, no apparent mass.
    """
    half = 0.5 * section.chord
    if lift_function is None:
        a = 2.0 * section.axis - 1.0
        lift = 2.0 * np.pi * section.density * airspeed * half
        arm = (a + 0.5) * half
        return (
            complex(lift * arm * -1j * omega),
            complex(lift * arm * (airspeed + half * (-0.5 - a) * 1j * omega)),
        )
    k = omega * half / airspeed
    scale = 0.5 * section.density * airspeed**2 * section.chord**2
    heave = oscillating_section(k, 1.0 / section.chord, 0.0, section.axis, lift_function)
    pitch = oscillating_section(k, 0.0, 1.0, section.axis, lift_function)
    return scale * complex(heave.moment), scale * complex(pitch.moment)


def plunging_section(
    section: Section,
    stiffness: float,
    damping: float,
    omega: float,
    airspeed: float,
    heave: float,
    lift_function: LiftFunction | None,
) -> Response:
    """Plunge with free twist: ``(K - w^2 I + i w c - M_twist) twist = (M_heave - w^2 S) heave``."""
    by_heave, by_twist = moment_slopes(section, omega, airspeed, lift_function)
    twist = (by_heave - omega**2 * section.static_moment) * heave
    twist /= stiffness - omega**2 * section.inertia + 1j * omega * damping - by_twist
    if lift_function is None:
        return _quarter_chord_loads(section, twist, omega, airspeed, heave)
    k = omega * section.chord / (2.0 * airspeed)
    loads = oscillating_section(k, heave / section.chord, twist, section.axis, lift_function)
    return Response(twist, complex(loads.lift), float(loads.thrust), float(loads.power))


def _quarter_chord_loads(
    section: Section, twist: complex, omega: float, airspeed: float, heave: float
) -> Response:
    half, a = 0.5 * section.chord, 2.0 * section.axis - 1.0
    rates = 1j * omega * np.array([-heave, twist])
    downwash = airspeed * twist + rates[0] + half * (-0.5 - a) * rates[1]
    lift = 2.0 * np.pi * downwash / airspeed
    moment = lift * (a + 0.5) * half
    # Suction pi rho c w^2 with the whole downwash: lift normal to the air at the quarter chord.
    thrust = 2.0 * np.pi * mean_product(downwash, downwash) / airspeed**2
    thrust -= mean_product(lift, twist)
    power = (mean_product(lift, rates[0]) - mean_product(moment, rates[1])) / airspeed
    return Response(complex(twist), complex(lift), float(thrust), float(power))


@dataclass(frozen=True, slots=True)
class HingedWing:
    """Half wing hinged at its root, its outer part free to twist linearly from wrist to tip.

    Attributes
    ----------
    inner, outer : float
        Lengths, m; the inner part does not twist.
    wrist_chord, tip_chord : float
        Chord of the outer part, linear in between, m.
    axis : float
        Fraction of the chord.
    skin : float
        kg/m2, even over the outer part.
    stiffness, damping : float
        Of the tip's twist, N m/rad and N m s/rad.
    """

    inner: float
    outer: float
    wrist_chord: float
    tip_chord: float
    axis: float
    skin: float
    stiffness: float
    damping: float
    density: float

    def at(self, fraction: float) -> Section:
        """Section at a fraction of the outer part."""
        chord = self.wrist_chord + fraction * (self.tip_chord - self.wrist_chord)
        return skin_section(chord, self.axis, self.skin, self.density)

    def twist(
        self, omega: float, airspeed: float, plunge: float, lift_function: LiftFunction
    ) -> complex:
        """Phasor of the tip's twist, rad, for a plunge (rad) with phase zero.

        Virtual work of the strips on a twist that grows linearly outward, each in the flow of a
        section in heave ``y plunge`` and in twist ``fraction q``.
        """

        def terms(fraction: float) -> ComplexArray:
            section = self.at(fraction)
            by_heave, by_twist = moment_slopes(section, omega, airspeed, lift_function)
            span = self.inner + fraction * self.outer
            return np.array(
                [
                    fraction * span * (by_heave - omega**2 * section.static_moment),
                    fraction**2 * (by_twist + omega**2 * section.inertia),
                ]
            )

        (forcing, given), _ = scipy.integrate.quad_vec(terms, 0.0, 1.0, epsrel=1e-11)
        held = self.stiffness + 1j * omega * self.damping - self.outer * given
        return complex(self.outer * forcing * plunge / held)

    def weight_moment(self) -> float:
        """Moment of the weight on the tip's twist, nose-up, N m."""
        mean, _ = scipy.integrate.quad(lambda x: x * self.at(x).static_moment, 0.0, 1.0)
        return GRAVITY * self.outer * mean


def divergence_speed(stiffness: float, section: Section, lift_slope: float = 2.0 * np.pi) -> float:
    """Speed at which a section diverges; the axis lies behind the quarter chord."""
    arm = (section.axis - 0.25) * section.chord
    return float(np.sqrt(2.0 * stiffness / (section.density * lift_slope * section.chord * arm)))


def still_section_growth(
    section: Section, stiffness: float, damping: float, airspeed: float
) -> ComplexArray:
    """Exponents p of all motions ``exp(p t)`` of a section held still, with Jones's wake, 1/s.

    The moment in ``p`` for ``i omega``, with ``C = 1 - sum A p / (p + beta)``, multiplied by
    ``prod (p + beta)``, leaves a polynomial of the fourth degree.
    """
    half, a = 0.5 * section.chord, 2.0 * section.axis - 1.0
    virtual = np.pi * section.density * half**2
    beta = JONES_DECAY * airspeed / half
    bare = np.array(
        [
            section.inertia + virtual * half**2 * (1.0 / 8.0 + a**2),
            damping + virtual * airspeed * half * (0.5 - a),
            stiffness,
        ]
    )
    downwash = np.array([half * (0.5 - a), airspeed])
    lift = 2.0 * np.pi * section.density * airspeed * half**2 * (a + 0.5) * downwash
    first, second = np.array([1.0, beta[0]]), np.array([1.0, beta[1]])
    both = np.polymul(first, second)
    lost = np.polyadd(
        JONES_DEFICIENCY[0] * np.polymul([1.0, 0.0], second),
        JONES_DEFICIENCY[1] * np.polymul([1.0, 0.0], first),
    )
    lagged = np.polysub(both, lost)
    return np.asarray(np.roots(np.polysub(np.polymul(bare, both), np.polymul(lift, lagged))))


def torsional_flutter_speed(
    section: Section, stiffness: float, low: float, high: float
) -> tuple[float, float]:
    """Speed (m/s) and frequency (Hz) at which a swinging motion begins to grow."""

    def fastest(airspeed: float) -> complex:
        roots = still_section_growth(section, stiffness, 0.0, airspeed)
        swinging = roots[np.abs(roots.imag) > 1e-9 * np.abs(roots)]
        return complex(swinging[np.argmax(swinging.real)])

    speed = scipy.optimize.brentq(lambda v: fastest(v).real, low, high, xtol=1e-12)
    return float(speed), abs(fastest(speed).imag) / (2.0 * np.pi)
