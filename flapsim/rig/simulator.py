"""A rig that does not exist: turns a case into a log with all the sins of a real one.

For tests and teaching: the truth is known, so what the measurement makes of it can be judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.faults import Faults
from flapsim.quantities import MEASURED
from flapsim.rig.filters import response
from flapsim.rig.log import Chunk
from flapsim.rig.predicted import FINE, Prediction, predict, turn_at
from flapsim.rig.rig_file import UNITS, Filter, Rig

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is wrong with a sensor, SI units.

    Attributes
    ----------
    noise : float
        Standard deviation of every sample.
    step : float
        Of its quantisation; 0 for none.
    gain_error : float
        The reading is this part too large.
    zero_error : float
        Reading without load.
    """

    noise: float = 0.0
    step: float = 0.0
    gain_error: float = 0.0
    zero_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Sins:
    """What is wrong with a run.

    Attributes
    ----------
    sensors : dict of str to Sensor
        By quantity.
    jitter : float
        Standard deviation of the sample times, s.
    dropped : float
        Part of the rows that are missing, each by itself.
    wander : float
        Standard deviation of the period from stroke to stroke, relative.
    gusts : float
        Standard deviation of both forces' stroke means, relative to their mean.
    missed : float
        Part of the edges that a switching sensor misses.
    """

    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    jitter: float = 0.0
    dropped: float = 0.0
    wander: float = 0.0
    gusts: float = 0.0
    missed: float = 0.0


def rehearsed(
    case: Case, rig: Rig, strokes: int, seed: int = 0, clean: bool = False
) -> tuple[dict[str, Array], str]:
    """Return the log that a case gives on a bench, and the truth behind it.

    Parameters
    ----------
    seed : int
        Of everything that is left to chance.
    clean : bool
        Whether to leave out noise, errors and missing rows.

    Returns
    -------
    columns : dict of str to (n,) array
        In the units of the columns.
    truth : str
        One line each for the means behind them.

    Raises
    ------
    CaseError
        If the rig measures what the case cannot predict.
    """
    random = np.random.default_rng(seed)
    truth = predict(case, rig)
    faults = Faults(rig.name)
    for name in rig.measured:
        if name not in truth.waves:
            faults.add(f"channels.{name}", "a quantity", f"one that {case.name} predicts",
                       "it has no drive")  # fmt: skip
    faults.raise_if_any()
    sins = Sins() if clean else usual_sins(truth, rig, random)
    told = [f"Rehearsed from {case.name}; what is true, as far as that case is:"]
    told += [
        f"{name} = {value:.6g}, {MEASURED[name].unit}"
        for name, value in truth.mean.items()
        if math.isfinite(value)
    ]
    return columns(truth, rig, strokes, sins, random), "\n".join(told)


def usual_sins(truth: Prediction, rig: Rig, random: np.random.Generator) -> Sins:
    """Return what is wrong with a decent run: common practice, no source.

    Parameters
    ----------
    rig : Rig
        Errors of gain and zero are drawn from the uncertainties that it states.

    Returns
    -------
    Sins
        Noise of 1 % of a quantity's peak, 12 bits over the range of its channel, a clock that
        jitters by 5 % of a sample, one row in 1000 missing, periods that wander by 0.3 % and gusts
        of 2 %.
    """
    sensors = {
        name: Sensor(
            noise=0.01 * float(np.abs(truth.waves[name]).max()),
            step=(channel.range[1] - channel.range[0]) / 4096.0,
            gain_error=float(random.normal(0.0, channel.gain_uncertainty)),
            zero_error=float(random.normal(0.0, channel.zero_uncertainty)),
        )
        for name, channel in rig.measured.items()
    }
    return Sins(sensors, 0.05 / rig.log.sample_rate_hz, 0.001, 0.003, 0.02)


