"""Results of solved half wings: forces, powers, efficiencies and checks, one value a design.

One path for one case and for thousands: `solve_designs` gives the half wings and their strokes,
`results` one ordered list of what is reported of them. `flapsim.cycle.simulate` adds the stroke
step by step; a sweep or a trim selects. Names and units are in `flapsim.quantities`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import Cases, Designs
from flapsim.case.craft import Drive
from flapsim.drive.train import drive_means
from flapsim.half_wing.held import Held, hold
from flapsim.half_wing.pack import sharing_tables
from flapsim.half_wing.twist.half_wing import HalfWing, half_wing
from flapsim.half_wing.twist.report import (
    SegmentTwist,
    actuator_work,
    compliant,
    peak,
    segment_twists,
    twist_power,
    twist_results,
)
from flapsim.half_wing.twist.stability import stability as stability_of
from flapsim.kernel import Solution, solve
from flapsim.kernel import layout as at
from flapsim.quantities.efficiency import (
    flapping_efficiency,
    propulsive_efficiency,
    ratio,
    tare_efficiency,
)
from flapsim.wing.body import body_loads, weight
from flapsim.wing.proportions import reduced_frequency
from flapsim.wing.schedule import evaluate as evaluate_schedule

Array = NDArray[np.float64]

SEGMENTS = ("inner", "outer")
SEGMENT_ROWS = (
    ("lift_n", at.SERIES_LIFT),
    ("thrust_n", at.SERIES_THRUST),
    ("aero_power_w", at.SERIES_POWER),
    ("wake_loss_w", at.SERIES_WAKE),
    ("profile_loss_w", at.SERIES_PROFILE),
)
"""What is reported of each segment, and where the kernel keeps it."""


_PEAKS = (
    ("lift_n", at.SERIES_TOTAL_LIFT),
    ("thrust_n", at.SERIES_TOTAL_THRUST),
    ("aero_power_w", at.SERIES_TOTAL_POWER),
)
"""Of what the largest magnitude over the stroke is reported."""


def segment_names(case: Cases) -> tuple[str, ...]:
    """Names of the segments that a case has."""
    return SEGMENTS if case.wing.outer is not None else SEGMENTS[:1]


class Solved(NamedTuple):
    """Designs through one stroke."""

    designs: Designs
    halves: tuple[HalfWing, ...]  # The starboard half and, if it differs, the port half
    solutions: tuple[Solution, ...]  # Their strokes, as the kernel found them
    # The twist of their segments; empty unless the stroke is known step by step
    twists: tuple[tuple[SegmentTwist, ...], ...] = ()

    @property
    def compliant(self) -> bool:
        """Whether a spring or an actuator decides some twist."""
        return any(any(compliant(self.designs, half.side)) for half in self.halves)

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether the periodic twist of each design was found, shape (lanes,)."""
        return np.asarray(np.logical_and.reduce([half.found for half in self.halves]))

    def both(self, name: str) -> Array:
        """Sum of an array of the kernel's solution over both wings."""
        first, last = self.solutions[0], self.solutions[-1]
        summed: Array = getattr(first, name) + getattr(last, name)
        return summed

    @property
    def twist_power(self) -> Array:
        """Power of springs, dampers and actuators into the twist, both wings, W, (n, lanes)."""
        return twist_power(self.twists[0]) + twist_power(self.twists[-1])

    @property
    def actuator_power(self) -> Array:
        """Mean power that the twist actuators of both wings put out, W, shape (lanes,)."""
        if not self.twists:
            return np.zeros(self.designs.lanes)
        return actuator_work(self.twists[0]) + actuator_work(self.twists[-1])


def half_wings(cases: Cases) -> tuple[HalfWing, ...]:
    """The starboard half wing and, if it differs, the port one, with their periodic twist."""
    designs = Designs.of(cases)
    if designs.stroke.port is None:
        return (half_wing(designs),)
    return half_wing(designs), half_wing(designs, "port")


