"""One log reduced: strokes, their average with its confidence band, and the account of its powers.

Answers: what did this run measure, with which uncertainty, and what was repaired or left out?
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import CaseError, Fault, Faults
from flapsim.quantities import MEASURED_SERIES, finite_or_none
from flapsim.rig.bench import Bench, torque_wave
from flapsim.rig.cleaning import Cleaner, losses
from flapsim.rig.crank_angle import LOST, CrankTracker
from flapsim.rig.log import CHUNK_BYTES, Chunk, LogReader
from flapsim.rig.named_files import dynamometer_of, still_thrust
from flapsim.rig.power_account import Account, account
from flapsim.rig.rig_file import Rig
from flapsim.rig.strokes import POWER, StrokeCutter, StrokeTable, joined
from flapsim.rig.uncertainty import block_length, block_means, coverage_factor

Array = NDArray[np.float64]

WAVES = {
    "lift": "lift_n",
    "thrust": "thrust_n",
    "voltage": "voltage_v",
    "current": "current_a",
    "airspeed": "airspeed_m_s",
    POWER: "electrical_power_w",
}
"""Name in results of every recorded quantity."""

SURE_RATE = 0.002
"""Relative difference between sample rate and stated rate to warn of: clocks are far better."""


@dataclass(frozen=True, slots=True)
class Wave:
    """The averaged stroke of one quantity.

    Attributes
    ----------
    value : (bins,) array
        Filters undone, body forces subtracted.
    low, high : (bins,) arrays
        95 % confidence band of the average, from the scatter between strokes.
    """

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Reduction:
    """A reduced log.

    Attributes
    ----------
    name : str
        Of the log.
    bench : Bench
        The accepted strokes.
    strokes : StrokeTable
        All strokes without their waves, with the reasons of those rejected.
    phase : (bins,) array
        Middle of every bin of phase, rad.
    waves : dict of str to Wave
        The averaged stroke.
    counts : dict of str to int
        Rows, losses, gaps and repairs, by kind.
    notes : tuple of str
        Warnings.
    """

    name: str
    rig: Rig
    bench: Bench
    strokes: StrokeTable
    phase: Array
    waves: dict[str, Wave]
    account: Account
    counts: dict[str, int]
    sample_rate_hz: float
    jitter_s: float
    notes: tuple[str, ...]

    def to_dict(self, series: bool = False) -> dict[str, Any]:
        """Return a plain nested dictionary for JSON; undefined numbers are None."""
        estimates = self.account.estimates
        out: dict[str, Any] = {
            "title": self.rig.title,
            "log": self.name,
            "mean": {name: found.value for name, found in estimates.items()},
            "uncertainty": {
                name: {
                    key: value for key, value in dataclasses.asdict(found).items() if key != "value"
                }
                for name, found in estimates.items()
            },
            "budget": {
                name: [dataclasses.asdict(share) for share in shares]
                for name, shares in self.account.budget.items()
            },
            "strokes": {
                "found": self.strokes.count,
                "accepted": self.bench.strokes.count,
                "rejected": self.strokes.rejected(),
            },
            "counts": self.counts,
            "check": {"sample_rate_hz": self.sample_rate_hz, "jitter_s": self.jitter_s},
            "notes": list(self.notes),
        }
        if series:
            out["series"] = {"phase": self.phase} | {
                name: dataclasses.asdict(wave) for name, wave in self.waves.items()
            }
        plain: dict[str, Any] = finite_or_none(out)
        return plain


def reduce_log(path: str | Path, rig: Rig, chunk_bytes: int = CHUNK_BYTES) -> Reduction:
    """Reduce a log.

    Parameters
    ----------
    path : str or Path
        CSV file of any size.
    chunk_bytes : int
        Bytes read at a time.

    Raises
    ------
    CaseError
        If the log, or a file that the rig names, is not fit for use: file, line and column.
    """
    path, log = Path(path), rig.log
    columns = Cleaner(rig, path.name).columns
    reader = LogReader(path, columns, log.separator, log.decimal, chunk_bytes)
    return reduce_chunks(reader.chunks(), rig, path.name, reader)


def reduce_chunks(
    chunks: Iterable[Chunk], rig: Rig, name: str, reader: LogReader | None = None
) -> Reduction:
    """Reduce a log that comes as chunks of rows, perhaps from a reader; otherwise as `reduce_log`.

    `name` is that of the log, for messages.
    """
    # Files that the rig names come first: a fault there should not wait for the end of a long log.
    table, still = dynamometer_of(rig), still_thrust(rig)
    cleaner, crank = Cleaner(rig, name), CrankTracker(rig, name)
    cutter = StrokeCutter(rig, crank)
    tables = list(_strokes(chunks, cleaner, cutter))
    strokes = joined(tables, rig, name)
    tables.clear()
    bench = Bench(strokes.accepted(), rig, table, still)
    _check_torque(bench, name)
    found = account(bench)
    _check_powers(found, name)
    counts = {
        "rows": cleaner.rows,
        **losses(cleaner),
        "gaps": cleaner.gaps,
        "samples dropped in gaps": cleaner.dropped,
        "clock wraps": cleaner.clock_wraps,
        **crank.repairs,
        "last line cut off": 0 if reader is None else reader.cut_off,
    }
    counts = {key: value for key, value in counts.items() if value or key == "rows"}
    bins = rig.strokes.bins
    return Reduction(
        name=name,
        rig=rig,
        bench=bench,
        strokes=strokes.without_waves(),
        phase=2.0 * np.pi * (np.arange(bins) + 0.5) / bins,
        waves=_waves(bench),
        account=found,
        counts=counts,
        sample_rate_hz=cleaner.sample_rate,
        jitter_s=cleaner.jitter,
        notes=(*_notes(cleaner, strokes, cutter), *found.notes),
    )


def _strokes(
    chunks: Iterable[Chunk], cleaner: Cleaner, cutter: StrokeCutter
) -> Iterator[StrokeTable]:
    for chunk in chunks:
        samples = cleaner.clean(chunk)
        if len(samples.time):
            yield from cutter.feed(samples)
    # A log with mostly bad rows is refused for that, not for the strokes that it then lacks.
    cleaner.verdict()
    yield from cutter.end()


def _check_powers(found: Account, name: str) -> None:
    """Refuse powers that a flapping wing cannot have."""
    faults = Faults(name)
    parts = (
        ("electrical_power_w", "electrical power", "is a sign reversed? (gain)"),
        (
            "shaft_power_w",
            "shaft power",
            "the current is below the motor's no-load current: check its unit, gain and zero, and"
            " the motor's constants",
        ),
    )
    for key, words, hint in parts:
        estimate = found.estimates.get(key)
        if estimate is not None and estimate.value <= 0.0:
            faults.add("", f"{estimate.value:.3g} W", f"a mean {words} > 0", hint)
    faults.raise_if_any()


def _waves(bench: Bench) -> dict[str, Wave]:
    """Average every quantity over the strokes, by phase."""
    out = {}
    for name, result in WAVES.items():
        if name not in bench.strokes.waves:
            continue
        half = _half_band(bench, name)
        value = bench.wave(name)
        if name in ("lift", "thrust"):
            value = value - getattr(bench.rig.tare, f"body_{name}_n")
        out[result] = Wave(value, value - half, value + half)
    if bench.knows_shaft:
        torque = torque_wave(bench)
        speed = 2.0 * np.pi / (len(bench.bin_time) * bench.bin_time)
        half = _torque_band(bench, torque)
        out["shaft_torque_n_m"] = Wave(torque, torque - half, torque + half)
        out["shaft_power_w"] = Wave(
            torque * speed, (torque - half) * speed, (torque + half) * speed
        )
    return {name: out[name] for name in MEASURED_SERIES if name in out}


def _half_band(bench: Bench, name: str) -> Array:
    """Half the confidence band of an averaged stroke, from the means of blocks of strokes."""
    values = bench.strokes.waves[name]
    blocks = block_means(values, block_length(bench.strokes.means[name]))
    count = len(blocks)
    factor = coverage_factor(count - 1) / math.sqrt(count)
    return np.asarray(blocks.std(axis=0, ddof=1) * factor)


def _torque_band(bench: Bench, torque: Array) -> Array:
    """Half the confidence band of the averaged torque, from that of its current or torque."""
    name = "torque" if bench.has("torque") else "current"
    half = _half_band(bench, name)
    if name == "torque":
        return half
    size = 1e-4 * max(float(np.abs(bench.recorded(name)).max()), 1e-9)
    slope = (torque_wave(bench, current=(1.0, -size)) - torque) / size
    return np.asarray(np.abs(slope) * half)


def _check_torque(bench: Bench, name: str) -> None:
    """Refuse a current beyond the dynamometer table."""
    if bench.table is None or not bench.has("current") or bench.has("torque"):
        return
    current = bench.wave("current")
    low, high = bench.table.current[0], bench.table.current[-1]
    if current.min() < low or current.max() > high:
        assert bench.rig.drive is not None
        fault = Fault(
            str(bench.rig.drive.dynamometer_file), "current_a", f"{low:g} to {high:g} A",
            f"a table that covers {current.min():.4g} to {current.max():.4g} A as in {name}",
        )  # fmt: skip
        raise CaseError([fault])


def _notes(cleaner: Cleaner, strokes: StrokeTable, cutter: StrokeCutter) -> list[str]:
    """Warnings about the quality of the log."""
    rig, notes = cleaner.rig, []
    lost = cleaner.rows - cleaner.kept
    if lost > 0.001 * cleaner.rows:
        notes.append(f"{100.0 * lost / cleaner.rows:.2g} % of the rows were discarded.")
    jitter = cleaner.jitter * rig.log.sample_rate_hz
    if jitter > 0.2:
        notes.append(f"The clock jitters by {100.0 * jitter:.0f} % of the sample interval.")
    off = cleaner.sample_rate / rig.log.sample_rate_hz - 1.0
    if abs(off) > SURE_RATE:
        notes.append(
            f"By its clock the log has {cleaner.sample_rate:.6g} samples per second, not"
            f" {rig.log.sample_rate_hz:g}: if the clock is wrong, frequency and shaft power are off"
            f" by {100.0 * abs(off):.2g} %."
        )
    for name, count in cutter.clipped.items():
        if count > max(0.05 * strokes.count, 2):
            notes.append(
                f"{name}: flat peaks in {count} of {strokes.count} strokes suggest a sensor that"
                " saturates; if so, its means and harmonics are wrong."
            )
    notes += _phase_notes(rig, cutter.crank.repairs)
    bad = int(np.count_nonzero(strokes.reasons != ""))
    if bad > 0.1 * strokes.count:
        why = ", ".join(f"{count} {reason}" for reason, count in strokes.rejected().items())
        notes.append(f"{bad} of {strokes.count} strokes are rejected: {why}.")
    return notes


def _phase_notes(rig: Rig, repairs: Counter[str]) -> list[str]:
    """Warnings about the phase, where no index pulse ties it to the stroke."""
    position = rig.position
    if position.index_column is not None:
        return []
    notes = []
    cure = "An index pulse (position.index_column) would settle it."
    if jumps := repairs["position jumps"]:
        notes.append(
            f"The crank sensor jumped {jumps} {'time' if jumps == 1 else 'times'}: later phases"
            f" assume that the crank turned steadily there. {cure}"
        )
    if gaps := repairs[LOST]:
        notes.append(
            f"{gaps} {'gap is' if gaps == 1 else 'gaps are'} too long to keep the count: strokes"
            f" before and after may differ in phase, which blurs their average. {cure}"
        )
    if repairs["sensor wraps"] and position.finds_phase and not position.wraps_whole:
        notes.append(
            "The count wraps within strokes: the phase is right only if it had not wrapped before"
            f" the log began. {cure}"
        )
    return notes
