"""A study: a plan file read with the case and the rows that it names, all checked together.

Answers: is this plan valid, which case does it start from, may its keys hold these values? Every
fault in any of the files is reported at once.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from flapsim.case import Case, read_case
from flapsim.case.case import known_keys
from flapsim.case.columns import is_column_key
from flapsim.case.keys import Table, key_paths
from flapsim.case.paths import Place, locate
from flapsim.case.rules import show
from flapsim.case.text import build, plain_value, read_text, read_toml
from flapsim.faults import CaseError, Fault, Faults
from flapsim.flight.balance import checked_balances
from flapsim.study.plan import Plan, TrimPlan
from flapsim.study.rows import Rows, read_rows

_TAKEN_LABELS: Final = ("point", "status", "reason", "reason_text", "reason_number", "phase")
"""Names in a result file that no group of axes may take."""


@dataclass(frozen=True)
class Study:
    """A plan with the case and the rows that it names, all valid.

    `case` has the changes of ``[set]``; `rows` are the files that axes name; `name` and `text` are
    those of the plan file.
    """

    plan: Plan
    case: Case
    rows: dict[str, Rows]
    name: str
    text: str

    @property
    def title(self) -> str:
        """Title of the plan, or else of the case."""
        return self.plan.title or self.case.title


def read_study(path: str | Path, changes: Mapping[str, Any] | None = None) -> Study:
    """Read a plan file and the files that it names; see `parse_study`."""
    path = Path(path)
    return parse_study(read_text(path), path.parent, path.name, changes)


def parse_study(
    text: str,
    folder: str | Path = ".",
    name: str = "plan",
    changes: Mapping[str, Any] | None = None,
) -> Study:
    """Read a plan from its text.

    The files that it names are looked for in `folder`; `name` stands for the plan in messages;
    `changes` to the base case, by key path, come after those of the plan's ``set``.

    Raises
    ------
    CaseError
        With every fault found in the plan, its case and its files of rows.
    """
    folder = Path(folder)
    faults = Faults(name, folder, key_paths(Plan))
    table = read_toml(text, name)
    plan = build(Plan, table, "", faults)
    case = _base(table.get("base"), folder, faults)
    if not isinstance(plan, Plan) or case is None:
        if isinstance(plan, Plan):
            for index, axis in enumerate(plan.axis):
                _check_path(axis.key, f"axis.{index}.key", faults)
        faults.raise_if_any()
    assert isinstance(plan, Plan)
    assert case is not None
    case = _with_settings(case, plan, faults)
    case = case.replace(dict(changes)) if changes else case
    rows = _rows(plan, folder, faults)
    faults.raise_if_any()
    _check_axes(plan, case, rows, changes or {}, faults)
    faults.raise_if_any()
    return Study(plan, case, rows, name, text)


def _base(base: object, folder: Path, faults: Faults) -> Case | None:
    """Read the base case; its faults join those of the plan."""
    if not isinstance(base, str) or not base.strip():
        return None
    try:
        return read_case(folder / base)
    except CaseError as error:
        origin = f"named by base in {faults.file}"
        faults.found += [
            dataclasses.replace(fault, hint=f"{fault.hint}; {origin}" if fault.hint else origin)
            for fault in error.faults
        ]
        return None


def _with_settings(case: Case, plan: Plan, faults: Faults) -> Case:
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


def _check_axes(
    plan: Plan,
    case: Case,
    rows: Mapping[str, Rows],
    changes: Mapping[str, Any],
    faults: Faults,
) -> None:
    """Report keys that no case has, keys given twice, and values that no case may hold."""
    varied: dict[str, str] = {}
    given = {key: "set" for key, _ in plan.set} | dict.fromkeys(changes, "--set")
    for index, axis in enumerate(plan.axis):
        where = f"axis.{index}"
        if axis.file is not None:
            for key in rows[axis.file].columns:
                _check_key(key, f"{where}.file", given | varied, case, faults)
                varied[key] = f"{where}.file"
            _check_rows(rows[axis.file], case, faults)
        elif axis.key is not None:
            if _check_key(axis.key, f"{where}.key", given | varied, case, faults):
                if axis.values is None:
                    values = {f"{where}.from": axis.from_, f"{where}.to": axis.to}
                else:
                    values = {f"{where}.values.{i}": value for i, value in enumerate(axis.values)}
                for place, value in values.items():
                    _check_value(axis.key, value, place, case, faults)
            varied[axis.key] = f"{where}.key"
    _check_groups(plan, faults)
    if plan.trim is not None:  # what is set is where the search for a free key begins
        _check_trim(plan.trim, varied, case, faults)


def _check_trim(trim: TrimPlan, varied: dict[str, str], case: Case, faults: Faults) -> None:
    """Report free keys that do not exist or are varied, and balances that do not go with them."""
    free: dict[str, str] = {}
    for number, name in enumerate(trim.free):
        where = f"trim.free.{number}"
        for key in (part.strip() for part in name.split("+")):
            if _check_key(key, where, varied | free, case, faults) and not is_column_key(key):
                faults.add(where, show(key), "a key that holds a number")
            free[key] = where
    try:
        checked_balances(case, trim.hold, len(trim.free))
    except CaseError as error:
        for fault in error.faults:
            faults.add(f"trim.{fault.key}", fault.given, fault.allowed, fault.hint)


def _check_path(key: str | None, where: str, faults: Faults) -> Place | None:
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
    key: str, where: str, given: Mapping[str, str], case: Case, faults: Faults
) -> Place | None:
    """Report a key that does not exist, is given already, or leads to no item of a list."""
    place = _check_path(key, where, faults)
    if place is None:
        return None
    if key in given:
        faults.say(where, f"{key} is already given by {given[key]}")
        return None
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
    for fault in _faults_of(key, value, case):
        about = f"for {key} of {case.name}"
        faults.add(where, fault.given, fault.allowed, f"{fault.hint}; {about}".lstrip("; "))


def _check_rows(rows: Rows, case: Case, faults: Faults) -> None:
    """Report the line of each value that its key may not hold."""
    for key, values in rows.columns.items():
        for value, line in zip(values, rows.lines, strict=True):
            faults.found += [
                Fault(rows.file, f"line {line}", fault.given, fault.allowed, f"for {key}")
                for fault in _faults_of(key, value, case)
            ]


def _faults_of(key: str, value: Any, case: Case) -> list[Fault]:
    """Faults of one value of a key; the other items of a list are those of the case."""
    faults = Faults(case.name)
    place = locate(Case, key, faults)
    if place is None or isinstance(place.rule, Table):
        return []
    path = ".".join((*place.tables, place.name))
    if place.items:
        whole = holder = plain_value(case.get(path))
        for item in place.items[:-1]:
            holder = holder[int(item)]
        holder[int(place.items[-1])] = value
        value = whole
    place.rule.read(value, path, faults)
    return faults.found


def _check_groups(plan: Plan, faults: Faults) -> None:
    """Report axes that cannot step together, and labels that are taken."""
    first: dict[str, tuple[int, str]] = {}
    for index, axis in enumerate(plan.axis):
        if axis.together is None:
            continue
        where = f"axis.{index}.together"
        if axis.together in _TAKEN_LABELS or "/" in axis.together:
            faults.add(where, show(axis.together), "another label")
        length = len(axis.values) if axis.values is not None else axis.count or 0
        expected, there = first.setdefault(axis.together, (length, f"axis.{index}"))
        if expected != length:
            hint = "axes with the same label step together"
            faults.add(where, _counted(length), f"{_counted(expected)} as in {there}", hint)


def _counted(length: int) -> str:
    if not length:
        return "a range without count"
    return f"{length} value" if length == 1 else f"{length} values"
