"""Rules: what the value of a key may be.

Answers: which values are allowed, in words, as a check, and as JSON Schema? Knows no key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, Protocol

from flapsim.faults import Faults, did_you_mean

LARGEST_NUMBER: Final = 1e9
"""Larger than any quantity of a craft in SI units; a larger number is a slip of the keyboard."""


class Unfit:
    """Stands for a value that could not be read; its fault is already noted."""


UNFIT: Final = Unfit()


def show(value: object) -> str:
    """Put a value into words short enough for a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # Python refuses to print an integer of thousands of digits.
        return str(value) if value.bit_length() < 64 else "a whole number of over 18 digits"
    if isinstance(value, str):
        # What repr escapes, no terminal could show.
        return '"' + repr(value if len(value) <= 60 else value[:57] + "...")[1:-1] + '"'
    if isinstance(value, list | tuple):
        if len(value) <= 4 and not any(isinstance(item, list | tuple | dict) for item in value):
            return "[" + ", ".join(show(item) for item in value) + "]"
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    return str(value)[:60]


# --- rules -----------------------------------------------------------------------------------


class Rule(Protocol):
    """What a key may hold: in words, as JSON Schema, and as a check."""

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""

    def read(self, value: object, key: str, faults: Faults) -> Any:
        """Return the value as the case keeps it; UNFIT, with a fault noted, if not allowed."""


def _refused(rule: Rule, value: object, key: str, faults: Faults, hint: str = "") -> Unfit:
    faults.add(key, show(value), rule.allowed, hint)
    return UNFIT


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number between bounds, strict (`above`, `below`) or not (`least`, `most`)."""

    above: float = -math.inf
    least: float = -math.inf
    below: float = math.inf
    most: float = math.inf
    whole: bool = False
    even: bool = False

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        kind = (
            "an even whole number" if self.even else "a whole number" if self.whole else "a number"
        )
        bounds = " and ".join(f"{sign} {bound:g}" for sign, _, bound in self._bounds)
        return f"{kind} {bounds}".strip()

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return (
            {"type": "integer" if self.whole else "number"}
            | {name: bound for _, name, bound in self._bounds}
            | ({"multipleOf": 2} if self.even else {})
        )

    @property
    def _bounds(self) -> list[tuple[str, str, float]]:
        """Sign, JSON Schema keyword and value of each finite bound."""
        bounds = (
            (">", "exclusiveMinimum", self.above),
            (">=", "minimum", self.least),
            ("<", "exclusiveMaximum", self.below),
            ("<=", "maximum", self.most),
        )
        return [bound for bound in bounds if math.isfinite(bound[2])]

    def read(self, value: object, key: str, faults: Faults) -> float | int | Unfit:
        """Return the value if it is allowed."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return _refused(self, value, key, faults)
        if not (-LARGEST_NUMBER <= value <= LARGEST_NUMBER):
            hint = f"numbers here are finite and at most {LARGEST_NUMBER:g} in size"
            return _refused(self, value, key, faults, hint)
        inside = self.above < value < self.below and self.least <= value <= self.most
        if not inside or (self.whole and value != int(value)) or (self.even and value % 2):
            return _refused(self, value, key, faults)
        return int(value) if self.whole else float(value)


ANY_NUMBER: Final = Number()
POSITIVE: Final = Number(above=0.0)
NOT_NEGATIVE: Final = Number(least=0.0)
HALF_TURN: Final = Number(least=-180.0, most=180.0)
"""Degrees."""


@dataclass(frozen=True, slots=True)
class Text:
    """Any text that a UTF-8 file can hold."""

    allowed: str = "text in quotes"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return {"type": "string", "pattern": r"\S"}

    def read(self, value: object, key: str, faults: Faults) -> str | Unfit:
        """Return the value if it is allowed."""
        if not isinstance(value, str) or not value.strip() or "\0" in value:
            return _refused(self, value, key, faults)
        try:
            value.encode()
        except UnicodeEncodeError:
            faults.add(key, "text that is not Unicode", self.allowed)
            return UNFIT
        return value


@dataclass(frozen=True, slots=True)
class Word:
    """One of a few words, or a number where `number` is given; `about` explains the words."""

    choices: tuple[str, ...]
    number: Number | None = None
    about: Mapping[str, str] = field(default_factory=dict, compare=False)

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        words = " or ".join(show(choice) for choice in self.choices)
        return words if self.number is None else f"{words} or {self.number.allowed}"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        words: dict[str, Any] = {"enum": list(self.choices)}
        return words if self.number is None else {"anyOf": [words, self.number.schema]}

    def read(self, value: object, key: str, faults: Faults) -> str | float | Unfit:
        """Return the value if it is allowed."""
        if isinstance(value, str):
            if value in self.choices:
                return value
            hint = did_you_mean(value.lower(), self.choices, shown=show)
            return _refused(self, value, key, faults, hint)
        if self.number is not None:
            number = self.number.read(value, key, Faults(faults.file))
            if not isinstance(number, Unfit):
                return number
        return _refused(self, value, key, faults)


