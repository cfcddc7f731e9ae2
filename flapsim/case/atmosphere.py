"""The standard atmosphere.

Answers: what is the air like at an altitude?
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from flapsim.constants import GAS_CONSTANT_OF_AIR, STANDARD_GRAVITY

_EARTH_RADIUS: Final = 6356766.0
_SEA_LEVEL_TEMPERATURE: Final = 288.15
_SEA_LEVEL_PRESSURE: Final = 101325.0
_LAPSE: Final = 0.0065
_TROPOPAUSE: Final = 11000.0
_ICE_POINT: Final = 273.15


class Atmosphere(NamedTuple):
    """State of the air: K, Pa, kg/m^3, m^2/s."""

    temperature: float
    pressure: float
    density: float
    kinematic_viscosity: float


@lru_cache(maxsize=256)
def standard_atmosphere(altitude_m: float, temperature_c: float | None = None) -> Atmosphere:
    """Return the air at a geometric altitude of -1000 to 20000 m.

    A given temperature replaces the standard one; the pressure stays.

    Notes
    -----
    U.S. Standard Atmosphere (1976): below 11 km of geopotential altitude equations 23 and 33a with
    a lapse of 6.5 K/km, above it equation 33b with constant temperature; viscosity by Sutherland's
    law with the constants of that document (equation 51).
    """
    height = _EARTH_RADIUS * altitude_m / (_EARTH_RADIUS + altitude_m)
    lowest = np.minimum(height, _TROPOPAUSE)
    temperature = _SEA_LEVEL_TEMPERATURE - _LAPSE * lowest
    pressure = _SEA_LEVEL_PRESSURE * (temperature / _SEA_LEVEL_TEMPERATURE) ** (
        STANDARD_GRAVITY / (GAS_CONSTANT_OF_AIR * _LAPSE)
    )
    pressure *= np.exp(-STANDARD_GRAVITY * (height - lowest) / (GAS_CONSTANT_OF_AIR * temperature))
    if temperature_c is not None:
        temperature = temperature_c + _ICE_POINT
    density = pressure / (GAS_CONSTANT_OF_AIR * temperature)
    viscosity = 1.458e-6 * temperature**1.5 / (temperature + 110.4)
    return Atmosphere(temperature, pressure, density, viscosity / density)
