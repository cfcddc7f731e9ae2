"""A case fitted to a measurement, and what the measurement does not determine.

Answers: which values of the free keys explain the averaged stroke best, with which uncertainty, and
which keys does the log determine only in combination? Sensor errors are fitted too, each with its
stated uncertainty as a prior, so that a wrong gain is not mistaken for physics.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from flapsim.case import Case
from flapsim.case.case import known_keys
from flapsim.case.paths import locate
from flapsim.case.rules import Number, show
from flapsim.faults import Faults
from flapsim.quantities import finite_or_none
from flapsim.rig.compare import as_flown, require_phase
from flapsim.rig.fitting import Free, Problem
from flapsim.rig.identify import confounded, inverse, key_information, unseen
from flapsim.rig.reduction import Reduction
from flapsim.rig.uncertainty import coverage_factor

__all__ = ["Calibration", "Fitted", "Free", "calibrate"]

Array = NDArray[np.float64]

MOST_TRIALS: Final = 60
"""States that a fit may try before it is reported as not converged."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """Result of a fit for one key.

    Attributes
    ----------
    uncertainty : float
        Standard uncertainty.
    low, high : float
        95 % interval.
    known : bool
        Whether the log determines this key.
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
    correlation : (k, k) array
        Of the fitted keys.
    singular_values : (k,) array
        Of the scaled Jacobian, descending: effect on the data, in standard uncertainties, of a
        relevant change along each direction; below 1 the data do not show it.
    directions : (k, k) array
        Rows: the direction of each singular value, in relevant changes.
    misfit : float
        Square root of the mean squared residual, in standard uncertainties; 1 is a perfect model.
    sensors : dict of str to float
        Fitted sensor errors, in units of their stated standard uncertainty.
    quantities : tuple of str
        What the case was fitted to.
    warnings : tuple of str
        Keys that are not determined, bounds reached, a misfit beyond scatter.
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
                found.key: finite_or_none(
                    {name: x for name, x in dataclasses.asdict(found).items() if name != "key"}
                )
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
    case : Case
        Where to start; run at the measured frequency and airspeed unless those are free.
    use : sequence of str
        Of `flapsim.rig.fitting.QUANTITIES`; by default all that are both measured and predicted.

    Raises
    ------
    CaseError
        If a key is not a number of the case, is given twice or starts outside its bounds, or if
        nothing measured can be predicted.
    NoAnswer
        If the case has no periodic state at the start, or near a state that the fit reached.
    """
    require_phase(reduction)
    free = _checked(case, free)
    keys = tuple(one.key for one in free)
    flown = as_flown(case, reduction, keys)
    problem = Problem(reduction, flown, free, use)
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
        # Far below the scatter: the cost is about the number of residuals.
        xtol=1e-6,
        ftol=1e-6,
        gtol=1e-6,
        max_nfev=MOST_TRIALS,
    )
    return _calibration(problem, answer, case)


def _checked(case: Case, free: Sequence[Free]) -> tuple[Free, ...]:
    """Fill in the bounds from the range of each key; report the faults of all keys at once."""
    faults = Faults(case.name, known=known_keys())
    out = []
    seen: set[str] = set()
    for one in free:
        noted = len(faults.found)
        place = locate(Case, one.key, faults)
        if place is None or len(faults.found) > noted:
            continue
        value = case.get(one.key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            faults.add(one.key, show(value), "a number")
            continue
        if one.key in seen:
            faults.say(one.key, "given twice; free each key once")
        seen.add(one.key)
        low, high = one.low, one.high
        if isinstance(place.rule, Number):
            if place.rule.whole:
                faults.say(one.key, "holds a whole number; free a key that varies continuously")
            low = max(low, place.rule.least, place.rule.above)
            high = min(high, place.rule.most, place.rule.below)
        if not low < high:
            faults.say(one.key, f"no value is both within {one.low:g}:{one.high:g} and allowed")
        elif not low <= value <= high:
            faults.add(one.key, show(value), f"a start between {low:g} and {high:g}")
        if one.prior is not None and not one.prior > 0.0:
            faults.add(one.key, f"{one.prior:g}", "a prior > 0, the standard uncertainty")
        out.append(Free(one.key, low, high, one.prior))
    if not free:
        faults.say("", "no key is free; name at least one (--free KEY,KEY)")
    faults.raise_if_any()
    return tuple(out)


# --- result of the fit --------------------------------------------------------------------------


def _calibration(problem: Problem, answer: Any, case: Case) -> Calibration:
    free, unknowns, jacobian, residuals = problem.free, answer.x, answer.jac, answer.fun
    keys = tuple(one.key for one in free)
    data = int(problem.keep.sum())
    count = len(free)
    freedom = max(data - count, 1)
    misfit = math.sqrt(float(residuals @ residuals) / freedom)
    # A model that deviates by more than scatter makes its constants less certain (Birge 1932).
    inflation = max(misfit, 1.0)
    information = jacobian.T @ jacobian
    seen = key_information(jacobian, count)
    values, directions = np.linalg.eigh(seen)
    order = np.argsort(-values)
    singular = np.sqrt(np.maximum(values[order], 0.0)) / inflation
    covariance = inverse(information)[:count, :count] * inflation**2
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    factor = coverage_factor(freedom)
    by_data = np.sqrt(np.diag(inverse(seen))) * inflation
    fitted = []
    for at, (one, value) in enumerate(zip(free, problem.values(unknowns), strict=True)):
        uncertainty = float(spread[at] * problem.scale[at])
        ends = value - factor * uncertainty, value + factor * uncertainty
        known = bool(by_data[at] < 1.0)
        fitted.append(Fitted(one.key, float(problem.start[at]), value, uncertainty, *ends, known))
    rows = directions[:, order].T
    corrected = case.replace({found.key: found.value for found in fitted})
    sensors = dict(zip(problem.nuisance, unknowns[count:].tolist(), strict=True))
    warnings = [
        *unseen(singular, rows, keys),
        *confounded(correlation, keys),
        *_at_bounds(fitted, free),
    ]
    if misfit > 2.0:
        warnings.append(
            f"The fit deviates from the strokes by {misfit:.1f} times their scatter: the model is"
            " incomplete; uncertainties are widened by that factor."
        )
    for name, amount in sensors.items():
        if abs(amount) > 3.0:
            warnings.append(
                f"{name}: the fitted error is {amount:+.1f} standard uncertainties; check that"
                " sensor."
            )
    if answer.status == 0:
        warnings.append(
            f"The fit did not converge in {MOST_TRIALS} states: continue from the case that it"
            " writes, or free fewer keys."
        )
    if problem.failures:
        warnings.append(
            f"{len(problem.failures)} of the states tried had no solution, and the fit avoided"
            f" them: {problem.failures[0]}"
        )
    return Calibration(
        case=corrected,
        fitted=tuple(fitted),
        correlation=correlation,
        singular_values=singular,
        directions=rows,
        misfit=misfit,
        sensors=sensors,
        quantities=problem.names,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _at_bounds(fitted: Sequence[Fitted], free: tuple[Free, ...]) -> list[str]:
    return [
        f"{found.key} ends at its bound {bound:g}."
        for found, one in zip(fitted, free, strict=True)
        for bound in (one.low, one.high)
        if math.isfinite(bound) and abs(found.value - bound) <= 1e-6 * max(abs(bound), 1.0)
    ]
