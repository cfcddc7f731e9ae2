"""The result file of a sweep: chunks become one HDF5 file that is also valid netCDF-4.

Answers: may the result be written there, is it there already, and how do the results of a million
points get onto the axes of their plan, with names and units that other tools understand, without
ever being in memory at once?
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
from numpy.typing import NDArray

from flapsim.case.text import plain_value
from flapsim.cycle.files import describe
from flapsim.faults import StudyError
from flapsim.quantities import quantity_of
from flapsim.study.chunk import PENDING, SERIES, STATUS, Answer
from flapsim.study.reading import Study
from flapsim.study.sampling import Points, boxes
from flapsim.study.store import ChunkStore, differences, refusal, sync_folder
from flapsim.version import installed_version

SCHEMA_VERSION: Final = 1
KIND: Final = "sweep"

MOST_REASONS: Final = 1000
_MORE_REASONS = "another reason; run this point as a case of its own to see it"
_SPAN = 2**15
_NUMBERS = 2**21
"""Points, and numbers, written at a time: few enough for memory, enough to write quickly."""


def check_target(target: Path) -> None:
    """Refuse, before anything is computed, a result file that cannot be written.

    Raises
    ------
    StudyError
    """
    if target.is_dir():
        raise StudyError(f"{target}: expected a file name, found a folder")
    if not target.parent.is_dir():
        raise StudyError(f"{target}: there is no folder {target.parent}")
    if not os.access(target.parent, os.W_OK):
        raise StudyError(f"{target}: no permission to write in {target.parent.resolve()}")


def holds_complete_result(target: Path, facts: dict[str, Any]) -> bool:
    """Whether the complete result of a sweep is there already.

    Raises
    ------
    StudyError
        If the file is something else, or the result of another sweep.
    """
    if not target.exists():
        return False
    try:
        with h5py.File(target, "r") as file:
            if file.attrs.get("kind") != KIND:
                raise ValueError
            known = json.loads(file.attrs["facts"])
            complete = bool(file.attrs["complete"])
    except (OSError, KeyError, ValueError) as error:
        sentence = "exists and is not the result of a sweep; choose another -o"
        raise StudyError(f"{target}: {sentence}") from error
    lines = differences(known, facts)
    if lines:
        raise StudyError(refusal(target, "holds", lines))
    return complete


def assemble(study: Study, points: Points, store: ChunkStore) -> None:
    """Make the result file of the chunks that are there, complete or not; the chunks stay.

    It replaces an older file in one step.

    Raises
    ------
    StudyError
        If the file cannot be written.
    """
    aside = store.folder / "assembled.part"
    try:
        with h5py.File(aside, "w", track_order=True) as file:
            _fill(file, study, points, store)
        with open(aside, "rb+") as done:
            os.fsync(done.fileno())
        aside.replace(store.target)
        sync_folder(store.target.parent)
    except (OSError, RuntimeError) as error:  # h5py raises either on a full disk
        with suppress(OSError):
            aside.unlink(missing_ok=True)
        why = getattr(error, "strerror", None) or str(error).partition("\n")[0]
        raise StudyError(
            f"{store.target}: cannot be written ({why}); all {len(store.finished)} finished chunks"
            f" are kept in {store.folder.name}: make room and run the same command again"
        ) from error


def _fill(file: h5py.File, study: Study, points: Points, store: ChunkStore) -> None:
    names = store.identity.names
    scalars = [name for name in names if not name.startswith(SERIES)]
    series = [name for name in names if name.startswith(SERIES)]
    file.attrs.update(_attributes(study, points, store))
    _write_axes(file, points)
    # Where every point is written, no fill values are needed.
    fill = "never" if _complete(store) else "ifset"
    variables = [_variable(file, name, points, np.float64, np.nan, fill) for name in scalars]
    status = _variable(file, "status", points, np.int8, PENDING, fill)
    status.attrs["flag_values"] = np.arange(len(STATUS), dtype=np.int8)
    status.attrs["flag_meanings"] = " ".join(STATUS)
    status.attrs["long_name"] = "status of each point"
    reason = _variable(file, "reason", points, np.int32, 0)
    reason.attrs["long_name"] = "index of the reason in reason_text, 0 for none"
    stroke = _stroke_axis(file, study, points, series, fill)
    known: dict[str, int] = {"": 0}
    each = len(scalars) + len(series) * study.case.model.steps
    for span in _spans(store, min(_SPAN, _NUMBERS // each)):
        first, last = span[0].start, span[-1].start + span[-1].status.size
        values = np.concatenate([answer.values for answer in span], axis=1)
        for variable, row in zip(variables, values, strict=True):
            _put(variable, row, first, last, points.shape)
        _put(status, np.concatenate([a.status for a in span]), first, last, points.shape)
        if any(answer.reasons for answer in span):
            numbers = np.concatenate([_renumbered(answer, known) for answer in span])
            _put(reason, numbers, first, last, points.shape)
        for index, variable in enumerate(stroke):
            rows = np.concatenate([answer.series[index] for answer in span])
            _put(variable, rows, first, last, points.shape)
    text = np.array(list(known), dtype=object)
    file.create_dataset("reason_number", data=np.arange(len(known))).make_scale("reason_number")
    texts = file.create_dataset("reason_text", data=text, dtype=h5py.string_dtype())
    texts.dims[0].attach_scale(file["reason_number"])
    if points.sampling != "grid":
        _write_sample(file, points)


def _attributes(study: Study, points: Points, store: ChunkStore) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "flapsim_version": installed_version(),
        "kind": KIND,
        "title": study.title,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "plan_name": study.name,
        "plan_text": study.text,
        "case_name": study.case.name,
        "case_text": study.case.text,
        "sampling": points.sampling,
        "seed": points.seed,
        "results": " ".join(store.identity.names),
        "dimensions": json.dumps({d.name: list(d.values) for d in points.dimensions}),
        "facts": json.dumps(store.identity.facts, ensure_ascii=False, default=str),
        "complete": _complete(store),
    }


def _complete(store: ChunkStore) -> bool:
    return len(store.finished) == store.identity.chunks


def _write_axes(file: h5py.File, points: Points) -> None:
    """Write the coordinates of the axes, and the keys that step along each."""
    if points.sampling != "grid":
        file.create_dataset("point", data=np.arange(points.count)).make_scale("point")
        return
    for dimension in points.dimensions:
        name = dimension.name
        if tuple(dimension.values) == (name,):
            _described(file, name, dimension.values[name]).make_scale(name)
            continue
        file.create_dataset(name, data=np.arange(dimension.size)).make_scale(name)
        for key, values in dimension.values.items():
            _described(file, key, values).dims[0].attach_scale(file[name])


def _described(file: h5py.File, key: str, values: NDArray[Any]) -> h5py.Dataset:
    """Write the values of a key."""
    dataset = _key_dataset(file, key, values, len(values))
    dataset[:] = _stored(values)
    return dataset


def _key_dataset(file: h5py.File, key: str, values: NDArray[Any], size: int) -> h5py.Dataset:
    """Create the dataset of a key that holds such values, with its unit if they are numbers."""
    number = values.dtype == np.float64
    dataset = file.create_dataset(key, (size,), np.float64 if number else h5py.string_dtype())
    if number:
        dataset.attrs["units"] = quantity_of(key).unit
    dataset.attrs["long_name"] = key
    return dataset


def _stored(values: NDArray[Any]) -> Any:
    """Return numbers as they are, anything else as text."""
    return values if values.dtype == np.float64 else [as_word(value) for value in values]


def as_word(value: Any) -> str:
    """Return a word as it is, any other value as JSON."""
    plain = plain_value(value)
    return plain if isinstance(plain, str) else json.dumps(plain)


def _variable(
    file: h5py.File,
    name: str,
    points: Points,
    kind: Any,
    empty: float,
    fill: str = "ifset",
    tail: tuple[int, ...] = (),
) -> h5py.Dataset:
    """Create the dataset of one result at every point."""
    shape = (*points.shape, *tail)
    variable = file.create_dataset(name, shape, kind, fillvalue=empty, fill_time=fill)
    if kind is np.float64:
        describe(variable, quantity_of(name))
    axes = (*points.names, *(("phase",) if tail else ()))
    for index, axis in enumerate(axes):
        variable.dims[index].attach_scale(file[axis])
    return variable


def _stroke_axis(
    file: h5py.File, study: Study, points: Points, series: list[str], fill: str
) -> list[h5py.Dataset]:
    """Create the datasets of series, if any are kept."""
    if not series:
        return []
    steps = study.case.model.steps
    phase = file.create_dataset("phase", data=2.0 * math.pi * np.arange(steps) / steps)
    describe(phase, quantity_of("phase"))
    phase.make_scale("phase")
    return [_variable(file, name, points, np.float64, np.nan, fill, (steps,)) for name in series]


def _spans(store: ChunkStore, most: int) -> Iterable[list[Answer]]:
    """Finished chunks in order, in runs without gaps of about `most` points."""
    span: list[Answer] = []
    for number in sorted(store.finished):
        answer = store.read(number)
        follows = span and span[-1].number + 1 == number
        if span and (not follows or len(span) * store.identity.chunk >= most):
            yield span
            span = []
        span.append(answer)
    if span:
        yield span


def _put(
    variable: h5py.Dataset, values: NDArray[Any], first: int, last: int, shape: tuple[int, ...]
) -> None:
    """Write a run of points onto the axes."""
    done = 0
    tail = variable.shape[len(shape) :]
    for box, size in boxes(first, last, shape):
        lengths = tuple(part.stop - part.start for part in box)
        variable[box] = values[done : done + size].reshape(*lengths, *tail)
        done += size


def _renumbered(answer: Answer, known: dict[str, int]) -> NDArray[np.int32]:
    """Reasons of a chunk, numbered as in the result file."""
    numbers = [0]
    for text in answer.reasons:
        if text not in known and len(known) >= MOST_REASONS:
            text = _MORE_REASONS
        numbers.append(known.setdefault(text, len(known)))
    return np.array(numbers, dtype=np.int32)[answer.reason]


def _write_sample(file: h5py.File, points: Points) -> None:
    """Write the values of the varied keys at every sampled point."""
    datasets: dict[str, h5py.Dataset] = {}
    for start in range(0, points.count, _SPAN):
        stop = min(start + _SPAN, points.count)
        for key, values in points.columns(start, stop).items():
            if key not in datasets:
                datasets[key] = _key_dataset(file, key, values, points.count)
                datasets[key].dims[0].attach_scale(file["point"])
            datasets[key][start:stop] = _stored(values)
