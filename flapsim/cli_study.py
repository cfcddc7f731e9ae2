"""Commands about many cases: sweep and compare.

Thin, as all of the command line: read the arguments, call the package, print.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.command import (
    INPUT_AT_FAULT,
    INTERRUPTED,
    NO_SUCH_ANSWER,
    RESULT_SUFFIXES,
    Stop,
    add_command,
    compilation_said,
    print_json,
    say,
    take_json,
)

if TYPE_CHECKING:
    from flapsim.study.engine import Preview, Progress
    from flapsim.study.table import SweepTable

__all__ = ["add_study_commands"]

_BAR = 24
_LINE_EVERY = 10.0
"""Seconds between lines of progress where there is no terminal."""


def add_study_commands(commands: Any) -> None:
    """Add the commands of this module to the command line.

    Parameters
    ----------
    commands : argparse subparsers
        Those of the command line.
    """
    sweep = add_command(
        commands,
        "sweep",
        _sweep,
        "compute every point of a plan, on every core, or go on where it was stopped",
        "flapsim sweep cases/twist_map.toml -o twist_map.h5",
    )
    sweep.add_argument("plan", metavar="PLAN", help="plan file (.toml)")
    sweep.add_argument(
        "-o", "--output", metavar="FILE", type=Path, help="result file, HDF5 (.h5) [PLAN.h5]"
    )
    sweep.add_argument(
        "--overwrite", action="store_true", help="begin anew, even if the result is there"
    )
    sweep.add_argument(
        "--dry-run", action="store_true", help="say what it would take, from a timed sample"
    )
    sweep.add_argument("--workers", metavar="N", type=int, help="how many at once [all cores]")
    kind = sweep.add_mutually_exclusive_group()
    kind.add_argument("--threads", action="store_true", help="workers are threads (the default)")
    kind.add_argument("--processes", action="store_true", help="workers are processes")
    kind.add_argument("--dask", metavar="ADDRESS", help="workers of a Dask cluster")
    sweep.add_argument(
        "--block", metavar="POINTS", type=int, help="points a worker takes at a time [512]"
    )
    take_json(sweep)


def _sweep(options: argparse.Namespace) -> None:
    if options.output is None:
        options.output = Path(f"{Path(options.plan).stem}.h5")
    if options.output.suffix.lower() not in RESULT_SUFFIXES:
        ends = " or ".join(RESULT_SUFFIXES)
        raise Stop(INPUT_AT_FAULT, f"{options.output}: the name should end in {ends}")
    for name in ("workers", "block"):
        if getattr(options, name) is not None and getattr(options, name) < 1:
            raise Stop(INPUT_AT_FAULT, f"--{name} {getattr(options, name)}: 1 or more expected")
    from flapsim.study.engine import BLOCK, Interrupted, preview, sweep
    from flapsim.study.faults import StudyError

    begun = time.monotonic()
    try:
        with compilation_said(), _asked_to_end():
            if options.dry_run:
                _tell_preview(preview(options.plan, options.output, options.workers), options)
                return
            shown = _Shown()
            with _cluster(options) as (executor, workers), shown:
                table = sweep(
                    options.plan,
                    options.output,
                    workers=workers,
                    how="processes" if options.processes else "threads",
                    executor=executor,
                    block=options.block or BLOCK,
                    overwrite=options.overwrite,
                    told=shown,
                )
    except StudyError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    except Interrupted as error:
        raise Stop(INTERRUPTED, f"flapsim: {error}") from error
    _tell_result(table, options, time.monotonic() - begun, computed=shown.told)


@contextlib.contextmanager
def _asked_to_end() -> Iterator[None]:
    """Treat a polite request to end, as cluster schedulers send it, like Ctrl-C."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _cluster(options: argparse.Namespace) -> Iterator[tuple[Any, int | None]]:
    """Workers of a Dask cluster if they are asked for, and how many."""
    if options.dask is None:
        yield None, options.workers
        return
    try:
        import distributed
    except ImportError as error:
        raise Stop(
            INPUT_AT_FAULT, "--dask needs the library distributed: pip install 'flapsim[dask]'"
        ) from error
    connect: Any = distributed.Client
    try:
        client = connect(options.dask, timeout=20)
    except (OSError, ValueError) as error:
        message = f"--dask {options.dask}: no scheduler answers there ({error})"
        raise Stop(INPUT_AT_FAULT, message) from error
    with client:
        yield client.get_executor(), options.workers or sum(client.ncores().values()) or 1


