"""The command line: read the arguments, call the package, print.

Exit codes: 0 done; 2 the input is at fault; 3 the physics has no such answer; 130 interrupted.
Results go to standard output, everything said about them to standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from flapsim.case import Case
from flapsim.cli.common import (
    DONE,
    FILM_SUFFIXES,
    INPUT_AT_FAULT,
    INTERRUPTED,
    NO_SUCH_ANSWER,
    PICTURE_SUFFIXES,
    RESULT_SUFFIXES,
    Stop,
    add_command,
    case_from,
    check_output,
    compilation_said,
    print_json,
    quick_start,
    say,
    take_changes,
    take_json,
    take_output,
)
from flapsim.cli.drive import add_drive_commands
from flapsim.cli.flight import add_flight_commands
from flapsim.cli.rig import MEASURED_PICTURE, add_rig_commands, draws_reduction
from flapsim.cli.study import add_study_commands
from flapsim.faults import CaseError
from flapsim.quantities import finite_or_none

if TYPE_CHECKING:
    from flapsim.cycle.simulate import Cycle

__all__ = ["main"]


# The names of flapsim.show.figures.KINDS, here so that --help need not load the plotting library.
PICTURES = ("overview", "stroke", "loads", "maps", "span", "watts", "twist", "margin")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        As typed after ``flapsim``; those of the process when left out.

    Returns
    -------
    int
        Exit code.
    """
    try:
        options = _parser().parse_args(arguments)
        options.command(options)
        print(end="", flush=True)  # what cannot be written is told here, not by Python at exit
        return DONE
    except Stop as stop:
        say(str(stop))
        return stop.code
    except CaseError as error:
        count = len(error.faults)
        say(f"{error}\nflapsim: {count} {'fault' if count == 1 else 'faults'}, nothing computed")
        return INPUT_AT_FAULT
    except BrokenPipeError:
        # Whoever read the output has left; Python must not try to flush the rest at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        say("flapsim: the output was not read to its end")
        return INPUT_AT_FAULT
    except OSError as error:
        say(f"{error.filename or 'flapsim'}: {error.strerror or error}")
        return INPUT_AT_FAULT
    except KeyboardInterrupt:
        say("flapsim: interrupted")
        return INTERRUPTED


# --- arguments ---------------------------------------------------------------------------------


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from flapsim import __version__

        print(f"flapsim {__version__}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flapsim",
        description="Lift, thrust, power and efficiency of a flapping wing, from one case file.",
        epilog="example: flapsim run cases/glasshouse.toml",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and leave")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    run = add_command(
        commands,
        "run",
        _run,
        "compute the cycle of a case and print what the wing does",
        "flapsim run cases/glasshouse.toml --set stroke.frequency_hz=3.2 -o cruise.h5",
    )
    run.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(run)
    take_json(run)
    run.add_argument("--series", action="store_true", help="with --json: every series too")
    take_output(run, "result file to write, HDF5 (.h5)")

    check = add_command(
        commands,
        "check",
        _check,
        "read a case, say what it means or everything that is wrong with it",
        "flapsim check cases/glasshouse.toml",
    )
    check.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(check)
    take_json(check)

    figure = add_command(
        commands,
        "figure",
        _figure,
        "draw a picture of a cycle",
        "flapsim figure cases/glasshouse.toml --kind stroke -o stroke.svg",
    )
    figure.add_argument("file", metavar="FILE", help="case file (.toml) or result file (.h5)")
    take_changes(figure)
    take_json(figure)
    figure.add_argument("--kind", metavar="NAME", help=f"one of {', '.join(PICTURES)} [overview]")
    take_output(figure, "picture to write, .png, .svg or .pdf [FILE_KIND.png, in this folder]")

    animate = add_command(
        commands,
        "animate",
        _animate,
        "draw the wing in motion, from ahead and from the side",
        "flapsim animate cases/glasshouse.toml -o stroke.gif",
    )
    animate.add_argument("file", metavar="FILE", help="case file (.toml) or result file (.h5)")
    take_changes(animate)
    take_json(animate)
    take_output(animate, "film to write, .gif, or .mp4 where ffmpeg is installed [FILE.gif]")
    add_flight_commands(commands)
    add_study_commands(commands)
    add_drive_commands(commands)
    add_rig_commands(commands)
    return parser


# --- commands ----------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> None:
    if options.series and not options.json:
        raise Stop(INPUT_AT_FAULT, "--series goes with --json; a table has no room for series")
    check_output(options, RESULT_SUFFIXES)
    cycle = _simulated(case_from(options.case, options.changes))
    if options.output is not None:
        _write_result(cycle, options.output)
    if options.json:
        print_json(cycle.to_dict(series=options.series))
        return
    from flapsim.show.tables import cycle_table

    print(cycle_table(cycle))


def _check(options: argparse.Namespace) -> None:
    from flapsim.wing.proportions import proportions

    try:
        case = case_from(options.case, options.changes)
        amounts = proportions(case)
    except CaseError as error:
        if options.json:
            print_json({"sound": False, "faults": [asdict(fault) for fault in error.faults]})
        raise
    if options.json:
        print_json({"sound": True, "title": case.title, "proportions": finite_or_none(amounts)})
        return
    from flapsim.show.tables import case_table

    print(case_table(case, amounts))


def _figure(options: argparse.Namespace) -> None:
    if draws_reduction(options):
        _tell_written(options, MEASURED_PICTURE)
        return
    kind = options.kind or PICTURES[0]
    if kind not in PICTURES:
        raise Stop(
            INPUT_AT_FAULT, f"--kind {kind}: no such picture, one of {', '.join(PICTURES)} expected"
        )
    if options.output is None:
        options.output = Path(f"{Path(options.file).stem}_{kind}.png")
    check_output(options, PICTURE_SUFFIXES)
    cycle = _cycle(options.file, options.changes)
    from flapsim.show.figures import draw

    try:
        draw(cycle, kind, options.output)
    except ValueError as error:  # the twist of a wing that does not give way
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    _tell_written(options, kind)


def _animate(options: argparse.Namespace) -> None:
    if options.output is None:
        options.output = Path(f"{Path(options.file).stem}.gif")
    check_output(options, FILM_SUFFIXES)
    cycle = _cycle(options.file, options.changes)
    from flapsim.show.animation import animate

    try:
        animate(cycle, options.output)
    except ValueError as error:  # an MP4 without ffmpeg
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    _tell_written(options, "animation")


def _tell_written(options: argparse.Namespace, kind: str) -> None:
    if options.json:
        print_json({"kind": kind, "written": str(options.output)})
    else:
        say(f"wrote {options.output}")


# --- from files to cycles ----------------------------------------------------------------------


def _cycle(path: str, changes: Sequence[str]) -> Cycle:
    """The cycle in a result file, or that of a case file."""
    if Path(path).suffix.lower() not in RESULT_SUFFIXES:
        return _simulated(case_from(path, changes))
    if changes:
        raise Stop(INPUT_AT_FAULT, f"--set changes a case, {path} is a result; give the case file")
    from flapsim.cycle.files import ResultError, read_cycle

    try:
        return read_cycle(path)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error


def _simulated(case: Case) -> Cycle:
    with quick_start():
        from flapsim.cycle.simulate import simulate
        from flapsim.faults import NoAnswer

        try:
            with compilation_said():
                return simulate(case)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error


def _write_result(cycle: Cycle, path: Path) -> None:
    from flapsim.cycle.files import ResultError, write_cycle

    try:
        write_cycle(cycle, path)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    say(f"wrote {path}")
