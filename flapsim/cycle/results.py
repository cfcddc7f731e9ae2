"""What solved half wings amount to: forces, powers, efficiencies and checks, one value a design.

The same lines serve one case and a batch of thousands; names and units are in
`flapsim.quantities`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import lane_count, with_columns
from flapsim.case.craft import Drive
from flapsim.drive.train import drive_means
from flapsim.half_wing.held import Held, hold
from flapsim.half_wing.pack import sharing_tables
from flapsim.half_wing.twist.half_wing import HalfWing, half_wing
from flapsim.half_wing.twist.report import actuator_work, compliant, twist_power, twist_results
from flapsim.half_wing.twist.stability import stability as stability_of
from flapsim.kernel import Solution, solve
from flapsim.kernel import layout as at
from flapsim.wing.body import body_loads, weight
from flapsim.wing.proportions import ratio, reduced_frequency
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


def segment_names(case: Case) -> tuple[str, ...]:
    """Names of the segments that a case has.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of str
    """
    return SEGMENTS if case.wing.outer is not None else SEGMENTS[:1]


def wing_loads(case: Case, starboard: Array, port: Array) -> dict[str, Array]:
    """Loads and powers of both wings from those of each half.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    starboard, port : ndarray, shape (SERIES_ROWS, ...)
        Rows of the two halves, at one instant, at all or in the mean; the port half as if it were
        a starboard one, that is, mirrored.

    Returns
    -------
    dict of str to ndarray, shape (...)
        Forces, moments about the centre of mass, powers; SI.

    Notes
    -----
    The arms of the moments leave the heave out: they are what a balance reads that moves with the
    wing.
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


