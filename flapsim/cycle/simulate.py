"""One case through one stroke, with time series, means, peaks, checks and warnings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.case.columns import Designs
from flapsim.case.craft import Drive
from flapsim.cycle.results import (
    SEGMENTS,
    Solved,
    half_wings,
    results,
    segment_names,
    solve_halves,
    wing_loads,
    with_actuators,
)
from flapsim.drive.limits import drive_notes
from flapsim.faults import NoAnswer
from flapsim.half_wing.twist.half_wing import HalfWing
from flapsim.half_wing.twist.margins import stability_margins
from flapsim.half_wing.twist.refusal import no_periodic_twist, unstable_twist
from flapsim.half_wing.twist.report import peak, twist_series
from flapsim.half_wing.twist.stability import Stability, stability
from flapsim.kernel import Solution
from flapsim.kernel import layout as at
from flapsim.quantities import finite_or_none
from flapsim.wing.schedule import evaluate

Array = NDArray[np.float64]

_DEGREES = 180.0 / math.pi
_MOTIONS = (
    "inner_plunge",
    "outer_plunge",
    "outer_sweep",
    "inner_twist_root",
    "inner_twist_tip",
    "outer_twist_root",
    "outer_twist_tip",
    "heave",
)

ENERGY_TOLERANCE = 1e-9
"""Largest energy imbalance, relative to the largest power, without a warning."""

REYNOLDS_RANGE = (1.0e4, 1.0e6)
"""Chord Reynolds numbers for which the default section laws are meant."""

REDUCED_FREQUENCY_LIMIT = 0.6
"""Reduced frequency beyond which quasi-steady strips are inaccurate."""


@dataclass(frozen=True)
class Cycle:
    """A case through one stroke.

    Attributes
    ----------
    case : Case
        The case.
    phase, time : ndarray, shape (n,)
        Stroke phase, rad, and time, s.
    series : dict of str to ndarray, shape (n,)
        The stroke step by step; whole craft, both wings. Names and units in `QUANTITIES`.
    mean, peak : dict of str to float
        Means over the stroke, and the values of largest magnitude. NaN where a ratio has no
        meaning.
    segments : dict of str to dict of str to float
        The means of the inner and the outer segments, both wings together.
    twist : dict of str to dict of str to float
        Motion, moments, powers and limits of the twist of the inner and outer segments.
    check : dict of str to float
        Balances, validity ranges and convergence.
    strips : dict of str to ndarray
        Starboard strips: shape (n_strips,), or (n_strips, n) for what moves.
    multipliers : ndarray of complex, shape (k,)
        Floquet multipliers of a compliant starboard twist, the largest first; else empty.
    notes : tuple of str
        Warnings: which result is affected, and by how much.
    """

    case: Case
    phase: Array
    time: Array
    series: dict[str, Array]
    mean: dict[str, float]
    peak: dict[str, float]
    segments: dict[str, dict[str, float]]
    twist: dict[str, dict[str, float]]
    check: dict[str, float]
    strips: dict[str, NDArray[Any]]
    multipliers: NDArray[np.complex128]
    notes: tuple[str, ...]

    @property
    def lift(self) -> Array:
        """Lift of both wings through the stroke, N, shape (n,)."""
        return self.series["lift_n"]

    @property
    def thrust(self) -> Array:
        """Net thrust of both wings through the stroke, N, shape (n,)."""
        return self.series["thrust_n"]

    @property
    def aero_power(self) -> Array:
        """Power that both wings give to the air, W, shape (n,)."""
        return self.series["aero_power_w"]

    @property
    def drive(self) -> Drive | None:
        """The drive of the case, its battery feeding the twist actuators too."""
        drive = self.case.drive
        return None if drive is None else with_actuators(drive, self.mean["actuator_power_w"])

    def to_dict(self, series: bool = False) -> dict[str, Any]:
        """Plain nested dictionary for JSON; numbers without a meaning are None.

        ``series`` adds the stroke step by step, with ``phase`` and ``time``.
        """
        out: dict[str, Any] = {
            "title": self.case.title,
            "mean": finite_or_none(self.mean),
            "peak": finite_or_none(self.peak),
            "segments": finite_or_none(self.segments),
            "twist": finite_or_none(self.twist),
            "check": finite_or_none(self.check),
            "notes": list(self.notes),
        }
        if series:
            out["series"] = {"phase": self.phase.tolist(), "time": self.time.tolist()} | {
                name: values.tolist() for name, values in self.series.items()
            }
        return out


def simulate(case: Case) -> Cycle:
    """Loads, powers and efficiencies of a case over one stroke.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    Cycle

    Raises
    ------
    CaseError
        If a file the case names or a schedule is at fault.
    NoAnswer
        If a compliant twist has no periodic state, or only an unstable one; the message names the
        nearest setting with a stable one.
    """
    designs = Designs(case)
    halves = half_wings(designs)
    verdicts = [_stable(designs, half) for half in halves]
    solved = solve_halves(designs, halves, series=True, fields=True)
    series = _series(solved)
    scalars = {name: float(values[0]) for name, values in results(solved).items()}
    loads = ("lift_n", "thrust_n", "aero_power_w")
    lost = [name for name in loads if not math.isfinite(scalars[f"mean.{name}"])]
    if lost:
        raise NoAnswer(
            f"{', '.join(lost)} not finite: the loads of this stroke are beyond what the solver can"
            " compute; check airspeed, frequency, amplitudes and lengths"
        )
    groups: dict[str, dict[str, float]] = {"mean": {}, "peak": {}, "check": {}}
    segments: dict[str, dict[str, dict[str, float]]] = {
        group: {name: {} for name in segment_names(case)} for group in ("segments", "twist")
    }
    for name, value in (scalars | _of_stability(designs, halves, verdicts)).items():
        group, _, rest = name.partition(".")
        if group in groups:
            groups[group][rest] = value
        else:
            segment, _, rest = rest.partition(".")
            segments[group][segment][rest] = value
    check = groups["check"] | _balances(case, series)
    count = case.model.steps
    phase = 2.0 * np.pi * np.arange(count) / count
    return Cycle(
        case=case,
        phase=phase,
        time=phase / (2.0 * np.pi * case.stroke.frequency_hz),
        series=series,
        mean=groups["mean"],
        peak=_peaks(series) | groups["peak"],
        segments=segments["segments"],
        twist=segments["twist"],
        check=check,
        strips=_strips(halves[0], solved.solutions[0]),
        multipliers=np.zeros(0, complex) if verdicts[0] is None else verdicts[0].multipliers,
        notes=tuple(_warnings(case, groups["mean"], check, segments["twist"])),
    )


def _stable(designs: Designs, half: HalfWing) -> Stability | None:
    """Stability of a half wing's twist, None if it is driven; refuse an unstable one."""
    if not half.parts:
        return None
    if not half.found[0]:
        raise NoAnswer(no_periodic_twist(designs.case, half))
    verdict = stability(designs, half)
    if math.isnan(verdict.largest):
        raise NoAnswer(
            "the stability of the twist cannot be computed here: the moments about its axis are not"
            " finite, or too large beside its inertia; check airspeed, frequency and wing mass"
        )
    if verdict.name != "stable":
        raise NoAnswer(unstable_twist(designs.case, half, verdict))
    return verdict


