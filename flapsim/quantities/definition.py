"""What a definition of a reported quantity holds, and how its value goes into JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple, TypeAlias

Better: TypeAlias = Literal["higher", "lower", ""]
"""Which values are better; empty where that depends on what the craft is for."""


class Quantity(NamedTuple):
    """A reported quantity.

    Attributes
    ----------
    unit : str
        UDUNITS string; "1" for a pure number.
    long_name : str
        What it is, short enough for a label.
    better : {"higher", "lower", ""}
        Which values are better.
    formula : str
        How it follows from other reported quantities and keys, by their names.
    source : str
        Where the formula comes from: author, year, equation.
    """

    unit: str
    long_name: str
    better: Better = ""
    formula: str = ""
    source: str = ""


def finite_or_none(value: Any) -> Any:
    """Return plain values for JSON, which has neither NaN nor infinity.

    Parameters
    ----------
    value : object
        A number, an array, or a mapping or sequence of such; anything else is left as it is.

    Returns
    -------
    object
        Arrays and sequences become lists, mappings dicts; a number that is not finite becomes None.
    """
    if isinstance(value, Mapping):
        return {name: finite_or_none(item) for name, item in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [finite_or_none(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
