"""What identifies a sweep: everything that determines its numbers, by name.

Answers: may an interrupted sweep go on with this plan, this case and this version? Titles, comments
and the order of lines do not change the numbers; the source of the solver does.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from flapsim.case.text import plain
from flapsim.study.reading import Study
from flapsim.version import installed_version

_NOT_COMPUTING = ("cli", "show")
"""Rooms whose source does not affect the numbers of a sweep."""

_LIBRARIES = ("numba", "numpy", "scipy")
"""Libraries whose version may change the last bits."""


def facts_of(study: Study, names: tuple[str, ...]) -> dict[str, Any]:
    """Facts of a sweep that keeps the results `names`: flat, plain values."""
    plan = plain(study.plan)
    plan.pop("title", None)
    facts: dict[str, Any] = {
        "version of flapsim": installed_version(),
        "source of the solver": _digest(),
    }
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
    """Digest of the source that computes."""
    package = Path(__file__).parents[1]
    whole = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        if path.relative_to(package).parts[0] not in _NOT_COMPUTING:
            whole.update(path.read_bytes())
    return whole.hexdigest()[:16]


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]
