"""One look for every picture: legible in grey, named with units, never crowded.

Answers: which line stands for what, how a number and its unit are printed, how a figure becomes a
file. Does not decide what is drawn.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from flapsim.quantities import QUANTITIES

__all__ = [
    "BOTH",
    "CONTOUR_MAP",
    "FADED",
    "INK",
    "INNER",
    "OUTER",
    "ROUNDING",
    "SHADE",
    "STYLE",
    "SUFFIXES",
    "Line",
    "blank_figure",
    "finite_range",
    "label",
    "number",
    "printed_unit",
    "save",
    "spread_labels",
    "styled",
    "with_unit",
]

Array = NDArray[np.float64]

INK = "#1a1a1a"
"""Text, axes, and what stands for the whole wing."""

FADED = "#6b6b6b"
"""Secondary text and reference lines; 5:1 against white."""

SHADE = "#ececec"
"""The downstroke."""

CONTOUR_MAP = "cividis"
"""Colours of maps: lightness rises evenly, so the map survives a grey printer."""


class Line(NamedTuple):
    """How a curve is drawn; each line differs by lightness, dash and marker at once.

    Attributes
    ----------
    color : str
        As matplotlib takes it.
    dash : str or tuple
        Line style as matplotlib takes it.
    marker : str
        Marker as matplotlib takes it; "" for none.
    width : float
        Points.
    ink : str
        Colour of its name: dark enough to be read as text.
    """

    color: str
    dash: Any
    marker: str
    width: float
    ink: str

    def drawn(self, points: int, shift: float = 0.0) -> dict[str, Any]:
        """Keyword arguments for ``Axes.plot`` of a curve with so many points."""
        step = max(1, points // 12)
        return {
            "color": self.color,
            "linestyle": self.dash,
            "linewidth": self.width,
            "marker": self.marker,
            "markevery": (round(shift * step) % step, step),
            "markersize": 4.0,
            "markerfacecolor": "white",
            "markeredgewidth": 1.1,
        }


BOTH = Line(INK, "-", "", 2.2, INK)
INNER = Line("#1f5f99", (0, (5, 1.6)), "o", 1.5, "#1f5f99")
OUTER = Line("#d9822b", "-", "s", 1.5, "#985107")

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": FADED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": FADED,
    "ytick.color": FADED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "text.color": INK,
    "lines.solid_capstyle": "round",
    "hatch.linewidth": 0.7,
    "hatch.color": INK,
    "figure.dpi": 150.0,
    "savefig.dpi": "figure",
    "figure.facecolor": "white",
    "pdf.fonttype": 42,
    "svg.hashsalt": "flapsim",
}
"""Settings of every picture."""

SUFFIXES = (".png", ".svg", ".pdf")
"""Kinds of file a figure can become."""

# Dates left out: the same cycle gives the same file.
_UNDATED: dict[str, dict[str, Any]] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}

# UDUNITS, as the table of quantities has them, in the way a reader prints them.
_PRINTED = {
    "1": "",
    "degree": "°",
    "m2 s-1": "m²/s",
    "m s-1": "m/s",
    "N m-1": "N/m",
    "W m-1": "W/m",
    "degree s-1": "°/s",
}

ROUNDING = 1e-9
"""A mean below this part of what it is the mean of is rounding, printed and drawn as zero."""


def styled() -> AbstractContextManager[None]:
    """Return a context in which everything is drawn in the one style."""
    return matplotlib.rc_context(STYLE)


def printed_unit(name: str) -> str:
    """Unit of a quantity as a reader prints it; empty for a pure number.

    Parameters
    ----------
    name : str
        Key of `QUANTITIES`.

    Returns
    -------
    str
    """
    unit = QUANTITIES[name].unit
    return _PRINTED.get(unit, unit)


def label(name: str, text: str | None = None) -> str:
    """Axis label of a quantity, with its unit.

    Parameters
    ----------
    name : str
        Key of `QUANTITIES`.
    text : str, optional
        Words to use in place of its long name.

    Returns
    -------
    str
    """
    words = text or QUANTITIES[name].long_name
    unit = printed_unit(name)
    return f"{words} ({unit})" if unit else words


def number(value: float, scale: float = 0.0) -> str:
    """Three significant digits, a true minus sign, and words where there is no number.

    Parameters
    ----------
    value : float
        The number.
    scale : float
        Size of what the number is a mean or a difference of; what is rounding of that is 0.

    Returns
    -------
    str
    """
    if not math.isfinite(value):
        return "no value"
    if abs(value) <= ROUNDING * abs(scale) or value == 0.0:
        return "0"
    if not 1e-3 <= abs(value) < 1e5:
        mantissa, exponent = f"{value:.2e}".split("e")
        power = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{mantissa} × 10{power}".replace("-", "−")
    digits = max(0, 2 - math.floor(math.log10(abs(float(f"{value:.2e}")))))
    return f"{value:.{digits}f}".replace("-", "−")


def with_unit(value: float, name: str, scale: float = 0.0) -> str:
    """Return a number with the unit of the quantity it belongs to.

    Parameters
    ----------
    value : float
        The number.
    name : str
        Key of `QUANTITIES`.
    scale : float
        As for `number`.

    Returns
    -------
    str
    """
    text = number(value, scale)
    unit = printed_unit(name)
    if not unit or not math.isfinite(value):
        return text
    return f"{text}{unit}" if unit == "°" else f"{text} {unit}"


def finite_range(*values: ArrayLike) -> tuple[float, float]:
    """Smallest and largest finite number, (0, 0) if there is none.

    Parameters
    ----------
    *values : array_like
        Anything; NaN and infinities do not count.

    Returns
    -------
    tuple of float
    """
    every = np.concatenate([np.ravel(np.asarray(value, dtype=np.float64)) for value in values])
    finite = every[np.isfinite(every)]
    return (float(finite.min()), float(finite.max())) if finite.size else (0.0, 0.0)


def blank_figure(width: float, height: float) -> Figure:
    """Return an empty figure that needs no screen.

    Parameters
    ----------
    width, height : float
        Inches.

    Returns
    -------
    Figure
    """
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure in the format that the file name asks for.

    Parameters
    ----------
    figure : Figure
        What to write.
    path : str or Path
        File name ending in one of `SUFFIXES`.

    Raises
    ------
    ValueError
        If it does not; the message lists those that would do.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise ValueError(f"{path}: a figure is written as {', '.join(SUFFIXES)}")
    with styled():
        if suffix == ".png":
            _save_opaque(figure, path)
        else:
            figure.savefig(path, format=suffix[1:], metadata=_UNDATED[suffix])


def _save_opaque(figure: Figure, path: str | Path) -> None:
    """Write a PNG without the layer of transparency, which nothing here uses."""
    drawn = io.BytesIO()
    figure.savefig(drawn, format="rgba")
    size = figure.canvas.get_width_height()
    picture = Image.frombuffer("RGBA", size, drawn.getvalue()).convert("RGB")
    picture.save(path, format="PNG", optimize=True, dpi=(figure.dpi, figure.dpi))


def spread_labels(axes: Axes, entries: Sequence[tuple[str, float, str]], size: float = 8.5) -> None:
    """Name curves at their right-hand ends, moved apart where they would overlap.

    Parameters
    ----------
    axes : Axes
        With its final limits and place in the figure.
    entries : sequence of (text, value, colour)
        What each curve is called, where it ends, and its colour; a curve without a name is left
        alone.
    size : float
        Of the letters, points.
    """
    named = (entry for entry in entries if entry[0] and math.isfinite(entry[1]))
    shown = sorted(named, key=lambda entry: entry[1])
    if not shown:
        return
    figure = axes.get_figure(root=True)
    assert figure is not None
    height = axes.get_position().height * figure.get_figheight() * 72.0
    low, high = axes.get_ylim()
    at = np.array([(value - low) / (high - low) for _, value, _ in shown])
    lines = np.array([text.count("\n") + 1 for text, _, _ in shown])
    placed = _spread(at, 1.25 * size * lines / height)
    for (text, _, color), end, y in zip(shown, at, placed, strict=True):
        axes.annotate(
            text,
            xy=(1.0, end),
            xytext=(1.035, y),
            xycoords="axes fraction",
            textcoords="axes fraction",
            color=color,
            fontsize=size,
            va="center",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": color, "linewidth": 0.7, "shrinkB": 0.0},
        )


def _spread(at: Array, size: Array) -> Array:
    """Least-moved places, in order, with the wanted room around each."""
    gap = 0.5 * (size[1:] + size[:-1])
    shift = np.concatenate([[0.0], np.cumsum(gap)])
    # Places that keep their gaps are a rising sequence once the gaps are taken off: pool
    # neighbours that fall (isotonic regression by adjacent violators).
    blocks: list[list[float]] = []
    for value in at - shift:
        blocks.append([float(value)])
        while len(blocks) > 1 and np.mean(blocks[-2]) > np.mean(blocks[-1]):
            upper = blocks.pop()
            blocks[-1] += upper
    level = np.concatenate([np.full(len(block), np.mean(block)) for block in blocks])
    return np.asarray(level + shift)
