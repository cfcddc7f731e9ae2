"""Power of steady flight over airspeed, climb angle or mass; every point is a trim.

Gives minimum power, best range, top speed, steepest climb, endurance and range, and the limit at
each: power, voltage, current, or the stroke.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import is_column_key
from flapsim.drive.limits import LIMITS
from flapsim.faults import CaseError, Fault
from flapsim.flight.balance import default_free
from flapsim.flight.curve_points import (
    STROKE,
    CurvePoint,
    CurveSearch,
    of_drive,
    power_kind,
    power_of,
)
from flapsim.flight.search import TrimBatch, TrimStatus
from flapsim.quantities import finite_or_none

__all__ = ["CurvePoint", "PowerCurve", "power_curve"]

Array = NDArray[np.float64]

AIRSPEED = "flight.airspeed_m_s"
CLIMB = "flight.climb_deg"

USABLE_CAPACITY = 0.8
"""Usable part of a battery's capacity; common practice, no source."""

DISCHARGE_PER_HOUR = 10.0
"""Default available power, in battery capacities per hour; common practice for small lithium
cells, no source."""


@dataclass(frozen=True)
class PowerCurve:
    """Trimmed flight over one swept quantity.

    Attributes
    ----------
    case : Case
        What all points share.
    key : str
        Key path of the swept quantity.
    values : ndarray, shape (n,)
        Its values.
    trimmed : TrimBatch
        The trim of every point, refused ones included.
    watts : dict of str to ndarray, shape (n,)
        Means of the drive; NaN without a drive or a trim.
    power_kind : str
        ``electrical`` with a drive, ``aerodynamic`` without: what the named points minimise.
    available_w : float
        Power that counts as available, NaN if unknown.
    points : dict of str to CurvePoint
        ``minimum_power``, ``best_range``, ``top_speed`` over airspeed; ``most`` over anything else.
    used : ndarray, shape (n,)
        Largest part used of any limit: available power, and `flapsim.drive.limits.LIMITS`; infinite
        where no state trims. The craft can fly a state that does not exceed 1.
    limit : tuple of str, n of them
        That limit.
    climb_deg : ndarray, shape (n,)
        Steepest climb within the limits, over airspeed; NaN where there is none.
    climb_limit : tuple of str, n of them
        Limit of a steeper one; empty where there is no climb, or no limit up to 60 deg.
    endurance_s, range_m : ndarray, shape (n,)
        On `USABLE_CAPACITY` of the battery; NaN without one, and where the drive cannot deliver the
        state.
    notes : tuple of str
        Reasons for refused points, limits and assumptions.
    """

    case: Case
    key: str
    values: Array
    trimmed: TrimBatch
    watts: dict[str, Array]
    power_kind: str
    available_w: float
    points: dict[str, CurvePoint]
    used: Array
    limit: tuple[str, ...]
    climb_deg: Array
    climb_limit: tuple[str, ...]
    endurance_s: Array
    range_m: Array
    notes: tuple[str, ...]

    @property
    def power_w(self) -> Array:
        """Power of each point, of the kind `power_kind`, W, shape (n,); NaN where none trims."""
        return power_of(self.trimmed, self.watts, self.power_kind)

    @property
    def given(self) -> NDArray[np.bool_]:
        """Which points trim within the limits of the drive, available power aside, shape (n,)."""
        return self.trimmed.trimmed & (of_drive(self.watts) <= 1.0)

    @property
    def airspeed(self) -> Array:
        """Airspeed of each point, m/s, shape (n,)."""
        return _airspeed(self.case, self.key, self.values, self.trimmed)

    @property
    def climb_rate_m_s(self) -> Array:
        """Rate of the steepest climb, m/s, shape (n,)."""
        return np.asarray(self.airspeed * np.sin(np.radians(self.climb_deg)))


