"""The engine of a sweep: chunks out to workers, answers into the store, until all are there.

Answers: which workers solve which chunks, what happens when one dies, and what is told on the way?
Workers are any `concurrent.futures.Executor`: threads or processes of this machine, a Dask cluster
(``distributed.Client.get_executor()``), MPI ranks (``mpi4py.futures.MPIPoolExecutor``). What the
points come to does not depend on the choice.

>>> import flapsim
>>> table = flapsim.sweep("cases/twist_map.toml", store="twist_map.h5")  # doctest: +SKIP

On a cluster with MPI, in a script that ``mpiexec -n 64 python -m mpi4py.futures SCRIPT`` starts; a
rank that dies takes all down, and the same line goes on from the finished chunks:

>>> from mpi4py.futures import MPIPoolExecutor  # doctest: +SKIP
>>> if __name__ == "__main__":  # doctest: +SKIP
...     with MPIPoolExecutor() as ranks:
...         flapsim.sweep("plan.toml", store="plan.h5", executor=ranks, workers=63)
"""

from __future__ import annotations

import fnmatch
import os
import shutil
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import h5py
import numpy as np

from flapsim.case.rules import show
from flapsim.case.text import plain_value
from flapsim.faults import CaseError, Fault, StudyError, did_you_mean
from flapsim.study.assembly import KIND, assemble, attribute_facts
from flapsim.study.chunk import (
    FAILED,
    GROWTH,
    NO_ANSWER,
    SERIES,
    Answer,
    Task,
    scalar_names,
    series_names,
    solve_chunk,
)
from flapsim.study.identity import facts_of
from flapsim.study.plan import Study, read_study
from flapsim.study.sampling import Points, points_of
from flapsim.study.store import ChunkStore, Identity, differences, refusal
from flapsim.study.table import SweepTable, read_sweep
from flapsim.study.trimming import TILE
from flapsim.study.workers import Workers, one_core_each

__all__ = ["Interrupted", "Preview", "Progress", "preview", "sweep"]

CHUNK_POINTS: Final = (1024, 64, 16, 16)
"""Most points per chunk, a tenth of a second of work or some: of plain points, of those that are
trimmed or whose twist gives way, of those of which both holds, of those with the stability of the
twist."""

_SAMPLE: Final = 64
"""Points at either end of a plan that are timed for its preview."""

# Without an answer for so long, somebody looks whether the workers still live.
_PATIENCE_S: Final = 5.0

_MOST_KINDS: Final = 16
"""Kinds of case that are looked at for the names of their results."""


@dataclass(frozen=True)
class Progress:
    """How far a sweep is.

    Attributes
    ----------
    done, total : int
        Points with a verdict, and all.
    resumed : int
        Those of them that an earlier run left.
    refused : int
        Points without an answer or failed, in this run.
    seconds : float
        Since the first chunk went out.
    """

    done: int
    total: int
    resumed: int
    refused: int
    seconds: float

    @property
    def rate(self) -> float:
        """Points per second in this run."""
        return (self.done - self.resumed) / self.seconds if self.seconds > 0.0 else 0.0

    @property
    def left(self) -> float:
        """Seconds left at this rate; infinite before there is one."""
        return (self.total - self.done) / self.rate if self.rate > 0.0 else float("inf")


class Interrupted(KeyboardInterrupt):
    """A sweep was stopped; what is finished is kept. The message says how to go on."""


