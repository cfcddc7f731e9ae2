"""JSON Schema of a TOML file, from the definitions of its keys, for editors.

Says everything that the rules of single keys and their conditions (`When`) say; what other checks
look at several keys together is left to reading the file.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from flapsim.case.keys import Entry, Kind, Table, When, every_entry

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def json_schema(kind: Kind, title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a file.

    Parameters
    ----------
    kind : type
        Dataclass of the outermost table.
    title : str
        What the file is.

    Returns
    -------
    dict
        Plain values for `json.dumps`.
    """
    tables: dict[str, Any] = {}
    whole = _table(kind, tables)
    return {"$schema": DRAFT, "title": title} | whole | {"$defs": tables}


def _table(kind: Kind, tables: dict[str, Any]) -> dict[str, Any]:
    """Schema of a table; those below it are added to `tables`."""
    every = every_entry(kind)
    conditions = [
        condition
        for name, entry in every.items()
        for when in entry.conditions
        for condition in _conditions(name, when, every[when.key].default)
    ]
    out: dict[str, Any] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {name: _key(entry, tables) for name, entry in every.items()},
    }
    if required := [name for name, entry in every.items() if entry.required]:
        out["required"] = required
    if conditions:
        out["allOf"] = conditions
    return out


def _key(entry: Entry, tables: dict[str, Any]) -> dict[str, Any]:
    about: dict[str, Any] = {
        "description": f"{entry.described}; {entry.applies}".removesuffix("; ")
    }
    if isinstance(entry.rule, Table):
        kind: Any = entry.rule.kind
        if kind.__name__ not in tables:
            tables[kind.__name__] = {}  # a table may hold itself
            tables[kind.__name__] = _table(kind, tables)
        below = {"$ref": f"#/$defs/{kind.__name__}"}
        if entry.rule.many:
            return about | {"type": "array", "minItems": 1, "items": below}
        return about | below
    if entry.default is not dataclasses.MISSING and entry.default not in (None, ()):
        about["default"] = (
            list(entry.default) if isinstance(entry.default, tuple) else entry.default
        )
    return about | entry.rule.schema


def _conditions(name: str, when: When, default: Any) -> list[dict[str, Any]]:
    """A key only beside some values of another, and needed beside some of these."""
    allowed: dict[str, Any] = {"properties": {when.key: {"enum": list(when.values)}}}
    if default not in when.values:
        allowed["required"] = [when.key]
    out = [{"if": {"required": [name]}, "then": allowed}]
    if when.needed:
        state = {"properties": {when.key: {"enum": list(when.needed)}}, "required": [when.key]}
        out.append({"if": state, "then": {"required": [name]}})
    return out
