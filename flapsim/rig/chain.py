"""Every watt of a measured stroke, by its own name and with its uncertainty.

Answers: how much power went in, how much turned the crank, how much became thrust, how sure is
each number, and which sensor should be improved first? Uncertainties are propagated as the Guide
to the Expression of Uncertainty in Measurement (JCGM 100:2008) has it: standard uncertainties of
sensors and constants (type B), and the scatter between strokes (type A), through the chain.

Shaft power is what the crank takes; of the work that the wing returns, only the part that the
drive regenerates is counted against it. What reaches the air is all work given less all work
returned (the wing's inertia takes none in the mean), less the power that linkage and hinges take.
A motor that regenerates nothing does not see the returned work: it belongs to `mechanism_loss_w`
of the rig then, or the air power is too high.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import uncertainties
from numpy.typing import NDArray
from scipy.stats import t as student
from uncertainties import ufloat

from flapsim.quantities import MEASURED
from flapsim.rig.bench import Bench, crank_power, finely, stroke_powers, torque_wave
from flapsim.rig.filters import mean_product_correction
from flapsim.rig.rig_file import Channel, Rig, RigDrive
from flapsim.rig.strokes import POWER

Array = NDArray[np.float64]
Uncertain = Any
"""A number with its uncertainty, as the library of that name has it."""

CONFIDENCE: Final = 0.95
SCATTER: Final = "scatter between strokes"
DRAWS: Final = 1000


@dataclass(frozen=True, slots=True)
class Estimate:
    """One result.

    Attributes
    ----------
    value : float
    uncertainty : float
        Standard uncertainty.
    low, high : float
        Interval that covers the true value with 95 % probability.
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite (JCGM 100, G.4.1).
    scatter_low, scatter_high : float
        What resampling blocks of strokes gives for the scatter alone; NaN where it does not apply.
    """

    value: float
    uncertainty: float
    low: float
    high: float
    degrees_of_freedom: float
    scatter_low: float = math.nan
    scatter_high: float = math.nan


@dataclass(frozen=True, slots=True)
class Share:
    """What one source adds to the uncertainty of a result: its own, and its part of the square."""

    source: str
    uncertainty: float
    part: float


@dataclass(frozen=True, slots=True)
class Account:
    """The watts of a stroke.

    Attributes
    ----------
    estimates : dict of str to Estimate
        By the names of `MEASURED`; what cannot be known is left out.
    budget : dict of str to tuple of Share
        For every result, its sources, the largest first.
    blocks : int
        Independent blocks of strokes that the scatter was taken from.
    notes : tuple of str
        What to distrust, in words.
    """

    estimates: dict[str, Estimate]
    budget: dict[str, tuple[Share, ...]]
    blocks: int
    notes: tuple[str, ...]


# --- sources of uncertainty --------------------------------------------------------------------


@dataclass
class _Sources:
    """The uncertain inputs, each made once so that what is common to two results stays common."""

    bench: Bench
    made: dict[str, Uncertain] = field(default_factory=dict)

    def number(self, name: str, value: float, uncertainty: float) -> Uncertain:
        """Return an uncertain input by its name."""
        if name not in self.made:
            self.made[name] = ufloat(value, uncertainty, tag=name) if uncertainty else value
        return self.made[name]

    def gain(self, quantity: str) -> Uncertain:
        """Gain error of a sensor, about 1."""
        return self.number(f"{quantity} gain", 1.0, self._channel(quantity).gain_uncertainty)

    def zero(self, quantity: str) -> Uncertain:
        """Zero error of a sensor, about 0."""
        return self.number(f"{quantity} zero", 0.0, self._channel(quantity).zero_uncertainty)

    def _channel(self, quantity: str) -> Channel:
        return self.bench.rig.measured[quantity]


_DRIVE_CONSTANTS: Final = {
    "torque_constant_n_m_a": "motor torque constant",
    "no_load_current_a": "motor no-load current",
    "resistance_ohm": "motor resistance",
    "gear_efficiency": "gear efficiency",
    "auxiliary_w": "auxiliary power",
    "torque_factor": "dynamometer table",
}


def _drive_inputs(sources: _Sources, drive: RigDrive) -> dict[str, Uncertain]:
    """Constants of the drive that bear on the torque, with their uncertainty."""
    out = {"gear_efficiency": (drive.gear_efficiency, drive.gear_efficiency_uncertainty)}
    if drive.motor is None:
        out["torque_factor"] = (1.0, drive.torque_uncertainty)
    else:
        motor = drive.motor
        out["torque_constant_n_m_a"] = (
            motor.torque_constant_n_m_a,
            motor.torque_constant_uncertainty_n_m_a,
        )
        out["no_load_current_a"] = (motor.no_load_current_a, motor.no_load_current_uncertainty_a)
        if drive.current_at == "battery":
            out["resistance_ohm"] = (motor.resistance_ohm, motor.resistance_uncertainty_ohm)
            out["auxiliary_w"] = (drive.auxiliary_w, drive.auxiliary_uncertainty_w)
    return {key: sources.number(_DRIVE_CONSTANTS[key], *numbers) for key, numbers in out.items()}


def _systematic_powers(bench: Bench, sources: _Sources) -> tuple[Uncertain, Uncertain]:
    """Powers of the averaged stroke at the crank, as functions of every sensor error and constant.

    Returns the shaft power and the power into the wing, see `crank_power`.
    """
    names = [name for name in ("current", "voltage", "torque") if bench.has(name)]
    if bench.has("torque"):
        names = ["torque"]
    inputs: list[Uncertain] = []
    for name in names:
        inputs += [sources.gain(name), sources.zero(name)]
    keys: list[str] = []
    if not bench.has("torque"):
        assert bench.rig.drive is not None
        constants = _drive_inputs(sources, bench.rig.drive)
        keys = list(constants)
        inputs += constants.values()

    def power(*numbers: float) -> Array:
        pairs: dict[str, Any] = {
            name: (numbers[2 * at], numbers[2 * at + 1]) for at, name in enumerate(names)
        }
        constants = dict(zip(keys, numbers[2 * len(names) :], strict=True))
        torque = torque_wave(bench, constants=constants, **pairs)
        return np.stack(crank_power(bench, finely(torque), bench.frequency))

    shaft, wing = linearised(power, inputs)
    return shaft, wing


def linearised(function: Callable[..., Array], inputs: Sequence[Uncertain]) -> list[Uncertain]:
    """Values of a function, with the uncertainty of its inputs to first order.

    Parameters
    ----------
    function : callable
        Takes as many numbers as there are inputs, returns an array of shape (n,).
    inputs : sequence of float or uncertain number
        May be correlated.

    Notes
    -----
    JCGM 100:2008, 5.1.2 and 5.2.2. Slopes are taken over one standard uncertainty to either side.
    """
    at = [float(uncertainties.nominal_value(value)) for value in inputs]
    out: list[Uncertain] = [float(value) for value in function(*at)]
    for place, value in enumerate(inputs):
        spread = uncertainties.std_dev(value)
        if spread == 0.0:
            continue
        sides = [[*at[:place], at[place] + sign * spread, *at[place + 1 :]] for sign in (1, -1)]
        slopes = (function(*sides[0]) - function(*sides[1])) / (2.0 * spread)
        for row, slope in enumerate(slopes):
            out[row] = out[row] + float(slope) * (value - at[place])
    return out


# --- scatter -----------------------------------------------------------------------------------


def block_length(series: Array) -> int:
    """Strokes to a block, so that one block hardly remembers the one before.

    Returns
    -------
    int
        The cube root of n, or four correlation times where those are longer; at most n / 8.

    Notes
    -----
    Blocks that grow with the cube root of the series are the best compromise of bias and scatter
    for the variance of a mean (Hall, Horowitz & Jing 1995). Correlation time: integrated
    autocorrelation with the window of Sokal (1997), cut at five times itself.
    """
    deviation = series - series.mean()
    count = len(series)
    most = max(count // 8, 1)
    least = min(math.ceil(float(np.cbrt(count))), most)
    power = float(deviation @ deviation)
    if power <= 0.0:
        return least
    spectrum = np.abs(np.fft.rfft(deviation, 2 * count)) ** 2
    correlation = np.fft.irfft(spectrum)[:count] / power
    time = np.cumsum(correlation) - 0.5
    cut = np.flatnonzero(np.arange(count) >= 5.0 * time)
    length = float(time[cut[0]]) if cut.size else 0.5
    wanted = math.ceil(4.0 * length) if length > 0.75 else 1
    return max(least, min(wanted, most))


def means_with_scatter(middle: Array, blocks: Array) -> list[Uncertain]:
    """Means with the uncertainty that the scatter of independent observations gives them.

    Parameters
    ----------
    middle : (k,) array
        Means of k quantities.
    blocks : (k, n) array
        n observations of all k together.

    Returns
    -------
    list of k uncertain numbers
        Correlated as the observations are.

    Notes
    -----
    JCGM 100:2008, 4.2.3 and 5.2.3 (covariance of means).
    """
    count = blocks.shape[1]
    covariance = np.atleast_2d(np.cov(blocks)) / count
    values = [float(value) for value in middle]
    return list(
        uncertainties.correlated_values(values, covariance.tolist(), tags=[SCATTER] * len(values))
    )


def _block_means(series: Array, length: int) -> Array:
    """Means over consecutive blocks, shape (..., blocks); what does not fill one is left out."""
    count = series.shape[-1] // length
    whole = series[..., : count * length].reshape(*series.shape[:-1], count, length)
    return np.asarray(whole.mean(axis=-1))


def _series(bench: Bench) -> dict[str, Array]:
    """Per stroke, what enters the chain: power, shaft power, forces, airspeed, frequency."""
    means = bench.strokes.means
    out = {"frequency": 1.0 / bench.strokes.period}
    for name in ("lift", "thrust", "airspeed", "voltage", "current", POWER):
        if name in means:
            out[name] = means[name]
    if bench.knows_shaft:
        out["shaft"], out["wing"] = stroke_powers(bench)
    return out


# --- the chain ---------------------------------------------------------------------------------


def account(bench: Bench, seed: int = 0) -> Account:
    """Account for every watt of the averaged stroke.

    Parameters
    ----------
    seed : int
        Of the resampling.
    """
    series = _series(bench)
    stacked = np.stack(list(series.values()))
    length = max(block_length(values) for values in stacked)
    blocks = _block_means(stacked, length)
    count = blocks.shape[1]
    middle = stacked.mean(axis=1)
    scattered = means_with_scatter(middle, blocks)
    sources = _Sources(bench)
    measured = dict(zip(series, scattered, strict=True))
    systematic = _systematic_powers(bench, sources) if bench.knows_shaft else None
    means = {name: float(value) for name, value in zip(series, middle, strict=True)}
    results = _results(bench, sources, measured, means, systematic)
    resampled = _resampled(bench, means, blocks, systematic, seed)
    estimates = {
        name: _estimate(value, count, resampled.get(name, (math.nan, math.nan)))
        for name, value in results.items()
    }
    budget = {name: _budget(value) for name, value in results.items()}
    return Account(estimates, budget, count, _notes(bench, results, count))


def _results(
    bench: Bench,
    sources: Any,
    measured: dict[str, Any],
    middle: dict[str, float],
    systematic: tuple[Any, Any] | None,
) -> dict[str, Any]:
    """Every result that the inputs allow, from numbers, uncertain numbers or arrays alike."""
    rig = bench.rig
    out: dict[str, Any] = {"frequency_hz": measured["frequency"]}
    if "airspeed" in measured:
        speed = sources.gain("airspeed") * (measured["airspeed"] - sources.zero("airspeed"))
    elif rig.flow is not None:
        flow = rig.flow
        speed = sources.number("airspeed", flow.airspeed_m_s, flow.airspeed_uncertainty_m_s)
    else:
        speed = None
    if speed is not None:
        out["airspeed_m_s"] = speed
    for name in ("lift", "thrust"):
        if name in measured:
            out[f"{name}_n"] = _wing_force(name, rig, sources, measured[name])
    if POWER in measured:
        out["electrical_power_w"] = _electrical(bench, sources, measured)
    if systematic is not None:
        for name, whole, key in zip(
            ("shaft_power_w", "aero_power_w"), systematic, ("shaft", "wing"), strict=True
        ):
            scatter = measured[key] - middle[key]
            known = math.isfinite(uncertainties.nominal_value(whole))
            out[name] = whole + scatter if known else math.nan
        loss = (
            sources.number(
                "mechanism loss",
                rig.drive.mechanism_loss_w,
                rig.drive.mechanism_loss_uncertainty_w,
            )
            if rig.drive is not None
            else 0.0
        )
        out["aero_power_w"] = out["aero_power_w"] - loss
    return _ratios(bench, sources, measured, out)


def _wing_force(name: str, rig: Rig, sources: Any, reading: Any) -> Any:
    """Force of the wing alone: what the balance reads, less body and mounting."""
    body = sources.number(
        f"{name} of the body",
        getattr(rig.tare, f"body_{name}_n"),
        getattr(rig.tare, f"body_{name}_uncertainty_n"),
    )
    return sources.gain(name) * (reading - sources.zero(name)) - body


def _electrical(bench: Bench, sources: Any, measured: dict[str, Any]) -> Any:
    """Mean of voltage times current, sensor errors and the phase lost in filters put right."""
    voltage, current = bench.rig.measured["voltage"], bench.rig.measured["current"]
    lost = mean_product_correction(
        bench.recorded("voltage"),
        bench.recorded("current"),
        bench.bin_time / bench.bin_time.sum(),
        bench.frequency,
        (voltage.filter, current.filter),
    )
    zeros = sources.zero("voltage"), sources.zero("current")
    product = (
        measured[POWER]
        + lost
        - zeros[0] * measured["current"]
        - zeros[1] * measured["voltage"]
        + zeros[0] * zeros[1]
    )
    return sources.gain("voltage") * sources.gain("current") * product


def _ratios(
    bench: Bench, sources: Any, measured: dict[str, Any], out: dict[str, Any]
) -> dict[str, Any]:
    """Efficiencies, each where its parts are known."""
    rig, tare = bench.rig, bench.rig.tare
    electrical, shaft = out.get("electrical_power_w"), out.get("shaft_power_w")
    air, speed, thrust = out.get("aero_power_w"), out.get("airspeed_m_s"), out.get("thrust_n")
    if speed is not None and thrust is not None:
        out["thrust_power_w"] = thrust * speed
    useful = out.get("thrust_power_w")
    out["drive_efficiency"] = _over(shaft, electrical)
    out["aerodynamic_efficiency"] = _over(useful, shaft)
    out["total_efficiency"] = _over(useful, electrical)
    if bench.still is not None and "thrust" in rig.measured and speed is not None:
        still = sources.number("thrust held still", *bench.still)
        gained = sources.gain("thrust") * (measured["thrust"] - still)
        out["tare_efficiency"] = _over(gained * speed, air)
    if tare.held_drag_n is not None and thrust is not None and speed is not None:
        held = sources.number("drag held still", tare.held_drag_n, tare.held_drag_uncertainty_n)
        out["flapping_efficiency"] = _over((thrust + held) * speed, air)
    return {name: out[name] for name in MEASURED if out.get(name) is not None}


def _over(top: Any, bottom: Any) -> Any:
    """A ratio; None where a part is unknown, NaN where the bottom is not positive."""
    if top is None or bottom is None:
        return None
    if isinstance(bottom, np.ndarray):
        return top / np.where(bottom > 0.0, bottom, np.nan)
    return top / bottom if uncertainties.nominal_value(bottom) > 0.0 else math.nan


def _estimate(value: Uncertain, blocks: int, scatter: tuple[float, float]) -> Estimate:
    middle, spread = uncertainties.nominal_value(value), uncertainties.std_dev(value)
    random = math.sqrt(sum(s**2 for source, s in _parts(value) if source == SCATTER))
    freedom = math.inf
    if random > 0.0:
        freedom = (blocks - 1) * (spread / random) ** 4
    factor = float(student.ppf(0.5 + 0.5 * CONFIDENCE, freedom))
    reach = factor * spread
    return Estimate(middle, spread, middle - reach, middle + reach, freedom, *scatter)


def _parts(value: Uncertain) -> list[tuple[str, float]]:
    if not isinstance(value, uncertainties.UFloat):
        return []
    return [(str(source.tag), abs(s)) for source, s in value.error_components().items()]


def _budget(value: Uncertain) -> tuple[Share, ...]:
    """Sources of a result's uncertainty, the largest first."""
    squares: dict[str, float] = {}
    for source, spread in _parts(value):
        squares[source] = squares.get(source, 0.0) + spread**2
    whole = sum(squares.values())
    shares = [
        Share(source, math.sqrt(square), float(square / whole))
        for source, square in squares.items()
        if square > 0.0
    ]
    return tuple(sorted(shares, key=lambda share: -share.part))


