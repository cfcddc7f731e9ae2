"""Comparing points of a sweep: filters, ranks, the Pareto front, differences of two sweeps, CSV.

Answers: which points satisfy these conditions, which are the best of them, which cannot be bettered
in one quantity without loss in another, and by how much do two sweeps differ where both have been?
"""

from __future__ import annotations

import csv
import io
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.study.sensitivity import Sensitivity, rank_correlation, sobol_indices
from flapsim.study.table import SweepTable

__all__ = [
    "Condition",
    "Difference",
    "condition_from",
    "csv_of",
    "difference",
    "pareto_front",
    "ranked",
    "selected",
    "sensitivities",
    "smaller_is_better",
]

Array = NDArray[np.float64]
Places = NDArray[np.int64]

_COMPARISONS: Final[dict[str, Callable[[Any, Any], Any]]] = {
    ">=": operator.ge,
    "<=": operator.le,
    "==": operator.eq,
    "!=": operator.ne,
    ">": operator.gt,
    "<": operator.lt,
    "=": operator.eq,
}
_NAME: Final = r"[A-Za-z_][\w-]*(?:\.[\w-]+)*"
_NUMBER: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_CONDITION: Final = re.compile(
    rf"\s*(?P<left>{_NAME})\s*(?P<sign>>=|<=|==|!=|>|<|=)\s*"
    rf"(?:(?P<factor>{_NUMBER})(?:\s*\*\s*(?P<scaled>{_NAME}))?|(?P<right>{_NAME})"
    rf'|"(?P<word>[^"]*)")\s*'
)

_ALIKE: Final = 1e-12
"""Relative distance below which two values of an axis are the same."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison: a named quantity with a number, a multiple of another, or a word.

    Attributes
    ----------
    left : str
        Name of a result or key.
    sign : str
        One of >= <= > < == !=.
    factor : float
        The number, or what multiplies `right`.
    right : str or None
        Name of another result or key.
    word : str or None
        A word to compare with, for keys that hold words.
    """

    left: str
    sign: str
    factor: float = 1.0
    right: str | None = None
    word: str | None = None

    def holds(self, table: SweepTable) -> NDArray[np.bool_]:
        """At which points it holds; never where a number is missing.

        Parameters
        ----------
        table : SweepTable
            The sweep.

        Returns
        -------
        ndarray of bool, shape (points,)

        Raises
        ------
        StudyError
            If a name is unknown, or a word is compared with a number.
        """
        left = table.column(self.left)
        if self.word is not None or left.dtype == object:
            word = self.word if self.word is not None else self.right
            if word is None or self.sign not in ("==", "=", "!=") or left.dtype != object:
                raise StudyError(f"{self.left}: words compare by == or != with words only")
            return np.asarray(_COMPARISONS[self.sign](left, word), dtype=bool)
        right: Any = self.factor
        if self.right is not None:
            right = self.factor * table.column(self.right)
        known = np.isfinite(left) & np.isfinite(right)
        return np.asarray(known & _COMPARISONS[self.sign](left, right))


def condition_from(text: str) -> tuple[Condition, ...]:
    """Read conditions, joined by ``and``.

    Parameters
    ----------
    text : str
        Such as ``mean.lift_n >= 1.02*mean.weight_n and check.stalled_fraction < 0.1``.

    Returns
    -------
    tuple of Condition

    Raises
    ------
    StudyError
        If it is no comparison; nothing is ever executed.
    """
    found = []
    for part in re.split(r"\s+and\s+", text.strip()):
        match = _CONDITION.fullmatch(part)
        if match is None:
            raise StudyError(
                f'"{part}": NAME >= NUMBER, NAME >= NAME or NAME >= NUMBER*NAME expected,'
                " joined by and; signs are >= <= > < == !="
            )
        found.append(
            Condition(
                left=match["left"],
                sign=match["sign"],
                factor=float(match["factor"]) if match["factor"] else 1.0,
                right=match["right"] or match["scaled"],
                word=match["word"],
            )
        )
    return tuple(found)


def selected(table: SweepTable, conditions: Sequence[Condition] = ()) -> Places:
    """Points that are done and satisfy every condition.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    conditions : sequence of Condition
        All must hold.

    Returns
    -------
    ndarray of int
        Places of the points, rising.
    """
    good = table.done
    for condition in conditions:
        good = good & condition.holds(table)
    return np.flatnonzero(good)


_WANTED_SMALL: Final = ("power", "loss", "drag", "cost", "stalled", "mass", "current", "torque")


def smaller_is_better(name: str) -> bool:
    """Whether less of a quantity is the better: powers, losses, drags; not efficiencies."""
    return any(word in name for word in _WANTED_SMALL) and "efficiency" not in name


def ranked(table: SweepTable, places: Places, name: str, descending: bool | None = None) -> Places:
    """Put points in order of a quantity, the best first.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    places : ndarray of int
        Points to order; those without a number are left out.
    name : str
        Quantity.
    descending : bool, optional
        Largest first; by default what `smaller_is_better` says.

    Returns
    -------
    ndarray of int
        Places of the points; equals in their order in the sweep.
    """
    values = _numbers(table, name)[places]
    finite = np.isfinite(values)
    places, values = places[finite], values[finite]
    down = not smaller_is_better(name) if descending is None else descending
    return places[np.argsort(-values if down else values, kind="stable")]


