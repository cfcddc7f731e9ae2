"""Where the crank is at every instant, from a sensor that wraps, jumps and misses.

Answers: at which times did the crank stand at which angle, free of the sensor's faults? The faults
that are repaired are counted. The angle is that of the stroke: one turn is one stroke.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from flapsim.case_rules import Faults
from flapsim.rig.cleaning import Samples
from flapsim.rig.rig_file import Rig

Array = NDArray[np.float64]

TURN = 2.0 * math.pi

MOST_MISSED = 4
"""Edges missed in a row beyond which the crank is taken to have stood still."""

NEIGHBOURS = 15
"""Intervals whose median says how long an interval should be."""

KNOTS = 64
"""Knots of the angle per stroke: shorter ripples of the crank speed are taken for noise."""

COARSE = 1.0 / 12.0
"""Part of a turn by which a crank angle may jump between two samples, beyond what it turns."""


class Crank(Protocol):
    """Follows the crank through a log.

    Attributes
    ----------
    repairs : Counter
        What was repaired, in words, and how often.
    """

    repairs: Counter[str]

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return knots (time s, angle rad) that the samples add; the angle never falls."""

    def end(self) -> tuple[Array, Array]:
        """Return the knots that were held back."""


def crank_of(rig: Rig, name: str) -> Crank:
    """Return what follows the crank of this rig; `name` is that of the log, for messages."""
    return EdgeCrank(rig) if rig.position.kind == "edges" else CountCrank(rig, name)


# --- angle and counts ------------------------------------------------------------------------


