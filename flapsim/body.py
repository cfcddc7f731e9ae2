"""What the body and the tail add to the wing: drag, tail lift, pitching moment."""

from __future__ import annotations

import math
from typing import NamedTuple

from flapsim.case import Case
from flapsim.wing import Strips

STANDARD_GRAVITY = 9.80665
"""m/s2, exact by definition (CGPM 1901)."""


def weight(case: Case) -> float:
    """Weight of the craft, N; 0 for a wing on a rig."""
    return case.craft.mass_kg * STANDARD_GRAVITY


class BodyLoads(NamedTuple):
    """Steady loads of body and tail.

    Attributes
    ----------
    lift : float
        Tail lift, N.
    drag : float
        Drag of body and tail, N.
    pitching_moment : float
        About the centre of mass, nose-up, N m.
    """

    lift: float
    drag: float
    pitching_moment: float


def body_loads(case: Case, wing_lift: float, wing: Strips) -> BodyLoads:
    """Drag of the body, and lift, drag and moment of the tail if there is one.

    Parameters
    ----------
    case : Case
        The case.
    wing_lift : float
        Mean lift of the wing, N; its downwash meets the tail.
    wing : Strips
        The wing, for its area and aspect ratio.

    Returns
    -------
    BodyLoads

    Notes
    -----
    The body's drag acts at the centre of mass. The tail sits ``arm_m`` aft of it; its lift slope
    is Helmbold's (1942) ``2 pi AR/(2 + sqrt(AR^2 + 4))``, its induced drag ``C_L^2/(pi AR)``, and
    it flies in the wing's far downwash, twice that at an elliptic wing, ``2 C_L/(pi AR)``
    (Prandtl). The tail's friction belongs to the body's drag area.
    """
    pressure = 0.5 * case.air.density * case.flight.airspeed_m_s**2
    drag = pressure * case.craft.body_drag_area_m2
    tail = case.craft.tail
    if tail is None or pressure == 0.0:
        return BodyLoads(0.0, drag, 0.0)
    downwash = 2.0 * wing_lift / (pressure * wing.area) / (math.pi * wing.aspect_ratio)
    incidence = math.radians(case.flight.pitch_deg + tail.angle_deg) - downwash
    ratio = tail.aspect_ratio
    slope = 2.0 * math.pi * ratio / (2.0 + math.hypot(ratio, 2.0))
    coefficient = slope * math.sin(incidence)
    force = pressure * tail.area_m2 * coefficient
    induced = pressure * tail.area_m2 * coefficient**2 / (math.pi * ratio)
    # The tail's lift stands normal to air that comes down at the downwash angle.
    lift, tail_drag = force, induced + force * downwash
    pitch = math.radians(case.flight.pitch_deg)
    moment = -tail.arm_m * (lift * math.cos(pitch) + tail_drag * math.sin(pitch))
    return BodyLoads(lift, drag + tail_drag, moment)