# --- resampling --------------------------------------------------------------------------------


class _Exact:
    """Inputs without an uncertainty, for the resampling of the scatter alone."""

    def gain(self, _: str) -> float:
        return 1.0

    def zero(self, _: str) -> float:
        return 0.0

    def number(self, _: str, value: float, __: float) -> float:
        return value


def _resampled(
    bench: Bench,
    means: dict[str, float],
    blocks: Array,
    systematic: tuple[Uncertain, Uncertain] | None,
    seed: int,
) -> dict[str, tuple[float, float]]:
    """Interval of every result when blocks of strokes are drawn again (Kunsch 1989)."""
    count = blocks.shape[1]
    random = np.random.default_rng(seed)
    weights = random.multinomial(count, np.full(count, 1.0 / count), size=DRAWS) / count
    drawn = weights @ blocks.T
    measured = {name: drawn[:, at] for at, name in enumerate(means)}
    nominal = None
    if systematic is not None:
        shaft, wing = (uncertainties.nominal_value(value) for value in systematic)
        nominal = shaft, wing
    results = _results(bench, _Exact(), measured, means, nominal)
    ends = 50.0 * (1.0 - CONFIDENCE), 50.0 * (1.0 + CONFIDENCE)
    return {
        name: (float(np.percentile(value, ends[0])), float(np.percentile(value, ends[1])))
        for name, value in results.items()
        if isinstance(value, np.ndarray) and np.isfinite(value).all()
    }


