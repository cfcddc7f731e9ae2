"""What all commands of the command line share: arguments, files, words and exit codes.

Exit codes: 0 done; 2 the input is at fault; 3 the physics has no such answer; 130 interrupted.
Results go to standard output, everything said about them to standard error.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import os
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from flapsim.case import Case, read_case

DONE = 0
INPUT_AT_FAULT = 2
NO_SUCH_ANSWER = 3
INTERRUPTED = 130

RESULT_SUFFIXES = (".h5", ".hdf5", ".nc")
PICTURE_SUFFIXES = (".png", ".svg", ".pdf")
FILM_SUFFIXES = (".gif", ".mp4")


class Stop(Exception):
    """The command ends here, with an exit code and words for standard error."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


def say(message: str) -> None:
    """Tell the user something, on standard error.

    Parameters
    ----------
    message : str
    """
    with contextlib.suppress(BrokenPipeError):
        print(message, file=sys.stderr, flush=True)


def add_command(
    commands: Any, name: str, command: Callable[[Any], None], what: str, example: str
) -> argparse.ArgumentParser:
    """Add a command to the command line.

    Parameters
    ----------
    commands : argparse subparsers
    name : str
        As it is typed.
    command : callable
        Takes the options and does the work.
    what : str
        What it does, in lower case, without a full stop.
    example : str
        A whole line that shows it.

    Returns
    -------
    argparse.ArgumentParser
        To add arguments to.
    """
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=what,
        description=what[0].upper() + what[1:] + ".",
        epilog=f"example: {example}",
        allow_abbrev=False,
    )
    parser.set_defaults(command=command)
    return parser


def take_changes(parser: argparse.ArgumentParser) -> None:
    """Let a command take ``--set KEY=VALUE``."""
    parser.add_argument(
        "--set",
        dest="changes",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="change a key of the case, as stroke.frequency_hz=3.2; repeatable",
    )


def take_json(parser: argparse.ArgumentParser) -> None:
    """Let a command take ``--json``."""
    parser.add_argument("--json", action="store_true", help="print one JSON document, no table")


def take_output(parser: argparse.ArgumentParser, what: str) -> None:
    """Let a command take ``--output FILE`` and ``--overwrite``."""
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


def check_output(options: argparse.Namespace, suffixes: tuple[str, ...]) -> None:
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


def case_from(path: str, changes: Sequence[str]) -> Case:
    """Read a case and change it.

    Parameters
    ----------
    path : str
        Case file.
    changes : sequence of str
        Texts ``KEY=VALUE``.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        If the file or a changed key is at fault.
    Stop
        If a text is not ``KEY=VALUE``.
    """
    changed = changes_from(changes)
    case = read_case(path)
    return case.replace(changed) if changed else case


@contextlib.contextmanager
def quick_start() -> Iterator[None]:
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


@contextlib.contextmanager
def compilation_said() -> Iterator[None]:
    """Say once that the solver is being compiled, if it is: the first run takes some seconds."""
    from numba.core import event

    class Listener(event.Listener):  # type: ignore[misc]
        said = False

        def on_start(self, _: object) -> None:
            if not self.said:
                self.said = True
                say("compiling the solver for this computer; later runs start at once ...")

        def on_end(self, _: object) -> None:
            pass

    with event.install_listener("numba:compile", Listener()):
        yield


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document on standard output."""
    print(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
