"""Units: the one table of the endings of names, and how a unit is printed."""

from __future__ import annotations

import re
from typing import Final

_ENDINGS: Final = {
    "n_m_s_rad": "N m s rad-1",
    "n_m_rad": "N m rad-1",
    "n_m_a": "N m A-1",
    "n_m": "N m",
    "n_m2": "N m-2",
    "n": "N",
    "kg_m3": "kg m-3",
    "kg_m2": "kg m-2",
    "kg_m": "kg m-1",
    "kg": "kg",
    "m2_s": "m2 s-1",
    "m_s": "m s-1",
    "m2": "m2",
    "m": "m",
    "j_m2": "J m-2",
    "j": "J",
    "deg_s": "degree s-1",
    "deg": "degree",
    "rad_s": "rad s-1",
    "rad": "rad",
    "hz": "Hz",
    "s": "s",
    "c": "degC",
    "pa": "Pa",
    "ohm": "ohm",
    "ah": "A h",
    "v": "V",
    "a": "A",
    "w": "W",
}
"""UDUNITS string by the end of a name; the longest ending counts."""

_POWERS: Final = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
_PRINTED: Final = {"1": "", "degree": "°", "degC": "°C", "ohm": "Ω"}


def unit_of(name: str) -> str:
    """UDUNITS string of the unit at the end of a name; "1" where it ends in none.

    The name is that of a key, of a quantity, or a key path (indices into a list allowed).
    """
    items = [part for part in name.split(".") if part.isdigit()]
    last = next((part for part in reversed(name.split(".")) if not part.isdigit()), "")
    if last == "chord_m" and len(items) == 2 and items[1] == "0":
        return "1"  # the fraction of the segment at which a chord stands
    if last.endswith("inertia_kg_m2"):
        return "kg m2"
    return _ENDINGS.get(_ending(last), "1")


def without_unit(name: str) -> str:
    """Return a name without the unit at its end: ``stiffness`` for ``stiffness_n_m_rad``."""
    return name.removesuffix(f"_{_ending(name)}")


def _ending(name: str) -> str:
    parts = name.split("_")
    tails = ("_".join(parts[start:]) for start in range(1, len(parts)))
    return next((tail for tail in tails if tail in _ENDINGS), "")


def printed(unit: str) -> str:
    """Unit as it is printed: ``m²/s`` for the UDUNITS string ``m2 s-1``; empty for "1"."""
    above: list[str] = []
    below: list[str] = []
    for name, minus, power in re.findall(r"([A-Za-z]+|1)(-?)(\d*)", unit):
        text = _PRINTED.get(name, name) + (power if power != "1" else "").translate(_POWERS)
        (below if minus else above).append(text)
    return "/".join([" ".join(filter(None, above)), *below])
