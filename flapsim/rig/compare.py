"""Measured against predicted: the stroke by phase, residuals by harmonic.

Answers: where in the stroke, and at which harmonic, does the model deviate from the measurement,
and is the deviation larger than the scatter of the measurement?
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.faults import MISSING_KEY, CaseError, Fault
from flapsim.quantities import finite_or_none
from flapsim.rig.bench import Bench
from flapsim.rig.filters import trusted
from flapsim.rig.predicted import FINE, Prediction, predict
from flapsim.rig.reduction import WAVES, Reduction, Wave
from flapsim.rig.strokes import POWER
from flapsim.rig.uncertainty import block_length, block_means

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

HARMONICS: Final = 8
"""Highest harmonic of the stroke that is compared, the mean being the zeroth."""

TURNED_DEG: Final = 3.0
"""Phase shift of the whole stroke that is worth a warning."""

CHANNEL: Final = {name: recorded for recorded, name in WAVES.items()}
"""Recorded quantity behind a name in results."""


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic of one quantity, amplitudes in its unit.

    Attributes
    ----------
    order : int
        0 for the mean.
    measured, predicted : float
        Amplitudes; signed for the mean.
    lag_deg : float
        How much later the measured one peaks, degrees of its own period; NaN for the mean.
    residual : float
        Amplitude of the difference.
    uncertainty : float
        Standard uncertainty of the measured one, from the scatter between strokes.
    """

    order: int
    measured: float
    predicted: float
    lag_deg: float
    residual: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Residuals:
    """One quantity, measured and predicted, and the difference.

    Attributes
    ----------
    predicted : (bins,) array
        Averaged over the bins of the measurement.
    harmonics : tuple of Harmonic
        Those that pass the filters.
    residual_rms : float
        Over the bins.
    """

    measured: Wave
    predicted: Array
    harmonics: tuple[Harmonic, ...]
    residual_rms: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """A log against a case.

    Attributes
    ----------
    phase : (bins,) array
        rad.
    case : Case
        As it was run: at the measured frequency and airspeed.
    notes : tuple of str
        Warnings.
    """

    phase: Array
    quantities: dict[str, Residuals]
    case: Case
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return residual statistics as a plain dictionary for JSON."""
        return {
            "case": self.case.name,
            "notes": list(self.notes),
            "quantities": {
                name: {
                    "residual_rms": found.residual_rms,
                    "harmonics": [
                        finite_or_none(dataclasses.asdict(harmonic)) for harmonic in found.harmonics
                    ],
                }
                for name, found in self.quantities.items()
            },
        }


def as_flown(case: Case, reduction: Reduction, keep: tuple[str, ...] = ()) -> Case:
    """Return the case at the measured frequency and airspeed, without changing the keys `keep`."""
    estimates = reduction.account.estimates
    changes = {"stroke.frequency_hz": estimates["frequency_hz"].value}
    if "airspeed_m_s" in estimates:
        changes["flight.airspeed_m_s"] = estimates["airspeed_m_s"].value
    return case.replace({key: value for key, value in changes.items() if key not in keep})


def require_phase(reduction: Reduction) -> None:
    """Refuse a log that does not show where in the turn the stroke begins.

    Raises
    ------
    CaseError
        If the crank sensor switches or wraps several times a stroke, and there is no index.
    """
    position = reduction.rig.position
    if position.finds_phase:
        return
    what = "edges" if position.kind == "edges" else "counts that wrap within the stroke"
    fault = Fault(
        reduction.rig.name,
        "position.index_column",
        MISSING_KEY,
        "the column of an index pulse that rises once a stroke",
        f"{what} alone do not show where the stroke begins, which a comparison needs",
    )
    raise CaseError([fault])


def compare(reduction: Reduction, case: Case) -> Comparison:
    """Compare a reduced log with a case, run at the measured frequency and airspeed.

    Raises
    ------
    CaseError
        If the case cannot be run, or the log does not show where the stroke begins.
    """
    require_phase(reduction)
    flown = as_flown(case, reduction)
    prediction = predict(flown, reduction.rig)
    bench = reduction.bench
    bins = len(reduction.phase)
    waves = predicted_waves(prediction, reduction)
    quantities = {}
    for name, wave in waves.items():
        measured, predicted = reduction.waves[name], over_bins(wave, bins)
        harmonics = _harmonics(name, bench, measured.value, predicted)
        rms = float(np.sqrt(np.mean((measured.value - predicted) ** 2)))
        quantities[name] = Residuals(measured, predicted, harmonics, rms)
    notes = (*_notes(case, flown), *_turned(quantities))
    return Comparison(reduction.phase, quantities, flown, notes)


def predicted_waves(prediction: Prediction, reduction: Reduction) -> dict[str, Array]:
    """Predicted strokes by the names of the measured ones, shape (FINE,)."""
    tare = reduction.rig.tare
    omega = 2.0 * np.pi * prediction.frequency
    waves = prediction.waves
    out = {
        "lift_n": waves["lift"] - tare.body_lift_n,
        "thrust_n": waves["thrust"] - tare.body_thrust_n,
        "shaft_torque_n_m": waves["torque"],
        "shaft_power_w": waves["torque"] * omega,
    }
    if not reduction.bench.has("torque"):
        # A motor that regenerates nothing shows no returned work.
        drive = reduction.rig.drive
        part = 0.0 if drive is None else drive.regeneration
        for name in ("shaft_torque_n_m", "shaft_power_w"):
            out[name] = np.where(out[name] > 0.0, out[name], part * out[name])
    if "current" in waves:
        out["voltage_v"], out["current_a"] = waves["voltage"], waves["current"]
        out["electrical_power_w"] = waves["voltage"] * waves["current"]
    return {name: wave for name, wave in out.items() if name in reduction.waves}


def over_bins(wave: Array, bins: int) -> Array:
    """Average a stroke of `FINE` phases over even bins, shape (bins,)."""
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (wave + np.roll(wave, -1)))]) / FINE
    edges = np.interp(np.arange(bins + 1) / bins, np.arange(FINE + 1) / FINE, whole)
    return np.asarray(np.diff(edges) * bins)


def coefficients(wave: Array) -> Complex:
    """Amplitudes of the mean and of `HARMONICS` harmonics, shape (..., HARMONICS + 1).

    For a stroke averaged over bins: `exp(+i h tau)` with the phase taken at the middle of the
    bins; the loss in averaging is left in, as it is the same on both sides of a comparison.
    """
    count = wave.shape[-1]
    spectrum = np.fft.rfft(wave, axis=-1)[..., : HARMONICS + 1] / count
    order = np.arange(HARMONICS + 1)
    spectrum = spectrum * np.exp(-1j * np.pi * order / count) * np.where(order > 0, 2.0, 1.0)
    return np.asarray(spectrum, dtype=np.complex128)


def scatter(bench: Bench, channel: str) -> Array:
    """Standard uncertainty of the coefficients of a recorded quantity, shape (HARMONICS + 1,).

    Of the real and of the imaginary part each, from blocks of strokes.
    """
    series = coefficients(bench.strokes.waves[channel].astype(np.float64))
    blocks = block_means(series, block_length(series[:, 0].real))
    square = blocks.real.var(axis=0, ddof=1) + blocks.imag.var(axis=0, ddof=1)
    square[1:] /= 2.0
    return np.asarray(np.sqrt(square / len(blocks)))


def usable(name: str, bench: Bench) -> NDArray[np.bool_]:
    """Mark the harmonics of a quantity that pass the filters of its sensor."""
    channel = CHANNEL.get(name, "torque" if bench.has("torque") else "current")
    frequency = bench.frequency * np.arange(HARMONICS + 1, dtype=np.float64)
    names = ("voltage", "current") if channel == POWER else (channel,)
    good = np.ones(HARMONICS + 1, dtype=bool)
    for one in names:
        good &= trusted(bench.rig.measured[one].filter, frequency)
    return good


def _harmonics(name: str, bench: Bench, measured: Array, predicted: Array) -> tuple[Harmonic, ...]:
    ours, theirs = coefficients(measured), coefficients(predicted)
    spread = np.full(HARMONICS + 1, np.nan)
    if name in CHANNEL:
        spread = scatter(bench, CHANNEL[name])
    elif bench.has("torque") and name == "shaft_torque_n_m":
        spread = scatter(bench, "torque")
    out = []
    for order in np.flatnonzero(usable(name, bench)):
        one, other = ours[order], theirs[order]
        # exp(i (tau - lag)): what peaks later has the smaller argument.
        shown = (one.real, other.real, math.nan) if order == 0 else (
            abs(one), abs(other), math.degrees(np.angle(other * np.conj(one))),
        )  # fmt: skip
        numbers = map(float, (*shown, abs(one - other), spread[order]))
        out.append(Harmonic(int(order), *numbers))
    return tuple(out)


def _notes(case: Case, flown: Case) -> tuple[str, ...]:
    notes = []
    for key, unit in (("stroke.frequency_hz", "Hz"), ("flight.airspeed_m_s", "m/s")):
        written, used = case.get(key), flown.get(key)
        if abs(used - written) > 0.01 * abs(written):
            notes.append(
                f"{key}: {written:.4g} {unit} in the case, but {used:.4g} {unit} was measured; the"
                " measured value is used."
            )
    if case.drive is None:
        notes.append("The case has no drive: no electrical quantities are predicted.")
    return tuple(notes)


def _turned(quantities: dict[str, Residuals]) -> tuple[str, ...]:
    """Warn if all quantities, shifted in phase together, would fit far better."""
    angle = np.radians(np.arange(-180.0, 180.0, 0.5))
    square = np.zeros(len(angle))
    for residuals in quantities.values():
        ours, theirs = (
            coefficients(wave) for wave in (residuals.measured.value, residuals.predicted)
        )
        orders = [one.order for one in residuals.harmonics if one.order > 0]
        size = float(np.sum(np.abs(theirs[orders]) ** 2))
        if not size > 0.0:
            continue
        turn = np.exp(-1j * np.outer(angle, orders))
        square += np.sum(np.abs(ours[orders] - theirs[orders] * turn) ** 2, axis=1) / size
    best = int(np.argmin(square))
    as_it_is = square[np.argmin(np.abs(angle))]
    late = math.degrees(angle[best])
    # Half the residual: more than a slightly wrong model could gain by a phase shift.
    if abs(late) < TURNED_DEG or square[best] > 0.25 * as_it_is:
        return ()
    side = "later" if late > 0.0 else "earlier"
    return (
        f"The measured stroke is {abs(late):.3g}° {side} than the predicted one in all quantities:"
        " check position.zero_deg.",
    )