def solve_halves(
    designs: Designs,
    halves: tuple[HalfWing, ...],
    series: bool = False,
    fields: bool = False,
    threads: int = 1,
) -> Solved:
    """Solve half wings through the stroke.

    ``series`` keeps the stroke step by step (as a drive, a compliant twist or halves that differ do
    in any case), ``fields`` the strips. Results do not depend on the number of threads.
    """
    solved = Solved(designs, halves, ())
    wanted = series or solved.compliant or designs.drive is not None or len(halves) > 1
    solutions = tuple(
        solve(half.design.batch, series=wanted, fields=fields, threads=threads) for half in halves
    )
    twists: tuple[tuple[SegmentTwist, ...], ...] = ()
    if series or solved.compliant:
        pairs = zip(halves, solutions, strict=True)
        twists = tuple(segment_twists(designs, half, one.series) for half, one in pairs)
    return Solved(designs, halves, solutions, twists)


def wing_loads(case: Cases, starboard: Array, port: Array) -> dict[str, Array]:
    """Forces, moments about the centre of mass and powers of both wings, SI, shape (...).

    ``starboard`` and ``port`` are rows of the two halves, shape (SERIES_ROWS, ...), at one instant,
    at all or in the mean; the port half mirrored. The arms of the moments leave the heave out: they
    are what a balance reads that moves with the wing.
    """
    both, apart = starboard + port, starboard - port

    def total(row: int, source: Array) -> Array:
        summed: Array = source[row] + source[at.SEGMENT_SERIES + row]
        return summed

    lift, thrust = both[at.SERIES_TOTAL_LIFT], both[at.SERIES_TOTAL_THRUST]
    pitch = np.radians(case.flight.pitch_deg)
    force_x = -thrust * np.cos(pitch) - lift * np.sin(pitch)
    force_z = lift * np.cos(pitch) - thrust * np.sin(pitch)
    side = total(at.SERIES_SIDE, apart)
    x, y, z = case.craft.centre_of_mass_m
    out = {
        "lift_n": lift,
        "thrust_n": thrust,
        "side_n": side,
        "rolling_moment_n_m": total(at.SERIES_ROLL, apart) - (y * force_z - z * side),
        "pitching_moment_n_m": both[at.SERIES_TOTAL_PITCH] - (z * force_x - x * force_z),
        "yawing_moment_n_m": total(at.SERIES_YAW, apart) - (x * side - y * force_x),
        "aero_power_w": both[at.SERIES_TOTAL_POWER],
        "wake_loss_w": total(at.SERIES_WAKE, both),
        "profile_loss_w": total(at.SERIES_PROFILE, both),
        "inertial_power_w": both[at.SERIES_INERTIAL],
    }
    for index, segment in enumerate(segment_names(case)):
        for name, row in SEGMENT_ROWS:
            out[f"{segment}_{name}"] = both[index * at.SEGMENT_SERIES + row]
    return out


_NOT_HELD = Held(*(np.asarray(np.nan),) * 3)


def _means(
    case: Designs, half: HalfWing, loads: Mapping[str, Array], still: bool = True
) -> dict[str, Array]:
    """Mean loads, powers and the ratios that follow, (B,), from the means of `wing_loads`.

    The starboard half is held still, at the mean of its twist, for what is compared with it; NaN
    unless ``still``. Without airspeed no efficiency has a meaning: NaN.
    """
    out = dict(loads)
    airspeed = np.asarray(case.flight.airspeed_m_s, dtype=np.float64)
    body = body_loads(case, out["lift_n"], half.design.strips)
    power, thrust = out["aero_power_w"], out["thrust_n"]
    held = hold(half.design.batch, out["lift_n"]) if still else _NOT_HELD
    moving = np.where(airspeed > 0.0, 1.0, np.nan)
    load = np.where(np.asarray(weight(case)) > 0.0, weight(case), np.nan)
    tilt = half.design.batch.constant[at.CONST_TILT]
    out["pitching_moment_n_m"] = out["pitching_moment_n_m"] + body.pitching_moment
    out["thrust_power_w"] = thrust * airspeed
    out["drag_n"] = body.drag + np.zeros_like(thrust)
    out["tail_lift_n"] = body.lift + np.zeros_like(thrust)
    out["held_drag_n"] = held.drag * moving
    out["held_thrust_n"] = held.thrust * moving
    out["held_pitch_deg"] = np.degrees(held.angle - tilt) * moving
    out["propulsive_efficiency"] = propulsive_efficiency(thrust, airspeed, power) * moving
    out["flapping_efficiency"] = flapping_efficiency(thrust, held.drag, airspeed, power) * moving
    out["tare_efficiency"] = tare_efficiency(thrust, held.thrust, airspeed, power) * moving
    out["aero_lift_to_drag"] = ratio(load * airspeed, power) * moving
    for segment in segment_names(case):
        own = propulsive_efficiency(
            out[f"{segment}_thrust_n"], airspeed, out[f"{segment}_aero_power_w"]
        )
        out[f"{segment}_propulsive_efficiency"] = own * moving
    return out


