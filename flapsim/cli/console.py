"""What every command shares: arguments, reading a case, messages and exit codes.

Exit codes: 0 done; 2 the input is at fault; 3 the physics has no such answer; 130 interrupted.
Results go to standard output, every message to standard error. The other modules of this room
import this one whole (``from flapsim.cli import console``).
"""

from __future__ import annotations

import argparse
import codecs
import contextlib
import gc
import io
import json
import math
import os
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from flapsim.case import Case, read_case
from flapsim.faults import NoAnswer
from flapsim.show import kinds

DONE = 0
INPUT_AT_FAULT = 2
NO_SUCH_ANSWER = 3
INTERRUPTED = 130

RESULT_SUFFIXES = (".h5", ".hdf5", ".nc")
PICTURE_SUFFIXES = kinds.SUFFIXES
FILM_SUFFIXES = kinds.FILM_SUFFIXES


class Stop(Exception):
    """Ends the command with an exit code and a message on standard error."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


_PLAIN_SIGNS = {
    "×": "x", "°": " deg", "Ω": "ohm", "±": "+/-", "−": "-", "–": "-", "→": "->", "…": "...",
    "≥": ">=", "≤": "<=", "η": "eta", "α": "alpha", "⁻": "-",
} | dict(zip("⁰¹²³⁴⁵⁶⁷⁸⁹", "0123456789", strict=True))  # fmt: skip


def print_plain_signs() -> None:
    """Print plain signs where the terminal's encoding has no × or ³."""

    def plainly(error: UnicodeError) -> tuple[str, int]:
        assert isinstance(error, UnicodeEncodeError)
        lost = error.object[error.start : error.end]
        return "".join(_PLAIN_SIGNS.get(sign, "?") for sign in lost), error.end

    codecs.register_error("flapsim.plain", plainly)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="flapsim.plain")


# --- arguments -----------------------------------------------------------------------------------


def add_command(
    commands: Any, name: str, command: Callable[[Any], None], what: str, example: str
) -> argparse.ArgumentParser:
    """Add a command to the subparsers of the command line.

    `what` says what it does, in lower case without a full stop; `example` is a complete command
    line.
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


def take_case(parser: argparse.ArgumentParser) -> None:
    """Let a command take a case: ``CASE``, ``--set KEY=VALUE`` and ``--json``."""
    parser.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(parser)
    take_json(parser)


def take_changes(parser: argparse.ArgumentParser) -> None:
    """Let a command take ``--set KEY=VALUE``."""
    parser.add_argument(
        "--set",
        dest="changes",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="change a key of the case, such as stroke.frequency_hz=3.2; repeatable",
    )


def take_json(parser: argparse.ArgumentParser) -> None:
    """Let a command take ``--json``."""
    parser.add_argument(
        "--json", action="store_true", help="print one JSON document instead of a table"
    )


def take_series(parser: argparse.ArgumentParser) -> None:
    """Let a command take ``--series``; `check_series` refuses it without ``--json``."""
    parser.add_argument("--series", action="store_true", help="with --json: include every series")


def take_output(parser: argparse.ArgumentParser, what: str) -> None:
    """Let a command take ``--output FILE`` and ``--overwrite``."""
    parser.add_argument("-o", "--output", metavar="FILE", type=Path, help=what)
    parser.add_argument(
        "--overwrite", action="store_true", help="replace the output file if it exists"
    )


def check_series(options: argparse.Namespace) -> None:
    """Refuse ``--series`` without ``--json``."""
    if options.series and not options.json:
        raise Stop(INPUT_AT_FAULT, "--series needs --json; the table does not show series")


def check_output(options: argparse.Namespace, suffixes: tuple[str, ...]) -> None:
    """Refuse, before anything is computed, an output that cannot be written or would be lost."""
    path: Path | None = options.output
    if path is None:
        return
    fault = None
    if path.is_dir():
        fault = "expected a file name, found a folder"
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


# --- cases ---------------------------------------------------------------------------------------


def case_from(path: str, changes: Sequence[str]) -> Case:
    """Read a case and apply the changes of ``--set``."""
    changed = changes_from(changes)
    case = read_case(path)
    return case.replace(changed) if changed else case


def positive_number(text: str) -> float:
    """Read a finite number above 0; ValueError for anything else."""
    value = float(text)
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(text)
    return value


positive_number.__name__ = "positive number"  # named in argparse's message


def changes_from(texts: Sequence[str]) -> dict[str, Any]:
    """Read the ``KEY=VALUE`` arguments of ``--set``; the last of equal keys counts.

    VALUE is as in TOML; a bare word stands for itself (``model.induced=slope``).
    """
    changes = {}
    for text in texts:
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not re.fullmatch(r"[\w-]+(\.[\w-]+)*", key) or not value:
            raise Stop(
                INPUT_AT_FAULT,
                f"--set: expected KEY=VALUE, such as stroke.frequency_hz=3.2, found {text}",
            )
        changes[key] = _toml_value(key, value)
    return changes


def _toml_value(key: str, value: str) -> Any:
    with contextlib.suppress(tomllib.TOMLDecodeError):
        table = tomllib.loads(f"value = {value}")
        if table.keys() == {"value"}:
            return table["value"]
    if value[0] in "[{\"'" or not value.isprintable():
        raise Stop(
            INPUT_AT_FAULT,
            f"--set {key}: expected a TOML value (number, word, list or table), found {value}",
        )
    return value


# --- the solver ----------------------------------------------------------------------------------


@contextlib.contextmanager
def solving(case: Case) -> Iterator[None]:
    """Load and run the solver for a case: quickly, with a notice of compilation.

    Imports of the solver belong inside. A :class:`flapsim.faults.NoAnswer` becomes a `Stop` with
    exit code 3 that names the case.
    """
    try:
        with quick_start(), compilation_said():
            yield
    except NoAnswer as error:
        raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error


@contextlib.contextmanager
def quick_start() -> Iterator[None]:
    """Load the compiled solver in half the time that it would take unaided."""
    import numpy as np

    # A star import by scipy would load numpy's Fortran parser, which takes longer than the solver.
    with contextlib.suppress(ValueError):
        np.__all__.remove("f2py")
    # Loaded modules are never freed: searching them for garbage, now or at exit, finds nothing.
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


# --- what is printed -----------------------------------------------------------------------------


def say(message: str) -> None:
    """Print a message on standard error."""
    with contextlib.suppress(BrokenPipeError):
        print(message, file=sys.stderr, flush=True)


def say_written(path: str | Path, what: str) -> None:
    """Report a file that was written, and in brackets what it holds."""
    say(f"wrote {path} ({what})")


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document on standard output."""
    print(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))


@contextlib.contextmanager
def refusing(*errors: type[Exception]) -> Iterator[None]:
    """Report these exceptions as faults of the input: their message, exit code 2."""
    try:
        yield
    except errors as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
