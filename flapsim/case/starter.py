"""A starter file: every key with its meaning, unit, range and default, from the definitions.

Answers: with which file does somebody begin who has none? Optional keys stand in it too, commented
out, so that the file shows what there is.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import MISSING
from importlib.resources import files
from typing import Any

from flapsim.case.keys import Entry, Kind, Table, every_entry
from flapsim.case.rules import ANY_NUMBER, NOT_NEGATIVE, POSITIVE, Number, Rule, Switch, Word
from flapsim.case.text import literal

_COMMENT_AT = 44
"""Column at which comments begin."""

_PLAIN = {rule.allowed for rule in (ANY_NUMBER, POSITIVE, NOT_NEGATIVE)}
"""Ranges that go without saying."""


def starter_text(kind: Kind, values: str, head: str) -> str:
    """Text of a starter file that opens with the comment `head`.

    Its values come from the TOML file of the name `values` beside this module.
    """
    text = files("flapsim.case").joinpath(values).read_text(encoding="utf-8")
    lines = [f"# {line}".rstrip() for line in head.splitlines()]
    lines += ["", *_lines(kind, tomllib.loads(text), "")]
    return "\n".join(lines) + "\n"


def _lines(kind: Kind, table: Mapping[str, Any], path: str) -> Iterator[str]:
    """The keys of a table, then the tables below it."""
    below = []
    for name, entry in every_entry(kind).items():
        if isinstance(entry.rule, Table):
            below.append((name, entry, entry.rule))
        elif name in table:
            yield _commented(f"{name} = {literal(table[name])}", entry)
        elif _applies(kind, entry, table):
            default = _default(entry.default, entry.rule)
            yield _commented(f"# {name} = {default}".rstrip(), entry)
    for name, entry, rule in below:
        place = f"{path}.{name}" if path else name
        if name not in table:
            yield _commented(f"# [{place}]", entry)
            continue
        for own in table[name] if rule.many else [table[name]]:
            if any(not isinstance(one.rule, Table) for one in every_entry(rule.kind).values()):
                yield ""
                yield _commented(f"[[{place}]]" if rule.many else f"[{place}]", entry)
            yield from _lines(rule.kind, own, place)


def _applies(kind: Kind, entry: Entry, table: Mapping[str, Any]) -> bool:
    """Whether a key that is left out would apply beside those that are there."""
    every = every_entry(kind)
    return all(
        table.get(when.key, every[when.key].default) in when.values for when in entry.conditions
    )


def _commented(text: str, entry: Entry) -> str:
    about = [entry.described]
    if isinstance(entry.rule, Word | Switch | Number) and entry.rule.allowed not in _PLAIN:
        about.append(entry.rule.allowed)
    about += [when for when in entry.when if isinstance(when, str)]
    comment = "# " + "; ".join(about)
    return f"{text:<{_COMMENT_AT}}{comment}" if len(text) < _COMMENT_AT else f"{comment}\n{text}"


def _default(value: Any, rule: Rule) -> str:
    """Default of a key as it would stand in the file; empty without one."""
    if isinstance(value, tuple):
        value = list(value) or ({} if rule.schema["type"] == "object" else [])
    return "" if value in (MISSING, None) else literal(value)
