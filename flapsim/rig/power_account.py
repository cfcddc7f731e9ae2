"""Every watt of a measured stroke, by its own name and with its uncertainty.

Answers: how much power went in, how much turned the crank, how much became thrust, how certain is
each number, and which sensor should be improved first? Standard uncertainties of sensors and
constants (type B) and the scatter between strokes (type A) are propagated through the powers, see
`uncertainty`.

Shaft power is what the crank takes; of the work that the wing returns, only the part that the
drive regenerates is counted against it. Power to the air is all work given less all work returned
(the mean inertial power is zero), less the losses in linkage and hinges. A motor that regenerates
nothing does not see the returned work: enter it in `mechanism_loss_w` of the rig file; otherwise
the power to the air is too high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import uncertainties
from numpy.typing import NDArray
from uncertainties import ufloat

from flapsim.quantities import MEASURED, without_unit
from flapsim.quantities.efficiency import flapping_efficiency, ratio, tare_efficiency
from flapsim.rig.bench import Bench, crank_power, finely, stroke_powers, torque_wave
from flapsim.rig.filters import mean_product_correction
from flapsim.rig.rig_file import RigDrive
from flapsim.rig.strokes import POWER
from flapsim.rig.uncertainty import (
    CONFIDENCE,
    Estimate,
    Share,
    Uncertain,
    block_length,
    block_means,
    budget_of,
    estimate_of,
    linearised,
    means_with_scatter,
)

Array = NDArray[np.float64]

DRAWS: Final = 1000

VOLTAGE_AGREES: Final = 0.1
"""Relative difference allowed between measured voltage and that of the motor's constants."""


@dataclass(frozen=True, slots=True)
class Account:
    """The powers of a stroke.

    Attributes
    ----------
    estimates : dict of str to Estimate
        By the names of `MEASURED`; what the log cannot give is left out.
    budget : dict of str to tuple of Share
        Uncertainty budget of every result, the largest share first.
    blocks : int
        Independent blocks of strokes that the scatter was taken from.
    notes : tuple of str
        Warnings.
    """

    estimates: dict[str, Estimate]
    budget: dict[str, tuple[Share, ...]]
    blocks: int
    notes: tuple[str, ...]


def account(bench: Bench, seed: int = 0) -> Account:
    """Account for every watt of the averaged stroke; `seed` is that of the resampling."""
    series = _series(bench)
    stacked = np.stack(list(series.values()))
    length = max(block_length(values) for values in stacked)
    blocks = np.stack([block_means(values, length) for values in stacked])
    count = blocks.shape[1]
    middle = stacked.mean(axis=1)
    sources = _Sources(bench)
    measured = dict(zip(series, means_with_scatter(middle, blocks), strict=True))
    systematic = _systematic_powers(bench, sources) if bench.knows_shaft else None
    means = {name: float(value) for name, value in zip(series, middle, strict=True)}
    results = _results(bench, sources, measured, means, systematic)
    resampled = _resampled(bench, means, blocks, systematic, seed)
    return Account(
        {
            name: estimate_of(value, count, resampled.get(name, (math.nan, math.nan)))
            for name, value in results.items()
        },
        {name: budget_of(value) for name, value in results.items()},
        count,
        _notes(bench, results, count),
    )


def _series(bench: Bench) -> dict[str, Array]:
    """Per stroke, what the account starts from: powers, forces, airspeed, frequency."""
    means = bench.strokes.means
    out = {"frequency": 1.0 / bench.strokes.period}
    for name in ("lift", "thrust", "airspeed", "voltage", "current", POWER):
        if name in means:
            out[name] = means[name]
    if bench.knows_shaft:
        out["shaft"], out["wing"] = stroke_powers(bench)
    return out


# --- sources of uncertainty --------------------------------------------------------------------


@dataclass
class _Sources:
    """The uncertain inputs, each made once, so that results are correlated by their common inputs.

    `exact` leaves the uncertainties out, for resampling the scatter alone.
    """

    bench: Bench
    exact: bool = False
    made: dict[str, Uncertain] = field(default_factory=dict)

    def number(self, name: str, value: float, uncertainty: float) -> Uncertain:
        """Return an uncertain input by its name."""
        if self.exact or not uncertainty:
            return value
        if name not in self.made:
            self.made[name] = ufloat(value, uncertainty, tag=name)
        return self.made[name]

    def constant(self, name: str, table: object, key: str) -> Uncertain:
        """Return a constant of the rig file; its uncertainty has the key next to it."""
        stem = without_unit(key)
        unit = key.removeprefix(stem)
        return self.number(name, getattr(table, key), getattr(table, f"{stem}_uncertainty{unit}"))

    def gain(self, quantity: str) -> Uncertain:
        """Gain error of a sensor, about 1."""
        channel = self.bench.rig.measured[quantity]
        return self.number(f"{quantity} gain", 1.0, channel.gain_uncertainty)

    def zero(self, quantity: str) -> Uncertain:
        """Zero error of a sensor, about 0."""
        channel = self.bench.rig.measured[quantity]
        return self.number(f"{quantity} zero", 0.0, channel.zero_uncertainty)


