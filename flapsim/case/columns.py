"""Many designs that differ in some numbers: one case, and a column for each of these numbers.

A sweep or a trim asks for thousands of designs that differ in a handful of numbers. With arrays in
place of those numbers they become kernel arrays in one go, by the code that serves a single case.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.case import Case, known_keys
from flapsim.case.keys import Table, entries
from flapsim.case.paths import locate
from flapsim.case.rules import Number
from flapsim.faults import Faults


def is_column_key(key_path: str) -> bool:
    """Whether a key may be a column: a number that does not change how the case is solved.

    Not names, file names, options, whole numbers such as strip counts, or unknown keys.
    """
    if key_path.startswith("model."):
        return False
    place = locate(Case, key_path, Faults("case", known=known_keys()))
    if place is None:
        return False
    if place.items:
        return place.name == "chord_m" or place.name.startswith(("cos_", "sin_", "centre_of_mass"))
    return isinstance(place.rule, Number)


class Designs:
    """Designs that share a case but for some numbers, which are columns: one value a design.

    Its tables read like those of a case (``designs.flight.airspeed_m_s``), but any number may be a
    column, so formulas that broadcast serve one case and thousands. Column values are not
    checked: check them with `Case.replace`, at least at their extremes, before. Raises ValueError
    if a key does not satisfy `is_column_key`.

    At least two ``lanes`` are computed: numpy sums arrays of one column in another order than those
    of several, and a design must give the same bits alone and in a batch. Results beyond ``count``
    repeat the last design.
    """

    air: Any
    craft: Any
    flight: Any
    wing: Any
    stroke: Any
    model: Any
    drive: Any

    def __init__(self, case: Case, columns: Mapping[str, ArrayLike] | None = None) -> None:
        self.case = case
        self.columns = {
            key: np.asarray(values, dtype=np.float64) for key, values in (columns or {}).items()
        }
        self.count = max((values.size for values in self.columns.values()), default=1)
        self.lanes = max(self.count, 2)
        numbers: Any = case
        for key, values in self.columns.items():
            if not is_column_key(key):
                raise ValueError(f"{key} cannot differ between the designs of one batch")
            numbers = _put(numbers, key.split("."), np.broadcast_to(values, self.lanes))
        for table in ("air", "craft", "flight", "wing", "stroke", "model", "drive"):
            setattr(self, table, getattr(numbers, table))

    @classmethod
    def of(cls, case: Case | Designs) -> Designs:
        """Return a case as the designs it stands for: one."""
        return case if isinstance(case, Designs) else cls(case)

    def unpadded(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return what a formula gave, without the repeated design; one number stays one."""
        found = np.asarray(values, dtype=np.float64)
        return found[..., : self.count] if found.ndim else found

    def pick(self, places: NDArray[np.int64]) -> Designs:
        """Return some of the designs."""
        if not self.columns:
            return self
        return Designs(
            self.case,
            {key: x[places] if x.size == self.count else x for key, x in self.columns.items()},
        )


Cases: TypeAlias = Case | Designs
"""One case, or many designs: what a formula that broadcasts may be given."""


def _put(thing: Any, names: Sequence[str], value: Any) -> Any:
    if not names:
        return value
    name = names[0]
    if isinstance(thing, tuple):
        index = int(name)
        return (*thing[:index], _put(thing[index], names[1:], value), *thing[index + 1 :])
    kind: Any = type(thing)
    for entry in entries(kind):
        below = getattr(thing, entry.name)
        if entry.name == name:
            if below is None and len(names) > 1 and isinstance(entry.rule, Table):
                below = entry.rule.kind()
            return dataclasses.replace(thing, **{name: _put(below, names[1:], value)})
        if isinstance(entry.rule, Table) and entry.rule.prefix:
            prefix = entry.rule.prefix
            if name.startswith(prefix):
                below = entry.rule.kind() if below is None else below
                rest = [name[len(prefix) :], *names[1:]]
                return dataclasses.replace(thing, **{entry.name: _put(below, rest, value)})
    raise ValueError(f"no key {name}")
