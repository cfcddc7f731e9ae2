"""CSV files that a case names: polars of a section and sampled motions.

Answers: what does the file hold, and is it sound? Faults carry file and line.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flapsim.case.rules import Number, Unfit, show
from flapsim.case.text import read_text
from flapsim.faults import CaseError, Fault, Faults, did_you_mean

Array = NDArray[np.float64]

MOST_FAULTS: Final = 20
"""Faults listed per table: a file with the wrong separator has one in every line."""

FEWEST_SAMPLES: Final = 8

_POLAR_RULES: Mapping[str, Number] = {
    "alpha_deg": Number(least=-180.0, most=180.0),
    "cl": Number(),
    "cd": Number(least=0.0),
    "cm": Number(),
    "reynolds": Number(above=0.0),
}
_SAMPLE_RULES: Mapping[str, Number] = {
    "phase_deg": Number(least=0.0, below=360.0),
    "angle_deg": Number(least=-180.0, most=180.0),
    "height_m": Number(),
}


@dataclass(frozen=True, slots=True, eq=False)
class Polar:
    """Measured or computed coefficients of a section, for one or several Reynolds numbers.

    Incidence, shape (n,), and Reynolds number, shape (k,), increase strictly; a table that does not
    state the latter has k = 1 and NaN. Lift, drag and moment about the quarter chord (nose-up; 0 if
    not given) have the shape (k, n).
    """

    alpha_deg: Array
    reynolds: Array
    cl: Array
    cd: Array
    cm: Array


def read_polar(path: str | Path) -> Polar:
    """Read a polar, with read-only arrays, from a CSV file.

    Columns alpha_deg, cl, cd, optionally cm and reynolds, in any order, are named in a header row;
    lines that begin with # are comments. The rows of one Reynolds number stand together, with the
    same incidences for each. Incidence rises strictly, includes 0 and spans at least 10 degrees.
    A CaseError lists file, line and column of every fault.
    """
    path = Path(path)
    return _read_polar(path, _stamp(path))


def read_samples(path: str | Path, value_column: str) -> tuple[Array, Array]:
    """Read a periodic motion from a CSV file: phase (rad) and value, read-only, shape (n,).

    At least 8 rows of phase_deg, strictly increasing in [0, 360), and `value_column`, either
    angle_deg or height_m; lines that begin with # are comments. A CaseError lists file, line and
    column of every fault.
    """
    path = Path(path)
    return _read_samples(path, value_column, _stamp(path))


def _stamp(path: Path) -> tuple[int, int] | None:
    """Time and size of a file, so that an unchanged table is read once for many cases."""
    try:
        state = path.stat()
    except (OSError, ValueError):
        return None
    return state.st_mtime_ns, state.st_size


@lru_cache(maxsize=64)
def _read_polar(path: Path, stamp: tuple[int, int] | None) -> Polar:
    del stamp
    table = _read_table(path, _POLAR_RULES, required=("alpha_deg", "cl", "cd"))
    faults = Faults(path.name)
    blocks = list(_blocks(table, faults))
    alpha = table.columns["alpha_deg"][blocks[0]]
    for block in blocks:
        _check_block(table, block, alpha, faults)
    _raise_some(faults)
    if "reynolds" not in table.columns:
        reynolds = np.array([math.nan])
    else:
        reynolds = table.columns["reynolds"][[block.start for block in blocks]]
    order = np.argsort(reynolds)
    zero = np.zeros(len(table.lines))

    def stacked(name: str) -> Array:
        column = table.columns.get(name, zero)
        return _frozen(np.stack([column[blocks[index]] for index in order]))

    return Polar(
        alpha_deg=_frozen(alpha.copy()),
        reynolds=_frozen(reynolds[order]),
        cl=stacked("cl"),
        cd=stacked("cd"),
        cm=stacked("cm"),
    )


@lru_cache(maxsize=64)
def _read_samples(
    path: Path, value_column: str, stamp: tuple[int, int] | None
) -> tuple[Array, Array]:
    del stamp
    rules = {name: _SAMPLE_RULES[name] for name in ("phase_deg", value_column)}
    table = _read_table(path, rules, required=tuple(rules))
    faults = Faults(path.name)
    phase = table.columns["phase_deg"]
    _check_rising(table, "phase_deg", slice(0, len(phase)), faults)
    if len(phase) < FEWEST_SAMPLES:
        faults.add("", f"{len(phase)} rows", f"at least {FEWEST_SAMPLES} rows")
    _raise_some(faults)
    return _frozen(np.radians(phase)), _frozen(table.columns[value_column])


@dataclass(frozen=True, slots=True)
class _Rows:
    """Columns of a CSV file by name, with the line each row came from."""

    columns: dict[str, Array]
    lines: tuple[int, ...]


def _read_table(path: Path, rules: Mapping[str, Number], required: tuple[str, ...]) -> _Rows:
    """Read a CSV file with a header row into columns of numbers."""
    faults = Faults(path.name)
    rows = split_rows(read_text(path), faults)
    line, names = next(rows, (0, []))
    if not line:
        faults.add("", "no rows", f"a header row naming {', '.join(required)}")
        _raise_some(faults)
    _check_header(names, line, rules, required, faults)
    _raise_some(faults)
    lines: list[int] = []
    numbers: list[list[float]] = []
    for line, cells in rows:
        if len(cells) != len(names):
            faults.add(f"line {line}", f"{len(cells)} cells", f"{len(names)} cells")
            continue
        read = [
            _read_cell(cell, rules[name], f"line {line}, {name}", faults)
            for name, cell in zip(names, cells, strict=True)
        ]
        lines.append(line)
        numbers.append([number for number in read if not isinstance(number, Unfit)])
    if not lines:
        faults.add("", "no rows below the header", "rows of numbers")
    _raise_some(faults)
    columns = np.array(numbers, dtype=np.float64).T
    return _Rows(dict(zip(names, columns, strict=True)), tuple(lines))


def split_rows(text: str, faults: Faults) -> Iterator[tuple[int, list[str]]]:
    """Yield number and cells of every line that is neither empty nor a comment (#)."""
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            cells = next(csv.reader([line], skipinitialspace=True, strict=True))
        except csv.Error as error:
            faults.add(f"line {number}", show(line), "cells separated by commas", str(error))
        else:
            yield number, [cell.strip() for cell in cells]


def _check_header(
    names: list[str],
    line: int,
    rules: Mapping[str, Number],
    required: tuple[str, ...],
    faults: Faults,
) -> None:
    """Report unknown, repeated and missing columns."""
    key = f"line {line}"
    allowed = "the columns " + ", ".join(
        name if name in required else f"{name} (optional)" for name in rules
    )
    for name in names:
        if name not in rules:
            hint = did_you_mean(name, rules) or "the first row names the columns"
            if ";" in name or "\t" in name:
                hint = "cells are separated by commas"
            faults.add(key, f"the column {show(name)}", allowed, hint)
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.add(key, f"the column {show(name)} more than once", allowed)
    for name in required:
        if name not in names:
            faults.missing(f"{key}, {name}", allowed)


def _read_cell(cell: str, rule: Number, key: str, faults: Faults) -> float | Unfit:
    """Read one number."""
    value: object = cell
    # Python would read 1_0 as ten.
    if "_" not in cell:
        with suppress(ValueError):
            value = float(cell)
    return rule.read(value, key, faults)


def _blocks(table: _Rows, faults: Faults) -> Iterator[slice]:
    """Yield the rows of each Reynolds number; report one that comes back later."""
    count = len(table.lines)
    reynolds = table.columns.get("reynolds", np.zeros(count))
    edges = [0, *(np.flatnonzero(np.diff(reynolds)) + 1).tolist(), count]
    seen: set[float] = set()
    for start, end in pairwise(edges):
        if reynolds[start] in seen:
            faults.say(
                f"line {table.lines[start]}, reynolds",
                f"{reynolds[start]:g} comes again; keep all rows of a Reynolds number together",
            )
        seen.add(float(reynolds[start]))
        yield slice(start, end)


def _check_block(table: _Rows, block: slice, alpha: Array, faults: Faults) -> None:
    """Report incidences that fall, span too little or differ from those of the first block."""
    own = table.columns["alpha_deg"][block]
    key = f"line {table.lines[block.start]}, alpha_deg"
    if not np.array_equal(own, alpha):
        faults.say(key, "the incidences differ from those of the first Reynolds number")
        return
    if not _check_rising(table, "alpha_deg", block, faults):
        return
    if own[0] > 0.0 or own[-1] < 0.0 or own[-1] - own[0] < 10.0:
        faults.add(
            key,
            f"the range {own[0]:g} to {own[-1]:g}",
            "a range of at least 10 deg that includes 0",
        )


def _check_rising(table: _Rows, name: str, block: slice, faults: Faults) -> bool:
    """Whether a column rises strictly; report each row that does not."""
    column = table.columns[name]
    falls = [row for row in range(block.start + 1, block.stop) if not column[row] > column[row - 1]]
    for row in falls:
        faults.add(
            f"line {table.lines[row]}, {name}", f"{column[row]:g}", f"more than {column[row - 1]:g}"
        )
    return not falls


def _raise_some(faults: Faults) -> None:
    """Raise the first faults, with the number of the others."""
    rest = len(faults.found) - MOST_FAULTS
    if rest > 0:
        last = Fault(faults.file, "", "", f"{rest} more faults; only the first are listed")
        raise CaseError([*faults.found[:MOST_FAULTS], last])
    faults.raise_if_any()


def _frozen(values: Array) -> Array:
    """Return the array read-only: every reader of the file shares it."""
    values.setflags(write=False)
    return values
