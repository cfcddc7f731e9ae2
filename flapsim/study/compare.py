"""Choose among the points of sweeps: filter, rank, Pareto front, sensitivity, difference.

Answers: which points satisfy these conditions, which are best, which are Pareto-optimal, which key
matters, and by how much do two sweeps differ at their common points?
"""

from __future__ import annotations

import csv
import io
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.quantities import quantity_of
from flapsim.study.sensitivity import Influence, rank_correlation, sobol_indices
from flapsim.study.table import SweepTable

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

_DIGITS: Final = 11
"""Decimals of the mantissa to which two values of an axis must agree to be the same point."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison, such as `left` >= `factor` times `right`.

    `sign` is one of >= <= > < == = !=. Without `right`, the factor is the number to compare with;
    keys that hold words are compared with a `word`.
    """

    left: str
    sign: str
    factor: float = 1.0
    right: str | None = None
    word: str | None = None

    def holds(self, table: SweepTable) -> NDArray[np.bool_]:
        """Points at which the condition holds, shape (points,); never where a number is missing.

        Raises
        ------
        StudyError
            If a name is unknown, or a word is compared with a number.
        """
        left = table.column(self.left)
        if self.word is not None or left.dtype == object:
            word = self.word if self.word is not None else self.right
            if word is None or self.sign not in ("==", "=", "!=") or left.dtype != object:
                raise StudyError(f"{self.left}: use == or != to compare words with words")
            return np.asarray(_COMPARISONS[self.sign](left, word), dtype=bool)
        right: Any = self.factor
        if self.right is not None:
            right = self.factor * table.column(self.right)
        known = np.isfinite(left) & np.isfinite(right)
        return np.asarray(known & _COMPARISONS[self.sign](left, right))


