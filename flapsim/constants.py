"""Constants of nature and of standards that more than one room needs; SI."""

from __future__ import annotations

from typing import Final

STANDARD_GRAVITY: Final = 9.80665
"""Standard acceleration of gravity, m/s2: CGPM (1901)."""

GAS_CONSTANT_OF_AIR: Final = 8.31432 / 0.0289644
"""Specific gas constant of dry air, J/(kg K): U.S. Standard Atmosphere (1976)."""
