"""Numbers of the command line, written down: ``python -m tests.record`` writes them anew.

A change of numbers is a change of physics: run it only when one is meant, and say in DEVELOPERS.md
which number moved, by how much and why.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

from flapsim.cli.main import main

PROJECT = Path(__file__).parents[1]
CASES = PROJECT / "cases"
NUMBERS = Path(__file__).with_name("recorded_numbers.json")
LOG = [str(CASES / "rig" / "bench_log.csv"), "--rig", str(CASES / "rig" / "bench.toml")]
GLASSHOUSE = str(CASES / "glasshouse.toml")
TILTED = "stroke.port={outer={plunge={amplitude_deg=20.4,lag_deg=56},twist={tip_amplitude_deg=30}}}"

COMMANDS: dict[str, list[str]] = {
    **{
        f"run {path.stem}": ["run", str(path)]
        for path in sorted(CASES.glob("*.toml"))
        if "[stroke" in path.read_text(encoding="utf-8")
    },
    "run, halves that differ": ["run", GLASSHOUSE, "--set", TILTED],
    "trim": ["trim", GLASSHOUSE],
    "trim two_metre_passive": ["trim", str(CASES / "two_metre_passive.toml")],
    "power": ["power", GLASSHOUSE, "--speeds", "4:8:3"],
    "drive": ["drive", GLASSHOUSE, "--size"],
    "loads": ["loads", GLASSHOUSE, "--tube", "6,5", "--wall", "0.5,0.5"],
    "reduce": ["reduce", *LOG, "--against", GLASSHOUSE],
    "calibrate": ["calibrate", GLASSHOUSE, "--log", *LOG, "--free", "wing.section.friction_factor"],
}
"""A name, and what follows ``flapsim`` on the command line."""


def numbers_of(command: list[str]) -> dict[str, float]:
    """Every number that a command prints with ``--json``, by its path."""
    out = StringIO()
    with redirect_stdout(out), redirect_stderr(StringIO()):
        code = main([*command, "--json"])
    assert code == 0, command
    return dict(_numbers(json.loads(out.getvalue()), ""))


def _numbers(value: Any, path: str) -> Iterator[tuple[str, float]]:
    if isinstance(value, dict):
        for name, below in value.items():
            yield from _numbers(below, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from _numbers(below, f"{path}.{index}")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, float(value)


def write() -> None:
    """Write all numbers down."""
    found = {name: numbers_of(command) for name, command in COMMANDS.items()}
    NUMBERS.write_text(json.dumps(found, indent=0) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(write())
