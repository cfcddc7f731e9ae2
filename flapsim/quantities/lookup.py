"""From a name, as a document or file has it, to its definition."""

from __future__ import annotations

from flapsim.quantities.cycle import (
    AXES,
    CHECKS,
    DRIVE,
    MOTION_SERIES,
    SCALARS,
    SERIES,
    STRIPS,
    TWIST,
)
from flapsim.quantities.definition import Quantity
from flapsim.quantities.flight import CURVE, HAZARDS, PROPORTIONS, SPAN_LOADS, SPARS
from flapsim.quantities.rig import MEASURED, MEASURED_SERIES, RIG_AXES
from flapsim.quantities.units import unit_of

QUANTITIES: dict[str, Quantity] = SERIES | MOTION_SERIES | TWIST | SCALARS | DRIVE | CHECKS | STRIPS
"""What a run reports, by its name without the group."""

_EVERY = (
    CURVE | SPARS | SPAN_LOADS | HAZARDS | PROPORTIONS
    | RIG_AXES | MEASURED_SERIES | MEASURED | AXES | QUANTITIES
)  # fmt: skip

_LOADS = (*SERIES, *MOTION_SERIES)
GROUPS: dict[str, tuple[str, tuple[str, ...]]] = {
    "mean": ("means over a stroke; of the craft, both wings", (*SERIES, *SCALARS, *DRIVE, *TWIST)),
    "peak": ("largest values over a stroke, with their sign", (*_LOADS, *DRIVE)),
    "segments": ("means of one segment of both wings", (*SERIES, "propulsive_efficiency")),
    "twist": ("the twist of one segment", tuple(TWIST)),
    "check": ("how far to trust the solution", tuple(CHECKS)),
    "series": ("the stroke step by step", _LOADS),
    "strips": ("strip by strip along the span", tuple(STRIPS)),
    "hazard": ("what to mind when it fails", tuple(HAZARDS)),
    "watts": ("the drive at a trimmed state", tuple(DRIVE)),
    "proportions": ("size and loading of a craft", tuple(PROPORTIONS)),
    "points": ("power curves, glides and take-off", tuple(CURVE)),
    "hinges": ("loads of a cut through the wing", tuple(SPAN_LOADS)),
    "spars": ("spars, hinges and crank", tuple(SPARS)),
    "measured": ("what a rig measures", (*MEASURED_SERIES, *MEASURED)),
}
"""Groups of quantities, by the first part of a name: what they hold, and which quantities."""

_RIG_ENDS = {
    "uncertainty": "standard uncertainty",
    "low": "lower end of the 95 % interval",
    "high": "upper end of the 95 % interval",
    "series_low": "lower end of the 95 % interval",
    "series_high": "upper end of the 95 % interval",
    "predicted": "predicted by the case",
}
_PLAIN_GROUPS = {*GROUPS, "strokes"} - {"peak", "segments", "twist"}


def find_quantity(name: str) -> Quantity | None:
    """Definition of a reported quantity.

    Parameters
    ----------
    name : str
        With its group (``mean.lift_n``, ``segments.inner.thrust_n``) or without.

    Returns
    -------
    Quantity or None
        None if nothing of that name is reported.
    """
    if name in _EVERY:
        return _EVERY[name]
    group, _, rest = name.partition(".")
    segment, _, short = rest.partition(".")
    if group == "trim" and segment in ("watts", "residual"):
        return find_quantity(rest)
    if group == "residual":
        balance = rest.replace("_", " ")
        return Quantity("1", f"residual of the {balance} balance over the weight", "lower")
    if group in ("segments", "twist") and segment in ("inner", "outer"):
        known = QUANTITIES.get(rest.replace(".", "_")) if group == "segments" else None
        if known is None and (known := QUANTITIES.get(short)) is not None:
            number = "segments" if group == "segments" else "segment"
            known = known._replace(long_name=f"{known.long_name}, {segment} {number}")
        return known
    if rest not in _EVERY:
        return None
    if group == "peak":
        return _EVERY[rest]._replace(long_name=f"peak {_EVERY[rest].long_name}")
    if group in _RIG_ENDS:
        found = _EVERY[rest]
        return Quantity(found.unit, f"{found.long_name}: {_RIG_ENDS[group]}")
    return _EVERY[rest] if group in _PLAIN_GROUPS else None


def quantity_of(name: str) -> Quantity:
    """Definition of a reported quantity, or what the name of a key tells of itself.

    Parameters
    ----------
    name : str
        As for `find_quantity`; or a key path, alone, behind ``trim.`` or behind ``solution.``.

    Returns
    -------
    Quantity
        With the name itself as its meaning where there is no better.
    """
    found = find_quantity(name)
    if found is not None:
        return found
    for prefix in ("trim.solution.", "trim.", "solution."):
        if name.startswith(prefix):
            key = name.removeprefix(prefix)
            return Quantity(unit_of(key), f"{key}, as trimmed")
    return Quantity(unit_of(name), name)
