"""Averaged strokes with their confidence band, measured and predicted: a panel per quantity."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from flapsim.quantities import MEASURED_SERIES, printed
from flapsim.rig.files import MeasuredStroke
from flapsim.rig.reduction import Wave
from flapsim.show.style import FADED, INK, OUTER, blank_figure, save, styled

Array = NDArray[np.float64]

_COLUMNS = 2


def draw_stroke(stroke: MeasuredStroke, path: str | Path) -> None:
    """Draw the averaged stroke of every measured quantity.

    Raises
    ------
    ValueError
        If the name does not end in .png, .svg or .pdf.
    """
    save(stroke_figure(stroke), path)


def stroke_figure(stroke: MeasuredStroke) -> Figure:
    """Return the figure of `draw_stroke`."""
    names = list(stroke.waves)
    lines = math.ceil(len(names) / _COLUMNS)
    with styled():
        figure = blank_figure(8.4, 0.9 + 2.15 * lines)
        grid = figure.subplots(lines, _COLUMNS, squeeze=False)
        for axes, name in zip(grid.ravel(), names, strict=False):
            predicted = stroke.predicted.get(name)
            _panel(axes, name, stroke.phase, stroke.waves[name], predicted)
        if stroke.predicted:
            grid[0, 0].legend(frameon=False, fontsize=7.5, loc="best")
        for axes in grid.ravel()[len(names) :]:
            axes.set_axis_off()
        for axes in grid.ravel()[max(len(names) - _COLUMNS, 0) : len(names)]:
            axes.set_xlabel("stroke phase (°)")
        words = f"{stroke.log}: mean of {stroke.count} strokes with 95 % confidence band"
        if stroke.predicted:
            words += f"; predicted from {stroke.case}"
        figure.suptitle(words, x=0.02, ha="left", fontsize=9.5, color=FADED)
        figure.tight_layout(rect=(0.0, 0.0, 1.0, 0.98))
    return figure


def _panel(axes: Axes, name: str, phase: Array, wave: Wave, predicted: Array | None) -> None:
    degrees = np.degrees(phase)
    axes.fill_between(degrees, wave.low, wave.high, color=INK, alpha=0.25, linewidth=0.0)
    axes.plot(degrees, wave.value, color=INK, linewidth=1.4, label="measured")
    if predicted is not None:
        axes.plot(
            degrees, predicted, color=OUTER.color, linewidth=1.6, linestyle=(0, (5, 1.6)),
            label="predicted",
        )  # fmt: skip
    quantity = MEASURED_SERIES[name]
    axes.set_title(quantity.long_name[0].upper() + quantity.long_name[1:])
    axes.set_ylabel(printed(quantity.unit))
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(np.arange(0, 361, 90))
    low, high = axes.get_ylim()
    if high - low < 0.02 * max(abs(low), abs(high)):
        # Otherwise a steady supply voltage would show nothing but noise.
        middle, half = 0.5 * (low + high), 0.01 * max(abs(low), abs(high))
        axes.set_ylim(middle - half, middle + half)