def _drive_watts(solved: Solved, thrust: Array) -> dict[str, Array]:
    """Means of the drive from crank to battery, by the names of `flapsim.drive.train`."""
    case = solved.designs
    if case.drive is None:
        nothing = np.zeros(0)
        return drive_means(case, nothing, nothing, nothing, nothing, thrust)
    series = solved.both("series")
    steps = series.shape[0]
    tau = 2.0 * np.pi * np.arange(steps) / steps
    schedule = solved.halves[0].design.batch.schedule[at.PLUNGE_INNER]
    plunge, rate, _ = evaluate_schedule(schedule, tau)
    air = series[:, at.SERIES_TOTAL_POWER]
    return drive_means(
        case,
        air - solved.twist_power if solved.twists else air,
        series[:, at.SERIES_INERTIAL],
        plunge,
        rate * 2.0 * np.pi * np.asarray(case.stroke.frequency_hz),
        thrust,
        with_actuators(case.drive, solved.actuator_power),
    )


def _peaks(solved: Solved) -> dict[str, Array]:
    """Values of largest magnitude over the stroke, with their sign."""
    if len(solved.halves) == 1:
        low, high = solved.both("low"), solved.both("high")
    else:  # the halves need not peak together
        series = solved.both("series")
        low, high = series.min(axis=0), series.max(axis=0)
    return {name: peak(np.stack([high[row], low[row]])) for name, row in _PEAKS}


def with_actuators(drive: Drive, power: ArrayLike) -> Drive:
    """A drive whose auxiliaries also feed the twist actuators, with their mean power, W."""
    both: Any = drive.auxiliary_w + np.asarray(power)
    return replace(drive, auxiliary_w=both)


def _checks(solved: Solved, loads: Mapping[str, Array]) -> dict[str, Array]:
    """How far to trust the solution of each design; names without their prefix ``check.``."""
    case, halves, solutions = solved.designs, solved.halves, solved.solutions
    wing = halves[0].design.strips
    airspeed = np.asarray(case.flight.airspeed_m_s, dtype=np.float64)
    frequency = case.stroke.frequency_hz
    thrust_power = loads["thrust_n"] * airspeed
    left = loads["aero_power_w"] - thrust_power - loads["wake_loss_w"] - loads["profile_loss_w"]
    scale = np.abs(loads["aero_power_w"]) + np.abs(thrust_power) + 1e-300
    verdict = np.stack([solution.verdict for solution in solutions])
    excursion = solutions[0].high[at.SERIES_TIP] - solutions[0].low[at.SERIES_TIP]
    cosine = np.clip(verdict[:, at.VERDICT_COS_INCIDENCE].min(axis=0), -1.0, 1.0)
    stalled = np.mean([solution.mean[at.SERIES_STALLED] for solution in solutions], axis=0)
    nothing = np.zeros_like(left)
    balances = [half.balance for half in halves if half.balance is not None]
    of_twist = {
        "twist_residual": [found.residual for found in balances],
        "twist_tail": [found.tail for found in balances],
    }
    return {
        "energy_balance": np.abs(left) / scale,
        "schedule_truncation": np.max([half.design.truncation for half in halves], axis=0)
        + nothing,
        "incidence_max_deg": np.degrees(np.arccos(cosine)),
        "stalled_fraction": stalled,
        "induced_unconverged": verdict[:, at.VERDICT_UNCONVERGED].sum(axis=0),
        "reduced_frequency": reduced_frequency(case, wing) + nothing,
        "strouhal": ratio(frequency * excursion, airspeed) + nothing,
        "reynolds": verdict[:, at.VERDICT_REYNOLDS].min(axis=0),
        "aspect_ratio": wing.aspect_ratio + nothing,
    } | {name: np.max(values, axis=0) for name, values in of_twist.items() if values}


