"""Named points of a power curve: minimum power, best range, top speed, steepest climb.

Each comes with the limit that it runs into: the stroke, the available power, or voltage and current
of the drive.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.drive.limits import LIMITS
from flapsim.flight.drive_power import drive_power_of_many
from flapsim.flight.search import TrimBatch, TrimStatus, trim_many

Array = NDArray[np.float64]

STROKE = "the stroke does not trim"
AVAILABLE = "available power"

_REFINED = 9
_ROUNDS = 2
_HALVINGS = 9
_STEEPEST = 60.0


@dataclass(frozen=True)
class CurvePoint:
    """A named point of a power curve.

    Attributes
    ----------
    value : float
        Of the swept quantity.
    power_w : float
        Electrical power if there is a drive, aerodynamic power otherwise.
    at_end : bool
        Whether it lies at the edge of the range searched or of the states that the drive can
        deliver, so that it is no extremum of its own.
    limit : str
        Limit reached there: `STROKE`, `AVAILABLE` or one of `flapsim.drive.limits.LIMITS`; empty
        for a least power, and at the edge of the range searched.
    """

    value: float
    power_w: float
    at_end: bool
    limit: str = ""


def power_kind(case: Case) -> str:
    """Kind of power of a curve: ``electrical`` with a drive, ``aerodynamic`` without."""
    return "aerodynamic" if case.drive is None else "electrical"


def power_of(trimmed: TrimBatch, found: Mapping[str, Array], kind: str) -> Array:
    """Power of each point, of that kind, W; NaN where none trims."""
    power = (
        found["electrical_power_w"]
        if kind == "electrical"
        else trimmed.results["mean.aero_power_w"]
    )
    return np.where(trimmed.trimmed, power, np.nan)


def of_drive(found: Mapping[str, Array]) -> Array:
    """Largest part used of any limit of the drive; 0 where it has none."""
    return np.asarray(np.max([np.nan_to_num(found[name]) for name in LIMITS], axis=0))


class CurveSearch:
    """Trims of one craft over one quantity."""

    def __init__(
        self,
        case: Case,
        key: str,
        free: Sequence[str],
        hold: Sequence[str] | None,
        bounds: Mapping[str, tuple[float, float]] | None,
        threads: int,
        available: float,
    ) -> None:
        self._case, self._key, self._free, self._hold = case, key, tuple(free), hold
        self._bounds, self._threads, self._available = bounds, threads, available

    def at(
        self, values: Array, start: Mapping[str, Array] | None = None, **others: Array
    ) -> tuple[TrimBatch, dict[str, Array]]:
        """Trim at some values; returns the trims and the means of the drive."""
        columns = {self._key: values} | {k.replace("__", "."): v for k, v in others.items()}
        trimmed = trim_many(
            self._case, columns, self._free, self._hold, start, self._bounds, self._threads,
            thorough=start is None, stability=True,
        )  # fmt: skip
        return trimmed, drive_power_of_many(trimmed.results, trimmed.trimmed)

    def bridged(
        self, values: Array, trimmed: TrimBatch, found: dict[str, Array]
    ) -> tuple[TrimBatch, dict[str, Array]]:
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

    def power(self, trimmed: TrimBatch, found: Mapping[str, Array]) -> Array:
        """Power of each point; NaN where none trims."""
        return power_of(trimmed, found, power_kind(self._case))

    def _parts(self, trimmed: TrimBatch, found: Mapping[str, Array]) -> dict[str, Array]:
        """Part used of each limit; infinite where no state trims."""
        driven = self._case.drive is not None
        # Finite even where the battery cannot deliver it.
        asked = (
            found["motor_power_w"] + found["auxiliary_power_w"]
            if driven
            else trimmed.results["mean.aero_power_w"]
        )
        parts = {LIMITS[name]: np.nan_to_num(found[name]) for name in LIMITS if driven}
        if math.isfinite(self._available):
            parts[AVAILABLE] = np.nan_to_num(asked / self._available)
        parts[STROKE] = np.where(trimmed.trimmed, 0.0, np.inf)
        return parts

    def used(self, trimmed: TrimBatch, found: Mapping[str, Array]) -> tuple[Array, tuple[str, ...]]:
        """Largest part used of any limit, and which it is."""
        parts = self._parts(trimmed, found)
        every = np.stack(list(parts.values()))
        names = list(parts)
        return every.max(axis=0), tuple(names[at] for at in every.argmax(axis=0))

    def _between(
        self, values: Array, trimmed: TrimBatch, low: float, high: float
    ) -> tuple[Array, dict[str, Array]]:
        """Finer values, with a warm start from the points around them."""
        fine = np.linspace(low, high, _REFINED)
        good = trimmed.trimmed
        start = {k: np.interp(fine, values[good], v[good]) for k, v in trimmed.solution.items()}
        return fine, start

    def least(
        self, values: Array, given: Array, trimmed: TrimBatch, per_distance: bool
    ) -> CurvePoint:
        """Value of least power, or of least power per distance, within the limits of the drive."""
        x, y = values, given
        for _ in range(_ROUNDS):
            cost = y / x if per_distance else y
            at = int(np.nanargmin(cost))
            low, high = x[max(at - 1, 0)], x[min(at + 1, x.size - 1)]
            x, start = self._between(values, trimmed, low, high)
            fine, found = self.at(x, start)
            y = np.where(of_drive(found) <= 1.0, self.power(fine, found), np.nan)
        cost = y / x if per_distance else y
        at = int(np.nanargmin(cost))
        best = float(x[at])
        inside = 0 < at < x.size - 1 and bool(np.isfinite(cost[at - 1 : at + 2]).all())
        if inside:
            best += _vertex(cost[at - 1 : at + 2]) * float(x[1] - x[0])
        known = np.isfinite(y)
        return CurvePoint(best, float(np.interp(best, x[known], y[known])), not inside)

    def most(self, values: Array, trimmed: TrimBatch, found: Mapping[str, Array]) -> CurvePoint:
        """Largest value that trims within the limits."""
        x, fine, at_fine = values, trimmed, found
        for turn in range(_ROUNDS + 2):
            used, limit = self.used(fine, at_fine)
            able = np.flatnonzero(used <= 1.0)
            if not able.size:
                return CurvePoint(math.nan, math.nan, True)
            at = int(able[-1])
            power = self.power(fine, at_fine)
            if at == x.size - 1:
                return CurvePoint(float(x[at]), float(power[at]), True)
            if turn and math.isfinite(used[at + 1]):
                part, name = self._crossing(fine, at_fine, at)
                value = x[at] + part * (x[at + 1] - x[at])
                needed = power[at] + part * (power[at + 1] - power[at])
                return CurvePoint(float(value), float(needed), False, name)
            if turn == _ROUNDS + 1:
                return CurvePoint(float(x[at]), float(power[at]), True, limit[at + 1])
            x, start = self._between(values, trimmed, x[at], x[at + 1])
            fine, at_fine = self.at(x, start)
        raise AssertionError("the last turn returns")

    def _crossing(
        self, trimmed: TrimBatch, found: Mapping[str, Array], at: int
    ) -> tuple[float, str]:
        """Where, as a part of the way to the next point, which limit is reached first."""
        first, name = 1.0, ""
        for limit, part in self._parts(trimmed, found).items():
            if part[at + 1] > 1.0:
                reached = float((1.0 - part[at]) / (part[at + 1] - part[at]))
                if reached <= first:
                    first, name = reached, limit
        return first, name

    def steepest(self, values: Array, trimmed: TrimBatch, used: Array) -> tuple[Array, list[str]]:
        """Steepest climb within the limits at each airspeed, by bisection, deg, and its limit."""
        able = np.flatnonzero(used <= 1.0)
        out, binds = np.full(values.shape, np.nan), [""] * values.size
        low = np.full(able.size, float(self._case.flight.climb_deg))
        high = np.full(able.size, _STEEPEST)
        start = {key: value[able] for key, value in trimmed.solution.items()}
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            climbing, found = self.at(values[able], start, flight__climb_deg=middle)
            taken, limit = self.used(climbing, found)
            can = taken <= 1.0
            low, high = np.where(can, middle, low), np.where(can, high, middle)
            for key, value in climbing.solution.items():
                start[key] = np.where(can, value, start[key])
            for place in np.flatnonzero(~can):
                binds[able[place]] = limit[place]
        out[able] = low
        return out, binds


def _vertex(three: Array) -> float:
    """Where the parabola through three equidistant values is least, in steps from the middle."""
    bend = three[0] - 2.0 * three[1] + three[2]
    return float(0.5 * (three[0] - three[2]) / bend) if bend > 0.0 else 0.0
