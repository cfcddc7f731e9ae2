"""One log reduced: strokes, their average with its confidence band, and the account of its watts.

Answers: what did this run measure, how sure is it, and what had to be repaired or left out?
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from flapsim.faults import Faults
from flapsim.quantities import MEASURED_SERIES, finite_or_none
from flapsim.rig.bench import Bench, torque_wave
from flapsim.rig.chain import CONFIDENCE, Account, account, block_length
from flapsim.rig.cleaning import Cleaner, losses
from flapsim.rig.crank import LOST, TURN, crank_of
from flapsim.rig.log import BLOCK, Chunk, Reading, read_chunks, read_table
from flapsim.rig.rig_file import Rig
from flapsim.rig.shaft import Table
from flapsim.rig.strokes import POWER, StrokeCutter, StrokeTable, joined

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


@dataclass(frozen=True, slots=True)
class Wave:
    """The averaged stroke of one quantity.

    Attributes
    ----------
    value : (bins,) array
        Filters undone, body forces taken off.
    low, high : (bins,) arrays
        Confidence band of the average, from the scatter between strokes, 95 %.
    """

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Reduction:
    """What a log says.

    Attributes
    ----------
    name : str
        Of the log.
    rig : Rig
    bench : Bench
        The accepted strokes.
    strokes : StrokeTable
        All strokes without their waves, with the reasons of those rejected.
    phase : (bins,) array
        Middle of every bin of phase, rad.
    waves : dict of str to Wave
        The averaged stroke.
    account : Account
    counts : dict of str to int
        Rows, losses, gaps, repairs; by words.
    sample_rate_hz, jitter_s : float
    notes : tuple of str
        What to distrust.
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
        """Return a plain nested dictionary for JSON; numbers without a meaning are None."""
        estimates = self.account.estimates
        out: dict[str, Any] = {
            "title": self.rig.title,
            "log": self.name,
            "mean": {name: finite_or_none(found.value) for name, found in estimates.items()},
            "uncertainty": {
                name: {
                    key: finite_or_none(value)
                    for key, value in dataclasses.asdict(found).items()
                    if key != "value"
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
            "check": {
                "sample_rate_hz": finite_or_none(self.sample_rate_hz),
                "jitter_s": finite_or_none(self.jitter_s),
            },
            "notes": list(self.notes),
        }
        if series:
            out["series"] = {"phase": self.phase.tolist()} | {
                name: {
                    "value": wave.value.tolist(),
                    "low": wave.low.tolist(),
                    "high": wave.high.tolist(),
                }
                for name, wave in self.waves.items()
            }
        return out


def reduce_log(path: str | Path, rig: Rig, block: int = BLOCK) -> Reduction:
    """Reduce a log.

    Parameters
    ----------
    path : str or Path
        CSV file of any size.
    rig : Rig
    block : int
        Bytes read at a time.

    Returns
    -------
    Reduction

    Raises
    ------
    CaseError
        If the log, or a file that the rig names, is not fit for use: file, line and column.
    """
    path = Path(path)
    reading = Reading(path.name)
    columns = Cleaner(rig, path.name).columns
    log = rig.log
    chunks = read_chunks(path, columns, reading, log.separator, log.decimal, block)
    return reduce_chunks(chunks, rig, path.name, reading)


def reduce_chunks(
    chunks: Iterable[Chunk], rig: Rig, name: str, reading: Reading | None = None
) -> Reduction:
    """Reduce a log that comes as chunks of rows.

    Parameters
    ----------
    name : str
        Of the log, for messages.
    reading : Reading, optional
        What reading came across.

    Raises
    ------
    CaseError
        As `reduce_log`.
    """
    # First what the rig names: a fault there should not wait for the end of a long log.
    table, still = _dynamometer(rig), _still(rig)
    cleaner, crank = Cleaner(rig, name), crank_of(rig, name)
    cutter = StrokeCutter(rig, crank)
    tables = list(_strokes(chunks, cleaner, cutter))
    cleaner.verdict()
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
        "last line cut off": 0 if reading is None else reading.cut_off,
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
        notes=(*_notes(cleaner, strokes, rig, crank.repairs, cutter.flat), *found.notes),
    )


def _strokes(
    chunks: Iterable[Chunk], cleaner: Cleaner, cutter: StrokeCutter
) -> Iterator[StrokeTable]:
    for chunk in chunks:
        samples = cleaner.clean(chunk)
        if len(samples.time):
            yield from cutter.feed(samples)
    # A log whose rows are mostly lost is refused for that, not for the strokes it then lacks.
    cleaner.verdict()
    yield from cutter.end()


def _check_powers(found: Account, name: str) -> None:
    """Report powers that a wing which flaps cannot have."""
    faults = Faults(name)
    parts = (
        ("electrical_power_w", "electrical power", "is a sign turned? (gain)"),
        (
            "shaft_power_w",
            "shaft power",
            "the current is below the motor's no-load current: its unit, gain or zero, or the"
            " motor's constants",
        ),
    )
    for key, words, hint in parts:
        estimate = found.estimates.get(key)
        if estimate is not None and estimate.value <= 0.0:
            faults.add("", f"a mean {words} of {estimate.value:.3g} W", "a power > 0", hint)
    faults.raise_if_any()


def _waves(bench: Bench) -> dict[str, Wave]:
    """Average every quantity over the strokes, by phase."""
    rig = bench.rig
    out = {}
    for name in bench.strokes.waves:
        if name not in WAVES:
            continue
        half = _half_band(bench, name)
        value = bench.wave(name)
        if name in ("lift", "thrust"):
            value = value - getattr(rig.tare, f"body_{name}_n")
        out[WAVES[name]] = Wave(value, value - half, value + half)
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
    """Half the confidence band of an averaged stroke, from blocks of strokes that forget."""
    values = bench.strokes.waves[name]
    length = block_length(bench.strokes.means[name])
    count = len(values) // length
    blocks = values[: count * length].reshape(count, length, -1).mean(axis=1, dtype=np.float64)
    factor = float(student.ppf(0.5 + 0.5 * CONFIDENCE, count - 1)) / math.sqrt(count)
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


# --- files that the rig names -------------------------------------------------------------------


def _dynamometer(rig: Rig) -> Table | None:
    """Read the dynamometer table, if the rig has one."""
    if rig.drive is None or rig.drive.dynamometer_file is None:
        return None
    file = rig.folder / rig.drive.dynamometer_file
    columns = read_table(file, ("current_a", "torque_n_m"))
    current, torque = columns["current_a"], columns["torque_n_m"]
    faults = Faults(file.name)
    for column, values in columns.items():
        if np.isnan(values).any():
            row = int(np.flatnonzero(np.isnan(values))[0]) + 1
            faults.add(f"row {row}, {column}", "no number", "a number")
        elif (np.diff(values) <= 0.0).any():
            row = int(np.flatnonzero(np.diff(values) <= 0.0)[0]) + 2
            faults.add(f"row {row}, {column}", f"{values[row - 1]:g}", "a rising column")
    if len(current) < 2:
        faults.add("", f"{len(current)} rows", "at least 2 rows")
    faults.raise_if_any()
    return Table(current, torque)


def _check_torque(bench: Bench, name: str) -> None:
    """Report a current that a dynamometer table does not reach."""
    if bench.table is None or not bench.has("current") or bench.has("torque"):
        return
    current = bench.wave("current")
    low, high = bench.table.current[0], bench.table.current[-1]
    if current.min() < low or current.max() > high:
        assert bench.rig.drive is not None
        faults = Faults(str(bench.rig.drive.dynamometer_file))
        faults.add(
            "current_a", f"{low:g} to {high:g} A",
            f"at least {current.min():.4g} to {current.max():.4g} A", f"as {name} has it",
        )  # fmt: skip
        faults.raise_if_any()


def _still(rig: Rig) -> tuple[float, float] | None:
    """Thrust of the wing held still, as the balance reads it, and its standard uncertainty."""
    tare = rig.tare
    if tare.still_thrust_n is not None:
        return tare.still_thrust_n, tare.still_thrust_uncertainty_n
    if tare.still_log is None or rig.channels.thrust is None:
        return None
    alone = dataclasses.replace(
        rig,
        channels=dataclasses.replace(
            rig.channels, voltage=None, current=None, lift=None, torque=None, airspeed=None
        ),
        position=dataclasses.replace(rig.position, index_column=None),
    )
    path = rig.folder / tare.still_log
    cleaner = Cleaner(alone, path.name)
    log = rig.log
    chunks = read_chunks(path, cleaner.columns, Reading(path.name), log.separator, log.decimal)
    crank, parts, turned = crank_of(alone, path.name), [], [0.0]
    for chunk in chunks:
        samples = cleaner.clean(chunk)
        parts.append(samples.values["thrust"])
        angle = crank.follow(samples)[1]
        turned += [float(angle.min()), float(angle.max())] if len(angle) else []
    cleaner.verdict()
    if np.ptp(turned[1:] or turned) > STILL_TURN * TURN:
        faults = Faults(path.name)
        faults.add(
            rig.position.column, f"a crank that turns by {math.degrees(np.ptp(turned[1:])):.0f} °",
            "one that stands still", "tare.still_log is a run with the wing held still",
        )  # fmt: skip
        faults.raise_if_any()
    thrust = np.concatenate(parts)
    count = len(thrust) // STILL_BLOCKS
    if count == 0:
        faults = Faults(path.name)
        faults.add("", f"{len(thrust)} rows", f"at least {STILL_BLOCKS} rows")
        faults.raise_if_any()
    means = thrust[: count * STILL_BLOCKS].reshape(STILL_BLOCKS, count).mean(axis=1)
    scatter = float(means.std(ddof=1)) / math.sqrt(STILL_BLOCKS)
    return float(thrust.mean()), math.hypot(scatter, tare.still_thrust_uncertainty_n)


STILL_TURN = 0.05
"""Part of a turn by which the crank may move while the wing is held still."""

STILL_BLOCKS = 20
"""Parts of a run at rest whose means tell its scatter."""


def _notes(
    cleaner: Cleaner,
    strokes: StrokeTable,
    rig: Rig,
    repairs: Mapping[str, int],
    flat: Mapping[str, int],
) -> list[str]:
    notes = []
    lost = cleaner.rows - cleaner.kept
    if lost > 0.001 * cleaner.rows:
        notes.append(f"{100.0 * lost / cleaner.rows:.2g} % of the rows were lost.")
    jitter = cleaner.jitter * rig.log.sample_rate_hz
    if jitter > 0.2:
        notes.append(f"The clock jitters by {100.0 * jitter:.0f} % of a sample.")
    off = cleaner.sample_rate / rig.log.sample_rate_hz - 1.0
    if abs(off) > SURE_RATE:
        notes.append(
            f"By its clock the log has {cleaner.sample_rate:.6g} samples a second, not"
            f" {rig.log.sample_rate_hz:g}: if the clock is wrong, so are frequency and shaft power,"
            f" by {100.0 * abs(off):.2g} %."
        )
    for name, count in flat.items():
        if count > max(0.05 * strokes.count, 2):
            notes.append(
                f"{name}: flat peaks in {count} of {strokes.count} strokes, as where a sensor's"
                " range ends; means and harmonics are wrong then."
            )
    notes += _phase_notes(rig, repairs)
    bad = int(np.count_nonzero(strokes.reasons != ""))
    if bad > 0.1 * strokes.count:
        why = ", ".join(f"{count} {reason}" for reason, count in strokes.rejected().items())
        notes.append(f"{bad} of {strokes.count} strokes are rejected: {why}.")
    return notes


SURE_RATE = 0.002
"""Departure of the sample rate from the stated one that is worth a word: clocks keep far better."""


def _phase_notes(rig: Rig, repairs: Mapping[str, int]) -> list[str]:
    """What the crank's sensor leaves open, where no index ties it to the stroke."""
    if rig.position.index_column is not None:
        return []
    notes = []
    cure = "A sensor with an index (position.index_column) would know."
    if jumps := repairs.get("position jumps", 0):
        notes.append(
            f"The crank's sensor jumped {jumps} {'time' if jumps == 1 else 'times'}: phases after"
            f" that rest on the crank having turned evenly there. {cure}"
        )
    if gaps := repairs.get(LOST, 0):
        notes.append(
            f"{gaps} {'gap is' if gaps == 1 else 'gaps are'} too long to count on through: strokes"
            f" before and after may differ in phase, which blurs their average. {cure}"
        )
    if repairs.get("sensor wraps", 0) and rig.position.finds_phase and not rig.position.wraps_whole:
        notes.append(
            "The count starts again in the middle of strokes: the phase is right only if it had not"
            f" done so before the log began. {cure}"
        )
    return notes
