"""From samples and crank angle to strokes, each averaged over bins of phase; bad ones rejected.

Answers: what did every stroke look like, which strokes are accepted, and why are the others not?
Averages over time integrate the straight line between samples, so that neither jitter nor where the
samples fall within the stroke matters.
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from flapsim.faults import CaseError, Fault
from flapsim.rig.cleaning import Samples
from flapsim.rig.crank_angle import TURN, CrankTracker
from flapsim.rig.rig_file import Rig

Array = NDArray[np.float64]
Lines = NDArray[np.int64]

POWER = "power"
"""Name of the product of voltage and current, averaged as a product."""

UNEVEN = 3.0
"""Ratio of the time spent in a bin to the mean, either way, beyond which the crank is uneven."""

OUTLIER_FLOOR = 0.02
"""Fraction of its peak by which a stroke mean may always differ: steady runs scatter little."""

FLAT = 4
"""Equal readings in a row that make a peak look clipped."""

STUCK = 0.25
"""Fraction of a stroke during which a moving sensor may read the same."""


@dataclass(frozen=True, slots=True)
class StrokeTable:
    """Strokes of a log, one row each.

    Attributes
    ----------
    lines : (n,) array of int
        Lines at which strokes begin.
    start, period : (n,) arrays
        s.
    time : (n, bins) array
        Time spent in each bin of phase, s.
    means : dict of str to (n,) array
        Means over time, by quantity; SI units.
    waves : dict of str to (n, bins) array
        Means over each bin, single precision.
    reasons : (n,) array of str
        Why a stroke is rejected; empty if accepted.
    """

    lines: Lines
    start: Array
    period: Array
    time: Array
    means: dict[str, Array]
    waves: dict[str, NDArray[np.float32]]
    reasons: NDArray[np.str_]

    @property
    def count(self) -> int:
        """Number of strokes."""
        return len(self.period)

    def accepted(self) -> StrokeTable:
        """Return the accepted strokes."""
        good = self.reasons == ""
        return self if good.all() else self.taken(good)

    def without_waves(self) -> StrokeTable:
        """Return the same strokes with their means only."""
        return dataclasses.replace(self, waves={}, time=np.empty((self.count, 0)))

    def taken(self, which: NDArray[np.bool_] | slice) -> StrokeTable:
        """Return some of the strokes."""
        return StrokeTable(
            self.lines[which],
            self.start[which],
            self.period[which],
            self.time[which],
            {name: values[which] for name, values in self.means.items()},
            {name: values[which] for name, values in self.waves.items()},
            self.reasons[which],
        )

    def rejected(self) -> dict[str, int]:
        """Return how many strokes are rejected for each reason."""
        reasons, counts = np.unique(self.reasons[self.reasons != ""], return_counts=True)
        return {str(reason): int(count) for reason, count in zip(reasons, counts, strict=True)}


@dataclass(slots=True)
class StrokeCutter:
    """Cuts a stream of samples into strokes; counts strokes with clipped peaks, by quantity."""

    rig: Rig
    crank: CrankTracker
    clipped: Counter[str] = field(default_factory=Counter)
    _samples: list[Samples] = field(default_factory=list)
    _knot_time: Array = field(default_factory=lambda: np.empty(0))
    _knot_angle: Array = field(default_factory=lambda: np.empty(0))
    _next: int | None = None

    def feed(self, samples: Samples) -> Iterator[StrokeTable]:
        """Yield the strokes that these samples complete."""
        self._samples.append(samples)
        yield from self._cut(*self.crank.follow(samples))

    def end(self) -> Iterator[StrokeTable]:
        """Yield the strokes that are complete at the end of the log."""
        yield from self._cut(*self.crank.end())

    def _cut(self, time: Array, angle: Array) -> Iterator[StrokeTable]:
        if len(self._knot_time):
            fresh = time > self._knot_time[-1]
            time, angle = time[fresh], angle[fresh]
        self._knot_time = np.concatenate([self._knot_time, time])
        self._knot_angle = np.maximum.accumulate(np.concatenate([self._knot_angle, angle]))
        if len(self._knot_time) < 2:
            return
        if self._next is None:
            self._next = math.ceil(self._knot_angle[0] / TURN)
        rows = Samples.joined(self._samples)
        known = min(self._knot_time[-1], rows.time[-1] if len(rows.time) else -math.inf)
        last = math.floor(np.interp(known, self._knot_time, self._knot_angle) / TURN)
        self._samples = [rows]
        if last <= self._next:
            return
        bins = self.rig.strokes.bins
        turns = np.arange(self._next * bins, last * bins + 1) / bins
        edges = _times_at(turns * TURN, self._knot_time, self._knot_angle)
        for name, channel in self.rig.measured.items():
            if not channel.steady:
                self.clipped[name] += clipped_peaks(rows.values[name], rows.time, edges[::bins])
        yield _average(rows, edges, bins, self.rig)
        self._next = last
        # One sample before the boundary stays, for the line through it.
        at = max(int(np.searchsorted(rows.time, edges[-1], "right")) - 1, 0)
        self._samples = [rows.taken(slice(at, None))]
        knot = max(int(np.searchsorted(self._knot_time, edges[-1], "right")) - 1, 0)
        self._knot_time, self._knot_angle = self._knot_time[knot:], self._knot_angle[knot:]


def _times_at(angle: Array, knot_time: Array, knot_angle: Array) -> Array:
    """Times at which the crank passes given angles."""
    # Knots of equal angle (a crank at rest) are one instant to interp: keep the last.
    moving = np.append(np.diff(knot_angle) > 0.0, True)
    return np.asarray(np.interp(angle, knot_angle[moving], knot_time[moving]))


def _average(rows: Samples, edges: Array, bins: int, rig: Rig) -> StrokeTable:
    """Average consecutive strokes over the bins between the given times."""
    count = (len(edges) - 1) // bins
    time = np.diff(edges).reshape(count, bins)
    starts = edges[::bins][:-1]
    period = np.diff(edges[::bins])
    values = dict(rows.values)
    if "voltage" in values and "current" in values:
        values[POWER] = values["voltage"] * values["current"]
    at = np.clip(np.searchsorted(rows.time, edges, "right") - 1, 0, len(rows.time) - 2)
    step = np.diff(rows.time)
    past = edges - rows.time[at]
    means, waves = {}, {}
    for name, value in values.items():
        whole = cumulative_trapezoid(value, rows.time, initial=0.0)
        slope = (value[at + 1] - value[at]) / step[at]
        integral = np.diff(whole[at] + past * (value[at] + 0.5 * slope * past))
        integral = integral.reshape(count, bins)
        means[name] = integral.sum(axis=1) / period
        with np.errstate(divide="ignore", invalid="ignore"):
            waves[name] = (integral / time).astype(np.float32)
    begin = np.searchsorted(rows.time, starts, "right") - 1
    end = np.minimum(np.searchsorted(rows.time, edges[bins::bins]), len(rows.time) - 1)
    reasons = _reasons(rows, time, begin, end, rig)
    lines = rows.lines[np.minimum(begin + 1, len(rows.lines) - 1)]
    return StrokeTable(lines, starts, period, time, means, waves, reasons)


def clipped_peaks(value: Array, time: Array, starts: Array) -> int:
    """Count the strokes with a peak that looks clipped.

    Parameters
    ----------
    starts : (k + 1,) array
        Times at which strokes begin, and the end of the last.

    Notes
    -----
    Clipped: readings stay equal at the largest or the smallest of all readings, with steeper sides
    than the resolution of the sensor. A smooth peak, however coarsely quantised, falls off by
    single steps, and readings that are equal by chance lie anywhere.
    """
    begins = np.concatenate([[0], np.flatnonzero(np.diff(value) != 0.0) + 1])
    if len(begins) < 3:
        return 0
    levels, lengths = value[begins], np.diff(begins, append=len(value))
    step = np.diff(levels)
    before, after = step[:-1], -step[1:]
    steep = np.maximum(np.abs(before), np.abs(after)) > 1.5 * np.abs(step).min()
    ends = (levels == levels.max()) | (levels == levels.min())
    flat = (lengths[1:-1] >= FLAT) & (before * after > 0.0) & steep & ends[1:-1]
    at = np.searchsorted(starts, time[begins[1:-1][flat]], "right") - 1
    return len(np.unique(at[(at >= 0) & (at < len(starts) - 1)]))


def _reasons(
    rows: Samples, time: Array, begin: NDArray[np.intp], end: NDArray[np.intp], rig: Rig
) -> NDArray[np.str_]:
    """Reasons to reject a stroke that do not depend on the other strokes."""
    count = len(time)
    reasons = np.full(count, "", dtype="<U40")
    moving = [name for name, channel in rig.measured.items() if not channel.steady]
    for name in moving:
        value = rows.values[name]
        changes = np.flatnonzero(np.diff(value) != 0.0) + 1
        # Longest run of equal readings that lies in the stroke.
        first = np.searchsorted(changes, begin, "right")
        last = np.searchsorted(changes, end, "right")
        for row in range(count):
            inside = changes[first[row] : last[row]]
            bounds = np.concatenate([[begin[row]], inside, [end[row]]])
            if np.diff(bounds).max() > max(STUCK * (end[row] - begin[row]), 4):
                reasons[row] = f"{name} stuck"
    mean = time.mean(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        uneven = ((time > UNEVEN * mean) | (time < mean / UNEVEN)).any(axis=1)
    reasons[uneven] = "uneven crank speed"
    wide = np.flatnonzero(np.diff(rows.time) > rig.log.longest_gap_s)
    gapped = np.searchsorted(wide, end) > np.searchsorted(wide, begin)
    reasons[gapped] = "gap in the samples"
    frequency = 1.0 / time.sum(axis=1)
    low, high = rig.strokes.frequency_hz
    reasons[(frequency < low) | (frequency > high)] = "frequency out of range"
    return reasons


def joined(tables: list[StrokeTable], rig: Rig, name: str) -> StrokeTable:
    """Join the strokes of a log, in order, and reject the outliers; the tables lose their waves.

    Raises CaseError, under the `name` of the log, if too few strokes are accepted.
    """
    fewest = rig.strokes.fewest
    if not tables:
        fault = Fault(
            name, rig.position.column, "no complete stroke", f"at least {fewest} strokes",
            "the crank does not turn, or position.per_turn is wrong",
        )  # fmt: skip
        raise CaseError([fault])
    keys = list(tables[0].waves)
    table = StrokeTable(
        np.concatenate([part.lines for part in tables]),
        np.concatenate([part.start for part in tables]),
        np.concatenate([part.period for part in tables]),
        np.concatenate([part.time for part in tables]),
        {key: np.concatenate([part.means[key] for part in tables]) for key in tables[0].means},
        # Popped part by part, so that the waves are never all in memory twice.
        {key: np.concatenate([part.waves.pop(key) for part in tables]) for key in keys},
        np.concatenate([part.reasons for part in tables]),
    )
    reasons = table.reasons.copy()
    usual = float(np.median(table.period[reasons == ""])) if (reasons == "").any() else 0.0
    _reject(reasons, table.period, rig.strokes.period_tolerance * usual, None, "period off")
    for key, values in table.means.items():
        if key != POWER:
            size = float(np.abs(np.median(table.waves[key], axis=0)).max())
            why = f"{key} far from the rest"
            _reject(reasons, values, OUTLIER_FLOOR * size, rig.strokes.outlier, why)
    table.reasons[:] = reasons
    good = int(np.count_nonzero(reasons == ""))
    if good < fewest:
        why = "; ".join(f"{count} {reason}" for reason, count in table.rejected().items())
        frequency = 1.0 / float(np.median(table.period))
        fault = Fault(
            name,
            f"lines {table.lines[0]} to the end",
            f"{good} of {table.count} strokes at about {frequency:.4g} Hz",
            f"at least {fewest} accepted strokes (strokes.fewest)",
            f"rejected: {why}" if why else "",
        )
        raise CaseError([fault])
    return table


def _reject(
    reasons: NDArray[np.str_], values: Array, floor: float, robust: float | None, why: str
) -> None:
    """Reject strokes far from the median of those still accepted, by more than `floor`."""
    open_ = reasons == ""
    if not open_.any():
        return
    middle = float(np.median(values[open_]))
    limit = floor
    if robust is not None:
        # 1.4826 makes the median absolute deviation a standard deviation (Rousseeuw & Croux 1993).
        spread = 1.4826 * float(np.median(np.abs(values[open_] - middle)))
        limit = max(robust * spread, floor)
    reasons[open_ & (np.abs(values - middle) > limit)] = why
