"""A log of any length as a stream of numbers, each row knowing its line.

Answers: which numbers stand in the wanted columns of this CSV file, and where does it stop being
one? The file is read in blocks, so its size does not matter. Says nothing of what the numbers mean.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from flapsim.case.rules import show
from flapsim.faults import CaseError, Faults, did_you_mean

Array = NDArray[np.float64]
Lines = NDArray[np.int64]

BLOCK: Final = 1 << 22
"""Bytes read at a time."""

LONGEST_LINE: Final = 1 << 20
MOST_FAULTS: Final = 20
MISSING: Final = ("", "nan", "NaN", "NAN", "NA", "-nan")
"""Cells that stand for no sample."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some consecutive rows.

    Attributes
    ----------
    lines : (n,) array of int
        Line in the file, from 1.
    columns : dict of str to (n,) array
        NaN where a cell is missing.
    """

    lines: Lines
    columns: dict[str, Array]


@dataclass(slots=True)
class Reading:
    """What reading a log came across.

    Attributes
    ----------
    name : str
        Of the file.
    rows : int
        Rows read.
    cut_off : int
        1 if the last line had no end and was left out.
    """

    name: str
    rows: int = 0
    cut_off: int = 0


def read_chunks(
    path: str | Path,
    wanted: Sequence[str],
    reading: Reading,
    separator: str = ",",
    decimal: str = ".",
    block: int = BLOCK,
) -> Iterator[Chunk]:
    """Yield the wanted columns of a CSV file, block by block.

    Parameters
    ----------
    path : str or Path
        UTF-8 text; a header row names the columns; lines that begin with # are comments.
    wanted : sequence of str
        Columns to read. Others may hold anything.
    reading : Reading
        Filled while reading.
    separator, decimal : str
        Between cells, and in numbers.
    block : int
        Bytes to read at a time.

    Yields
    ------
    Chunk

    Raises
    ------
    CaseError
        With file, line and column, for a file that cannot be read, a missing column, a row with
        too few or too many cells, and a cell that is no number.
    """
    path = Path(path)
    faults = Faults(path.name)
    try:
        with path.open("rb") as file:
            yield from _read_blocks(file, wanted, reading, separator, decimal, block, faults)
    except IsADirectoryError:
        faults.add("", "a folder", "a CSV file")
    except FileNotFoundError:
        faults.add("", "a file that does not exist", "a readable CSV file")
    except OSError as error:
        faults.add("", "an unreadable file", "a readable CSV file", error.strerror or "")
    faults.raise_if_any()


def _read_blocks(
    file: BinaryIO,
    wanted: Sequence[str],
    reading: Reading,
    separator: str,
    decimal: str,
    block: int,
    faults: Faults,
) -> Iterator[Chunk]:
    names: list[str] | None = None
    rest, line = b"", 1
    while True:
        read = file.read(block)
        if line == 1 and not rest:
            read = read.removeprefix(b"\xef\xbb\xbf")
            _check_text(read, faults)
        whole, rest = _cut(rest + read)
        if not read and rest.strip():
            reading.cut_off = 1
        if len(rest) > LONGEST_LINE:
            faults.add(f"line {line}", "a line without an end", "lines ended by a line feed")
            faults.raise_if_any()
        first = line
        line += whole.count(b"\n")
        if names is None and whole:
            names, whole, first = _take_header(whole, wanted, separator, first, faults)
        if names is not None and whole.strip():
            chunk = _parse(whole, names, wanted, separator, decimal, first, faults)
            reading.rows += len(chunk.lines)
            if len(chunk.lines):
                yield chunk
        if not read:
            break
    if names is None:
        given = "one line without an end" if reading.cut_off else "no rows"
        faults.add("", given, f"a header row naming {', '.join(wanted)}")
    elif reading.rows == 0:
        faults.add("", "no rows below the header", "rows of numbers")
    faults.raise_if_any()


def _check_text(start: bytes, faults: Faults) -> None:
    """Report a file that is no text, by its first block."""
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        faults.add("", "text in UTF-16", "text in UTF-8", "save it as CSV UTF-8")
    elif start.startswith((b"\x1f\x8b", b"PK", b"\x89HDF")) or b"\0" in start[:4096]:
        faults.add("", "a file that is not text", "a CSV file")
    elif b"\r" in start and b"\n" not in start and len(start) > 80:
        faults.add("", "lines ended by a carriage return alone", "lines ended by a line feed")
    faults.raise_if_any()


def _cut(text: bytes) -> tuple[bytes, bytes]:
    """Whole lines, and the begun one."""
    end = text.rfind(b"\n") + 1
    return text[:end], text[end:]


def _take_header(
    text: bytes, wanted: Sequence[str], separator: str, line: int, faults: Faults
) -> tuple[list[str] | None, bytes, int]:
    """Column names, the text below them, and the line at which that begins."""
    while text:
        row, _, text = text.partition(b"\n")
        line += 1
        if not row.strip() or row.lstrip().startswith(b"#"):
            continue
        try:
            written = row.decode("utf-8").rstrip("\r")
        except UnicodeDecodeError as error:
            faults.add(f"line {line - 1}", f"the byte {row[error.start]:#04x}", "text in UTF-8")
            faults.raise_if_any()
        names = [name.strip() for name in next(csv.reader([written], delimiter=separator))]
        _check_header(names, wanted, separator, written, f"line {line - 1}", faults)
        faults.raise_if_any()
        return names, text, line
    return None, b"", line


def _check_header(
    names: list[str], wanted: Sequence[str], separator: str, written: str, key: str, faults: Faults
) -> None:
    if len(names) == 1:
        for other in ",;\t":
            if other != separator and other in written:
                faults.add(
                    key, show(written), f"columns separated by {show(separator)}",
                    f"log.separator = {show(other)} in the rig file?",
                )  # fmt: skip
                return
    for name in wanted:
        if names.count(name) > 1:
            faults.add(key, f'"{name}" {names.count(name)} times', "each column once")
        elif name not in names:
            hint = did_you_mean(name, names, shown=show) or f"there is {', '.join(names[:20])}"
            faults.add(key, "a header without it", f'the column "{name}"', hint)


def _parse(
    text: bytes,
    names: list[str],
    wanted: Sequence[str],
    separator: str,
    decimal: str,
    first: int,
    faults: Faults,
) -> Chunk:
    """Numbers of a block of whole lines."""
    content, lines = _rows_of_cells(text, len(names), separator, first, faults)
    faults.raise_if_any()
    if not len(lines):
        return Chunk(lines, {name: np.empty(0) for name in wanted})
    try:
        frame = pd.read_csv(
            io.BytesIO(content),
            engine="c",
            sep=separator,
            decimal=decimal,
            header=None,
            names=range(len(names)),
            usecols=[names.index(name) for name in wanted],
            dtype=np.float64,
            keep_default_na=False,
            na_values=list(MISSING),
            skipinitialspace=True,
            quoting=csv.QUOTE_NONE,
            low_memory=False,
        )
        columns = {name: frame[names.index(name)].to_numpy(np.float64) for name in wanted}
        sound = len(frame) == len(lines) and not any(
            np.isinf(column).any() for column in columns.values()
        )
    except ValueError:
        sound = False
    if not sound:
        _find_faults(content, lines, names, wanted, separator, decimal, faults)
        faults.raise_if_any()
        faults.add(f"lines {lines[0]} to {lines[-1]}", "rows that cannot be read", "numbers")
        faults.raise_if_any()
    return Chunk(lines, columns)


def _rows_of_cells(
    text: bytes, cells: int, separator: str, first: int, faults: Faults
) -> tuple[bytes, Lines]:
    """Text without blank lines and comments, and the line of each row; odd rows are reported."""
    codes = np.frombuffer(text, dtype=np.uint8)
    ends = np.flatnonzero(codes == 10)
    starts = np.concatenate([[0], ends[:-1] + 1])
    marks = np.searchsorted(np.flatnonzero(codes == ord(separator)), ends)
    counts = np.diff(marks, prepend=0)
    lines = first + np.arange(len(ends))
    odd = counts != cells - 1
    if cells == 1 or b"#" in text:
        odd[:] = True
    if not odd.any():
        return text, lines
    dropped = np.zeros(len(ends), dtype=bool)
    for at in np.flatnonzero(odd):
        row = text[starts[at] : ends[at]].strip()
        if not row or row.startswith(b"#"):
            dropped[at] = True
        elif counts[at] != cells - 1:
            hint = "" if cells > 1 else "the separator of the rig file may not be that of the log"
            faults.add(f"line {lines[at]}", f"{counts[at] + 1} cells", f"{cells} cells", hint)
            if len(faults.found) >= MOST_FAULTS:
                break
    kept = np.flatnonzero(~dropped)
    content = b"".join(text[starts[at] : ends[at] + 1] for at in kept)
    return content, lines[kept]


def _find_faults(
    text: bytes,
    lines: Lines,
    names: list[str],
    wanted: Sequence[str],
    separator: str,
    decimal: str,
    faults: Faults,
) -> None:
    """Look cell by cell for what the fast reader stumbled over."""
    places = [(name, names.index(name)) for name in wanted]
    for line, row in zip(lines, text.split(b"\n"), strict=False):
        cells = row.decode("utf-8", errors="replace").rstrip("\r").split(separator)
        for name, place in places:
            cell = cells[place].strip()
            if cell in MISSING:
                continue
            try:
                number = float(cell.replace(decimal, ".") if decimal != "." else cell)
            except ValueError:
                number = np.nan
            if not np.isfinite(number) or "_" in cell:
                faults.add(f"line {line}, {name}", show(cell), "a number")
            if len(faults.found) >= MOST_FAULTS:
                return


def read_table(path: str | Path, wanted: Sequence[str]) -> dict[str, Array]:
    """Read the columns of a small CSV table at once; for its faults see `read_chunks`."""
    chunks = list(read_chunks(path, wanted, Reading(Path(path).name)))
    if not chunks:
        raise CaseError([])
    return {name: np.concatenate([chunk.columns[name] for chunk in chunks]) for name in wanted}
