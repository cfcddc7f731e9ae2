"""Section laws: what a chordwise strip of wing feels from its effective air velocity.

Velocities, not angles: ``u`` is the relative air velocity along the chord toward the trailing
edge, ``w`` the one normal to it. The thin airfoil is the thin plate with its flow always
attached; tables (a measured polar, the revolving plate) are built in `flapsim.half_wing.polar`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.kernel.compiled import inlined
from flapsim.kernel.lanes import select

THIN_AIRFOIL, THIN_PLATE, TABLE = 0, 1, 2
"""Kinds of section law as the kernel numbers them; ``polar`` and ``revolving-plate`` are tables."""

FRICTION_NUMBER, FRICTION_LAMINAR, FRICTION_TURBULENT = 0, 1, 2
"""Kinds of friction law as the kernel numbers them."""

PLATE_NORMAL_TO_STREAM = 1.98
"""Drag coefficient of a long flat plate normal to the stream (Hoerner, 1965,
Fluid-Dynamic Drag)."""

REYNOLDS_FLOOR = 1000.0
"""Below this the friction laws are not used; the Reynolds number is held here."""


def plate_drag_coefficient(aspect_ratio: ArrayLike) -> NDArray[np.float64]:
    """Drag coefficient of a plate normal to the stream, ``1.11 + 0.018 AR``, at most 1.98.

    Viterna, L. A. & Corrigan, R. D. (1982), NASA CP-2230; the limit for a long plate is Hoerner's
    (1965). The aspect ratio is ``inf`` for a section between walls.
    """
    return np.minimum(PLATE_NORMAL_TO_STREAM, 1.11 + 0.018 * np.asarray(aspect_ratio))


SEPARATION_LAG = 3.0
"""Semichords by which separation follows the incidence: T_f of Leishman, J. G. & Beddoes, T. S.
(1989), J. American Helicopter Society 34(3), table 1."""


@inlined
def friction_coefficient(kind, value, reynolds):
    """Friction coefficient of both sides together, on the area of one side.

    ``value`` is the number itself, or the factor on the flat plate's law; the chord Reynolds number
    counts as ``REYNOLDS_FLOOR`` at least. Laminar: Blasius, ``1.328/sqrt(Re)`` a side. Turbulent:
    Prandtl and Schlichting, ``0.455/(log10 Re)^2.58`` a side (Schlichting, Boundary-Layer Theory).
    """
    if kind == FRICTION_NUMBER:
        return value
    re = max(reynolds, REYNOLDS_FLOOR)
    if kind == FRICTION_LAMINAR:
        return value * 2.0 * 1.328 / math.sqrt(re)
    return value * 2.0 * 0.455 / math.log10(re) ** 2.58


@inlined
def attached_length(sin_incidence, u, sin_onset, inverse_range):
    """Part of the chord, from the leading edge, over which steady flow stays attached.

    A fifth-degree smooth step in the sine of the effective incidence, from 1 at onset to 0, so that
    below onset the plate is exactly the thin airfoil. ``inverse_range`` is one over the difference
    of the sines at full separation and at onset. Reversed flow (``u <= 0``) is fully separated.
    """
    left = 1.0 - min(max((abs(sin_incidence) - sin_onset) * inverse_range, 0.0), 1.0)
    # Written from the separated end, where rounding must not make it negative.
    f = left * left * left * (10.0 - left * (15.0 - 6.0 * left))
    return select(u > 0.0, f, 0.0)


@inlined
def attached_weight(f):
    """Weight of the attached force when the flow is attached over the part ``f`` of the chord.

    Kirchhoff's free-streamline result ``((1 + sqrt f)/2)^2`` as used by Leishman, J. G. & Beddoes,
    T. S. (1989), J. American Helicopter Society 34(3), eq. 16, stretched from [1/4, 1] to [0, 1]
    because the separated force is modelled on its own instead of as a quarter of the attached one.
    """
    root = 1.0 + math.sqrt(f)
    return (root * root - 1.0) * (1.0 / 3.0)


def plate_blend(speed: Any, w: Any) -> Any:
    """Denominator of the normal force of a separated plate, shared by all its forms, m/s.

    Lindenburg (2003), see `plate_normal_coefficient`. For numbers, arrays and, compiled, lanes.
    """
    return 0.56 * speed + 0.44 * abs(w)


_plate_blend = inlined(plate_blend)


def plate_normal_coefficient(sin_incidence: Any, drag_normal: float) -> Any:
    """Normal-force coefficient ``C_D90 sin a / (0.56 + 0.44 |sin a|)`` of a separated plate.

    Lindenburg, C. (2003), ECN-C--03-025; within 0.05 % of Hoerner's (1965) ``1/(0.222 + 0.283/sin
    a)``.
    """
    return drag_normal * sin_incidence / plate_blend(1.0, sin_incidence)


@inlined
def plate_centre_of_pressure(sin_incidence, cos_incidence):
    """Centre of pressure of a fully separated flat plate, fraction of the chord.

    ``1/2 - (3/4) cos a / (4 + pi |sin a|)``: 0.3125 at small incidence, 1/2 broadside. Rayleigh
    (1876); Kirchhoff's free streamlines.
    """
    return 0.5 - 0.75 * cos_incidence / (4.0 + math.pi * abs(sin_incidence))


@inlined
def plate_separated(u, w, drag_normal):
    """Normal force and circulation of a fully separated plate in the air velocity u, w, m/s.

    ``force / (rho c / 2)`` is ``C_N |W|^2``, m2/s2; ``circulation / (pi c)`` is ``C_L |W| / (2
    pi)``, m/s, of the lift ``C_N cos a`` only: the drag of a plate needs no circulation and trails
    none.
    """
    speed = math.sqrt(u * u + w * w)
    blend = _plate_blend(speed, w) + 1e-300
    force = drag_normal * w * speed * speed / blend
    return force, 0.5 / math.pi * drag_normal * w * u / blend
