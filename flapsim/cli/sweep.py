"""Command sweep: compute every point of a plan."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.cli import console
from flapsim.faults import StudyError
from flapsim.show.study_tables import preview_table, sweep_table

if TYPE_CHECKING:
    from tqdm import tqdm

    from flapsim.study.engine import Progress

_LINE_EVERY_S = 10.0
"""Time between lines of progress if standard error is no terminal."""


def add_sweep_command(commands: Any) -> None:
    """Add the command to the command line (argparse subparsers)."""
    sweep = console.add_command(
        commands,
        "sweep",
        _sweep,
        "compute every point of a plan on all cores, or resume an interrupted sweep",
        "flapsim sweep cases/twist_map.toml -o twist_map.h5",
    )
    sweep.add_argument("plan", metavar="PLAN", help="plan file (.toml)")
    console.take_changes(sweep)
    sweep.add_argument(
        "-o", "--output", metavar="FILE", type=Path, help="result file, HDF5 (.h5) [PLAN.h5]"
    )
    sweep.add_argument(
        "--overwrite", action="store_true", help="start again even if a result exists"
    )
    sweep.add_argument(
        "--dry-run", action="store_true", help="estimate run time and disk space, then stop"
    )
    sweep.add_argument("--workers", metavar="N", type=int, help="number of workers [all cores]")
    kind = sweep.add_mutually_exclusive_group()
    kind.add_argument("--threads", action="store_true", help="workers are threads (the default)")
    kind.add_argument("--processes", action="store_true", help="workers are processes")
    kind.add_argument("--dask", metavar="ADDRESS", help="workers of a Dask cluster")
    sweep.add_argument(
        "--chunk",
        metavar="POINTS",
        type=int,
        help="points per chunk, the work of one worker at a time [by the cost of a point]",
    )
    console.take_json(sweep)


def _sweep(options: argparse.Namespace) -> None:
    if options.output is None:
        options.output = Path(f"{Path(options.plan).stem}.h5")
    if options.output.suffix.lower() not in console.RESULT_SUFFIXES:
        ends = " or ".join(console.RESULT_SUFFIXES)
        raise console.Stop(
            console.INPUT_AT_FAULT, f"{options.output}: the name should end in {ends}"
        )
    for name in ("workers", "chunk"):
        value = getattr(options, name)
        if value is not None and value < 1:
            raise console.Stop(
                console.INPUT_AT_FAULT, f"--{name}: expected 1 or more, found {value}"
            )
    from flapsim.study.chunk import GROWTH
    from flapsim.study.engine import Interrupted, sweep
    from flapsim.study.preview import preview
    from flapsim.study.reading import read_study

    study = read_study(options.plan, console.changes_from(options.changes))
    begun = time.monotonic()
    try:
        with console.refusing(StudyError), console.compilation_said(), _sigterm_as_ctrl_c():
            if options.dry_run:
                found = preview(study, options.output, options.workers)
                if options.json:
                    console.print_json(asdict(found))
                else:
                    print(preview_table(found, options.output))
                return
            with _cluster(options) as (executor, workers), _Shown() as shown:
                table = sweep(
                    study,
                    options.output,
                    workers=workers,
                    backend="processes" if options.processes else "threads",
                    executor=executor,
                    chunk=options.chunk,
                    overwrite=options.overwrite,
                    on_progress=shown,
                )
    except Interrupted as error:
        raise console.Stop(console.INTERRUPTED, f"flapsim: {error}") from error
    counts = table.counts()
    if options.json:
        console.print_json(
            {
                "written": str(options.output),
                "title": table.title,
                "axes": table.axes,
                "points": table.count,
                "status": counts,
                "reasons": table.reasons(),
                "results": list(table.results),
                "seconds": time.monotonic() - begun,
            }
        )
    else:
        print(sweep_table(table, computed=shown.called))
    if not counts["done"]:
        message = f"{options.output}: no point of the plan has an answer"
        raise console.Stop(console.NO_SUCH_ANSWER, message)
    if any(name.endswith(GROWTH) for name in table.results) and not study.plan.stability:
        console.say("stability of the twist was not checked; set stability = true in the plan")


@contextlib.contextmanager
def _sigterm_as_ctrl_c() -> Iterator[None]:
    """Treat SIGTERM, by which cluster schedulers end a job, like Ctrl-C."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _cluster(options: argparse.Namespace) -> Iterator[tuple[Any, int | None]]:
    """Executor of a Dask cluster, if one is given, and the number of workers."""
    if options.dask is None:
        yield None, options.workers
        return
    try:
        import distributed
    except ImportError as error:
        message = "--dask: needs the library distributed: pip install 'flapsim[dask]'"
        raise console.Stop(console.INPUT_AT_FAULT, message) from error
    connect: Any = distributed.Client
    try:
        client = connect(options.dask, timeout=20)
    except (OSError, ValueError) as error:
        message = f"--dask: no scheduler answers at {options.dask} ({error})"
        raise console.Stop(console.INPUT_AT_FAULT, message) from error
    with client:
        yield client.get_executor(), options.workers or sum(client.ncores().values()) or 1


class _Shown:
    """Progress on standard error: a bar on a terminal, elsewhere a line every few seconds."""

    def __init__(self) -> None:
        self.called = False
        self._terminal = sys.stderr.isatty()
        self._bar: tqdm[Any] | None = None
        self._next_line = _LINE_EVERY_S

    def __enter__(self) -> _Shown:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()

    def __call__(self, progress: Progress) -> None:
        from tqdm import tqdm

        if not self.called and progress.resumed:
            console.say(f"resuming: {progress.resumed:,} of {progress.total:,} points are done")
        self.called = True
        refused = f"{progress.refused:,} without an answer" if progress.refused else ""
        if self._terminal:
            if self._bar is None:
                self._bar = tqdm(total=progress.total, initial=progress.done, unit=" points")
            self._bar.set_postfix_str(refused, refresh=False)
            self._bar.update(progress.done - self._bar.n)
        elif progress.seconds >= self._next_line or progress.done == progress.total:
            self._next_line = progress.seconds + _LINE_EVERY_S
            console.say(
                tqdm.format_meter(
                    progress.done, progress.total, progress.seconds, ncols=0, unit=" points",
                    initial=progress.resumed, postfix=refused,
                )
            )  # fmt: skip