@dataclass(slots=True)
class CountCrank:
    """A sensor that says in every row where the crank is: an angle, or a running count.

    Knots are averages over a small part of a stroke, which takes quantisation and noise out.
    """

    rig: Rig
    name: str
    repairs: Counter[str] = field(default_factory=Counter)
    _raw: float = math.nan
    _time: float = 0.0
    _angle: float = 0.0
    _offset: float = 0.0
    _held: list[tuple[Array, Array]] = field(default_factory=list)
    _knot: tuple[float, float] | None = None
    _back: int = 0
    _forth: int = 0
    _index: _Index = field(default_factory=lambda: _Index())

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return the knots that the samples add."""
        if not len(samples.time):
            return np.empty(0), np.empty(0)
        angle = self._unwrapped(samples)
        time, angle = self._averaged(samples.time, angle, False)
        position = self.rig.position
        if samples.index is not None:
            self._index.see(samples.time, samples.index)
            return self._index.correct(time, angle, math.radians(position.zero_deg), self.repairs)
        return time, angle

    def end(self) -> tuple[Array, Array]:
        """Return the knots held back, and judge the sense of rotation."""
        time, angle = self._averaged(np.empty(0), np.empty(0), True)
        position = self.rig.position
        if self._back > self._forth:
            faults = Faults(self.name)
            faults.add(
                position.column, "a crank that turns backwards", "one that turns forwards",
                f"position.direction = {-position.direction} turns it round",
            )  # fmt: skip
            faults.raise_if_any()
        if position.index_column is not None:
            return self._index.correct(time, angle, math.radians(position.zero_deg), self.repairs)
        return time, angle

    def _unwrapped(self, samples: Samples) -> Array:
        """Angle in rad, wraps undone and jumps taken out."""
        rig, position = self.rig, self.rig.position
        unit = TURN / position.per_stroke
        first = math.isnan(self._raw)
        raw = np.concatenate([[samples.position[0] if first else self._raw], samples.position])
        step = np.diff(raw) * position.direction
        wrap = 360.0 if position.kind == "angle" else position.wraps_at
        if wrap is not None:
            turns = np.rint(step / wrap)
            self.repairs["sensor wraps"] += int(np.count_nonzero(turns))
            step = step - wrap * turns
        step = step * unit
        elapsed = np.diff(np.concatenate([[self._time], samples.time]))
        if first:
            elapsed[0] = 0.0
            zero = math.radians(position.zero_deg)
            half = 0.5 if position.kind == "counts" else 0.0
            self._angle = (position.direction * raw[0] + half) * unit - zero
        most = TURN * rig.strokes.frequency_hz[1] * np.maximum(elapsed, 0.0)
        slack = 4.0 * unit if position.kind == "counts" else COARSE * TURN
        continuous = elapsed <= rig.log.longest_gap_s
        jump = continuous & ((step > 3.0 * most + slack) | (step < -most - slack))
        if jump.any():
            step = self._without_jumps(step, jump, elapsed)
        noise = unit if position.kind == "counts" else 0.0
        self._back += int(np.count_nonzero(step < -noise))
        self._forth += int(np.count_nonzero(step > noise))
        angle = self._angle + np.cumsum(step)
        self._raw = float(samples.position[-1])
        self._time, self._angle = float(samples.time[-1]), float(angle[-1])
        return angle

    def _without_jumps(self, step: Array, jump: NDArray[np.bool_], elapsed: Array) -> Array:
        """Replace a jump by what the crank turned; a jump and the way back make one spike."""
        step = step.copy()
        middle = math.sqrt(math.prod(self.rig.strokes.frequency_hz))
        sound = ~jump & (elapsed > 0.0)
        speed = step[sound].sum() / elapsed[sound].sum() if sound.any() else TURN * middle
        places = list(np.flatnonzero(jump))
        while places:
            at = places.pop(0)
            if places and places[0] - at <= 3:
                back = places.pop(0)
                total = step[at : back + 1].sum()
                span = elapsed[at : back + 1]
                if abs(total - speed * span.sum()) <= COARSE * TURN:
                    step[at : back + 1] = total * span / span.sum()
                    self.repairs["position spikes"] += 1
                    continue
                places.insert(0, back)
            step[at] = speed * elapsed[at]
            self.repairs["position jumps"] += 1
        return step

    def _averaged(self, time: Array, angle: Array, last: bool) -> tuple[Array, Array]:
        """Knots: means over as many samples as fit in a small part of a stroke."""
        rate = self.rig.log.sample_rate_hz
        middle = math.sqrt(math.prod(self.rig.strokes.frequency_hz))
        size = max(1, round(rate / middle / KNOTS))
        if len(time):
            self._held.append((time, angle))
        time = np.concatenate([[], *(pair[0] for pair in self._held)])
        angle = np.concatenate([[], *(pair[1] for pair in self._held)])
        count = len(time) // size
        if last and count * size < len(time):
            # What does not fill a knot is averaged all the same, so that the last stroke can end.
            ends = (time[count * size :].mean(), angle[count * size :].mean())
        else:
            ends = None
        rest = slice(count * size, None)
        self._held = [(time[rest], angle[rest])]
        knots = time[: count * size].reshape(count, size).mean(axis=1)
        at = angle[: count * size].reshape(count, size).mean(axis=1)
        if ends is not None:
            knots, at = np.append(knots, ends[0]), np.append(at, ends[1])
        return knots, at


# --- edges -----------------------------------------------------------------------------------


@dataclass(slots=True)
class EdgeCrank:
    """A sensor that switches: every rising edge is a fixed part of a turn."""

    rig: Rig
    repairs: Counter[str] = field(default_factory=Counter)
    _level: float = math.nan
    _time: float = 0.0
    _intervals: Array = field(default_factory=lambda: np.empty(0))
    _edge: float = math.nan
    _count: float = 0.0
    _index: _Index = field(default_factory=lambda: _Index())

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return the edges that the samples add, missed ones put in and bounces left out."""
        if not len(samples.time):
            return np.empty(0), np.empty(0)
        edges = _rising(samples.time, samples.position, self._time, self._level)
        self._time, self._level = float(samples.time[-1]), float(samples.position[-1])
        time, angle = self._counted(edges)
        position = self.rig.position
        if samples.index is not None:
            self._index.see(samples.time, samples.index)
            return self._index.correct(time, angle, math.radians(position.zero_deg), self.repairs)
        return time, angle

    def end(self) -> tuple[Array, Array]:
        """Nothing is held back."""
        return np.empty(0), np.empty(0)

    def _counted(self, edges: Array) -> tuple[Array, Array]:
        unit = TURN / self.rig.position.per_stroke
        zero = math.radians(self.rig.position.zero_deg)
        if not math.isnan(self._edge):
            edges = np.concatenate([[self._edge], edges])
        if len(edges) < 2:
            self._edge = float(edges[-1]) if len(edges) else self._edge
            return (edges, self._count * unit - zero + 0.0 * edges)
        edges = self._without_bounces(edges)
        interval = np.diff(edges)
        ratio = interval / self._expected(interval)
        steps = np.maximum(np.rint(ratio), 1.0)
        missed = (steps > 1.0) & (steps <= MOST_MISSED + 1)
        self.repairs["missed edges"] += int((steps[missed] - 1.0).sum())
        self.repairs["standstills"] += int(np.count_nonzero(steps > MOST_MISSED + 1))
        steps[steps > MOST_MISSED + 1] = 1.0
        count = self._count + np.concatenate([[0.0], np.cumsum(steps)])
        self._intervals = np.concatenate([self._intervals, interval / steps])[-NEIGHBOURS:]
        self._edge, self._count = float(edges[-1]), float(count[-1])
        return edges, count * unit - zero

    def _without_bounces(self, edges: Array) -> Array:
        """Leave out an edge that follows another in less than 0.4 of the usual interval."""
        expected = self._expected(np.diff(edges))
        keep = np.ones(len(edges), dtype=bool)
        last = edges[0]
        for at in range(1, len(edges)):
            if edges[at] - last < 0.4 * expected[at - 1]:
                keep[at] = False
            else:
                last = edges[at]
        self.repairs["bounced edges"] += int(np.count_nonzero(~keep))
        return edges[keep]

    def _expected(self, interval: Array) -> Array:
        """Median of the intervals around each."""
        known = np.concatenate([self._intervals, interval])
        expected = median_filter(known, size=min(NEIGHBOURS, len(known)), mode="nearest")
        return np.asarray(expected[len(self._intervals) :])


