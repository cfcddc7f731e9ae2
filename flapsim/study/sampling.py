"""The points of a plan: grids, Latin hypercubes, Sobol sequences, a few at a time.

Answers: how many points does a plan have, on which dimensions, and what do the varied keys hold at
points `start` to `stop`? A point never depends on which others are computed with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import is_column_key
from flapsim.faults import CaseError, Fault
from flapsim.study.plan import MOST_POINTS, Axis
from flapsim.study.reading import Study
from flapsim.study.sequences import CrossedSobol, LatinHypercube, Sample, Sobol

Array = NDArray[np.float64]
Column = NDArray[Any]

_SEQUENCES: dict[str, Callable[[int, int, int], Sample]] = {
    "latin-hypercube": LatinHypercube,
    "sobol": Sobol,
    "saltelli": CrossedSobol,
}

_MOST_CORNERS = 256
_MOST_TRIED = 8


@dataclass(frozen=True)
class Dimension:
    """One direction of a study: one key, or several that step together, under the name of a label.

    `values` by key path are numbers where all are numbers, else objects; of a range without count
    only the two ends. `spacing` is "linear" or "logarithmic" for such ranges, otherwise "listed".
    """

    name: str
    values: dict[str, Column]
    spacing: dict[str, str]

    @property
    def size(self) -> int:
        """Number of values."""
        return len(next(iter(self.values.values())))

    @property
    def shared(self) -> bool:
        """Whether every key holds a number that may differ from point to point in a batch."""
        return all(
            is_column_key(key) and values.dtype == np.float64 for key, values in self.values.items()
        )

    def along(self, unit: Array) -> dict[str, Column]:
        """Values at fractions 0 <= u < 1 of the dimension."""
        out = {}
        for key, values in self.values.items():
            kind = self.spacing[key]
            if kind == "listed":
                place = (unit * len(values)).astype(np.int64)
                out[key] = values[np.minimum(place, len(values) - 1)]
            elif kind == "linear":
                out[key] = values[0] + unit * (values[1] - values[0])
            else:
                out[key] = values[0] * (values[1] / values[0]) ** unit
        return out

    def tried(self) -> list[int]:
        """Indices of values to try: the ends of numbers, a few of anything else."""
        if len(self.values) == 1 and self.shared:
            numbers = next(iter(self.values.values()))
            return sorted({int(np.argmin(numbers)), int(np.argmax(numbers))})
        places = np.unique(np.linspace(0, self.size - 1, min(self.size, _MOST_TRIED)).astype(int))
        return list(map(int, places))


@dataclass(frozen=True)
class Points:
    """All points of a study, computed on demand; `sampling`, `samples` and `seed` as in the plan.

    The dimensions of a grid are in the order of the result; those that hold more than numbers come
    first, so that neighbouring points can be solved together.
    """

    dimensions: tuple[Dimension, ...]
    sampling: str
    samples: int = 0
    seed: int = 0

    @property
    def shape(self) -> tuple[int, ...]:
        """Lengths of the axes on which results are kept."""
        if self.sampling == "grid":
            return tuple(dimension.size for dimension in self.dimensions)
        return (self._sequence.samples,)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of those axes."""
        if self.sampling == "grid":
            return tuple(dimension.name for dimension in self.dimensions)
        return ("point",)

    @property
    def keys(self) -> tuple[str, ...]:
        """Every key that is varied."""
        return tuple(key for dimension in self.dimensions for key in dimension.values)

    @property
    def count(self) -> int:
        """Number of points."""
        return math.prod(self.shape)

    def columns(self, start: int, stop: int) -> dict[str, Column]:
        """Values of the varied keys at points `start` to `stop`, shape (stop - start,).

        Numbers as float64, anything else as objects.
        """
        out: dict[str, Column] = {}
        if self.sampling == "grid":
            places = np.unravel_index(np.arange(start, stop), self.shape)
            for dimension, place in zip(self.dimensions, places, strict=True):
                out |= {key: values[place] for key, values in dimension.values.items()}
            return out
        unit = self._sequence.rows(start, stop)
        for index, dimension in enumerate(self.dimensions):
            out |= dimension.along(unit[:, index])
        return out

    @property
    def corners_left_out(self) -> bool:
        """Whether there are more corners than `corners` yields."""
        return math.prod(len(d.tried()) for d in self.dimensions) > _MOST_CORNERS

    def corners(self) -> Iterator[dict[str, Any]]:
        """Points at the ends of the dimensions, at most a few hundred."""
        tried = [dimension.tried() for dimension in self.dimensions]
        step = -(-math.prod(map(len, tried)) // _MOST_CORNERS)
        for places in islice(product(*tried), 0, None, step | 1):
            corner: dict[str, Any] = {}
            for dimension, place in zip(self.dimensions, places, strict=True):
                corner |= {key: values[place] for key, values in dimension.values.items()}
            yield corner

    @cached_property
    def _sequence(self) -> Sample:
        """Sample in the unit cube."""
        return _SEQUENCES[self.sampling](len(self.dimensions), self.samples, self.seed)


def points_of(study: Study) -> Points:
    """Points of a study.

    Raises
    ------
    CaseError
        If there are more than `MOST_POINTS`.
    """
    plan = study.plan
    grouped: dict[str, list[Axis]] = {}
    for axis in plan.axis:
        name = axis.together or axis.key or str(axis.file).rpartition("/")[2].partition(".")[0]
        grouped.setdefault(name, []).append(axis)
    dimensions = [_dimension(name, axes, study) for name, axes in grouped.items()]
    if plan.sampling == "grid":
        dimensions.sort(key=lambda dimension: dimension.shared)
    points = Points(tuple(dimensions), plan.sampling, plan.samples or 0, plan.seed)
    if points.count > MOST_POINTS:
        found, most = f"{points.count:.3g} points", f"at most {MOST_POINTS:.0e} points"
        raise CaseError([Fault(study.name, "axis", found, most)])
    return points


def _dimension(name: str, axes: Sequence[Axis], study: Study) -> Dimension:
    values: dict[str, Column] = {}
    spacing: dict[str, str] = {}
    for axis in axes:
        if axis.file is not None:
            for key, column in study.rows[axis.file].columns.items():
                values[key], spacing[key] = _listed(column), "listed"
            continue
        key = str(axis.key)
        if axis.values is not None:
            values[key], spacing[key] = _listed(axis.values), "listed"
            continue
        start, stop = axis.from_, axis.to
        assert start is not None
        assert stop is not None
        if axis.count is None:
            values[key], spacing[key] = np.array([start, stop]), axis.spacing
        else:
            between = np.geomspace if axis.spacing == "logarithmic" else np.linspace
            values[key], spacing[key] = between(start, stop, axis.count), "listed"
    return Dimension(name, values, spacing)


def _listed(values: Sequence[Any]) -> Column:
    """Return numbers as float64, anything else as objects."""
    if all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
        return np.array(values, dtype=np.float64)
    out = np.empty(len(values), dtype=object)
    out[:] = list(values)
    return out


def boxes(start: int, stop: int, shape: Sequence[int]) -> Iterator[tuple[tuple[slice, ...], int]]:
    """Split the points `start` to `stop` of a grid, in C order, into boxes.

    Yields
    ------
    box : tuple of slice
        One slice per axis.
    points : int
        Number of points in it; the boxes follow one another in the run.
    """
    inner = math.prod(shape[1:])
    if start >= stop:
        return
    if len(shape) == 1:
        yield (slice(start, stop),), stop - start
        return
    first, last = -(-start // inner), stop // inner
    if first > last:  # within one row
        row = start // inner
        for box, size in boxes(start - row * inner, stop - row * inner, shape[1:]):
            yield (slice(row, row + 1), *box), size
        return
    if start < first * inner:
        for box, size in boxes(start - (first - 1) * inner, inner, shape[1:]):
            yield (slice(first - 1, first), *box), size
    if first < last:
        whole = tuple(slice(0, length) for length in shape[1:])
        yield (slice(first, last), *whole), (last - first) * inner
    for box, size in boxes(0, stop - last * inner, shape[1:]):
        yield (slice(last, last + 1), *box), size
