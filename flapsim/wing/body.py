"""What the body and the tail add to the wing: drag, tail lift, pitching moment."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.columns import Cases
from flapsim.constants import STANDARD_GRAVITY
from flapsim.wing.strips import Strips

Array = NDArray[np.float64]


def weight(case: Cases) -> Any:
    """Weight of the craft, N, float or shape (B,); 0 for a wing on a rig."""
    return case.craft.mass_kg * STANDARD_GRAVITY


class BodyLoads(NamedTuple):
    """Steady loads of body and tail, one per design."""

    lift: Array  # Tail lift, N
    drag: Array  # Drag of body and tail, N
    pitching_moment: Array  # About the centre of mass, nose-up, N m


def body_loads(case: Cases, wing_lift: ArrayLike, wing: Strips) -> BodyLoads:
    """Drag of the body, and lift, drag and moment of the tail if there is one.

    ``wing_lift``: mean lift of the wing, N; its downwash meets the tail; ``wing``: the wing, for
    its area and aspect ratio.

    The body's drag acts at the centre of mass. The tail sits ``arm_m`` aft of it; its lift slope
    is Helmbold's (1942) ``2 pi AR/(2 + sqrt(AR^2 + 4))``, its induced drag ``C_L^2/(pi AR)``, and
    it flies in the wing's far downwash, twice that at an elliptic wing, ``2 C_L/(pi AR)``
    (Prandtl). The tail's friction belongs to the body's drag area. The craft is taken to stand
    still against the path: the heave of its wing moves no arm.
    """
    pressure = 0.5 * np.asarray(case.air.density * case.flight.airspeed_m_s**2)
    drag = pressure * case.craft.body_drag_area_m2
    tail = case.craft.tail
    if tail is None:
        nothing = np.zeros_like(drag)
        return BodyLoads(nothing, drag, nothing)
    pitch = np.radians(case.flight.pitch_deg)
    with np.errstate(divide="ignore", invalid="ignore"):
        downwash = (
            2.0 * np.asarray(wing_lift) / (pressure * wing.area) / (math.pi * wing.aspect_ratio)
        )
    downwash = np.where(pressure > 0.0, downwash, 0.0)
    incidence = pitch + np.radians(tail.angle_deg) - downwash
    ratio = tail.aspect_ratio
    slope = 2.0 * math.pi * ratio / (2.0 + np.hypot(ratio, 2.0))
    coefficient = slope * np.sin(incidence)
    lift = pressure * tail.area_m2 * coefficient
    induced = pressure * tail.area_m2 * coefficient**2 / (math.pi * ratio)
    # The tail's lift stands normal to air that comes down at the downwash angle.
    tail_drag = induced + lift * downwash
    moment = -tail.arm_m * (lift * np.cos(pitch) + tail_drag * np.sin(pitch))
    return BodyLoads(lift, drag + tail_drag, moment)
