"""Crank angle over time, from a sensor that wraps, jumps and misses edges.

Answers: at which times was the crank at which angle, with the sensor's faults repaired? Repairs are
counted. The angle is that of the stroke: one turn is one stroke.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from flapsim.faults import CaseError, Fault
from flapsim.rig.cleaning import Samples
from flapsim.rig.rig_file import Rig
from flapsim.rig.uncertainty import block_means

Array = NDArray[np.float64]

TURN = 2.0 * math.pi

MOST_MISSED = 4
"""Edges missed in a row beyond which the crank is assumed to have stood still."""

NEIGHBOURS = 15
"""Intervals from which the expected length of one is taken."""

KNOTS = 64
"""Knots of the angle per stroke: faster ripple of the crank speed is treated as noise."""

COARSE = 1.0 / 12.0
"""Fraction of a turn by which an angle may jump between samples, beyond what the crank turns."""

UNEVENNESS = 0.05
"""Fraction of a turn by which the crank may lead or lag steady rotation within a stroke."""

LOST = "gaps over which the phase is lost"
"""Repair after which only an index pulse can restore the phase."""


@dataclass(slots=True)
class CrankTracker:
    """Follows the crank through the log `name` and counts the repairs by kind."""

    rig: Rig
    name: str
    repairs: Counter[str] = field(default_factory=Counter)
    _sensor: _Counts | _Edges = field(init=False)
    _index: _Index = field(init=False)

    def __post_init__(self) -> None:
        kind = _Edges if self.rig.position.kind == "edges" else _Counts
        self._sensor = kind(self.rig, self.repairs)
        self._index = _Index(self.rig, self.repairs)

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return knots (time s, angle rad) that the samples add; the angle never decreases."""
        if not len(samples.time):
            return np.empty(0), np.empty(0)
        self._index.see(samples)
        return self._index.correct(*self._sensor.follow(samples))

    def end(self) -> tuple[Array, Array]:
        """Return the knots that are complete at the end of the log.

        Raises
        ------
        CaseError
            If the crank turned backwards.
        """
        if self._sensor.backwards:
            position = self.rig.position
            cure = f"set position.direction = {-position.direction}"
            raise CaseError(
                [Fault(self.name, position.column, "", "the crank turns backwards", cure)]
            )
        return self._index.correct(*self._sensor.end())


# --- angle and counts ------------------------------------------------------------------------


