"""From raw rows to samples in SI units: bad rows are discarded and counted, nothing is invented.

Answers: which rows can be trusted, and is the log as a whole fit for use? A row is discarded when
one of its cells is missing or implausible, or when its time repeats; it leaves a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import CaseError, Fault, Faults
from flapsim.rig.channels import CHANNELS, UNITS
from flapsim.rig.log import Chunk
from flapsim.rig.rig_file import Rig

Array = NDArray[np.float64]
Lines = NDArray[np.int64]

GAP = 1.5
"""Nominal sample intervals beyond which an interval counts as a gap."""

SMALL = 0.005
"""Fraction of its range that a quantity must reach; less suggests a wrong unit."""

RATE_TOLERANCE = 0.02
"""Relative difference allowed between the mean sample rate and the stated one."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Consecutive samples.

    Attributes
    ----------
    lines : (n,) array of int
        Lines in the log.
    time : (n,) array
        s, strictly increasing.
    position : (n,) array
        As in the column.
    index : (n,) array or None
        Level of the index column, if there is one.
    values : dict of str to (n,) array
        By quantity, SI units.
    """

    lines: Lines
    time: Array
    position: Array
    index: Array | None
    values: dict[str, Array]

    def taken(self, which: NDArray[np.bool_] | slice) -> Samples:
        """Return some of the samples."""
        return Samples(
            self.lines[which],
            self.time[which],
            self.position[which],
            None if self.index is None else self.index[which],
            {name: values[which] for name, values in self.values.items()},
        )

    @staticmethod
    def joined(parts: Sequence[Samples]) -> Samples:
        """Join consecutive samples."""
        if len(parts) == 1:
            return parts[0]
        index = [part.index for part in parts if part.index is not None]
        return Samples(
            np.concatenate([part.lines for part in parts]),
            np.concatenate([part.time for part in parts]),
            np.concatenate([part.position for part in parts]),
            np.concatenate(index) if index else None,
            {name: np.concatenate([part.values[name] for part in parts])
             for name in parts[0].values},
        )  # fmt: skip


@dataclass(slots=True)
class Loss:
    """Rows discarded for one reason: how many, and the first of them."""

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
    """Discards bad rows of a log as it streams by; `name` is that of the log, for messages."""

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
        position, measured = self.rig.position, self.rig.measured.values()
        names = (
            self.rig.channels.time.column,
            position.column,
            *(channel.column for channel in measured),
            position.index_column,
        )
        return tuple(dict.fromkeys(name for name in names if name is not None))

    def clean(self, chunk: Chunk) -> Samples:
        """Return the trusted samples of the next chunk, in SI units.

        Raises
        ------
        CaseError
            With the line, if time runs backwards.
        """
        rig, position = self.rig, self.rig.position
        time = self._clock(chunk)
        good = np.isfinite(time)
        for name in filter(None, (position.column, position.index_column)):
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
            chunk.lines,
            time,
            chunk.columns[position.column],
            None if index is None else chunk.columns[index],
            values,
        ).taken(good)

    def _present(self, name: str, raw: Array, lines: Lines) -> NDArray[np.bool_]:
        absent = np.isnan(raw)
        self.missing.setdefault(name, Loss()).add(absent, lines, raw)
        return ~absent

    def _clock(self, chunk: Chunk) -> Array:
        """Time in s, wraps of the clock undone."""
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
        """Refuse a time that is earlier than one before it."""
        known = np.flatnonzero(np.isfinite(time))
        before = np.maximum.accumulate(np.concatenate([[self._last], time[known]]))[:-1]
        back = np.flatnonzero(time[known] < before)
        if back.size:
            at = known[back[0]]
            fault = Fault(
                self.name,
                f"line {lines[at]}, {self.rig.channels.time.column}",
                f"{time[at]:.9g} s after {before[back[0]]:.9g} s",
                "a time that increases from row to row",
                "if the clock wraps, set channels.time.wraps_at; else split the log here",
            )
            raise CaseError([fault])

    def _fresh(self, time: Array, good: NDArray[np.bool_], lines: Lines) -> NDArray[np.bool_]:
        """Mark the rows whose time is later than that of the last trusted row."""
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
        """Root mean square deviation of the sample interval from the stated one, s."""
        return float(np.sqrt(self._regular_square / self._regular)) if self._regular else np.nan

    def verdict(self) -> None:
        """Judge the log as a whole, once it has been read.

        Raises
        ------
        CaseError
            If the sample rate is not the stated one, too many rows are bad, or a measured quantity
            never changes.
        """
        faults = Faults(self.name)
        self._judge_losses(faults)
        self._judge_rate(faults)
        self._judge_readings(faults)
        faults.raise_if_any()

    def _judge_readings(self, faults: Faults) -> None:
        """Report a quantity that never changes, or uses hardly any of its range."""
        for quantity, lowest in self._lowest.items():
            channel, highest = self.rig.measured[quantity], self._highest[quantity]
            if lowest == highest and not channel.steady and self.kept > 1:
                faults.add(
                    channel.column, f"{lowest:g} in every row", "a reading that changes",
                    "the sensor is stuck; if the quantity may be constant, set"
                    f" channels.{quantity}.steady = true",
                )  # fmt: skip
            size = max(abs(lowest), abs(highest))
            room = max(map(abs, channel.range))
            if 0.0 < size < SMALL * room:
                unit = self._other_unit(quantity, size, SMALL * room, room)
                hint = f'is the column in "{unit}"? ' if unit else ""
                faults.add(
                    channel.column, f"at most {size:.2g}",
                    f"larger values for a range up to {room:g}",
                    f"{hint}check channels.{quantity}.unit and .range",
                )  # fmt: skip

    def _judge_losses(self, faults: Faults) -> None:
        most = self.rig.log.largest_loss * self.rows
        for column, loss in self.missing.items():
            if loss.count > most:
                faults.say(
                    f"line {loss.line}, {column}",
                    f"no number in {loss.count} of {self.rows} rows, first here",
                    f"at most {most:.0f} may be missing (log.largest_loss)",
                )
        for quantity, loss in self.implausible.items():
            if loss.count > most:
                channel = self.rig.measured[quantity]
                faults.add(
                    f"line {loss.line}, {channel.column}",
                    loss.example,
                    f"a value from {channel.range[0]:g} to {channel.range[1]:g}",
                    f"{loss.count} of {self.rows} rows are out of range;"
                    f" {self._unit_hint(quantity, float(loss.example))}",
                )
        if self.repeated.count > most:
            faults.say(
                f"line {self.repeated.line}, {self.rig.channels.time.column}",
                f"{self.repeated.count} of {self.rows} rows repeat an earlier time, first here",
                "was it written with too few decimals?",
            )
        if not faults.found and self.rows - self.kept > most:
            faults.add(
                "", f"{self.rows - self.kept} of {self.rows}",
                f"at most {most:.0f} bad rows (log.largest_loss)",
            )  # fmt: skip

    def _unit_hint(self, quantity: str, value: float) -> str:
        """Suggest what makes a value implausible: unit, sign or range."""
        low, high = self.rig.measured[quantity].range
        if unit := self._other_unit(quantity, value, low, high):
            return f'is the column in "{unit}"? (channels.{quantity}.unit)'
        if low <= -value <= high:
            return f"is the sign reversed? (channels.{quantity}.gain)"
        return f"check channels.{quantity}.range, .gain and .zero"

    def _other_unit(self, quantity: str, value: float, low: float, high: float) -> str | None:
        """Unit of the column in which a value would lie within limits."""
        own = self.rig.measured[quantity].unit
        for unit, size in UNITS[quantity].items():
            if unit != own and low <= value * size / UNITS[quantity][own] <= high:
                return unit
        return None

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
                given,
                f"{stated:g} samples per second (log.sample_rate_hz)",
                f"check channels.time.unit ({units})",
            )


def losses(cleaner: Cleaner) -> dict[str, int]:
    """Rows discarded by reason; reasons that did not occur are left out."""
    rig = cleaner.rig
    found = {f"{column} missing": loss.count for column, loss in cleaner.missing.items()}
    for quantity in CHANNELS:
        if quantity in cleaner.implausible:
            column = rig.measured[quantity].column
            found[f"{column} out of range"] = cleaner.implausible[quantity].count
    found["time repeated"] = cleaner.repeated.count
    return {reason: count for reason, count in found.items() if count}
