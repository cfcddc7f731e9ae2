"""Read the reference tables beside this module.

Every table under ``validation/data`` opens with ``#`` lines that name its source, its convention
and how sure it is.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"


class Table:
    """Columns of one reference table by name; text columns stay text."""

    def __init__(self, rows: list[dict[str, str]]) -> None:
        self._rows = rows

    def __len__(self) -> int:
        return len(self._rows)

    def text(self, column: str) -> list[str]:
        """Return a column as written."""
        return [row[column] for row in self._rows]

    def __getitem__(self, column: str) -> NDArray[np.float64]:
        return np.array([float(row[column]) for row in self._rows])

    def where(self, **wanted: object) -> Table:
        """Rows whose columns equal the wanted text or number.

        Raises
        ------
        LookupError
            If no row is left: an empty table would let every comparison pass.
        """
        rows = [row for row in self._rows if all(_same(row[c], v) for c, v in wanted.items())]
        if not rows:
            raise LookupError(f"no row with {wanted}")
        return Table(rows)

    def between(self, column: str, low: float, high: float) -> Table:
        """Rows whose number in ``column`` lies in ``[low, high]``."""
        rows = [row for row in self._rows if low <= float(row[column]) <= high]
        if not rows:
            raise LookupError(f"no row with {column} from {low} to {high}")
        return Table(rows)


def _same(written: str, wanted: object) -> bool:
    if isinstance(wanted, str):
        return written == wanted
    return float(written) == wanted


def table(name: str) -> Table:
    """Read ``validation/data/<name>.csv``."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        lines = [line for line in file if line.strip() and not line.startswith("#")]
    return Table(list(csv.DictReader(lines)))
