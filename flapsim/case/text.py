"""From TOML to dataclasses whose fields are keys, and back.

Answers: which object does this text describe, what is wrong with it (all of it at once), and how is
the object written? Knows nothing of wings: the dataclasses come from above.
"""

from __future__ import annotations

import dataclasses
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from flapsim.case.keys import (
    Entry,
    Kind,
    Table,
    check_conditions,
    entries,
    every_entry,
    report_unknown,
)
from flapsim.case.rules import UNFIT, show
from flapsim.faults import MISSING_KEY, CaseError, Fault, Faults, did_you_mean

LARGEST_FILE: Final = 5_000_000
"""Bytes; the case of a craft has some thousands."""


@dataclass(frozen=True, slots=True)
class Found:
    """A table as read, for the checks that look at several of its keys together.

    `table` is as written, `values` (by field) has defaults filled in and lacks what could not be
    read; `prefix` stands before a key of this table in a key path.
    """

    table: Mapping[str, Any]
    values: dict[str, Any]
    prefix: str
    faults: Faults

    def wrong(self, name: str, allowed: str, hint: str = "") -> None:
        """Report the key `name`: what it holds is not `allowed`."""
        given = show(self.table[name]) if name in self.table else MISSING_KEY
        self.faults.add(self.prefix + name, given, allowed, hint)

    def say(self, name: str, sentence: str, hint: str = "") -> None:
        """Report the key `name` in a sentence of its own."""
        self.faults.say(self.prefix + name, sentence, hint)

    def require(self, name: str, allowed: str, hint: str) -> None:
        """Report the key `name` if it is not in the table."""
        if name not in self.table:
            self.faults.missing(self.prefix + name, allowed, hint)

    def read_file(self, name: str, read: Callable[[Path], object]) -> None:
        """Read the file that the key `name` gives, so that its faults are reported here too."""
        value = self.values.get(name)
        if value is None or self.faults.folder is None:
            return
        path = self.faults.folder / value
        if not _is_file(path):
            hint = did_you_mean(value, _names_beside(path), shown=show)
            self.say(name, f"no file {show(value)} beside the case file", hint)
            return
        try:
            read(path)
        except CaseError as error:
            origin = f"named by {self.prefix}{name} in {self.faults.file}"
            for fault in error.faults:
                hint = f"{fault.hint}; {origin}" if fault.hint else origin
                self.faults.found.append(dataclasses.replace(fault, hint=hint))


def _is_file(path: Path) -> bool:
    """Whether there is such a file; a name that no file can have counts as absent."""
    with suppress(OSError):
        return path.is_file()
    return False


def _names_beside(path: Path) -> list[str]:
    """Return what else lies in the folder of a file."""
    with suppress(OSError):
        return [other.name for other in path.parent.iterdir()]
    return []


def build(kind: Kind, table: Mapping[str, Any], prefix: str, faults: Faults) -> Any:
    """Read a table, as a TOML reader gives it, into a dataclass of keys; UNFIT if there are faults.

    `prefix` stands before the keys of this table in a key path. A static method `check(found)` of
    the dataclass, if it has one, looks at several keys together.
    """
    for name in table:
        if name not in every_entry(kind):
            report_unknown(name, kind, prefix, faults)
    values: dict[str, Any] = {}
    for entry in entries(kind):
        values[entry.field] = _read_entry(entry, table, prefix, faults)
    sound = {name: value for name, value in values.items() if value is not UNFIT}
    noted = len(faults.found)
    check_conditions(kind, table, sound, prefix, faults)
    check = getattr(kind, "check", None)
    if check is not None:
        check(Found(table, sound, prefix, faults))
    if len(sound) < len(values) or len(faults.found) > noted:
        return UNFIT
    return kind(**sound)


def _read_entry(entry: Entry, table: Mapping[str, Any], prefix: str, faults: Faults) -> Any:
    """Read one field of a dataclass from the table that holds its key."""
    rule = entry.rule
    if isinstance(rule, Table) and rule.prefix:
        own = {
            name: table[rule.prefix + name]
            for name in every_entry(rule.kind)
            if rule.prefix + name in table
        }
        return build(rule.kind, own, prefix + rule.prefix, faults) if own else entry.default
    key = prefix + entry.name
    if entry.name not in table:
        if entry.required:
            faults.missing(key, entry.allowed, entry.described)
            return UNFIT
        return entry.default
    value = table[entry.name]
    if isinstance(rule, Table):
        return _read_tables(value, rule, key, entry, faults)
    noted = len(faults.found)
    read = rule.read(value, key, faults)
    for index, fault in enumerate(faults.found[noted:], start=noted):
        if not fault.hint:
            faults.found[index] = dataclasses.replace(fault, hint=entry.described)
    return read