def columns(
    truth: Prediction, rig: Rig, strokes: int, sins: Sins, random: np.random.Generator
) -> dict[str, Array]:
    """Return the columns of a log.

    Parameters
    ----------
    rig : Rig
        Names, units, filters and sampling of the columns.
    strokes : int
        Length of the log; it begins at a phase of its own.

    Returns
    -------
    dict of str to (n,) array
        In the units of the columns.
    """
    log, position = rig.log, rig.position
    count = round((strokes + 0.6) / truth.frequency * log.sample_rate_hz)
    time = np.arange(count) / log.sample_rate_hz
    if sins.jitter:
        time = np.sort(time + random.normal(0.0, sins.jitter, count))
    if sins.dropped:
        time = time[random.random(count) >= sins.dropped]
    knots = np.arange(strokes + 3)
    # Loads belong to the frequency of the prediction, so that is what the mean period keeps to.
    odd = random.standard_normal(len(knots))
    odd[1 : strokes + 1] -= odd[1 : strokes + 1].mean()
    periods = (1.0 + sins.wander * odd) / truth.frequency
    turn = np.interp(time, np.cumsum(periods) - periods[0], knots) + 0.37
    even = np.arange(FINE + 1) / FINE
    phase = np.floor(turn) + np.interp(np.mod(turn, 1.0), turn_at(even, truth.ripple), even)
    out: dict[str, Array] = {}
    stamp = time / UNITS["time"][rig.channels.time.unit]
    out[rig.channels.time.column] = stamp - stamp[0] if not sins.jitter else stamp
    out.update(_position(phase, rig, sins, random))
    gusts = 1.0 + sins.gusts * random.standard_normal(len(knots) + 1)
    share = np.interp(turn, np.arange(len(gusts)), gusts)
    for quantity, channel in rig.measured.items():
        wave = _filtered(truth.waves[quantity], channel.filter, truth.frequency)
        fine = np.append(wave, wave[0])
        value = np.interp(np.mod(phase, 1.0) * FINE, np.arange(FINE + 1), fine)
        if quantity in ("lift", "thrust"):
            value = value + (share - 1.0) * wave.mean()
        sensor = sins.sensors.get(quantity, Sensor())
        value = value * (1.0 + sensor.gain_error) + sensor.zero_error
        value = value + sensor.noise * random.standard_normal(len(value))
        if sensor.step:
            value = sensor.step * np.rint(value / sensor.step)
        raw = value / channel.gain + channel.zero
        out[channel.column] = raw / UNITS[quantity][channel.unit]
    if position.index_column is not None:
        out[position.index_column] = (np.mod(phase + position.zero_deg / 360.0, 1.0) < 0.1).astype(
            np.float64
        )
    return out


def _filtered(wave: Array, filter_: Filter | None, frequency: float) -> Array:
    """Periodic wave after what lies between it and its column."""
    harmonics = np.fft.rfft(wave)
    ratio = response(filter_, frequency * np.arange(len(harmonics), dtype=np.float64))
    return np.fft.irfft(harmonics * ratio, len(wave))


def _position(turn: Array, rig: Rig, sins: Sins, random: np.random.Generator) -> dict[str, Array]:
    """Column of the crank sensor."""
    position = rig.position
    shown = position.direction * (turn + position.zero_deg / 360.0)
    if position.kind == "angle":
        angle = 360.0 * shown
        return {position.column: np.asarray(np.round(np.mod(angle, 360.0), 2), dtype=np.float64)}
    counts = np.floor(shown * position.per_stroke)
    if position.kind == "counts":
        if position.wraps_at is not None:
            counts = np.mod(counts, position.wraps_at)
        return {position.column: counts}
    level = np.mod(shown * position.per_stroke, 1.0) < 0.5
    if sins.missed:
        number = counts.astype(np.int64) - int(counts[0])
        lost = random.random(int(number.max()) + 1) < sins.missed
        level = level & ~lost[number]
    return {position.column: level.astype(np.float64)}


def chunk(columns: Mapping[str, Array]) -> Chunk:
    """Columns as a reader of the written log would see them, header on line 1."""
    count = len(next(iter(columns.values())))
    return Chunk(np.arange(2, count + 2), dict(columns))


def write_log(path: str | Path, columns: Mapping[str, Array], comment: str = "") -> None:
    """Write columns as a log.

    Parameters
    ----------
    path : str or Path
        Must not exist yet.
    comment : str
        Lines for the head of the file.

    Raises
    ------
    OSError
        If it exists or cannot be written.
    """
    import pandas as pd

    with Path(path).open("x", encoding="utf-8", newline="\n") as file:
        file.writelines(f"# {line}\n" for line in comment.splitlines())
        pd.DataFrame(dict(columns)).to_csv(
            file, index=False, float_format="%.9g", lineterminator="\n"
        )
