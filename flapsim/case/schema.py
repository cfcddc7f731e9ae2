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
    """JSON Schema (draft 2020-12) of a file, of plain values; `title` says what the file is."""
    tables: dict[str, Any] = {}
    whole = _table(kind, "", {}, tables)
    return {"$schema": DRAFT, "title": title} | whole | {"$defs": tables}


def _table(kind: Kind, path: str, names: dict[Kind, str], tables: dict[str, Any]) -> dict[str, Any]:
    """Schema of a table; those below are added to `tables` by the path where they first stand."""
    every = every_entry(kind)
    conditions = [
        condition
        for name, entry in every.items()
        for when in entry.conditions
        for condition in _conditions(name, when, every[when.key].default)
    ]
    properties = {}
    for name, entry in every.items():
        about: dict[str, Any] = {"description": f"{entry.described}; {entry.applies}"}
        about["description"] = about["description"].removesuffix("; ")
        if isinstance(entry.rule, Table):
            below = entry.rule.kind
            if below not in names:
                names[below] = f"{path}{name}"
                tables[names[below]] = _table(below, f"{path}{name}.", names, tables)
            about |= _referred(entry.rule, names[below])
        else:
            about |= _default(entry) | entry.rule.schema
        properties[name] = about
    out = {"type": "object", "additionalProperties": False, "properties": properties}
    if required := [name for name, entry in every.items() if entry.required]:
        out["required"] = required
    if conditions:
        out["allOf"] = conditions
    return out


def _referred(rule: Table, name: str) -> dict[str, Any]:
    below = {"$ref": f"#/$defs/{name}"}
    return {"type": "array", "minItems": 1, "items": below} if rule.many else below


def _default(entry: Entry) -> dict[str, Any]:
    value = list(entry.default) if isinstance(entry.default, tuple) else entry.default
    return {} if value in (None, [], dataclasses.MISSING) else {"default": value}


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
