"""A case corrected by a measurement, and what the measurement cannot tell.

Answers: which values of the freed keys explain the averaged stroke best, how sure are they, and
which keys could be changed against each other without the log noticing? Errors of the sensors are
fitted along, each held by its stated uncertainty, so that a wrong gain is not taken for physics.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

from flapsim.case import Case, CaseError, known_keys
from flapsim.case_rules import Faults, Number, show
from flapsim.case_text import locate
from flapsim.cycle import NoAnswer
from flapsim.rig.chain import CONFIDENCE
from flapsim.rig.compare import (
    CHANNEL,
    as_flown,
    coefficients,
    over_bins,
    require_phase,
    scatter,
    usable,
)
from flapsim.rig.identify import alone, confounded, inverse, unseen
from flapsim.rig.predicted import predict
from flapsim.rig.reduction import Reduction

Array = NDArray[np.float64]

QUANTITIES: Final = ("lift", "thrust", "torque", "current", "voltage")
"""Recorded quantities that a fit can use."""

DEGREES_THAT_MATTER: Final = 10.0
PART_THAT_MATTERS: Final = 0.5
"""What change of a key is worth knowing: so many degrees, or such a part of its value."""

MOST_TRIALS: Final = 60
"""States that a fit may try before it is said not to have settled."""

_STEP: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Free:
    """A key to fit.

    Attributes
    ----------
    key : str
        Key path of a number in the case.
    low, high : float
        Bounds.
    prior : float or None
        Standard uncertainty of the value that the case has; None if the log alone should tell.
    """

    key: str
    low: float = -math.inf
    high: float = math.inf
    prior: float | None = None


@dataclass(frozen=True, slots=True)
class Fitted:
    """What a fit found for one key.

    Attributes
    ----------
    key : str
    before, value : float
    uncertainty : float
        Standard uncertainty.
    low, high : float
        95 % interval.
    known : bool
        Whether the log tells this key by itself.
    """

    key: str
    before: float
    value: float
    uncertainty: float
    low: float
    high: float
    known: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """A fitted case.

    Attributes
    ----------
    case : Case
        With the fitted values.
    fitted : tuple of Fitted
    correlation : (k, k) array
        Of the fitted keys.
    singular_values : (k,) array
        Of the scaled Jacobian, falling: standard uncertainties that a change worth knowing makes
        along each direction; below 1 the data do not see it.
    directions : (k, k) array
        Rows: the direction of each singular value, in changes worth knowing.
    misfit : float
        Square root of the mean squared residual, in standard uncertainties; 1 is a perfect model.
    sensors : dict of str to float
        Fitted sensor errors, in units of their stated standard uncertainty.
    quantities : tuple of str
        What was fitted.
    warnings : tuple of str
        What cannot be told apart, bounds that were met, a misfit beyond scatter.
    """

    case: Case
    fitted: tuple[Fitted, ...]
    correlation: Array
    singular_values: Array
    directions: Array
    misfit: float
    sensors: dict[str, float]
    quantities: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return a plain nested dictionary for JSON."""
        keys = [found.key for found in self.fitted]
        return {
            "fitted": {
                found.key: {
                    name: (value if not isinstance(value, float) or math.isfinite(value) else None)
                    for name, value in dataclasses.asdict(found).items()
                    if name != "key"
                }
                for found in self.fitted
            },
            "correlation": {
                one: dict(zip(keys, row.tolist(), strict=True))
                for one, row in zip(keys, self.correlation, strict=True)
            },
            "singular_values": self.singular_values.tolist(),
            "directions": [dict(zip(keys, row.tolist(), strict=True)) for row in self.directions],
            "misfit": self.misfit,
            "sensors": self.sensors,
            "quantities": list(self.quantities),
            "warnings": list(self.warnings),
        }


def calibrate(
    reduction: Reduction, case: Case, free: Sequence[Free], use: Sequence[str] = ()
) -> Calibration:
    """Fit keys of a case to a reduced log.

    Parameters
    ----------
    reduction : Reduction
    case : Case
        Where to start; run at the measured frequency and airspeed unless those are freed.
    free : sequence of Free
    use : sequence of str
        Of `QUANTITIES`; all that are both measured and predicted when left out.

    Returns
    -------
    Calibration

    Raises
    ------
    CaseError
        If a key is no number of the case, is freed twice or starts outside its bounds, or nothing
        measured can be predicted.
    NoAnswer
        If the case has no periodic state as it stands, or nowhere near where the fit has come to.
    """
    require_phase(reduction)
    free = _checked(case, free)
    keys = tuple(one.key for one in free)
    flown = as_flown(case, reduction, keys)
    problem = _Problem.of(reduction, flown, free, use)
    start = np.zeros(problem.size)
    low, high = problem.bounds()
    problem.require_start(start)
    answer = least_squares(
        problem.residuals,
        start,
        jac=problem.jacobian,
        bounds=(low, high),
        x_scale="jac",
        method="trf",
        xtol=1e-9,
        ftol=1e-10,
        gtol=1e-10,
        max_nfev=MOST_TRIALS,
    )
    settled = answer.status > 0
    return _told(problem, answer.x, case, free, settled)