def results(solved: Solved, stability: bool = False, still: bool = True) -> dict[str, Array]:
    """All scalar results, in the order in which they are reported, shape (lanes,).

    ``stability`` adds the Floquet multipliers of compliant twists, at several times the cost of the
    rest; ``still`` the wing held still, at a quarter of the time; NaN otherwise. Twist results are
    present where the twist is known. Without a periodic twist all but the checks are NaN.
    """
    case = solved.designs
    loads = wing_loads(case, solved.solutions[0].mean, solved.solutions[-1].mean)
    every = _means(case, solved.halves[0], loads, still)
    every |= _drive_watts(solved, every["thrust_n"])
    every["twist_power_w"] = (
        solved.twist_power.mean(axis=0) if solved.twists else np.zeros(case.lanes)
    )
    every["actuator_power_w"] = solved.actuator_power
    every["weight_n"] = np.broadcast_to(weight(case), case.lanes)
    out: dict[str, Array] = {}
    for name, values in every.items():
        segment, _, rest = name.partition("_")
        out[f"segments.{segment}.{rest}" if segment in SEGMENTS else f"mean.{name}"] = values
    out |= {f"peak.{name}": values for name, values in _peaks(solved).items()}
    if solved.twists:
        twist = twist_results(solved.halves[0], solved.twists)
        twist |= _floquet(solved, stability)
        out |= {f"twist.{name}": values for name, values in twist.items()}
    # What a wing without a periodic twist would do is no answer.
    found = solved.found
    out = {name: np.where(found, values, np.nan) for name, values in out.items()}
    return out | {f"check.{name}": values for name, values in _checks(solved, loads).items()}


def evaluate(
    case: Case,
    columns: Mapping[str, ArrayLike] | None = None,
    threads: int = 1,
    stability: bool = False,
    still: bool = True,
) -> dict[str, Array]:
    """All scalar results, shape (B,), of designs that differ in some numbers; see `results`.

    ``columns`` holds these numbers by key path, see `flapsim.case.columns.Designs`. Raises
    CaseError if a file, a linkage or a schedule is at fault.
    """
    designs = Designs(case, columns)
    out: dict[str, Array] = {}
    for places in sharing_tables(designs):
        some = designs if places.size == designs.count else designs.pick(places)
        found = results(solve_halves(some, half_wings(some), threads=threads), stability, still)
        for name, values in found.items():
            out.setdefault(name, np.empty(designs.count))[places] = values[: some.count]
    return out


def _floquet(solved: Solved, wanted: bool) -> dict[str, Array]:
    """Largest Floquet multiplier of each compliant segment's twist; one for the whole half wing.

    ``inner.floquet_max``, ``outer.floquet_max``, NaN where it was not asked for: it costs as much
    as fifty runs of the kernel. Nothing of a segment that is driven.
    """
    out: dict[str, Array] = {}
    for half in solved.halves:
        if not half.parts:
            continue
        largest = np.full(half.found.size, np.nan)
        for lane in np.flatnonzero(half.found[: solved.designs.count]) if wanted else ():
            largest[lane] = stability_of(solved.designs, half, int(lane)).largest
        for part in half.parts:
            name = f"{SEGMENTS[part.segment]}.floquet_max"
            out[name] = np.fmax(out.get(name, largest), largest)
    return out
