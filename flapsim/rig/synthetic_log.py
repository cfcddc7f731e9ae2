"""Synthetic logs: what a rig would record of a case, with the flaws of a real run.

For trying a rig file, for tests and for teaching: the true values are known.
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
from flapsim.rig.channels import UNITS, Filter
from flapsim.rig.filters import response
from flapsim.rig.log import Chunk
from flapsim.rig.predicted import FINE, Prediction, predict, turn_at
from flapsim.rig.rig_file import Rig

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sensor:
    """Errors of a sensor, SI units.

    Attributes
    ----------
    noise : float
        Standard deviation of every sample.
    step : float
        Resolution (quantisation step); 0 for none.
    gain_error : float
        Relative.
    zero_error : float
        Reading without load.
    """

    noise: float = 0.0
    step: float = 0.0
    gain_error: float = 0.0
    zero_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Flaws:
    """Flaws of a run and its sensors.

    Attributes
    ----------
    sensors : dict of str to Sensor
        By quantity.
    jitter : float
        Standard deviation of the sample times, s.
    dropped : float
        Fraction of the rows that are missing, independently.
    wander : float
        Standard deviation of the period from stroke to stroke, relative.
    gusts : float
        Standard deviation of both forces' stroke means, relative to their mean.
    missed : float
        Fraction of the edges that a switching sensor misses.
    """

    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    jitter: float = 0.0
    dropped: float = 0.0
    wander: float = 0.0
    gusts: float = 0.0
    missed: float = 0.0


def rehearse(
    case: Case, rig: Rig, strokes: int, seed: int = 0, clean: bool = False
) -> tuple[dict[str, Array], str]:
    """Return the log that a rig would record of a case, and the true means.

    Parameters
    ----------
    strokes, seed : int
        Length, and seed of the random numbers.
    clean : bool
        Whether to leave out noise, errors and missing rows.

    Returns
    -------
    columns : dict of str to (n,) array
        In the units of the columns.
    truth : str
        One line for each mean.

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
            faults.say(
                f"channels.{name}",
                f"{case.name} cannot predict it without a drive; add one, or leave the channel out",
            )
    faults.raise_if_any()
    flaws = Flaws() if clean else typical_flaws(truth, rig, random)
    lines = [f"Synthetic log of {case.name}; true values:"]
    lines += [
        f"{name} = {value:.6g}, {MEASURED[name].unit}"
        for name, value in truth.mean.items()
        if math.isfinite(value)
    ]
    return columns(truth, rig, strokes, flaws, random), "\n".join(lines)


def typical_flaws(truth: Prediction, rig: Rig, random: np.random.Generator) -> Flaws:
    """Return the flaws of a decent run: common practice, no source.

    Errors of gain and zero are drawn from the standard uncertainties of the rig. Noise is 1 % of a
    quantity's peak, resolution 12 bits over the range of its channel, clock jitter 5 % of a sample;
    one row in 1000 is missing, periods vary by 0.3 %, gusts by 2 %.
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
    return Flaws(sensors, 0.05 / rig.log.sample_rate_hz, 0.001, 0.003, 0.02)


def columns(
    truth: Prediction,
    rig: Rig,
    strokes: int,
    flaws: Flaws,
    random: np.random.Generator,
) -> dict[str, Array]:
    """Return the columns of a log, in their units; it begins within a stroke."""
    log, position = rig.log, rig.position
    count = round((strokes + 0.6) / truth.frequency * log.sample_rate_hz)
    time = np.arange(count) / log.sample_rate_hz
    if flaws.jitter:
        time = np.sort(time + random.normal(0.0, flaws.jitter, count))
    if flaws.dropped:
        time = time[random.random(count) >= flaws.dropped]
    knots = np.arange(strokes + 3)
    # Loads belong to the frequency of the prediction, so the mean period is exactly that.
    odd = random.standard_normal(len(knots))
    odd[1 : strokes + 1] -= odd[1 : strokes + 1].mean()
    periods = (1.0 + flaws.wander * odd) / truth.frequency
    turn = np.interp(time, np.cumsum(periods) - periods[0], knots) + 0.37
    even = np.arange(FINE + 1) / FINE
    phase = np.floor(turn) + np.interp(np.mod(turn, 1.0), turn_at(even, truth.ripple), even)
    out: dict[str, Array] = {}
    stamp = time / UNITS["time"][rig.channels.time.unit]
    out[rig.channels.time.column] = stamp - stamp[0] if not flaws.jitter else stamp
    out.update(_position(phase, rig, flaws, random))
    gusts = 1.0 + flaws.gusts * random.standard_normal(len(knots) + 1)
    share = np.interp(turn, np.arange(len(gusts)), gusts)
    for quantity, channel in rig.measured.items():
        wave = _filtered(truth.waves[quantity], channel.filter, truth.frequency)
        fine = np.append(wave, wave[0])
        value = np.interp(np.mod(phase, 1.0) * FINE, np.arange(FINE + 1), fine)
        if quantity in ("lift", "thrust"):
            value = value + (share - 1.0) * wave.mean()
        sensor = flaws.sensors.get(quantity, Sensor())
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
    """Periodic wave after the filter."""
    harmonics = np.fft.rfft(wave)
    ratio = response(filter_, frequency * np.arange(len(harmonics), dtype=np.float64))
    return np.fft.irfft(harmonics * ratio, len(wave))


def _position(turn: Array, rig: Rig, flaws: Flaws, random: np.random.Generator) -> dict[str, Array]:
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
    if flaws.missed:
        number = counts.astype(np.int64) - int(counts[0])
        lost = random.random(int(number.max()) + 1) < flaws.missed
        level = level & ~lost[number]
    return {position.column: level.astype(np.float64)}


def chunk(columns: Mapping[str, Array]) -> Chunk:
    """Columns as read back from the written log, with the header on line 1."""
    count = len(next(iter(columns.values())))
    return Chunk(np.arange(2, count + 2), dict(columns))


def write_log(path: str | Path, columns: Mapping[str, Array], comment: str = "") -> None:
    """Write columns as a log under comment lines; OSError if the file exists or is not writable."""
    import pandas as pd

    with Path(path).open("x", encoding="utf-8", newline="\n") as file:
        file.writelines(f"# {line}\n" for line in comment.splitlines())
        pd.DataFrame(dict(columns)).to_csv(
            file, index=False, float_format="%.9g", lineterminator="\n"
        )
