"""Sensitivity of the trimmed power to each input, and changes that let a craft trim."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.case.columns import is_column_key
from flapsim.cycle.results import evaluate
from flapsim.faults import CaseError
from flapsim.flight.balance import default_range, residuals, whole_columns
from flapsim.flight.search import LONGEST, TrimStatus, trim_many
from flapsim.half_wing.twist.report import compliant

Array = NDArray[np.float64]

_CANDIDATES = (
    "flight.airspeed_m_s",
    "flight.pitch_deg",
    "stroke.frequency_hz",
    "stroke.plane_deg",
    "stroke.inner.plunge.amplitude_deg",
    "stroke.inner.plunge.mean_deg",
    "stroke.inner.twist.tip_amplitude_deg",
    "stroke.inner.twist.tip_mean_deg",
    "stroke.inner.twist.tip_lag_deg",
    "stroke.inner.twist.rest_deg",
    "stroke.inner.twist.stiffness_n_m_rad",
    "stroke.outer.plunge.amplitude_deg",
    "stroke.outer.plunge.lag_deg",
    "stroke.outer.twist.tip_amplitude_deg",
    "stroke.outer.twist.tip_mean_deg",
    "stroke.outer.twist.tip_lag_deg",
    "stroke.outer.twist.rest_deg",
    "stroke.outer.twist.stiffness_n_m_rad",
    "craft.mass_kg",
    "craft.body_drag_area_m2",
    "craft.centre_of_mass_m.0",
    "craft.tail.angle_deg",
    "craft.tail.area_m2",
    "wing.inner.length_m",
    "wing.outer.length_m",
    "wing.section.zero_lift_deg",
    "wing.section.suction",
    "wing.section.friction_factor",
    "air.density_kg_m3",
)
"""Inputs whose influence on the power is reported."""

_LEVERS = (
    "flight.airspeed_m_s",
    "flight.pitch_deg",
    "stroke.frequency_hz",
    "stroke.inner.plunge.amplitude_deg",
    "stroke.inner.twist.tip_amplitude_deg",
    "stroke.inner.twist.tip_mean_deg",
    "stroke.outer.plunge.amplitude_deg",
    "stroke.outer.plunge.lag_deg",
    "stroke.outer.twist.tip_amplitude_deg",
    "stroke.outer.twist.tip_mean_deg",
    "stroke.outer.twist.tip_lag_deg",
    "craft.mass_kg",
    "craft.body_drag_area_m2",
    "craft.centre_of_mass_m.0",
    "craft.tail.angle_deg",
    "wing.section.zero_lift_deg",
)
"""Inputs whose change may let a craft trim."""

_DIFFERENCE = 1e-4
_COARSE = 48
_PARTS = 8
_NEARLY = 1e-5
"""Misfit that a few more steps would take away."""

_HASTY = 6
"""Steps per change if a twist is compliant: it costs a hundred times a driven one."""


@dataclass(frozen=True, slots=True)
class PowerSensitivity:
    """Change of the trimmed power with one input.

    Attributes
    ----------
    key : str
        Key path.
    change : float
        Change of the input, in the unit of the key: 1 deg, 0.01 m, or 1 % of the value.
    power_w : float
        Change of aerodynamic power, the balances kept by the free quantities, W.
    """

    key: str
    change: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Remedy:
    """A change of one input that lets a craft balance, or comes nearest to it.

    Attributes
    ----------
    value : float
        What it should become.
    before : float
        What it is.
    trims : bool
        Whether the craft then balances.
    miss : float
        Largest misfit that is left, as a part of the weight.
    power_w : float
        Aerodynamic power of the state, W.
    """

    key: str
    value: float
    before: float
    trims: bool
    miss: float
    power_w: float

    def __str__(self) -> str:
        change = f"{self.key} = {self.value:.3g} (now {self.before:.3g})"
        if self.trims:
            return f"it trims with {change}, at {self.power_w:.3g} W aerodynamic"
        return f"{change} comes nearest, within {100 * self.miss:.2g} % of weight"


def _usable(case: Case, names: Sequence[str], taken: set[str]) -> Iterator[tuple[str, float]]:
    """Keys of a list that this case has and may change, with their values."""
    for key in names:
        if key in taken or not is_column_key(key):
            continue
        value = case.get(key)
        if value is None or isinstance(value, str):
            continue
        try:
            case.replace({key: float(value)})
        except CaseError:
            continue
        yield key, float(value)


def _unit_change(key: str, value: float) -> float:
    if key.endswith("_deg"):
        return 1.0
    if key.endswith("suction"):
        return -0.1 if value > 0.5 else 0.1
    if "centre_of_mass" in key:
        return 0.01
    return 0.01 * value


def keys_of(free: Sequence[str]) -> set[str]:
    """Every key among free quantities, those joined by ``+`` included."""
    return {part.strip() for name in free for part in name.split("+")}


def power_sensitivities(
    case: Case, free: Sequence[str], hold: Sequence[str], threads: int = 1
) -> tuple[PowerSensitivity, ...]:
    """Change of the trimmed aerodynamic power with each input, largest first.

    With residuals R(x, p) of free quantities x and input p: ``dP/dp = P_p - P_x R_x^-1 R_p``, the
    implicit function theorem; one call of the solver for all inputs.
    """
    groups = [tuple(part.strip() for part in name.split("+")) for name in free]
    inputs = list(_usable(case, _CANDIDATES, keys_of(free)))
    changes: list[dict[str, float]] = [{}]
    sizes = [1.0]
    for group in groups:
        values = [float(case.get(key) or 0.0) for key in group]
        lead = next((value for value in values if value), 1.0)
        step = _DIFFERENCE * default_range(group[0]).step
        if default_range(group[0]).relative:
            step *= abs(lead)
        # Keys that move together keep their proportion.
        together = [v / lead if any(values) else 1.0 for v in values]
        changes.append(
            {k: v + step * part for k, v, part in zip(group, values, together, strict=True)}
        )
        sizes.append(step)
    for key, value in inputs:
        step = _DIFFERENCE * _unit_change(key, value)
        if step != 0.0:
            changes.append({key: value + step})
            sizes.append(_DIFFERENCE)
    inputs = [(key, value) for key, value in inputs if _unit_change(key, value) != 0.0]
    moved = sorted({key for change in changes for key in change})
    columns = {
        key: np.array([change.get(key, case.get(key) or 0.0) for change in changes], dtype=float)
        for key in moved
    }
    columns = whole_columns(case, columns)
    results = evaluate(case, columns, threads=threads, still=False)
    power = results["mean.aero_power_w"]
    miss = residuals(case, columns, results, hold) + np.zeros(len(changes))
    size = np.array(sizes)
    slope = (miss[:, 1:] - miss[:, :1]) / size[1:]
    power_slope = (power[1:] - power[0]) / size[1:]
    count = len(groups)
    try:
        response = np.linalg.solve(slope[:, :count], slope[:, count:])
    except np.linalg.LinAlgError:
        return ()
    total = power_slope[count:] - power_slope[:count] @ response
    found = [
        PowerSensitivity(key, _unit_change(key, value), float(watts))
        for (key, value), watts in zip(inputs, total, strict=True)
        if math.isfinite(watts)
    ]
    return tuple(sorted(found, key=lambda s: -abs(s.power_w)))


def remedies(
    case: Case, free: Sequence[str], hold: Sequence[str], threads: int = 1
) -> tuple[Remedy, ...]:
    """Single changes with which a craft that does not balance would, from its nearest state.

    Those that trim come first, by how few natural steps they take, then the others by what they
    leave.
    """
    keys: list[str] = []
    values: list[float] = []
    sizes: list[float] = []
    # A coarse stroke suffices to rank the changes.
    coarse = case.replace({"model.steps": min(case.model.steps, _COARSE)})
    inputs = dict(_usable(case, _LEVERS, keys_of(free)))
    for key, value in inputs.items():
        span = default_range(key)
        scale = abs(value) if span.relative and value else 1.0
        for times in (-3.0, -1.0, 1.0, 3.0):
            changed = value + times * span.step * scale
            if span.least * scale <= changed <= span.most * scale and changed != value:
                keys.append(key)
                values.append(changed)
                sizes.append(abs(times))
    if not keys:
        return ()
    columns = {
        key: np.array([v if k == key else inputs[key] for k, v in zip(keys, values, strict=True)])
        for key in inputs
    }
    longest = _HASTY if any(compliant(case)) else LONGEST
    tried = trim_many(coarse, columns, free, hold, threads=threads, thorough=False, longest=longest)
    miss = np.max(np.abs(np.stack(list(tried.residual.values()))), axis=0)
    best: dict[str, tuple[tuple[float, float], Remedy]] = {}
    for i, key in enumerate(keys):
        trims = bool(tried.status[i] == TrimStatus.TRIMMED)
        trims |= bool(tried.status[i] == TrimStatus.NO_BALANCE and miss[i] < _NEARLY)
        if not trims and (tried.status[i] == TrimStatus.IMPLAUSIBLE or not math.isfinite(miss[i])):
            continue
        rank = (0.0, sizes[i]) if trims else (1.0, float(miss[i]))
        power = float(tried.results["mean.aero_power_w"][i])
        remedy = Remedy(key, values[i], inputs[key], trims, float(miss[i]), power)
        if key not in best or rank < best[key][0]:
            best[key] = (rank, remedy)
    # Of equal changes the one that is easiest to make counts: the order of the inputs.
    ordered = [remedy for _, remedy in sorted(best.values(), key=lambda pair: pair[0])]
    if ordered and ordered[0].trims:
        ordered[0] = _smallest(coarse, free, hold, ordered[0], threads)
    return tuple(ordered)


def _smallest(
    case: Case, free: Sequence[str], hold: Sequence[str], found: Remedy, threads: int
) -> Remedy:
    """The smallest part of a change that still lets the craft trim, with an eighth to spare."""
    values = found.before + (found.value - found.before) * np.arange(1, _PARTS + 1) / _PARTS
    tried = trim_many(case, {found.key: values}, free, hold, threads=threads, thorough=False)
    failing = np.flatnonzero(~tried.trimmed)
    at = int(failing[-1]) + 2 if failing.size else 1
    if at >= _PARTS:
        return found
    miss = max(abs(float(column[at])) for column in tried.residual.values())
    power = float(tried.results["mean.aero_power_w"][at])
    return Remedy(found.key, float(values[at]), found.before, True, miss, power)