def _of_stability(
    designs: Designs, halves: tuple[HalfWing, ...], verdicts: list[Stability | None]
) -> dict[str, float]:
    """Stability of each compliant segment of the starboard half, growth of the worse half."""
    first = verdicts[0]
    if first is None:
        return {}
    still = stability_margins(designs.case, halves[0])
    worst = max(verdict.largest for verdict in verdicts if verdict is not None)
    out = {}
    for index, part in enumerate(halves[0].parts):
        name = f"twist.{SEGMENTS[part.segment]}"
        out[f"{name}.floquet_max"] = worst
        out[f"{name}.divergence_speed_m_s"] = still.divergence
        out[f"{name}.flutter_speed_m_s"] = still.flutter
        out[f"{name}.air_stiffness_n_m_rad"] = float(first.air_stiffness[index])
        out[f"{name}.damping_ratio"] = float(first.damping_ratio[index])
        out[f"{name}.natural_frequency_hz"] = float(first.natural_frequency[index])
    return out


def _series(solved: Solved) -> dict[str, Array]:
    """Both wings through the stroke; a missing port half mirrors the starboard one."""
    halves, solutions, case = solved.halves, solved.solutions, solved.designs.case
    starboard, port = solutions[0].series[:, :, 0].T, solutions[-1].series[:, :, 0].T
    out = wing_loads(case, starboard, port)
    tau = 2.0 * np.pi * np.arange(case.model.steps) / case.model.steps
    omega = 2.0 * np.pi * case.stroke.frequency_hz
    for row, name in enumerate(_MOTIONS):
        value, _, _ = evaluate(halves[0].design.batch.schedule[row, :, 0], tau)
        out["heave_m" if name == "heave" else f"{name}_deg"] = (
            value if name == "heave" else value * _DEGREES
        )
        torque = (starboard + port)[at.SERIES_TORQUE + row]
        out["force_heave_n" if name == "heave" else f"torque_{name}_n_m"] = torque
        power = np.zeros_like(tau)
        for half, solution in zip(
            (halves[0], halves[-1]), (solutions[0], solutions[-1]), strict=True
        ):
            _, rate, _ = evaluate(half.design.batch.schedule[row, :, 0], tau)
            power -= solution.series[:, at.SERIES_TORQUE + row, 0] * rate * omega
        out[f"power_{name}_w"] = power
    out["twist_power_w"] = solved.twist_power[:, 0]
    return out | twist_series(solved.twists[0])


