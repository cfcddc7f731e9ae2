"""One case through one stroke: the door to the solver.

`simulate` turns a case into a `Cycle`: what the wing does through the stroke, in the mean and at
its peaks, where the watts go, and what to distrust.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.blade_element import Solution, solve
from flapsim.blade_element import layout as rows
from flapsim.body import body_loads, weight
from flapsim.case import Case, CaseError, Fault
from flapsim.design import Design, pack
from flapsim.held import held_drag, held_thrust
from flapsim.quantities import QUANTITIES, Quantity
from flapsim.schedule import evaluate

__all__ = ["QUANTITIES", "Cycle", "NoAnswer", "Quantity", "simulate"]

Array = NDArray[np.float64]

_DEGREES = 180.0 / math.pi
_SEGMENTS = ("inner", "outer")
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
"""Largest energy imbalance, relative to the largest power in play, that passes without a note."""

REYNOLDS_RANGE = (1.0e4, 1.0e6)
"""Chord Reynolds numbers for which the default section laws are meant."""

REDUCED_FREQUENCY_LIMIT = 0.6
"""Reduced frequency beyond which quasi-steady strips are a guess."""


class NoAnswer(RuntimeError):
    """The physics has no such answer: no trim, no periodic state; said in words."""


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
    check : dict of str to float
        Balances and what tells how far to trust the run.
    strips : dict of str to ndarray
        Starboard strips: shape (n_strips,), or (n_strips, n) for what moves.
    notes : tuple of str
        What to distrust, in words.
    """

    case: Case
    phase: Array
    time: Array
    series: dict[str, Array]
    mean: dict[str, float]
    peak: dict[str, float]
    segments: dict[str, dict[str, float]]
    check: dict[str, float]
    strips: dict[str, NDArray[Any]]
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

    def to_dict(self, series: bool = False) -> dict[str, Any]:
        """Plain nested dictionary for JSON.

        Parameters
        ----------
        series : bool
            Whether to include the stroke step by step.

        Returns
        -------
        dict
            ``title``, ``mean``, ``peak``, ``segments``, ``check``, ``notes`` and, where asked for,
            ``series`` (with ``phase`` and ``time``). Numbers without a meaning are None.
        """
        out: dict[str, Any] = {
            "title": self.case.title,
            "mean": _plain(self.mean),
            "peak": _plain(self.peak),
            "segments": {name: _plain(values) for name, values in self.segments.items()},
            "check": _plain(self.check),
            "notes": list(self.notes),
        }
        if series:
            out["series"] = {"phase": self.phase.tolist(), "time": self.time.tolist()} | {
                name: values.tolist() for name, values in self.series.items()
            }
        return out


def _plain(values: Mapping[str, float]) -> dict[str, float | None]:
    return {name: float(x) if math.isfinite(x) else None for name, x in values.items()}


def simulate(case: Case) -> Cycle:
    """Loads, powers and efficiencies of a case over one stroke.

    Parameters
    ----------
    case : Case
        The case; both twists driven.

    Returns
    -------
    Cycle

    Raises
    ------
    CaseError
        If a file the case names or a schedule is at fault, or a twist mode needs the twist solver.
    """
    _require_driven(case)
    halves = [pack(case)]
    port = case.stroke.port
    if port is not None:
        halves.append(pack(case, "port"))
    solved = [solve(half.batch, series=True, fields=True) for half in halves]
    series = _series(case, halves, solved)
    strips = _strips(halves[0], solved[0])
    mean, segments = _means(case, series, halves[0])
    check = _checks(case, series, mean, halves, solved)
    count = case.model.steps
    phase = 2.0 * np.pi * np.arange(count) / count
    return Cycle(
        case=case,
        phase=phase,
        time=phase / (2.0 * np.pi * case.stroke.frequency_hz),
        series=series,
        mean=mean,
        peak=_peaks(series, mean),
        segments=segments,
        check=check,
        strips=strips,
        notes=_notes(case, mean, check),
    )


def _require_driven(case: Case) -> None:
    faults = []
    for name in _SEGMENTS:
        stroke = getattr(case.stroke, name)
        if stroke is not None and stroke.twist is not None and stroke.twist.mode != "driven":
            faults.append(
                Fault(
                    case.name,
                    f"stroke.{name}.twist.mode",
                    repr(stroke.twist.mode),
                    "'driven'",
                    "passive and servo twist need the twist solver, which this version lacks",
                )
            )
    if faults:
        raise CaseError(faults)


