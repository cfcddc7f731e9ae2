"""From raw rows to samples in SI units: what is lost is taken out and counted, never invented.

Answers: which rows can be trusted, and is the log as a whole fit for use? A row is lost as a whole
when one of its cells is missing or cannot be true, or when its time repeats; the strokes later see
a gap there.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import Faults
from flapsim.rig.log import Chunk
from flapsim.rig.rig_file import CHANNELS, UNITS, Rig

Array = NDArray[np.float64]
Lines = NDArray[np.int64]

GAP = 1.5
"""Sample intervals from which on an interval counts as a gap."""

SMALL = 0.005
"""Part of the range below which all values of a quantity betray a wrong unit."""

RATE_TOLERANCE = 0.02
"""Departure of the mean sample rate from the stated one that is still called the same."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Consecutive trusted samples.

    Attributes
    ----------
    lines : (n,) array of int
    time : (n,) array
        s, strictly rising.
    position : (n,) array
        As the column has it.
    index : (n,) array or None
        Level of the index, if there is one.
    values : dict of str to (n,) array
        By quantity, SI units.
    """

    lines: Lines
    time: Array
    position: Array
    index: Array | None
    values: dict[str, Array]


@dataclass(slots=True)
class Loss:
    """Rows lost for one reason: how many, and the first of them."""

    count: int = 0
    line: int = 0
    example: str = ""

    def add(self, bad: NDArray[np.bool_], lines: Lines, values: Array) -> None:
        """Count the rows marked bad."""
        found = np.flatnonzero(bad)
        if not found.size:
            return
        if not self.count:
            self.line, self.example = int(lines[found[0]]), f"{values[found[0]]:g}"
        self.count += int(found.size)


@dataclass(slots=True)
class Cleaner:
    """Takes untrusted rows out of a log as it streams by.

    Attributes
    ----------
    rig : Rig
    name : str
        Of the log, for messages.
    """

    rig: Rig
    name: str
    rows: int = 0
    kept: int = 0
    missing: dict[str, Loss] = field(default_factory=dict)
    implausible: dict[str, Loss] = field(default_factory=dict)
    repeated: Loss = field(default_factory=Loss)
    gaps: int = 0
    dropped: int = 0
    clock_wraps: int = 0
    _last: float = -np.inf
    _raw_last: float = np.nan
    _regular: int = 0
    _regular_time: float = 0.0
    _regular_square: float = 0.0
    _lowest: dict[str, float] = field(default_factory=dict)
    _highest: dict[str, float] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the log that the rig needs."""
        position = self.rig.position
        names = [self.rig.channels.time.column, position.column]
        names += [channel.column for channel in self.rig.measured.values()]
        if position.index_column is not None:
            names.append(position.index_column)
        return tuple(dict.fromkeys(names))

    def clean(self, chunk: Chunk) -> Samples:
        """Return the trusted samples of a chunk, in SI units.

        Parameters
        ----------
        chunk : Chunk
            Follows the one given before.

        Raises
        ------
        CaseError
            With the line, if time runs backwards.
        """
        rig, position = self.rig, self.rig.position
        time = self._clock(chunk)
        good = np.isfinite(time)
        marks = [position.column]
        if position.index_column is not None:
            marks.append(position.index_column)
        for name in marks:
            good &= self._present(name, chunk.columns[name], chunk.lines)
        values = {}
        for quantity, channel in rig.measured.items():
            raw = chunk.columns[channel.column]
            good &= self._present(channel.column, raw, chunk.lines)
            size = UNITS[quantity][channel.unit]
            value = channel.gain * (raw * size - channel.zero)
            values[quantity] = value
            with np.errstate(invalid="ignore"):
                bad = (value < channel.range[0]) | (value > channel.range[1])
            self.implausible.setdefault(quantity, Loss()).add(bad, chunk.lines, value)
            good &= ~bad
            seen = value[np.isfinite(value) & ~bad]
            if seen.size:
                low, high = float(seen.min()), float(seen.max())
                self._lowest[quantity] = min(self._lowest.get(quantity, low), low)
                self._highest[quantity] = max(self._highest.get(quantity, high), high)
        self._check_order(time, chunk.lines)
        good &= self._fresh(time, good, chunk.lines)
        self.rows += len(time)
        self.kept += int(good.sum())
        self._watch_rate(time[good])
        index = position.index_column
        return Samples(
            lines=chunk.lines[good],
            time=time[good],
            position=chunk.columns[position.column][good],
            index=None if index is None else chunk.columns[index][good],
            values={quantity: value[good] for quantity, value in values.items()},
        )

    def _present(self, name: str, raw: Array, lines: Lines) -> NDArray[np.bool_]:
        absent = np.isnan(raw)
        self.missing.setdefault(name, Loss()).add(absent, lines, raw)
        return ~absent

    def _clock(self, chunk: Chunk) -> Array:
        """Time in s, a counter's wraps undone."""
        clock = self.rig.channels.time
        raw = chunk.columns[clock.column]
        self._present(clock.column, raw, chunk.lines)
        size = UNITS["time"][clock.unit]
        if clock.wraps_at is None:
            return raw * size
        known = np.flatnonzero(np.isfinite(raw))
        if not known.size:
            return raw * size
        series = np.concatenate([[self._raw_last], raw[known]])
        back = np.diff(series) < -0.5 * clock.wraps_at
        turns = self.clock_wraps + np.cumsum(back)
        self.clock_wraps, self._raw_last = int(turns[-1]), float(raw[known[-1]])
        time = np.full(len(raw), np.nan)
        time[known] = (raw[known] + turns * clock.wraps_at) * size
        return time

    def _check_order(self, time: Array, lines: Lines) -> None:
        """Report the first time that is earlier than one before it."""
        known = np.flatnonzero(np.isfinite(time))
        before = np.maximum.accumulate(np.concatenate([[self._last], time[known]]))[:-1]
        back = np.flatnonzero(time[known] < before)
        if back.size:
            at = known[back[0]]
            faults = Faults(self.name)
            faults.add(
                f"line {lines[at]}, {self.rig.channels.time.column}",
                f"{time[at]:.9g} s after {before[back[0]]:.9g} s",
                "a time that rises from row to row",
                "a counter that starts again needs channels.time.wraps_at; else split the log here",
            )
            faults.raise_if_any()

    def _fresh(self, time: Array, good: NDArray[np.bool_], lines: Lines) -> NDArray[np.bool_]:
        """Mark the rows whose time does not repeat that of a trusted row before."""
        fresh = np.ones(len(time), dtype=bool)
        kept = np.flatnonzero(good)
        if kept.size:
            step = np.diff(time[kept], prepend=self._last)
            fresh[kept] = step > 0.0
            self.repeated.add(good & ~fresh, lines, time)
        return fresh

    def _watch_rate(self, time: Array) -> None:
        if not time.size:
            return
        before = [] if self._last == -np.inf else [self._last]
        step = np.diff(np.concatenate([before, time]))
        self._last = float(time[-1])
        nominal = 1.0 / self.rig.log.sample_rate_hz
        wide = step > GAP * nominal
        regular = step[~wide]
        self.gaps += int(wide.sum())
        self.dropped += int(np.rint(step[wide] / nominal - 1.0).sum())
        self._regular += len(regular)
        self._regular_time += float(regular.sum())
        self._regular_square += float(((regular - nominal) ** 2).sum())

    @property
    def sample_rate(self) -> float:
        """Mean rate between neighbouring samples, Hz; NaN if there are none."""
        return self._regular / self._regular_time if self._regular_time > 0.0 else np.nan

    @property
    def jitter(self) -> float:
        """Root mean square departure of the sample interval from the stated one, s."""
        return float(np.sqrt(self._regular_square / self._regular)) if self._regular else np.nan

    def verdict(self) -> None:
        """Judge the log as a whole, once it has been read.

        Raises
        ------
        CaseError
            If the sample rate is not the stated one, too many rows are lost, or a measured
            quantity never changes.
        """
        faults = Faults(self.name)
        self._judge_losses(faults)
        self._judge_rate(faults)
        for quantity, channel in self.rig.measured.items():
            constant = self._lowest.get(quantity) == self._highest.get(quantity)
            if quantity in self._lowest and constant and not channel.steady and self.kept > 1:
                faults.add(
                    channel.column, f"{self._lowest[quantity]:g} in every row",
                    "a sensor that moves",
                    f"it is stuck; if it may be constant, channels.{quantity}.steady = true",
                )  # fmt: skip
        self._judge_sizes(faults)
        faults.raise_if_any()

    def _judge_sizes(self, faults: Faults) -> None:
        """Report a quantity that is far smaller than its range allows for."""
        for quantity, channel in self.rig.measured.items():
            if quantity not in self._lowest:
                continue
            size = max(abs(self._lowest[quantity]), abs(self._highest[quantity]))
            room = max(abs(channel.range[0]), abs(channel.range[1]))
            if 0.0 < size < SMALL * room:
                own = UNITS[quantity][channel.unit]
                units = [
                    unit
                    for unit, si in UNITS[quantity].items()
                    if SMALL * room <= size * si / own <= room
                ]
                hint = f'is the column in "{units[0]}"? ' if units else ""
                faults.add(
                    channel.column, f"values up to {size:.2g}",
                    f"values that fill more of the range up to {room:g}",
                    f"{hint}see channels.{quantity}.unit and .range",
                )  # fmt: skip

    def _judge_losses(self, faults: Faults) -> None:
        most = self.rig.log.largest_loss * self.rows
        for column, loss in self.missing.items():
            if loss.count > most:
                faults.add(
                    f"line {loss.line}, {column}",
                    f"no number there and in {loss.count} of {self.rows} rows",
                    f"at most {most:.0f} missing cells",
                )
        for quantity, loss in self.implausible.items():
            if loss.count > most:
                channel = self.rig.measured[quantity]
                faults.add(
                    f"line {loss.line}, {channel.column}",
                    f"{loss.example} there, and {loss.count} of {self.rows} rows out of range",
                    f"values from {channel.range[0]:g} to {channel.range[1]:g}",
                    self._unit_hint(quantity, float(loss.example)),
                )
        if self.repeated.count > most:
            faults.add(
                f"line {self.repeated.line}, {self.rig.channels.time.column}",
                f"a time that repeats there and in {self.repeated.count} of {self.rows} rows",
                "a time that rises from row to row",
                "written with too few decimals?",
            )
        if not faults.found and self.rows - self.kept > most:
            faults.add(
                "", f"{self.rows - self.kept} of {self.rows} rows lost for several reasons",
                f"at most {most:.0f} lost rows",
            )  # fmt: skip

    def _unit_hint(self, quantity: str, value: float) -> str:
        """Name another unit in which the value would be plausible."""
        channel = self.rig.measured[quantity]
        low, high = channel.range
        own = UNITS[quantity][channel.unit]
        for unit, size in UNITS[quantity].items():
            if unit != channel.unit and low <= value * size / own <= high:
                return f'is the column in "{unit}"? (channels.{quantity}.unit)'
        if low <= -value <= high:
            return f"is the sign turned? (channels.{quantity}.gain)"
        return f"see channels.{quantity}.range, .gain and .zero"

    def _judge_rate(self, faults: Faults) -> None:
        stated = self.rig.log.sample_rate_hz
        steps = self._regular + self.gaps
        if steps == 0:
            return
        rate = self.sample_rate
        slow = self._regular < 0.5 * steps
        if slow or abs(rate / stated - 1.0) > RATE_TOLERANCE:
            units = ", ".join(f'"{unit}"' for unit in UNITS["time"])
            given = f"under {stated / GAP:g}" if slow else f"{rate:.6g}"
            faults.add(
                self.rig.channels.time.column,
                f"{given} samples a second",
                f"{stated:g} (log.sample_rate_hz)",
                f"is channels.time.unit right? it may be {units}",
            )


def losses(cleaner: Cleaner) -> dict[str, int]:
    """Rows lost so far by reason, in words; reasons that did not occur are left out."""
    rig = cleaner.rig
    found = {f"{column} missing": loss.count for column, loss in cleaner.missing.items()}
    for quantity in CHANNELS:
        if quantity in cleaner.implausible:
            column = rig.measured[quantity].column
            found[f"{column} out of range"] = cleaner.implausible[quantity].count
    found["time repeated"] = cleaner.repeated.count
    return {reason: count for reason, count in found.items() if count}
