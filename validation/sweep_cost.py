"""What a sweep costs beyond its kernel: ``python -m validation.sweep_cost``.

Three questions. How much do store, progress and bookkeeping add to the time of the kernel? Does one
worker keep to one core? And, with ``--memory``, does the memory grow with the number of points? The
plan is a Latin hypercube over pitch and twist of the glasshouse surveyor, all results kept, slope
induction, one worker. Times are processor times, so that other work on the machine does not count;
wall-clock times beside them show what waiting for the disk adds. The overhead is a small difference
of large times: it is measured in several rounds, and their range is printed.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from flapsim.case.columns import Designs
from flapsim.half_wing.pack import pack
from flapsim.kernel import solve
from flapsim.study.chunk import Task, solve_chunk
from flapsim.study.engine import Progress, sweep
from flapsim.study.prepare import CHUNK_POINTS
from flapsim.study.reading import Study, parse_study
from flapsim.study.sampling import points_of
from flapsim.study.table import read_sweep
from flapsim.study.workers import one_core_each

CASES = Path(__file__).parents[1] / "cases"

PLAN = """\
base = "glasshouse.toml"
sampling = "latin-hypercube"
samples = {points}
set = {{ "model.induced" = "slope" }}
[[axis]]
key = "flight.pitch_deg"
from = 0.0
to = 8.0
[[axis]]
key = "stroke.outer.twist.tip_amplitude_deg"
from = 10.0
to = 45.0
"""

MOST_OVERHEAD = 0.10
"""Largest overhead that a sweep may add, as a fraction of the kernel's time."""


def study_of(points: int) -> Study:
    """The plan with `points` points."""
    return parse_study(PLAN.format(points=points), CASES, "plan.toml")


def used(work: Callable[[], object]) -> tuple[float, float]:
    """Processor time and wall-clock time of a call, s."""
    processor, clock = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - processor, time.perf_counter() - clock


def overhead(count: int, rounds: int, folder: Path) -> None:
    """Measure and print what a sweep adds to its kernel."""
    study = study_of(count)
    points, chunk = points_of(study), CHUNK_POINTS[0]
    spans = [(start, min(start + chunk, count)) for start in range(0, count, chunk)]
    warm = sweep(study_of(8 * chunk), folder / "warm.h5", workers=1)  # compiles
    names = warm.results

    def measured(number: int) -> tuple[float, ...]:
        kernel = chunks = 0.0
        with one_core_each():
            for start, stop in spans:
                columns = points.columns(start, stop)
                batch = pack(Designs(study.case, columns)).batch
                # The drive's watts need series, so the kernel keeps them here too.
                kernel += used(partial(solve, batch, series=True))[0]
            for place, (start, stop) in enumerate(spans):
                task = Task(place, start, study.case, points.columns(start, stop), names)
                chunks += used(partial(solve_chunk, task))[0]
        seen: list[Progress] = []
        result = folder / f"{number}.h5"
        begun = time.thread_time()
        whole, clock = used(
            lambda: sweep(study, result, workers=1, chunk=chunk, on_progress=seen.append)
        )
        own = time.thread_time() - begun  # the chunks are solved in another thread
        assert read_sweep(result).counts()["done"] == count
        return kernel, chunks, whole, clock, own, (whole - chunks) / kernel, own / kernel

    found = np.array([measured(number) for number in range(rounds)])
    kernel, chunks, whole, clock, own, share, own_share = np.median(found, axis=0)
    least, most = 100.0 * found[:, 5].min(), 100.0 * found[:, 5].max()
    print(f"{count:,} points, {len(names)} results each, chunks of {chunk}, one worker")
    print(f"medians of {rounds} rounds:")
    print(f"  kernel                            {kernel:8.2f} s of processor time")
    print(f"  chunks: with packing and results  {chunks:8.2f} s")
    print(f"  sweep: with store and progress    {whole:8.2f} s, {clock:.2f} s of wall-clock time")
    print(
        f"  of which in the storing thread    {own:8.2f} s, {100 * own_share:.1f} % of the kernel"
    )
    print(f"  cores in use                      {whole / clock:8.2f}")
    verdict = "within" if share <= MOST_OVERHEAD else "MORE than"
    print(
        f"  the sweep adds {100 * share:.1f} % ({least:.1f} to {most:.1f}) to the kernel,"
        f" {verdict} {100 * MOST_OVERHEAD:.0f} %"
    )


def peak(count: int) -> None:
    """Sweep `count` points in this process; print its peak memory, MB, and the time, s."""
    with tempfile.TemporaryDirectory() as folder:
        _, clock = used(lambda: sweep(study_of(count), Path(folder) / "r.h5"))
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(most / (1e6 if sys.platform == "darwin" else 1e3), clock)


def memory(counts: list[int]) -> None:
    """Measure and print the peak memory of sweeps of several sizes, each in a fresh process."""
    for count in counts:
        seen = subprocess.run(
            [sys.executable, "-m", __spec__.name, "--peak", str(count)],
            capture_output=True, text=True, check=True,
        ).stdout.split()  # fmt: skip
        megabytes, seconds = map(float, seen[-2:])
        print(f"{count:>10,} points: {megabytes:6.0f} MB at the peak, {seconds:.0f} s")


def main(arguments: list[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m validation.sweep_cost", description=__doc__)
    parser.add_argument("--points", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--memory", nargs="*", type=int, metavar="POINTS", help="[100000 1000000]")
    parser.add_argument("--peak", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.peak is not None:
        peak(options.peak)
    elif options.memory is not None:
        memory(options.memory or [100_000, 1_000_000])
    else:
        with tempfile.TemporaryDirectory() as folder:
            overhead(options.points, options.rounds, Path(folder))


if __name__ == "__main__":
    main()
