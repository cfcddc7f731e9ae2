"""What makes a sweep this very sweep: everything that decides about its numbers, by name.

Answers: may a sweep that was interrupted go on with this plan, this case and this version? Titles,
comments and the order of lines do not decide about numbers; the solver's own lines do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from flapsim import __version__
from flapsim.case.text import plain
from flapsim.study.reading import Study

__all__ = ["facts_of"]

_TALKING_ROOMS = ("cli", "show")
"""Rooms whose lines do not decide about the numbers of a sweep."""

_LIBRARIES = ("numba", "numpy", "scipy")
"""Libraries whose version may change the last bits."""


def facts_of(study: Study, names: tuple[str, ...]) -> dict[str, Any]:
    """Facts of a sweep.

    Parameters
    ----------
    study : Study
        The plan with what it names.
    names : tuple of str
        Results to keep.

    Returns
    -------
    dict of str to object
        Flat; plain values.
    """
    plan = plain(study.plan)
    plan.pop("title", None)
    facts: dict[str, Any] = {"version of flapsim": __version__, "lines of the solver": _digest()}
    facts |= {f"version of {name}": version(name) for name in _LIBRARIES}
    facts |= {f"plan: {name}": value for name, value in _flat(plan)}
    case = plain(study.case)
    case.pop("title", None)
    facts |= {f"case: {name}": value for name, value in _flat(case)}
    for name, rows in study.rows.items():
        facts[f"rows of {name}"] = _hash(repr(rows.columns).encode())
    for name, value in _flat(case):
        if name.rpartition(".")[2].endswith("file") and isinstance(value, str):
            facts[f"content of {value}"] = _hash((study.case.folder / value).read_bytes())
    facts["results"] = " ".join(names)
    return facts


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Key paths and values, lists of tables included."""
    for name, value in table.items():
        path = f"{prefix}{name}"
        if isinstance(value, dict):
            yield from _flat(value, f"{path}.")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for index, item in enumerate(value):
                yield from _flat(item, f"{path}.{index}.")
        else:
            yield path, value


@cache
def _digest() -> str:
    """Digest of the lines that compute."""
    package = Path(__file__).parents[1]
    files = [
        path
        for path in package.rglob("*.py")
        if path.relative_to(package).parts[0] not in _TALKING_ROOMS
    ]
    whole = hashlib.sha256()
    for path in sorted(files):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:16]


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]