@dataclass(frozen=True)
class Preview:
    """What a plan would take.

    Attributes
    ----------
    points, chunks, results : int
        Number of points, of chunks, and of results kept of each point.
    axes : dict of str to int
        Lengths of the axes of the result.
    rate : float
        Points per second of one worker, by a timed sample.
    seconds : float
        Estimated time on `workers`.
    size : int
        Bytes of the result file.
    needed, free : int
        Bytes that the disk must have while chunks become the file, and that it has.
    workers : int
    refused : int
        Points of the sample without an answer or failed.
    sampled : int
        Points of the sample.
    reasons : tuple of str
        Why.
    """

    points: int
    chunks: int
    results: int
    axes: dict[str, int]
    rate: float
    seconds: float
    size: int
    needed: int
    free: int
    workers: int
    refused: int
    sampled: int
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class _Prepared:
    """A study ready to be cut into chunks."""

    study: Study
    points: Points
    names: tuple[str, ...]
    there: tuple[str, ...]
    check_each: bool

    def chunk(self, workers: int, wanted: int | None = None) -> int:
        """Points per chunk, in whole tiles: enough chunks for all workers, none too long."""
        if wanted is None:
            plan = self.study.plan
            twist = any(name.endswith(GROWTH) for name in self.there)
            cost = (plan.trim is not None) + twist + 2 * (twist and plan.stability)
            fair = -(-self.points.count // (4 * workers))
            wanted = min(CHUNK_POINTS[min(cost, 3)], fair)
        return -(-max(wanted, 1) // TILE) * TILE

    def task(self, number: int, chunk: int) -> Task:
        start = number * chunk
        return self.part(number, start, min(start + chunk, self.points.count))

    def part(self, number: int, start: int, stop: int) -> Task:
        columns = self.points.columns(start, stop)
        plan = self.study.plan
        return Task(
            number, start, self.study.case, columns, self.names, plan.trim, self.check_each,
            plan.stability,
        )  # fmt: skip


def sweep(
    plan: str | Path | Study,
    store: str | Path,
    *,
    workers: int | None = None,
    backend: Literal["threads", "processes"] = "threads",
    executor: Executor | None = None,
    chunk: int | None = None,
    overwrite: bool = False,
    on_progress: Callable[[Progress], None] | None = None,
) -> SweepTable:
    """Compute every point of a plan, or go on where an earlier run was stopped.

    Parameters
    ----------
    plan : str, Path or Study
        Plan file.
    store : str or Path
        Result file to make. While the sweep runs its finished chunks lie in the folder
        ``STORE.chunks`` beside it; a sweep that died goes on from there.
    workers : int, optional
        Threads or processes; as many as there are cores if left out.
    backend : {"threads", "processes"}
        Kind of workers on this machine. A script that wants processes begins with
        ``if __name__ == "__main__":``, since each of them reads it.
    executor : Executor, optional
        Other workers, such as those of a cluster; stays open. `workers` says how many they are.
    chunk : int, optional
        Points per chunk, rounded up to whole tiles of 16; by the cost of a point if left out.
    overwrite : bool
        Whether to begin anew where the result, or chunks of another sweep, are there already.
    on_progress : callable, optional
        Called with a `Progress` after every chunk.

    Returns
    -------
    SweepTable
        Points that have no answer or failed say so in its `status`.

    Raises
    ------
    CaseError
        If the plan, its case or a key of `keep` is at fault.
    StudyError
        If the result cannot be written, or belongs to another plan, case or version.
    Interrupted
        On Ctrl-C, with what is finished kept: in the result file, where the other points are
        pending, and in the folder from which the next run goes on.
    """
    target = Path(store)
    _check_target(target)
    prepared = _prepare(plan if isinstance(plan, Study) else read_study(plan))
    workers = workers or os.cpu_count() or 1
    facts = facts_of(prepared.study, prepared.names)
    size = prepared.chunk(workers, chunk)
    identity = Identity(facts, prepared.names, prepared.points.count, size)
    if not overwrite and _complete(target, facts):
        ChunkStore.tidy(target, identity)
        return read_sweep(target)
    chunks = ChunkStore.open(target, identity, anew=overwrite)
    try:
        with one_core_each():
            _compute(prepared, chunks, workers, backend, executor, on_progress)
        assemble(prepared.study, prepared.points, chunks)
        chunks.discard()
    except KeyboardInterrupt as error:
        if chunks.finished:
            assemble(prepared.study, prepared.points, chunks)
        raise Interrupted(_resume_message(chunks)) from error
    finally:
        chunks.close()
    return read_sweep(target)


def preview(plan: str | Path | Study, store: str | Path, workers: int | None = None) -> Preview:
    """Say what a plan would take, from a timed sample; nothing is written.

    Parameters
    ----------
    plan : str, Path or Study
        Plan file.
    store : str or Path
        Where the result would go.
    workers : int, optional
        As for `sweep`.

    Returns
    -------
    Preview

    Raises
    ------
    CaseError
        If the plan, its case or a key of `keep` is at fault.
    StudyError
        If the result could not be written there.
    """
    _check_target(Path(store))
    prepared = _prepare(plan if isinstance(plan, Study) else read_study(plan))
    points, count = prepared.points, prepared.points.count
    workers = workers or os.cpu_count() or 1
    size = min(count, prepared.chunk(workers, None), _SAMPLE)
    solve_chunk(prepared.part(0, 0, min(count, TILE)))  # compiles
    begun = time.perf_counter()
    with one_core_each():
        tried = [solve_chunk(prepared.part(0, start, start + size)) for start in {0, count - size}]
    rate = sum(answer.status.size for answer in tried) / (time.perf_counter() - begun)
    chunks = -(-count // prepared.chunk(workers))
    steps = prepared.study.case.model.steps
    each = 8 * sum(steps if n.startswith(SERIES) else 1 for n in prepared.names) + 5
    each += 0 if points.sampling == "grid" else 8 * (len(points.keys) + 1)
    return Preview(
        points=count,
        chunks=chunks,
        results=len(prepared.names),
        axes=dict(zip(points.names, points.shape, strict=True)),
        rate=rate,
        seconds=count / (rate * min(workers, chunks, os.cpu_count() or 1)),
        size=each * count,
        needed=2 * each * count,
        free=shutil.disk_usage(Path(store).absolute().parent).free,
        workers=workers,
        refused=sum(int((answer.status >= NO_ANSWER).sum()) for answer in tried),
        sampled=sum(answer.status.size for answer in tried),
        reasons=tuple(dict.fromkeys(text for answer in tried for text in answer.reasons)),
    )


# --- before the first chunk ----------------------------------------------------------------------


def _check_target(target: Path) -> None:
    """Refuse, before anything is computed, a result file that could not be written."""
    if target.is_dir():
        raise StudyError(f"{target}: is a folder, a file name expected")
    if not target.parent.is_dir():
        raise StudyError(f"{target}: there is no folder {target.parent}")
    if not os.access(target.parent, os.W_OK):
        raise StudyError(f"{target}: no permission to write in {target.parent.resolve()}")


def _complete(target: Path, facts: dict[str, Any]) -> bool:
    """Whether the result is there already; one of another sweep is not overwritten unasked."""
    if not target.exists():
        return False
    try:
        with h5py.File(target, "r") as file:
            if file.attrs.get("kind") != KIND:
                raise StudyError(f"{target}: exists and is no sweep; choose another -o")
            known = attribute_facts(file.attrs)
            complete = bool(file.attrs["complete"])
    except (OSError, KeyError, ValueError) as error:
        raise StudyError(f"{target}: exists and is no sweep; choose another -o") from error
    lines = differences(known, facts)
    if lines:
        raise StudyError(refusal(target, "holds", lines))
    return complete


def _prepare(study: Study) -> _Prepared:
    """Find out which results there are, which are kept, and whether every point is a case."""
    points = points_of(study)
    first = points.columns(0, 1)
    corners = list(points.corners())
    sound, fault = [], None
    for corner in [{key: values[0] for key, values in first.items()}, *corners]:
        try:
            study.case.replace({key: plain_value(value) for key, value in corner.items()})
            sound.append(corner)
        except CaseError as error:
            fault = fault or error
    if not sound:
        assert fault is not None
        raise CaseError(
            [
                Fault(
                    study.name, "axis", f"no point that is a case ({item})",
                    "axes whose values go together",
                )
                for item in fault.faults
            ]
        )  # fmt: skip
    names, there = _kept(study, points, sound)
    # A point between sound corners is sound: what keys may hold together are sums and bounds.
    listed = any(len(d.values) > 1 and d.size > len(d.tried()) for d in points.dimensions)
    check_each = fault is not None or listed or (points.corners_left_out and _entangled(points))
    return _Prepared(study, points, names, there, check_each)


def _entangled(points: Points) -> bool:
    """Whether two dimensions vary keys of one table of a case, which may forbid them together."""
    tables = [
        table
        for dimension in points.dimensions
        for table in {_table_of(key) for key in dimension.values}
    ]
    return len(set(tables)) < len(tables)


def _table_of(key: str) -> str:
    names = [name for name in key.split(".") if not name.isdigit()]
    return ".".join(names[:-1])


def _kept(
    study: Study, points: Points, sound: list[dict[str, Any]]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the results to keep, and of all that there are."""
    apart = {key for d in points.dimensions if not d.shared for key in d.values}
    kinds: dict[str, dict[str, Any]] = {}
    for corner in sound:
        options = {key: plain_value(value) for key, value in corner.items() if key in apart}
        kinds.setdefault(repr(options), options)
    there: dict[str, None] = {}
    for options in list(kinds.values())[:_MOST_KINDS]:
        there |= dict.fromkeys(scalar_names(study.case, options, study.plan.trim))
    cycles: tuple[str, ...] = ()
    if any(pattern.startswith(SERIES) for pattern in study.plan.keep):
        cycles = series_names(study.case)
    faults, kept = [], []
    for index, pattern in enumerate(study.plan.keep):
        among = cycles if pattern.startswith(SERIES) else tuple(there)
        found = [name for name in among if fnmatch.fnmatchcase(name, pattern)]
        kept += found
        if not found:
            hint = did_you_mean(pattern, [*there, *cycles])
            faults.append(
                Fault(study.name, f"keep.{index}", show(pattern), "the name of a result", hint)
            )
    if any(name.startswith(SERIES) for name in kept) and "model.steps" in points.keys:
        words = "no axis model.steps where cycles are kept"
        faults.append(Fault(study.name, "keep", show(list(study.plan.keep)), words))
    if faults:
        raise CaseError(faults)
    return tuple(dict.fromkeys(kept)), tuple(there)


# --- while it runs -------------------------------------------------------------------------------


def _compute(
    prepared: _Prepared,
    store: ChunkStore,
    workers: int,
    backend: str,
    executor: Executor | None,
    on_progress: Callable[[Progress], None] | None,
) -> None:
    """Hand out the missing chunks, a few more than there are workers, and keep the answers."""
    pool = Workers(workers, backend, executor)
    missing = store.missing()
    flying: dict[Future[Answer], int] = {}
    count = prepared.points.count
    begun, refused = time.perf_counter(), 0
    resumed = _points_in(store)
    again: list[int] = []

    def next_number() -> int | None:
        return again.pop() if again else next(missing, None)

    def tell() -> None:
        if on_progress is not None:
            seconds = time.perf_counter() - begun
            on_progress(Progress(_points_in(store), count, resumed, refused, seconds))

    try:
        tell()
        while True:
            while len(flying) < 2 * workers + 1 and (number := next_number()) is not None:
                try:
                    flying[pool.submit(prepared.task(number, store.identity.chunk))] = number
                except BrokenExecutor as error:
                    again += [number, *flying.values()]
                    flying.clear()
                    pool.replace(error)
            if not flying:
                break
            done = wait(flying, timeout=_PATIENCE_S, return_when=FIRST_COMPLETED).done
            if not done:
                pool.unstick()
            for future in done:
                if future not in flying:
                    continue
                try:
                    answer = future.result()
                except BrokenExecutor as error:
                    again += flying.values()
                    flying.clear()
                    pool.replace(error)
                    break
                except Exception as error:
                    raise StudyError(_worker_failed(flying[future], store, error)) from error
                del flying[future]
                store.write(answer)
                refused += int(np.isin(answer.status, (NO_ANSWER, FAILED)).sum())
                tell()
    except KeyboardInterrupt:
        _save_what_runs(flying, store)
        raise
    finally:
        for future in flying:
            future.cancel()
        pool.close()


def _save_what_runs(flying: dict[Future[Answer], int], store: ChunkStore) -> None:
    """Keep what is being solved at this moment; what waits is dropped."""
    running = [future for future in flying if not future.cancel()]
    for future in wait(running, timeout=10.0).done:
        if future.exception() is None and flying[future] not in store.finished:
            store.write(future.result())


def _points_in(store: ChunkStore) -> int:
    """Number of points in the finished chunks."""
    count, chunk, last = store.identity.count, store.identity.chunk, store.identity.chunks - 1
    lacking = (last + 1) * chunk - count if last in store.finished else 0
    return len(store.finished) * chunk - lacking


def _worker_failed(number: int, store: ChunkStore, error: Exception) -> str:
    first = number * store.identity.chunk
    last = min(first + store.identity.chunk, store.identity.count) - 1
    what = str(error).partition("\n")[0] or type(error).__name__
    return (
        f"a worker failed at points {first:,} to {last:,} ({what}); {len(store.finished):,}"
        f" finished chunks are kept in {store.folder.name}: the same command goes on from there"
    )


def _resume_message(store: ChunkStore) -> str:
    done, count = _points_in(store), store.identity.count
    if not done:
        return "interrupted before the first chunk was finished"
    return (
        f"interrupted: {done:,} of {count:,} points are kept, in {store.target.name} with the"
        " others pending; run the same command again to go on"
    )