def _drive_inputs(sources: _Sources, drive: RigDrive) -> dict[str, Uncertain]:
    """Constants of the drive that determine the torque, by their key."""
    out = {"gear_efficiency": sources.constant("gear efficiency", drive, "gear_efficiency")}
    if drive.motor is None:
        out["torque_factor"] = sources.number("dynamometer table", 1.0, drive.torque_uncertainty)
        return out
    constants: list[tuple[str, object, str]] = [
        ("motor torque constant", drive.motor, "torque_constant_n_m_a"),
        ("motor no-load current", drive.motor, "no_load_current_a"),
    ]
    if drive.current_at == "battery":
        constants += [
            ("motor resistance", drive.motor, "resistance_ohm"),
            ("auxiliary power", drive, "auxiliary_w"),
        ]
    return out | {key: sources.constant(name, table, key) for name, table, key in constants}


def _systematic_powers(bench: Bench, sources: _Sources) -> tuple[Uncertain, Uncertain]:
    """Shaft power and power into the wing of the averaged stroke, see `crank_power`.

    Functions of every sensor error and constant.
    """
    constants: dict[str, Uncertain] = {}
    if bench.has("torque"):
        sensors = ["torque"]
    else:
        sensors = [name for name in ("current", "voltage") if bench.has(name)]
        assert bench.rig.drive is not None
        constants = _drive_inputs(sources, bench.rig.drive)
    inputs = [error for name in sensors for error in (sources.gain(name), sources.zero(name))]
    count = len(inputs)

    def power(*numbers: float) -> Array:
        errors: dict[str, Any] = {
            name: numbers[2 * at : 2 * at + 2] for at, name in enumerate(sensors)
        }
        changed = dict(zip(constants, numbers[count:], strict=True))
        torque = torque_wave(bench, constants=changed, **errors)
        return np.stack(crank_power(bench, finely(torque), bench.frequency))

    shaft, wing = linearised(power, [*inputs, *constants.values()])
    return shaft, wing


# --- results -----------------------------------------------------------------------------------


def _results(
    bench: Bench,
    sources: _Sources,
    measured: dict[str, Any],
    middle: dict[str, float],
    systematic: tuple[Any, Any] | None,
) -> dict[str, Any]:
    """Every result that the inputs allow, for numbers, uncertain numbers or arrays."""
    rig = bench.rig
    out: dict[str, Any] = {"frequency_hz": measured["frequency"]}
    if "airspeed" in measured:
        out["airspeed_m_s"] = sources.gain("airspeed") * (
            measured["airspeed"] - sources.zero("airspeed")
        )
    elif rig.flow is not None:
        out["airspeed_m_s"] = sources.constant("airspeed", rig.flow, "airspeed_m_s")
    for name in ("lift", "thrust"):
        if name in measured:
            # Force of the wing alone: what the force balance reads, less body and mounting.
            body = sources.constant(f"{name} of the body", rig.tare, f"body_{name}_n")
            reading = measured[name] - sources.zero(name)
            out[f"{name}_n"] = sources.gain(name) * reading - body
    if POWER in measured:
        out["electrical_power_w"] = _electrical(bench, sources, measured)
    if systematic is not None:
        for name, whole, key in zip(
            ("shaft_power_w", "aero_power_w"), systematic, ("shaft", "wing"), strict=True
        ):
            scatter = measured[key] - middle[key]
            known = math.isfinite(uncertainties.nominal_value(whole))
            out[name] = whole + scatter if known else math.nan
        if rig.drive is not None:
            loss = sources.constant("mechanism loss", rig.drive, "mechanism_loss_w")
            out["aero_power_w"] = out["aero_power_w"] - loss
    return _with_ratios(bench, sources, measured, out)


def _electrical(bench: Bench, sources: _Sources, measured: dict[str, Any]) -> Any:
    """Mean of voltage times current, corrected for sensor errors and the phase lost in filters."""
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