@dataclass(frozen=True, slots=True)
class Switch:
    """True or false."""

    allowed: str = "true or false"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return {"type": "boolean"}

    def read(self, value: object, key: str, faults: Faults) -> bool | Unfit:
        """Return the value if it is allowed."""
        if isinstance(value, bool):
            return value
        return _refused(self, value, key, faults)


def _list_schema(items: dict[str, Any], least: int, most: int | None) -> dict[str, Any]:
    ends = {"minItems": least or None, "maxItems": most}
    return {"type": "array", "items": items} | {
        name: end for name, end in ends.items() if end is not None
    }


@dataclass(frozen=True, slots=True)
class Numbers:
    """A list of `count` numbers, or of at most `most` numbers."""

    item: Number = ANY_NUMBER
    count: int | None = None
    most: int | None = None

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        if self.count is not None:
            return f"a list of {self.count} numbers"
        return f"a list of at most {self.most} numbers" if self.most else "a list of numbers"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return _list_schema(self.item.schema, self.count or 0, self.count or self.most)

    def read(self, value: object, key: str, faults: Faults) -> tuple[float, ...] | Unfit:
        """Return the value if it is allowed."""
        if (
            not isinstance(value, list | tuple)
            or (self.count is not None and len(value) != self.count)
            or (self.most is not None and len(value) > self.most)
        ):
            return _refused(self, value, key, faults)
        items = [self.item.read(item, f"{key}.{i}", faults) for i, item in enumerate(value)]
        numbers = tuple(item for item in items if not isinstance(item, Unfit))
        return numbers if len(numbers) == len(items) else UNFIT


@dataclass(frozen=True, slots=True)
class Stations:
    """Pairs [fraction, chord]: fractions rising from exactly 0 to exactly 1, chord positive.

    At either end the chord may be zero, as at a pointed tip.
    """

    allowed: str = "a list of at least two pairs [fraction, chord], fractions rising from 0 to 1"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        return _list_schema(_list_schema(NOT_NEGATIVE.schema, 2, 2), 2, None)

    def read(
        self, value: object, key: str, faults: Faults
    ) -> tuple[tuple[float, float], ...] | Unfit:
        """Return the value if it is allowed."""
        if not isinstance(value, list | tuple) or len(value) < 2:
            return _refused(self, value, key, faults)
        read = [_read_pair(item, f"{key}.{i}", faults) for i, item in enumerate(value)]
        pairs = tuple(pair for pair in read if not isinstance(pair, Unfit))
        if len(pairs) < len(read):
            return UNFIT
        noted = len(faults.found)
        _check_fractions([pair[0] for pair in pairs], key, faults)
        _check_chords([pair[1] for pair in pairs], key, faults)
        return pairs if len(faults.found) == noted else UNFIT


def _read_pair(item: object, key: str, faults: Faults) -> tuple[float, float] | Unfit:
    """Read one station."""
    if not isinstance(item, list | tuple) or len(item) != 2:
        faults.add(key, show(item), "a pair [fraction, chord]")
        return UNFIT
    fraction = Number(least=0.0, most=1.0).read(item[0], f"{key}.0", faults)
    chord = NOT_NEGATIVE.read(item[1], f"{key}.1", faults)
    if isinstance(fraction, Unfit) or isinstance(chord, Unfit):
        return UNFIT
    return fraction, chord


def _check_fractions(fractions: Sequence[float], key: str, faults: Faults) -> None:
    """Report stations that do not run from one end of the segment to the other."""
    for index, (before, fraction) in enumerate(pairwise(fractions), start=1):
        if fraction <= before:
            faults.add(f"{key}.{index}.0", show(fraction), f"a fraction > {before:g}")
    if fractions[0] != 0.0:
        faults.add(f"{key}.0.0", show(fractions[0]), "a first fraction of 0")
    if fractions[-1] != 1.0:
        faults.add(f"{key}.{len(fractions) - 1}.0", show(fractions[-1]), "a last fraction of 1")


def _check_chords(chords: Sequence[float], key: str, faults: Faults) -> None:
    """Report a chord of zero anywhere but at one end."""
    last = len(chords) - 1
    for index, chord in enumerate(chords):
        if chord == 0.0 and (0 < index < last or not any(chords)):
            faults.add(f"{key}.{index}.1", show(chord), "a number > 0")