def _strips(half: HalfWing, solution: Solution) -> dict[str, NDArray[Any]]:
    """Angles, velocities and loads of every starboard strip through the stroke."""
    wing, batch = half.design.strips, half.design.batch
    fields = np.moveaxis(solution.fields[..., 0], 2, 0)
    density = batch.constant[at.CONST_DENSITY, 0]
    airspeed = batch.constant[at.CONST_AIRSPEED, 0]
    beta = batch.constant[at.CONST_AIR_ANGLE, 0]
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    angle = [evaluate(batch.schedule[row, :, 0], tau)[0] for row in range(3)]
    outer = (wing.segment == 1)[:, None]
    dihedral = angle[0] + np.where(outer, angle[1], 0.0)
    sweep = np.where(outer, angle[2], 0.0)
    u, w = fields[at.FIELD_U], fields[at.FIELD_W]
    normal, aft = fields[at.FIELD_NORMAL], fields[at.FIELD_AFT]
    sine, cosine = fields[at.FIELD_SIN], fields[at.FIELD_COS]
    along = aft * cosine + normal * sine
    across = normal * cosine - aft * sine
    force_x = along * np.cos(sweep)
    force_z = across * np.cos(dihedral) - along * np.sin(sweep) * np.sin(dihedral)
    thrust = -(force_x * math.cos(beta) + force_z * math.sin(beta))
    speed = np.hypot(u, w)
    pressure = 0.5 * density * speed**2 * wing.chord[:, None]
    return {
        "segment": wing.segment,
        "span_position_m": wing.span_position,
        "chord_m": wing.chord,
        "width_m": wing.width,
        "incidence_deg": np.arctan2(w, u) * _DEGREES,
        "attached_fraction": fields[at.FIELD_ATTACHED],
        "circulation_m2_s": fields[at.FIELD_CIRCULATION],
        "induced_velocity_m_s": fields[at.FIELD_INDUCED],
        "relative_speed_m_s": speed,
        "normal_force_n_m": normal,
        "chordwise_force_n_m": aft,
        "moment_n_m_m": fields[at.FIELD_MOMENT],
        "normal_coefficient": normal / np.where(pressure > 0.0, pressure, np.nan),
        "lift_n_m": force_z * math.cos(beta) - force_x * math.sin(beta),
        "thrust_n_m": thrust,
        "power_w_m": thrust * airspeed + fields[at.FIELD_LOSS],
    }


