"""The keys of a plan file: what they mean and what they may hold.

`flapsim.study.reading` reads a plan with the case and the rows that it names;
`flapsim.study.sampling` lays out its points.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from flapsim.case.keys import Table, toml_key, toml_table
from flapsim.case.rules import ANY_NUMBER, UNFIT, Number, Switch, Text, Unfit, Word, show
from flapsim.case.text import Found
from flapsim.faults import Faults

SAMPLINGS: Final = ("grid", "latin-hypercube", "sobol", "saltelli")
MOST_POINTS: Final = 10**9


@dataclass(frozen=True, slots=True)
class _List:
    """A list of names, or of values that are checked once their key is known."""

    names: bool

    @property
    def allowed(self) -> str:
        """What the key may hold, in words."""
        return "a list of names in quotes" if self.names else "a list of at least one value"

    @property
    def schema(self) -> dict[str, Any]:
        """What the key may hold, as JSON Schema."""
        items = Text().schema if self.names else {"not": {"type": "object"}}
        return {"type": "array", "minItems": 1, "items": items}

    def read(self, value: object, key: str, faults: Faults) -> tuple[Any, ...] | Unfit:
        """Return the items, at least one."""
        if (
            not isinstance(value, list | tuple)
            or not value
            or (not self.names and any(isinstance(item, dict) for item in value))
        ):
            faults.add(key, show(value), self.allowed)
            return UNFIT
        if not self.names:
            return tuple(value)
        names = [Text().read(item, f"{key}.{i}", faults) for i, item in enumerate(value)]
        return UNFIT if any(isinstance(name, Unfit) for name in names) else tuple(names)


_NAMES: Final = _List(names=True)


@dataclass(frozen=True, slots=True)
class _Settings:
    """Key paths in quotes and the values they are set to."""

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
    """A key that a plan varies, with its values; or a file of such keys."""

    # fmt: off
    key: str | None = toml_key(Text(), "key path of the case to vary", default=None)
    file: str | None = toml_key(Text(), "CSV file: key paths in the header, one point per row",
        "in place of key", default=None)
    values: tuple[Any, ...] | None = toml_key(_List(names=False), "values to take",
        "with key, in place of from and to", default=None)
    from_: float | None = toml_key(ANY_NUMBER, "first value of a range", "with key", default=None)
    to: float | None = toml_key(ANY_NUMBER, "last value of a range, included", "with key",
        default=None)
    count: int | None = toml_key(Number(least=2, most=1e6, whole=True),
        "number of values in the range", "with from and to, in a grid", default=None)
    spacing: str = toml_key(Word(("linear", "logarithmic")), "spacing of the values of a range",
        "with from and to", default="linear")
    together: str | None = toml_key(Text(),
        "label; axes with the same label step together and are one axis of the result",
        default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report keys that are missing or exclude each other."""
        table = found.table
        if "file" in table:
            for name in ("key", "values", "from", "to", "count", "spacing", "together"):
                if name in table:
                    found.say(name, f"give either file or {name}, not both")
            return
        if "key" not in table:
            found.require("key", "a key path in quotes", 'or file = "rows.csv"')
        if "values" in table:
            for name in ("from", "to", "count", "spacing"):
                if name in table:
                    found.say(name, f"give either values or {name}, not both")
            return
        for name in ("from", "to"):
            found.require(name, "a number", "give from and to, or values = [...]")
        _check_range(found)


def _check_range(found: Found) -> None:
    """Report a range of zero width, and a logarithmic one that is not above zero."""
    start, stop = found.values.get("from_"), found.values.get("to")
    if start is None or stop is None:
        return
    if start == stop:
        found.wrong("to", f"a number other than {start:g}")
    if found.values.get("spacing") == "logarithmic" and start * stop <= 0.0:
        for name, value in (("from", start), ("to", stop)):
            if value <= 0.0:
                found.wrong(name, "a number > 0", 'spacing is "logarithmic"')


@toml_table
class TrimPlan:
    """How each point is trimmed: the free keys and the balances of forces that they meet."""

    # fmt: off
    free: tuple[str, ...] = toml_key(_NAMES,
        "keys adjusted until the craft flies steadily; keys joined by + move together")
    hold: tuple[str, ...] | None = toml_key(_NAMES,
        "balances to be met, one per free key; chosen to suit the free keys if left out",
        default=None)
    # fmt: on


@toml_table
class Plan:
    """The cases that a sweep computes."""

    # fmt: off
    base: str = toml_key(Text(), "case file to start from, relative to the plan")
    axis: tuple[Axis, ...] = toml_key(Table(Axis, many=True), "a key that varies, and its values")
    title: str | None = toml_key(Text(), "title of the study; that of the case if left out",
        default=None)
    sampling: str = toml_key(Word(SAMPLINGS),
        "every combination of the axes (grid), or a sample of them", default="grid")
    samples: int | None = toml_key(Number(least=1, most=MOST_POINTS, whole=True),
        "number of samples", "not for a grid", default=None)
    seed: int = toml_key(Number(least=0, most=2**31, whole=True),
        "seed of the random numbers of a sample", default=0)
    keep: tuple[str, ...] = toml_key(_NAMES,
        "results to keep; * matches anything; series.lift_n keeps the whole stroke", default=("*",))
    stability: bool = toml_key(Switch(), "whether to check the stability of compliant twists "
        "and refuse unstable ones; each check costs as much as hundreds of points", default=False)
    set: tuple[tuple[str, Any], ...] = toml_key(_Settings(),
        "changes to the base case that all points share", default=())
    trim: TrimPlan | None = toml_key(Table(TrimPlan),
        "how each point is trimmed", default=None)
    # fmt: on

    @staticmethod
    def check(found: Found) -> None:
        """Report a number of samples or values that does not go with the sampling."""
        sampling = found.values.get("sampling")
        axes = found.values.get("axis", ())
        if sampling == "grid":
            if "samples" in found.table:
                found.say("samples", "does not apply to a grid; its axes set the number of points")
            for index, axis in enumerate(axes):
                if axis.from_ is not None and axis.count is None:
                    found.faults.missing(
                        f"axis.{index}.count", "a whole number >= 2",
                        "a grid needs the number of values in each range",
                    )  # fmt: skip
        elif sampling is not None:
            found.require("samples", "a whole number >= 1", f'sampling = "{sampling}" needs it')
            _check_samples(found, sampling)
            for index, axis in enumerate(axes):
                if axis.count is not None:
                    found.faults.say(
                        f"axis.{index}.count", "applies to a grid only; samples sets the number"
                    )


def _check_samples(found: Found, sampling: str) -> None:
    """Report a number of samples for which a Sobol sequence is not balanced."""
    samples = found.values.get("samples")
    if sampling == "latin-hypercube" or samples is None or samples & (samples - 1) == 0:
        return
    near = 2 ** round(math.log2(samples))
    hint = f"such as {near}: a Sobol sequence covers its range evenly at powers of two only"
    found.wrong("samples", "a power of two", hint)
