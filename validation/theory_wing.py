"""Finite wings in closed form or by a classical series: lifting line and least loss.

References
----------
Glauert, H., "The Elements of Aerofoil and Airscrew Theory" (1926), ch. XI: Fourier series of the
circulation of a monoplane.
Jones, R. T., "Wing flapping with minimum energy", NASA TM 81174 (1980); Hall, K. C. and
Hall, S. R., J. Fluid Mech. 323 (1996) 285-315: least power of a flapping wing.
Helmbold, H. B., "Der unverwundene Ellipsenfluegel als tragende Flaeche" (1942).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
AlongSpan = Callable[[FloatArray], FloatArray]

SECTION_SLOPE = 2.0 * np.pi


@dataclass(frozen=True, slots=True)
class LiftingLine:
    """Prandtl's lifting line for one distribution of incidence.

    Attributes
    ----------
    lift : float
        Lift coefficient.
    induced_drag : float
        Coefficient of the wake's kinetic energy per distance flown.
    work : float
        Coefficient of the span integral of lift times incidence: with the incidence taken as the
        plunge velocity over the airspeed it is the power put in.
    """

    lift: float
    induced_drag: float
    work: float

    @property
    def thrust(self) -> float:
        """Work less what stays in the wake, for an untwisted plunging wing."""
        return self.work - self.induced_drag


def lifting_line(
    aspect_ratio: float, relative_chord: AlongSpan, incidence: AlongSpan, terms: int = 120
) -> LiftingLine:
    """Solve Glauert's series for a wing symmetric about its middle.

    Parameters
    ----------
    aspect_ratio : float
    relative_chord : callable
        Chord over mean chord, as a function of ``eta = y / semispan`` in ``[0, 1]``.
    incidence : callable
        Incidence (rad) as a function of ``eta``.
    terms : int
        Odd terms of ``Gamma = 4 s U sum A_n sin(n theta)``.
    """
    n = 2 * np.arange(terms) + 1
    theta = (np.arange(terms) + 0.5) * np.pi / (2 * terms)
    eta = np.cos(theta)
    sine = np.sin(np.outer(theta, n))
    mu = SECTION_SLOPE * relative_chord(eta) / (4.0 * aspect_ratio)
    matrix = sine * (mu[:, None] * n + np.sin(theta)[:, None])
    a = np.linalg.solve(matrix, mu * incidence(eta) * np.sin(theta))

    # Midpoint rule in theta: spectrally accurate for smooth periodic integrands.
    fine = (np.arange(8 * terms) + 0.5) * np.pi / (16 * terms)
    gamma = np.sin(np.outer(fine, n)) @ a
    step = np.pi / (16 * terms)
    # 2 / (U S) * integral of Gamma * incidence over the span, S = 4 s^2 / AR.
    work = 4.0 * aspect_ratio * step * np.sum(gamma * incidence(np.cos(fine)) * np.sin(fine))
    return LiftingLine(
        lift=float(np.pi * aspect_ratio * a[0]),
        induced_drag=float(np.pi * aspect_ratio * np.sum(n * a**2)),
        work=float(work),
    )


def rectangular(eta: FloatArray) -> FloatArray:
    """Chord over mean chord of a rectangular wing."""
    return np.ones_like(eta)


def elliptic(eta: FloatArray) -> FloatArray:
    """Chord over mean chord of an elliptic wing."""
    return np.asarray(4.0 / np.pi * np.sqrt(np.clip(1.0 - eta**2, 0.0, None)))


def even_incidence(eta: FloatArray) -> FloatArray:
    """Unit incidence along the span: steady flight, or uniform plunge."""
    return np.ones_like(eta)


def hinged_incidence(eta: FloatArray) -> FloatArray:
    """Incidence of a wing flapping about its root, one at the tip."""
    return np.asarray(eta)


def elliptic_slope(aspect_ratio: ArrayLike) -> FloatArray:
    """Lift-curve slope (1/rad) of the elliptic wing, ``2 pi AR / (AR + 2)``."""
    ratio = np.asarray(aspect_ratio, dtype=float)
    return np.asarray(SECTION_SLOPE * ratio / (ratio + 2.0))


def helmbold_slope(aspect_ratio: ArrayLike) -> FloatArray:
    """Lift-curve slope (1/rad) after Helmbold, ``2 pi AR / (2 + sqrt(AR^2 + 4))``."""
    ratio = np.asarray(aspect_ratio, dtype=float)
    return np.asarray(SECTION_SLOPE * ratio / (2.0 + np.sqrt(ratio**2 + 4.0)))


def greatest_thrust(aspect_ratio: ArrayLike, velocity: ArrayLike, motion_sum: float) -> FloatArray:
    """Largest thrust coefficient any circulation can give at a velocity amplitude.

    ``C_T = (pi AR / 2) Sigma v^2 lambda (1 - lambda)`` at ``lambda = 1/2``; ``velocity`` is the
    amplitude of the tip (or plunge) velocity over the airspeed.
    """
    v = np.asarray(velocity, dtype=float)
    return np.asarray(np.pi * np.asarray(aspect_ratio) / 8.0 * motion_sum * v**2)


def least_loss_efficiency(
    thrust: ArrayLike, aspect_ratio: ArrayLike, velocity: ArrayLike, motion_sum: float
) -> FloatArray:
    """Highest Froude efficiency at a thrust coefficient, ``1 - lambda``; NaN out of reach."""
    share = np.asarray(thrust) / (4.0 * greatest_thrust(aspect_ratio, velocity, motion_sum))
    with np.errstate(invalid="ignore"):
        return np.asarray(0.5 + np.sqrt(0.25 - share))
