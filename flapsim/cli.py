"""The command line: read the arguments, call the package, print.

Exit codes: 0 done; 2 the input is at fault; 3 the physics has no such answer; 130 interrupted.
Results go to standard output, everything said about them to standard error.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import math
import os
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.case import Case, CaseError, read_case

if TYPE_CHECKING:
    from flapsim.cycle import Cycle

__all__ = ["main"]

DONE = 0
INPUT_AT_FAULT = 2
NO_SUCH_ANSWER = 3
INTERRUPTED = 130

RESULT_SUFFIXES = (".h5", ".hdf5", ".nc")
PICTURE_SUFFIXES = (".png", ".svg", ".pdf")
FILM_SUFFIXES = (".gif", ".mp4")

# The names of flapsim.show.figures.KINDS, here so that --help need not load the plotting library.
PICTURES = ("overview", "stroke", "loads", "maps", "span", "watts")


class Stop(Exception):
    """The command ends here, with an exit code and words for standard error."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


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
        _say(str(stop))
        return stop.code
    except CaseError as error:
        count = len(error.faults)
        _say(f"{error}\nflapsim: {count} {'fault' if count == 1 else 'faults'}, nothing computed")
        return INPUT_AT_FAULT
    except BrokenPipeError:
        # Whoever read the output has left; Python must not try to flush the rest at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        _say("flapsim: the output was not read to its end")
        return INPUT_AT_FAULT
    except OSError as error:
        _say(f"{error.filename or 'flapsim'}: {error.strerror or error}")
        return INPUT_AT_FAULT
    except KeyboardInterrupt:
        _say("flapsim: interrupted")
        return INTERRUPTED


def _say(message: str) -> None:
    with contextlib.suppress(BrokenPipeError):
        print(message, file=sys.stderr, flush=True)


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

    run = _add(
        commands,
        "run",
        _run,
        "compute the cycle of a case and print what the wing does",
        "flapsim run cases/glasshouse.toml --set stroke.frequency_hz=3.2 -o cruise.h5",
    )
    run.add_argument("case", metavar="CASE", help="case file (.toml)")
    _take_changes(run)
    _take_json(run)
    run.add_argument("--series", action="store_true", help="with --json: every series too")
    _take_output(run, "result file to write, HDF5 (.h5)")

    check = _add(
        commands,
        "check",
        _check,
        "read a case, say what it means or everything that is wrong with it",
        "flapsim check cases/glasshouse.toml",
    )
    check.add_argument("case", metavar="CASE", help="case file (.toml)")
    _take_changes(check)
    _take_json(check)

    figure = _add(
        commands,
        "figure",
        _figure,
        "draw a picture of a cycle",
        "flapsim figure cases/glasshouse.toml --kind stroke -o stroke.svg",
    )
    figure.add_argument("file", metavar="FILE", help="case file (.toml) or result file (.h5)")
    _take_changes(figure)
    _take_json(figure)
    figure.add_argument("--kind", metavar="NAME", help=f"one of {', '.join(PICTURES)} [overview]")
    _take_output(figure, "picture to write, .png, .svg or .pdf [FILE_KIND.png, in this folder]")

    animate = _add(
        commands,
        "animate",
        _animate,
        "draw the wing in motion, from ahead and from the side",
        "flapsim animate cases/glasshouse.toml -o stroke.gif",
    )
    animate.add_argument("file", metavar="FILE", help="case file (.toml) or result file (.h5)")
    _take_changes(animate)
    _take_json(animate)
    _take_output(animate, "film to write, .gif, or .mp4 where ffmpeg is installed [FILE.gif]")
    return parser


def _add(
    commands: Any, name: str, command: Callable[[Any], None], what: str, example: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=what,
        description=what[0].upper() + what[1:] + ".",
        epilog=f"example: {example}",
        allow_abbrev=False,
    )
    parser.set_defaults(command=command)
    return parser


def _take_changes(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--set",
        dest="changes",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="change a key of the case, as stroke.frequency_hz=3.2; repeatable",
    )


def _take_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document, no table")


