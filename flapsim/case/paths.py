"""Values named by their key path, such as ``stroke.outer.twist.tip_lag_deg``.

Answers: what does a case say at a key path, and what would it say with another value there?
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flapsim.case.keys import Kind, Table, entries, every_entry, report_unknown
from flapsim.case.rules import Rule, show
from flapsim.case.text import plain_value
from flapsim.faults import Faults


@dataclass(frozen=True, slots=True)
class Place:
    """Where a key path leads: through which tables, to which key, and into which of its items."""

    tables: tuple[str, ...]
    name: str
    rule: Rule | Table
    items: tuple[str, ...]


def locate(kind: Kind, key_path: str, faults: Faults) -> Place | None:
    """Follow a key path (names and list indices joined by dots); None, and a fault, if unknown."""
    names = key_path.split(".")
    prefix = ""
    for depth, name in enumerate(names):
        entry = every_entry(kind).get(name)
        if entry is None:
            report_unknown(name, kind, prefix, faults)
            return None
        rule = entry.rule
        if not isinstance(rule, Table) or depth == len(names) - 1:
            return Place(tuple(names[:depth]), name, rule, tuple(names[depth + 1 :]))
        kind, prefix = rule.kind, f"{prefix}{name}."
    return None


def look_up(thing: Any, key_path: str, faults: Faults) -> Any:
    """Return the value at a key path of a dataclass, None for a key that is left out.

    Raises CaseError, with the faults in `faults`, if there is no such key or item.
    """
    place = locate(type(thing), key_path, faults)
    faults.raise_if_any()
    assert place is not None
    value = thing
    for name in (*place.tables, place.name):
        value = _attribute(value, name)
        if value is None:
            return None
    for depth, item in enumerate(place.items):
        if not _is_item(value, item):
            _report_item(key_path, place.items[: depth + 1], value, faults)
            faults.raise_if_any()
        value = value[int(item)]
    return value


def put(table: dict[str, Any], kind: Kind, key_path: str, value: Any, faults: Faults) -> None:
    """Set the value at a key path of a plain table in place; None takes the key away.

    An unknown key or item is reported; the value itself is checked when the table is read.
    """
    place = locate(kind, key_path, faults)
    if place is None:
        return
    for name in place.tables:
        if value is None and name not in table:
            return
        below = table.setdefault(name, {})
        if not isinstance(below, dict):
            return  # the value that is no table is itself reported when the whole is read
        table = below
    if place.items:
        _put_item(table.get(place.name), place.items, key_path, value, faults)
    elif value is None:
        table.pop(place.name, None)
    else:
        table[place.name] = plain_value(value)


def _put_item(
    holder: Any, items: tuple[str, ...], key_path: str, value: Any, faults: Faults
) -> None:
    """Set an item of a list, or of a list in a list."""
    for depth, item in enumerate(items):
        if not _is_item(holder, item):
            _report_item(key_path, items[: depth + 1], holder, faults)
            return
        if depth == len(items) - 1:
            holder[int(item)] = plain_value(value)
        holder = holder[int(item)]


def _is_item(holder: Any, item: str) -> bool:
    """Whether the list `holder` has the item that a key path names."""
    return (
        isinstance(holder, list | tuple)
        and item.isascii()
        and item.isdigit()
        and len(item) < 10
        and int(item) < len(holder)
    )


def _report_item(key_path: str, items: tuple[str, ...], holder: Any, faults: Faults) -> None:
    """Report an index that leads nowhere."""
    if isinstance(holder, list | tuple) and holder:
        faults.add(key_path, show(items[-1]), f"an index from 0 to {len(holder) - 1}")
    else:
        faults.say(key_path, f"{show(items[-1])} is an index, but there is no list to index here")


def _attribute(thing: Any, name: str) -> Any:
    """Return the field that a key stands for."""
    kind: Kind = type(thing)
    for entry in entries(kind):
        if entry.name == name:
            return getattr(thing, entry.field)
        if (
            isinstance(entry.rule, Table)
            and entry.rule.prefix
            and name.startswith(entry.rule.prefix)
        ):
            below = getattr(thing, entry.field)
            return None if below is None else _attribute(below, name[len(entry.rule.prefix) :])
    return None
