"""What the user writes: one craft, one stroke, one flight state, read from TOML and checked.

Answers: is this case file sound, what does it say, and what does it say with some keys changed?
Does not answer what the wing then does. Units stand in the key of every field; degrees become
radians where schedules and strips are made.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import field
from pathlib import Path
from typing import Any

from flapsim.case.craft import Air, Craft, Drive, Flight, Model, Wing
from flapsim.case.keys import Table, key_paths, toml_key, toml_table
from flapsim.case.paths import look_up, put
from flapsim.case.rules import Text
from flapsim.case.stroke import Stroke
from flapsim.case.text import Found, build, plain, read_text, read_toml, write_toml
from flapsim.faults import Faults


@toml_table
class Case:
    """One craft, one stroke, one flight state, and the physics to compute it with.

    Neither compared nor written are `folder`, where the files that the case names are looked for,
    `name`, the name of the file for messages, and `written`, the text that the case was read from
    (None for a changed case). The keys of the file are described in their definitions.
    """

    # fmt: off
    title: str = toml_key(Text(), "title of the case, for tables and figures")
    air: Air = toml_key(Table(Air), "state of the air")
    craft: Craft = toml_key(Table(Craft), "what carries the wing")
    flight: Flight = toml_key(Table(Flight), "flight state")
    wing: Wing = toml_key(Table(Wing),
        "both halves of the wing, mirror images, of one or two segments")
    stroke: Stroke = toml_key(Table(Stroke), "periodic motion of the wing")
    model: Model = toml_key(Table(Model), "which physics is computed, and how finely",
        default=Model())
    drive: Drive | None = toml_key(Table(Drive), "from battery to crank", default=None)
    folder: Path = field(default=Path(), compare=False, repr=False)
    name: str = field(default="case", compare=False, repr=False)
    written: str | None = field(default=None, compare=False, repr=False)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a wing and a stroke that do not fit, and more modes than the strips carry."""
        _check_segments(found)
        _check_modes(found)

    @property
    def modes(self) -> int:
        """Modes of the lifting line: as written, else 8, or half as many as strips if fewer."""
        most = _strip_count(self.wing) // 2
        return min(MODES, most) if self.model.modes is None else self.model.modes

    @property
    def text(self) -> str:
        """The case as written, or as it would be written after a change."""
        return self.to_toml() if self.written is None else self.written

    def to_toml(self) -> str:
        """Return the case as TOML that reads back to an equal case; defaults are left out."""
        return write_toml(self)

    def get(self, key_path: str) -> Any:
        """Return the value, default included, at a key path; None for a key that is left out.

        The path, such as ``stroke.outer.twist.tip_amplitude_deg``, may index into a list
        (``wing.outer.chord_m.1.1``). A CaseError says that no case has such a key.
        """
        return look_up(self, key_path, Faults(self.name, known=known_keys()))

    def replace(self, changes: Mapping[str, Any]) -> Case:
        """Return a copy with other values at some key paths, checked as a whole.

        A value is a number, text, list or table (dict or dataclass of this module); None leaves the
        key out. A table that the case does not have yet is begun. A CaseError lists every unknown
        key path and every value that is not allowed.
        """
        faults = Faults(self.name, self.folder, known_keys())
        table = plain(self)
        for key_path, value in changes.items():
            put(table, Case, key_path, value, faults)
        return _finish(table, faults, self.folder, self.name, None)


def _check_segments(found: Found) -> None:
    """Report an outer segment that only one of wing and stroke has."""
    has_outer = {}
    for name in ("wing", "stroke"):
        table = found.table.get(name)
        if not isinstance(table, dict):
            return
        has_outer[name] = "outer" in table
    stroke_faults = Found(found.table["stroke"], {}, "stroke.", found.faults)
    if has_outer["wing"] and not has_outer["stroke"]:
        stroke_faults.require("outer", "a table", "wing.outer needs a motion")
    absent = "there is no wing.outer that this could move"
    if has_outer["stroke"] and not has_outer["wing"]:
        stroke_faults.say("outer", absent)
    port = found.table["stroke"].get("port")
    if isinstance(port, dict) and "outer" in port and not has_outer["wing"]:
        Found(port, {}, "stroke.port.", found.faults).say("outer", absent)


MODES = 8
"""Modes of the lifting line unless written."""


def _strip_count(wing: Wing) -> int:
    """Strips of a half wing."""
    return wing.inner.strips + (wing.outer.strips if wing.outer is not None else 0)


def _check_modes(found: Found) -> None:
    """Report a lifting line with more modes than half the strips.

    Few strips hardly resolve the shortest modes, which then grow to absurd induced velocities
    where strips stall one after another.
    """
    wing, model = found.values.get("wing"), found.values.get("model")
    if wing is None or model is None or model.induced != "lifting-line":
        return
    count = _strip_count(wing)
    if model.modes is not None and 2 * model.modes > count:
        found.faults.add(
            "model.modes",
            str(model.modes),
            f"a whole number <= {count // 2}",
            f"{count} strips carry at most half as many modes: use fewer modes or more strips",
        )


def known_keys() -> tuple[str, ...]:
    """Return every key path that a case can have, tables included."""
    return key_paths(Case)


def read_case(path: str | Path) -> Case:
    """Read a case file (TOML).

    Raises
    ------
    CaseError
        With every fault found, in the case or in a file that it names.
    """
    path = Path(path)
    return parse_case(read_text(path), path.parent, path.name)


def parse_case(
    text: str, folder: str | Path = ".", name: str = "case", *, check_files: bool = True
) -> Case:
    """Read a case, which messages call `name`, from TOML text; errors as of `read_case`.

    The files that it names are looked for in `folder`, or left unread without `check_files`.
    """
    if not isinstance(text, str):
        raise TypeError("parse_case takes the text of a case; read_case takes the name of a file")
    folder = Path(folder)
    faults = Faults(name, folder if check_files else None, known_keys())
    table = read_toml(text, name)
    return _finish(table, faults, folder, name, text)


def _finish(
    table: dict[str, Any], faults: Faults, folder: Path, name: str, written: str | None
) -> Case:
    """Turn plain values into a case that knows where it came from."""
    case: Case = build(Case, table, "", faults)
    faults.raise_if_any()
    return dataclasses.replace(case, folder=folder, name=name, written=written)
