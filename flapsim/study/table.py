"""A sweep read back: its axes, its results, the status of every point.

Answers: what does this file hold, and what is a quantity or a key at every point? Data are read
from the file on demand.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from flapsim.faults import StudyError, did_you_mean
from flapsim.study.assembly import KIND, SCHEMA_VERSION
from flapsim.study.chunk import DONE, SERIES, STATUS

Column = NDArray[Any]


@dataclass(frozen=True)
class SweepTable:
    """A result file of a sweep.

    Attributes
    ----------
    title, sampling, seed
        As in the plan.
    axes : dict of str to int
        Lengths of the axes of the results, in order.
    dimensions : dict of str to tuple of str
        Keys that step together along each dimension of the plan.
    results : tuple of str
        Names of the results kept.
    complete : bool
        Whether every chunk is there.
    """

    path: Path
    title: str
    sampling: str
    axes: dict[str, int]
    dimensions: dict[str, tuple[str, ...]]
    results: tuple[str, ...]
    seed: int
    complete: bool

    @property
    def shape(self) -> tuple[int, ...]:
        """Lengths of the axes."""
        return tuple(self.axes.values())

    @property
    def count(self) -> int:
        """Number of points."""
        return int(np.prod(self.shape, dtype=np.int64))

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys that were varied."""
        return tuple(key for keys in self.dimensions.values() for key in keys)

    @property
    def names(self) -> tuple[str, ...]:
        """Keys and results that have one value at every point."""
        return (*self.keys, *(name for name in self.results if not name.startswith(SERIES)))

    def __getitem__(self, name: str) -> Column:
        """Return a result or a key at every point, on the axes of the sweep; see `column`."""
        return self.column(name).reshape(self.shape) if name in self.names else self._raw(name)

    def coordinate(self, key: str) -> Column:
        """Values of a key along its own axis; at every point of a sample."""
        return self._raw(key)

    def column(self, name: str) -> Column:
        """Return a result or a key at every point, shape (points,).

        Raises
        ------
        StudyError
            If the file has no such name; the message has the nearest.
        """
        if name not in self.names:
            hint = did_you_mean(name, self.names, 0.4)
            raise StudyError(f"{self.path}: holds no {name}" + (f"; {hint}" if hint else ""))
        values = self._raw(name)
        if name not in self.keys or self.sampling != "grid":
            return values.ravel()
        axis = next(d for d, keys in self.dimensions.items() if name in keys)
        place = list(self.axes).index(axis)
        spread = values.reshape([-1 if i == place else 1 for i in range(len(self.axes))])
        return np.broadcast_to(spread, self.shape).ravel()

    def numbers(self, name: str) -> NDArray[np.float64]:
        """Return `column` as numbers, shape (points,).

        Raises
        ------
        StudyError
            If the file has no such name, or it holds words.
        """
        values = self.column(name)
        if values.dtype == object:
            raise StudyError(f"{name}: expected numbers, found words")
        return np.asarray(values, dtype=np.float64)

    @property
    def status(self) -> Column:
        """Status of every point: indices into `STATUS`, shape (points,)."""
        return self._raw("status").ravel()

    @property
    def done(self) -> NDArray[np.bool_]:
        """Which points have an answer, shape (points,)."""
        return np.asarray(self.status == DONE)

    def counts(self) -> dict[str, int]:
        """Number of points by status."""
        status = self.status
        return {word: int((status == number).sum()) for number, word in enumerate(STATUS)}

    def reasons(self) -> dict[str, int]:
        """Number of points by reason why they have no answer, the most frequent first."""
        texts = [str(text) for text in self._raw("reason_text")]
        numbers, counts = np.unique(self._raw("reason").ravel(), return_counts=True)
        found = {texts[n]: int(c) for n, c in zip(numbers, counts, strict=True) if n > 0}
        return dict(sorted(found.items(), key=lambda item: -item[1]))

    def _raw(self, name: str) -> Column:
        with h5py.File(self.path, "r") as file:
            if name not in file:
                raise StudyError(f"{self.path}: holds no {name}")
            dataset = file[name]
            text = h5py.check_string_dtype(dataset.dtype) is not None
            values: Column = dataset.asstr()[()] if text else dataset[()]
            return values


def read_sweep(path: str | Path) -> SweepTable:
    """Open the result file of a sweep.

    Raises
    ------
    StudyError
        If there is no such file, or it holds no sweep, or one of another schema.
    """
    path = Path(path)
    if not path.is_file():
        unfinished = path.with_name(f"{path.name}.chunks").is_dir()
        hint = "; its sweep is not finished: run it again to resume" if unfinished else ""
        raise StudyError(f"{path}: no such file{hint}")
    try:
        with h5py.File(path, "r") as file:
            attributes = dict(file.attrs)
            if attributes.get("kind") != KIND:
                raise StudyError(f"{path}: not a result of 'flapsim sweep'")
            if int(attributes["schema_version"]) != SCHEMA_VERSION:
                raise StudyError(f"{path}: written by another version; run the sweep again")
            grid = attributes["sampling"] == "grid"
            dimensions = json.loads(attributes["dimensions"])
            names = list(dimensions) if grid else ["point"]
            axes = {name: int(file[name].size) for name in names}
    except (OSError, KeyError, ValueError) as error:
        raise StudyError(f"{path}: not a complete result of 'flapsim sweep'") from error
    return SweepTable(
        path=path,
        title=str(attributes["title"]),
        sampling=str(attributes["sampling"]),
        axes=axes,
        dimensions={name: tuple(keys) for name, keys in dimensions.items()},
        results=tuple(str(attributes["results"]).split()),
        seed=int(attributes["seed"]),
        complete=bool(attributes["complete"]),
    )
