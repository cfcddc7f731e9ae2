"""A plan: which cases a sweep computes, read from TOML and checked as strictly as a case.

Answers: is this plan sound, which case does it start from, which keys does it vary and how? Does
not compute anything; which points that makes is the business of `flapsim.study.sampling`.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from flapsim.case import Case, read_case
from flapsim.case.case import known_keys
from flapsim.case.columns import is_column_key
from flapsim.case.keys import Table, key_paths, toml_key, toml_table
from flapsim.case.paths import Place, locate
from flapsim.case.rules import (
    ANY_NUMBER,
    UNFIT,
    Number,
    Rule,
    Switch,
    Text,
    Unfit,
    Word,
    show,
)
from flapsim.case.text import Found, build, plain_value, read_text, read_toml
from flapsim.faults import MISSING_KEY, CaseError, Fault, Faults
from flapsim.flight.balance import checked_balances
from flapsim.study.rows import Rows, read_rows

__all__ = ["Axis", "Plan", "Study", "TrimPlan", "parse_study", "read_study"]

SAMPLINGS: Final = ("grid", "latin-hypercube", "sobol", "saltelli")
MOST_POINTS: Final = 10**9

TAKEN_NAMES: Final = ("point", "status", "reason", "reason_text", "reason_number", "phase")
"""Names in a result file that no group of axes may take."""

_GROUP = "axes with the same label step together"


@dataclass(frozen=True, slots=True)
class _Values:
    """The values that a key takes: numbers, words, switches or lists, each checked later."""

    allowed: str = "a list of at least one value"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return {"type": "array", "minItems": 1, "items": {"not": {"type": "object"}}}

    def read(self, value: object, key: str, faults: Faults) -> tuple[Any, ...] | Unfit:
        """Return the values if they are a list of some."""
        if (
            not isinstance(value, list | tuple)
            or not value
            or any(isinstance(item, dict) for item in value)
        ):
            faults.add(key, show(value), self.allowed)
            return UNFIT
        return tuple(value)


@dataclass(frozen=True, slots=True)
class _Names:
    """A list of names."""

    allowed: str = "a list of names in quotes"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return {"type": "array", "minItems": 1, "items": Text().schema}

    def read(self, value: object, key: str, faults: Faults) -> tuple[str, ...] | Unfit:
        """Return the names."""
        if not isinstance(value, list | tuple) or not value:
            faults.add(key, show(value), self.allowed)
            return UNFIT
        names = [Text().read(item, f"{key}.{i}", faults) for i, item in enumerate(value)]
        return UNFIT if any(isinstance(name, Unfit) for name in names) else tuple(map(str, names))


@dataclass(frozen=True, slots=True)
class _Settings:
    """Keys in quotes and the values they are set to."""

    allowed: str = 'a table such as { "model.steps" = 64 }'

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return {"type": "object"}

    def read(self, value: object, key: str, faults: Faults) -> tuple[tuple[str, Any], ...] | Unfit:
        """Return pairs of key path and value."""
        if not isinstance(value, dict):
            faults.add(key, show(value), self.allowed)
            return UNFIT
        return tuple(_leaves(value))


def _leaves(table: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """Key paths and values, quoted or not; a table under a quoted path replaces a whole table."""
    out: list[tuple[str, Any]] = []
    for name, value in table.items():
        if isinstance(value, dict) and "." not in name:
            out += _leaves(value, f"{prefix}{name}.")
        else:
            out.append((prefix + name, value))
    return out


@toml_table
class Axis:
    """One direction in which a plan varies its cases."""

    # fmt: off
    key: str | None = toml_key(Text(), "key path of the case that this axis varies", default=None)
    file: str | None = toml_key(Text(), "CSV file whose header names key paths and whose rows are "
        "taken one by one, in place of key", "in place of key", default=None)
    values: tuple[Any, ...] | None = toml_key(_Values(), "values to take",
        "with key, in place of from and to", default=None)
    from_: float | None = toml_key(ANY_NUMBER, "first value of a range", "with key", default=None)
    to: float | None = toml_key(ANY_NUMBER, "last value of a range, included", "with key",
        default=None)
    count: int | None = toml_key(Number(least=2, most=1e6, whole=True),
        "number of values in the range", "with from and to, in a grid", default=None)
    spacing: str = toml_key(Word(("linear", "logarithmic")), "spacing of the values of a range",
        "with from and to", default="linear")
    together: str | None = toml_key(Text(),
        "label; axes of the same label step together and are one dimension of the result",
        default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report an axis that says too little or too much."""
        table = found.table
        if "file" in table:
            for name in ("key", "values", "from", "to", "count", "spacing", "together"):
                if name in table:
                    found.say(name, "this key cannot stand beside file, whose rows say it all")
            return
        if "key" not in table:
            found.require("key", "a key path in quotes", 'or file = "rows.csv"')
        if "values" in table:
            for name in ("from", "to", "count", "spacing"):
                if name in table:
                    found.say(name, "this key cannot stand beside values")
            return
        for name in ("from", "to"):
            found.require(name, "a number", "a range has from and to, or give values = [...]")
        _check_range(found)


