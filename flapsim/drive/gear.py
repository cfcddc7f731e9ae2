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
    """Power at the motor's shaft, W, of a crank that takes and returns power.

    Parameters
    ----------
    driving : array_like
        Power that the crank takes, W, not negative.
    returned : array_like
        Power that it returns, W, not positive.
    efficiency : array_like
        Of the gear, the same both ways: the motor gives ``driving/efficiency`` and receives
        ``efficiency`` times what comes back.
    regeneration : array_like
        Fraction of the returned power that motor and gear take up; the rest turns the motor free.
    """
    return np.asarray(driving / efficiency + returned * regeneration * efficiency)
