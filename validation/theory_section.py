"""Oscillating thin section in closed form: Theodorsen's lift and Garrick's thrust.

The formulas are written here a second time, independent of the solver, so that the two can be
compared.  A motion is a pair of phasors (heave and pitch), a load is a phasor or a
stroke mean.

Conventions: ``k = omega c / (2 U)``; ``x(t) = Re(X exp(i omega t))``; heave ``z`` up; pitch nose-up
about the axis; lift coefficients on ``rho U^2 c / 2``, moments on ``rho U^2 c^2 / 2``, powers on
``rho U^3 c / 2``.

References
----------
Theodorsen, T., "General theory of aerodynamic instability and the mechanism of flutter",
NACA TR 496 (1935), eqs. (VIII), (XVIII), (XX).
Garrick, I. E., "Propulsion of a flapping and oscillating airfoil", NACA TR 567 (1936).
Jones, R. T., "The unsteady lift of a wing of finite aspect ratio", NACA TR 681 (1940).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]
LiftFunction = Callable[[ArrayLike], ComplexArray]

# R. T. Jones (1940): Wagner's function as 1 - sum of deficiency * exp(-decay * s).
JONES_DEFICIENCY = np.array([0.165, 0.335])
JONES_DECAY = np.array([0.0455, 0.300])


def theodorsen_function(k: ArrayLike) -> ComplexArray:
    """Theodorsen's lift function ``C(k) = H1 / (H1 + i H0)`` from Hankel functions of kind two."""
    frequency = np.asarray(k, dtype=float)
    first = scipy.special.hankel2(1, frequency)
    return np.asarray(first / (first + 1j * scipy.special.hankel2(0, frequency)))


def one_pole_sum_function(k: ArrayLike, deficiency: FloatArray, decay: FloatArray) -> ComplexArray:
    """Lift function belonging to the step response ``1 - sum A exp(-b s)``."""
    s_rate = 1j * np.asarray(k, dtype=float)[..., None]
    return np.asarray(1.0 - np.sum(deficiency * s_rate / (s_rate + decay), axis=-1))


def jones_function(k: ArrayLike) -> ComplexArray:
    """Lift function belonging to R. T. Jones's two-exponential form of Wagner's function."""
    return one_pole_sum_function(k, JONES_DEFICIENCY, JONES_DECAY)


def quasi_steady_function(k: ArrayLike) -> ComplexArray:
    """Lift function of a section without a wake: one at every frequency."""
    return np.ones_like(np.asarray(k, dtype=float), dtype=complex)


@dataclass(frozen=True, slots=True)
class SectionLoads:
    """Loads of an oscillating section; phasors and stroke means as coefficients."""

    lift: ComplexArray
    circulatory_lift: ComplexArray
    moment: ComplexArray
    thrust: FloatArray
    power: FloatArray

    @property
    def efficiency(self) -> FloatArray:
        """Froude efficiency, thrust power over power put in."""
        return np.asarray(self.thrust / self.power)


def oscillating_section(
    k: ArrayLike,
    heave_over_chord: complex,
    pitch: complex,
    axis_fraction: float,
    lift_function: LiftFunction,
) -> SectionLoads:
    """Loads of a thin section in small heave and pitch with full leading-edge suction.

    Parameters
    ----------
    k : array_like
        Reduced frequency on the semichord.
    heave_over_chord, pitch : complex
        Phasors of ``z / c`` (up) and of the pitch (rad, nose-up).
    axis_fraction : float
        Pitch axis as a fraction of the chord from the leading edge.
    lift_function : callable
        ``C(k)`` to use: exact, Jones form, or one.

    Notes
    -----
    With ``U = c = rho = 1``, ``b = 1/2``, ``h = -z`` and ``a`` the axis in semichords aft of
    mid-chord: ``Q = U theta + h' + b (1/2 - a) theta'``,
    ``L = pi b^2 (U theta' + h'' - b a theta'') + 2 pi U b C Q``, suction
    ``S = (2 C Q - b theta') / sqrt 2``, thrust ``pi b S^2 - L theta``, power ``L h' - M theta'``.
    """
    frequency = np.asarray(k, dtype=float)
    semichord = 0.5
    a = 2.0 * axis_fraction - 1.0
    ddt = 2j * frequency
    h_rate = -ddt * heave_over_chord
    pitch_rate = ddt * pitch
    downwash = pitch + h_rate + semichord * (0.5 - a) * pitch_rate
    lagged = lift_function(frequency) * downwash

    apparent = np.pi * semichord**2 * (pitch_rate + ddt * h_rate - semichord * a * ddt * pitch_rate)
    circulatory = 2.0 * np.pi * semichord * lagged
    lift = apparent + circulatory
    moment = (
        -np.pi
        * semichord**2
        * (
            (0.5 - a) * semichord * pitch_rate
            + semichord**2 * (1.0 / 8.0 + a**2) * ddt * pitch_rate
            - a * semichord * ddt * h_rate
        )
        + 2.0 * np.pi * semichord**2 * (a + 0.5) * lagged
    )
    suction = (2.0 * lagged - semichord * pitch_rate) / np.sqrt(2.0)
    thrust = np.pi * semichord * mean_product(suction, suction) - mean_product(lift, pitch)
    power = mean_product(lift, h_rate) - mean_product(moment, pitch_rate)
    return SectionLoads(2.0 * lift, 2.0 * circulatory, 2.0 * moment, 2.0 * thrust, 2.0 * power)


def mean_product(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Mean over a period of the product of two harmonic quantities given as phasors."""
    return np.asarray(np.real(np.asarray(first) * np.conj(second)) / 2.0)


def wagner_function(semichords: ArrayLike) -> FloatArray:
    """Wagner's step response of lift, by numerical inversion of ``C(p) / p``.

    The branch cut of Theodorsen's function along the negative axis leaves a real integral
    (Garrick, NACA TR 629, 1938), here
    ``phi(s) = 1 - int_0^inf exp(-x s) / (x^2 ((K0 - K1)^2 + pi^2 (I0 + I1)^2)) dx``.
    """
    import scipy.integrate

    # With x = exp(t) the slow (logarithmic) start of the integrand becomes a smooth hump.
    t = np.linspace(-40.0, 4.0, 40001)
    x = np.exp(t)
    bessel_k = scipy.special.k0(x) - scipy.special.k1(x)
    bessel_i = np.pi * (scipy.special.i0(x) + scipy.special.i1(x))
    density = 1.0 / (x * (bessel_k**2 + bessel_i**2))
    s = np.asarray(semichords, dtype=float)
    return np.asarray(
        1.0 - scipy.integrate.simpson(np.exp(-s[..., None] * x) * density, x=t, axis=-1)
    )