def _checked(case: Case, free: Sequence[Free]) -> tuple[Free, ...]:
    """Bounds filled in from what the keys may hold; faults of all keys at once."""
    faults = Faults(case.name, known=known_keys())
    out = []
    seen: set[str] = set()
    for one in free:
        noted = len(faults.found)
        place = locate(case_kind(), one.key, faults)
        if place is None or len(faults.found) > noted:
            continue
        value = case.get(one.key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            faults.add(one.key, show(value), "a key that holds a number")
            continue
        if one.key in seen:
            faults.add(one.key, "a key freed twice", "each key once")
        seen.add(one.key)
        low, high = one.low, one.high
        if isinstance(place.rule, Number):
            if place.rule.whole:
                faults.add(one.key, "a whole number", "a key that can change by little")
            low = max(low, place.rule.least, place.rule.above)
            high = min(high, place.rule.most, place.rule.below)
        if not low < high or not low <= value <= high:
            faults.add(one.key, show(value), f"a start within {low:g} and {high:g}")
        if one.prior is not None and not one.prior > 0.0:
            faults.add(one.key, f"a prior of {one.prior:g}", "a standard uncertainty > 0")
        out.append(Free(one.key, low, high, one.prior))
    if not free:
        faults.add("", "no free key", "at least one", "--free KEY,KEY")
    faults.raise_if_any()
    return tuple(out)


def case_kind() -> type[Case]:
    """Kind of thing that key paths are looked up in."""
    return Case


def _scale(value: float, one: Free) -> float:
    """Change of a key that is worth knowing."""
    if one.prior is not None:
        return one.prior
    if one.key.endswith("_deg"):
        return DEGREES_THAT_MATTER
    return PART_THAT_MATTERS * abs(value) if value else 1.0


@dataclass(frozen=True)
class _Problem:
    """Whitened residuals over the scaled unknowns: the keys first, then the sensors' errors.

    Attributes
    ----------
    measured : (m,) array
        Stacked coefficients, over their standard uncertainties.
    errors : tuple of (name, function)
        Sensor errors: name, and what one standard uncertainty of it does to the predicted waves.
    failures : list of str
        Filled while fitting: why states that were tried have no answer.
    """

    reduction: Reduction
    case: Case
    free: tuple[Free, ...]
    names: tuple[str, ...]
    measured: Array
    spread: Array
    keep: NDArray[np.bool_]
    start: Array
    scale: Array
    errors: tuple[tuple[str, Callable[[dict[str, Array], float], None]], ...]
    failures: list[str] = field(default_factory=list)

    @classmethod
    def of(
        cls, reduction: Reduction, case: Case, free: tuple[Free, ...], use: Sequence[str]
    ) -> _Problem:
        """Set the problem up."""
        names = _quantities(reduction, case, use)
        bench = reduction.bench
        measured, spread, keep = [], [], []
        for name in names:
            values = coefficients(bench.wave(name))
            sure = scatter(bench, name)
            named = next((key for key, channel in CHANNEL.items() if channel == name), name)
            good = usable(named, bench)
            measured.append(_stacked(values))
            # A sensor that reads the same in every stroke is still no surer than its rounding.
            floor = 1e-6 * float(np.abs(values).max())
            spread.append(_stacked_real(np.maximum(sure, max(floor, 1e-12))))
            keep.append(_stacked_real(good.astype(float)) > 0.5)
        start = np.array([float(case.get(one.key)) for one in free])
        scale = np.array([_scale(value, one) for value, one in zip(start, free, strict=True)])
        return cls(
            reduction,
            case,
            free,
            names,
            np.concatenate(measured),
            np.concatenate(spread),
            np.concatenate(keep),
            start,
            scale,
            tuple(_errors(reduction, names)),
        )

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.free) + len(self._nuisance)

    @property
    def _nuisance(self) -> list[str]:
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
        """Bounds of the scaled unknowns; a hair outside the start where that is at a bound."""
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
        """Stacked coefficients that the sensors would read, over their standard uncertainties."""
        prediction = predict(self.case_at(unknowns), self.reduction.rig)
        return self.read(prediction.waves, unknowns)

    def read(self, waves: dict[str, Array], unknowns: Array) -> Array:
        """Pass predicted waves through the sensors' errors."""
        waves = dict(waves)
        first = len(self.free)
        for at, (_, change) in enumerate(self.errors):
            change(waves, float(unknowns[first + at]))
        bins = len(self.reduction.phase)
        stacked = [_stacked(coefficients(over_bins(waves[name], bins))) for name in self.names]
        return np.asarray((np.concatenate(stacked) / self.spread)[self.keep])

    def tried(self, unknowns: Array) -> Array:
        """Predicted, as far as there is an answer: a state without one is noted and gives NaN."""
        try:
            found = self.predicted(unknowns)
        except (NoAnswer, CaseError) as error:
            self.failures.append(str(error))
            return np.full(int(self.keep.sum()), np.nan)
        if not np.isfinite(found).all():
            self.failures.append("the motor cannot give the torque from this battery")
        return found

    def require_start(self, unknowns: Array) -> None:
        """Refuse to start where the case has no answer."""
        if not np.isfinite(self.predicted(unknowns)).all():
            raise NoAnswer(
                "a part of what was measured cannot be predicted at the start of the fit"
            )

    def residuals(self, unknowns: Array) -> Array:
        """Residuals of the data, then of what was known before; NaN makes the fit step back."""
        data = self.tried(unknowns) - (self.measured / self.spread)[self.keep]
        return np.concatenate([data, unknowns * self.prior_weights])

    @property
    def prior_weights(self) -> Array:
        """Weight of each unknown's prior, in its own scale; 0 where the data alone decide."""
        keys = [0.0 if one.prior is None else 1.0 for one in self.free]
        return np.array(keys + [1.0] * len(self._nuisance))

    def jacobian(self, unknowns: Array) -> Array:
        """Central differences, one-sided beside a state without an answer.

        Sensors' errors need no new cycle.
        """
        base = predict(self.case_at(unknowns), self.reduction.rig).waves
        first, last = len(self.free), len(self.free) + len(self.errors)
        columns = []
        for at in range(self.size):
            ends: list[tuple[float, Array]] = []
            for sign in (1.0, -1.0, 0.0):
                moved = unknowns.copy()
                moved[at] += sign * _STEP
                values = self.read(base, moved) if first <= at < last else self.tried(moved)
                place = self._place(moved, at)
                if np.isfinite(values).all() and place not in [one[0] for one in ends]:
                    ends.append((place, values))
                if len(ends) == 2:
                    break
            if len(ends) < 2:
                name = self.free[at].key if at < first else "airspeed"
                raise NoAnswer(
                    f"no change of {name} from {self.values(unknowns)[at]:g} has an answer:"
                    f" {self.failures[-1]}; start elsewhere (--set) or give bounds (--within)"
                )
            (one, ours), (other, theirs) = ends
            columns.append((ours - theirs) / (one - other))
        return np.vstack([np.column_stack(columns), np.diag(self.prior_weights)])

    def _place(self, unknowns: Array, at: int) -> float:
        """Scaled unknown that is really taken, a key's bounds kept."""
        if at >= len(self.free):
            return float(unknowns[at])
        return float((self.values(unknowns)[at] - self.start[at]) / self.scale[at])