def power_curve(
    case: Case,
    values: ArrayLike,
    key: str = AIRSPEED,
    free: Sequence[str] | None = None,
    hold: Sequence[str] | None = None,
    available_w: float | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    threads: int = 1,
) -> PowerCurve:
    """Trim a craft over a range of airspeed, climb angle, mass, or any other number.

    Parameters
    ----------
    case : Case
        The craft.
    values : array_like, shape (n,)
        At least three values, increasing.
    key : str
        Key path of what is swept.
    free, hold : sequence of str, optional
        As for `flapsim.flight.trim.trim`; pitch and plunge amplitude, lift and thrust by default.
    available_w : float, optional
        Available power: electrical with a drive, aerodynamic without; by default ten times the
        battery's capacity per hour.
    bounds, threads
        As for `flapsim.flight.trim.trim`.

    Returns
    -------
    PowerCurve

    Raises
    ------
    CaseError
        If a key or a value is at fault. Points that do not trim are no error.
    """
    swept = np.asarray(values, dtype=np.float64)
    free = tuple(free or default_free(case))
    _check(case, key, swept, free)
    available = _available(case) if available_w is None else available_w
    task = CurveSearch(case, key, free, hold, bounds, threads, available)
    trimmed, found = task.at(swept)
    trimmed, found = task.bridged(swept, trimmed, found)
    power = task.power(trimmed, found)
    used, limit = task.used(trimmed, found)
    notes = [*_refusals(key, swept, trimmed), *_refusals_of_drive(key, swept, trimmed, found)]
    points: dict[str, CurvePoint] = {}
    climb, climb_limit = np.full(swept.shape, np.nan), [""] * swept.size
    speed = _airspeed(case, key, swept, trimmed)
    given = np.where(of_drive(found) <= 1.0, power, np.nan)
    if key == AIRSPEED and np.isfinite(given).any():
        points["minimum_power"] = task.least(swept, given, trimmed, per_distance=False)
        points["best_range"] = task.least(swept, given, trimmed, per_distance=True)
    if np.isfinite(power).any():
        points["top_speed" if key == AIRSPEED else "most"] = task.most(swept, trimmed, found)
    if key == AIRSPEED and (used <= 1.0).any() and math.isfinite(available):
        climb, climb_limit = task.steepest(swept, trimmed, used)
        notes += _best_climb(speed, climb, climb_limit)
    notes += _ends(points)
    endurance = np.full(swept.shape, np.nan)
    if case.drive is not None:
        capacity = USABLE_CAPACITY * case.drive.battery.capacity_ah * 3600.0
        endurance = np.where(np.isfinite(given), capacity / found["battery_current_a"], np.nan)
        notes.append(
            f"Endurance and range use {100 * USABLE_CAPACITY:.0f} % of the battery's capacity"
            " (common practice, no source), in still air, without take-off."
        )
        if available_w is None:
            notes.append(
                f"Available power {available:.3g} W: ten times the capacity per hour (common"
                " practice, no source)."
            )
    return PowerCurve(
        case, key, swept, trimmed, found, power_kind(case), available, points, used, limit, climb,
        tuple(climb_limit), endurance, endurance * speed, tuple(notes),
    )  # fmt: skip


def _check(case: Case, key: str, values: Array, free: Sequence[str]) -> None:
    faults = []
    if not is_column_key(key):
        case.get(key)
        allowed = "cannot be swept; only a key that holds a number can"
        faults.append(Fault(case.name, key, "", allowed))
    elif any(key == part for name in free for part in name.split("+")):
        faults.append(Fault(case.name, key, "", "a key is either swept or free, not both", ""))
    if values.ndim != 1 or values.size < 3 or not np.all(np.diff(values) > 0.0):
        faults.append(
            Fault(case.name, key, f"{values.size} values", "at least 3 increasing values", "")
        )
    if faults:
        raise CaseError(faults)
    for end in (values[0], values[-1]):
        case.replace({key: float(end)})


def _available(case: Case) -> float:
    if case.drive is None:
        return math.nan
    battery = case.drive.battery
    return DISCHARGE_PER_HOUR * battery.capacity_ah * battery.voltage_v


def _airspeed(case: Case, key: str, values: Array, trimmed: TrimBatch) -> Array:
    if key == AIRSPEED:
        return values
    fixed = np.full(values.shape, case.flight.airspeed_m_s)
    return trimmed.solution.get(AIRSPEED, fixed)


