"""Measure and print: ``python -m validation.speed``."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from typing import NamedTuple

from flapsim.case import Case
from flapsim.case.columns import Designs
from flapsim.cycle.results import evaluate
from flapsim.half_wing.pack import pack
from flapsim.kernel import Batch
from validation import speed
from validation.speed.by_c import build
from validation.speed.by_numpy import by_numpy
from validation.speed.by_script import by_script
from validation.speed.contest import Ratio, Times, Work, take_turns
from validation.speed.question import (
    benchmark_case,
    by_kernel,
    columns,
    disagreement,
    passive_case,
    passive_columns,
)

KernelAndC = tuple[dict[str, Work], str]


SHARED = 16
"""By how much more designs are shared between threads, so that starting these does not count."""


class Row(NamedTuple):
    """A line of the table."""

    what: str
    ratio: Ratio
    goal: str


def designs(count: int, **changes: object) -> Batch:
    """The designs of the question, as a batch."""
    case = benchmark_case().replace({f"model.{key}": value for key, value in changes.items()})
    return packed(case, count)


def packed(case: Case, count: int) -> Batch:
    """Designs that differ as those of the question do, of another wing or another model."""
    return pack(Designs(case, columns(count))).batch


def contestants(count: int) -> KernelAndC:
    """The contestants of the question, and what is to be said about the C yardstick."""
    batch = designs(count)
    case = benchmark_case()
    single = pack(case).batch
    answers = by_kernel(batch)
    said = [f"numpy agrees to {disagreement(answers, by_numpy(batch)):.0e}"]
    many = designs(SHARED * count)
    work: dict[str, Work] = {
        "kernel": lambda: by_kernel(batch),
        "many": lambda: by_kernel(many),
        "two threads": lambda: by_kernel(many, threads=2),
    }
    try:
        by_c = build()
    except RuntimeError as reason:
        said.append(f"C is left out: {reason}")
    else:
        said.append(f"C to {disagreement(answers, by_c(batch, 1)):.0e}")
        work["c"] = lambda: by_c(batch, 1)
        work["c, many"] = lambda: by_c(many, 1)
        work["c, two threads"] = lambda: by_c(many, 2)
    line = designs(count, induced="lifting-line")
    work["lifting line"] = lambda: by_kernel(line)
    work["driven twist"] = lambda: evaluate(case, columns(count))
    work["passive twist"] = lambda: evaluate(passive_case(), passive_columns(count))
    work["numpy"] = lambda: by_numpy(batch)
    work["one"] = lambda: by_kernel(single)
    lift = by_script(case)[0]
    said.append(f"the script's lift to {abs(lift / by_kernel(single).lift[0] - 1.0):.0e}")
    work["script"] = lambda: by_script(case)
    return work, "; ".join(said)


def sizes(count: int) -> dict[str, Work]:
    """The same question with four times the points, the strips and the steps."""
    case = benchmark_case()
    per_segment = 4 * case.wing.inner.strips
    finer = case.replace({"wing.inner.strips": per_segment, "wing.outer.strips": per_segment})
    batches = {
        "once": designs(count),
        "points": designs(4 * count),
        "strips": packed(finer, count),
        "steps": designs(count, steps=4 * case.model.steps),
    }
    return {name: (lambda batch=batch: by_kernel(batch)) for name, batch in batches.items()}


def rows(count: int, main: Times, scaled: Times) -> Iterator[Row]:
    """The ratios that are asked for."""
    if "c" in main.wall:
        yield Row("kernel over plain C, per core", main.ratio("c", "kernel"), "0.8 or more")
        yield Row("C: two threads over one", main.wall_ratio("c, many", "c, two threads"), "")
    yield Row("two threads over one", main.wall_ratio("many", "two threads"), "1.9 or more")
    yield Row("kernel over vectorised numpy, per core", main.ratio("numpy", "kernel"), "20 or more")
    yield Row(
        "kernel on two cores over a marching script",
        main.wall_ratio("script", "two threads", SHARED * count),
        "10,000 or more",
    )
    yield Row(
        "cost of the lifting line over slope", main.ratio("lifting line", "kernel"), "3 or less"
    )
    yield Row(
        "passive twist over driven, all results",
        main.ratio("passive twist", "driven twist"),
        "12 or less",
    )
    yield Row("kernel, a batch over one design a call", main.ratio("one", "kernel", count), "")
    for name in ("points", "strips", "steps"):
        yield Row(
            f"cost of four times the {name}, over four", scaled.ratio(name, "once", 0.25), "about 1"
        )


def main(arguments: list[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m validation.speed", description=speed.__doc__)
    parser.add_argument("--designs", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=11)
    options = parser.parse_args(arguments)
    count, rounds = options.designs, options.rounds

    work, said = contestants(count)
    print(f"{count} designs of 24 strips x 128 steps. Answers: {said}.", flush=True)
    measured = take_turns(work, rounds)
    scaled = take_turns(sizes(count), rounds)
    alone = dict.fromkeys(("one", "script"), 1)
    shared = dict.fromkeys(("many", "two threads", "c, many", "c, two threads"), SHARED * count)
    for name, times in measured.wall.items():
        done = (alone | shared).get(name, count)
        print(f"  {name:<24} {done / min(times):12,.1f} designs/s")
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'ratio':<52} {'median (range)':<26} goal")
    for row in rows(count, measured, scaled):
        print(f"  {row.what:<50} {row.ratio!s:<26} {row.goal}")


if __name__ == "__main__":
    main()
