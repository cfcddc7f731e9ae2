"""Efficiencies of a wing: one definition for simulator and rig.

Every function takes numbers, arrays that broadcast, or uncertain numbers of the `uncertainties`
library: thrust, N, airspeed, m/s, and power given to the air, W.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def ratio(top: Any, bottom: Any) -> Any:
    """Ratio; NaN where the bottom is not positive."""
    if isinstance(bottom, np.ndarray):
        return top / np.where(bottom > 0.0, bottom, math.nan)
    positive = getattr(bottom, "nominal_value", bottom) > 0.0
    return top / bottom if positive else math.nan


def propulsive_efficiency(thrust: Any, airspeed: Any, power: Any) -> Any:
    """Thrust power over power given to the air (Garrick 1936, NACA TR 567)."""
    return ratio(thrust * airspeed, power)


def flapping_efficiency(thrust: Any, held_drag: Any, airspeed: Any, power: Any) -> Any:
    """Efficiency that credits the wing with its drag, N, when held still at the same lift.

    Own definition: without flapping, something else would have to overcome that drag.
    """
    return ratio((thrust + held_drag) * airspeed, power)


def tare_efficiency(thrust: Any, held_thrust: Any, airspeed: Any, power: Any) -> Any:
    """Efficiency of the thrust above that of the wing held still at the same pitch, N.

    Own definition: `flapping_efficiency` as a bench can measure it.
    """
    return ratio((thrust - held_thrust) * airspeed, power)