def pareto_front(values: Array) -> Places:
    """Points that no other betters in one column without being worse in another.

    Parameters
    ----------
    values : ndarray, shape (n, k)
        Less is better in every column. Rows that are not finite are never on the front.

    Returns
    -------
    ndarray of int
        Places of the rows, rising; of equal rows the first.
    """
    finite = np.flatnonzero(np.isfinite(values).all(axis=1))
    rows = values[finite]
    order = np.lexsort(rows.T[::-1])
    front: list[int] = []
    kept = np.empty((0, values.shape[1]))
    for place in order:
        # In this order no later row can better an earlier one: only the front counts.
        if not (kept <= rows[place]).all(axis=1).any():
            front.append(int(finite[place]))
            kept = np.vstack([kept, rows[place]])
    return np.array(sorted(front), dtype=np.int64)


def sensitivities(table: SweepTable, name: str) -> list[Sensitivity]:
    """How much each dimension of a sweep moves a quantity, the most moving first.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    name : str
        Quantity.

    Returns
    -------
    list of Sensitivity
        With Sobol' indices if the plan's sampling was "saltelli".
    """
    output = np.where(table.done, _numbers(table, name), np.nan)
    inputs = {}
    for dimension, keys in table.dimensions.items():
        column = table.column(keys[0])
        inputs[dimension] = (
            np.unique(column, return_inverse=True)[1].astype(np.float64)
            if column.dtype == object
            else column
        )
    ranks = rank_correlation(inputs, output)
    if table.sampling != "saltelli":
        found = [Sensitivity(dimension, ranks[dimension]) for dimension in inputs]
        return sorted(found, key=lambda s: -abs(np.nan_to_num(s.rank)))
    first, total, first_error, total_error = sobol_indices(output, len(inputs), table.seed)
    found = [
        Sensitivity(
            dimension, ranks[dimension], float(first[i]), float(total[i]),
            float(first_error[i]), float(total_error[i]),
        )
        for i, dimension in enumerate(inputs)
    ]  # fmt: skip
    return sorted(found, key=lambda s: -np.nan_to_num(s.total))


@dataclass(frozen=True)
class Difference:
    """Two sweeps where both have been.

    Attributes
    ----------
    columns : dict of str to ndarray, shape (n,)
        Varied keys at the common points, then second minus first of every common result.
    keys : tuple of str
        Those of the columns that are keys.
    """

    columns: dict[str, NDArray[Any]]
    keys: tuple[str, ...]

    @property
    def count(self) -> int:
        """Number of common points."""
        return len(next(iter(self.columns.values())))


def difference(first: SweepTable, second: SweepTable) -> Difference:
    """Subtract one sweep from another on their common points.

    Parameters
    ----------
    first, second : SweepTable
        Sweeps that vary the same keys.

    Returns
    -------
    Difference
        Second minus first.

    Raises
    ------
    StudyError
        If they vary different keys, or have no point in common.
    """
    if set(first.keys) != set(second.keys):
        apart = sorted(set(first.keys) ^ set(second.keys))
        raise StudyError(
            f"{first.path.name} and {second.path.name} do not vary the same keys: only one of"
            f" them has {', '.join(apart)}"
        )
    mine, theirs = _labels(first), _labels(second)
    where = {label: place for place, label in enumerate(theirs) if second.done[place]}
    done = first.done
    pairs = [(i, where[x]) for i, x in enumerate(mine) if done[i] and x in where]
    if not pairs:
        raise StudyError(f"{first.path.name} and {second.path.name} have no point in common")
    here, there = (np.array(side) for side in zip(*pairs, strict=True))
    columns: dict[str, NDArray[Any]] = {key: first.column(key)[here] for key in first.keys}
    for name in first.names:
        if name in second.names and name not in first.keys:
            columns[name] = second.column(name)[there] - first.column(name)[here]
    return Difference(columns, first.keys)


def _labels(table: SweepTable) -> list[tuple[Any, ...]]:
    """What tells a point of a sweep from the others; numbers to twelve digits."""
    digits = -round(np.log10(_ALIKE)) - 1
    columns = []
    for key in sorted(table.keys):
        column = table.column(key)
        columns.append(
            column.tolist()
            if column.dtype == object
            else [float(f"{value:.{digits}e}") + 0.0 for value in column]
        )
    return list(zip(*columns, strict=True))


def csv_of(columns: Mapping[str, NDArray[Any]]) -> str:
    """Write columns as CSV, numbers with all their digits.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (n,)
        By name.

    Returns
    -------
    str
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*(values.tolist() for values in columns.values()), strict=True))
    return out.getvalue()


def _numbers(table: SweepTable, name: str) -> Array:
    values = table.column(name)
    if values.dtype == object:
        raise StudyError(f"{name}: holds words, a quantity in numbers expected")
    return np.asarray(values, dtype=np.float64)
