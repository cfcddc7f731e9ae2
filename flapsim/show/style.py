"""How every figure looks: colours, lines, page, panels, numbers with units; and saving to a file.

Legible in greyscale: what differs in colour also differs in lightness and in dash, marker or hatch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib
import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import isotonic_regression

from flapsim.quantities import QUANTITIES, printed
from flapsim.show.kinds import SUFFIXES

Array = NDArray[np.float64]

INK = "#1a1a1a"
"""Text, axes, and what stands for the whole wing."""

FADED = "#6b6b6b"
"""Secondary text and reference lines; 5:1 against white."""

SHADE = "#ececec"
"""The downstroke."""

CONTOUR_MAP = "cividis"
"""Colours of maps: lightness rises evenly, so that a map survives a grey printer."""

HALO = (effects.withStroke(linewidth=2.5, foreground="white"),)
"""Path effects that keep text and lines legible on top of a drawing."""


class Line(NamedTuple):
    """How a curve is drawn; each line differs by lightness, dash and marker at once.

    Colour, dash and marker as matplotlib takes them; width in points; `ink` is the colour of its
    name, dark enough to be read as text.
    """

    color: str
    dash: Any
    marker: str
    width: float
    ink: str

    def drawn(self, points: int, shift: float = 0.0) -> dict[str, Any]:
        """Keyword arguments of ``Axes.plot`` for a curve of this many points."""
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

# What changes between runs is left out: the same cycle gives the same file.
_METADATA: dict[str, dict[str, Any]] = {
    ".png": {"Software": None},
    ".svg": {"Date": None},
    ".pdf": {"CreationDate": None},
}

ROUNDING = 1e-9
"""A mean smaller than this fraction of the values averaged is rounding error: shown as zero."""


def styled() -> AbstractContextManager[None]:
    """Return a context in which everything is drawn in the one style."""
    return matplotlib.rc_context(STYLE)


def label(name: str, text: str | None = None) -> str:
    """Axis label of a quantity with its unit; `text` replaces its long name."""
    words = text or QUANTITIES[name].long_name
    unit = printed(QUANTITIES[name].unit)
    return f"{words} ({unit})" if unit else words


def number(value: float, scale: float = 0.0) -> str:
    """Three significant digits with a true minus sign; "no value" if not finite.

    A mean or a difference that is rounding error against the `scale` of its values is printed as 0.
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
    """Return `number` of a value followed by the unit of quantity `name`."""
    text, unit = number(value, scale), printed(QUANTITIES[name].unit)
    if not math.isfinite(value):
        return text
    return f"{text}{unit}" if unit == "°" else f"{text} {unit}".rstrip()


def finite_range(*values: ArrayLike) -> tuple[float, float]:
    """Smallest and largest finite number in all of `values`; (0, 0) if there is none."""
    every = np.concatenate([np.ravel(np.asarray(value, dtype=np.float64)) for value in values])
    finite = every[np.isfinite(every)]
    return (float(finite.min()), float(finite.max())) if finite.size else (0.0, 0.0)


# --- page and panels -----------------------------------------------------------------------------


def blank_figure(width: float, height: float) -> Figure:
    """Return an empty figure, width and height in inches; it needs no screen."""
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure


def titled_page(width: float, height: float, title: str, subtitle: str) -> Figure:
    """Return a page, width and height in inches, with a title and a grey line below it."""
    page = blank_figure(width, height)
    left = 0.15 / width
    page.text(left, 1.0 - 0.2 / height, title, fontsize=12, weight="bold", va="center")
    page.text(left, 1.0 - 0.43 / height, subtitle, fontsize=9.0, color=FADED, va="center")
    return page


def panel_at(
    page: Figure, left: float, top: float, width: float, height: float, **options: Any
) -> Axes:
    """Return axes placed in inches from the top left corner; options as of `Figure.add_axes`."""
    across, down = page.get_figwidth(), page.get_figheight()
    box = (left / across, 1.0 - (top + height) / down, width / across, height / down)
    return page.add_axes(box, **options)


def zero_line(axes: Axes) -> None:
    """Draw a thin horizontal line at zero."""
    axes.axhline(0.0, color=FADED, linewidth=0.7, zorder=1)


def note(
    axes: Axes, text: str, at: tuple[float, float], shift: tuple[float, float], **options: Any
) -> None:
    """Write small text beside a point, shifted by points; options as of `Axes.annotate`."""
    settings: dict[str, Any] = {"fontsize": 8.0, "color": INK, "annotation_clip": False}
    axes.annotate(text, at, xytext=shift, textcoords="offset points", **settings | options)


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure in the format of the file name, one of `SUFFIXES`, else a ValueError."""
    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise ValueError(f"{path}: the name of a figure should end in {', '.join(SUFFIXES)}")
    with styled():
        figure.savefig(path, format=suffix[1:], metadata=_METADATA[suffix])


def spread_labels(axes: Axes, entries: Sequence[tuple[str, float, str]], size: float = 8.5) -> None:
    """Name curves at their right-hand ends, moved apart where the names would overlap.

    The axes need their final limits and place. An entry is name (empty for none), last value and
    colour of a curve; the font size is in points.
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
            text, (1.0, end), xytext=(1.035, y), xycoords="axes fraction",
            textcoords="axes fraction", color=color, fontsize=size, va="center",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": color, "linewidth": 0.7, "shrinkB": 0.0},
        )  # fmt: skip


def _spread(at: Array, size: Array) -> Array:
    """Rising positions closest to `at` (least squares) that leave room `size` around each."""
    gap = 0.5 * (size[1:] + size[:-1])
    shift = np.concatenate([[0.0], np.cumsum(gap)])
    return np.asarray(isotonic_regression(at - shift).x + shift)
