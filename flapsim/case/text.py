"""From TOML to dataclasses whose fields carry rules, and back; values named by their key path.

Answers: which object does this text describe, what is wrong with it (all of it at once), how is the
object written, and what stands at, or should stand at, a key path? Knows nothing of wings: the
dataclasses come from above.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np

from flapsim.case.rules import (
    UNFIT,
    Entry,
    Kind,
    Rule,
    Table,
    entries,
    known_names,
    names_in_words,
    show,
)
from flapsim.faults import MISSING_KEY, UNKNOWN_KEY, CaseError, Fault, Faults

LARGEST_FILE: Final = 5_000_000
"""Bytes; a case or table of a craft has some thousands."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a table held, for the checks that look at several of its keys together.

    Attributes
    ----------
    table : mapping
        As written.
    values : dict
        Field name -> value, defaults filled in; fields that could not be read are left out.
    prefix : str
        What stands before a key of this table in a key path.
    faults : Faults
        Where to report.
    """

    table: Mapping[str, Any]
    values: dict[str, Any]
    prefix: str
    faults: Faults

    def wrong(self, name: str, allowed: str, hint: str = "") -> None:
        """Report the key `name`: what it holds is not `allowed`."""
        given = show(self.table[name]) if name in self.table else MISSING_KEY
        self.faults.add(self.prefix + name, given, allowed, hint)

    def require(self, name: str, allowed: str, hint: str) -> None:
        """Report the key `name` if it is not in the table."""
        if name not in self.table:
            self.faults.add(self.prefix + name, MISSING_KEY, allowed, hint)

    def read_file(self, name: str, read: Callable[[Path], object]) -> None:
        """Read the file that the key `name` gives, so that its faults are reported here too."""
        value = self.values.get(name)
        if value is None or self.faults.folder is None:
            return
        path = self.faults.folder / value
        if not _is_file(path):
            near = difflib.get_close_matches(value, _names_beside(path), n=1)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            self.wrong(
                name,
                "the name of a readable CSV file",
                f"it is looked for beside the case file{hint}",
            )
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
    try:
        return path.is_file()
    except OSError:
        return False


def _names_beside(path: Path) -> list[str]:
    """Return what else lies in the folder of a file."""
    try:
        return [other.name for other in path.parent.iterdir()]
    except OSError:
        return []


def build(kind: Kind, table: Mapping[str, Any], prefix: str, faults: Faults) -> Any:
    """Read a table into a dataclass, reporting every fault.

    Parameters
    ----------
    kind : type
        Dataclass whose fields carry rules. A static method `check(found)`, if it has one, looks at
        several keys together.
    table : mapping
        Plain values as a TOML reader gives them.
    prefix : str
        What stands before the keys of this table in a key path.
    faults : Faults
        Collects what is wrong.

    Returns
    -------
    object
        An instance of `kind`, or UNFIT.
    """
    known = known_names(kind)
    for name in table:
        if name not in known:
            _report_unknown(name, kind, prefix, faults)
    values: dict[str, Any] = {}
    for entry in entries(kind):
        values[entry.name] = _read_entry(entry, table, prefix, faults)
    sound = {name: value for name, value in values.items() if value is not UNFIT}
    check = getattr(kind, "check", None)
    noted = len(faults.found)
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
            for name in known_names(rule.kind)
            if rule.prefix + name in table
        }
        return build(rule.kind, own, prefix + rule.prefix, faults) if own else entry.default
    key = prefix + entry.name
    if entry.name not in table:
        if entry.required:
            faults.add(key, MISSING_KEY, rule.allowed)
            return UNFIT
        return entry.default
    value = table[entry.name]
    if not isinstance(rule, Table):
        return rule.read(value, key, faults)
    if not isinstance(value, dict):
        faults.add(key, show(value), rule.allowed)
        return UNFIT
    return build(rule.kind, value, f"{key}.", faults)


def _report_unknown(name: str, kind: Kind, prefix: str, faults: Faults) -> None:
    """Report a key that its table does not have, with the nearest one that exists."""
    by_name = {path.rpartition(".")[2]: path for path in reversed(faults.known)}
    own = {other: prefix + other for other in known_names(kind)}
    # A near miss in the right table, the right name in the wrong table, then whatever is closest.
    near = (
        _nearest(name, own, 0.8)
        or by_name.get(name)
        or _nearest(name, own, 0.6)
        or _nearest(name, by_name, 0.6)
    )
    hint = f"did you mean {near}?" if near else ""
    shown = name if re.fullmatch(r"[\w-]+", name) else show(name)
    faults.add(prefix + shown, UNKNOWN_KEY, f"one of {names_in_words(kind)}", hint)


def _nearest(name: str, paths: Mapping[str, str], likeness: float) -> str | None:
    """Return the key path whose name is most like `name`, if it is at least so much alike."""
    near = difflib.get_close_matches(name, paths, n=1, cutoff=likeness)
    return paths[near[0]] if near else None


# --- text ------------------------------------------------------------------------------------


def read_text(path: Path) -> str:
    """Return what a text file holds.

    Parameters
    ----------
    path : Path
        A UTF-8 file; a byte order mark is dropped.

    Returns
    -------
    str

    Raises
    ------
    CaseError
        If it is missing, no file, too large, unreadable or not UTF-8.
    """
    faults = Faults(path.name or str(path))
    try:
        if path.is_dir():
            faults.add("", "a folder", "a file")
        elif not path.is_file():
            near = difflib.get_close_matches(path.name, _names_beside(path), n=1)
            hint = f'did you mean "{path.with_name(near[0])}"?' if near else ""
            given = "something else" if path.exists() else "a file that does not exist"
            faults.add("", given, "a readable file", hint)
        elif path.stat().st_size > LARGEST_FILE:
            faults.add("", "a larger file", f"at most {LARGEST_FILE} bytes")
        else:
            return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        faults.add("", f"the byte {error.object[error.start]:#04x}", "text in UTF-8")
    except OSError as error:
        faults.add("", "an unreadable file", "a readable file", error.strerror or "")
    raise CaseError(faults.found)


def read_toml(text: str, name: str) -> dict[str, Any]:
    """Return the tables of a TOML text.

    Parameters
    ----------
    text : str
    name : str
        Name of the file, for messages.

    Returns
    -------
    dict

    Raises
    ------
    CaseError
        With the line at which the text stops being TOML.
    """
    try:
        return tomllib.loads(text)
    except RecursionError:
        fault = Fault(name, "", "lists or tables nested too deeply", "TOML as a case needs it")
    except ValueError as error:
        # Beside its own error the reader lets pass what Python says of absurd numbers and dates.
        fault = _syntax_fault(text, name, str(error))
    raise CaseError([fault])


def _syntax_fault(text: str, name: str, message: str) -> Fault:
    """Put the reader's complaint into a fault that shows the line."""
    reason, _, place = message.partition(" (at ")
    at = re.match(r"line (\d+)", place)
    lines = text.split("\n")
    if at is None or not 0 < int(at[1]) <= len(lines):
        where, given = ("last line", "the end of the file") if place else ("", "something else")
    else:
        where, given = f"line {at[1]}", show(lines[int(at[1]) - 1].strip())
    return Fault(name, where, given, "TOML", reason[:1].lower() + reason[1:])


