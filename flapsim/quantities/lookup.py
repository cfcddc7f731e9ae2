"""From a name, as a document or file has it, to its definition."""

from __future__ import annotations

from flapsim.quantities.cycle import (
    AXES,
    CHECKS,
    DRIVE,
    LOADS,
    MOTION_SERIES,
    OF_SEGMENTS,
    SCALARS,
    SERIES,
    STRIPS,
    TWIST,
    TWIST_LOSS,
)
from flapsim.quantities.definition import Quantity
from flapsim.quantities.flight import CURVE, HAZARDS, PROPORTIONS, SEARCH, SPAN_LOADS, SPARS
from flapsim.quantities.rig import MEASURED, MEASURED_SERIES, RIG_AXES, RIG_LOG
from flapsim.quantities.units import unit_of

QUANTITIES: dict[str, Quantity] = (
    SERIES | MOTION_SERIES | TWIST | TWIST_LOSS | SCALARS | DRIVE | CHECKS | STRIPS
)
"""What a run reports, by its name without the group."""

_EVERY = (
    SEARCH | CURVE | SPARS | SPAN_LOADS | HAZARDS | PROPORTIONS
    | RIG_LOG | RIG_AXES | MEASURED_SERIES | MEASURED | AXES | QUANTITIES
)  # fmt: skip

_MEANS = (
    *LOADS, *SCALARS, "actuator_power_w", *TWIST_LOSS,
    *(name for name in DRIVE if name != "motor_voltage_v"),
)  # fmt: skip
_PEAKS = tuple(
    name
    for name in (*LOADS, *MOTION_SERIES, "force_heave_n")
    if not name.startswith("power_") and not name.endswith("_deg")
)
_DRIVE_PEAKS = ("shaft_power_w", "motor_current_a", "motor_voltage_v")

GROUPS: dict[str, tuple[str, tuple[str, ...]]] = {
    "mean": ("means over a stroke, both wings", _MEANS),
    "peak": ("largest values over a stroke, with their sign", (*_PEAKS, *_DRIVE_PEAKS)),
    "segments": ("means of one segment of both wings", (*OF_SEGMENTS, "propulsive_efficiency")),
    "twist": ("the twist of one segment", tuple(TWIST)),
    "check": ("how far to trust the solution", tuple(CHECKS)),
    "series": ("the stroke step by step", (*SERIES, *MOTION_SERIES)),
    "strips": ("strip by strip along the span", tuple(STRIPS)),
    "hazard": ("speeds and energies of a craft that fails", tuple(HAZARDS)),
    "proportions": ("size and loading of a craft", tuple(PROPORTIONS)),
    "points": ("power curves, glides and take-off", tuple(CURVE)),
    "hinges": ("loads of a cut through the wing", tuple(SPAN_LOADS)),
    "spars": ("spars, hinges and crank", tuple(SPARS)),
    "measured": ("what a rig measures", tuple(MEASURED_SERIES | MEASURED)),
}
"""Groups of quantities, by the first part of a name: what they hold, and which quantities."""

_OF_POINTS = {
    "value": Quantity("1", "value of the swept key at a named point"),
    "power_w": Quantity("W", "power at a named point", "lower"),
    "at_end": Quantity("1", "whether a named point lies at the end of the range searched"),
    "limit": Quantity("1", "limit that sets a named point"),
}

_PARTS = {
    "least": "smallest value over a stroke",
    "most": "largest value over a stroke",
    "mean": "mean over a stroke",
    "shoulder": "at the shoulder",
    "wrist": "at the wrist",
    "uncertainty": "standard uncertainty",
    "low": "lower end of the 95 % interval",
    "high": "upper end of the 95 % interval",
    "scatter_low": "lower end of the interval from the scatter of strokes alone",
    "scatter_high": "upper end of the interval from the scatter of strokes alone",
    "series_low": "lower end of the 95 % interval",
    "series_high": "upper end of the 95 % interval",
    "predicted": "predicted by the case",
    "budget": "part of the uncertainty by source",
}
"""What a group before, or a part after, the name of a quantity adds to its meaning."""

_PLAIN_GROUPS = {
    *GROUPS, "watts", "trim", "strokes", "counts", "crank", "best_spring", "uneven_crank",
    "shoulder", "wrist", "inner", "outer",
}  # fmt: skip


def find_quantity(name: str) -> Quantity | None:
    """Definition of a reported quantity, None if nothing of that name is reported.

    The name has its group (``mean.lift_n``, ``segments.inner.thrust_n``) or not.
    """
    if name in _EVERY:
        return _EVERY[name]
    group, _, rest = name.partition(".")
    before, _, last = name.rpartition(".")
    if not rest:
        return None
    if group == "residual":
        balance = rest.replace("_", " ")
        return Quantity("1", f"residual of the {balance} balance over the weight", "lower")
    if group == "points" and last in _OF_POINTS:
        return _OF_POINTS[last]
    if last == "degrees_of_freedom":
        return Quantity("1", "effective degrees of freedom of the uncertainty")
    if last in _PARTS:
        return _with(find_quantity(before), f": {_PARTS[last]}")
    if group == "peak":
        peak = find_quantity(rest)
        return peak and peak._replace(long_name=f"peak {peak.long_name}")
    if group in ("segments", "twist") and rest.startswith(("inner.", "outer.")):
        segment = rest.partition(".")[0]
        joined = QUANTITIES.get(rest.replace(".", "_"))
        if group == "segments" and joined is not None:
            return joined
        both = "segments" if group == "segments" else "segment"
        return _with(QUANTITIES.get(last), f", {segment} {both}")
    if group in _PLAIN_GROUPS:
        return find_quantity(rest)
    return _with(find_quantity(rest), f": {_PARTS[group]}") if group in _PARTS else None


def _with(quantity: Quantity | None, words: str) -> Quantity | None:
    return quantity and quantity._replace(long_name=quantity.long_name + words)


def quantity_of(name: str) -> Quantity:
    """Definition of a reported quantity, or what the name of a key tells of itself.

    A key path stands alone or behind ``trim.`` or ``solution.``; its name is its meaning.
    """
    found = find_quantity(name)
    if found is not None:
        return found
    for prefix in ("trim.solution.", "trim.", "solution."):
        if name.startswith(prefix):
            key = name.removeprefix(prefix)
            return Quantity(unit_of(key), f"{key}, as trimmed")
    return Quantity(unit_of(name), name)
