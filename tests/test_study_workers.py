"""Workers of a sweep: each keeps to one core, and all give the same numbers."""

from __future__ import annotations

import gc
import multiprocessing
import os
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import suppress
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from typing import Any

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from flapsim.faults import StudyError
from flapsim.study.engine import Progress, sweep
from flapsim.study.workers import Workers
from tests.conftest import LIBRARIES
from tests.crash_sweep import differing, write_plan

PROJECT = Path(__file__).parents[1]


def numpy_threads() -> list[int]:
    """Most threads that the linear algebra of numpy may use."""
    return [x["num_threads"] for x in threadpool_info() if "numpy" in x["filepath"]]


@pytest.fixture(autouse=True)
def _unlimited(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Lift the limit that tests/conftest.py sets, so that the limit of a sweep is seen."""
    for library in LIBRARIES:
        monkeypatch.delenv(f"{library}_NUM_THREADS", raising=False)
    with threadpool_limits(2):
        yield


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A plan and its result."""
    folder = tmp_path_factory.mktemp("whole")
    plan = write_plan(folder, 512, 32)
    sweep(plan, folder / "whole.h5", workers=1)
    return plan, folder / "whole.h5"


class GivenPool(Executor):
    """A given pool of one process, which stays open after the sweep."""

    def __init__(self) -> None:
        self._pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))

    def submit(self, work: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        return self._pool.submit(work, *args, **more)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._pool.shutdown(wait, cancel_futures=cancel_futures)


def test_threads_keep_to_one_core_each_while_a_sweep_runs(
    whole: tuple[Path, Path], tmp_path: Path
) -> None:
    if not (before := numpy_threads()):
        pytest.skip("the threads of this linear algebra library cannot be counted")
    seen: set[int] = set()

    def look(progress: Progress) -> None:
        seen.update(numpy_threads())

    sweep(whole[0], tmp_path / "r.h5", workers=2, on_progress=look)
    assert seen == {1}
    assert numpy_threads() == before


def test_processes_keep_to_one_core_each() -> None:
    workers = Workers(1, "processes", None)
    try:
        assert set(workers._made().submit(numpy_threads).result()) <= {1}
    finally:
        workers.close()


def test_any_executor_gives_the_same_bits_on_one_core_per_worker(
    whole: tuple[Path, Path], tmp_path: Path
) -> None:
    with GivenPool() as executor:
        sweep(whole[0], tmp_path / "r.h5", executor=executor, workers=1, chunk=64)
        assert set(executor.submit(numpy_threads).result()) <= {1}
    assert differing(whole[1], tmp_path / "r.h5") == []


def test_mpi_ranks_give_the_same_bits(whole: tuple[Path, Path], tmp_path: Path) -> None:
    pytest.importorskip("mpi4py")
    launcher = shutil.which("mpiexec", path=str(Path(sys.executable).parent)) or shutil.which(
        "mpiexec"
    )
    if launcher is None:
        pytest.skip("no mpiexec")
    script = tmp_path / "ranks.py"
    script.write_text(
        "from mpi4py.futures import MPIPoolExecutor\nimport flapsim\n"
        'if __name__ == "__main__":\n    with MPIPoolExecutor() as ranks:\n'
        f"        flapsim.sweep({str(whole[0])!r}, store={str(tmp_path / 'r.h5')!r},\n"
        "                      executor=ranks, workers=2, chunk=64)\n"
    )
    run = subprocess.run(
        [launcher, "-n", "3", sys.executable, "-m", "mpi4py.futures", str(script)],
        env=os.environ | {"PYTHONPATH": str(PROJECT)}, cwd=tmp_path, capture_output=True,
        text=True, timeout=240, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr[-3000:]
    assert differing(whole[1], tmp_path / "r.h5") == []


class Failing(Executor):
    """An executor whose second task comes back as an error."""

    def __init__(self) -> None:
        self._tasks = 0

    def submit(self, work: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        self._tasks += 1
        future: Future[Any] = Future()
        if self._tasks == 2:
            future.set_exception(MemoryError("no room\nfor details"))
        else:
            future.set_result(work(*args, **more))
        return future


def test_a_failing_worker_ends_the_sweep_with_a_message_and_keeps_the_rest(
    whole: tuple[Path, Path], tmp_path: Path
) -> None:
    with pytest.raises(
        StudyError, match=r"failed at points 64 to 127 \(no room\).*the same command"
    ):
        sweep(whole[0], tmp_path / "r.h5", executor=Failing(), workers=1, chunk=64)
    sweep(whole[0], tmp_path / "r.h5")
    assert differing(whole[1], tmp_path / "r.h5") == []


class Dying(Executor):
    """An executor whose workers are gone."""

    def submit(self, *_: Any, **__: Any) -> Future[Any]:
        from concurrent.futures.process import BrokenProcessPool

        raise BrokenProcessPool("A process in the process pool was terminated abruptly")


def test_workers_that_keep_dying_end_the_sweep_with_a_message(
    whole: tuple[Path, Path], tmp_path: Path
) -> None:
    with pytest.raises(StudyError, match="workers died"):
        sweep(whole[0], tmp_path / "r.h5", executor=Dying())


def half_an_answer() -> None:
    """Die like a worker that is killed while it sends its answer."""
    writer = next(each for each in gc.get_objects() if isinstance(each, SimpleQueue))._writer  # type: ignore[attr-defined]
    os.write(writer.fileno(), struct.pack("!i", 1000) + b"the beginning")
    os.kill(os.getpid(), signal.SIGKILL)


def wait_and_unstick(pool: Workers, answer: Future[None]) -> None:
    """Wait as a sweep does: on a busy machine the worker takes its time to start, and to die."""
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline:
        with suppress(TimeoutError):
            answer.result(timeout=2.0)
        pool.unstick()


def test_a_worker_that_dies_in_the_middle_of_its_answer_breaks_the_pool() -> None:
    pool = Workers(2, "processes", None)
    own = pool._own = pool._made()
    answer = own.submit(half_an_answer)
    with pytest.raises(BrokenExecutor):
        wait_and_unstick(pool, answer)
    pool.close()


def test_a_pool_that_broke_while_it_was_handed_a_task_is_reported() -> None:
    pool = Workers(1, "processes", None)
    own = pool._own = pool._made()
    with pytest.raises(BrokenExecutor):
        own.submit(os.kill, own.submit(os.getpid).result(), signal.SIGKILL).result()
    with pytest.raises(BrokenExecutor):
        pool.unstick()
    pool.close()


def test_a_slow_pool_is_not_broken() -> None:
    pool = Workers(1, "processes", None)
    own = pool._own = pool._made()
    answer = own.submit(os.getpid)
    pool.unstick()
    assert answer.result(timeout=60.0) > 0
    pool.close()
