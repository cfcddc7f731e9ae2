"""A study made ready to compute: which results it keeps, how it is cut into chunks.

Answers: which results does a point of this plan have, which of them are kept, must each point be
checked as a case of its own, and which points does a chunk hold?
"""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass
from typing import Any, Final

from flapsim.case.rules import show
from flapsim.case.text import plain_value
from flapsim.faults import CaseError, Fault, Faults, did_you_mean
from flapsim.study.chunk import GROWTH, SERIES, Task, scalar_names, series_names
from flapsim.study.reading import Study
from flapsim.study.sampling import Points, points_of
from flapsim.study.trimming import TILE

CHUNK_POINTS: Final = (1024, 64, 16, 16)
"""Most points per chunk, about a tenth of a second of work: prescribed motion; trim or compliant
twist; trim and compliant twist; stability of a compliant twist."""

_MOST_KINDS: Final = 16
"""Kinds of case that are tried for the names of their results."""


@dataclass(frozen=True)
class Prepared:
    """A study ready to be cut into chunks.

    `names` are the results to keep, `available` all scalar results; `check_each` says whether each
    point is to be checked as a case of its own.
    """

    study: Study
    points: Points
    names: tuple[str, ...]
    available: tuple[str, ...]
    check_each: bool

    def chunk_size(self, workers: int, wanted: int | None = None) -> int:
        """Points per chunk, in whole tiles: enough chunks for all workers, none too long."""
        if wanted is None:
            plan = self.study.plan
            twist = any(name.endswith(GROWTH) for name in self.available)
            cost = (plan.trim is not None) + twist + 2 * (twist and plan.stability)
            fair = -(-self.points.count // (4 * workers))
            wanted = min(CHUNK_POINTS[min(cost, 3)], fair)
        return -(-max(wanted, 1) // TILE) * TILE

    def task(self, number: int, start: int, stop: int) -> Task:
        """Chunk `number`, points `start` to `stop`."""
        columns = self.points.columns(start, min(stop, self.points.count))
        plan = self.study.plan
        return Task(
            number, start, self.study.case, columns, self.names, plan.trim, self.check_each,
            plan.stability,
        )  # fmt: skip


def prepare(study: Study) -> Prepared:
    """Choose the results to keep, and try the plan at its corners.

    Raises
    ------
    CaseError
        If no corner is a valid case, or `keep` names no result.
    """
    points = points_of(study)
    first = {key: values[0] for key, values in points.columns(0, 1).items()}
    valid: list[dict[str, Any]] = []
    error: CaseError | None = None
    for corner in (first, *points.corners()):
        try:
            study.case.replace({key: plain_value(value) for key, value in corner.items()})
            valid.append(corner)
        except CaseError as fault:
            error = error or fault
    if error is not None and not valid:
        sentence = "no combination of these values is a valid case"
        raise CaseError(
            [Fault(study.name, "axis", "", f"{sentence} ({item})") for item in error.faults]
        )
    available = _available(study, points, valid)
    names = _kept(study, points, available)
    # Points between valid corners are valid: keys constrain each other by sums and bounds.
    listed = any(len(d.values) > 1 and d.size > len(d.tried()) for d in points.dimensions)
    check_each = error is not None or listed or (points.corners_left_out and _share_a_table(points))
    return Prepared(study, points, names, available, check_each)


def _share_a_table(points: Points) -> bool:
    """Whether two dimensions vary keys of one table of a case, which may forbid them together."""
    tables = [t for d in points.dimensions for t in set(map(_table_of, d.values))]
    return len(set(tables)) < len(tables)


def _table_of(key: str) -> str:
    names = [name for name in key.split(".") if not name.isdigit()]
    return ".".join(names[:-1])


def _available(study: Study, points: Points, valid: list[dict[str, Any]]) -> tuple[str, ...]:
    """Names of the scalar results of the kinds of case at the valid corners."""
    apart = {key for d in points.dimensions if not d.shared for key in d.values}
    kinds: dict[str, dict[str, Any]] = {}
    for corner in valid:
        options = {key: plain_value(value) for key, value in corner.items() if key in apart}
        kinds.setdefault(repr(options), options)
    names: dict[str, None] = {}
    for options in list(kinds.values())[:_MOST_KINDS]:
        names |= dict.fromkeys(scalar_names(study.case, options, study.plan.trim))
    return tuple(names)


def _kept(study: Study, points: Points, available: tuple[str, ...]) -> tuple[str, ...]:
    """Names of the results that match `keep`."""
    faults = Faults(study.name)
    series: tuple[str, ...] = ()
    if any(pattern.startswith(SERIES) for pattern in study.plan.keep):
        series = series_names(study.case)
    kept: dict[str, None] = {}
    for index, pattern in enumerate(study.plan.keep):
        among = series if pattern.startswith(SERIES) else available
        found = [name for name in among if fnmatch.fnmatchcase(name, pattern)]
        kept |= dict.fromkeys(found)
        if not found:
            hint = did_you_mean(pattern, [*available, *series])
            faults.add(f"keep.{index}", show(pattern), "the name of a result", hint)
    if any(name.startswith(SERIES) for name in kept) and "model.steps" in points.keys:
        faults.say("keep", "cannot keep series while an axis varies model.steps")
    faults.raise_if_any()
    return tuple(kept)
