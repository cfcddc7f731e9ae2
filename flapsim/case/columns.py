"""Many cases that differ in some numbers: one case whose numbers are columns.

A sweep or a trim asks for thousands of designs that differ in a handful of numbers. Written as
one case with arrays in place of those numbers, they become kernel arrays in one go; the code that
does so is the same as for a single case, since it only broadcasts.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from flapsim.case.case import Case, known_keys
from flapsim.case.keys import Table, entries
from flapsim.case.paths import locate
from flapsim.case.rules import Number
from flapsim.faults import Faults


def is_column_key(key_path: str) -> bool:
    """Whether a key may be a column: a number that does not change how the case is solved.

    Parameters
    ----------
    key_path : str
        Key path of a case.

    Returns
    -------
    bool
        False for names, file names, options, whole numbers such as strip counts, and unknown keys.
    """
    if key_path.startswith("model."):
        return False
    place = locate(Case, key_path, Faults("case", known=known_keys()))
    if place is None:
        return False
    if place.items:
        return place.name == "chord_m" or place.name.startswith(("cos_", "sin_", "centre_of_mass"))
    return isinstance(place.rule, Number)


def with_columns(case: Case, columns: Mapping[str, ArrayLike]) -> Case:
    """Put columns in the place of numbers.

    Parameters
    ----------
    case : Case
        The case all designs share.
    columns : mapping of str to array_like, shape (B,)
        Values by key path; every key must satisfy `is_column_key`. The values are taken as they
        are: check them with `Case.replace`, at least at their extremes, before.

    Returns
    -------
    Case
        Good for `flapsim.half_wing.pack.pack` and nothing else: it is not one case.

    Raises
    ------
    ValueError
        If a key cannot be a column.
    """
    out: Any = case
    for key, values in columns.items():
        if not is_column_key(key):
            raise ValueError(f"{key} cannot differ between the designs of one batch")
        out = _put(out, key.split("."), np.asarray(values, dtype=np.float64))
    made: Case = out
    return made


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


def lane_count(columns: Mapping[str, ArrayLike]) -> int:
    """Number of designs of a set of columns.

    Parameters
    ----------
    columns : mapping of str to array_like, shape (B,)
        Columns of one length.

    Returns
    -------
    int
        B; 1 without columns.
    """
    return max((np.asarray(values).size for values in columns.values()), default=1)
