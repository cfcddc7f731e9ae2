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

from flapsim.cli.common import (
    INPUT_AT_FAULT,
    INTERRUPTED,
    NO_SUCH_ANSWER,
    PICTURE_SUFFIXES,
    RESULT_SUFFIXES,
    Stop,
    add_command,
    changes_from,
    check_output,
    compilation_said,
    print_json,
    say,
    take_changes,
    take_json,
    take_output,
)
from flapsim.quantities import finite_or_none

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
    take_changes(sweep)
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
        "--chunk",
        metavar="POINTS",
        type=int,
        help="points a worker takes at once [by their cost]",
    )
    take_json(sweep)
    _add_compare(commands)


def _sweep(options: argparse.Namespace) -> None:
    if options.output is None:
        options.output = Path(f"{Path(options.plan).stem}.h5")
    if options.output.suffix.lower() not in RESULT_SUFFIXES:
        ends = " or ".join(RESULT_SUFFIXES)
        raise Stop(INPUT_AT_FAULT, f"{options.output}: the name should end in {ends}")
    for name in ("workers", "chunk"):
        if getattr(options, name) is not None and getattr(options, name) < 1:
            raise Stop(INPUT_AT_FAULT, f"--{name} {getattr(options, name)}: 1 or more expected")
    from flapsim.faults import StudyError
    from flapsim.study.engine import Interrupted, preview, sweep
    from flapsim.study.plan import read_study

    study = read_study(options.plan, changes_from(options.changes))
    begun = time.monotonic()
    try:
        with compilation_said(), _asked_to_end():
            if options.dry_run:
                _tell_preview(preview(study, options.output, options.workers), options)
                return
            shown = _Shown()
            with _cluster(options) as (executor, workers), shown:
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
    except StudyError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    except Interrupted as error:
        raise Stop(INTERRUPTED, f"flapsim: {error}") from error
    _tell_result(table, options, time.monotonic() - begun, computed=shown.told)
    if any(name.endswith(".floquet_max") for name in table.results) and not study.plan.stability:
        say("whether the twists last was not asked; stability = true in the plan does")


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
    print(f"{found.points:,} points in {found.chunks:,} chunks: {axes}")
    print(f"{found.results} results of each point, {_size(found.size)} in {options.output}")
    print(
        f"about {_duration(found.seconds)} on {found.workers} workers"
        f" ({found.rate:,.0f} points a second each, by a timed sample)"
    )
    if found.needed > found.free:
        print(
            f"the disk has {_size(found.free)} free, {_size(found.needed)} are needed while the"
            " chunks become the file"
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


# --- compare -------------------------------------------------------------------------------------

_FIGURES = ("map", "carpet", "pareto", "tornado", "lines")
_TOP = 10


def _add_compare(commands: Any) -> None:
    compare = add_command(
        commands,
        "compare",
        _compare,
        "rank, filter and draw the points of a sweep, or hold sweeps against each other",
        'flapsim compare twist_map.h5 --where "mean.lift_n >= mean.weight_n"'
        " --rank mean.aero_power_w",
    )
    compare.add_argument("files", metavar="FILE", nargs="+", help="result of flapsim sweep (.h5)")
    compare.add_argument(
        "--where",
        metavar="CONDITION",
        action="append",
        default=[],
        help='as "mean.lift_n >= 1.02*mean.weight_n and check.stalled_fraction < 0.1";'
        " repeatable; one with = draws a line in a map",
    )
    compare.add_argument("--rank", metavar="NAME", help="order by a quantity, the best first")
    order = compare.add_mutually_exclusive_group()
    order.add_argument("--largest", action="store_true", help="rank the largest first")
    order.add_argument("--smallest", action="store_true", help="rank the smallest first")
    compare.add_argument("--top", metavar="N", type=int, default=_TOP, help="points to print [10]")
    compare.add_argument("--show", metavar="NAME,NAME", help="further quantities to print")
    compare.add_argument(
        "--pareto", metavar="NAME,NAME", help="points not bettered; NAME:min or NAME:max to say how"
    )
    compare.add_argument("--sensitivity", metavar="NAME", help="which key moves this quantity")
    compare.add_argument("--figure", metavar="KIND", help=f"one of {', '.join(_FIGURES)}")
    compare.add_argument(
        "--quantity", metavar="NAME", help="what a map or lines show; NAME,NAME for a carpet"
    )
    compare.add_argument(
        "--at", metavar="AXIS=VALUE", action="append", default=[], help="cut a further axis"
    )
    compare.add_argument("--csv", metavar="FILE", type=Path, help="write the points as CSV")
    take_json(compare)
    take_output(compare, "picture to write, .png, .svg or .pdf [FILE_KIND.png, in this folder]")


def _compare(options: argparse.Namespace) -> None:
    from flapsim.faults import StudyError

    if options.figure is not None and options.figure not in _FIGURES:
        message = f"--figure {options.figure}: one of {', '.join(_FIGURES)} expected"
        raise Stop(INPUT_AT_FAULT, message)
    if options.figure is not None and options.output is None:
        options.output = Path(f"{Path(options.files[0]).stem}_{options.figure}.png")
    if options.figure is None and options.output is not None:
        raise Stop(INPUT_AT_FAULT, "-o is the picture of --figure KIND; --csv FILE writes points")
    if options.figure is not None:
        check_output(options, PICTURE_SUFFIXES)
    if options.top < 1:
        raise Stop(INPUT_AT_FAULT, f"--top {options.top}: 1 or more expected")
    try:
        if options.figure == "lines":
            _compare_lines(options)
        elif len(options.files) == 1:
            _compare_points(options)
        elif len(options.files) == 2:
            _compare_sweeps(options)
        else:
            message = "one sweep, two to subtract, or any with --figure lines expected"
            raise Stop(INPUT_AT_FAULT, message)
    except StudyError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error


def _compare_points(options: argparse.Namespace) -> None:
    import numpy as np

    from flapsim.study import compare
    from flapsim.study.table import read_sweep

    table = read_sweep(options.files[0])
    conditions = [c for text in options.where for c in compare.condition_from(text)]
    filters = [c for c in conditions if options.figure not in ("map", "carpet") or c.sign != "="]
    for condition in filters:
        if condition.sign == "=" and table.column(condition.left).dtype != object:
            message = f"--where {condition.left} =: a line of a map; points satisfy >= <= > < == !="
            raise Stop(INPUT_AT_FAULT, message)
    places = compare.selected(table, filters)
    document: dict[str, Any] = {"file": options.files[0], "points": table.count}
    document |= {"status": table.counts(), "selected": int(places.size)}
    names = list(table.keys)
    shown: list[str] = []
    if options.pareto is not None:
        shown, senses = _pareto_names(options.pareto)
        values = np.stack([table.column(name)[places] for name in shown], axis=1)
        front = compare.pareto_front(values.astype(float) * np.where(senses, 1.0, -1.0))
        places = places[front]
        places = places[np.argsort(table.column(shown[0])[places], kind="stable")]
        document["front"] = int(places.size)
    if options.rank is not None:
        down = True if options.largest else False if options.smallest else None
        places = compare.ranked(table, places, options.rank, down)
        shown = [options.rank, *(name for name in shown if name != options.rank)]
    shown += [name.strip() for name in (options.show or "").split(",") if name.strip()]
    names += [name for name in dict.fromkeys(shown) if name not in names]
    if options.csv is not None:
        every = {name: table.column(name)[places] for name in table.names}
        _write_text(options.csv, compare.csv_of(every), options)
    columns = {name: table.column(name)[places[: options.top]] for name in names}
    found = []
    if options.sensitivity is not None or options.figure == "tornado":
        quantity = options.sensitivity or options.quantity or options.rank
        if quantity is None:
            raise Stop(INPUT_AT_FAULT, "a tornado needs --sensitivity NAME")
        found = compare.sensitivities(table, quantity)
        document["sensitivity"] = {
            "quantity": quantity,
            "keys": [{k: finite_or_none(v) for k, v in asdict(item).items()} for item in found],
        }
    if options.figure is not None:
        _draw(table, options, conditions, found)
        document["written"] = str(options.output)
    if options.json:
        document["table"] = [
            {name: finite_or_none(values[i]) for name, values in columns.items()}
            for i in range(min(options.top, places.size))
        ]
        print_json(document)
        return
    wanted = options.figure is None or options.rank or options.pareto
    _print_points(table, document, columns, places.size if wanted else 0)
    if found:
        _print_sensitivities(document["sensitivity"]["quantity"], found)


def _compare_lines(options: argparse.Namespace) -> None:
    from flapsim.show.study_lines import lines
    from flapsim.show.style import save
    from flapsim.study.compare import condition_from
    from flapsim.study.table import read_sweep

    for name in ("rank", "pareto", "sensitivity", "at", "csv"):
        if getattr(options, name):
            raise Stop(INPUT_AT_FAULT, f"--{name} does not go with --figure lines")
    if options.quantity is None or "," in options.quantity:
        raise Stop(INPUT_AT_FAULT, "lines need --quantity NAME")
    conditions = [c for text in options.where for c in condition_from(text)]
    tables = [read_sweep(file) for file in options.files]
    save(lines(tables, options.quantity, conditions), options.output)
    say(f"wrote {options.output}")
    if options.json:
        print_json({"files": options.files, "written": str(options.output)})


def _pareto_names(text: str) -> tuple[list[str], list[bool]]:
    """Quantities of a Pareto front, and whether less of each is better."""
    from flapsim.study.compare import smaller_is_better

    names, senses = [], []
    for part in text.split(","):
        name, _, sense = part.strip().partition(":")
        if sense not in ("", "min", "max") or not name:
            raise Stop(INPUT_AT_FAULT, f"--pareto {part}: NAME, NAME:min or NAME:max expected")
        names.append(name)
        senses.append(sense == "min" if sense else smaller_is_better(name))
    if len(names) < 2:
        raise Stop(INPUT_AT_FAULT, f"--pareto {text}: two or more quantities expected")
    return names, senses


def _draw(
    table: SweepTable, options: argparse.Namespace, conditions: list[Any], found: list[Any]
) -> None:
    from flapsim.show import study_panels
    from flapsim.study.compare import selected

    names = [name.strip() for name in (options.quantity or "").split(",") if name.strip()]
    at = dict(map(_cut_from, options.at))
    if options.figure == "map":
        name = names[0] if names else options.rank
        if name is None or len(names) > 1:
            raise Stop(INPUT_AT_FAULT, "a map needs --quantity NAME")
        page = study_panels.contours(table, name, conditions, at)
    elif options.figure == "carpet":
        if len(names) != 2:
            raise Stop(INPUT_AT_FAULT, "a carpet needs --quantity NAME,NAME (along, up the page)")
        page = study_panels.carpet(table, names[0], names[1], conditions, at)
    elif options.figure == "pareto":
        if options.pareto is None:
            raise Stop(INPUT_AT_FAULT, "a Pareto figure needs --pareto NAME,NAME")
        names, senses = _pareto_names(options.pareto)
        places = selected(table, conditions)
        page = study_panels.pareto(table, names[0], names[1], places, (senses[0], senses[1]))
    else:
        quantity = options.sensitivity or options.quantity or options.rank
        page = study_panels.tornado(table, quantity, found)
    study_panels.save(page, options.output)
    say(f"wrote {options.output}")


def _cut_from(text: str) -> tuple[str, float]:
    axis, _, value = text.partition("=")
    try:
        return axis.strip(), float(value)
    except ValueError as error:
        raise Stop(INPUT_AT_FAULT, f"--at {text}: AXIS=NUMBER expected") from error


def _compare_sweeps(options: argparse.Namespace) -> None:
    import numpy as np

    from flapsim.study.compare import csv_of, difference
    from flapsim.study.table import read_sweep

    for name in ("where", "rank", "pareto", "sensitivity", "figure", "quantity", "at"):
        if getattr(options, name):
            raise Stop(INPUT_AT_FAULT, f"--{name} takes one sweep; two are subtracted")
    first, second = map(read_sweep, options.files)
    found = difference(first, second)
    if options.csv is not None:
        _write_text(options.csv, csv_of(found.columns), options)
    rows = {}
    for name, values in found.columns.items():
        if name not in found.keys:
            finite = values[np.isfinite(values)]
            if finite.size:
                rows[name] = {
                    "mean": float(finite.mean()),
                    "least": float(finite.min()),
                    "greatest": float(finite.max()),
                    "unit": first.quantity(name).unit,
                }
    if options.json:
        print_json({"files": options.files, "common_points": found.count, "difference": rows})
        return
    print(f"{options.files[1]} minus {options.files[0]}, {found.count:,} common points")
    width = max(map(len, rows), default=0)
    print(f"  {'':<{width}}  {'mean':>11}  {'least':>11}  {'greatest':>11}")
    for name, row in rows.items():
        cells = "  ".join(f"{row[part]:>11.4g}" for part in ("mean", "least", "greatest"))
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        print(f"  {name:<{width}}  {cells}{unit}")


def _print_points(
    table: SweepTable, document: dict[str, Any], columns: dict[str, Any], count: int
) -> None:
    status = ", ".join(f"{n:,} {word}" for word, n in document["status"].items() if n)
    print(f"{table.title}\n  {table.count:,} points: {status}")
    if document["selected"] < document["status"]["done"]:
        print(f"  {document['selected']:,} satisfy the conditions")
    if "front" in document:
        print(f"  {document['front']:,} on the Pareto front")
    if not count:
        return
    cells = {
        name: [f"{x:.4g}" if isinstance(x, float) else str(x) for x in values.tolist()]
        for name, values in columns.items()
    }
    units = {name: table.quantity(name).unit for name in cells}
    print()
    for place, name in enumerate(cells, start=1):
        unit = "" if units[name] == "1" else f", {units[name]}"
        print(f"  ({place}) {name}{unit}")
    widths = [max(9, *map(len, values)) for values in cells.values()]
    heads = [f"({place})" for place in range(1, len(cells) + 1)]
    print("  " + " ".join(f"{h:>{w}}" for h, w in zip(heads, widths, strict=True)))
    for row in zip(*cells.values(), strict=True):
        print("  " + " ".join(f"{cell:>{w}}" for cell, w in zip(row, widths, strict=True)))
    if count > len(next(iter(cells.values()))):
        print(f"  and {count - len(next(iter(cells.values()))):,} more")


def _print_sensitivities(quantity: str, found: list[Any]) -> None:
    print(f"\nwhat moves {quantity}")
    width = max(len(item.name) for item in found)
    indices = any(math.isfinite(item.total) for item in found)
    print(f"  {'':<{width}}   rank" + ("  Sobol' first          total" if indices else ""))
    for item in found:
        first, total = (
            "" if math.isnan(value) else f"{value:6.3f} ± {error:.3f}"
            for value, error in ((item.first, item.first_error), (item.total, item.total_error))
        )
        print(f"  {item.name:<{width}} {item.rank:6.3f}  {first:>14} {total:>14}".rstrip())


def _write_text(path: Path, text: str, options: argparse.Namespace) -> None:
    if path.exists() and not options.overwrite:
        message = f"{path}: exists already; choose another name or add --overwrite"
        raise Stop(INPUT_AT_FAULT, message)
    path.write_text(text, encoding="utf-8")
    say(f"wrote {path}")
