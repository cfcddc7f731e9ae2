"""Equilibria of steady flight (balances): residuals, and the free quantities with their ranges."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import Cases, Designs, is_column_key
from flapsim.faults import CaseError, Fault
from flapsim.wing.body import weight
from flapsim.wing.proportions import mean_chord
from flapsim.wing.strips import strips

Array = NDArray[np.float64]

BALANCES: Mapping[str, str] = {
    "lift": "lift of wing and tail = weight x cos(climb)",
    "thrust": "thrust of the wing - drag = weight x sin(climb)",
    "pitching_moment": "pitching moment about the centre of mass = 0",
}
"""Equilibria of steady flight that trim can enforce, in the order of the default."""


@dataclass(frozen=True, slots=True)
class Range:
    """Range of a free quantity.

    Attributes
    ----------
    least, most : float
        Ends of the range, in the unit of the key.
    step : float
        A natural change of it: what Newton's first step may be.
    relative : bool
        Whether the three are parts of the value in the case.
    """

    least: float
    most: float
    step: float
    relative: bool = False


_RANGES: tuple[tuple[str, Range], ...] = (
    ("flight.airspeed_m_s", Range(0.25, 3.0, 0.2, relative=True)),
    ("flight.pitch_deg", Range(-20.0, 35.0, 6.0)),
    ("flight.climb_deg", Range(-60.0, 60.0, 6.0)),
    ("stroke.frequency_hz", Range(0.1, 4.0, 0.25, relative=True)),
    ("craft.mass_kg", Range(0.3, 3.0, 0.1, relative=True)),
    ("stroke.plane_deg", Range(-60.0, 60.0, 10.0)),
    ("craft.tail.angle_deg", Range(-25.0, 25.0, 5.0)),
    ("plunge.amplitude_deg", Range(0.5, 60.0, 8.0)),
    ("plunge.mean_deg", Range(-30.0, 40.0, 8.0)),
    ("tip_amplitude_deg", Range(-60.0, 60.0, 10.0)),
    ("root_amplitude_deg", Range(-60.0, 60.0, 10.0)),
    ("amplitude_deg", Range(-60.0, 60.0, 10.0)),
    ("tip_mean_deg", Range(-30.0, 30.0, 5.0)),
    ("mean_deg", Range(-30.0, 30.0, 8.0)),
    ("rest_deg", Range(-30.0, 30.0, 5.0)),
    ("zero_lift_deg", Range(-15.0, 10.0, 4.0)),
    ("lag_deg", Range(-180.0, 180.0, 20.0)),
    ("downstroke_fraction", Range(0.25, 0.75, 0.1)),
    ("twist_axis", Range(0.0, 1.0, 0.1)),
    ("suction", Range(0.0, 1.0, 0.2)),
    ("_deg", Range(-60.0, 60.0, 10.0)),
)
"""By the end of the key, the first match; ranges common in practice, no source."""

_ANY_SIZE = Range(0.1, 5.0, 0.2, relative=True)
_ANY_PLACE = Range(-0.5, 0.5, 0.1)


def default_range(key: str) -> Range:
    """Default range of a key, by its ending."""
    for ending, found in _RANGES:
        if key.endswith(ending):
            return found
    return _ANY_PLACE if "centre_of_mass" in key or key.endswith("arm_m") else _ANY_SIZE


_SHAPES = (
    "wing.inner.length",
    "wing.inner.chord",
    "wing.outer.length",
    "wing.outer.chord",
    "craft.shoulder_offset",
)
_NOT_FREE = ("air.altitude_m", "air.temperature_c")
"""Numbers that stand for others through a table."""


@dataclass(frozen=True)
class FreeQuantity:
    """One free quantity: a key, or several that move together in proportion.

    Attributes
    ----------
    name : str
        As the user wrote it, keys joined by ``+``.
    keys : tuple of str
        The key that leads, then those that follow it.
    start : ndarray, shape (B,)
        Value of the leading key in each design.
    ratio : ndarray, shape (keys, B)
        Value of each key as a part of the leading one.
    least, most : ndarray, shape (B,)
        Range of the leading key.
    step : ndarray, shape (B,)
        A natural change of it.
    """

    name: str
    keys: tuple[str, ...]
    start: Array
    ratio: Array
    least: Array
    most: Array
    step: Array

    @property
    def is_amplitude(self) -> bool:
        """Whether it is a flapping amplitude."""
        return self.keys[0].endswith("plunge.amplitude_deg") or self.keys[0].endswith("amplitude_m")

    def columns(self, value: Array, design: NDArray[np.int64]) -> dict[str, Array]:
        """Columns, shape (lanes,), of all its keys from values of the leading one."""
        return {key: value * self.ratio[i, design] for i, key in enumerate(self.keys)}


def default_free(case: Case) -> tuple[str, ...]:
    """Free quantities by default: pitch and both plunge amplitudes together.

    The frequency where the plunge has no amplitude.
    """
    keys = []
    for name in ("inner", "outer"):
        stroke = getattr(case.stroke, name)
        if stroke is not None and stroke.plunge.amplitude_deg != 0.0:
            keys.append(f"stroke.{name}.plunge.amplitude_deg")
    return ("flight.pitch_deg", "+".join(keys) if keys else "stroke.frequency_hz")


def free_quantities(
    case: Case,
    columns: Mapping[str, Array],
    free: Sequence[str],
    bounds: Mapping[str, tuple[float, float]] | None,
    lanes: int,
) -> list[FreeQuantity]:
    """Check the free quantities, key paths joined by ``+`` where several move in proportion.

    `columns` hold what differs between the designs, `bounds` own ranges by key path in place of
    `default_range`. Raises CaseError for a key that is unknown, cannot be free or is named twice.
    """
    faults: list[Fault] = []
    seen: set[str] = set()
    for name in free:
        for key in (part.strip() for part in name.split("+")):
            fault = _fault_of(case, key, seen)
            if fault is not None:
                faults.append(fault)
            seen.add(key)
    for key, (low, high) in (bounds or {}).items():
        if key not in seen:
            faults.append(Fault(case.name, key, "", "has a range but is not free", ""))
        elif not low < high:
            faults.append(Fault(case.name, key, f"{low:g}:{high:g}", "a range with LOW < HIGH", ""))
    if faults:
        raise CaseError(faults)
    return [_free(case, columns, name, bounds or {}, lanes) for name in free]


def _fault_of(case: Case, key: str, seen: set[str]) -> Fault | None:
    if key in seen:
        return Fault(case.name, key, "", "named as free more than once", "")
    if key in _NOT_FREE:
        return Fault(case.name, key, "", "cannot be free; use air.density_kg_m3", "")
    value = case.get(key)  # raises on unknown keys, with the nearest one
    table = key.rpartition(".")[0]
    if value is None and case.get(table) is None:
        return Fault(case.name, table, "", f"not in this case; write the table to set {key} free")
    if not is_column_key(key) or isinstance(value, (str, bool)):
        return Fault(case.name, key, "", "cannot be free; only a key that holds a number can", "")
    return None


def _free(
    case: Case,
    columns: Mapping[str, Array],
    name: str,
    bounds: Mapping[str, tuple[float, float]],
    lanes: int,
) -> FreeQuantity:
    keys = tuple(part.strip() for part in name.split("+"))
    values = np.stack([_value(case, columns, key, lanes) for key in keys])
    # The leading key is the first that is not zero: proportions to zero have no meaning. The case
    # decides, not the columns, so that no design depends on the others.
    lead = next((i for i, key in enumerate(keys) if case.get(key)), 0)
    order = [lead, *(i for i in range(len(keys)) if i != lead)]
    keys, values = tuple(keys[i] for i in order), values[order]
    known = np.where(values[0] != 0.0, values[0], 1.0)
    ratio = np.where(values[0] != 0.0, values / known, 1.0)
    ratio[0] = 1.0
    least, most, step = np.full(lanes, -np.inf), np.full(lanes, np.inf), np.full(lanes, np.inf)
    for key, part, value in zip(keys, ratio, values, strict=True):
        own = _own_range(key, value, bounds)
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.where(part != 0.0, own / part, [[-np.inf], [np.inf], [np.inf]])
        least = np.maximum(least, np.minimum(ends[0], ends[1]))
        most = np.minimum(most, np.maximum(ends[0], ends[1]))
        step = np.minimum(step, np.abs(ends[2]))
    start = np.clip(values[0], least, most)
    return FreeQuantity(name, keys, start, ratio, least, most, step)


def _value(case: Case, columns: Mapping[str, Array], key: str, lanes: int) -> Array:
    value = columns[key] if key in columns else case.get(key)
    return np.broadcast_to(np.asarray(0.0 if value is None else value, dtype=float), (lanes,))


def _own_range(key: str, value: Array, bounds: Mapping[str, tuple[float, float]]) -> Array:
    """Least, most and step of a key, shape (3, B)."""
    usual = default_range(key)
    size = np.where(value != 0.0, np.abs(value), 1.0) if usual.relative else np.ones_like(value)
    out = np.stack([usual.least * size, usual.most * size, usual.step * size])
    if key in bounds:
        out[0], out[1] = bounds[key]
        out[2] = np.minimum(out[2], 0.25 * (out[1] - out[0]))
    else:
        # The value in the case is always within the range.
        out[0], out[1] = np.minimum(out[0], value), np.maximum(out[1], value)
    return out


def checked_balances(case: Case, hold: Sequence[str] | None, count: int) -> tuple[str, ...]:
    """Check the names of the balances to enforce; None for as many as `count` free quantities.

    Raises CaseError for a name that is unknown or named twice, or if the numbers do not match.
    """
    names = tuple(BALANCES)
    if hold is None:
        hold = names[:count]
    faults = [
        Fault(case.name, "hold", repr(name), f"one of {', '.join(names)}", "")
        for name in hold
        if name not in names
    ]
    if len(set(hold)) < len(hold):
        faults.append(Fault(case.name, "hold", ", ".join(hold), "each balance at most once", ""))
    if count != len(hold) or not count:
        faults.append(
            Fault(
                case.name,
                "free",
                f"{count} free and {len(hold)} to hold",
                "as many free quantities as balances to hold",
                "keys joined by + count as one; name balances with hold",
            )
        )
    if faults:
        raise CaseError(faults)
    return tuple(hold)


def whole_columns(case: Case, columns: Mapping[str, Array]) -> dict[str, Array]:
    """Columns, with every length and chord of the wing among them if one of them is.

    Stations along the wing need all of these numbers as columns, or none.
    """
    out = dict(columns)
    if not any(key.startswith(_SHAPES) for key in out):
        return out
    lanes = max(np.size(values) for values in out.values())
    segments = ["inner"] if case.wing.outer is None else ["inner", "outer"]
    for key in (f"wing.{s}.{name}" for s in segments for name in ("length_m", "chord_m.0.1")):
        out.setdefault(key, np.full(lanes, float(case.get(key))))
    return out


def residuals(
    case: Case, columns: Mapping[str, Array], results: Mapping[str, Array], hold: Sequence[str]
) -> Array:
    """Excess over each balance, relative to the weight (moments: weight times mean chord).

    From `results` of `flapsim.cycle.results.evaluate`; shape (balances, designs).
    """
    many = Designs(case, columns)
    load = many.unpadded(weight(many))
    climb = many.unpadded(np.radians(many.flight.climb_deg))
    out = []
    for name in hold:
        if name == "lift":
            made = results["mean.lift_n"] + results["mean.tail_lift_n"]
            out.append(made / load - np.cos(climb))
        elif name == "thrust":
            made = results["mean.thrust_n"] - results["mean.drag_n"]
            out.append(made / load - np.sin(climb))
        else:
            out.append(results["mean.pitching_moment_n_m"] / (load * many.unpadded(chord_of(many))))
    return np.stack(out)


def ideal_power(case: Cases) -> Array:
    """Power of a fixed wing of the same span and weight with the body's drag and climb, W.

    Weight times induced velocity, body drag times airspeed, weight times rate of climb. The induced
    velocity is that of an elliptic wing, Glauert's ``v sqrt(V^2 + v^2) = W/(2 rho pi b^2/4)``, down
    to hovering: Glauert (1926), momentum disc of the span.
    """
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    speed = np.asarray(case.flight.airspeed_m_s, dtype=float)
    load = np.asarray(weight(case))
    disc = math.pi * np.asarray(wing.semispan) ** 2
    slow = load / (2.0 * case.air.density * disc)
    induced = np.sqrt(0.5 * (np.sqrt(speed**4 + 4.0 * slow**2) - speed**2))
    drag = 0.5 * case.air.density * speed**2 * case.craft.body_drag_area_m2
    rate = speed * np.sin(np.radians(case.flight.climb_deg))
    return np.asarray(load * induced + drag * speed + np.maximum(load * rate, 0.0))


def chord_of(case: Cases) -> Array:
    """Mean chord of a case, m; its numbers may be columns."""
    return mean_chord(strips(case.wing, case.craft.shoulder_offset_m))


def weightless(case: Case, columns: Mapping[str, ArrayLike]) -> bool:
    """Whether some design has no weight to carry."""
    return bool(np.any(np.asarray(columns.get("craft.mass_kg", case.craft.mass_kg)) <= 0.0))
