"""The engine of a sweep: chunks go out to workers, answers go into the store until all are there.

Answers: which workers solve which chunks, what happens when one dies, and what is reported?
Workers are any `concurrent.futures.Executor`: threads or processes of this machine, a Dask cluster
(``distributed.Client.get_executor()``), MPI ranks (``mpi4py.futures.MPIPoolExecutor``). The numbers
do not depend on the choice.

>>> import flapsim
>>> table = flapsim.sweep("cases/twist_map.toml", store="twist_map.h5")  # doctest: +SKIP

On a cluster with MPI, in a script started by ``mpiexec -n 64 python -m mpi4py.futures SCRIPT``; a
rank that dies ends the whole job, and the same command resumes from the finished chunks:

>>> from mpi4py.futures import MPIPoolExecutor  # doctest: +SKIP
>>> if __name__ == "__main__":  # doctest: +SKIP
...     with MPIPoolExecutor() as ranks:
...         flapsim.sweep("plan.toml", store="plan.h5", executor=ranks, workers=63)
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from flapsim.faults import StudyError
from flapsim.study.assembly import assemble, check_target, holds_complete_result
from flapsim.study.chunk import NO_ANSWER, Answer
from flapsim.study.identity import facts_of
from flapsim.study.prepare import Prepared, prepare
from flapsim.study.reading import Study, read_study
from flapsim.study.store import ChunkStore, Identity
from flapsim.study.table import SweepTable, read_sweep
from flapsim.study.workers import Workers, one_core_each

_CHECK_AFTER_S: Final = 5.0
"""Check for dead workers after this long without an answer."""


@dataclass(frozen=True)
class Progress:
    """How far a sweep has come.

    Points solved or refused so far (`done`) of `total`; those of them that an earlier run left
    (`resumed`); points without an answer or failed in this run (`refused`); `seconds` since the
    first chunk went out.
    """

    done: int
    total: int
    resumed: int
    refused: int
    seconds: float


class Interrupted(KeyboardInterrupt):
    """A sweep was stopped, its finished chunks kept; the message says how to resume."""


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
    """Compute every point of a plan, or resume an interrupted sweep.

    Parameters
    ----------
    plan : str, Path or Study
        Plan file.
    store : str or Path
        Result file to make. While the sweep runs, its finished chunks are kept in the folder
        ``STORE.chunks`` beside it; a sweep that died resumes from there.
    workers : int, optional
        Threads or processes; as many as there are cores if left out.
    backend : {"threads", "processes"}
        Kind of workers on this machine. A script that uses processes begins with
        ``if __name__ == "__main__":``, since each of them reads it.
    executor : Executor, optional
        Other workers, such as those of a cluster, `workers` of them; it stays open.
    chunk : int, optional
        Points per chunk, rounded up to whole tiles of 16; by the cost of a point if left out.
    overwrite : bool
        Whether to start again where the result, or chunks of another sweep, already exist.
    on_progress : callable, optional
        Called with a `Progress` after every chunk.

    Returns
    -------
    SweepTable
        Its `status` marks points that failed or have no answer.

    Raises
    ------
    CaseError
        If the plan, its case or a key of `keep` is at fault.
    StudyError
        If the result cannot be written, or belongs to another plan, case or version.
    Interrupted
        On Ctrl-C, with the finished chunks kept: in the result file, where the other points are
        pending, and in the folder from which the next run resumes.
    """
    target = Path(store)
    check_target(target)
    prepared = prepare(plan if isinstance(plan, Study) else read_study(plan))
    workers = workers or os.cpu_count() or 1
    facts = facts_of(prepared.study, prepared.names)
    size = prepared.chunk_size(workers, chunk)
    identity = Identity(facts, prepared.names, prepared.points.count, size)
    if not overwrite and holds_complete_result(target, facts):
        ChunkStore.tidy(target, identity)
        return read_sweep(target)
    chunks = ChunkStore.open(target, identity, anew=overwrite)
    pool = Workers(workers, backend, executor)
    try:
        with one_core_each():
            _compute(prepared, chunks, pool, on_progress)
        assemble(prepared.study, prepared.points, chunks)
        chunks.discard()
    except KeyboardInterrupt as error:
        if chunks.finished:
            assemble(prepared.study, prepared.points, chunks)
        raise Interrupted(_how_to_resume(chunks)) from error
    finally:
        chunks.close()
    return read_sweep(target)


def _compute(
    prepared: Prepared,
    store: ChunkStore,
    pool: Workers,
    on_progress: Callable[[Progress], None] | None,
) -> None:
    """Hand out the missing chunks, a few more than there are workers, and keep the answers."""
    missing, again = store.missing(), list[int]()
    in_flight: dict[Future[Answer], int] = {}
    begun, refused, resumed = time.perf_counter(), 0, store.points

    def report() -> None:
        if on_progress is not None:
            seconds = time.perf_counter() - begun
            on_progress(Progress(store.points, store.identity.count, resumed, refused, seconds))

    def replace_workers(error: BrokenExecutor) -> None:
        again.extend(in_flight.values())
        in_flight.clear()
        pool.replace(error)

    try:
        report()
        while True:
            while len(in_flight) < 2 * pool.count + 1:
                number = again.pop() if again else next(missing, None)
                if number is None:
                    break
                try:
                    in_flight[pool.submit(prepared.task(number, *store.span(number)))] = number
                except BrokenExecutor as error:
                    again.append(number)
                    replace_workers(error)
            if not in_flight:
                break
            done = wait(in_flight, timeout=_CHECK_AFTER_S, return_when=FIRST_COMPLETED).done
            if not done:
                try:
                    pool.unstick()
                except BrokenExecutor as error:
                    replace_workers(error)
            for future in done:
                try:
                    answer = future.result()
                except BrokenExecutor as error:
                    replace_workers(error)
                    break
                except Exception as error:
                    raise StudyError(_worker_failed(in_flight[future], store, error)) from error
                del in_flight[future]
                store.write(answer)
                refused += int((answer.status >= NO_ANSWER).sum())
                report()
    except KeyboardInterrupt:
        _save_running(in_flight, store)
        raise
    finally:
        for future in in_flight:
            future.cancel()
        pool.close()


def _save_running(in_flight: dict[Future[Answer], int], store: ChunkStore) -> None:
    """Keep the chunks being solved at this moment; drop those that wait."""
    running = [future for future in in_flight if not future.cancel()]
    for future in wait(running, timeout=10.0).done:
        if future.exception() is None and in_flight[future] not in store.finished:
            store.write(future.result())


def _worker_failed(number: int, store: ChunkStore, error: Exception) -> str:
    first, last = store.span(number)
    what = str(error).partition("\n")[0] or type(error).__name__
    return (
        f"a worker failed at points {first:,} to {last - 1:,} ({what}); {len(store.finished):,}"
        f" finished chunks are kept in {store.folder.name}: run the same command again to resume"
    )


def _how_to_resume(store: ChunkStore) -> str:
    if not store.points:
        return "interrupted before the first chunk was finished"
    return (
        f"interrupted: {store.points:,} of {store.identity.count:,} points are kept, in"
        f" {store.target.name} with the others pending; run the same command again to resume"
    )