def _rising(time: Array, level: Array, before: float, level_before: float) -> Array:
    """Times at which a level rises through the middle between its extremes."""
    if not math.isnan(level_before):
        time, level = np.concatenate([[before], time]), np.concatenate([[level_before], level])
    if not len(level) or level.min() == level.max():
        return np.empty(0)
    middle = 0.5 * (level.min() + level.max())
    up = np.flatnonzero((level[:-1] < middle) & (level[1:] >= middle))
    return np.asarray(0.5 * (time[up] + time[up + 1]))


# --- index -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Index:
    """A pulse once a stroke that ties the count to the stroke's phase."""

    _time: float = 0.0
    _level: float = math.nan
    _pulses: list[float] = field(default_factory=list)
    _knots: list[tuple[Array, Array]] = field(default_factory=list)
    _last: tuple[float, float] | None = None

    def see(self, time: Array, level: Array) -> None:
        """Take note of the pulses in some samples."""
        self._pulses += list(_rising(time, level, self._time, self._level))
        self._time, self._level = float(time[-1]), float(level[-1])

    def correct(
        self, time: Array, angle: Array, zero: float, repairs: Counter[str]
    ) -> tuple[Array, Array]:
        """Return the knots up to the last pulse, where the angle is a whole turn less `zero`."""
        self._knots.append((time, angle))
        time = np.concatenate([pair[0] for pair in self._knots])
        angle = np.concatenate([pair[1] for pair in self._knots])
        pulses = np.array(self._pulses)
        pulses = pulses[pulses <= time[-1]] if len(time) else np.empty(0)
        if not len(pulses) or len(time) < 2:
            self._knots = [(time, angle)]
            return np.empty(0), np.empty(0)
        read = np.interp(pulses, time, angle)
        first_time, error = self._last if self._last is not None else (pulses[0], None)
        errors = np.empty(len(pulses))
        for at, value in enumerate(read):
            if error is None:
                error = float(value)
            # Counts lost since the last pulse are less than half a stroke of them.
            drift = float(value) - error
            error = float(value) - TURN * round(drift / TURN)
            errors[at] = error
        moved = np.abs(np.diff(errors)) > 0.02 * TURN
        repairs["strokes with a wrong count"] += int(np.count_nonzero(moved))
        known = np.concatenate([[first_time], pulses]) if self._last else pulses
        wrong = np.concatenate([[self._last[1]], errors]) if self._last else errors
        within = (time >= known[0]) & (time <= known[-1])
        out = angle[within] - np.interp(time[within], known, wrong)
        self._last = (float(pulses[-1]), float(errors[-1]))
        self._pulses = [pulse for pulse in self._pulses if pulse > pulses[-1]]
        keep = time > pulses[-1]
        at = max(int(np.count_nonzero(~keep)) - 1, 0)
        self._knots = [(time[at:], angle[at:])]
        return time[within], out - zero