def _with_ratios(
    bench: Bench, sources: _Sources, measured: dict[str, Any], out: dict[str, Any]
) -> dict[str, Any]:
    """Add thrust power and efficiencies, each where its parts are known; in order of `MEASURED`."""
    tare = bench.rig.tare
    electrical, shaft = out.get("electrical_power_w"), out.get("shaft_power_w")
    air, speed, thrust = out.get("aero_power_w"), out.get("airspeed_m_s"), out.get("thrust_n")
    if speed is not None and thrust is not None:
        out["thrust_power_w"] = thrust * speed
        if bench.still is not None and air is not None:
            still, gain = sources.number("thrust held still", *bench.still), sources.gain("thrust")
            out["tare_efficiency"] = tare_efficiency(
                gain * measured["thrust"], gain * still, speed, air
            )
        if tare.held_drag_n is not None and air is not None:
            held = sources.constant("drag held still", tare, "held_drag_n")
            out["flapping_efficiency"] = flapping_efficiency(thrust, held, speed, air)
    useful = out.get("thrust_power_w")
    out["drive_efficiency"] = _over(shaft, electrical)
    out["aerodynamic_efficiency"] = _over(useful, shaft)
    out["total_efficiency"] = _over(useful, electrical)
    return {name: out[name] for name in MEASURED if out.get(name) is not None}


def _over(top: Any, bottom: Any) -> Any:
    """A ratio; None where a part is unknown."""
    return None if top is None or bottom is None else ratio(top, bottom)


def _resampled(
    bench: Bench,
    means: dict[str, float],
    blocks: Array,
    systematic: tuple[Uncertain, Uncertain] | None,
    seed: int,
) -> dict[str, tuple[float, float]]:
    """Interval of every result from the block bootstrap (Kunsch 1989)."""
    count = blocks.shape[1]
    random = np.random.default_rng(seed)
    weights = random.multinomial(count, np.full(count, 1.0 / count), size=DRAWS) / count
    drawn = weights @ blocks.T
    measured = {name: drawn[:, at] for at, name in enumerate(means)}
    nominal = None
    if systematic is not None:
        shaft, wing = (uncertainties.nominal_value(value) for value in systematic)
        nominal = shaft, wing
    results = _results(bench, _Sources(bench, exact=True), measured, means, nominal)
    ends = 50.0 * (1.0 - CONFIDENCE), 50.0 * (1.0 + CONFIDENCE)
    return {
        name: tuple(np.percentile(value, ends).tolist())
        for name, value in results.items()
        if isinstance(value, np.ndarray) and np.isfinite(value).all()
    }


# --- notes -------------------------------------------------------------------------------------


def _notes(bench: Bench, results: dict[str, Uncertain], blocks: int) -> tuple[str, ...]:
    """Warnings about results that contradict each other or rest on little."""
    value = {name: uncertainties.nominal_value(result) for name, result in results.items()}
    notes = []
    if blocks < 10:
        notes.append(
            f"Only {blocks} independent blocks of strokes: the scatter itself is uncertain; log a"
            " longer run."
        )
    if not math.isfinite(value.get("shaft_power_w", 0.0)):
        notes.append(
            "No shaft power: with the motor's constants no current gives the recorded power."
        )
    if value.get("aero_power_w", 1.0) <= 0.0:
        notes.append(
            "No power is left for the air: the power on the crank is less than"
            " drive.mechanism_loss_w; check that loss and the constants of the drive."
        )
    notes += _voltage_note(bench)
    if (ratio := value.get("drive_efficiency", 0.0)) > 1.0:
        notes.append(
            f"Drive efficiency {ratio:.2f} is above 1: check the sensors and the constants of the"
            " drive."
        )
    for name in ("aerodynamic_efficiency", "flapping_efficiency"):
        if (ratio := value.get(name, 0.0)) > 1.0:
            words = name.replace("_", " ").capitalize()
            notes.append(f"{words} {ratio:.2f} is above 1: check the sensors and the tare.")
    for quantity, channel in bench.rig.measured.items():
        if channel.filter is not None and channel.filter.resonance_hz is not None:
            top = channel.filter.resonance_hz / bench.frequency
            notes.append(
                f"{quantity}: the force balance resonates at {top:.1f} times the stroke frequency;"
                " harmonics near and above that are left out."
            )
    return tuple(notes)


def _voltage_note(bench: Bench) -> list[str]:
    """Compare the motor's voltage with what its constants, the gear and the speed imply."""
    drive = bench.rig.drive
    if drive is None or drive.motor is None or drive.current_at != "motor":
        return []
    if not bench.has("voltage", "current"):
        return []
    motor, means = drive.motor, bench.strokes.means
    speed = 2.0 * math.pi * bench.frequency * drive.gear_ratio
    implied = motor.resistance_ohm * means["current"].mean() + motor.torque_constant_n_m_a * speed
    measured = float(means["voltage"].mean())
    if abs(implied - measured) <= VOLTAGE_AGREES * abs(measured):
        return []
    return [
        f"The motor's constants and speed imply {implied:.3g} V, but {measured:.3g} V was measured:"
        " check drive.gear_ratio, the torque constant, the resistance and the voltage sensor."
    ]