def _peaks(series: dict[str, Array]) -> dict[str, float]:
    """Values of largest magnitude of the loads through the stroke, with their sign."""
    return {
        name: float(peak(values))
        for name, values in series.items()
        if not name.startswith("power_") and not name.endswith("_deg") and name != "heave_m"
    }


def _balances(case: Case, series: dict[str, Array]) -> dict[str, float]:
    """Largest imbalance of powers at any instant, relative to the largest power in play."""
    thrust_power = series["thrust_n"] * case.flight.airspeed_m_s
    scale = float(np.abs(series["aero_power_w"]).max() + np.abs(thrust_power).max()) + 1e-300
    lost = series["wake_loss_w"] + series["profile_loss_w"]
    split = series["aero_power_w"] - thrust_power - lost
    motions = sum(series[f"power_{name}_w"] for name in _MOTIONS)
    return {
        "instant_energy_balance": float(np.abs(split).max()) / scale,
        "motion_power_balance": float(np.abs(motions - series["aero_power_w"]).max()) / scale,
    }


def _warnings(
    case: Case, mean: dict[str, float], check: dict[str, float], twist: dict[str, dict[str, float]]
) -> Iterator[str]:
    """Warnings: which result is affected, and by how much."""
    margins = [x["divergence_speed_m_s"] for x in twist.values() if "divergence_speed_m_s" in x]
    if margins and case.flight.airspeed_m_s >= margins[0]:
        yield (
            f"Held still, this wing diverges at {margins[0]:.3g} m/s, below the airspeed flown: the"
            " twist found here is stable only while the wing flaps, and a gust may end it."
        )
    imbalance = max(check["instant_energy_balance"], check["motion_power_balance"])
    if imbalance > ENERGY_TOLERANCE:
        yield f"The energy balance has an error of {imbalance:.1e}: do not use this run."
    if check["stalled_fraction"] > 0.05:
        yield (
            f"{100 * check['stalled_fraction']:.0f} % of wing and stroke is stalled: strip"
            " theory is least accurate there, in lift, thrust and power."
        )
    law = case.wing.section.law
    if law == "thin-airfoil" and check["incidence_max_deg"] > 10.0:
        yield (
            f"Incidence reaches {check['incidence_max_deg']:.0f} deg, and the section law"
            " thin-airfoil never stalls: compare with thin-plate."
        )
    unsettled = round(check["induced_unconverged"])
    if unsettled > 0:
        yield (
            f"The induced velocity did not converge at {unsettled}"
            f" instant{'' if unsettled == 1 else 's'} (stalled strips on a low aspect ratio):"
            " loads there are uncertain."
        )
    if case.model.induced == "lifting-line" and case.model.wake == "indicial":
        if case.model.wake_lag == "two-dimensional":
            yield (
                "A lifting line with the two-dimensional lag counts the wake twice: thrust"
                " 20-50 % low."
            )
    elif case.model.induced == "slope" and case.model.wake == "quasi-steady":
        yield (
            "Slope induction without a lag overestimates the thrust of a hinged flap by 40-80 %."
        )
    low, high = REYNOLDS_RANGE
    if law in ("thin-plate", "thin-airfoil") and not low <= check["reynolds"] <= high:
        yield (
            f"Chord Reynolds number {check['reynolds']:.2g} is outside {low:.0e} to {high:.0e},"
            " the range of the section law: lift and drag are uncertain."
        )
    if check["reduced_frequency"] > REDUCED_FREQUENCY_LIMIT:
        yield (
            f"Reduced frequency {check['reduced_frequency']:.2f} is above"
            f" {REDUCED_FREQUENCY_LIMIT}: quasi-steady strips are inaccurate there."
        )
    if math.isnan(mean["flapping_efficiency"]) and case.flight.airspeed_m_s > 0.0:
        yield (
            "No flapping efficiency: the wing held still cannot make this lift, or the power given"
            " to the air is not positive."
        )
    if case.drive is not None:
        yield from drive_notes(case.drive, mean)
