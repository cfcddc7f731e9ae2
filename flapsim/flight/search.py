"""Trim of many designs side by side; the result of a design does not depend on the others.

Of several solutions the one of least power counts; a design without one gets a reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Case
from flapsim.case.columns import Designs
from flapsim.cycle.results import evaluate
from flapsim.faults import CaseError, Fault
from flapsim.flight.balance import (
    BALANCES,
    FreeQuantity,
    checked_balances,
    free_quantities,
    ideal_power,
    residuals,
    weightless,
    whole_columns,
)
from flapsim.flight.newton import End, Evaluate, Tracks, solve_tracks
from flapsim.half_wing.twist.compliance import Side
from flapsim.half_wing.twist.refusal import growth_in_words
from flapsim.half_wing.twist.report import compliant

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

TOLERANCE = 1e-9
"""Largest misfit of a balance, as a part of the weight: a tenth of what is promised (1e-8)."""

MOST_STALLED = 0.4
"""Part of wing and stroke that may be stalled before a solution counts as implausible."""

MOST_POWER = 15.0
"""Aerodynamic power, over that of an ideal fixed wing, from which a solution counts as implausible:
poor strokes of plausible craft take up to ten times it, implausible ones a hundred times."""

LONGEST = 25
"""Most steps of one track."""

_GROWTH = ".floquet_max"
_SAMPLES = 24
_RESCUES = 3


class TrimStatus(IntEnum):
    """Outcome of the trim of a design."""

    TRIMMED = 0
    NO_BALANCE = 1
    IMPLAUSIBLE = 2
    NOT_FINITE = 3
    UNSTABLE = 4


@dataclass(frozen=True)
class TrimBatch:
    """Many designs, trimmed or refused.

    Attributes
    ----------
    free, hold : tuple of str
        Free quantities and balances, as named.
    solution : dict of str to ndarray, shape (B,)
        Value of every free key, also of those that follow another; at the nearest state if refused.
    residual : dict of str to ndarray, shape (B,)
        Misfit of each balance enforced, as a part of the weight (moments: of weight x mean chord).
    status : ndarray of int, shape (B,)
        `TrimStatus` of each design.
    results : dict of str to ndarray, shape (B,)
        All scalar results at the solution, names as in `flapsim.cycle.results.evaluate`.
    evaluations : ndarray of int, shape (B,)
        Designs that were evaluated to trim each one.
    calls : int
        Calls of the solver, all designs together.
    """

    free: tuple[str, ...]
    hold: tuple[str, ...]
    solution: dict[str, Array]
    residual: dict[str, Array]
    status: Whole
    results: dict[str, Array]
    evaluations: Whole
    calls: int

    @property
    def trimmed(self) -> NDArray[np.bool_]:
        """Which designs balance, shape (B,)."""
        return np.asarray(self.status == TrimStatus.TRIMMED)

    def reason(self, design: int) -> str:
        """Why a design was refused, in a sentence; empty for one that is trimmed."""
        status = self.status[design]
        if status == TrimStatus.TRIMMED:
            return ""
        if status == TrimStatus.NOT_FINITE:
            return "no start leads to a finite solution, or to a periodic one of the twist"
        if status == TrimStatus.UNSTABLE:
            grows = growth_in_words(float(_growth(self.results)[design]))
            return f"it trims, but its twist is unstable: a small disturbance {grows}"
        if status == TrimStatus.IMPLAUSIBLE:
            stalled = self.results["check.stalled_fraction"][design]
            power = self.results["mean.aero_power_w"][design]
            return (
                f"it trims only in an implausible state: {100 * stalled:.0f} % stalled,"
                f" {power:.3g} W aerodynamic, or an amplitude at the end of its range"
            )
        missed = {name: float(self.residual[name][design]) for name in self.hold}
        worst = max(missed, key=lambda name: abs(missed[name]))
        return (
            f"{worst} cannot be balanced: the nearest state misses it by"
            f" {100 * missed[worst]:+.3g} % of weight"
            f"{' x mean chord' if worst == 'pitching_moment' else ''} ({BALANCES[worst]})"
        )


def trim_many(
    case: Case,
    columns: Mapping[str, ArrayLike] | None,
    free: Sequence[str],
    hold: Sequence[str] | None = None,
    start: Mapping[str, ArrayLike] | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    threads: int = 1,
    thorough: bool = True,
    longest: int = LONGEST,
    stability: bool = False,
) -> TrimBatch:
    """Trim many designs that differ in some numbers.

    Parameters
    ----------
    case : Case
        What the designs share.
    columns : mapping of str to array_like, shape (B,), or None
        Numbers in which they differ, by key path; a free key among them is where its search starts.
    free : sequence of str
        Free quantities: key paths, joined by ``+`` where several move together in proportion.
    hold : sequence of str, optional
        Balances to hold, from `flapsim.flight.balance.BALANCES`; as many as there are free
        quantities. Lift for one, lift and thrust for two, the pitching moment too for three.
    start : mapping of str to array_like, shape (B,) or (), optional
        Warm start: values of the first key of each free quantity, such as the `solution` of a
        neighbour. Halves the work; designs that it does not lead to a plausible state start afresh.
    bounds : mapping of str to (float, float), optional
        Own ranges of free keys.
    threads : int
        Threads to work on; results do not depend on it.
    thorough : bool
        Whether to follow a second track, and to try states all over the bounds before a design is
        refused.
    longest : int
        Most steps of one track.
    stability : bool
        Whether to refuse a trimmed design whose compliant twist is unstable; that costs
        as much as fifty more evaluations of it.

    Returns
    -------
    TrimBatch

    Raises
    ------
    CaseError
        If a key, a balance or a number is at fault. A design that cannot be trimmed is no error:
        see its status.

    Notes
    -----
    Every design is approached on two tracks, from the state in the case and from a gentle stroke
    (small amplitude, low frequency); of two answers the one of least power counts. Where neither
    leads to a plausible one, the best of a fixed set of states within the bounds are tried.
    """
    given = {k: np.asarray(v, dtype=np.float64) for k, v in (columns or {}).items()}
    lanes = Designs(case, given).count
    given = {key: np.broadcast_to(value, (lanes,)) for key, value in given.items()}
    if weightless(case, given):
        allowed = "a mass > 0; only a craft with weight can be trimmed"
        raise CaseError([Fault(case.name, "craft.mass_kg", "0", allowed, "")])
    balances = checked_balances(case, hold, len(free))
    quantities = free_quantities(case, given, free, bounds, lanes)
    search = _Search(case, given, quantities, balances, lanes, threads, longest)
    if start is not None:
        search.follow([search.warm(start)])
    if thorough:
        search.follow([search.written(), search.gentle()])
        search.follow(search.sampled())
    elif start is None:
        search.follow([search.written()])
    return search.answer(tuple(free), stability)


class _Search:
    """The state of every design during the search for its trim."""

    def __init__(
        self,
        case: Case,
        given: dict[str, Array],
        quantities: list[FreeQuantity],
        hold: tuple[str, ...],
        lanes: int,
        threads: int,
        longest: int,
    ) -> None:
        self._longest = longest
        self._case, self._given, self._quantities = case, given, quantities
        self._hold, self._lanes, self._threads = hold, lanes, threads
        self._least = np.stack([q.least for q in quantities], axis=1)
        self._most = np.stack([q.most for q in quantities], axis=1)
        self._step = np.stack([q.step for q in quantities], axis=1)
        self._evaluate = Evaluate(self._misfit)
        self._x = np.stack([q.start for q in quantities], axis=1)
        self._misfits = np.full((lanes, len(hold)), np.nan)
        self._results: dict[str, Array] = {}
        self._rank = np.full((lanes, 2), np.inf)
        self._evaluations = np.zeros(lanes, dtype=np.int64)

    def _columns(self, x: Array, design: Whole) -> dict[str, Array]:
        out = {key: value[design] for key, value in self._given.items()}
        for index, quantity in enumerate(self._quantities):
            out |= quantity.columns(x[:, index], design)
        return whole_columns(self._case, out)

    def _misfit(self, x: Array, design: Whole) -> tuple[Array, dict[str, Array]]:
        columns = self._columns(x, design)
        results = evaluate(self._case, columns, threads=self._threads, still=False)
        return residuals(self._case, columns, results, self._hold).T, results

    # --- where to begin ---------------------------------------------------------------------

    def written(self) -> Array:
        """The state in the case."""
        return np.stack([q.start for q in self._quantities], axis=1)

    def gentle(self) -> Array:
        """A gentle stroke: small amplitude, low frequency; or another pitch or airspeed."""
        out = self.written()
        for index, quantity in enumerate(self._quantities):
            key = quantity.keys[0]
            factor = 1.0
            if quantity.is_amplitude:
                factor = 0.4
            elif key == "stroke.frequency_hz":
                factor = 0.6
            elif key == "flight.airspeed_m_s":
                factor = 1.3
            elif key == "flight.pitch_deg" and len(self._quantities) == 1:
                factor = 0.0
            out[:, index] *= factor
        return np.clip(out, self._least, self._most)

    def warm(self, start: Mapping[str, ArrayLike]) -> Array:
        """The user's own start."""
        out = self.written()
        for index, quantity in enumerate(self._quantities):
            lead = quantity.keys[0]
            for key in (lead, quantity.name):
                if key in start:
                    value = np.broadcast_to(np.asarray(start[key], dtype=float), (self._lanes,))
                    out[:, index] = np.where(np.isfinite(value), value, out[:, index])
        return np.clip(out, self._least, self._most)

    def sampled(self) -> list[Array]:
        """The best of a fixed set of states within the bounds (Halton 1960), design by design."""
        todo = self._open()
        if not todo.size:
            return []
        from scipy.stats.qmc import Halton  # slow to import, rarely needed

        count = len(self._quantities)
        unit = Halton(count, scramble=False).random(_SAMPLES + 1)[1:]  # the first is all zero
        low = np.maximum(self._least, self.written() - 6.0 * self._step)[todo]
        high = np.minimum(self._most, self.written() + 6.0 * self._step)[todo]
        x = low[:, None] + unit[None] * (high - low)[:, None]
        misfit, results = self._evaluate(
            x.reshape(-1, count), np.repeat(todo, _SAMPLES).astype(np.int64)
        )
        self._evaluations[todo] += _SAMPLES
        size = np.sqrt((misfit**2).sum(axis=1)) + 2.0 * results["check.stalled_fraction"]
        size = np.where(np.isfinite(size), size, np.inf).reshape(todo.size, _SAMPLES)
        order = np.argsort(size, axis=1, kind="stable")
        out = []
        for place in range(_RESCUES):
            starts = self._x.copy()
            starts[todo] = x[np.arange(todo.size), order[:, place]]
            out.append(starts)
        return out

    # --- searching --------------------------------------------------------------------------

    def _open(self) -> Whole:
        """Designs without a plausible answer yet."""
        return np.flatnonzero(self._rank[:, 0] > TrimStatus.TRIMMED)

    def follow(self, starts: list[Array]) -> None:
        """Follow tracks from some starts, for designs that have no plausible answer yet."""
        todo = self._open()
        if not todo.size or not starts:
            return
        design = np.tile(todo, len(starts))
        begin = np.concatenate([start[todo] for start in starts])
        tracks = solve_tracks(
            self._evaluate,
            begin,
            self._least[design],
            self._most[design],
            self._step[design],
            len(self._hold),
            TOLERANCE,
            self._longest,
            design,
        )
        rank = self._ranked(tracks, design)
        for place in range(len(starts)):
            self._keep_better(tracks, rank, design, np.arange(todo.size) + place * todo.size)
        np.add.at(self._evaluations, design, tracks.lanes)

    def _ranked(self, tracks: Tracks, design: Whole) -> Array:
        """Status of each track and, among equals, its power or its misfit."""
        size = np.sqrt((tracks.misfit**2).sum(axis=1))
        status = np.where(tracks.end == End.ROOT, TrimStatus.TRIMMED, TrimStatus.NO_BALANCE)
        power = tracks.results["mean.aero_power_w"]
        rank = np.stack([status, np.where(status == TrimStatus.TRIMMED, power, size)], axis=1)
        rank = rank.astype(np.float64)
        implausible = (status == TrimStatus.TRIMMED) & self._implausible(tracks, design)
        rank[implausible, 0] = TrimStatus.IMPLAUSIBLE
        lost = (tracks.end == End.LOST) | ~np.isfinite(rank[:, 1])
        rank[lost] = [float(TrimStatus.NOT_FINITE), np.inf]
        return rank

    def _implausible(self, tracks: Tracks, design: Whole) -> NDArray[np.bool_]:
        many = Designs(self._case, self._columns(tracks.x, design))
        power, stalled = (
            tracks.results[name] for name in ("mean.aero_power_w", "check.stalled_fraction")
        )
        # Nothing is asked of a glide or a dive, in which the air drives the wing.
        most = MOST_POWER * many.unpadded(ideal_power(many))
        implausible = (stalled > MOST_STALLED) | (power > most)
        for index, quantity in enumerate(self._quantities):
            if quantity.is_amplitude:
                implausible |= tracks.x[:, index] > 0.98 * quantity.most[design]
        return np.asarray(implausible)

    def _keep_better(self, tracks: Tracks, rank: Array, design: Whole, those: Whole) -> None:
        at = design[those]
        # An implausible solution counts only without a plausible one; both beat no solution.
        order = _precedence(rank[those, 0])
        known = _precedence(self._rank[at, 0])
        # The same state reached twice keeps the bits of the first: a millionth is no gain.
        gain = rank[those, 1] < self._rank[at, 1] * (1.0 - 1e-6 * np.sign(self._rank[at, 1]))
        better = (order < known) | ((order == known) & gain)
        better |= ~np.isfinite(self._misfits[at]).all(axis=1)
        taken, into = those[better], at[better]
        self._x[into], self._misfits[into] = tracks.x[taken], tracks.misfit[taken]
        self._rank[into] = rank[taken]
        for name, values in tracks.results.items():
            if name not in self._results:
                self._results[name] = np.full(self._lanes, np.nan)
            self._results[name][into] = values[taken]

    def _complete(self, stability: bool) -> None:
        """All results at the states found; refuse, if asked, those with an unstable twist."""
        every = np.arange(self._lanes)
        columns = self._columns(self._x, every)
        self._results = evaluate(self._case, columns, threads=self._threads)
        self._evaluations += 1
        balanced = np.flatnonzero(self._rank[:, 0] == TrimStatus.TRIMMED)
        sides: tuple[Side, ...] = ("starboard", "port")
        free = any(any(compliant(self._case, side)) for side in sides)
        if not stability or not free or not balanced.size:
            return
        columns = self._columns(self._x[balanced], balanced)
        again = evaluate(self._case, columns, threads=self._threads, stability=True, still=False)
        for name, values in again.items():
            if name.endswith(_GROWTH):
                self._results[name][balanced] = values
        leaves = _growth(again) > 1.0
        self._rank[balanced[leaves], 0] = TrimStatus.UNSTABLE

    def answer(self, free: tuple[str, ...], stability: bool) -> TrimBatch:
        """What was found."""
        self._complete(stability)
        design = np.arange(self._lanes)
        solution: dict[str, Array] = {}
        for index, quantity in enumerate(self._quantities):
            solution |= quantity.columns(self._x[:, index], design)
        return TrimBatch(
            free=free,
            hold=self._hold,
            solution=solution,
            residual={name: self._misfits[:, i] for i, name in enumerate(self._hold)},
            status=self._rank[:, 0].astype(np.int64),
            results=self._results,
            evaluations=self._evaluations,
            calls=self._evaluate.calls + 1,
        )


def _growth(results: Mapping[str, Array]) -> Array:
    """Largest growth of a disturbance of the twist per stroke, of each design."""
    return np.asarray(np.max([x for name, x in results.items() if name.endswith(_GROWTH)], axis=0))


def _precedence(status: Array) -> Array:
    """Order of preference of a status; one that is not known comes last."""
    order = np.array([0.0, 2.0, 1.0, 3.0, 4.0, 5.0])
    unknown = len(TrimStatus)
    return np.asarray(order[np.where(np.isfinite(status), status, unknown).astype(int)])