def means(
    case: Case, half: HalfWing, loads: Mapping[str, Array], still: bool = True
) -> dict[str, Array]:
    """Mean loads, powers and the ratios that follow.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    half : HalfWing
        The starboard half, for the wing held still: at the mean of the twist it takes.
    loads : mapping of str to ndarray, shape (B,)
        Means from `wing_loads`.
    still : bool
        Whether to hold the wing still for what is compared with it; NaN otherwise.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        Names without their prefix ``mean.``; those of the segments as ``inner_...``.

    Notes
    -----
    Efficiencies compare with what costs nothing else: `propulsive_efficiency` with thrust power,
    `flapping_efficiency` with the drag of the same wing held still at the same lift,
    `tare_efficiency` with the wing held still at the same pitch.
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
    out["held_pitch_deg"] = np.degrees(held.angle - tilt) * moving
    out["propulsive_efficiency"] = ratio(thrust * airspeed, power) * moving
    out["flapping_efficiency"] = ratio((thrust + held.drag) * airspeed, power) * moving
    out["tare_efficiency"] = ratio((thrust - held.tare_thrust) * airspeed, power) * moving
    out["aero_lift_to_drag"] = ratio(load * airspeed, power) * moving
    for segment in segment_names(case):
        out[f"{segment}_propulsive_efficiency"] = (
            ratio(out[f"{segment}_thrust_n"] * airspeed, out[f"{segment}_aero_power_w"]) * moving
        )
    return out


def drive_watts(
    case: Case, halves: Sequence[HalfWing], solved: Sequence[Solution], thrust: Array
) -> dict[str, Array]:
    """What the drive takes in the mean, from crank to battery.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    halves : sequence of HalfWing
        Starboard half, and the port half if it differs.
    solved : sequence of Solution
        Their solutions, with their series if the case has a drive.
    thrust : ndarray, shape (B,)
        Mean net thrust of both wings, N.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        Names of `flapsim.drive.train`; NaN without a drive.
    """
    if case.drive is None:
        nothing = np.zeros(0)
        return drive_means(case, nothing, nothing, nothing, nothing, thrust)
    both = solved[0].series + solved[-1].series
    steps = both.shape[0]
    tau = 2.0 * np.pi * np.arange(steps) / steps
    plunge, rate, _ = evaluate_schedule(halves[0].design.batch.schedule[at.PLUNGE_INNER], tau)
    pairs = list(zip(halves, solved, strict=True))
    twist = [twist_power(case, half, solution.series) for half, solution in pairs]
    work = [actuator_work(case, half, solution.series) for half, solution in pairs]
    return drive_means(
        replace(case, drive=with_actuators(case.drive, work[0] + work[-1])),
        both[:, at.SERIES_TOTAL_POWER] - (twist[0] + twist[-1]),
        both[:, at.SERIES_INERTIAL],
        plunge,
        rate * 2.0 * np.pi * np.asarray(case.stroke.frequency_hz),
        thrust,
    )


def with_actuators(drive: Drive, power: ArrayLike) -> Drive:
    """A drive whose auxiliaries also feed the twist actuators.

    Parameters
    ----------
    drive : Drive
        As the case has it.
    power : array_like, shape (B,)
        Mean power that the actuators put out, W; their own losses belong to ``auxiliary_w``.

    Returns
    -------
    Drive
    """
    both: Any = drive.auxiliary_w + np.asarray(power)
    return replace(drive, auxiliary_w=both)


def checks(
    case: Case, halves: Sequence[HalfWing], solved: Sequence[Solution], loads: Mapping[str, Array]
) -> dict[str, Array]:
    """What tells how far to trust the solution of each design.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    halves : sequence of HalfWing
        Starboard half, and the port half if it differs.
    solved : sequence of Solution
        Their solutions.
    loads : mapping of str to ndarray, shape (B,)
        Means from `wing_loads`.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        Names without their prefix ``check.``.
    """
    wing = halves[0].design.strips
    airspeed = np.asarray(case.flight.airspeed_m_s, dtype=np.float64)
    frequency = case.stroke.frequency_hz
    thrust_power = loads["thrust_n"] * airspeed
    left = loads["aero_power_w"] - thrust_power - loads["wake_loss_w"] - loads["profile_loss_w"]
    scale = np.abs(loads["aero_power_w"]) + np.abs(thrust_power) + 1e-300
    verdict = np.stack([solution.verdict for solution in solved])
    excursion = solved[0].high[at.SERIES_TIP] - solved[0].low[at.SERIES_TIP]
    cosine = np.clip(verdict[:, at.VERDICT_COS_INCIDENCE].min(axis=0), -1.0, 1.0)
    stalled = np.mean([solution.mean[at.SERIES_STALLED] for solution in solved], axis=0)
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


def evaluate(
    case: Case,
    columns: Mapping[str, ArrayLike] | None = None,
    threads: int = 1,
    stability: bool = False,
    still: bool = True,
) -> dict[str, Array]:
    """All scalar results of many designs that differ in some numbers.

    Parameters
    ----------
    case : Case
        What the designs share.
    columns : mapping of str to array_like, shape (B,), optional
        Numbers in which they differ, by key path; see `flapsim.case.columns.with_columns`.
    threads : int
        Threads to work on; results do not depend on it.
    stability : bool
        Whether to compute the Floquet multipliers of twists that give way, which costs several
        times the rest.
    still : bool
        Whether to hold each wing still for the efficiencies that compare with that, a quarter of
        the time; NaN otherwise.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        By dotted name: ``mean.lift_n``, ``segments.inner.thrust_n``, ``peak.aero_power_w``,
        ``twist.outer.amplitude_deg`` (of a case whose twist is not driven), ``check.strouhal`` ...
        NaN where there is no periodic twist, but for the checks.

    Raises
    ------
    CaseError
        If a file, a linkage or a schedule is at fault.
    """
    given = {key: np.asarray(values, dtype=np.float64) for key, values in (columns or {}).items()}
    lanes = lane_count(given)
    together = sharing_tables(with_columns(case, given), lanes)
    if len(together) == 1:
        return _evaluate(case, given, lanes, threads, stability, still)
    out: dict[str, Array] = {}
    for places in together:
        some = {key: x[places] if x.size == lanes else x for key, x in given.items()}
        for name, values in _evaluate(case, some, places.size, threads, stability, still).items():
            out.setdefault(name, np.empty(lanes))[places] = values
    return out


def _evaluate(
    case: Case,
    columns: Mapping[str, Array],
    lanes: int,
    threads: int,
    stability: bool,
    still: bool,
) -> dict[str, Array]:
    """Results of designs that share their section tables."""
    if lanes == 1:
        # Arrays of one column are summed in another order than those of several: a design that
        # is alone is given a twin, so that its results are the same to the last bit.
        pair = {key: np.repeat(values, 2) for key, values in columns.items()}
        both = _evaluate(case, pair, 2, threads, stability, still)
        return {name: x[:1] for name, x in both.items()}
    many = with_columns(case, columns)
    halves = [half_wing(many, lanes=lanes)]
    if case.stroke.port is not None:
        halves.append(half_wing(many, "port", lanes))
    free = any(any(compliant(case, half.side)) for half in halves)
    wanted = free or case.drive is not None
    solved = [solve(half.design.batch, series=wanted, threads=threads) for half in halves]
    loads = wing_loads(many, solved[0].mean, solved[-1].mean)
    out: dict[str, Array] = {}
    every = means(many, halves[0], loads, still)
    every |= drive_watts(many, halves, solved, every["thrust_n"])
    for name, values in every.items():
        segment, _, rest = name.partition("_")
        out[f"segments.{segment}.{rest}" if segment in SEGMENTS else f"mean.{name}"] = values
    for name, row in (
        ("lift_n", at.SERIES_TOTAL_LIFT),
        ("thrust_n", at.SERIES_TOTAL_THRUST),
        ("aero_power_w", at.SERIES_TOTAL_POWER),
    ):
        # With two different halves this is the peak of their sum only if they peak together.
        high = sum(solution.high[row] for solution in (solved[0], solved[-1]))
        low = sum(solution.low[row] for solution in (solved[0], solved[-1]))
        out[f"peak.{name}"] = np.where(np.abs(low) > np.abs(high), low, high)
    if free:
        series = [solution.series for solution in solved]
        power = [twist_power(many, *pair) for pair in zip(halves, series, strict=True)]
        out["mean.twist_power_w"] = (power[0] + power[-1]).mean(axis=0)
        twist = twist_results(many, halves, series)
        twist |= floquet(many, halves, stability)
        out |= {f"twist.{name}": values for name, values in twist.items()}
    found = np.logical_and.reduce([half.found for half in halves])
    # What a wing without a periodic twist would do is no answer.
    out = {name: np.where(found, values, np.nan) for name, values in out.items()}
    out |= {f"check.{name}": x for name, x in checks(many, halves, solved, loads).items()}
    return out


def floquet(case: Case, halves: Sequence[HalfWing], wanted: bool = True) -> dict[str, Array]:
    """Largest Floquet multiplier of each compliant segment's twist; one for the whole half wing.

    Parameters
    ----------
    case : Case
        The case; its numbers may be columns.
    halves : sequence of HalfWing
        Starboard half, and the port half if it differs.
    wanted : bool
        Whether to compute it: it costs as much as fifty runs of the kernel.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        ``inner.floquet_max``, ``outer.floquet_max``; NaN where it was not computed. Nothing of a
        segment that does not give way.
    """
    out: dict[str, Array] = {}
    for half in halves:
        if not half.parts:
            continue
        lanes = half.found.size
        largest = np.full(lanes, np.nan)
        for lane in np.flatnonzero(half.found) if wanted else ():
            largest[lane] = stability_of(case, half, int(lane)).largest
        for part in half.parts:
            name = f"{SEGMENTS[part.segment]}.floquet_max"
            out[name] = np.fmax(out.get(name, largest), largest)
    return out
