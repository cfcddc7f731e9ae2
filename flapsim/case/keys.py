"""Keys: dataclasses whose fields are the keys of a TOML table, each with its definition.

Answers: which keys does a table have, what does each mean, in which unit, which values may it
take, when does it apply? Knows nothing of wings: the dataclasses come from above.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from typing import Any, NamedTuple, TypeAlias, TypeVar, cast, dataclass_transform

from flapsim.case.rules import Rule, show
from flapsim.faults import UNKNOWN_KEY, Faults, did_you_mean
from flapsim.quantities import printed, unit_of

Kind: TypeAlias = Callable[..., Any]
"""A dataclass whose fields are keys."""

_T = TypeVar("_T")


class When(NamedTuple):
    """A key applies only with certain `values` of another `key`, and may be `needed` with some."""

    key: str
    values: tuple[str, ...]
    needed: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.key} = " + " or ".join(f'"{value}"' for value in self.values)


def toml_key(
    rule: Rule | Table, meaning: str, when: When | str = "", *, default: Any = MISSING
) -> Any:
    """Field of a dataclass that is a key of its table; required if it has no default.

    The meaning fits one line; the unit is the end of the name. `when` tells when the key applies,
    if not always: a `When` is enforced, text is only shown.
    """
    metadata = {"rule": rule, "meaning": meaning, "when": (when,) if when else ()}
    return (
        field(metadata=metadata)
        if default is MISSING
        else field(default=default, metadata=metadata)
    )


@dataclass_transform(frozen_default=True, field_specifiers=(toml_key, field))
def toml_table(kind: type[_T]) -> type[_T]:
    """Make a class whose fields are keys into a frozen dataclass."""
    return dataclass(frozen=True, slots=True)(kind)


@dataclass(frozen=True, slots=True)
class Table:
    """A table read into the dataclass `kind`; `inline` is how it is written.

    With a `prefix` the keys of `kind` stand in the parent table, each behind the prefix. With
    `many` there may be several such tables, written ``[[key]]`` each and read into a tuple.
    """

    kind: Kind
    inline: bool = False
    prefix: str = ""
    many: bool = False

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        return f"a table with {names_in_words(self.kind)}"


@dataclass(frozen=True, slots=True)
class Entry:
    """Definition of one key: `name` in the table, `field` in the dataclass.

    The two differ where a key is a word of Python: ``from_`` for ``from``. The default is
    ``dataclasses.MISSING`` for a key that must be given.
    """

    name: str
    field: str
    rule: Rule | Table
    default: Any
    meaning: str
    when: tuple[When | str, ...]

    @property
    def required(self) -> bool:
        """Whether the table must have the key."""
        return self.default is MISSING

    @property
    def allowed(self) -> str:
        """What it may hold, in words."""
        if isinstance(self.rule, Table) and self.rule.many:
            return f"at least one table [[{self.name}]] with {names_in_words(self.rule.kind)}"
        return self.rule.allowed

    @property
    def described(self) -> str:
        """Meaning and unit, for a hint or a comment."""
        unit = "" if isinstance(self.rule, Table) else printed(unit_of(self.name))
        return f"{self.meaning} ({unit})" if unit else self.meaning

    @property
    def conditions(self) -> tuple[When, ...]:
        """Conditions that are enforced."""
        return tuple(when for when in self.when if isinstance(when, When))

    @property
    def applies(self) -> str:
        """When it applies, in words; empty for always."""
        return ", ".join(f"with {w}" if isinstance(w, When) else w for w in self.when)


@cache
def entries(kind: Kind) -> tuple[Entry, ...]:
    """Keys of a table, in order; those behind a prefix as one."""
    return tuple(
        Entry(item.name.rstrip("_"), item.name, default=item.default, **item.metadata)
        for item in fields(cast(type[Any], kind))
        if "rule" in item.metadata
    )


@cache
def every_entry(kind: Kind) -> dict[str, Entry]:
    """Definition of every key that a table may hold, those behind a prefix one by one."""
    found: dict[str, Entry] = {}
    for entry in entries(kind):
        if isinstance(entry.rule, Table) and entry.rule.prefix:
            prefix = entry.rule.prefix
            for name, below in every_entry(entry.rule.kind).items():
                found[prefix + name] = replace(
                    below,
                    name=prefix + name,
                    meaning=f"{entry.meaning}: {below.meaning}",
                    when=(*entry.when, *(_behind(prefix, when) for when in below.when)),
                )
        else:
            found[entry.name] = entry
    return found


def _behind(prefix: str, when: When | str) -> When | str:
    return when._replace(key=prefix + when.key) if isinstance(when, When) else when


@cache
def names_in_words(kind: Kind) -> str:
    """Keys of a table for a message; those behind a prefix in short."""
    return ", ".join(_in_words(entry) for entry in entries(kind))


def _in_words(entry: Entry) -> str:
    prefix = entry.rule.prefix if isinstance(entry.rule, Table) else ""
    return f"{prefix}*" if prefix else entry.name


def definitions(kind: Kind, start: str = "") -> Iterator[tuple[str, Entry]]:
    """Key path and definition of every key below a table, tables included."""
    for name, entry in every_entry(kind).items():
        yield start + name, entry
        if isinstance(entry.rule, Table):
            yield from definitions(entry.rule.kind, f"{start}{name}.")


@cache
def key_paths(kind: Kind) -> tuple[str, ...]:
    """Every key path below a table, tables included."""
    return tuple(path for path, _ in definitions(kind))


# --- several keys of a table together ----------------------------------------------------------


@cache
def _conditions(kind: Kind) -> tuple[tuple[Entry, When], ...]:
    return tuple((entry, when) for entry in entries(kind) for when in entry.conditions)


def check_conditions(
    kind: Kind, table: Mapping[str, Any], values: Mapping[str, Any], prefix: str, faults: Faults
) -> None:
    """Report keys of a table that do not apply beside the others, and missing ones that do."""
    for entry, when in _conditions(kind):
        state = values.get(when.key)
        if state is None:
            continue
        lead = entry.rule.prefix if isinstance(entry.rule, Table) else ""
        if state not in when.values:
            for name in table.keys() & every_entry(kind).keys():
                if name == entry.name or (lead and name.startswith(lead)):
                    faults.say(prefix + name, _out_of_place(kind, when, state, prefix))
        elif state in when.needed and entry.name not in table:
            hint = f'{when.key} = "{state}" needs it: {entry.described}'
            faults.missing(prefix + entry.name, entry.allowed, hint)


def _out_of_place(kind: Kind, when: When, state: str, prefix: str) -> str:
    """Say that a key does not apply, and which do in its place."""
    lead = prefix.rpartition(".")[2]
    instead = [
        lead + _in_words(other)
        for other in entries(kind)
        if any(own.key == when.key and state in own.values for own in other.conditions)
    ]
    use = f" takes {', '.join(instead)}" if instead else " does not use it"
    return f'this key applies with {lead}{when} only; {lead}{when.key} = "{state}"{use}'


def report_unknown(name: str, kind: Kind, prefix: str, faults: Faults) -> None:
    """Report a key that its table does not have, with the nearest one that exists."""
    by_name = {path.rpartition(".")[2]: path for path in reversed(faults.known)}
    own = {other: prefix + other for other in every_entry(kind)}
    # A near miss in the right table, the right name in the wrong table, then whatever is closest.
    hint = (
        did_you_mean(name, own, 0.8, own.__getitem__)
        or (f"did you mean {by_name[name]}?" if name in by_name else "")
        or did_you_mean(name, own, 0.6, own.__getitem__)
        or did_you_mean(name, by_name, 0.6, by_name.__getitem__)
    )
    shown = name if re.fullmatch(r"[\w-]+", name) else show(name)
    faults.add(prefix + shown, UNKNOWN_KEY, f"one of {names_in_words(kind)}", hint)