def _check_range(found: Found) -> None:
    """Report a range of no width, and a logarithmic one through zero."""
    start, stop = found.values.get("from_"), found.values.get("to")
    if start is None or stop is None:
        return
    if start == stop:
        found.wrong("to", f"a number other than {start:g}")
    if found.values.get("spacing") == "logarithmic" and start * stop <= 0.0:
        for name, value in (("from", start), ("to", stop)):
            if value <= 0.0:
                found.wrong(name, "a number > 0", 'spacing = "logarithmic" cannot pass zero')


@toml_table
class TrimPlan:
    """What is found at each point so that the craft flies steadily."""

    # fmt: off
    free: tuple[str, ...] = toml_key(_Names(),
        "keys to be found so that the craft flies steadily; keys joined by + move together")
    hold: tuple[str, ...] | None = toml_key(_Names(),
        "balances to be met, as many as free keys; without it those that go with the free keys",
        default=None)
    # fmt: on


@toml_table
class Plan:
    """Which cases a sweep computes."""

    # fmt: off
    base: str = toml_key(Text(), "case file to start from, beside the plan")
    axis: tuple[Axis, ...] = toml_key(Table(Axis, many=True), "a key that varies, and its values")
    title: str | None = toml_key(Text(), "title of the study; that of the case if left out",
        default=None)
    sampling: str = toml_key(Word(SAMPLINGS),
        "every combination of the axes (grid), or a sample of them", default="grid")
    samples: int | None = toml_key(Number(least=1, most=MOST_POINTS, whole=True),
        "number of samples", "not for a grid", default=None)
    seed: int = toml_key(Number(least=0, most=2**31, whole=True),
        "seed of the random numbers of a sample", default=0)
    keep: tuple[str, ...] = toml_key(_Names(),
        "results to keep; * stands for anything; series.lift_n keeps the stroke", default=("*",))
    stability: bool = toml_key(Switch(), "whether to check the stability of twists and refuse "
        "unstable ones, at the cost of hundreds of points each", default=False)
    set: tuple[tuple[str, Any], ...] = toml_key(_Settings(),
        "changes to the base case that all points share", default=())
    trim: TrimPlan | None = toml_key(Table(TrimPlan),
        "what is found at each point so that the craft flies steadily", default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a number of samples that does not go with the sampling."""
        sampling = found.values.get("sampling")
        axes = found.values.get("axis", ())
        if sampling == "grid":
            if "samples" in found.table:
                found.say(
                    "samples", "a grid takes no samples; its axes say how many points there are"
                )
            for index, axis in enumerate(axes):
                if axis.from_ is not None and axis.count is None:
                    found.faults.add(
                        f"axis.{index}.count", MISSING_KEY, "a whole number >= 2",
                        "a grid needs the number of values of each range",
                    )  # fmt: skip
        elif sampling is not None:
            found.require("samples", "a whole number >= 1", f'sampling = "{sampling}" needs it')
            _check_samples(found, sampling)
            for index, axis in enumerate(axes):
                if axis.count is not None:
                    found.faults.add(
                        f"axis.{index}.count", str(axis.count), "no such key without a grid",
                        "samples says how many points there are",
                    )  # fmt: skip


def _check_samples(found: Found, sampling: str) -> None:
    """Report a Sobol sequence that is cut where it is not balanced."""
    samples = found.values.get("samples")
    if sampling == "latin-hypercube" or samples is None or samples & (samples - 1) == 0:
        return
    near = 2 ** round(math.log2(samples))
    found.wrong("samples", "a power of two", f"such as {near}; a Sobol sequence is even only there")


@dataclass(frozen=True)
class Study:
    """A plan with the case and the rows that it names, all sound.

    Attributes
    ----------
    plan : Plan
    case : Case
        The base case with the changes of ``[set]``.
    rows : dict of str to Rows
        The files that axes name.
    name : str
        Name of the plan file.
    text : str
        The plan as written.
    """

    plan: Plan
    case: Case
    rows: dict[str, Rows]
    name: str
    text: str

    @property
    def title(self) -> str:
        """Title of the study."""
        return self.plan.title or self.case.title


def read_study(path: str | Path, changes: Mapping[str, Any] | None = None) -> Study:
    """Read a plan file and what it names.

    Parameters
    ----------
    path : str or Path
        TOML file.
    changes : mapping of str to object, optional
        Further changes to the base case, by key path, after those of the plan's ``set``.

    Returns
    -------
    Study

    Raises
    ------
    CaseError
        With every fault found: in the plan, in the case it starts from, in its files of rows.
    """
    path = Path(path)
    return parse_study(read_text(path), path.parent, path.name, changes)


def parse_study(
    text: str,
    folder: str | Path = ".",
    name: str = "plan",
    changes: Mapping[str, Any] | None = None,
) -> Study:
    """Read a plan from its text.

    Parameters
    ----------
    text : str
        TOML.
    folder : str or Path
        Where the files that it names are looked for.
    name : str
        What messages call it.
    changes : mapping of str to object, optional
        As in `read_study`.

    Returns
    -------
    Study

    Raises
    ------
    CaseError
        With every fault found.
    """
    folder = Path(folder)
    faults = Faults(name, folder, key_paths(Plan))
    table = read_toml(text, name)
    plan = build(Plan, table, "", faults)
    base = table.get("base")
    case: Case | None = None
    if isinstance(base, str) and base.strip():
        # The faults of the case are told together with those of the plan.
        try:
            case = read_case(folder / base)
        except CaseError as error:
            origin = f"named by base in {name}"
            faults.found += [
                dataclasses.replace(fault, hint=f"{fault.hint}; {origin}" if fault.hint else origin)
                for fault in error.faults
            ]
    if isinstance(plan, Plan) and case is None:
        for index, axis in enumerate(plan.axis):
            _check_name(axis.key, f"axis.{index}.key", faults)
    if not isinstance(plan, Plan) or case is None:
        faults.raise_if_any()
    assert isinstance(plan, Plan)
    assert case is not None
    case = _changed(plan, case, faults)
    case = case.replace(dict(changes)) if changes else case
    rows = _rows(plan, folder, faults)
    faults.raise_if_any()
    _check_keys(plan, case, rows, changes or {}, faults)
    faults.raise_if_any()
    return Study(plan, case, rows, name, text)


def _changed(plan: Plan, case: Case, faults: Faults) -> Case:
    """Return the base case with the changes that all points share."""
    try:
        return case.replace(dict(plan.set)) if plan.set else case
    except CaseError as error:
        faults.found += [
            dataclasses.replace(fault, file=faults.file, key=f"set.{fault.key}")
            for fault in error.faults
        ]
        return case


def _rows(plan: Plan, folder: Path, faults: Faults) -> dict[str, Rows]:
    """Read the files that axes name."""
    rows = {}
    for axis in plan.axis:
        if axis.file is None:
            continue
        try:
            rows[axis.file] = read_rows(folder / axis.file)
        except CaseError as error:
            faults.found += error.faults
    return rows


# --- keys and their values -----------------------------------------------------------------------


def _check_keys(
    plan: Plan,
    case: Case,
    rows: Mapping[str, Rows],
    changes: Mapping[str, Any],
    faults: Faults,
) -> None:
    """Report keys that no case has, keys given twice, and values that no case may hold."""
    seen = {key: "set" for key, _ in plan.set} | dict.fromkeys(changes, "--set")
    for index, axis in enumerate(plan.axis):
        where = f"axis.{index}"
        if axis.file is not None:
            table = rows[axis.file]
            for key, values in table.columns.items():
                _check_key(key, f"{where}.file", seen, case, faults)
                _check_rows(key, values, table, case)(faults)
        elif axis.key is not None and _check_key(axis.key, f"{where}.key", seen, case, faults):
            if axis.values is not None:
                for number, value in enumerate(axis.values):
                    _check_value(axis.key, value, f"{where}.values.{number}", case, faults)
            else:
                _check_value(axis.key, axis.from_, f"{where}.from", case, faults)
                _check_value(axis.key, axis.to, f"{where}.to", case, faults)
    _check_groups(plan, rows, faults)
    if plan.trim is not None:
        # What is set is where the search for a free key begins.
        varied = {key: where for key, where in seen.items() if where.startswith("axis")}
        _check_trim(plan.trim, varied, case, faults)


def _check_trim(trim: TrimPlan, seen: dict[str, str], case: Case, faults: Faults) -> None:
    """Report free keys that do not exist or are varied, and balances that do not go with them."""
    for number, name in enumerate(trim.free):
        where = f"trim.free.{number}"
        for key in (part.strip() for part in name.split("+")):
            if _check_key(key, where, seen, case, faults) and not is_column_key(key):
                faults.add(where, show(key), "a key that holds a number")
    try:
        checked_balances(case, trim.hold, len(trim.free))
    except CaseError as error:
        for fault in error.faults:
            faults.add(f"trim.{fault.key}", fault.given, fault.allowed, fault.hint)


def _check_name(key: str | None, where: str, faults: Faults) -> Place | None:
    """Report a key that no case has, or that is a whole table."""
    if key is None:
        return None
    inside = Faults(faults.file, None, known_keys())
    place = locate(Case, key, inside)
    if place is None:
        for fault in inside.found:
            faults.add(where, show(key), "a key path of a case", fault.hint)
        return None
    if isinstance(place.rule, Table):
        faults.add(where, show(key), "the key of a single value", "this is a table of several")
        return None
    return place


def _check_key(
    key: str, where: str, seen: dict[str, str], case: Case, faults: Faults
) -> Place | None:
    """Report a key that is none, is varied already, or leads to no item of a list."""
    place = _check_name(key, where, faults)
    if place is None:
        return None
    if key in seen:
        faults.add(where, show(key), f"a key that {seen[key]} does not give already")
        return None
    seen[key] = where
    if place.items:
        try:
            case.get(key)
        except CaseError as error:
            for fault in error.faults:
                faults.add(where, show(key), fault.allowed, f"{fault.key} of {case.name}")
            return None
    return place


def _check_value(key: str, value: Any, where: str, case: Case, faults: Faults) -> None:
    """Report a value that the key may not hold, whatever the others hold."""
    inside = Faults(case.name)
    _read_value(key, value, case, inside)
    for fault in inside.found:
        about = f"as {key} of {case.name}"
        faults.add(where, fault.given, fault.allowed, f"{fault.hint}; {about}".lstrip("; "))


def _read_value(key: str, value: Any, case: Case, faults: Faults) -> None:
    place = locate(Case, key, faults)
    if place is None or isinstance(place.rule, Table):
        return
    rule: Rule = place.rule
    if not place.items:
        rule.read(value, key, faults)
        return
    whole = plain_value(case.get(".".join((*place.tables, place.name))))
    holder = whole
    for item in place.items[:-1]:
        holder = holder[int(item)]
    holder[int(place.items[-1])] = value
    rule.read(whole, ".".join((*place.tables, place.name)), faults)


def _check_rows(key: str, values: tuple[Any, ...], table: Rows, case: Case) -> Any:
    """Return a check of one column of a file of rows that reports the line of each fault."""

    def check(faults: Faults) -> None:
        for value, line in zip(values, table.lines, strict=True):
            inside = Faults(case.name)
            _read_value(key, value, case, inside)
            for fault in inside.found:
                faults.found.append(
                    Fault(table.file, f"line {line}", fault.given, fault.allowed, f"as {key}")
                )

    return check


def _check_groups(plan: Plan, rows: Mapping[str, Rows], faults: Faults) -> None:
    """Report axes that cannot step together, and labels that are taken."""
    lengths: dict[str, tuple[int, str]] = {}
    for index, axis in enumerate(plan.axis):
        if axis.together is None:
            continue
        where = f"axis.{index}.together"
        if axis.together in TAKEN_NAMES or "/" in axis.together:
            faults.add(where, show(axis.together), "another label")
        if plan.sampling != "grid":
            length = len(axis.values) if axis.values is not None else 0
        else:
            length = len(axis.values) if axis.values is not None else axis.count or 0
        first, there = lengths.setdefault(axis.together, (length, f"axis.{index}"))
        if first != length:
            given = f"{length or 'a range of any number of'} values"
            wanted = f"{first} values" if first else "a range"
            faults.add(where, given, f"{wanted} as in {there}", _GROUP)
    points = 1
    for length in _lengths(plan, rows):
        points *= length
    if points > MOST_POINTS:
        faults.add("axis", f"{points:.3g} points", f"at most {MOST_POINTS:.0e} points")


def _lengths(plan: Plan, rows: Mapping[str, Rows]) -> list[int]:
    """Lengths of the dimensions of a grid."""
    if plan.sampling != "grid":
        return []
    lengths: dict[str, int] = {}
    for index, axis in enumerate(plan.axis):
        if axis.file is not None:
            lengths[str(index)] = len(rows[axis.file].lines)
        else:
            length = len(axis.values) if axis.values is not None else axis.count or 1
            lengths[axis.together or str(index)] = length
    return list(lengths.values())
