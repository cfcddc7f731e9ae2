"""Power curve: what steady flight takes over airspeed, climb angle or mass.

Answers: at which speed does the craft fly longest and at which farthest, how fast and how steeply
can it go with the power it has, for how long and how far on one battery? Every point is a trim of
its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case, CaseError, Fault
from flapsim.case_columns import is_column_key
from flapsim.flight.search import TrimColumns, TrimStatus, trim_many
from flapsim.flight.watts import watts_of_many

__all__ = ["CurvePoint", "PowerCurve", "default_free", "power_curve"]

Array = NDArray[np.float64]

AIRSPEED = "flight.airspeed_m_s"
CLIMB = "flight.climb_deg"

USABLE_CAPACITY = 0.8
"""Part of a battery's capacity that is flown; common practice, no source."""

DISCHARGE_PER_HOUR = 10.0
"""Power that counts as available, in capacities per hour, unless the user says what is; common
practice for small lithium cells, no source."""

_REFINED = 9
_ROUNDS = 2
_HALVINGS = 9
_STEEPEST = 60.0


@dataclass(frozen=True)
class CurvePoint:
    """A point of a power curve that has a name.

    Attributes
    ----------
    value : float
        Of the swept quantity.
    power_w : float
        Electrical power if there is a drive, aerodynamic power otherwise.
    at_end : bool
        Whether it lies at the end of what was asked or of what trims, so that the true one may
        lie beyond.
    """

    value: float
    power_w: float
    at_end: bool


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
    trimmed : TrimColumns
        The trim of every point, refused ones included.
    watts : dict of str to ndarray, shape (n,)
        Means of the drive; NaN without a drive or a trim.
    power_kind : str
        ``electrical`` with a drive, ``aerodynamic`` without: what the named points minimise.
    available_w : float
        Power that counts as available, NaN if unknown.
    points : dict of str to CurvePoint
        ``minimum_power``, ``best_range``, ``top_speed`` over airspeed; ``most`` over anything else.
    climb_deg : ndarray, shape (n,)
        Steepest climb with the available power, over airspeed; NaN where there is none.
    endurance_s, range_m : ndarray, shape (n,)
        On `USABLE_CAPACITY` of the battery; NaN without one.
    notes : tuple of str
        What to mind.
    """

    case: Case
    key: str
    values: Array
    trimmed: TrimColumns
    watts: dict[str, Array]
    power_kind: str
    available_w: float
    points: dict[str, CurvePoint]
    climb_deg: Array
    endurance_s: Array
    range_m: Array
    notes: tuple[str, ...]

    @property
    def power_w(self) -> Array:
        """Power of each point, of the kind `power_kind`, W, shape (n,); NaN where none trims."""
        return _power(self.trimmed, self.watts, self.power_kind)

    @property
    def airspeed(self) -> Array:
        """Airspeed of each point, m/s, shape (n,)."""
        return _airspeed(self.case, self.key, self.values, self.trimmed)

    @property
    def climb_rate_m_s(self) -> Array:
        """Rate of the steepest climb, m/s, shape (n,)."""
        return np.asarray(self.airspeed * np.sin(np.radians(self.climb_deg)))


def default_free(case: Case) -> tuple[str, ...]:
    """Free quantities of a power curve if the user names none: pitch and plunge amplitude.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of str
        Both plunge amplitudes together; the frequency where the plunge has no amplitude.
    """
    keys = []
    for name in ("inner", "outer"):
        stroke = getattr(case.stroke, name)
        if stroke is not None and stroke.plunge.amplitude_deg != 0.0:
            keys.append(f"stroke.{name}.plunge.amplitude_deg")
    return ("flight.pitch_deg", "+".join(keys) if keys else "stroke.frequency_hz")


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
        Power there is: electrical with a drive, aerodynamic without. With a battery ten times its
        capacity per hour if left out.
    bounds : mapping of str to (float, float), optional
        Own ranges of free keys.
    threads : int
        Threads to work on; results do not depend on it.

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
    task = _Task(case, key, free, hold, bounds, threads)
    trimmed, found = task.at(swept)
    trimmed, found = task.bridged(swept, trimmed, found)
    kind = "aerodynamic" if case.drive is None else "electrical"
    available = _available(case) if available_w is None else available_w
    power = _power(trimmed, found, kind)
    notes = list(_refusals(key, swept, trimmed))
    points: dict[str, CurvePoint] = {}
    climb = np.full(swept.shape, np.nan)
    speed = _airspeed(case, key, swept, trimmed)
    if np.isfinite(power).any():
        if key == AIRSPEED:
            points["minimum_power"] = task.least(swept, power, trimmed, kind, per_distance=False)
            points["best_range"] = task.least(swept, power, trimmed, kind, per_distance=True)
        points["top_speed" if key == AIRSPEED else "most"] = task.most(
            swept, power, trimmed, kind, available
        )
        if key == AIRSPEED and math.isfinite(available):
            climb = task.steepest(swept, power, trimmed, kind, available)
            notes += _best_climb(speed, climb, available)
    notes += [
        f"{name.replace('_', ' ')} lies at the end of what was asked or trims: {point.value:.4g}."
        for name, point in points.items()
        if point.at_end
    ]
    endurance = np.full(swept.shape, np.nan)
    if case.drive is not None:
        capacity = USABLE_CAPACITY * case.drive.battery.capacity_ah * 3600.0
        endurance = capacity / found["battery_current_a"]
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
        case, key, swept, trimmed, found, kind, available, points, climb, endurance,
        endurance * speed, tuple(notes),
    )  # fmt: skip


def _check(case: Case, key: str, values: Array, free: Sequence[str]) -> None:
    faults = []
    if not is_column_key(key):
        case.get(key)
        faults.append(Fault(case.name, key, "a swept quantity", "a key that holds a number", ""))
    elif any(key == part for name in free for part in name.split("+")):
        faults.append(Fault(case.name, key, "swept and free", "either of them", ""))
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


def _power(trimmed: TrimColumns, found: Mapping[str, Array], kind: str) -> Array:
    power = (
        found["electrical_power_w"]
        if kind == "electrical"
        else trimmed.results["mean.aero_power_w"]
    )
    return np.where(trimmed.trimmed, power, np.nan)


def _airspeed(case: Case, key: str, values: Array, trimmed: TrimColumns) -> Array:
    if key == AIRSPEED:
        return values
    fixed = np.full(values.shape, case.flight.airspeed_m_s)
    return trimmed.solution.get(AIRSPEED, fixed)


def _refusals(key: str, values: Array, trimmed: TrimColumns) -> list[str]:
    """Why points do not trim, one sentence for each run of neighbours."""
    out: list[str] = []
    refused = np.flatnonzero(~trimmed.trimmed)
    if not refused.size:
        return out
    for run in np.split(refused, np.flatnonzero(np.diff(refused) > 1) + 1):
        first, last = values[run[0]], values[run[-1]]
        where = f"{first:.4g}" if run.size == 1 else f"{first:.4g} to {last:.4g}"
        worst = run[0] if run[0] > 0 else run[-1]
        out.append(f"No trim at {key} = {where}: {trimmed.reason(int(worst))}.")
    return out


def _best_climb(speed: Array, climb: Array, available: float) -> list[str]:
    """The ceiling of climb, in a sentence."""
    rate = speed * np.sin(np.radians(climb))
    if not np.isfinite(rate).any():
        return []
    at = int(np.nanargmax(rate))
    return [
        f"Fastest climb with {available:.3g} W: {rate[at]:.3g} m/s at {speed[at]:.4g} m/s, path"
        f" {climb[at]:.3g} deg up; the stroke, not the power, may be what limits it."
    ]


class _Task:
    """Trims of one craft over one quantity."""

    def __init__(
        self,
        case: Case,
        key: str,
        free: Sequence[str],
        hold: Sequence[str] | None,
        bounds: Mapping[str, tuple[float, float]] | None,
        threads: int,
    ) -> None:
        self._case, self._key, self._free, self._hold = case, key, tuple(free), hold
        self._bounds, self._threads = bounds, threads

    def at(
        self, values: Array, start: Mapping[str, Array] | None = None, **others: Array
    ) -> tuple[TrimColumns, dict[str, Array]]:
        """Trim at some values, with the watts of the drive."""
        columns = {self._key: values} | {k.replace("__", "."): v for k, v in others.items()}
        trimmed = trim_many(
            self._case, columns, self._free, self._hold, start, self._bounds, self._threads,
            thorough=start is None,
        )  # fmt: skip
        full = columns | trimmed.solution
        return trimmed, watts_of_many(self._case, full, trimmed.results, trimmed.trimmed)

    def bridged(
        self, values: Array, trimmed: TrimColumns, found: dict[str, Array]
    ) -> tuple[TrimColumns, dict[str, Array]]:
        """Try refused points once more from their nearest neighbour that trims."""
        good = np.flatnonzero(trimmed.trimmed)
        refused = np.flatnonzero(~trimmed.trimmed)
        if not good.size or not refused.size:
            return trimmed, found
        near = good[np.argmin(np.abs(values[refused][:, None] - values[good][None]), axis=1)]
        start = {key: value[near] for key, value in trimmed.solution.items()}
        again, watts = self.at(values[refused], start)
        won = again.trimmed
        for into, new in (
            (trimmed.solution, again.solution),
            (trimmed.residual, again.residual),
            (trimmed.results, again.results),
            (found, watts),
        ):
            for name, column in into.items():
                column[refused[won]] = new[name][won]
        trimmed.status[refused[won]] = TrimStatus.TRIMMED
        return trimmed, found

    def _between(
        self, values: Array, trimmed: TrimColumns, low: float, high: float
    ) -> tuple[Array, dict[str, Array]]:
        """Finer values, with a warm start from the points around them."""
        fine = np.linspace(low, high, _REFINED)
        good = trimmed.trimmed
        start = {k: np.interp(fine, values[good], v[good]) for k, v in trimmed.solution.items()}
        return fine, start

    def least(
        self, values: Array, power: Array, trimmed: TrimColumns, kind: str, per_distance: bool
    ) -> CurvePoint:
        """Value of least power, or of least power per distance."""
        x, y = values, power
        for _ in range(_ROUNDS):
            cost = y / x if per_distance else y
            at = int(np.nanargmin(cost))
            low, high = x[max(at - 1, 0)], x[min(at + 1, x.size - 1)]
            x, start = self._between(values, trimmed, low, high)
            fine, found = self.at(x, start)
            y = _power(fine, found, kind)
        cost = y / x if per_distance else y
        at = int(np.nanargmin(cost))
        best = float(x[at])
        inside = 0 < at < x.size - 1 and bool(np.isfinite(cost[at - 1 : at + 2]).all())
        if inside:
            best += _vertex(cost[at - 1 : at + 2]) * float(x[1] - x[0])
        known = np.isfinite(y)
        return CurvePoint(best, float(np.interp(best, x[known], y[known])), not inside)

    def most(
        self, values: Array, power: Array, trimmed: TrimColumns, kind: str, available: float
    ) -> CurvePoint:
        """Largest value that trims with the available power."""
        limit = available if math.isfinite(available) else math.inf
        x, y = values, power
        for _ in range(_ROUNDS + 1):
            able = np.flatnonzero(y <= limit)
            if not able.size:
                return CurvePoint(math.nan, math.nan, True)
            at = int(able[-1])
            if at == x.size - 1:
                break
            if np.isfinite(y[at + 1]) and np.isfinite(limit) and x is not values:
                part = (limit - y[at]) / (y[at + 1] - y[at])
                return CurvePoint(float(x[at] + part * (x[at + 1] - x[at])), limit, False)
            x, start = self._between(values, trimmed, x[at], x[at + 1])
            fine, found = self.at(x, start)
            y = _power(fine, found, kind)
        able = np.flatnonzero(y <= limit)
        if not able.size:
            return CurvePoint(math.nan, math.nan, True)
        return CurvePoint(float(x[able[-1]]), float(y[able[-1]]), True)

    def steepest(
        self, values: Array, power: Array, trimmed: TrimColumns, kind: str, available: float
    ) -> Array:
        """Steepest climb with the available power at each airspeed, by bisection, deg."""
        able = np.flatnonzero(power <= available)
        out = np.full(values.shape, np.nan)
        if not able.size:
            return out
        low = np.full(able.size, float(self._case.flight.climb_deg))
        high = np.full(able.size, _STEEPEST)
        start = {key: value[able] for key, value in trimmed.solution.items()}
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            climbing, found = self.at(values[able], start, flight__climb_deg=middle)
            taken = _power(climbing, found, kind)
            can = taken <= available
            low, high = np.where(can, middle, low), np.where(can, high, middle)
            for key, value in climbing.solution.items():
                start[key] = np.where(can, value, start[key])
        out[able] = low
        return out


def _vertex(three: Array) -> float:
    """Where the parabola through three equidistant values is least, in steps from the middle."""
    bend = three[0] - 2.0 * three[1] + three[2]
    return float(0.5 * (three[0] - three[2]) / bend) if bend > 0.0 else 0.0


def plain_curve(curve: PowerCurve) -> dict[str, Any]:
    """A power curve as a nested dictionary for JSON.

    Parameters
    ----------
    curve : PowerCurve
        The curve.

    Returns
    -------
    dict
        Numbers without a meaning are None.
    """

    def plain(values: Array) -> list[float | None]:
        return [float(v) if math.isfinite(v) else None for v in values]

    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "title": curve.case.title,
        "key": curve.key,
        "values": plain(curve.values),
        "status": [TrimStatus(int(s)).name.lower() for s in curve.trimmed.status],
        "solution": {k: plain(v) for k, v in curve.trimmed.solution.items()},
        "residual": {k: plain(v) for k, v in curve.trimmed.residual.items()},
        "mean": {
            "aero_power_w": plain(curve.trimmed.results["mean.aero_power_w"]),
            "shaft_power_w": plain(curve.watts["shaft_power_w"]),
            "electrical_power_w": plain(curve.watts["electrical_power_w"]),
        },
        "check": {"stalled_fraction": plain(curve.trimmed.results["check.stalled_fraction"])},
        "power_kind": curve.power_kind,
        "available_w": number(curve.available_w),
        "points": {
            name: {"value": number(p.value), "power_w": number(p.power_w), "at_end": p.at_end}
            for name, p in curve.points.items()
        },
        "climb_deg": plain(curve.climb_deg),
        "climb_rate_m_s": plain(curve.climb_rate_m_s),
        "endurance_s": plain(curve.endurance_s),
        "range_m": plain(curve.range_m),
        "notes": list(curve.notes),
    }
