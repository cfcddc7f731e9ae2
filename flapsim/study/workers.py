"""The workers of a sweep: threads, processes, or those of a cluster.

Answers: how is a task handed to a worker, what happens when one dies, and how does one worker keep
to one core?
"""

from __future__ import annotations

import multiprocessing
import os
import platform
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from contextlib import contextmanager, suppress
from functools import cache
from typing import Final

from threadpoolctl import threadpool_limits

from flapsim.faults import StudyError
from flapsim.study.chunk import Answer, Task, solve_chunk

MOST_DEATHS: Final = 5
"""Times that workers may die before the sweep gives up."""


class Workers:
    """Workers of this machine, replaced when one of them dies, or those of a given executor.

    `backend` is "threads" or "processes"; a given executor stays open.
    """

    def __init__(self, count: int, backend: str, executor: Executor | None) -> None:
        self.count = count
        self._backend = backend
        self._given = executor
        self._own: Executor | None = None
        self._deaths = 0

    def submit(self, task: Task) -> Future[Answer]:
        """Hand out a task.

        Raises
        ------
        BrokenExecutor
            If a worker has died.
        """
        if self._given is not None:
            return self._given.submit(_solve_elsewhere, task, _here())
        if self._own is None:
            self._own = self._made()
        return self._own.submit(solve_chunk, task)

    def _made(self) -> Executor:
        if self._backend == "threads":
            return ThreadPoolExecutor(self.count)
        # A forked child would inherit locks held by threads of the parent.
        fresh = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.count, fresh, initializer=_start_worker)

    def replace(self, error: BrokenExecutor) -> None:
        """Go on with fresh workers after one died.

        Raises
        ------
        StudyError
            If they keep dying, or belong to a given executor.
        """
        self._deaths += 1
        if self._given is not None or self._deaths > MOST_DEATHS:
            raise StudyError(
                f"workers died {self._deaths} times ({str(error).partition('.')[0]}), perhaps"
                " short of memory; finished chunks are kept: run the same command again with"
                " fewer workers"
            ) from error
        self.close()

    def unstick(self) -> None:
        """Break a pool that waits for the rest of an answer whose worker died while sending it.

        To be called when no answer has come for a while: a pool with a dead worker that has not
        broken by then never will. Its futures raise `BrokenExecutor`.

        Raises
        ------
        BrokenExecutor
            If the pool has broken already: a task submitted at that very moment is never answered.
        """
        own = self._own
        if not isinstance(own, ProcessPoolExecutor):
            return
        if own._broken:
            raise BrokenExecutor(str(own._broken))
        workers = list((own._processes or {}).values())
        if all(worker.is_alive() for worker in workers):
            return
        for worker in workers:
            worker.kill()
        # The pool waits for the other half of an answer as long as this end of the pipe is open.
        with suppress(OSError):
            own._result_queue._writer.close()  # type: ignore[attr-defined]

    def close(self) -> None:
        """Wait for the chunks being solved, and end the workers of this machine."""
        if self._own is not None:
            with suppress(BrokenExecutor):  # a pool that waits for half an answer never ends
                self.unstick()
            self._own.shutdown(wait=True, cancel_futures=True)
            self._own = None


@contextmanager
def one_core_each() -> Iterator[None]:
    """Keep the linear algebra of this process to the calling thread.

    By default it takes every core, even for matrices of a few rows, and slows the workers down.
    """
    with threadpool_limits(1):
        yield


@cache
def _one_core_for_good() -> None:
    threadpool_limits(1)


def _here() -> tuple[str, int]:
    """Name of this machine and number of this process."""
    return platform.node(), os.getpid()


def _solve_elsewhere(task: Task, home: tuple[str, int]) -> Answer:
    """Solve a chunk in a worker of a given executor: another process, or a thread of this one."""
    if _here() != home:
        _one_core_for_good()
    return solve_chunk(task)


def _start_worker() -> None:
    """Leave Ctrl-C to the process that hands out the chunks, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _one_core_for_good()
    parent = multiprocessing.parent_process()

    def leave_with_parent() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=leave_with_parent, daemon=True).start()
