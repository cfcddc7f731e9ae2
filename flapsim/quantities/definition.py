"""What a definition of a reported quantity holds, and how its value goes into JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple, TypeAlias

Better: TypeAlias = Literal["higher", "lower", ""]
"""Which values are better; empty where that depends on what the craft is for."""


class Quantity(NamedTuple):
    """A reported quantity.

    The unit is a UDUNITS string, "1" for a pure number; the long name fits a label. The formula
    uses the names of keys and other quantities; its source is author, year, equation.
    """

    unit: str
    long_name: str
    better: Better = ""
    formula: str = ""
    source: str = ""


def finite_or_none(value: Any) -> Any:
    """Return plain values for JSON, which has neither NaN nor infinity: None stands for these.

    Arrays and sequences become lists, mappings dicts, to any depth; anything else is left as it is.
    """
    if isinstance(value, Mapping):
        return {name: finite_or_none(item) for name, item in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [finite_or_none(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
