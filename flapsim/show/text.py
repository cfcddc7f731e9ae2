"""How text and numbers are printed in a terminal; light, so that ``explain`` starts at once."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

__all__ = ["WIDTH", "figures", "noted", "wrapped"]

WIDTH = 80
"""Columns of everything that is printed."""


def wrapped(text: str, first: str = "", other: str = "") -> list[str]:
    """Wrap a text to `WIDTH`, with these indents of the first and of the other lines."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=other, break_on_hyphens=False
    )


def noted(notes: Sequence[str]) -> list[str]:
    """Lines of a bulleted list of notes."""
    return [line for note in notes for line in wrapped(note, "  - ", "    ")]


def figures(value: float) -> str:
    """A number with four significant digits; n/a if it has no meaning."""
    return f"{value:.4g}" if math.isfinite(value) else "n/a"
