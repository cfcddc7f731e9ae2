"""Commands on one case and one stroke: run, check, figure, animate."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.case import Case
from flapsim.cli import console
from flapsim.cli.rig import MEASURED_PICTURE, draws_reduction
from flapsim.faults import CaseError
from flapsim.quantities import finite_or_none
from flapsim.show.kinds import DEFAULT_KIND, KINDS

if TYPE_CHECKING:
    from flapsim.cycle.simulate import Cycle


def add_run_commands(commands: Any) -> None:
    """Add the commands of this module to the command line (argparse subparsers)."""
    run = console.add_command(
        commands,
        "run",
        _run,
        "simulate one stroke and print forces, powers and efficiencies",
        "flapsim run cases/glasshouse.toml --set stroke.frequency_hz=3.2 -o cruise.h5",
    )
    console.take_case(run)
    console.take_series(run)
    console.take_output(run, "result file to write, HDF5 (.h5)")

    check = console.add_command(
        commands,
        "check",
        _check,
        "read a case and print its main dimensions, or every fault in it",
        "flapsim check cases/glasshouse.toml",
    )
    console.take_case(check)

    figure = console.add_command(
        commands,
        "figure",
        _figure,
        "draw a figure of one stroke",
        "flapsim figure cases/glasshouse.toml --kind stroke -o stroke.svg",
    )
    _take_stroke(figure)
    figure.add_argument(
        "--kind",
        metavar="NAME",
        help=", ".join(f"{name} ({kind.shows})" for name, kind in KINDS.items())
        + f" [{DEFAULT_KIND}]",
    )
    console.take_output(
        figure, "figure to write: .png, .svg or .pdf [FILE_KIND.png in the current folder]"
    )

    animate = console.add_command(
        commands,
        "animate",
        _animate,
        "animate the wing, seen from ahead and from the side",
        "flapsim animate cases/glasshouse.toml -o stroke.gif",
    )
    _take_stroke(animate)
    console.take_output(
        animate, "animation to write: .gif, or .mp4 if ffmpeg is installed [FILE.gif]"
    )


def _take_stroke(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="case file (.toml) or result file (.h5)")
    console.take_changes(parser)
    console.take_json(parser)


def _run(options: argparse.Namespace) -> None:
    console.check_series(options)
    console.check_output(options, console.RESULT_SUFFIXES)
    cycle = _simulated(console.case_from(options.case, options.changes))
    if options.output is not None:
        from flapsim.cycle.files import ResultError, write_cycle

        with console.refusing(ResultError):
            write_cycle(cycle, options.output)
        console.say_written(options.output, "one stroke")
    if options.json:
        console.print_json(cycle.to_dict(series=options.series))
        return
    from flapsim.show.tables import cycle_table

    print(cycle_table(cycle))


def _check(options: argparse.Namespace) -> None:
    from flapsim.wing.proportions import proportions

    try:
        case = console.case_from(options.case, options.changes)
        amounts = proportions(case)
    except CaseError as error:
        if options.json:
            faults = [asdict(fault) for fault in error.faults]
            console.print_json({"sound": False, "faults": faults})
        raise
    if options.json:
        known = finite_or_none(amounts)
        console.print_json({"sound": True, "title": case.title, "proportions": known})
        return
    from flapsim.show.tables import case_table

    print(case_table(case, amounts))


def _figure(options: argparse.Namespace) -> None:
    if draws_reduction(options):
        _report(options, MEASURED_PICTURE)
        return
    kind = options.kind or DEFAULT_KIND
    if kind not in KINDS:
        raise console.Stop(
            console.INPUT_AT_FAULT, f"--kind: expected one of {', '.join(KINDS)}, found {kind}"
        )
    cycle = _cycle(options, f"_{kind}.png", console.PICTURE_SUFFIXES, kind)
    from flapsim.show.figures import draw

    with console.refusing(ValueError):  # a result with driven twists only
        draw(cycle, kind, options.output)
    _report(options, kind)


def _animate(options: argparse.Namespace) -> None:
    cycle = _cycle(options, ".gif", console.FILM_SUFFIXES)
    from flapsim.show.film import animate

    with console.refusing(ValueError):  # an MP4 without ffmpeg
        animate(cycle, options.output)
    _report(options, "animation")


def _report(options: argparse.Namespace, kind: str) -> None:
    if options.json:
        console.print_json({"kind": kind, "written": str(options.output)})
    else:
        console.say_written(options.output, kind)


def _cycle(
    options: argparse.Namespace, ending: str, suffixes: tuple[str, ...], kind: str = DEFAULT_KIND
) -> Cycle:
    """Check the output, by default named after the file, then return the cycle to draw."""
    path = Path(options.file)
    if options.output is None:
        options.output = Path(f"{path.stem}{ending}")
    console.check_output(options, suffixes)
    if path.suffix.lower() not in console.RESULT_SUFFIXES:
        return _simulated(console.case_from(options.file, options.changes), kind)
    if options.changes:
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"{path}: --set changes a case, not a result; give the case file",
        )
    from flapsim.cycle.files import ResultError, read_cycle

    with console.refusing(ResultError):
        return read_cycle(path)


def _simulated(case: Case, kind: str = DEFAULT_KIND) -> Cycle:
    """Simulate a case, unless the figure that is to be drawn of it needs another twist."""
    with console.solving(case):
        if KINDS[kind].compliant:
            from flapsim.show.figures import check_twist

            with console.refusing(ValueError):
                check_twist(case, kind)
        from flapsim.cycle.simulate import simulate

        return simulate(case)
