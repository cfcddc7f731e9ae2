"""Figures of a sweep: contour maps, carpet plots, Pareto fronts, tornado charts.

Answers: how does a quantity vary over two axes of a plan and where do constraints hold, what does
one quantity cost in another, and which key matters most?
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.quantities import printed, quantity_of, without_unit
from flapsim.show.style import (
    CONTOUR_MAP,
    FADED,
    HALO,
    INK,
    INNER,
    OUTER,
    note,
    number,
    panel_at,
    styled,
    titled_page,
)
from flapsim.study.compare import Condition, Objective, pareto_points
from flapsim.study.sensitivity import Influence
from flapsim.study.table import SweepTable

Array = NDArray[np.float64]

_DASHES: tuple[Any, ...] = ("-", (0, (6, 2)), (0, (2, 1.5)), "-.")


def axis_label(name: str) -> str:
    """Axis label of a result or a key: words and unit."""
    words, unit = _words(name), printed(quantity_of(name).unit)
    return f"{words} ({unit})" if unit else words


def _words(name: str) -> str:
    """Result or key in words, without its unit."""
    quantity = quantity_of(name)
    return quantity.long_name if quantity.long_name != name else key_in_words(name)


def key_in_words(key: str) -> str:
    """Return a key path as words: 'stroke outer twist tip amplitude'."""
    path = key.removeprefix("stroke.").removeprefix("wing.").split(".")
    names = [part for part in path if not part.isdigit()]
    names[-1] = without_unit(names[-1])
    items = [int(part) + 1 for part in path if part.isdigit()]
    words = [word for name in names for word in name.split("_")]
    if len(items) == 2:  # a chord, or the fraction of the segment at which it is given
        words += ["station" if items[1] == 1 else "at station"]
    return " ".join([*words, *map(str, items[:1])])


def make_logarithmic(axis: Axis) -> None:
    """Give a logarithmic axis ticks at 1, 2 and 5, written out."""
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def short_name(name: str) -> str:
    """Last part of a name in words, without its unit: 'flapping efficiency'."""
    return without_unit(name.rpartition(".")[2]).replace("_", " ")


def _condition_in_words(condition: Condition) -> str:
    if condition.right is None:
        right = f"{condition.factor:g} {printed(quantity_of(condition.left).unit)}".strip()
    else:
        times = "" if condition.factor == 1.0 else f"{condition.factor:g} × "
        right = times + short_name(condition.right)
    return f"{short_name(condition.left)} = {right}"


def _page(
    title: str, subtitle: str, width: float, height: float, left: float = 0.95, right: float = 0.35
) -> tuple[Figure, Axes]:
    """Page with a title and one panel; inches."""
    page = titled_page(width, height, title, subtitle)
    return page, panel_at(page, left, 0.93, width - left - right, height - 1.55)


def _plane(
    table: SweepTable, names: Sequence[str], at: Mapping[str, str]
) -> tuple[tuple[str, str], list[Array], list[Array], str]:
    """Two axes of a grid, and quantities on them; other axes are cut at the values of `at`.

    Returns the names of the axes, their coordinates of shapes (m,) and (n,), the quantities of
    shape (m, n) each, and in words where the other axes are cut.
    """
    if table.sampling != "grid":
        raise StudyError(f"{table.path.name}: a map or carpet needs a grid, found a sample")
    long = [axis for axis, size in table.axes.items() if size > 1]
    unknown = [name for name in at if name not in table.axes]
    if unknown:
        raise StudyError(
            f"--at: expected one of the axes {', '.join(table.axes)}, found {unknown[0]}"
        )
    open_axes = [axis for axis in long if axis not in at]
    if len(open_axes) != 2:
        raise StudyError(
            f"{table.path.name}: a map or carpet needs two axes, found {len(open_axes)}"
            f" ({', '.join(open_axes)}); cut the others with --at AXIS=VALUE"
        )
    index: list[Any] = []
    cut = []
    for axis in table.axes:
        if axis in open_axes:
            index.append(slice(None))
            continue
        coordinate = table.coordinate(axis)
        place = 0
        if axis in at:
            place = _nearest(axis, coordinate, at[axis])
            value = coordinate[place]
            shown = value if isinstance(value, str) else number(float(value))
            cut.append(f"{key_in_words(axis)} {shown}")
        index.append(place)
    done = table.done.reshape(table.shape)[tuple(index)]
    coordinates = []
    for axis in open_axes:
        values = table.coordinate(axis)
        if values.dtype == object:
            raise StudyError(f"{axis}: a map or carpet needs axes of numbers, found words")
        coordinates.append(np.asarray(values, dtype=np.float64))
    planes = [
        np.where(done, table.numbers(name).reshape(table.shape)[tuple(index)], np.nan)
        for name in names
    ]
    return (open_axes[0], open_axes[1]), coordinates, planes, ", ".join(cut)


def _nearest(axis: str, coordinate: NDArray[Any], value: str) -> int:
    """Place on an axis nearest to a number, or of a word."""
    if coordinate.dtype == object:
        words = coordinate.tolist()
        if value not in words:
            raise StudyError(f"--at {axis}: expected one of {', '.join(words)}, found {value}")
        return int(words.index(value))
    try:
        return int(np.argmin(np.abs(coordinate - float(value))))
    except ValueError as error:
        raise StudyError(f"--at {axis}: expected a number, found {value}") from error


def _margin(table: SweepTable, condition: Condition, at: Mapping[str, str]) -> Array:
    """Left minus right side of a condition, on the plane of a map."""
    _, _, (left, *right), _ = _plane(
        table, [condition.left, *([condition.right] if condition.right else [])], at
    )
    return np.asarray(left - condition.factor * (right[0] if right else 1.0))


def contours(
    table: SweepTable, name: str, lines: Sequence[Condition], at: Mapping[str, str]
) -> Figure:
    """Contour map of a quantity over two axes of a grid, with the limits of conditions.

    The side on which a condition fails is dotted; other axes are cut at the values of `at`.

    Raises
    ------
    StudyError
        If there are not exactly two axes left.
    """
    axes, (rows, columns), (values,), cut = _plane(table, [name], at)
    with styled():
        what = quantity_of(name).long_name
        title = what[0].upper() + what[1:] + (f", at {cut}" if cut else "")
        page, panel = _page(table.title, title, 7.2, 5.2, right=1.6)
        if not np.isfinite(values).any():
            raise StudyError(f"{name}: no point on these axes has a value")
        field = np.ma.masked_invalid(values.T)
        filled = panel.contourf(rows, columns, field, 14, cmap=CONTOUR_MAP)
        thin = panel.contour(rows, columns, field, list(filled.levels)[::2], colors="white",
                             linewidths=0.6, alpha=0.8)  # fmt: skip
        panel.clabel(thin, fontsize=7.5, fmt=lambda level: f"{float(level):.3g}")
        _constraints(panel, rows, columns, [(c, _margin(table, c, at)) for c in lines])
        panel.set_xlabel(axis_label(axes[0]))
        panel.set_ylabel(axis_label(axes[1]))
        panel.set_xscale(_spacing(rows))
        panel.set_yscale(_spacing(columns))
        for axis, values in ((panel.xaxis, rows), (panel.yaxis, columns)):
            if _spacing(values) == "log":
                make_logarithmic(axis)
        place = panel.get_position()
        bar = page.add_axes((place.x1 + 0.02, place.y0, 0.02, place.height))
        page.colorbar(filled, cax=bar, ticks=MaxNLocator(7)).set_label(axis_label(name))
    return page


def _spacing(values: Array) -> str:
    """Scale of an axis: logarithmic if its values are even on that, and on no linear one."""
    if values.size < 3 or values.min() <= 0.0:
        return "linear"
    even = np.allclose(np.diff(values), values[1] - values[0], rtol=1e-6)
    geometric = np.allclose(np.diff(np.log(values)), np.log(values[1] / values[0]), rtol=1e-6)
    return "log" if geometric and not even else "linear"


def _constraints(
    panel: Axes, rows: Array, columns: Array, margins: Sequence[tuple[Condition, Array]]
) -> None:
    """Draw the limits of conditions, and dot the side on which they fail."""
    shown = 0
    for condition, margin in margins:
        words = _condition_in_words(condition)
        finite = margin[np.isfinite(margin)]
        if not finite.size or finite.min() > 0.0 or finite.max() < 0.0:
            words = f"{words}: outside this map"
            panel.plot([], [], color=INK, linestyle=_DASHES[shown % 4], label=words)
            shown += 1
            continue
        field = np.ma.masked_invalid(margin.T)
        dash = _DASHES[shown % 4]
        panel.contour(rows, columns, field, [0.0], colors="white", linewidths=4.0)
        panel.contour(rows, columns, field, [0.0], colors=INK, linewidths=2.0, linestyles=[dash])
        if condition.sign in (">=", ">", "<=", "<"):
            fails = (-np.inf, 0.0) if condition.sign[0] == ">" else (0.0, np.inf)
            low, high = max(fails[0], finite.min() - 1.0), min(fails[1], finite.max() + 1.0)
            panel.contourf(rows, columns, field, [low, high], colors="none", hatches=["...."])
            words += " (dotted side fails)"
        panel.plot([], [], color=INK, linewidth=2.0, linestyle=dash, label=words)
        shown += 1
    if shown:
        panel.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.01), ncols=2, frameon=False, fontsize=8.0,
            handlelength=3.5,
        )  # fmt: skip


def carpet(
    table: SweepTable, names: tuple[str, str], lines: Sequence[Condition], at: Mapping[str, str]
) -> Figure:
    """Carpet plot: the net of two axes of a grid over a horizontal and a vertical quantity.

    Points mark the limits of conditions; arguments and errors as of `contours`.
    """
    axes, coordinates, (x, y), cut = _plane(table, names, at)
    with styled():
        title = "Carpet of " + " and ".join(key_in_words(axis) for axis in axes)
        page, panel = _page(table.title, title + (f", at {cut}" if cut else ""), 7.6, 5.4)
        for style, side in ((INNER, 0), (OUTER, 1)):
            count = x.shape[side]
            chosen = np.unique(np.linspace(0, count - 1, min(count, 9)).astype(int))
            ends = []
            for place in chosen:
                along = (place, slice(None)) if side == 0 else (slice(None), place)
                panel.plot(x[along], y[along], color=style.color, linestyle=style.dash,
                           linewidth=1.2)  # fmt: skip
                good = np.flatnonzero(np.isfinite(x[along]) & np.isfinite(y[along]))
                if good.size:
                    both = good[[0, -1]]
                    name = f"{float(coordinates[side][place]):.3g}".replace("-", "−")
                    ends.append((name, np.stack([x[along][both], y[along][both]], axis=1)))
            for name, at_end in _at_the_wider_end(ends):
                shift, align = ((4, 2), "left") if side == 0 else ((-4, 2), "right")
                note(panel, name, at_end, shift, color=style.ink, ha=align, path_effects=HALO)
            panel.plot([], [], color=style.color, linestyle=style.dash,
                       label=axis_label(axes[side]))  # fmt: skip
        for place, condition in enumerate(lines):
            points = _crossings(x, y, _margin(table, condition, at))
            panel.plot(points[:, 0], points[:, 1], "o", color=INK, markersize=2.6 + place,
                       label=_condition_in_words(condition))  # fmt: skip
        panel.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, frameon=False, fontsize=8.0
        )
        panel.margins(x=0.09)  # room for the labels at the left-hand ends
        panel.set_xlabel(axis_label(names[0]))
        panel.set_ylabel(axis_label(names[1]))
    return page


def _at_the_wider_end(ends: list[tuple[str, Array]]) -> list[tuple[str, tuple[float, float]]]:
    """Positions of the labels of the lines of a net: at the ends that lie further apart."""
    if not ends:
        return []
    places = np.stack([both for _, both in ends])  # line, end, coordinate
    whole = np.ptp(places, axis=(0, 1))
    spread = (np.ptp(places, axis=0) / np.where(whole > 0.0, whole, 1.0)).sum(axis=1)
    side = int(np.argmax(spread))
    return [(name, (float(both[side, 0]), float(both[side, 1]))) for name, both in ends]


def _crossings(x: Array, y: Array, margin: Array) -> Array:
    """Points of the net at which a margin passes zero, by linear interpolation along its lines."""
    found = []
    for turned in (False, True):
        m, a, b = (v.T if turned else v for v in (margin, x, y))
        change = np.argwhere(np.diff(np.signbit(m), axis=0) & np.isfinite(m[:-1] + m[1:]))
        for i, j in change:
            part = m[i, j] / (m[i, j] - m[i + 1, j])
            found.append([v[i, j] + part * (v[i + 1, j] - v[i, j]) for v in (a, b)])
    return np.array(found).reshape(-1, 2)


def pareto(
    table: SweepTable, across: Objective, up: Objective, places: NDArray[np.int64]
) -> Figure:
    """Scatter of two quantities at some points, with the Pareto-optimal ones."""
    x, y = (table.numbers(each.name) for each in (across, up))
    front = pareto_points(table, places, (across, up))
    with styled():
        wanted = " and ".join(
            f"{'smaller' if each.smaller else 'larger'} {_words(each.name)}"
            for each in (across, up)
        )
        page, panel = _page(table.title, f"Pareto front: {wanted} are better", 7.2, 5.0)
        panel.plot(x[places], y[places], ".", color=FADED, markersize=3.5, alpha=0.6,
                   rasterized=places.size > 5000, label=f"{places.size:,} points")  # fmt: skip
        panel.plot(x[front], y[front], "o-", color=OUTER.ink, markersize=4.5, linewidth=1.2,
                   label=f"{front.size:,} Pareto-optimal points")  # fmt: skip
        panel.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False, fontsize=8.5
        )
        panel.set_xlabel(axis_label(across.name))
        panel.set_ylabel(axis_label(up.name))
    return page


def tornado(name: str, title: str, found: Sequence[Influence]) -> Figure:
    """Bars of the sensitivity of a quantity to each dimension of a sweep, the longest on top."""
    indices = any(np.isfinite(item.total) for item in found)
    with styled():
        subtitle = f"Sensitivity: {_words(name)}"
        page, panel = _page(title, subtitle, 7.6, 1.9 + 0.42 * len(found), left=2.75)
        rows = np.arange(len(found))[::-1]
        if indices:
            total = [item.total for item in found]
            panel.barh(rows, total, 0.62, color=OUTER.color, hatch="//", edgecolor="white",
                       xerr=[item.total_error for item in found], ecolor=INK,
                       label="total, with interactions")  # fmt: skip
            panel.barh(rows, [item.first for item in found], 0.34, color=INNER.color,
                       label="first order")  # fmt: skip
            panel.set_xlim(min(0.0, *(item.first for item in found)), max(1.05, 1.1 * max(total)))
            panel.set_xlabel("Sobol' index (fraction of the variance)")
            panel.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False)
        else:
            panel.barh(rows, [item.rank for item in found], 0.62, color=INNER.color)
            panel.axvline(0.0, color=INK, linewidth=0.8)
            panel.set_xlim(-1.0, 1.0)
            panel.set_xlabel("Spearman rank correlation")
        panel.set_yticks(rows, [key_in_words(item.name) for item in found])
    return page
