"""Unit and description of everything in a result file: results and varied keys alike."""

from __future__ import annotations

from flapsim.quantities import QUANTITIES, Quantity

__all__ = ["quantity_of", "without_unit"]

_UNITS = (
    ("_n_m_s_rad", "N m s rad-1"),
    ("_n_m_rad", "N m rad-1"),
    ("_n_m_a", "N m A-1"),
    ("_n_m", "N m"),
    ("_deg_s", "degree s-1"),
    ("_kg_m3", "kg m-3"),
    ("_kg_m2", "kg m-2"),
    ("_kg_m", "kg m-1"),
    ("_m2_s", "m2 s-1"),
    ("_m_s", "m s-1"),
    ("inertia_kg_m2", "kg m2"),
    ("_deg", "degree"),
    ("_hz", "Hz"),
    ("_kg", "kg"),
    ("_m2", "m2"),
    ("_ohm", "ohm"),
    ("_ah", "A h"),
    ("_m", "m"),
    ("_c", "degC"),
    ("_v", "V"),
    ("_a", "A"),
    ("_w", "W"),
    ("_n", "N"),
    ("_s", "s"),
)


def quantity_of(name: str) -> Quantity:
    """Unit and description of a result or of a key.

    Parameters
    ----------
    name : str
        Such as ``mean.lift_n``, ``segments.inner.thrust_n``, ``trim.flight.pitch_deg``, or a key
        path.

    Returns
    -------
    Quantity
        With the name itself as description where there is no better.
    """
    group, _, rest = name.partition(".")
    if group in ("mean", "peak", "check", "series") and rest in QUANTITIES:
        known = QUANTITIES[rest]
        return Quantity(
            known.unit, f"peak {known.long_name}" if group == "peak" else known.long_name
        )
    if group == "segments" and (joined := rest.replace(".", "_")) in QUANTITIES:
        return QUANTITIES[joined]
    if group == "segments" and (short := rest.partition(".")[2]) in QUANTITIES:
        known, segment = QUANTITIES[short], rest.partition(".")[0]
        return Quantity(known.unit, f"{known.long_name}, {segment} segments")
    if group == "twist" and (short := rest.partition(".")[2]) in QUANTITIES:
        known, segment = QUANTITIES[short], rest.partition(".")[0]
        return Quantity(known.unit, f"{known.long_name}, {segment} segment")
    if name == "mean.weight_n":
        return Quantity("N", "weight of the craft")
    if group == "trim":
        return Quantity(_unit_of_key(rest), f"{rest}, as trimmed")
    return Quantity(_unit_of_key(name), name)


def without_unit(name: str) -> str:
    """Return the last name of a key without the unit at its end.

    Parameters
    ----------
    name : str
        Such as ``stiffness_n_m_rad``.

    Returns
    -------
    str
        Such as ``stiffness``.
    """
    found = next((ending for ending, _ in _UNITS if name.endswith(ending)), "")
    return name.removesuffix(found.removeprefix("inertia"))


def _unit_of_key(key: str) -> str:
    """Unit that stands at the end of a key."""
    names = key.split(".")
    items = [name for name in names if name.isdigit()]
    last = [name for name in names if not name.isdigit()][-1]
    if last == "chord_m" and len(items) == 2 and items[1] == "0":
        return "1"  # the fraction of the segment at which a chord stands
    return next((unit for ending, unit in _UNITS if last.endswith(ending)), "1")