# --- dataclass -> table -> text --------------------------------------------------------------


def plain(thing: Any) -> dict[str, Any]:
    """Return the table that a dataclass with rules was or could be read from.

    Parameters
    ----------
    thing : object
        Dataclass instance.

    Returns
    -------
    dict
        Plain values; keys that hold their default are left out.
    """
    table: dict[str, Any] = {}
    for entry in _entries_of(thing):
        value = getattr(thing, entry.name)
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
            table[entry.name] = plain(value)
    return table


def _entries_of(thing: Any) -> tuple[Entry, ...]:
    kind: Kind = type(thing)
    return entries(kind)


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
    """Return a dataclass with rules as TOML.

    Parameters
    ----------
    thing : object
        Dataclass instance.

    Returns
    -------
    str
        Small tables and all lists stand on one line, as people write them; the common TOML writers
        give every pair of a chord list four lines.
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
    lines += [f"{name} = {_literal(table[name])}" for name in own]
    for name, kind_below in below.items():
        _write_table(kind_below, table[name], f"{path}.{name}" if path else name, lines)


def _literal(value: Any) -> str:
    """Return a plain value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A TOML basic string is a JSON string but for DEL, which JSON leaves bare.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(_literal(item) for item in value) + "]"
    if isinstance(value, dict):
        inside = ", ".join(f"{name} = {_literal(item)}" for name, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    return repr(value)


# --- key paths -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Place:
    """Where a key path leads: through which tables, to which key, and into which of its items."""

    tables: tuple[str, ...]
    name: str
    rule: Rule | Table
    items: tuple[str, ...]


def locate(kind: Kind, key_path: str, faults: Faults) -> Place | None:
    """Follow a key path through the tables that a case can have.

    Parameters
    ----------
    kind : type
        Dataclass of the outermost table.
    key_path : str
        Names and list indices joined by dots.
    faults : Faults
        Told about an unknown key.

    Returns
    -------
    Place or None
        None if there is no such key.
    """
    names = key_path.split(".")
    prefix = ""
    for depth, name in enumerate(names):
        rule = _rules(kind).get(name)
        if rule is None:
            _report_unknown(name, kind, prefix, faults)
            return None
        if not isinstance(rule, Table) or depth == len(names) - 1:
            return Place(tuple(names[:depth]), name, rule, tuple(names[depth + 1 :]))
        kind, prefix = rule.kind, f"{prefix}{name}."
    return None


def look_up(thing: Any, key_path: str, faults: Faults) -> Any:
    """Return the value at a key path of a dataclass with rules.

    Parameters
    ----------
    thing : object
        Dataclass instance.
    key_path : str
    faults : Faults
        Fresh; says what the file is called and which keys there are.

    Returns
    -------
    object
        None for a key that is left out.

    Raises
    ------
    CaseError
        If there is no such key or no such item.
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
    """Set the value at a key path of a plain table, in place.

    Parameters
    ----------
    table : dict
        Plain values of a `kind`.
    kind : type
        Dataclass of the outermost table.
    key_path : str
    value : object
        None takes the key away.
    faults : Faults
        Told about an unknown key or item; the value itself is checked when the table is read.
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
        allowed = f"an index from 0 to {len(holder) - 1}"
    else:
        allowed = "no index, as there is no list here"
    faults.add(key_path, show(items[-1]), allowed)


@cache
def _rules(kind: Kind) -> dict[str, Rule | Table]:
    """Rule of every key of a table, those behind a prefix included."""
    rules: dict[str, Rule | Table] = {}
    for entry in entries(kind):
        if isinstance(entry.rule, Table) and entry.rule.prefix:
            rules |= {
                entry.rule.prefix + name: rule for name, rule in _rules(entry.rule.kind).items()
            }
        else:
            rules[entry.name] = entry.rule
    return rules


def _attribute(thing: Any, name: str) -> Any:
    """Return the field that a key stands for."""
    for entry in _entries_of(thing):
        if entry.name == name:
            return getattr(thing, name)
        if (
            isinstance(entry.rule, Table)
            and entry.rule.prefix
            and name.startswith(entry.rule.prefix)
        ):
            below = getattr(thing, entry.name)
            return None if below is None else _attribute(below, name[len(entry.rule.prefix) :])
    return None
