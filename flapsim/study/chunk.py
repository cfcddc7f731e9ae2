"""One chunk of a sweep: a run of points, solved together by the batch kernel.

Answers: what are the results of these points, which have none, and why? A task and its answer are
plain data, so that any executor can carry them to another thread, process or machine.
The answer of a point does not depend on which others share its chunk.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.case.columns import Cases, Designs, is_column_key
from flapsim.case.text import plain_value
from flapsim.cycle.results import evaluate, half_wings, solve_halves, wing_loads
from flapsim.faults import CaseError
from flapsim.half_wing.pack import pack, sharing_tables
from flapsim.kernel import solve
from flapsim.study.plan import TrimPlan
from flapsim.study.trimming import TILE, refusal, trim_points

Array = NDArray[np.float64]
Column = NDArray[Any]

PENDING, DONE, NO_ANSWER, FAILED = range(4)
STATUS: Final = ("pending", "done", "no-answer", "failed")
"""States of a point; the number in a result file is the place in this list."""

SERIES: Final = "series."
GROWTH: Final = ".floquet_max"

NO_TWIST: Final = "no periodic twist was found: spring, mass and air do not balance over a stroke"
UNSTABLE: Final = "the twist is unstable: a small departure from it grows from stroke to stroke"

_UNPACKABLE: Final = (CaseError, ValueError, TypeError, ArithmeticError)
"""What packing raises where a point cannot be a half wing."""


@dataclass(frozen=True)
class Task:
    """A chunk to be solved."""

    number: int  # Number of the chunk
    start: int  # Its first point
    case: Case  # What all points share
    columns: dict[str, Column]  # (n,): varied keys: numbers, or objects for anything else
    names: tuple[str, ...]  # Results to keep, in order
    trim: TrimPlan | None = None
    check_each: bool = False  # Whether each point is to be checked as a case of its own
    stability: bool = False  # Whether to refuse unstable twists

    @property
    def size(self) -> int:
        """Number of points."""
        return len(next(iter(self.columns.values())))


@dataclass(frozen=True)
class Answer:
    """Results of a chunk."""

    # number, start: as in the task
    number: int
    start: int
    values: Array  # (names, n): scalar results; NaN where there are none
    series: Array  # (series names, n, steps): cycles that were asked for
    status: NDArray[np.int8]  # (n,): places in `STATUS`
    reason: NDArray[np.int32]  # (n,): 0, or the place of a sentence in `reasons`, counted from 1
    reasons: tuple[str, ...]  # Why points failed or have no answer


def solve_chunk(task: Task) -> Answer:
    """Solve a chunk; points at fault or without an answer do not affect the others."""
    work = _Work(task)
    # Points that diverge are reported as such: numpy need not warn as well.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for options, places in _groups(task):
            work.solve_group(options, places)
    return work.answer()


def scalar_names(case: Case, options: Mapping[str, Any], trim: TrimPlan | None) -> tuple[str, ...]:
    """Names of the scalar results of a case with some options changed."""
    names = list(evaluate(case.replace(options) if options else case))
    found = [f"trim.{key.strip()}" for name in trim.free for key in name.split("+")] if trim else []
    return (*names, *found)


def series_names(case: Case) -> tuple[str, ...]:
    """Names of the cycles that can be kept."""
    half = solve(pack(case).batch)
    return tuple(SERIES + name for name in wing_loads(case, half.mean, half.mean))


def _groups(task: Task) -> list[tuple[dict[str, Any], NDArray[np.int64]]]:
    """Points that share everything but numbers, and the changes that they share."""
    apart = {
        key: values
        for key, values in task.columns.items()
        if not is_column_key(key) or values.dtype != np.float64
    }
    if not apart:
        return [({}, np.arange(task.size))]
    found: dict[str, list[int]] = {}
    changes: dict[str, dict[str, Any]] = {}
    for place in range(task.size):
        options = {key: plain_value(values[place]) for key, values in apart.items()}
        label = repr(options)
        found.setdefault(label, []).append(place)
        changes[label] = options
    return [(changes[label], np.array(places)) for label, places in found.items()]


class _Work:
    """The answer of a chunk while it is made."""

    def __init__(self, task: Task) -> None:
        self._task = task
        self._series_names = tuple(name for name in task.names if name.startswith(SERIES))
        self._names = tuple(name for name in task.names if not name.startswith(SERIES))
        size = task.size
        steps = task.case.model.steps if self._series_names else 0
        self._values = np.full((len(self._names), size), np.nan)
        self._series = np.full((len(self._series_names), size, steps), np.nan)
        self._status = np.full(size, DONE, dtype=np.int8)
        self._reason = np.zeros(size, dtype=np.int32)
        self._reasons: list[str] = []

    def answer(self) -> Answer:
        task = self._task
        return Answer(
            task.number, task.start, self._values, self._series,
            self._status, self._reason, tuple(self._reasons),
        )  # fmt: skip

    def _refuse(self, place: int, status: int, reason: str) -> None:
        if reason not in self._reasons:
            self._reasons.append(reason)
        self._status[place] = status
        self._reason[place] = self._reasons.index(reason) + 1

    def solve_group(self, options: dict[str, Any], places: NDArray[np.int64]) -> None:
        """Solve points that share everything but numbers."""
        task = self._task
        columns = {
            key: values[places].astype(np.float64)
            for key, values in task.columns.items()
            if key not in options
        }
        case = task.case
        if task.check_each:
            places, columns = self._sound(case, options, places, columns)
        if not places.size:
            return
        try:
            case = case.replace(options) if options else case
        except CaseError as error:
            for place in places:
                self._refuse(int(place), FAILED, _sentence(error))
            return
        if not columns:
            columns = {"stroke.frequency_hz": np.full(places.size, case.stroke.frequency_hz)}
        solved = self._evaluated if task.trim is None else self._trimmed
        places, columns, results = solved(case, places, columns)
        if not places.size:
            return
        for index, name in enumerate(self._names):
            if name in results:
                self._values[index, places] = results[name]
        if self._series_names:
            self._keep_series(case, places, columns)
        self._judge(places, results)

    def _judge(self, places: NDArray[np.int64], results: Mapping[str, Array]) -> None:
        """Refuse points without a finite answer, and those whose twist is unstable."""
        finite = np.isfinite(results["mean.lift_n"]) & np.isfinite(results["mean.aero_power_w"])
        for place in places[~finite]:
            if "check.twist_residual" in results:
                self._refuse(int(place), NO_ANSWER, NO_TWIST)
            else:
                self._refuse(int(place), FAILED, "the solver has no finite answer here")
        growth = [values for name, values in results.items() if name.endswith(GROWTH)]
        unstable = places[finite & np.any([values > 1.0 for values in growth], axis=0)]
        kept = [index for index, name in enumerate(self._names) if not name.endswith(GROWTH)]
        self._values[np.ix_(kept, unstable)] = np.nan
        self._series[:, unstable] = np.nan
        for place in unstable:
            self._refuse(int(place), NO_ANSWER, UNSTABLE)

    # --- which points are sound -----------------------------------------------------------------

    def _sound(
        self,
        case: Case,
        options: dict[str, Any],
        places: NDArray[np.int64],
        columns: dict[str, Column],
    ) -> tuple[NDArray[np.int64], dict[str, Column]]:
        """Leave out points that are no case."""

        def fault(index: int) -> str:
            point = {key: float(values[index]) for key, values in columns.items()}
            try:
                case.replace(options | point)
            except CaseError as error:
                return _sentence(error)
            return ""

        return self._without(list(map(fault, range(places.size))), places, columns)

    def _packable(
        self, case: Case, places: NDArray[np.int64], columns: dict[str, Column]
    ) -> tuple[NDArray[np.int64], dict[str, Column]]:
        """Leave out points whose schedules cannot be followed, such as a crank that cannot turn."""
        faults = [""] * places.size
        for index in _at_fault(lambda some: _pack(case, columns, some), np.arange(places.size)):
            faults[index] = _why(case, columns, index)
        return self._without(faults, places, columns)

    def _without(
        self, faults: list[str], places: NDArray[np.int64], columns: dict[str, Column]
    ) -> tuple[NDArray[np.int64], dict[str, Column]]:
        for place, fault in zip(places, faults, strict=True):
            if fault:
                self._refuse(int(place), FAILED, fault)
        good = np.array([not fault for fault in faults])
        if good.all():
            return places, columns
        return places[good], {key: values[good] for key, values in columns.items()}

    # --- results, trim and cycles ---------------------------------------------------------------

    def _evaluated(
        self, case: Case, places: NDArray[np.int64], columns: dict[str, Column]
    ) -> tuple[NDArray[np.int64], dict[str, Column], dict[str, Array]]:
        """Evaluate points; those that cannot be packed are left out."""
        stable = self._task.stability
        try:
            return places, columns, evaluate(case, columns, stability=stable)
        except _UNPACKABLE:  # looked for only on failure: packing is costly
            sound, kept = self._packable(case, places, columns)
            if sound.size == places.size:
                raise
        results = evaluate(case, kept, stability=stable) if sound.size else {}
        return sound, kept, results

    def _trimmed(
        self, case: Case, places: NDArray[np.int64], columns: dict[str, Column]
    ) -> tuple[NDArray[np.int64], dict[str, Column], dict[str, Array]]:
        """Trim points; those that cannot be trimmed are left out."""
        trim = self._task.trim
        assert trim is not None
        places, columns = self._packable(case, places, columns)
        if not places.size:
            return places, columns, {}
        answer = trim_points(case, self._task.start + places, columns, trim)
        for index in np.flatnonzero(~answer.trimmed):
            self._refuse(int(places[index]), NO_ANSWER, refusal(answer, int(index)))
        good = answer.trimmed
        results = {name: np.asarray(values)[good] for name, values in answer.results.items()}
        found = {key: np.asarray(values)[good] for key, values in answer.solution.items()}
        results |= {f"trim.{key}": values for key, values in found.items()}
        flown = {key: x[good] for key, x in columns.items()} | found
        if self._task.stability and good.any() and any(n.endswith(GROWTH) for n in results):
            again = evaluate(case, flown, stability=True)
            results |= {name: x for name, x in again.items() if name.endswith(GROWTH)}
        return places[good], flown, results

    def _keep_series(
        self, case: Case, places: NDArray[np.int64], columns: dict[str, Column]
    ) -> None:
        """Solve once more with the stroke step by step, a few designs at a time."""
        designs = Designs(case, columns)
        for together in sharing_tables(designs):
            for begin in range(0, together.size, TILE):
                some = together[begin : begin + TILE]
                self._series[:, places[some]] = self._strokes(designs.pick(some))

    def _strokes(self, designs: Designs) -> Array:
        """Cycles of some designs, shape (series names, designs, steps)."""
        solved = solve_halves(designs, half_wings(designs), series=True)
        moved = [np.moveaxis(solution.series, 1, 0) for solution in solved.solutions]
        loads = wing_loads(designs, moved[0], moved[-1])
        strokes = [loads[name.removeprefix(SERIES)].T for name in self._series_names]
        return np.where(solved.found[:, None], strokes, np.nan)[:, : designs.count]


def _pack(case: Case, columns: Mapping[str, Column], some: NDArray[np.int64]) -> None:
    _pack_halves(Designs(case, {key: values[some] for key, values in columns.items()}))


def _pack_halves(cases: Cases) -> None:
    pack(cases)
    if cases.stroke.port is not None:
        pack(cases, "port")


def _at_fault(attempt: Callable[[NDArray[np.int64]], None], places: NDArray[np.int64]) -> list[int]:
    """Find the places at which an attempt fails, by halving."""
    try:
        attempt(places)
    except _UNPACKABLE:
        if places.size == 1:
            return [int(places[0])]
        half = places.size // 2
        return _at_fault(attempt, places[:half]) + _at_fault(attempt, places[half:])
    return []


def _why(case: Case, columns: Mapping[str, Column], index: int) -> str:
    """What is wrong with one point, read as a case of its own."""
    try:
        alone = case.replace({key: float(values[index]) for key, values in columns.items()})
        _pack_halves(alone)
    except CaseError as error:
        return _sentence(error)
    except _UNPACKABLE as error:
        return str(error).partition("\n")[0] or type(error).__name__
    return "cannot be solved"


def _sentence(error: CaseError) -> str:
    """First fault of a case, without the file: the point has none."""
    fault = error.faults[0]
    return str(fault).removeprefix(f"{fault.file}: ")
