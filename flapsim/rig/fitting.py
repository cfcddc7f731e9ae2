"""The fit of a case to the averaged strokes of a log, as a least-squares problem.

Answers: how far are predicted from actual readings, in standard uncertainties, for any values of
the free keys and of the sensor errors, and with which Jacobian? A state without a solution, such as
a wing that flutters, is noted, and the fit steps back from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.faults import CaseError, Faults, NoAnswer, did_you_mean
from flapsim.rig.compare import coefficients, over_bins, scatter, usable
from flapsim.rig.predicted import predict
from flapsim.rig.reduction import WAVES, Reduction

Array = NDArray[np.float64]
Waves = dict[str, Array]
Change = Callable[[Waves, float], None]

QUANTITIES: Final = ("lift", "thrust", "torque", "current", "voltage")
"""Recorded quantities that a fit can use."""

RELEVANT_DEGREES: Final = 10.0
RELEVANT_PART: Final = 0.5
"""Relevant change of a key: so many degrees, or such a fraction of its value."""

FAINT: Final = 0.1
"""Prior weight of a key without a prior, so that one the data do not determine stays put: it costs
a hundredth of what a relevant change must cost in the data for the key to count as known."""

_STEP: Final = 1e-3
_LONGER: Final = (1.0, 10.0, 100.0)
"""Steps of the differences, in relevant changes; longer ones where nearby states fail."""


@dataclass(frozen=True, slots=True)
class Free:
    """A key of the case to fit.

    Attributes
    ----------
    key : str
        Key path of a number in the case.
    low, high : float
        Bounds.
    prior : float or None
        Standard uncertainty of the value in the case; None to let the log alone decide.
    """

    key: str
    low: float = -math.inf
    high: float = math.inf
    prior: float | None = None


def _scale(value: float, one: Free) -> float:
    """Relevant change of a key."""
    if one.prior is not None:
        return one.prior
    if one.key.endswith("_deg"):
        return RELEVANT_DEGREES
    return RELEVANT_PART * abs(value) if value else 1.0


class Problem:
    """Whitened residuals over the scaled unknowns: first the keys, then the sensor errors.

    Attributes
    ----------
    start, scale : (k,) arrays
        Values of the keys at the start, and their relevant changes.
    keep : (n,) array of bool
        Of the stacked coefficients of all quantities, those that pass the filters.
    spread : (n,) array
        Their standard uncertainties.
    measured : (m,) array
        Those that are kept, over their standard uncertainties.
    errors : list of (name, function)
        Sensor errors: name, and effect of one standard uncertainty on the predicted waves.
    failures : list of str
        Filled while fitting: why states that were tried have no solution.
    """

    def __init__(
        self, reduction: Reduction, case: Case, free: tuple[Free, ...], use: Sequence[str]
    ) -> None:
        self.reduction, self.case, self.free = reduction, case, free
        self.names = _quantities(reduction, case, use)
        self.start = np.array([float(case.get(one.key)) for one in free])
        self.scale = np.array([_scale(*pair) for pair in zip(self.start, free, strict=True)])
        self.errors = _errors(reduction, self.names)
        self.failures: list[str] = []
        self._known: dict[bytes, Waves] = {}
        bench = reduction.bench
        measured, spread, keep = [], [], []
        for name in self.names:
            values = coefficients(bench.wave(name))
            # A sensor that reads the same in every stroke is still limited by its resolution.
            floor = max(1e-6 * float(np.abs(values).max()), 1e-12)
            measured.append(_stacked(values))
            spread.append(_stacked_real(np.maximum(scatter(bench, name), floor)))
            keep.append(_stacked_real(usable(WAVES.get(name, name), bench)))
        self.spread, self.keep = np.concatenate(spread), np.concatenate(keep)
        self.measured = (np.concatenate(measured) / self.spread)[self.keep]

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.free) + len(self.nuisance)

    @property
    def nuisance(self) -> list[str]:
        """Errors of the bench that are fitted too, in the order of the unknowns."""
        names = [name for name, _ in self.errors]
        if self._airspeed_spread > 0.0:
            names.append("airspeed")
        return names

    @property
    def _airspeed_spread(self) -> float:
        estimate = self.reduction.account.estimates.get("airspeed_m_s")
        freed = any(one.key == "flight.airspeed_m_s" for one in self.free)
        return 0.0 if estimate is None or freed else estimate.uncertainty

    def bounds(self) -> tuple[Array, Array]:
        """Bounds of the scaled unknowns; just outside the start where that is at a bound."""
        low = np.full(self.size, -10.0)
        high = np.full(self.size, 10.0)
        for at, one in enumerate(self.free):
            low[at] = min((one.low - self.start[at]) / self.scale[at], -1e-9)
            high[at] = max((one.high - self.start[at]) / self.scale[at], 1e-9)
        return low, high

    def case_at(self, unknowns: Array) -> Case:
        """Return the case with the keys at some unknowns."""
        values = self.values(unknowns)
        changes = {one.key: value for one, value in zip(self.free, values, strict=True)}
        if self._airspeed_spread > 0.0:
            speed = self.case.flight.airspeed_m_s + unknowns[-1] * self._airspeed_spread
            changes["flight.airspeed_m_s"] = max(speed, 0.0)
        return self.case.replace(changes)

    def values(self, unknowns: Array) -> list[float]:
        """Values of the keys, within their bounds."""
        out = self.start + self.scale * unknowns[: len(self.free)]
        return [_inside(float(value), one) for value, one in zip(out, self.free, strict=True)]

    def predicted(self, unknowns: Array) -> Array:
        """Stacked coefficients of the predicted readings, over their standard uncertainties.

        A change of sensor errors needs no new cycle.
        """
        last = len(self.free) + len(self.errors)
        key = np.delete(unknowns, slice(len(self.free), last)).tobytes()
        if key not in self._known:
            self._known[key] = predict(self.case_at(unknowns), self.reduction.rig).waves
        return self.read(self._known[key], unknowns)

    def read(self, waves: Waves, unknowns: Array) -> Array:
        """Apply the sensor errors to predicted waves."""
        waves = dict(waves)
        first = len(self.free)
        for at, (_, change) in enumerate(self.errors):
            change(waves, float(unknowns[first + at]))
        bins = len(self.reduction.phase)
        stacked = [_stacked(coefficients(over_bins(waves[name], bins))) for name in self.names]
        return np.asarray((np.concatenate(stacked) / self.spread)[self.keep])

    def attempt(self, unknowns: Array) -> Array:
        """Predict; a state without a solution is noted and gives NaN."""
        try:
            found = self.predicted(unknowns)
        except (NoAnswer, CaseError) as error:
            self.failures.append(str(error))
            return np.full(int(self.keep.sum()), np.nan)
        if not np.isfinite(found).all():
            self.failures.append("the motor cannot deliver the torque from this battery")
        return found

    def require_start(self, unknowns: Array) -> None:
        """Refuse a start at which the case has no solution."""
        if not np.isfinite(self.predicted(unknowns)).all():
            raise NoAnswer(
                "the case cannot predict all measured quantities at the start of the fit; change it"
                " with --set"
            )

    def residuals(self, unknowns: Array) -> Array:
        """Residuals of the data, then of the priors; NaN makes the fit step back."""
        data = self.attempt(unknowns) - self.measured
        return np.concatenate([data, unknowns * self.prior_weights])

    @property
    def prior_weights(self) -> Array:
        """Weight of the prior of each unknown, in its own scale."""
        keys = [FAINT if one.prior is None else 1.0 for one in self.free]
        return np.array(keys + [1.0] * len(self.nuisance))

    def jacobian(self, unknowns: Array) -> Array:
        """Jacobian of the residuals, shape (residuals, unknowns)."""
        columns = [self._slope(unknowns, at) for at in range(self.size)]
        return np.vstack([np.column_stack(columns), np.diag(self.prior_weights)])

    def _slope(self, unknowns: Array, at: int) -> Array:
        """Central difference; near states that fail one-sided, then over longer steps."""
        for longer in _LONGER:
            ends: dict[float, Array] = {}
            for sign in (1.0, -1.0, 0.0):
                moved = unknowns.copy()
                moved[at] += sign * longer * _STEP
                values = self.attempt(moved)
                if np.isfinite(values).all():
                    ends[self._place(moved, at)] = values
                if len(ends) == 2:
                    (one, ours), (other, theirs) = ends.items()
                    return (ours - theirs) / (one - other)
        name = self.free[at].key if at < len(self.free) else self.nuisance[at - len(self.free)]
        state = ", ".join(
            f"{one.key} = {value:.4g}"
            for one, value in zip(self.free, self.values(unknowns), strict=True)
        )
        why = self.failures[-1] if self.failures else "its bounds leave no room"
        raise NoAnswer(
            f"the fit reached {state}, where no change of {name} has a solution: {why} Start"
            " elsewhere (--set) or give bounds (--within)."
        )

    def _place(self, unknowns: Array, at: int) -> float:
        """Scaled unknown within the bounds of its key."""
        if at >= len(self.free):
            return float(unknowns[at])
        return float((self.values(unknowns)[at] - self.start[at]) / self.scale[at])


def _inside(value: float, one: Free) -> float:
    """Keep a value just within its bounds."""
    hair = 1e-9 * max(abs(value), 1.0)
    return min(max(value, one.low + hair), one.high - hair)


def _stacked(values: NDArray[np.complex128]) -> Array:
    """Mean, then real and imaginary parts of the harmonics."""
    return np.concatenate([values.real, values.imag[1:]])


def _stacked_real(values: NDArray[Any]) -> NDArray[Any]:
    """Mean, then the value of each harmonic for its real and imaginary parts."""
    return np.concatenate([values, values[1:]])


def _quantities(reduction: Reduction, case: Case, use: Sequence[str]) -> tuple[str, ...]:
    """Quantities that are measured, predicted and asked for."""
    faults = Faults(reduction.name)
    for name in use:
        if name not in QUANTITIES:
            hint = did_you_mean(name, QUANTITIES)
            faults.add("--use", name, f"one of {', '.join(QUANTITIES)}", hint)
        elif name not in reduction.rig.measured:
            faults.add("--use", name, f"one of {', '.join(reduction.rig.measured)}")
    faults.raise_if_any()
    electrical = ("current", "voltage")
    names = tuple(
        name
        for name in QUANTITIES
        if reduction.bench.has(name)
        and (not use or name in use)
        and (case.drive is not None or name not in electrical)
    )
    if not names:
        faults.say(
            "",
            f"nothing measured can be predicted; log one of {', '.join(QUANTITIES)}",
            "voltage and current need a drive in the case",
        )
        faults.raise_if_any()
    return names


def _errors(reduction: Reduction, names: Sequence[str]) -> list[tuple[str, Change]]:
    """Errors of the sensors and of the crank's zero, as changes of the predicted readings."""
    out: list[tuple[str, Change]] = []
    rig = reduction.rig
    for name in names:
        channel = rig.measured[name]
        if channel.gain_uncertainty:
            out.append((f"{name} gain", partial(_change_gain, name, channel.gain_uncertainty)))
        body = getattr(rig.tare, f"body_{name}_uncertainty_n", 0.0)
        spread = math.hypot(channel.zero_uncertainty, body)
        if spread:
            out.append((f"{name} zero", partial(_change_zero, name, spread)))
    if rig.position.zero_uncertainty_deg:
        spread = math.radians(rig.position.zero_uncertainty_deg)
        out.append(("crank zero", partial(_shift, names, spread)))
    return out


def _change_gain(name: str, spread: float, waves: Waves, amount: float) -> None:
    waves[name] = waves[name] * (1.0 + amount * spread)


def _change_zero(name: str, spread: float, waves: Waves, amount: float) -> None:
    waves[name] = waves[name] + amount * spread


def _shift(names: Sequence[str], spread: float, waves: Waves, amount: float) -> None:
    for name in names:
        harmonics = np.fft.rfft(waves[name])
        turn = np.exp(1j * np.arange(len(harmonics)) * amount * spread)
        waves[name] = np.fft.irfft(harmonics * turn, len(waves[name]))
