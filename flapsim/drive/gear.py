"""The gear: a constant efficiency in either direction of the power."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Numbers = Array | float


def motor_side_power(
    driving: Numbers,
    returned: Numbers,
    efficiency: Numbers,
    regeneration: Numbers,
) -> Array:
    """Power at the motor's shaft, W, of a crank that takes (`driving`) and returns (`returned`).

    The gear's efficiency holds both ways: the motor gives ``driving/efficiency`` and receives
    ``efficiency`` times the fraction `regeneration` of what returns; the rest turns the motor free.
    """
    return np.asarray(driving / efficiency + returned * regeneration * efficiency)
