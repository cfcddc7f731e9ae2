"""Curves of several sweeps side by side.

Answers: how does one quantity vary along the axes of several sweeps, and how do they compare with
single designs?
"""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.quantities import printed, quantity_of
from flapsim.show.study_panels import axis_label, key_in_words, make_logarithmic, short_name
from flapsim.show.style import (
    FADED,
    INK,
    INNER,
    OUTER,
    Line,
    finite_range,
    panel_at,
    spread_labels,
    styled,
    titled_page,
)
from flapsim.study.compare import Condition, satisfied
from flapsim.study.table import SweepTable

Array = NDArray[np.float64]

_MOST_CURVES = 6
_MOST_PANELS = 4
_LOGARITHMIC = 8.0
"""Ratio of the ends of an axis from which its scale is logarithmic."""


def lines(tables: Sequence[SweepTable], name: str, conditions: Sequence[Condition] = ()) -> Figure:
    """Curves of one quantity over the axes of several sweeps, side by side at one scale.

    Each sweep gets a panel: the first axis is horizontal, the second gives one curve per value. A
    sweep of a single point is a line across all panels, labelled with its title. Points at which a
    condition fails are left out.

    Raises
    ------
    StudyError
        If a sweep is not a grid of one or two axes of numbers, or there is no curve.
    """
    families = [_family(table, name, conditions) for table in tables if table.count > 1]
    marks = [
        (_short_title(table), float(_plotted(table, name, conditions)[0]))
        for table in tables
        if table.count == 1
    ]
    if not families or len(families) > _MOST_PANELS:
        raise StudyError(
            f"--figure lines: expected 1 to {_MOST_PANELS} sweeps of more than one point,"
            f" found {len(families)}"
        )
    every = [family.values for family in families] + [np.array([value for _, value in marks])]
    low, high = finite_range(*every)
    if not any(np.isfinite(values).any() for values in every):
        raise StudyError(f"{name}: no point of these sweeps has a value")
    with styled():
        each, gap, left, right = 2.75, 1.0, 0.85, 1.35
        width = left + len(families) * (each + gap) - gap + right
        words = short_name(name)
        title = words[0].upper() + words[1:]
        page = titled_page(width, 4.0, title, quantity_of(name).long_name)
        for index, family in enumerate(families):
            axes = panel_at(page, left + index * (each + gap), 1.08, each, 2.32)
            room = (high - low) or abs(high) or 1.0
            axes.set_ylim(low - 0.14 * room, high + 0.1 * room)
            _curves(axes, family, marks, last=index == len(families) - 1)
            if index == 0:
                unit = printed(quantity_of(name).unit)
                axes.set_ylabel(f"{words} ({unit})" if unit else words)
            else:
                axes.tick_params(axis="y", labelleft=False)
    return page


class _Family(NamedTuple):
    """Curves of one sweep: along x, one row of values for each of the second axis."""

    title: str
    axis: str
    x: Array
    values: Array
    names: list[str]
    other: str


def _plotted(table: SweepTable, name: str, conditions: Sequence[Condition]) -> Array:
    """A quantity at every point, NaN where there is no answer or a condition fails."""
    return np.where(satisfied(table, conditions), table.numbers(name), np.nan)


def _family(table: SweepTable, name: str, conditions: Sequence[Condition]) -> _Family:
    long = [axis for axis, size in table.axes.items() if size > 1]
    if table.sampling != "grid" or not 1 <= len(long) <= 2:
        raise StudyError(f"{table.path.name}: --figure lines needs a grid of one or two axes")
    x = table.coordinate(long[0])
    if x.dtype == object:
        raise StudyError(f"{long[0]}: lines need an axis of numbers, found words")
    values = _plotted(table, name, conditions).reshape([size for size in table.shape if size > 1])
    names, other = [""], ""
    if len(long) == 2:
        second = table.coordinate(long[1])
        kept = np.unique(
            np.linspace(0, second.size - 1, min(second.size, _MOST_CURVES)).round().astype(int)
        )
        values = values[:, kept]
        unit = printed(quantity_of(long[1]).unit)
        gap = "" if unit == "°" else " "
        names = [
            value if isinstance(value, str) else f"{value:g}{gap}{unit}".replace("-", "−").strip()
            for value in second[kept].tolist()
        ]
        other = key_in_words(long[1])
    order = np.argsort(np.asarray(x, dtype=np.float64))
    return _Family(
        title=_short_title(table),
        axis=axis_label(long[0]),
        x=np.asarray(x, dtype=np.float64)[order],
        values=values.reshape(len(order), -1)[order].T,
        names=names,
        other=other,
    )


def _short_title(table: SweepTable) -> str:
    """Title of a sweep after its last colon."""
    text = table.title.rpartition(": ")[2]
    return text[0].upper() + text[1:]


def _curves(axes: Axes, family: _Family, marks: Sequence[tuple[str, float]], last: bool) -> None:
    """Draw the curves of one sweep, and the single designs for comparison."""
    if family.x[0] > 0.0 and family.x[-1] > _LOGARITHMIC * family.x[0]:
        axes.set_xscale("log")
        make_logarithmic(axes.xaxis)
    entries = []
    for index, (text, values) in enumerate(zip(family.names, family.values, strict=True)):
        line = _CURVES[index]
        axes.plot(family.x, values, **line.drawn(12), zorder=3)
        absent = ~np.isfinite(values)
        axes.plot(family.x[absent], np.full(absent.sum(), 0.012 + 0.018 * index), "x",
                  transform=axes.get_xaxis_transform(), color=line.color, markersize=4.0,
                  clip_on=False)  # fmt: skip
        good = np.flatnonzero(np.isfinite(values))
        if good.size and good[-1] == values.size - 1:
            entries.append((text, float(values[-1]), line.ink))
        elif good.size:
            axes.annotate(
                text, (float(family.x[good[-1]]), float(values[good[-1]])), xytext=(6, 6),
                textcoords="offset points", va="center", fontsize=8.0, color=line.ink,
            )  # fmt: skip
    for text, value in marks:
        axes.axhline(value, color=INK, linewidth=1.2, linestyle=(0, (1, 1.6)), zorder=2)
        if last:
            entries.append((fill(text, 20), value, INK))
    spread_labels(axes, entries, size=8.0)
    if not np.isfinite(family.values).all():
        axes.text(1.0, 0.985, "×: no answer", transform=axes.transAxes, fontsize=7.5,
                  color=FADED, ha="right", va="top")  # fmt: skip
    axes.set_title(family.title + (f"\nby {family.other}" if family.other else ""), fontsize=9.5)
    axes.set_xlabel(family.axis)


_CURVES = (
    INNER._replace(dash="-", marker="o"),
    OUTER._replace(dash=(0, (5, 1.6)), marker="s"),
    Line("#4f7f4f", (0, (6, 2, 1, 2)), "^", 1.5, "#355c35"),
    Line("#8a5a9e", (0, (2, 1.2)), "D", 1.5, "#68407a"),
    Line(FADED, "-", "v", 1.5, FADED),
    Line(INK, (0, (7, 1.5, 1, 1.5)), "P", 1.3, INK),
)
"""Lines of a family, each with its own dash and marker."""
