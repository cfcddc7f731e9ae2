"""Trim of one craft: the state of steady flight, or why there is none. `trim_many` does many."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from flapsim.case import Case
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.faults import NoAnswer
from flapsim.flight.balance import BALANCES, chord_of, default_free, residuals
from flapsim.flight.drive_power import refusal_of_drive, watts
from flapsim.flight.hazard import Hazard, hazard_note
from flapsim.flight.search import TrimBatch, TrimStatus, trim_many
from flapsim.flight.sensitivity import PowerSensitivity, Remedy, power_sensitivities, remedies
from flapsim.quantities import finite_or_none
from flapsim.wing.body import weight

__all__ = ["NoTrim", "Trim", "TrimBatch", "TrimStatus", "trim", "trim_many"]


CRUISE_STROUHAL = (0.2, 0.4)
"""Strouhal numbers at which animals cruise: Taylor, Nudds and Thomas (2003)."""

_NOTHING = 1e-12
"""W; less is rounding."""


class NoTrim(NoAnswer):
    """The craft does not trim; the message names the balance, the miss and what would help.

    Attributes
    ----------
    nearest : Case
        The state that comes nearest.
    residual : dict of str to float
        Misfits there, as parts of the weight.
    status : TrimStatus
        Why it was refused.
    remedies : tuple of Remedy
        Changes that would help, best first.
    """

    def __init__(
        self,
        message: str,
        nearest: Case,
        residual: dict[str, float],
        status: TrimStatus,
        found: tuple[Remedy, ...],
    ) -> None:
        super().__init__(message)
        self.nearest = nearest
        self.residual = residual
        self.status = status
        self.remedies = found


@dataclass(frozen=True)
class Trim:
    """A craft in steady flight.

    Attributes
    ----------
    case : Case
        The case with its free quantities set.
    cycle : Cycle
        That case through one stroke.
    solution : dict of str to float
        Value of every free key.
    hold : tuple of str
        Balances held.
    watts : dict of str to float
        Means of the drive, names as in `flapsim.drive.train.drive_means`; NaN without a drive.
    residual : dict of str to float
        Misfit of every balance, held or not, as a part of the weight (moment: weight x chord).
    verdict : str
        What was found, in words.
    sensitivities : tuple of PowerSensitivity
        Change of the trimmed power with each input, largest first.
    hazard : Hazard
        Energies and warnings.
    solver_calls, designs : int
        Calls of the solver, and designs evaluated in them, until the state was found.
    """

    case: Case
    cycle: Cycle
    solution: dict[str, float]
    hold: tuple[str, ...]
    watts: dict[str, float]
    residual: dict[str, float]
    verdict: str
    sensitivities: tuple[PowerSensitivity, ...]
    hazard: Hazard
    solver_calls: int
    designs: int

    def to_dict(self, series: bool = False) -> dict[str, Any]:
        """Plain nested dictionary for JSON.

        Parameters
        ----------
        series : bool
            Whether to include the stroke step by step.

        Returns
        -------
        dict
            That of the cycle, with ``trim`` and ``hazard`` added; ``trim.drive_refusal`` says why
        the drive cannot deliver the state, None if it can.
        """
        return self.cycle.to_dict(series) | {
            "trim": {
                "verdict": self.verdict,
                "solution": self.solution,
                "hold": list(self.hold),
                "watts": finite_or_none(self.watts),
                "drive_refusal": refusal_of_drive(self.cycle) or None,
                "residual": finite_or_none(self.residual),
                "sensitivities": [dataclasses.asdict(s) for s in self.sensitivities],
                "solver_calls": self.solver_calls,
                "designs": self.designs,
            },
            "hazard": finite_or_none(self.hazard.values) | {"note": self.hazard.text},
        }


def trim(
    case: Case,
    free: Sequence[str] | None = None,
    hold: Sequence[str] | None = None,
    start: Mapping[str, float] | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    threads: int = 1,
) -> Trim:
    """Find the state in which a craft flies steadily.

    Parameters
    ----------
    case : Case
        The craft, its stroke, its airspeed and its climb angle.
    free : sequence of str, optional
        Free quantities: key paths, joined by ``+`` where several move together in proportion; by
        default body pitch, and both plunge amplitudes together.
    hold : sequence of str, optional
        Balances to hold: ``lift``, ``thrust``, ``pitching_moment``; by default the first of these,
        as many as there are free quantities.
    start : mapping of str to float, optional
        Where to begin, by key path; the case otherwise.
    bounds : mapping of str to (float, float), optional
        Own ranges of free keys.
    threads : int
        Threads to work on; results do not depend on it.

    Returns
    -------
    Trim
        All balances met to better than 1e-8 of the weight.

    Raises
    ------
    CaseError
        If a key, a balance or the case is at fault.
    NoTrim
        If the craft does not balance within the bounds, or only in an implausible state.
    NoAnswer
        If it trims with an unstable twist.
    """
    free = default_free(case) if free is None else free
    many = trim_many(case, None, free, hold, start, bounds, threads)
    solution = {key: float(value[0]) for key, value in many.solution.items()}
    settled = case.replace(solution)
    if not many.trimmed[0]:
        raise _refusal(settled, many, threads)
    cycle = _lasting(settled, solution)
    residual = _all_residuals(settled, cycle)
    taken = watts(cycle)
    verdict = _verdict(settled, cycle, taken, solution, many.hold, residual)
    notes = (*cycle.notes, *_left_over(settled, cycle, many.hold))
    return Trim(
        case=settled,
        cycle=dataclasses.replace(cycle, notes=notes),
        solution=solution,
        hold=many.hold,
        watts=taken,
        residual=residual,
        verdict=verdict,
        sensitivities=()
        if abs(cycle.mean["aero_power_w"]) < _NOTHING
        else power_sensitivities(settled, many.free, many.hold, threads),
        hazard=hazard_note(settled, cycle),
        solver_calls=many.calls,
        designs=int(many.evaluations[0]),
    )


def _lasting(settled: Case, solution: Mapping[str, float]) -> Cycle:
    """The cycle of a trimmed state; refuses an unstable twist."""
    try:
        return simulate(settled)
    except NoAnswer as error:
        values = ", ".join(f"{key} = {value:.4g}" for key, value in solution.items())
        raise NoAnswer(
            f"{flight_words(settled)}: it trims with {values}, but its twist is unstable: {error}"
        ) from error


def _all_residuals(case: Case, cycle: Cycle) -> dict[str, float]:
    results = {f"mean.{name}": np.asarray(value) for name, value in cycle.mean.items()}
    missed = residuals(case, {}, results, tuple(BALANCES))
    return {name: float(value) for name, value in zip(BALANCES, missed, strict=True)}


def flight_words(case: Case) -> str:
    """Name the flight condition of a case."""
    climb, speed = case.flight.climb_deg, case.flight.airspeed_m_s
    if climb == 0.0:
        return f"Level flight at {speed:.4g} m/s"
    rate = speed * math.sin(math.radians(climb))
    kind = "Climb" if climb > 0.0 else "Descent"
    return f"{kind} of {abs(climb):.3g} deg ({abs(rate):.3g} m/s) at {speed:.4g} m/s"


def _verdict(
    case: Case,
    cycle: Cycle,
    taken: Mapping[str, float],
    solution: Mapping[str, float],
    hold: Sequence[str],
    residual: Mapping[str, float],
) -> str:
    worst = max(abs(residual[name]) for name in hold)
    values = ", ".join(f"{key} = {value:.5g}" for key, value in solution.items())
    # Wings held still take no power, give or take a rounding.
    aero = cycle.mean["aero_power_w"]
    power = f"{aero if abs(aero) > _NOTHING else 0.0:.4g} W aerodynamic"
    for name in ("shaft", "electrical"):
        if math.isfinite(taken[f"{name}_power_w"]):
            power += f", {taken[f'{name}_power_w']:.4g} W {name}"
    stalled = 100.0 * cycle.check["stalled_fraction"]
    return (
        f"{flight_words(case)}: trimmed ({', '.join(hold)}, to {worst:.0e} of the weight) with"
        f" {values}; {power}; {stalled:.0f} % of wing and stroke stalled."
        f" {refusal_of_drive(cycle)}"
    ).rstrip()


def _left_over(case: Case, cycle: Cycle, hold: Sequence[str]) -> tuple[str, ...]:
    """Notes on the stroke and on the balances that are not enforced."""
    notes = [*_cruise_words(cycle)]
    moment = cycle.mean["pitching_moment_n_m"]
    load = weight(case) * float(chord_of(case))
    if "pitching_moment" not in hold and abs(moment) > 1e-3 * load:
        shift = 1e3 * moment / weight(case)
        notes.append(
            f"The pitching moment is not balanced: {moment:+.3g} N m remain, as if the centre of"
            f" mass were {abs(shift):.2g} mm too far {'aft' if shift > 0 else 'forward'}."
        )
    if "thrust" not in hold:
        miss = (cycle.mean["thrust_n"] - cycle.mean["drag_n"]) / weight(case)
        miss -= math.sin(math.radians(case.flight.climb_deg))
        notes.append(
            f"The thrust is not balanced: an excess of {100 * miss:+.2g} % of the weight remains"
            f" ({'it speeds up or climbs' if miss > 0 else 'it slows down or sinks'})."
        )
    return tuple(notes)


def _cruise_words(cycle: Cycle) -> list[str]:
    """A note if the Strouhal number is outside the range of cruising animals."""
    strouhal = cycle.check["strouhal"]
    low, high = CRUISE_STROUHAL
    if not strouhal > 0.0 or low <= strouhal <= high:
        return []
    why = (
        "the stroke is small for the speed, as when a large wing needs little thrust"
        if strouhal < low
        else "the stroke is large for the speed, as in slow flight, in a climb or with much drag"
    )
    return [
        f"Strouhal number {strouhal:.2f}; animals cruise between {low:g} and {high:g} (Taylor,"
        f" Nudds and Thomas 2003): {why}."
    ]


def _twist_words(nearest: Case) -> str:
    """The fault of the twist of a state, if it has one."""
    try:
        simulate(nearest)
    except NoAnswer as error:
        return f" There, {error}"
    return ""


def _refusal(nearest: Case, many: TrimBatch, threads: int) -> NoTrim:
    status = TrimStatus(int(many.status[0]))
    found: tuple[Remedy, ...] = ()
    help_ = ""
    if status in (TrimStatus.NO_BALANCE, TrimStatus.IMPLAUSIBLE):
        found = remedies(nearest, many.free, many.hold, threads)
        if found:
            help_ = f" The smallest change that helps: {found[0]}."
            if len(found) > 1 and found[1].trims:
                help_ += f" Or {found[1]}."
    if status == TrimStatus.NOT_FINITE:
        help_ = _twist_words(nearest)
    values = ", ".join(f"{key} = {value[0]:.4g}" for key, value in many.solution.items())
    return NoTrim(
        f"{flight_words(nearest)}: {many.reason(0)}. Nearest state: {values}.{help_}",
        nearest,
        {name: float(value[0]) for name, value in many.residual.items()},
        status,
        found,
    )
