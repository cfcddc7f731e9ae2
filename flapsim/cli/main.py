"""The command line: parse the arguments, run the command, turn errors into exit codes.

Exit codes: 0 done; 2 the input is at fault; 3 the physics has no such answer; 130 interrupted.
Results go to standard output, every message to standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from flapsim.cli import console
from flapsim.cli.compare import add_compare_command
from flapsim.cli.drive import add_drive_commands
from flapsim.cli.flight import add_flight_commands
from flapsim.cli.rig import add_rig_commands
from flapsim.cli.run import add_run_commands
from flapsim.cli.sweep import add_sweep_command
from flapsim.cli.words import add_word_commands
from flapsim.faults import CaseError

_FAMILIES = (
    add_run_commands,
    add_flight_commands,
    add_sweep_command,
    add_compare_command,
    add_drive_commands,
    add_rig_commands,
    add_word_commands,
)
"""Every command, family by family, in the order in which --help lists them."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command, by default that of the process, and return its exit code."""
    console.print_plain_signs()
    try:
        options = _parser().parse_args(arguments)
        options.command(options)
        print(end="", flush=True)  # a failing write is reported here, not by Python at exit
        return console.DONE
    except console.Stop as stop:
        console.say(str(stop))
        return stop.code
    except CaseError as error:
        count = len(error.faults)
        faults = "1 fault" if count == 1 else f"{count} faults"
        console.say(f"{error}\nflapsim: {faults}, nothing was computed")
        return console.INPUT_AT_FAULT
    except BrokenPipeError:
        # The reader has closed the pipe; Python must not try to flush the rest at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        console.say("flapsim: standard output was closed before everything was written")
        return console.INPUT_AT_FAULT
    except OSError as error:
        console.say(f"{error.filename or 'flapsim'}: {error.strerror or error}")
        return console.INPUT_AT_FAULT
    except KeyboardInterrupt:
        console.say("flapsim: interrupted")
        return console.INTERRUPTED


class _Version(argparse.Action):
    """Looks up the version only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from flapsim.version import installed_version

        print(f"flapsim {installed_version()}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flapsim",
        description="Lift, thrust, power and efficiency of a flapping wing, from one case file.",
        epilog="example: flapsim run cases/glasshouse.toml",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for add_commands in _FAMILIES:
        add_commands(commands)
    return parser