def condition_from(text: str) -> tuple[Condition, ...]:
    """Read conditions joined by ``and``, such as ``mean.lift_n >= 1.02*mean.weight_n``.

    Raises
    ------
    StudyError
        If it is not a comparison; no text is ever executed.
    """
    found = []
    for part in re.split(r"\s+and\s+", text.strip()):
        match = _CONDITION.fullmatch(part)
        if match is None:
            raise StudyError(
                "--where: expected NAME >= NUMBER, NAME >= NAME or NAME >= NUMBER*NAME, joined by"
                f" and, with >= <= > < == or !=, found {part}"
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


def satisfied(table: SweepTable, conditions: Sequence[Condition]) -> NDArray[np.bool_]:
    """Points that have an answer and satisfy every condition, shape (points,).

    Raises
    ------
    StudyError
        If a name is unknown, or ``=`` compares numbers.
    """
    for condition in conditions:
        if condition.sign == "=" and table.column(condition.left).dtype != object:
            raise StudyError(
                f"--where {condition.left} = ...: draws a line in a map or carpet; to select"
                " points, use >= <= > < == or !="
            )
    holding = (condition.holds(table) for condition in conditions)
    return np.asarray(np.logical_and.reduce([table.done, *holding]))


def selected(table: SweepTable, conditions: Sequence[Condition] = ()) -> Places:
    """Indices, rising, of the points that `satisfied` marks."""
    return np.flatnonzero(satisfied(table, conditions))


class Objective(NamedTuple):
    """A quantity to make small (`smaller`) or large."""

    name: str
    smaller: bool


def objectives_from(text: str) -> tuple[Objective, ...]:
    """Read two or more objectives, such as ``mean.aero_power_w,mean.lift_n:max``.

    Raises
    ------
    StudyError
        If there are fewer, or a name needs ``:min`` or ``:max`` because its definition does not
        say which is better.
    """
    found = []
    for part in text.split(","):
        name, _, sense = part.strip().partition(":")
        if sense not in ("", "min", "max") or not name:
            raise StudyError(f"--pareto: expected NAME, NAME:min or NAME:max, found {part}")
        better = {"min": "lower", "max": "higher"}.get(sense) or quantity_of(name).better
        if not better:
            raise StudyError(f"--pareto {name}: state which is better, {name}:min or {name}:max")
        found.append(Objective(name, better == "lower"))
    if len(found) < 2:
        raise StudyError(f"--pareto: expected two or more quantities, found {text}")
    return tuple(found)


def pareto_points(table: SweepTable, places: Places, objectives: Sequence[Objective]) -> Places:
    """Those of the points at `places` that are Pareto-optimal, in order of the first objective."""
    values = [
        (1.0 if each.smaller else -1.0) * table.numbers(each.name)[places] for each in objectives
    ]
    front = places[pareto_front(np.stack(values, axis=1))]
    return front[np.argsort(table.numbers(objectives[0].name)[front], kind="stable")]


def ranked(table: SweepTable, places: Places, name: str, descending: bool | None = None) -> Places:
    """Order points by a quantity, the best first; points without a value are left out.

    Without `descending` the largest come first unless the definition says that lower is better.
    Equal points stay in the order of the sweep.
    """
    values = table.numbers(name)[places]
    finite = np.isfinite(values)
    places, values = places[finite], values[finite]
    down = quantity_of(name).better != "lower" if descending is None else descending
    return places[np.argsort(-values if down else values, kind="stable")]


def pareto_front(values: Array) -> Places:
    """Rows of `values`, shape (n, k), that no other row dominates; less is better in every column.

    Indices, rising; of equal rows the first. Rows that are not finite are never on the front.
    """
    finite = np.flatnonzero(np.isfinite(values).all(axis=1))
    rows = values[finite]
    order = np.lexsort(rows.T[::-1])
    front: list[int] = []
    kept = np.empty((0, values.shape[1]))
    for place in order:
        # In this order no later row can dominate an earlier one: compare with the front only.
        if not (kept <= rows[place]).all(axis=1).any():
            front.append(int(finite[place]))
            kept = np.vstack([kept, rows[place]])
    return np.array(sorted(front), dtype=np.int64)


def sensitivities(table: SweepTable, name: str) -> list[Influence]:
    """How much each dimension of a sweep influences a quantity, the strongest first.

    With Sobol' indices if the plan's sampling was "saltelli".
    """
    output = np.where(table.done, table.numbers(name), np.nan)
    inputs = {}
    for dimension, keys in table.dimensions.items():
        column = table.column(keys[0])
        inputs[dimension] = (
            np.unique(column, return_inverse=True)[1].astype(np.float64)
            if column.dtype == object
            else column
        )
    found = [Influence(name, rank) for name, rank in rank_correlation(inputs, output).items()]
    if table.sampling != "saltelli":
        return sorted(found, key=lambda item: -abs(np.nan_to_num(item.rank)))
    indices = np.stack(sobol_indices(output, len(inputs), table.seed), axis=1).tolist()
    found = [
        Influence(item.name, item.rank, *more) for item, more in zip(found, indices, strict=True)
    ]
    return sorted(found, key=lambda item: -np.nan_to_num(item.total))


@dataclass(frozen=True)
class Difference:
    """Two sweeps, subtracted at their common points.

    `columns`, of shape (n,) each, are the varied `keys` at the common points, then the second minus
    the first of every common result.
    """

    columns: dict[str, NDArray[Any]]
    keys: tuple[str, ...]

    @property
    def count(self) -> int:
        """Number of common points."""
        return len(next(iter(self.columns.values())))

    def summary(self) -> dict[str, dict[str, Any]]:
        """Mean, smallest and largest difference of every result, with its unit."""
        rows: dict[str, dict[str, Any]] = {}
        for name, values in self.columns.items():
            finite = values[np.isfinite(values)] if name not in self.keys else values[:0]
            if finite.size:
                rows[name] = {
                    "mean": float(finite.mean()),
                    "least": float(finite.min()),
                    "greatest": float(finite.max()),
                    "unit": quantity_of(name).unit,
                }
        return rows


def difference(first: SweepTable, second: SweepTable) -> Difference:
    """Subtract the first sweep from the second at their common points.

    Raises
    ------
    StudyError
        If they vary different keys, or have no point in common.
    """
    if set(first.keys) != set(second.keys):
        apart = sorted(set(first.keys) ^ set(second.keys))
        raise StudyError(
            f"{first.path.name} and {second.path.name} do not vary the same keys: only one of"
            f" them varies {', '.join(apart)}"
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
    """Values of the varied keys at every point; numbers to twelve digits."""
    columns = []
    for key in sorted(table.keys):
        column = table.column(key)
        columns.append(
            column.tolist()
            if column.dtype == object
            else [float(f"{value:.{_DIGITS}e}") + 0.0 for value in column]
        )
    return list(zip(*columns, strict=True))


def csv_of(columns: Mapping[str, NDArray[Any]]) -> str:
    """Write columns by name, of shape (n,) each, as CSV with all digits."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*(values.tolist() for values in columns.values()), strict=True))
    return out.getvalue()