def _take_output(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument("-o", "--output", metavar="FILE", type=Path, help=what)
    parser.add_argument(
        "--overwrite", action="store_true", help="replace the output file if it exists"
    )


def changes_from(texts: Sequence[str]) -> dict[str, Any]:
    """Read the ``KEY=VALUE`` arguments of ``--set``.

    Parameters
    ----------
    texts : sequence of str
        VALUE as in TOML; a bare word stands for itself (``model.induced=slope``).

    Returns
    -------
    dict
        Key path -> value; the last of equal keys counts.

    Raises
    ------
    Stop
        With a sentence on the first text that is not ``KEY=VALUE``.
    """
    changes = {}
    for text in texts:
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not re.fullmatch(r"[\w-]+(\.[\w-]+)*", key) or not value:
            raise Stop(
                INPUT_AT_FAULT,
                f"--set {text}: KEY=VALUE expected, such as stroke.frequency_hz=3.2",
            )
        changes[key] = _toml_value(text, value)
    return changes


def _toml_value(text: str, value: str) -> Any:
    with contextlib.suppress(tomllib.TOMLDecodeError):
        table = tomllib.loads(f"value = {value}")
        if table.keys() == {"value"}:
            return table["value"]
    if value[0] in "[{\"'" or not value.isprintable():
        raise Stop(
            INPUT_AT_FAULT,
            f"--set {text}: {value} is no TOML value, a number, word, list or table expected",
        )
    return value


def _output_checked(options: argparse.Namespace, suffixes: tuple[str, ...]) -> None:
    """Refuse, before anything is computed, an output that could not be written or would be lost."""
    path: Path | None = options.output
    if path is None:
        return
    fault = None
    if path.is_dir():
        fault = "is a folder, a file name expected"
    elif path.suffix.lower() not in suffixes:
        fault = f"the name should end in {' or '.join(suffixes)}"
    elif not path.parent.is_dir():
        fault = f"there is no folder {path.parent}"
    elif not os.access(path.parent, os.W_OK):
        fault = f"no permission to write in {path.parent.resolve()}"
    elif path.exists() and not options.overwrite:
        fault = "exists already; choose another name or add --overwrite"
    if fault is not None:
        raise Stop(INPUT_AT_FAULT, f"{path}: {fault}")


# --- commands ----------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> None:
    if options.series and not options.json:
        raise Stop(INPUT_AT_FAULT, "--series goes with --json; a table has no room for series")
    _output_checked(options, RESULT_SUFFIXES)
    cycle = _simulated(_case(options.case, options.changes))
    if options.output is not None:
        _write_result(cycle, options.output)
    if options.json:
        _print_json(cycle.to_dict(series=options.series))
        return
    from flapsim.terminal import cycle_table

    print(cycle_table(cycle))


def _check(options: argparse.Namespace) -> None:
    from flapsim.proportions import proportions

    try:
        case = _case(options.case, options.changes)
        amounts = proportions(case)
    except CaseError as error:
        if options.json:
            _print_json({"sound": False, "faults": [asdict(fault) for fault in error.faults]})
        raise
    if options.json:
        known = {name: x if math.isfinite(x) else None for name, x in amounts.items()}
        _print_json({"sound": True, "title": case.title, "proportions": known})
        return
    from flapsim.terminal import case_table

    print(case_table(case, amounts))


def _figure(options: argparse.Namespace) -> None:
    kind = options.kind or PICTURES[0]
    if kind not in PICTURES:
        raise Stop(
            INPUT_AT_FAULT, f"--kind {kind}: no such picture, one of {', '.join(PICTURES)} expected"
        )
    if options.output is None:
        options.output = Path(f"{Path(options.file).stem}_{kind}.png")
    _output_checked(options, PICTURE_SUFFIXES)
    cycle = _cycle(options.file, options.changes)
    from flapsim.show.figures import draw

    draw(cycle, kind, options.output)
    _tell_written(options, kind)


def _animate(options: argparse.Namespace) -> None:
    if options.output is None:
        options.output = Path(f"{Path(options.file).stem}.gif")
    _output_checked(options, FILM_SUFFIXES)
    cycle = _cycle(options.file, options.changes)
    from flapsim.show.animation import animate

    try:
        animate(cycle, options.output)
    except ValueError as error:  # an MP4 without ffmpeg
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    _tell_written(options, "animation")


def _tell_written(options: argparse.Namespace, kind: str) -> None:
    if options.json:
        _print_json({"kind": kind, "written": str(options.output)})
    else:
        _say(f"wrote {options.output}")


# --- from files to cycles ----------------------------------------------------------------------


def _case(path: str, changes: Sequence[str]) -> Case:
    changed = changes_from(changes)
    case = read_case(path)
    return case.replace(changed) if changed else case


def _cycle(path: str, changes: Sequence[str]) -> Cycle:
    """The cycle in a result file, or that of a case file."""
    if Path(path).suffix.lower() not in RESULT_SUFFIXES:
        return _simulated(_case(path, changes))
    if changes:
        raise Stop(INPUT_AT_FAULT, f"--set changes a case, {path} is a result; give the case file")
    from flapsim.results import ResultError, read_cycle

    try:
        return read_cycle(path)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error


def _simulated(case: Case) -> Cycle:
    with _quick_start():
        from flapsim.cycle import NoAnswer, simulate

        try:
            with _compilation_said():
                return simulate(case)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error


@contextlib.contextmanager
def _quick_start() -> Iterator[None]:
    """Load the compiled solver in half the time that it would take unaided."""
    import numpy as np

    # A star import by scipy would load numpy's Fortran parser, which takes longer than the solver.
    with contextlib.suppress(ValueError):
        np.__all__.remove("f2py")
    # What is loaded stays; looking for garbage in it, now or at exit, finds none.
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if collecting:
            gc.enable()


def _write_result(cycle: Cycle, path: Path) -> None:
    from flapsim.results import ResultError, write_cycle

    try:
        write_cycle(cycle, path)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    _say(f"wrote {path}")


@contextlib.contextmanager
def _compilation_said() -> Iterator[None]:
    """Say once that the solver is being compiled, if it is: the first run takes some seconds."""
    from numba.core import event

    class Listener(event.Listener):  # type: ignore[misc]
        said = False

        def on_start(self, _: object) -> None:
            if not self.said:
                self.said = True
                _say("compiling the solver for this computer; later runs start at once ...")

        def on_end(self, _: object) -> None:
            pass

    with event.install_listener("numba:compile", Listener()):
        yield


def _print_json(document: dict[str, Any]) -> None:
    print(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
