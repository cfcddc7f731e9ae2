"""A log of any length as a stream of numbers, each row knowing its line.

Answers: which numbers are in the wanted columns of this CSV file, and where is it broken? The file
is read in chunks, so that its size does not matter. The meaning of the numbers is not known here.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from flapsim.case.rules import show
from flapsim.faults import Faults, did_you_mean

Array = NDArray[np.float64]
Lines = NDArray[np.int64]

CHUNK_BYTES: Final = 1 << 22
LONGEST_LINE: Final = 1 << 20
MOST_FAULTS: Final = 20
MISSING: Final = ("", "nan", "NaN", "NAN", "NA", "-nan")
"""Cells that hold no sample."""


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
class LogReader:
    """Reads the wanted columns of a CSV file, chunk by chunk.

    Attributes
    ----------
    path : Path
        UTF-8 text; a header row names the columns; lines that begin with # are comments.
    wanted : sequence of str
        Columns to read; others may hold anything.
    separator, decimal : str
        Between cells, and in numbers.
    chunk_bytes : int
        Bytes to read at a time.
    rows, cut_off : int
        Counted while reading: rows, and 1 if the last line had no end and was left out.
    """

    path: Path
    wanted: Sequence[str]
    separator: str = ","
    decimal: str = "."
    chunk_bytes: int = CHUNK_BYTES
    rows: int = 0
    cut_off: int = 0
    _faults: Faults = field(init=False)
    _names: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._faults = Faults(self.path.name)

    def chunks(self) -> Iterator[Chunk]:
        """Yield the rows.

        Raises
        ------
        CaseError
            With file, line and column, for a file that cannot be read, a missing column, a row with
            too few or too many cells, and a cell that is no number.
        """
        faults = self._faults
        try:
            with self.path.open("rb") as file:
                yield from self._read(file)
        except IsADirectoryError:
            faults.say("", "this is a folder; give a CSV file")
        except FileNotFoundError:
            faults.say("", "no such file")
        except OSError as error:
            faults.say("", f"cannot be read: {error.strerror}")
        faults.raise_if_any()

    def _read(self, file: BinaryIO) -> Iterator[Chunk]:
        rest, line = b"", 1
        while True:
            read = file.read(self.chunk_bytes)
            if line == 1 and not rest:
                read = read.removeprefix(b"\xef\xbb\xbf")
                self._check_text(read)
            text = rest + read
            end = text.rfind(b"\n") + 1
            whole, rest = text[:end], text[end:]
            if not read and rest.strip():
                self.cut_off = 1
            if len(rest) > LONGEST_LINE:
                self._refuse(f"line {line}", "over a megabyte without an end of line", "CSV rows")
            first = line
            line += whole.count(b"\n")
            if not self._names and whole:
                whole, first = self._take_header(whole, first)
            if self._names and whole.strip():
                chunk = self._parse(whole, first)
                self.rows += len(chunk.lines)
                if len(chunk.lines):
                    yield chunk
            if not read:
                break
        if not self._names:
            found = "one line without an end" if self.cut_off else "no rows"
            self._refuse("", found, f"a header row with {', '.join(self.wanted)}")
        elif self.rows == 0:
            self._refuse("", "no rows below the header", "rows of numbers")

    def _refuse(self, key: str, found: str, expected: str, hint: str = "") -> None:
        self._faults.add(key, found, expected, hint)
        self._faults.raise_if_any()

    def _check_text(self, start: bytes) -> None:
        """Refuse a file that is not text, by its first bytes."""
        if start.startswith((b"\xff\xfe", b"\xfe\xff")):
            self._refuse("", "text in UTF-16", "text in UTF-8", "save it as CSV UTF-8")
        if start.startswith((b"\x1f\x8b", b"PK", b"\x89HDF")) or b"\0" in start[:4096]:
            self._refuse("", "binary data", "a CSV file")
        if b"\r" in start and b"\n" not in start and len(start) > 80:
            self._refuse("", "carriage returns only", "lines ended by a line feed")

    def _take_header(self, text: bytes, line: int) -> tuple[bytes, int]:
        """Read the column names; return the text below them and the line at which it begins."""
        while text:
            row, _, text = text.partition(b"\n")
            line += 1
            if not row.strip() or row.lstrip().startswith(b"#"):
                continue
            key = f"line {line - 1}"
            try:
                written = row.decode("utf-8").rstrip("\r")
            except UnicodeDecodeError as error:
                self._refuse(key, f"the byte {row[error.start]:#04x}", "text in UTF-8")
            names = next(csv.reader([written], delimiter=self.separator))
            self._names = [name.strip() for name in names]
            self._check_header(written, key)
            break
        return text, line

    def _check_header(self, written: str, key: str) -> None:
        names, faults = self._names, self._faults
        if len(names) == 1:
            for other in ",;\t":
                if other != self.separator and other in written:
                    self._refuse(
                        key, show(written), f"columns separated by {show(self.separator)}",
                        f"set log.separator = {show(other)} in the rig file",
                    )  # fmt: skip
        for name in self.wanted:
            if names.count(name) > 1:
                faults.say(key, f'the column "{name}" appears {names.count(name)} times')
            elif name not in names:
                hint = did_you_mean(name, names, shown=show)
                hint = hint or f"the header has {', '.join(names[:20])}"
                faults.say(key, f'there is no column "{name}"', hint)
        faults.raise_if_any()

    def _parse(self, text: bytes, first: int) -> Chunk:
        """Numbers of whole lines, the first of which is line `first`."""
        content, lines = self._rows_of_cells(text, first)
        self._faults.raise_if_any()
        places = [self._names.index(name) for name in self.wanted]
        if not len(lines):
            return Chunk(lines, {name: np.empty(0) for name in self.wanted})
        try:
            frame = pd.read_csv(
                io.BytesIO(content),
                engine="c",
                sep=self.separator,
                decimal=self.decimal,
                header=None,
                names=range(len(self._names)),
                usecols=places,
                dtype=np.float64,
                keep_default_na=False,
                na_values=list(MISSING),
                skipinitialspace=True,
                quoting=csv.QUOTE_NONE,
                low_memory=False,
            )
            columns = {
                name: frame[place].to_numpy(np.float64)
                for name, place in zip(self.wanted, places, strict=True)
            }
            sound = len(frame) == len(lines) and not any(
                np.isinf(column).any() for column in columns.values()
            )
        except ValueError:
            sound = False
        if not sound:
            self._find_faults(content, lines)
            self._faults.raise_if_any()
            self._refuse(f"lines {lines[0]} to {lines[-1]}", "rows that cannot be read", "numbers")
        return Chunk(lines, columns)

    def _rows_of_cells(self, text: bytes, first: int) -> tuple[bytes, Lines]:
        """Text without blank lines and comments, and the line of each row; report odd rows."""
        cells = len(self._names)
        codes = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(codes == 10)
        starts = np.concatenate([[0], ends[:-1] + 1])
        marks = np.searchsorted(np.flatnonzero(codes == ord(self.separator)), ends)
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
                hint = "" if cells > 1 else "check log.separator in the rig file"
                found, expected = f"{counts[at] + 1} cells", f"{cells} cells"
                self._faults.add(f"line {lines[at]}", found, expected, hint)
                if len(self._faults.found) >= MOST_FAULTS:
                    break
        kept = np.flatnonzero(~dropped)
        content = b"".join(text[starts[at] : ends[at] + 1] for at in kept)
        return content, lines[kept]

    def _find_faults(self, text: bytes, lines: Lines) -> None:
        """Look cell by cell for what the fast reader could not read."""
        places = [(name, self._names.index(name)) for name in self.wanted]
        for line, row in zip(lines, text.split(b"\n"), strict=False):
            cells = row.decode("utf-8", errors="replace").rstrip("\r").split(self.separator)
            for name, place in places:
                cell = cells[place].strip()
                if cell in MISSING:
                    continue
                try:
                    number = float(cell.replace(self.decimal, "."))
                except ValueError:
                    number = np.nan
                if not np.isfinite(number) or "_" in cell:
                    self._faults.add(f"line {line}, {name}", show(cell), "a number")
                if len(self._faults.found) >= MOST_FAULTS:
                    return


def read_table(path: Path, wanted: Sequence[str]) -> dict[str, Array]:
    """Read the columns of a small CSV table at once; for its faults see `LogReader.chunks`."""
    chunks = list(LogReader(path, wanted).chunks())
    return {name: np.concatenate([chunk.columns[name] for chunk in chunks]) for name in wanted}
