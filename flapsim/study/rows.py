"""A file of rows: designs written as a table whose header names key paths."""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flapsim.case.rules import show
from flapsim.case.text import read_text
from flapsim.faults import CaseError, Fault

__all__ = ["Rows", "read_rows"]


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of a CSV file.

    Attributes
    ----------
    file : str
        Name of the file.
    columns : dict of str to tuple
        Values by key path.
    lines : tuple of int
        Line of each row, for messages.
    """

    file: str
    columns: dict[str, tuple[Any, ...]]
    lines: tuple[int, ...]


def read_rows(path: Path) -> Rows:
    """Read a file of rows.

    Parameters
    ----------
    path : Path
        CSV in UTF-8 with a header of key paths; lines that begin with ``#`` are comments. A cell
        is a number, true, false, or a word.

    Returns
    -------
    Rows

    Raises
    ------
    CaseError
        With every line at fault.
    """
    numbered = [
        (number, line)
        for number, line in enumerate(read_text(path).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(numbered) < 2:
        raise CaseError([Fault(path.name, "", f"{len(numbered)} lines", "a header and rows")])
    cells = [next(csv.reader(io.StringIO(line), skipinitialspace=True)) for _, line in numbered]
    header = [name.strip() for name in cells[0]]
    faults = []
    if len(set(header)) < len(header) or "" in header:
        given = show(", ".join(header))
        line = f"line {numbered[0][0]}"
        faults.append(Fault(path.name, line, given, "key paths, each once"))
    for (number, _), row in zip(numbered[1:], cells[1:], strict=True):
        if len(row) != len(header):
            line = f"line {number}"
            faults.append(Fault(path.name, line, f"{len(row)} values", f"{len(header)} values"))
    if faults:
        raise CaseError(faults)
    values = zip(*([_value(cell) for cell in row] for row in cells[1:]), strict=True)
    return Rows(
        path.name,
        dict(zip(header, values, strict=True)),
        tuple(number for number, _ in numbered[1:]),
    )


def _value(cell: str) -> Any:
    """Return a cell as TOML reads it, or as the word that it is."""
    text = cell.strip()
    try:
        table = tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text
    return table["value"] if table.keys() == {"value"} else text