def _inside(value: float, one: Free) -> float:
    """Keep a value within bounds, a hair off those that may not be met."""
    hair = 1e-9 * max(abs(value), 1.0)
    return min(max(value, one.low + hair), one.high - hair)


def _stacked(values: NDArray[np.complex128]) -> Array:
    """Mean, then real and imaginary parts of the harmonics."""
    return np.concatenate([values.real, values.imag[1:]])


def _stacked_real(values: Array) -> Array:
    return np.concatenate([values, values[1:]])


def _quantities(reduction: Reduction, case: Case, use: Sequence[str]) -> tuple[str, ...]:
    """Quantities that are measured, predicted and wanted."""
    faults = Faults(reduction.name)
    for name in use:
        if name not in QUANTITIES:
            near = difflib.get_close_matches(name, QUANTITIES, n=1)
            hint = f"did you mean {near[0]}?" if near else ""
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
        faults.add("", "nothing measured that the case predicts", f"one of {', '.join(QUANTITIES)}",
                   "voltage and current need the drive of the case")  # fmt: skip
        faults.raise_if_any()
    return names


def _errors(
    reduction: Reduction, names: Sequence[str]
) -> list[tuple[str, Callable[[dict[str, Array], float], None]]]:
    """Errors of the sensors and of the crank's zero, as changes of what they would read."""
    out: list[tuple[str, Callable[[dict[str, Array], float], None]]] = []
    rig = reduction.rig

    def gain(name: str, spread: float) -> Callable[[dict[str, Array], float], None]:
        def change(waves: dict[str, Array], amount: float) -> None:
            waves[name] = waves[name] * (1.0 + amount * spread)

        return change

    def zero(name: str, spread: float) -> Callable[[dict[str, Array], float], None]:
        def change(waves: dict[str, Array], amount: float) -> None:
            waves[name] = waves[name] + amount * spread

        return change

    def shift(spread: float) -> Callable[[dict[str, Array], float], None]:
        def change(waves: dict[str, Array], amount: float) -> None:
            for name in names:
                harmonics = np.fft.rfft(waves[name])
                turn = np.exp(1j * np.arange(len(harmonics)) * amount * spread)
                waves[name] = np.fft.irfft(harmonics * turn, len(waves[name]))

        return change

    for name in names:
        channel = rig.measured[name]
        if channel.gain_uncertainty:
            out.append((f"{name} gain", gain(name, channel.gain_uncertainty)))
        body = getattr(rig.tare, f"body_{name}_uncertainty_n", 0.0)
        spread = math.hypot(channel.zero_uncertainty, body)
        if spread:
            out.append((f"{name} zero", zero(name, spread)))
    if rig.position.zero_uncertainty_deg:
        out.append(("crank zero", shift(math.radians(rig.position.zero_uncertainty_deg))))
    return out


