"""Run time and disk space of a sweep, estimated from a timed sample."""

from __future__ import annotations

import os
import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flapsim.study.assembly import check_target
from flapsim.study.chunk import NO_ANSWER, SERIES, solve_chunk
from flapsim.study.prepare import prepare
from flapsim.study.reading import Study, read_study
from flapsim.study.trimming import TILE
from flapsim.study.workers import one_core_each

_SAMPLE: Final = 64
"""Points at either end of a plan that are timed."""


@dataclass(frozen=True)
class Preview:
    """Estimated run time and disk space of a sweep.

    `axes` are the lengths of the axes of the result, `rate` the points per second of one worker,
    `size` the bytes of the result file, `needed` those needed while the sweep runs, `free` those
    available. Of `sampled` points `refused` have no answer, for these `reasons`.
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


def preview(plan: str | Path | Study, store: str | Path, workers: int | None = None) -> Preview:
    """Estimate run time and disk space from a timed sample; arguments as of `flapsim.sweep`.

    Nothing is written.

    Raises
    ------
    CaseError
        If the plan, its case or a key of `keep` is at fault.
    StudyError
        If the result could not be written there.
    """
    check_target(Path(store))
    prepared = prepare(plan if isinstance(plan, Study) else read_study(plan))
    points, count = prepared.points, prepared.points.count
    cores = os.cpu_count() or 1
    workers = workers or cores
    size = min(count, prepared.chunk_size(workers), _SAMPLE)
    solve_chunk(prepared.task(0, 0, TILE))  # compiles
    begun = time.perf_counter()
    with one_core_each():
        tried = [solve_chunk(prepared.task(0, start, start + size)) for start in {0, count - size}]
    sampled = sum(answer.status.size for answer in tried)
    rate = sampled / (time.perf_counter() - begun)
    chunks = -(-count // prepared.chunk_size(workers))
    steps = prepared.study.case.model.steps
    each = 8 * sum(steps if n.startswith(SERIES) else 1 for n in prepared.names) + 5
    each += 0 if points.sampling == "grid" else 8 * (len(points.keys) + 1)
    return Preview(
        points=count,
        chunks=chunks,
        results=len(prepared.names),
        axes=dict(zip(points.names, points.shape, strict=True)),
        rate=rate,
        seconds=count / (rate * min(workers, chunks, cores)),
        size=each * count,
        needed=2 * each * count,
        free=shutil.disk_usage(Path(store).absolute().parent).free,
        workers=workers,
        refused=sum(int((answer.status >= NO_ANSWER).sum()) for answer in tried),
        sampled=sampled,
        reasons=tuple(dict.fromkeys(text for answer in tried for text in answer.reasons)),
    )