def _series(case: Case, halves: list[Design], solved: list[Solution]) -> dict[str, Array]:
    """Both wings through the stroke; a missing port half mirrors the starboard one."""
    starboard = solved[0].series[:, :, 0]
    port = solved[-1].series[:, :, 0]
    both = starboard + port
    apart = starboard - port
    out: dict[str, Array] = {}
    inner, outer = 0, rows.SEGMENT_SERIES

    def total(row: int, source: Array) -> Array:
        return source[:, inner + row] + source[:, outer + row]

    lift, thrust = both[:, rows.SERIES_TOTAL_LIFT], both[:, rows.SERIES_TOTAL_THRUST]
    pitch = math.radians(case.flight.pitch_deg)
    force_x = -thrust * math.cos(pitch) - lift * math.sin(pitch)
    force_z = lift * math.cos(pitch) - thrust * math.sin(pitch)
    side = total(rows.SERIES_SIDE, apart)
    x, y, z = case.craft.centre_of_mass_m
    out["lift_n"] = lift
    out["thrust_n"] = thrust
    out["side_n"] = side
    out["rolling_moment_n_m"] = total(rows.SERIES_ROLL, apart) - (y * force_z - z * side)
    out["pitching_moment_n_m"] = both[:, rows.SERIES_TOTAL_PITCH] - (z * force_x - x * force_z)
    out["yawing_moment_n_m"] = total(rows.SERIES_YAW, apart) - (x * side - y * force_x)
    out["aero_power_w"] = both[:, rows.SERIES_TOTAL_POWER]
    out["wake_loss_w"] = total(rows.SERIES_WAKE, both)
    out["profile_loss_w"] = total(rows.SERIES_PROFILE, both)
    out["inertial_power_w"] = both[:, rows.SERIES_INERTIAL]
    parts = (
        ("lift_n", rows.SERIES_LIFT),
        ("thrust_n", rows.SERIES_THRUST),
        ("aero_power_w", rows.SERIES_POWER),
        ("wake_loss_w", rows.SERIES_WAKE),
        ("profile_loss_w", rows.SERIES_PROFILE),
    )
    names = _SEGMENTS if case.wing.outer is not None else _SEGMENTS[:1]
    for index, segment in enumerate(names):
        for name, row in parts:
            out[f"{segment}_{name}"] = both[:, index * rows.SEGMENT_SERIES + row]
    tau = 2.0 * np.pi * np.arange(case.model.steps) / case.model.steps
    omega = 2.0 * np.pi * case.stroke.frequency_hz
    for row, name in enumerate(_MOTIONS):
        value, _, _ = evaluate(halves[0].batch.schedule[row, :, 0], tau)
        out["heave_m" if name == "heave" else f"{name}_deg"] = (
            value if name == "heave" else value * _DEGREES
        )
        torque = both[:, rows.SERIES_TORQUE + row]
        out["force_heave_n" if name == "heave" else f"torque_{name}_n_m"] = torque
        power = np.zeros_like(tau)
        for half, solution in zip((halves[0], halves[-1]), (solved[0], solved[-1]), strict=True):
            _, rate, _ = evaluate(half.batch.schedule[row, :, 0], tau)
            power -= solution.series[:, rows.SERIES_TORQUE + row, 0] * rate * omega
        out[f"power_{name}_w"] = power
    return out


