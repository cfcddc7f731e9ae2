"""What a name means: a key, a table, a reported quantity, a group of them, or a technical term.

Answers: what does ``flapsim explain`` print? Everything comes from the definitions of the keys in
the case, plan and rig files and from `flapsim.quantities`; nothing is written down here.
"""

from __future__ import annotations

import difflib
import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from flapsim.case import Case
from flapsim.case.keys import Entry, Kind, Table, definitions, entries, every_entry
from flapsim.case.rules import Word
from flapsim.quantities import GLOSSARY, GROUPS, Quantity, find_quantity, printed, unit_of
from flapsim.rig.rig_file import Rig
from flapsim.show.text import wrapped
from flapsim.study.plan import Plan

FILE_KINDS: dict[str, Kind] = {"case": Case, "plan": Plan, "rig": Rig}
"""Files that a user writes, by the name of their kind."""


@dataclass(frozen=True)
class Definition:
    """A name, `what` sort of thing it is (such as "key of a case") and what it means.

    The `facts` are unit, range, default, formula ...; `choices` the allowed words, or the shapes
    of a table, and `names` what it contains, each with its meaning.
    """

    name: str
    what: str
    meaning: str
    facts: dict[str, Any] = field(default_factory=dict)
    choices: dict[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return a plain dictionary for JSON."""
        parts = {"choices": self.choices, "names": self.names}
        return {
            "name": self.name,
            "what": self.what,
            "meaning": self.meaning,
            **self.facts,
            **{name: part for name, part in parts.items() if part},
        }

    @property
    def text(self) -> str:
        """What is printed."""
        lines = [f"{self.name}: {self.what}", *wrapped(self.meaning, "  ", "  ")]
        width = max([len(label) for label in self.facts], default=0)
        for label, value in self.facts.items():
            lines += wrapped(str(value), f"  {label:<{width}}  ", " " * (width + 4))
        for part in (self.choices, self.names):
            if part:
                lines += ["", *_listed(part)]
        return "\n".join(lines)


def explain(name: str) -> list[Definition]:
    """Everything that a name can stand for; empty for an unknown name.

    A name is a key path of a case (of a plan or a rig behind ``plan.`` or ``rig.``), the last name
    of one, a quantity with or without its group, a group, or a term of the glossary.
    """
    name = re.sub(r"(\.\d+)+$", "", name.strip().strip("."))  # an item of a list: its key
    found = [
        _of_key(file, path, entry)
        for file, path, entry in _keys()
        if name in (path, f"{file}.{path}")
    ]
    found += [_of_file(name)] if name in FILE_KINDS else []
    found += [_of_group(name)] if name in GROUPS else []
    found += [Definition(name, "term", GLOSSARY[name.lower()])] if name.lower() in GLOSSARY else []
    result = name.replace(" ", "_")
    quantity = find_quantity(result)
    if quantity is not None:
        found.append(_of_quantity(result, quantity))
    if not any(one.what.startswith(("key of", "table of")) for one in found):
        found += _by_last_name(name)
    return found


def suggestions(name: str) -> list[str]:
    """Names that are most like an unknown one, the nearest first."""
    known = {path.lower(): path for path in _names()}
    last = {path.rpartition(".")[2].lower(): path for path in reversed(_names())}
    words = {word: path for end, path in reversed(last.items()) for word in end.split("_")}
    near = [path for end, path in last.items() if name.lower() in end.split("_")]
    for names in (known, last, words):
        near += [
            names[match]
            for match in difflib.get_close_matches(name.lower(), names, n=3, cutoff=0.75)
        ]
    return list(dict.fromkeys(near))[:4]


def overview() -> list[Definition]:
    """Files, groups of results, and the terms of the glossary."""
    return [
        *(_of_file(name) for name in FILE_KINDS),
        Definition(
            "quantities",
            "groups of results",
            "what runs, trims, power curves, sweeps and rigs report",
            names={name: meaning for name, (meaning, _) in GROUPS.items()},
        ),
        Definition("terms", "glossary", ", ".join(GLOSSARY)),
    ]


# --- from definitions --------------------------------------------------------------------------


@cache
def _keys() -> tuple[tuple[str, str, Entry], ...]:
    """File, key path and definition of every key."""
    return tuple(
        (file, path, entry)
        for file, kind in FILE_KINDS.items()
        for path, entry in definitions(kind)
    )


@cache
def _names() -> tuple[str, ...]:
    """Every name that can be explained."""
    keys = [path if file == "case" else f"{file}.{path}" for file, path, _ in _keys()]
    results = [f"{group}.{name}" for group, (_, names) in GROUPS.items() for name in names]
    return (*keys, *(r.partition(".")[2] for r in results), *results, *GROUPS, *GLOSSARY)


def _of_key(file: str, path: str, entry: Entry) -> Definition:
    name = path if file == "case" else f"{file}.{path}"
    if isinstance(entry.rule, Table):
        kind = entry.rule.kind
        optional = "required" if entry.required else "optional"
        facts = {"use": optional} | ({"applies": entry.applies} if entry.when else {})
        return Definition(
            name, f"table of a {file}", entry.meaning, facts | _notes(kind), _shapes(kind),
            _contents(kind),
        )  # fmt: skip
    unit = printed(unit_of(path))
    facts = {"unit": unit} if unit else {}
    facts |= {"range": entry.rule.allowed, "default": _default(entry)}
    facts |= {"applies": entry.applies} if entry.when else {}
    choices = entry.rule.about if isinstance(entry.rule, Word) else {}
    shown = {f'"{c}"': text for c, text in choices.items() if c in entry.rule.allowed}
    return Definition(name, f"key of a {file}", entry.meaning, facts, shown)


def _default(entry: Entry) -> Any:
    if entry.required:
        return "none; required"
    return "none" if entry.default in (None, ()) else entry.default


def _notes(kind: Kind) -> dict[str, str]:
    """What the docstring of a table says beyond its first line."""
    rest = (inspect.getdoc(kind) or "").partition("\n\n")[2].partition("\n\nAttributes")[0]
    return {"note": " ".join(rest.replace("`", "").split())} if rest else {}


def _shapes(kind: Kind) -> dict[str, str]:
    """Words on which it depends which keys of a table apply, with these keys."""
    out: dict[str, str] = {}
    for name, entry in every_entry(kind).items():
        if not isinstance(entry.rule, Word) or not entry.rule.about:
            continue
        for word in entry.rule.choices:
            keys = [
                f"{other.rule.prefix}*" if isinstance(other.rule, Table) else other.name
                for other in entries(kind)
                if any(when.key == name and word in when.values for when in other.conditions)
            ]
            own_keys = f" ({', '.join(keys)})" if keys else ""
            out[f'{name} = "{word}"'] = entry.rule.about[word] + own_keys
        break
    return out


def _contents(kind: Kind) -> dict[str, str]:
    """Keys of a table; those behind a prefix in one line."""
    out = {}
    for entry in entries(kind):
        if isinstance(entry.rule, Table) and entry.rule.prefix:
            example = entry.rule.prefix + entries(entry.rule.kind)[1].name
            out[f"{entry.rule.prefix}*"] = f"{entry.meaning}: keys such as {example}"
        else:
            out[entry.name] = entry.described
    return out


def _of_file(file: str) -> Definition:
    kind: Any = FILE_KINDS[file]
    first = (inspect.getdoc(kind) or "").partition("\n")[0].rstrip(".")
    return Definition(file, "input file (TOML)", first, names=_contents(kind))


def _of_group(name: str) -> Definition:
    meaning, quantities = GROUPS[name]
    lead = f"{name}.inner." if name in ("segments", "twist") else f"{name}."
    return Definition(
        name, "group of results", meaning,
        names={lead + quantity: _short(find_quantity(lead + quantity)) for quantity in quantities},
    )  # fmt: skip


def _short(quantity: Quantity | None) -> str:
    if quantity is None:
        return ""
    unit = printed(quantity.unit)
    return f"{quantity.long_name} ({unit})" if unit else quantity.long_name


def _of_quantity(name: str, quantity: Quantity) -> Definition:
    facts = {
        "unit": printed(quantity.unit) or "1",
        "better": quantity.better,
        "formula": quantity.formula,
        "source": quantity.source,
    }
    last = name.rpartition(".")[2]
    groups = [group for group, (_, names) in GROUPS.items() if last in names]
    facts["reported in"] = ", ".join(groups)
    known = {label: value for label, value in facts.items() if value}
    return Definition(name, "reported quantity", quantity.long_name, known)


def _by_last_name(name: str) -> list[Definition]:
    """Keys whose path ends in a name, under one heading if several."""
    ends = [
        _of_key(file, path, entry)
        for file, path, entry in _keys()
        if f".{path}".endswith(f".{name}")
    ]
    if len(ends) < 2:
        return ends
    names = {found.name: found.meaning for found in ends}
    return [
        Definition(name, f"{len(ends)} keys", "several tables have a key of this name", names=names)
    ]


# --- text --------------------------------------------------------------------------------------


def _listed(names: dict[str, str]) -> Iterator[str]:
    """Names in a column, meanings beside them, or below where a name is long."""
    width = min(34, max(map(len, names)))
    for name, meaning in names.items():
        lead = f"  {name:<{width}}  "
        if len(name) > width:
            yield f"  {name}"
            lead = " " * (width + 4)
        yield from wrapped(meaning, lead, " " * (width + 4))