@dataclass(slots=True)
class _Counts:
    """A sensor that gives the position in every row: an angle, or a running count.

    Knots are averages over a small part of a stroke, which removes quantisation and noise.
    """

    rig: Rig
    repairs: Counter[str]
    _raw: float = math.nan
    _time: float = 0.0
    _angle: float = 0.0
    _speed: float = field(init=False)
    _waiting: list[tuple[Array, Array]] = field(default_factory=list)
    _back: int = 0
    _forward: int = 0

    def __post_init__(self) -> None:
        self._speed = TURN * math.sqrt(math.prod(self.rig.strokes.frequency_hz))

    @property
    def backwards(self) -> bool:
        """Whether the crank turned backwards more often than forwards."""
        return self._back > self._forward

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return the knots that the samples add."""
        return self._averaged(samples.time, self._unwrapped(samples), False)

    def end(self) -> tuple[Array, Array]:
        """Return the remaining knots."""
        return self._averaged(np.empty(0), np.empty(0), True)

    def _unwrapped(self, samples: Samples) -> Array:
        """Angle in rad, wraps undone and jumps removed."""
        rig, position = self.rig, self.rig.position
        unit = TURN / position.per_stroke
        if math.isnan(self._raw):
            self._raw, self._time = float(samples.position[0]), float(samples.time[0])
            half = 0.5 if position.kind == "counts" else 0.0
            zero = math.radians(position.zero_deg)
            self._angle = (position.direction * self._raw + half) * unit - zero
        step = np.diff(samples.position, prepend=self._raw) * position.direction * unit
        elapsed = np.diff(samples.time, prepend=self._time)
        wrap = position.wrap
        if wrap is not None:
            step = self._without_wraps(step, elapsed, wrap * unit)
        most = TURN * rig.strokes.frequency_hz[1] * elapsed
        slack = 4.0 * unit if position.kind == "counts" else COARSE * TURN
        jump = (step > 3.0 * most + slack) | (step < -slack)
        sound = ~jump & (elapsed > 0.0)
        if sound.any():
            self._speed = float(step[sound].sum() / elapsed[sound].sum())
        if jump.any():
            step = self._without_jumps(step, jump, elapsed)
        noise = unit if position.kind == "counts" else 0.0
        self._back += int(np.count_nonzero(step < -noise))
        self._forward += int(np.count_nonzero(step > noise))
        angle = self._angle + np.cumsum(step)
        self._raw = float(samples.position[-1])
        self._time, self._angle = float(samples.time[-1]), float(angle[-1])
        return angle

    def _without_wraps(self, step: Array, elapsed: Array, wrap: float) -> Array:
        """Undo wraps: of all steps with the same reading, take that nearest to the expected one."""
        short = elapsed <= self.rig.log.longest_gap_s
        speed = self._speed
        if short.any() and elapsed[short].sum() > 0.0:
            # The speed that these rows show, turning or at rest, is better than that of the last.
            seen = step[short] - wrap * np.rint((step[short] - speed * elapsed[short]) / wrap)
            speed = float(seen.sum() / elapsed[short].sum())
        turned = speed * elapsed
        wraps = np.rint((step - turned) / wrap)
        self.repairs["sensor wraps"] += int(np.count_nonzero(wraps))
        if not self.rig.position.wraps_whole:
            doubt = self.rig.strokes.period_tolerance * turned + UNEVENNESS * TURN
            self.repairs[LOST] += int(np.count_nonzero(~short & (doubt > 0.5 * wrap)))
        return np.asarray(step - wrap * wraps)

    def _without_jumps(self, step: Array, jump: NDArray[np.bool_], elapsed: Array) -> Array:
        """Replace a jump by steady rotation; a jump and its return are one spike."""
        step = step.copy()
        places = list(np.flatnonzero(jump))
        while places:
            at = places.pop(0)
            if places and places[0] - at <= 3:
                back = places.pop(0)
                total = step[at : back + 1].sum()
                span = elapsed[at : back + 1]
                if abs(total - self._speed * span.sum()) <= COARSE * TURN:
                    step[at : back + 1] = total * span / span.sum()
                    self.repairs["position spikes"] += 1
                    continue
                places.insert(0, back)
            step[at] = self._speed * elapsed[at]
            self.repairs["position jumps"] += 1
        return step

    def _averaged(self, time: Array, angle: Array, last: bool) -> tuple[Array, Array]:
        """Knots: means over the samples of a small part of a stroke."""
        rate = self.rig.log.sample_rate_hz
        middle = math.sqrt(math.prod(self.rig.strokes.frequency_hz))
        size = max(1, round(rate / middle / KNOTS))
        if len(time):
            self._waiting.append((time, angle))
        time = np.concatenate([[], *(pair[0] for pair in self._waiting)])
        angle = np.concatenate([[], *(pair[1] for pair in self._waiting)])
        count = len(time) // size
        knots = block_means(time, size)
        at = block_means(angle, size)
        time, angle = time[count * size :], angle[count * size :]
        self._waiting = [(time, angle)]
        if last and len(time):
            # An incomplete knot is averaged all the same, so that the last stroke can end.
            knots, at = np.append(knots, time.mean()), np.append(at, angle.mean())
        return knots, at


# --- edges -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Edges:
    """A switching sensor: every rising edge is a fixed fraction of a turn."""

    rig: Rig
    repairs: Counter[str]
    _switch: _Switch = field(init=False)
    _intervals: Array = field(default_factory=lambda: np.empty(0))
    _edge: float = math.nan
    _count: float = 0.0
    backwards = False

    def __post_init__(self) -> None:
        self._switch = _Switch(self.rig.log.longest_gap_s)

    def follow(self, samples: Samples) -> tuple[Array, Array]:
        """Return the edges that the samples add, missed ones inserted and bounces removed."""
        return self._counted(self._switch.rising(samples.time, samples.position))

    def end(self) -> tuple[Array, Array]:
        """Return nothing: edges are complete at once."""
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
        steps = self._steps(interval / self._expected(interval), edges)
        count = self._count + np.concatenate([[0.0], np.cumsum(steps)])
        self._intervals = np.concatenate([self._intervals, interval / steps])[-NEIGHBOURS:]
        self._edge, self._count = float(edges[-1]), float(count[-1])
        return edges, count * unit - zero

    def _steps(self, ratio: Array, edges: Array) -> Array:
        """Number of edges in an interval that is `ratio` times as long as expected."""
        steps = np.maximum(np.rint(ratio), 1.0)
        blind = self._switch.gapped(edges)
        missed = ~blind & (steps > 1.0) & (steps <= MOST_MISSED + 1)
        stopped = ~blind & (steps > MOST_MISSED + 1)
        self.repairs["missed edges"] += int((steps[missed] - 1.0).sum())
        self.repairs["standstills"] += int(np.count_nonzero(stopped))
        # In a gap of the log the crank kept turning; at a standstill no edge was missed.
        self.repairs["edges put into gaps"] += int((steps[blind] - 1.0).sum())
        doubt = self.rig.strokes.period_tolerance * ratio
        whole = self.rig.position.per_stroke == 1.0
        self.repairs[LOST] += 0 if whole else int(np.count_nonzero(blind & (doubt > 0.5)))
        steps[stopped] = 1.0
        return steps

    def _without_bounces(self, edges: Array) -> Array:
        """Remove an edge that follows another within 0.4 of the expected interval."""
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
        """Expected length of each interval: the mean of its neighbours near their median.

        The median alone would be a whole number of samples.
        """
        known = np.concatenate([self._intervals, interval])
        size = min(NEIGHBOURS, len(known))
        middle = median_filter(known, size=size, mode="nearest")
        usual = (np.abs(known / middle - 1.0) < 0.5).astype(np.float64)
        mean = uniform_filter1d(known * usual, size, mode="nearest")
        expected = mean / np.maximum(uniform_filter1d(usual, size, mode="nearest"), 1.0 / size)
        return np.asarray(expected[len(self._intervals) :])


@dataclass(slots=True)
class _Switch:
    """Instants at which a switching level rises through the middle of its extremes."""

    longest_gap: float
    _time: float = math.nan
    _level: float = math.nan
    _low: float = math.inf
    _high: float = -math.inf
    _gaps: Array = field(default_factory=lambda: np.empty(0))

    def rising(self, time: Array, level: Array) -> Array:
        """Return the times at which the level rises, those within a gap left out."""
        if not math.isnan(self._level):
            time = np.concatenate([[self._time], time])
            level = np.concatenate([[self._level], level])
        self._time, self._level = float(time[-1]), float(level[-1])
        self._low = min(self._low, float(level.min()))
        self._high = max(self._high, float(level.max()))
        wide = np.diff(time) > self.longest_gap
        self._gaps = np.concatenate([self._gaps, time[1:][wide]])
        middle = 0.5 * (self._low + self._high)
        up = np.flatnonzero((level[:-1] < middle) & (level[1:] >= middle) & ~wide)
        return np.asarray(0.5 * (time[up] + time[up + 1]))

    def gapped(self, edges: Array) -> NDArray[np.bool_]:
        """Mark the intervals between consecutive edges that contain a gap."""
        before = np.searchsorted(self._gaps, edges)
        self._gaps = self._gaps[before[-1] :]
        return np.asarray(np.diff(before) > 0)


# --- index -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Index:
    """Index pulse, once a stroke, that ties the count to the phase, if the rig has one."""

    rig: Rig
    repairs: Counter[str]
    _switch: _Switch = field(init=False)
    _pulses: Array = field(default_factory=lambda: np.empty(0))
    _knots: tuple[Array, Array] = field(default_factory=lambda: (np.empty(0), np.empty(0)))
    _last: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        self._switch = _Switch(self.rig.log.longest_gap_s)

    def see(self, samples: Samples) -> None:
        """Collect the pulses in some samples."""
        if samples.index is not None:
            pulses = self._switch.rising(samples.time, samples.index)
            self._pulses = np.concatenate([self._pulses, pulses])

    def correct(self, time: Array, angle: Array) -> tuple[Array, Array]:
        """Return the knots up to the last pulse, at which the angle is whole turns less the zero.

        Without an index they are returned unchanged.
        """
        position = self.rig.position
        if position.index_column is None:
            return time, angle
        time = np.concatenate([self._knots[0], time])
        angle = np.concatenate([self._knots[1], angle])
        pulses = self._pulses[self._pulses <= time[-1]] if len(time) else np.empty(0)
        if not len(pulses) or len(time) < 2:
            self._knots = time, angle
            return np.empty(0), np.empty(0)
        read = np.interp(pulses, time, angle)
        known = pulses if self._last is None else np.append(self._last[0], pulses)
        start = read[0] if self._last is None else self._last[1]
        # Counts lost since the last pulse are taken to be less than half a stroke.
        drift = np.diff(read, prepend=start)
        errors = start + np.cumsum(drift - TURN * np.rint(drift / TURN))
        wrong = errors if self._last is None else np.append(self._last[1], errors)
        moved = np.abs(np.diff(wrong)) > 0.02 * TURN
        self.repairs["strokes with a wrong count"] += int(np.count_nonzero(moved))
        within = (time >= known[0]) & (time <= known[-1])
        out = angle[within] - np.interp(time[within], known, wrong)
        self._last = float(pulses[-1]), float(errors[-1])
        self._pulses = self._pulses[self._pulses > pulses[-1]]
        at = max(int(np.count_nonzero(time <= pulses[-1])) - 1, 0)
        self._knots = time[at:], angle[at:]
        return time[within], out - math.radians(position.zero_deg)