def _runs(values: Array, those: NDArray[np.int64]) -> list[tuple[NDArray[np.int64], str]]:
    """Runs of neighbours, and where they lie, in words."""
    if not those.size:
        return []
    out = []
    for run in np.split(those, np.flatnonzero(np.diff(those) > 1) + 1):
        first, last = values[run[0]], values[run[-1]]
        out.append((run, f"{first:.4g}" if run.size == 1 else f"{first:.4g} to {last:.4g}"))
    return out


def _refusals(key: str, values: Array, trimmed: TrimBatch) -> list[str]:
    """Why points do not trim, one sentence for each run of neighbours."""
    out = []
    for run, where in _runs(values, np.flatnonzero(~trimmed.trimmed)):
        worst = run[0] if run[0] > 0 else run[-1]
        out.append(f"No trim at {key} = {where}: {trimmed.reason(int(worst))}.")
    return out


def _refusals_of_drive(
    key: str, values: Array, trimmed: TrimBatch, found: Mapping[str, Array]
) -> list[str]:
    """Why the drive cannot deliver points that trim, one sentence for each run of neighbours."""
    out = []
    for run, where in _runs(values, np.flatnonzero(trimmed.trimmed & (of_drive(found) > 1.0))):
        parts = {name: float(np.nan_to_num(found[name][run]).max()) for name in LIMITS}
        worst = max(parts, key=lambda name: parts[name])
        out.append(
            f"The drive cannot deliver {key} = {where}: it would need up to"
            f" {100.0 * parts[worst]:.3g} % of the {LIMITS[worst]}."
        )
    return out


def _ends(points: Mapping[str, CurvePoint]) -> list[str]:
    """Limits of the named points, and which of them lie at an edge."""
    out = []
    for name, point in points.items():
        words = "maximum" if name == "most" else name.replace("_", " ")
        if point.limit:
            out.append(f"{words} {point.value:.4g}, limit: {_words_of(point.limit)}.")
        elif point.at_end and math.isfinite(point.value):
            out.append(
                f"{words} lies at the edge of the range searched or of the flyable range:"
                f" {point.value:.4g}."
            )
        elif point.at_end:
            out.append(f"{words}: no point stays within the limits.")
    return out


def _words_of(limit: str) -> str:
    return limit if limit == STROKE else f"the {limit}"


def _best_climb(speed: Array, climb: Array, limit: Sequence[str]) -> list[str]:
    """The ceiling of climb, in a sentence."""
    rate = speed * np.sin(np.radians(climb))
    if not np.isfinite(rate).any():
        return []
    at = int(np.nanargmax(rate))
    beyond = f"; limit: {_words_of(limit[at])}" if limit[at] else ""
    return [
        f"Fastest climb: {rate[at]:.3g} m/s at {speed[at]:.4g} m/s, path {climb[at]:.3g} deg"
        f" up{beyond}."
    ]


def plain_curve(curve: PowerCurve) -> dict[str, Any]:
    """A power curve as a nested dictionary for JSON; numbers without a meaning are None."""
    plain: dict[str, Any] = finite_or_none(
        {
            "title": curve.case.title,
            "key": curve.key,
            "values": curve.values,
            "status": [TrimStatus(int(s)).name.lower() for s in curve.trimmed.status],
            "solution": curve.trimmed.solution,
            "residual": curve.trimmed.residual,
            "mean": {
                "aero_power_w": curve.trimmed.results["mean.aero_power_w"],
                "shaft_power_w": curve.watts["shaft_power_w"],
                "electrical_power_w": curve.watts["electrical_power_w"],
            },
            "check": {"stalled_fraction": curve.trimmed.results["check.stalled_fraction"]},
            "power_kind": curve.power_kind,
            "available_w": curve.available_w,
            "points": {
                name: {
                    "value": p.value,
                    "power_w": p.power_w,
                    "at_end": p.at_end,
                    "limit": p.limit or None,
                }
                for name, p in curve.points.items()
            },
            "used": curve.used,
            "limit": list(curve.limit),
            "climb_limit": [limit or None for limit in curve.climb_limit],
            "climb_deg": curve.climb_deg,
            "climb_rate_m_s": curve.climb_rate_m_s,
            "endurance_s": curve.endurance_s,
            "range_m": curve.range_m,
            "notes": list(curve.notes),
        }
    )
    return plain
