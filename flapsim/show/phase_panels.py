"""Panels against stroke phase: motion, loads and power."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.posture import downstroke, moves
from flapsim.show.style import (
    BOTH,
    FADED,
    INNER,
    OUTER,
    SHADE,
    Line,
    finite_range,
    label,
    number,
    spread_labels,
    with_unit,
    zero_line,
)
from flapsim.wing.body import weight

Array = NDArray[np.float64]


class Curve(NamedTuple):
    """A curve against phase: name, values and line style."""

    text: str
    values: Array
    line: Line


class SchedulePanel(NamedTuple):
    """Title, label of the vertical axis and curves of one panel of motion."""

    title: str
    axis: str
    curves: list[Curve]


# Thin: at the root of a segment, or relative to the body.
_THIN_INNER = INNER._replace(marker="", width=1.0)
_THIN_OUTER = OUTER._replace(marker="", width=1.0)


def closed(values: Array) -> Array:
    """Values over one stroke, along the last axis, with the first repeated at the end."""
    return np.concatenate([values, values[..., :1]], axis=-1)


def phase_axis(axes: Axes, labelled: bool = True) -> None:
    """Set the horizontal axis to one stroke, 0 to 360 degrees."""
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(np.arange(0.0, 361.0, 90.0))
    axes.tick_params(axis="x", labelbottom=labelled)
    if labelled:
        axes.set_xlabel("stroke phase (°)")


def shade_downstroke(axes: Axes, cycle: Cycle) -> None:
    """Shade the phases in which the wing moves down."""
    for begin, end in downstroke(cycle):
        axes.axvspan(np.degrees(begin), np.degrees(end), color=SHADE, linewidth=0, zorder=0)


def name_strokes(axes: Axes, cycle: Cycle) -> None:
    """Write "downstroke" and "upstroke" along the top of a panel where they fit."""
    down = downstroke(cycle)
    edges = [0.0, *(edge for interval in down for edge in interval), 2.0 * np.pi]
    up = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    for name, intervals in (("downstroke", down), ("upstroke", up)):
        widest = max(intervals, key=lambda interval: interval[1] - interval[0], default=(0.0, 0.0))
        if not down or np.degrees(widest[1] - widest[0]) < 70.0:
            continue
        axes.text(
            np.degrees(0.5 * (widest[0] + widest[1])), 0.985, name, ha="center", va="top",
            transform=axes.get_xaxis_transform(), fontsize=8.0, color=FADED,
        )  # fmt: skip


def trace(axes: Axes, curves: list[Curve], phase: Array, mean: float = math.nan) -> None:
    """Draw curves over one closed stroke, named at their ends, and the zero line if in range.

    Phases in rad, shape (n,); a finite `mean` is drawn as a dotted line.
    """
    degrees = np.append(np.degrees(phase), 360.0)
    for order, curve in enumerate(curves):
        style = curve.line.drawn(degrees.size, 0.5 * order)
        axes.plot(degrees, closed(curve.values), zorder=3 + order, **style)
    axes.set_ylim(_limits(*finite_range(*(curve.values for curve in curves))))
    if axes.get_ylim()[0] < 0.0 < axes.get_ylim()[1]:
        zero_line(axes)
    entries = [(curve.text, float(curve.values[0]), curve.line.ink) for curve in curves]
    if math.isfinite(mean):
        axes.axhline(mean, color=BOTH.color, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
        entries.append(("mean", mean, FADED))
    spread_labels(axes, entries)


def _limits(low: float, high: float) -> tuple[float, float]:
    """Limits of the vertical axis: room for text above; from zero if zero is near."""
    room = (high - low) or abs(high) or 1.0
    if 0.0 <= low < 0.4 * high:
        return 0.0, high + 0.16 * high
    return low - 0.06 * room, high + 0.16 * room


def schedule_panels(cycle: Cycle) -> list[SchedulePanel]:
    """Plunge, twist, sweep and heave, without curves that are zero throughout."""
    two = cycle.case.wing.outer is not None
    motion = cycle.series
    inner, outer = motion["inner_plunge_deg"], motion["outer_plunge_deg"]
    plunge = [Curve("inner" if two else "wing", inner, INNER)]
    if two:
        plunge += [
            Curve("outer, relative\nto inner", outer, OUTER),
            Curve("outer, relative\nto body", inner + outer, _THIN_OUTER),
        ]
    sweep = [Curve("outer", motion["outer_sweep_deg"], OUTER)]
    heave = [Curve("wing", motion["heave_m"], BOTH)]
    panels = [
        SchedulePanel("Plunge, tip up", label("inner_plunge_deg", "plunge"), plunge),
        SchedulePanel(
            "Twist, nose up", label("inner_twist_tip_deg", "twist"), _twist_curves(cycle, two)
        ),
        SchedulePanel("Sweep of the outer segment, aft", label("outer_sweep_deg", "sweep"), sweep),
        SchedulePanel("Heave of the whole wing", label("heave_m", "heave"), heave),
    ]
    kept = [
        panel._replace(curves=[curve for curve in panel.curves if np.any(curve.values != 0.0)])
        for panel in panels
    ]
    return [panel for panel in kept if panel.curves] or [panels[0]._replace(curves=plunge[:1])]


def _twist_curves(cycle: Cycle, two: bool) -> list[Curve]:
    motion = cycle.series
    inner_root, inner_tip = motion["inner_twist_root_deg"], motion["inner_twist_tip_deg"]
    outer_root, outer_tip = motion["outer_twist_root_deg"], motion["outer_twist_tip_deg"]
    if not two:
        if np.array_equal(inner_root, inner_tip):
            return [Curve("whole wing", inner_tip, INNER)]
        return [Curve("root", inner_root, _THIN_INNER), Curve("tip", inner_tip, INNER)]
    curves = [Curve("root", inner_root, _THIN_INNER)]
    if np.allclose(inner_tip, outer_root, rtol=0.0, atol=1e-6):
        curves.append(Curve("wrist", inner_tip, INNER))
    else:
        curves += [
            Curve("wrist, inner side", inner_tip, INNER),
            Curve("wrist, outer side", outer_root, _THIN_OUTER),
        ]
    return [*curves, Curve("tip", outer_tip, OUTER)]


def schedule(axes: Axes, cycle: Cycle, panel: SchedulePanel, last: bool = True) -> None:
    """Draw one panel of `schedule_panels`; label the phase if it is the `last` of a column."""
    shade_downstroke(axes, cycle)
    trace(axes, panel.curves, cycle.phase)
    axes.set_title(panel.title)
    axes.set_ylabel(panel.axis)
    phase_axis(axes, last)


# Words in the title and on the vertical axis.
_LOADS = {
    "lift_n": ("Lift", "lift"),
    "thrust_n": ("Net thrust", "net thrust"),
    "aero_power_w": ("Power given to the air", "power"),
}


def load(axes: Axes, cycle: Cycle, name: str, last: bool = True, short: bool = False) -> None:
    """Draw lift, thrust or power (a name of `_LOADS`) through the stroke, by segment and in total.

    The phase is labelled on the `last` panel of a column; a `short` title compares with nothing.
    """
    words, axis = _LOADS[name]
    shade_downstroke(axes, cycle)
    mean = cycle.mean[name]
    shown = mean if moves(cycle.series[name]) else math.nan
    trace(axes, _load_curves(cycle, name), cycle.phase, shown)
    title = f"{words}: mean {with_unit(mean, name, float(np.ptp(cycle.series[name])))}"
    axes.set_title(title if short else title + _compared(cycle, name))
    axes.set_ylabel(label(name, axis))
    phase_axis(axes, last)


def _load_curves(cycle: Cycle, name: str) -> list[Curve]:
    if f"outer_{name}" not in cycle.series:
        return [Curve("both wings", cycle.series[name], BOTH)]
    return [
        Curve("inner", cycle.series[f"inner_{name}"], INNER),
        Curve("outer", cycle.series[f"outer_{name}"], OUTER),
        Curve("both", cycle.series[name], BOTH),
    ]


def _compared(cycle: Cycle, name: str) -> str:
    load_to_carry = weight(cycle.case)
    if name == "lift_n" and load_to_carry > 0.0:
        return f"; weight {number(load_to_carry)} N"
    if name == "thrust_n" and cycle.mean["drag_n"] > 0.0:
        return f"; drag of body and tail {number(cycle.mean['drag_n'])} N"
    return ""