def _strips(half: Design, solution: Solution) -> dict[str, NDArray[Any]]:
    """What every starboard strip does through the stroke."""
    wing, batch = half.strips, half.batch
    fields = np.moveaxis(solution.fields[..., 0], 2, 0)
    density = batch.constant[rows.CONST_DENSITY, 0]
    airspeed = batch.constant[rows.CONST_AIRSPEED, 0]
    beta = batch.constant[rows.CONST_AIR_ANGLE, 0]
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    angle = [evaluate(batch.schedule[row, :, 0], tau)[0] for row in range(3)]
    outer = (wing.segment == 1)[:, None]
    dihedral = angle[0] + np.where(outer, angle[1], 0.0)
    sweep = np.where(outer, angle[2], 0.0)
    u, w = fields[rows.FIELD_U], fields[rows.FIELD_W]
    normal, aft = fields[rows.FIELD_NORMAL], fields[rows.FIELD_AFT]
    sine, cosine = fields[rows.FIELD_SIN], fields[rows.FIELD_COS]
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
        "attached_fraction": fields[rows.FIELD_ATTACHED],
        "circulation_m2_s": fields[rows.FIELD_CIRCULATION],
        "induced_velocity_m_s": fields[rows.FIELD_INDUCED],
        "relative_speed_m_s": speed,
        "normal_force_n_m": normal,
        "chordwise_force_n_m": aft,
        "moment_n_m_m": fields[rows.FIELD_MOMENT],
        "normal_coefficient": normal / np.where(pressure > 0.0, pressure, np.nan),
        "lift_n_m": force_z * math.cos(beta) - force_x * math.sin(beta),
        "thrust_n_m": thrust,
        "power_w_m": thrust * airspeed + fields[rows.FIELD_LOSS],
    }


def _ratio(top: float, bottom: float) -> float:
    """A ratio, or NaN where the bottom is not a positive number."""
    return top / bottom if bottom > 0.0 and math.isfinite(top) else math.nan


def _means(
    case: Case, series: dict[str, Array], half: Design
) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """Means over the stroke and the ratios that follow from them."""
    whole = (
        "lift_n",
        "thrust_n",
        "side_n",
        "rolling_moment_n_m",
        "pitching_moment_n_m",
        "yawing_moment_n_m",
        "aero_power_w",
        "wake_loss_w",
        "profile_loss_w",
        "inertial_power_w",
    )
    mean = {name: float(series[name].mean()) for name in whole}
    segments = {
        segment: {
            name: float(series[f"{segment}_{name}"].mean())
            for name in ("lift_n", "thrust_n", "aero_power_w", "wake_loss_w", "profile_loss_w")
        }
        for segment in _SEGMENTS
        if f"{segment}_lift_n" in series
    }
    airspeed = case.flight.airspeed_m_s
    load = weight(case)
    body = body_loads(case, mean["lift_n"], half.strips)
    thrust_power = mean["thrust_n"] * airspeed
    mean["thrust_power_w"] = thrust_power
    mean["drag_n"] = body.drag
    mean["tail_lift_n"] = body.lift
    mean["pitching_moment_n_m"] += body.pitching_moment
    power = mean["aero_power_w"]
    moving = airspeed > 0.0
    held, held_pitch = held_drag(case, half, mean["lift_n"]) if moving else (math.nan, math.nan)
    mean["held_drag_n"] = held
    mean["held_pitch_deg"] = held_pitch * _DEGREES
    mean["propulsive_efficiency"] = _ratio(thrust_power, power) if moving else math.nan
    mean["flapping_efficiency"] = (
        _ratio((mean["thrust_n"] + held) * airspeed, power) if moving else math.nan
    )
    mean["tare_efficiency"] = (
        _ratio((mean["thrust_n"] - held_thrust(case, half)) * airspeed, power)
        if moving
        else math.nan
    )
    mean["aero_lift_to_drag"] = _ratio(load * airspeed, power) if load > 0.0 else math.nan
    for segment in segments.values():
        segment["propulsive_efficiency"] = (
            _ratio(segment["thrust_n"] * airspeed, segment["aero_power_w"]) if moving else math.nan
        )
    return mean, segments


def _peaks(series: dict[str, Array], mean: dict[str, float]) -> dict[str, float]:
    """Values of largest magnitude over the stroke, with their sign."""
    out = {}
    for name, values in series.items():
        if name.startswith("power_") or name.endswith("_deg") or name == "heave_m":
            continue
        out[name] = float(values[np.argmax(np.abs(values))])
    return out