def _notes(bench: Bench, results: dict[str, Uncertain], blocks: int) -> tuple[str, ...]:
    notes = []
    if blocks < 10:
        notes.append(
            f"Only {blocks} independent blocks of strokes: the scatter itself is uncertain."
        )
    if "shaft_power_w" in results and not math.isfinite(
        uncertainties.nominal_value(results["shaft_power_w"])
    ):
        notes.append(
            "The motor's constants cannot give the recorded power or current: no shaft power."
        )
    if uncertainties.nominal_value(results.get("aero_power_w", 1.0)) <= 0.0:
        notes.append(
            "Nothing is left for the air: the power on the crank does not even pay for"
            " drive.mechanism_loss_w; one of them, or a constant of the drive, is off."
        )
    notes += _voltage_note(bench)
    ratio = uncertainties.nominal_value(results.get("drive_efficiency", 0.0))
    if ratio > 1.0:
        notes.append(
            f"Drive efficiency {ratio:.2f} is above 1: a sensor or a constant of the drive is off."
        )
    for name in ("aerodynamic_efficiency", "flapping_efficiency"):
        ratio = uncertainties.nominal_value(results.get(name, 0.0))
        if ratio > 1.0:
            notes.append(f"{name} {ratio:.2f} is above 1: more comes out than goes in.")
    for quantity, channel in bench.rig.measured.items():
        if channel.filter is not None and channel.filter.resonance_hz is not None:
            top = channel.filter.resonance_hz / bench.frequency
            notes.append(
                f"{quantity}: the balance rings at {top:.1f} times the stroke frequency; harmonics"
                " near and above it are left out."
            )
    return tuple(notes)


VOLTAGE_AGREES: Final = 0.1
"""Part by which the voltage that the motor's constants ask for may miss the measured one."""


def _voltage_note(bench: Bench) -> list[str]:
    """Compare the motor's voltage with what its constants, the gear and the speed ask for."""
    drive = bench.rig.drive
    if drive is None or drive.motor is None or drive.current_at != "motor":
        return []
    if not bench.has("voltage", "current"):
        return []
    motor, means = drive.motor, bench.strokes.means
    speed = 2.0 * math.pi * bench.frequency * drive.gear_ratio
    asked = motor.resistance_ohm * means["current"].mean() + motor.torque_constant_n_m_a * speed
    measured = float(means["voltage"].mean())
    if abs(asked - measured) <= VOLTAGE_AGREES * abs(measured):
        return []
    return [
        f"The motor's constants and its speed ask for {asked:.3g} V, {measured:.3g} V was measured:"
        " drive.gear_ratio, the torque constant, the resistance or the sensor is off."
    ]