class _Shown:
    """Progress on standard error: a bar on a terminal, plain lines elsewhere."""

    def __init__(self) -> None:
        self.told = False
        self._bar = sys.stderr.isatty()
        self._last = -math.inf
        self._open = False

    def __enter__(self) -> _Shown:
        return self

    def __exit__(self, *_: object) -> None:
        if self._open:
            print(file=sys.stderr, flush=True)

    def __call__(self, progress: Progress) -> None:
        now, ended = time.monotonic(), progress.done == progress.total
        first = not self.told
        self.told = True
        if first and progress.resumed:
            say(f"going on after {progress.resumed:,} of {progress.total:,} points")
        if now - self._last < (0.1 if self._bar else _LINE_EVERY) and not ended:
            return
        self._last = now
        part = progress.done / progress.total
        text = f"{progress.done:,} of {progress.total:,} points"
        if progress.rate > 0.0:
            text += f", {progress.rate:,.0f} a second"
            if not ended:
                text += f", {_duration(progress.left)} left"
        if progress.refused:
            text += f", {progress.refused:,} without answer"
        if not self._bar:
            if not first or ended:
                say(f"{100 * part:3.0f} %  {text}")
            return
        filled = round(_BAR * part)
        bar = "█" * filled + "·" * (_BAR - filled)
        self._open = True
        print(f"\r\x1b[K{bar} {100 * part:3.0f} %  {text}", end="", file=sys.stderr, flush=True)


def _duration(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "unknown time"
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


def _size(count: int) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000:
            return f"{count:.3g} {unit}"
        count /= 1000  # type: ignore[assignment]
    return f"{count:.3g} GB"


def _tell_preview(found: Preview, options: argparse.Namespace) -> None:
    if options.json:
        print_json(asdict(found))
        return
    axes = " × ".join(f"{size} {name}" for name, size in found.axes.items())
    print(f"{found.points:,} points in {found.blocks:,} blocks: {axes}")
    print(f"{found.results} results of each point, {_size(found.size)} in {options.output}")
    print(
        f"about {_duration(found.seconds)} on {found.workers} workers"
        f" ({found.rate:,.0f} points a second each, by a timed sample)"
    )
    if found.needed > found.free:
        print(
            f"the disk has {_size(found.free)} free, {_size(found.needed)} are needed while the"
            " blocks become the file"
        )
    if found.refused:
        print(f"{found.refused} of {found.sampled} points of the sample have no answer:")
        for reason in found.reasons[:5]:
            print(f"  {reason}")


def _tell_result(
    table: SweepTable, options: argparse.Namespace, seconds: float, computed: bool
) -> None:
    counts, reasons = table.counts(), table.reasons()
    if options.json:
        print_json(
            {
                "written": str(options.output),
                "title": table.title,
                "axes": table.axes,
                "points": table.count,
                "status": counts,
                "reasons": reasons,
                "results": list(table.results),
                "seconds": seconds,
            }
        )
    else:
        axes = " × ".join(f"{size} {name}" for name, size in table.axes.items())
        said = "wrote" if computed else "complete already, nothing computed:"
        print(f"{said} {options.output}: {axes}")
        print("  " + ", ".join(f"{number:,} {word}" for word, number in counts.items() if number))
        for reason, number in list(reasons.items())[:5]:
            print(f"  {number:,}: {reason}")
        if len(reasons) > 5:
            print(f"  and {len(reasons) - 5} more reasons, in reason_text of the file")
    if not counts["done"]:
        raise Stop(NO_SUCH_ANSWER, f"{options.output}: no point of the plan has an answer")