def _read_tables(value: Any, rule: Table, key: str, entry: Entry, faults: Faults) -> Any:
    """Read the table of a key, or its several tables."""
    if rule.many and isinstance(value, list) and value:
        one = dataclasses.replace(rule, many=False)
        read = [_read_tables(v, one, f"{key}.{i}", entry, faults) for i, v in enumerate(value)]
        return UNFIT if UNFIT in read else tuple(read)
    if not rule.many and isinstance(value, dict):
        return build(rule.kind, value, f"{key}.", faults)
    faults.add(key, show(value), entry.allowed, entry.described)
    return UNFIT


# --- text ------------------------------------------------------------------------------------


def read_text(path: Path) -> str:
    """Return what a UTF-8 file holds, without a byte order mark; a CaseError says why it cannot."""
    hint = ""
    try:
        if path.is_dir():
            problem = "this is a folder; give a file in it"
        elif not path.exists():
            near = did_you_mean(
                path.name, _names_beside(path), shown=lambda name: str(path.with_name(name))
            )
            problem, hint = "no such file", near
        elif not path.is_file():
            problem = "not a regular file"
        elif path.stat().st_size > LARGEST_FILE:
            problem = f"too large; at most {LARGEST_FILE} bytes are read"
        else:
            return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        problem = f"not UTF-8 (byte {byte:#04x} at offset {error.start}); save the file as UTF-8"
    except OSError as error:
        problem = f"cannot be read: {error.strerror or error}"
    raise CaseError([Fault(path.name or str(path), "", "", problem, hint)])


def read_toml(text: str, name: str) -> dict[str, Any]:
    """Return the tables of a TOML text; a CaseError names the line at which it stops being TOML."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        where, problem = "", "lists or tables are nested too deeply"
    except ValueError as error:
        # Beside its own error the reader lets pass what Python says of absurd numbers and dates.
        where, problem = _syntax_error(text, str(error))
    raise CaseError([Fault(name, where, "", problem)])


def _syntax_error(text: str, message: str) -> tuple[str, str]:
    """Where the text stops being TOML, and why."""
    reason, _, place = message.partition(" (at ")
    reason = f"not valid TOML: {reason[:1].lower()}{reason[1:]}"
    at = re.match(r"line (\d+)", place)
    lines = text.split("\n")
    if at is None or not 0 < int(at[1]) <= len(lines):
        return ("last line" if place else ""), reason
    return f"line {at[1]}", f"{reason}; the line reads {show(lines[int(at[1]) - 1].strip())}"


# --- dataclass -> table -> text --------------------------------------------------------------


def plain(thing: Any) -> dict[str, Any]:
    """Return the table that a dataclass could be read from, without keys at their default."""
    table: dict[str, Any] = {}
    kind: Kind = type(thing)
    for entry in entries(kind):
        value = getattr(thing, entry.field)
        if value is None or value == entry.default:
            continue
        if not isinstance(entry.rule, Table):
            table[entry.name] = plain_value(value)
        elif entry.rule.prefix:
            # A schedule that is all defaults still differs from one that is left out.
            first = entries(entry.rule.kind)[0].name
            inner = plain(value) or {first: getattr(value, first)}
            table |= {entry.rule.prefix + name: item for name, item in inner.items()}
        else:
            table[entry.name] = plain_value(value)
    return table


def plain_value(value: Any) -> Any:
    """Return a value as a TOML reader would give it: no tuples, no numpy, no dataclasses."""
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, list | tuple):
        return [plain_value(item) for item in value]
    if isinstance(value, dict):
        return {str(name): plain_value(item) for name, item in value.items()}
    if isinstance(value, Path):
        return str(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return plain(value)
    return value


def write_toml(thing: Any) -> str:
    """Return a dataclass as TOML.

    Small tables and all lists stand on one line, as people write them; the common TOML writers give
    every pair of a chord list four lines.
    """
    lines: list[str] = []
    _write_table(type(thing), plain(thing), "", lines)
    return "\n".join(lines) + "\n"


def _write_table(kind: Kind, table: dict[str, Any], path: str, lines: list[str]) -> None:
    """Append a table: its header, its own keys, then the tables below it."""
    below = {
        entry.name: entry.rule.kind
        for entry in entries(kind)
        if isinstance(entry.rule, Table) and not entry.rule.inline and entry.name in table
    }
    own = [name for name in table if name not in below]
    if path and (own or not below):
        lines += ["", f"[{path}]"]
    lines += [f"{name} = {literal(table[name])}" for name in own]
    for name, kind_below in below.items():
        _write_table(kind_below, table[name], f"{path}.{name}" if path else name, lines)


def literal(value: Any) -> str:
    """Return a plain value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A TOML basic string is a JSON string but for DEL, which JSON leaves bare.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(literal(item) for item in value) + "]"
    if isinstance(value, dict):
        inside = ", ".join(f"{name} = {literal(item)}" for name, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    return repr(value)
