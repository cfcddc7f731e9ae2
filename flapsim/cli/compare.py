"""Command compare: choose among the points of a sweep, draw them, or subtract two sweeps."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.cli import console
from flapsim.faults import StudyError
from flapsim.quantities import finite_or_none
from flapsim.show.study_tables import (
    difference_table,
    influence_table,
    points_table,
    status_lines,
)

if TYPE_CHECKING:
    from flapsim.study.compare import Condition
    from flapsim.study.sensitivity import Influence
    from flapsim.study.table import SweepTable

_FIGURES = ("map", "carpet", "pareto", "tornado", "lines")
_DRAW_CONDITIONS = ("map", "carpet")
"""Figures in which a condition with = draws a line."""


def add_compare_command(commands: Any) -> None:
    """Add the command to the command line (argparse subparsers)."""
    compare = console.add_command(
        commands,
        "compare",
        _compare,
        "filter, rank and draw the points of a sweep, or subtract two sweeps",
        'flapsim compare twist_map.h5 --where "mean.lift_n >= mean.weight_n"'
        " --rank mean.aero_power_w",
    )
    compare.add_argument("files", metavar="FILE", nargs="+", help="result of flapsim sweep (.h5)")
    compare.add_argument(
        "--where",
        metavar="CONDITION",
        action="append",
        default=[],
        help='such as "mean.lift_n >= 1.02*mean.weight_n and check.stalled_fraction < 0.1";'
        " repeatable; = draws a line in a map or carpet",
    )
    compare.add_argument("--rank", metavar="NAME", help="order by a quantity, the best first")
    order = compare.add_mutually_exclusive_group()
    order.add_argument("--largest", action="store_true", help="rank the largest first")
    order.add_argument("--smallest", action="store_true", help="rank the smallest first")
    compare.add_argument("--top", metavar="N", type=int, default=10, help="points to print [10]")
    compare.add_argument("--show", metavar="NAME,NAME", help="more quantities to print")
    compare.add_argument(
        "--pareto",
        metavar="NAME,NAME",
        help="list Pareto-optimal points; NAME:min or NAME:max where the definition of a quantity"
        " does not say which is better",
    )
    compare.add_argument(
        "--sensitivity", metavar="NAME", help="sensitivity of a quantity to each varied key"
    )
    compare.add_argument("--figure", metavar="KIND", help=f"one of {', '.join(_FIGURES)}")
    compare.add_argument(
        "--quantity", metavar="NAME", help="quantity of a map or lines; NAME,NAME for a carpet"
    )
    compare.add_argument(
        "--at",
        metavar="AXIS=VALUE",
        action="append",
        default=[],
        help="where to cut an axis that a map or carpet does not show; repeatable",
    )
    compare.add_argument("--csv", metavar="FILE", type=Path, help="write the points as CSV")
    console.take_json(compare)
    console.take_output(
        compare, "figure to write: .png, .svg or .pdf [FILE_KIND.png in the current folder]"
    )


def _compare(options: argparse.Namespace) -> None:
    kind = options.figure
    if kind is None and options.output is not None:
        raise _refused("-o: needs --figure KIND; to write points, use --csv FILE")
    if kind is not None:
        if kind not in _FIGURES:
            raise _refused(f"--figure: expected one of {', '.join(_FIGURES)}, found {kind}")
        options.output = options.output or Path(f"{Path(options.files[0]).stem}_{kind}.png")
        console.check_output(options, console.PICTURE_SUFFIXES)
    if options.top < 1:
        raise _refused(f"--top: expected 1 or more, found {options.top}")
    with console.refusing(StudyError):
        if kind == "lines":
            _compare_lines(options)
        elif len(options.files) == 1:
            _compare_points(options)
        elif len(options.files) == 2:
            _compare_sweeps(options)
        else:
            raise _refused("give one sweep, two to subtract, or several with --figure lines")


def _compare_points(options: argparse.Namespace) -> None:
    from flapsim.study import compare
    from flapsim.study.table import read_sweep

    table = read_sweep(options.files[0])
    conditions = _conditions(options)
    drawn = options.figure in _DRAW_CONDITIONS
    places = compare.selected(table, [c for c in conditions if not (drawn and c.sign == "=")])
    if options.rank is None and (options.largest or options.smallest):
        raise _refused("--largest and --smallest: need --rank NAME")
    if options.at and not drawn:
        raise _refused("--at: applies to --figure map and carpet only")
    if options.quantity and options.figure in (None, "pareto"):
        raise _refused("--quantity: applies to --figure map, carpet, tornado and lines only")
    document: dict[str, Any] = {
        "file": options.files[0],
        "points": table.count,
        "status": table.counts(),
        "selected": int(places.size),
    }
    shown: list[str] = []
    if options.pareto is not None:
        objectives = compare.objectives_from(options.pareto)
        shown = [each.name for each in objectives]
        places = compare.pareto_points(table, places, objectives)
        document["front"] = int(places.size)
    if options.rank is not None:
        largest = True if options.largest else False if options.smallest else None
        places = compare.ranked(table, places, options.rank, largest)
        shown = [options.rank, *shown]
    shown += _names(options.show)
    if options.csv is not None:
        every = {name: table.column(name)[places] for name in table.names}
        _write_text(options.csv, compare.csv_of(every), options)
    top = places[: options.top]
    columns = {name: table.column(name)[top] for name in dict.fromkeys([*table.keys, *shown])}
    found: list[Influence] = []
    quantity = _of_tornado(options)
    if options.sensitivity is not None or options.figure == "tornado":
        if quantity is None:
            raise _refused("--figure tornado: needs --sensitivity NAME")
        found = compare.sensitivities(table, quantity)
        keys = [finite_or_none(asdict(item)) for item in found]
        document["sensitivity"] = {"quantity": quantity, "keys": keys}
    if options.figure is not None:
        _draw(table, options, conditions, found)
        document["written"] = str(options.output)
    if options.json:
        rows = zip(*(finite_or_none(values) for values in columns.values()), strict=True)
        document["table"] = [dict(zip(columns, row, strict=True)) for row in rows]
        console.print_json(document)
        return
    print(status_lines(table, document))
    listed = options.figure is None and options.sensitivity is None
    if places.size and (listed or options.rank or options.pareto):
        print(f"\n{points_table(columns, places.size)}")
    if found:
        print(f"\n{influence_table(quantity, found)}")


def _compare_lines(options: argparse.Namespace) -> None:
    from flapsim.show.study_lines import lines
    from flapsim.study.table import read_sweep

    others = ("rank", "largest", "smallest", "show", "pareto", "sensitivity", "at", "csv")
    _refuse_options(options, others, "--figure lines")
    names = _names(options.quantity)
    if len(names) != 1:
        raise _refused("--figure lines: needs --quantity NAME")
    tables = [read_sweep(file) for file in options.files]
    _save(lines(tables, names[0], _conditions(options)), options)
    if options.json:
        console.print_json({"files": options.files, "written": str(options.output)})


def _compare_sweeps(options: argparse.Namespace) -> None:
    from flapsim.study.compare import csv_of, difference
    from flapsim.study.table import read_sweep

    others = ("where", "rank", "largest", "smallest", "show", "pareto", "sensitivity", "figure",
              "quantity", "at")  # fmt: skip
    _refuse_options(options, others, "the difference of two sweeps")
    first, second = map(read_sweep, options.files)
    found = difference(first, second)
    if options.csv is not None:
        _write_text(options.csv, csv_of(found.columns), options)
    rows = found.summary()
    if options.json:
        console.print_json(
            {"files": options.files, "common_points": found.count, "difference": rows}
        )
        return
    print(f"{options.files[1]} minus {options.files[0]}, {found.count:,} common points")
    print(difference_table(rows))


def _draw(
    table: SweepTable,
    options: argparse.Namespace,
    conditions: Sequence[Condition],
    found: Sequence[Influence],
) -> None:
    from flapsim.show import study_panels
    from flapsim.study.compare import objectives_from, selected

    kind, names = options.figure, _names(options.quantity)
    cuts = dict(map(_cut_from, options.at))
    if kind == "map":
        names = names or _names(options.rank)
        if len(names) != 1:
            raise _refused("--figure map: needs --quantity NAME")
        page = study_panels.contours(table, names[0], conditions, cuts)
    elif kind == "carpet":
        if len(names) != 2:
            raise _refused("--figure carpet: needs --quantity NAME,NAME (horizontal, vertical)")
        page = study_panels.carpet(table, (names[0], names[1]), conditions, cuts)
    elif kind == "pareto":
        if options.pareto is None:
            raise _refused("--figure pareto: needs --pareto NAME,NAME")
        across, up, *more = objectives_from(options.pareto)
        if more:
            raise _refused("--figure pareto: draws two quantities, --pareto NAME,NAME")
        page = study_panels.pareto(table, across, up, selected(table, conditions))
    else:
        page = study_panels.tornado(_of_tornado(options), table.title, found)
    _save(page, options)


def _of_tornado(options: argparse.Namespace) -> Any:
    """Quantity of a sensitivity; None if there is none."""
    return options.sensitivity or options.quantity or options.rank


def _save(page: Any, options: argparse.Namespace) -> None:
    from flapsim.show.style import save

    save(page, options.output)
    console.say_written(options.output, options.figure)


def _conditions(options: argparse.Namespace) -> list[Condition]:
    from flapsim.study.compare import condition_from

    return [condition for text in options.where for condition in condition_from(text)]


def _names(text: str | None) -> list[str]:
    return [name.strip() for name in (text or "").split(",") if name.strip()]


def _cut_from(text: str) -> tuple[str, str]:
    axis, equals, value = (part.strip() for part in text.partition("="))
    if not equals:
        raise _refused(f"--at: expected AXIS=VALUE, found {text}")
    return axis, value


def _refuse_options(options: argparse.Namespace, names: Sequence[str], what: str) -> None:
    for name in names:
        if getattr(options, name):
            raise _refused(f"--{name}: does not apply to {what}")


def _write_text(path: Path, text: str, options: argparse.Namespace) -> None:
    if path.exists() and not options.overwrite:
        raise _refused(f"{path}: exists already; choose another name or add --overwrite")
    path.write_text(text, encoding="utf-8")
    console.say(f"wrote {path}")


def _refused(message: str) -> console.Stop:
    return console.Stop(console.INPUT_AT_FAULT, message)
