"""A CSV file of rows: one point per row, key paths in the header."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flapsim.case.rules import show
from flapsim.case.tables import split_rows
from flapsim.case.text import read_text
from flapsim.faults import Faults


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of a CSV file: values by key path, and the line of each row for messages."""

    file: str
    columns: dict[str, tuple[Any, ...]]
    lines: tuple[int, ...]


def read_rows(path: Path) -> Rows:
    """Read a file of rows.

    CSV in UTF-8 with a header of key paths; lines that begin with ``#`` are comments. A cell is a
    number, true, false, or a word.

    Raises
    ------
    CaseError
        With every line at fault.
    """
    faults = Faults(path.name)
    numbered = list(split_rows(read_text(path), faults))
    if len(numbered) < 2:
        faults.add("", f"{len(numbered)} lines", "a header and rows")
        faults.raise_if_any()
    (first, header), *rows = numbered
    if len(set(header)) < len(header) or "" in header:
        faults.add(f"line {first}", show(", ".join(header)), "key paths, each once")
    for number, row in rows:
        if len(row) != len(header):
            faults.add(f"line {number}", f"{len(row)} values", f"{len(header)} values")
    faults.raise_if_any()
    values = zip(*([_value(cell) for cell in row] for _, row in rows), strict=True)
    return Rows(
        path.name, dict(zip(header, values, strict=True)), tuple(number for number, _ in rows)
    )


def _value(text: str) -> Any:
    """Return a cell as TOML reads it, or as the word that it is."""
    try:
        table = tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text
    return table["value"] if table.keys() == {"value"} else text