# --- what the fit says --------------------------------------------------------------------------


def _told(
    problem: _Problem, unknowns: Array, case: Case, free: tuple[Free, ...], settled: bool
) -> Calibration:
    jacobian, residuals = problem.jacobian(unknowns), problem.residuals(unknowns)
    keys = tuple(one.key for one in free)
    data = int(problem.keep.sum())
    count = len(free)
    freedom = max(data - count, 1)
    misfit = math.sqrt(float(residuals @ residuals) / freedom)
    # A model that misses by more than scatter makes its constants less sure (Birge 1932).
    inflation = max(misfit, 1.0)
    information = jacobian.T @ jacobian
    seen = alone(jacobian, count)
    values, directions = np.linalg.eigh(seen)
    order = np.argsort(-values)
    singular = np.sqrt(np.maximum(values[order], 0.0)) / inflation
    covariance = inverse(information)[:count, :count] * inflation**2
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    factor = float(student.ppf(0.5 + 0.5 * CONFIDENCE, freedom))
    by_data = np.sqrt(np.diag(inverse(seen))) * inflation
    fitted = []
    for at, (one, value) in enumerate(zip(free, problem.values(unknowns), strict=True)):
        sure = float(spread[at] * problem.scale[at])
        fitted.append(
            Fitted(
                one.key,
                float(problem.start[at]),
                value,
                sure,
                value - factor * sure,
                value + factor * sure,
                bool(by_data[at] < 1.0),
            )
        )
    rows = directions[:, order].T
    corrected = case.replace({found.key: found.value for found in fitted})
    sensors = dict(zip(problem._nuisance, unknowns[count:].tolist(), strict=True))
    warnings = [
        *unseen(singular, rows, keys),
        *confounded(correlation, keys),
        *_at_bounds(fitted, free),
    ]
    if misfit > 2.0:
        warnings.append(
            f"The fit misses the strokes by {misfit:.1f} times their scatter: the model lacks"
            " something; uncertainties are widened by that factor."
        )
    for name, amount in sensors.items():
        if abs(amount) > 3.0:
            warnings.append(
                f"{name}: the fit wants an error of {amount:+.1f} standard uncertainties; check"
                " that sensor."
            )
    if not settled:
        warnings.append(
            f"The fit had not settled after {MOST_TRIALS} states: go on from the case it writes, or"
            " free fewer keys."
        )
    if problem.failures:
        warnings.append(
            f"{len(problem.failures)} of the states tried had no answer, and the fit went round"
            f" them: {problem.failures[0]}"
        )
    warnings = list(dict.fromkeys(warnings))
    return Calibration(
        corrected,
        tuple(fitted),
        correlation,
        singular,
        rows,
        misfit,
        sensors,
        problem.names,
        tuple(warnings),
    )


def _at_bounds(fitted: Sequence[Fitted], free: tuple[Free, ...]) -> list[str]:
    return [
        f"{found.key} ends at its bound {bound:g}."
        for found, one in zip(fitted, free, strict=True)
        for bound in (one.low, one.high)
        if math.isfinite(bound) and abs(found.value - bound) <= 1e-6 * max(abs(bound), 1.0)
    ]