def _checks(
    case: Case,
    series: dict[str, Array],
    mean: dict[str, float],
    halves: list[Design],
    solved: list[Solution],
) -> dict[str, float]:
    """Balances of the run and the numbers that tell how far to trust it."""
    wing = halves[0].strips
    airspeed = case.flight.airspeed_m_s
    frequency = case.stroke.frequency_hz
    scale = float(np.abs(series["aero_power_w"]).max()) + abs(mean["thrust_n"]) * airspeed + 1e-300
    split = (
        series["aero_power_w"]
        - series["thrust_n"] * airspeed
        - series["wake_loss_w"]
        - series["profile_loss_w"]
    )
    motions = sum(series[f"power_{name}_w"] for name in _MOTIONS)
    verdict = np.stack([solution.verdict[:, 0] for solution in solved])
    tau = 2.0 * np.pi * np.arange(256) / 256
    schedule = halves[0].batch.schedule[:, :, 0]
    inner, relative = (evaluate(schedule[row], tau)[0] for row in range(2))
    heave = evaluate(schedule[rows.HEAVE], tau)[0]
    tip = (
        case.wing.inner.length_m * np.sin(inner)
        + (case.wing.outer.length_m if case.wing.outer else 0.0) * np.sin(inner + relative)
        + heave
    )
    excursion = float(tip.max() - tip.min())
    chord = wing.area / (2.0 * float(wing.width.sum()))
    moving = airspeed > 0.0
    stalled = np.mean([solution.mean[rows.SERIES_STALLED, 0] for solution in solved])
    return {
        "energy_balance": float(np.abs(split).max()) / scale,
        "motion_power_balance": float(np.abs(motions - series["aero_power_w"]).max()) / scale,
        "schedule_truncation": max(half.truncation for half in halves),
        "incidence_max_deg": math.degrees(
            math.acos(min(1.0, max(-1.0, float(verdict[:, rows.VERDICT_COS_INCIDENCE].min()))))
        ),
        "stalled_fraction": float(stalled),
        "induced_unconverged": float(verdict[:, rows.VERDICT_UNCONVERGED].sum()),
        "reduced_frequency": math.pi * frequency * chord / airspeed if moving else math.nan,
        "strouhal": frequency * excursion / airspeed if moving else math.nan,
        "reynolds": float(verdict[:, rows.VERDICT_REYNOLDS].min()),
        "aspect_ratio": wing.aspect_ratio,
    }


def _notes(case: Case, mean: dict[str, float], check: dict[str, float]) -> tuple[str, ...]:
    """What to distrust in a run, in words."""
    notes = []
    imbalance = max(check["energy_balance"], check["motion_power_balance"])
    if imbalance > ENERGY_TOLERANCE:
        notes.append(f"The energy balance closes only to {imbalance:.1e}: do not use this run.")
    if check["stalled_fraction"] > 0.05:
        notes.append(
            f"{100 * check['stalled_fraction']:.0f} % of wing and stroke is stalled; strip theory"
            " is at its weakest there."
        )
    laws = {case.wing.section.law}
    if "thin-airfoil" in laws and check["incidence_max_deg"] > 10.0:
        notes.append(
            f"Incidence reaches {check['incidence_max_deg']:.0f} deg, but a thin airfoil never"
            " stalls: compare with section law thin-plate."
        )
    if check["induced_unconverged"] > 0:
        notes.append(
            f"The induced velocity did not settle at {check['induced_unconverged']:.0f} instants"
            " (stalled strips on a low aspect ratio): loads there are uncertain."
        )
    if case.model.induced == "lifting-line" and case.model.wake == "indicial":
        if case.model.wake_lag == "two-dimensional":
            notes.append(
                "A lifting line with the two-dimensional lag counts the wake twice: thrust"
                " 20-50 % low."
            )
    elif case.model.induced == "slope" and case.model.wake == "quasi-steady":
        notes.append("Slope induction without a lag flatters thrust by 70-150 % on a hinged flap.")
    low, high = REYNOLDS_RANGE
    if case.wing.section.law in ("thin-plate", "thin-airfoil") and not (
        low <= check["reynolds"] <= high
    ):
        notes.append(
            f"Chord Reynolds number {check['reynolds']:.2g} lies outside {low:.0e} to {high:.0e},"
            " for which the section law is meant."
        )
    if check["reduced_frequency"] > REDUCED_FREQUENCY_LIMIT:
        notes.append(
            f"Reduced frequency {check['reduced_frequency']:.2f} is beyond what strips with a lag"
            " describe well (0.6)."
        )
    if math.isnan(mean["flapping_efficiency"]) and case.flight.airspeed_m_s > 0.0:
        notes.append(
            "The wing held still cannot make this lift (or no power is taken), so there is no"
            " flapping efficiency."
        )
    return tuple(notes)
