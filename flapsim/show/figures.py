"""Figures of a cycle, one page each.

Answers: which pictures there are, how their panels stand on the page, and how a page becomes a
PNG, SVG or PDF file. What a panel shows is decided in the modules of panels.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from flapsim.cycle.simulate import Cycle
from flapsim.half_wing.twist.half_wing import half_wing
from flapsim.half_wing.twist.still import still_wing
from flapsim.show.phase_panels import load, name_strokes, schedule, schedule_panels
from flapsim.show.posture_panel import posture
from flapsim.show.power_panels import bar_ends, splits, watts
from flapsim.show.span_panels import loading, planform, span_map, strip_edges
from flapsim.show.style import FADED, SUFFIXES, blank_figure, label, number, save, styled, with_unit
from flapsim.show.twist_panels import (
    free_segments,
    growth,
    moments,
    multipliers,
    portrait,
    swing,
    tracking,
)
from flapsim.wing.body import weight

__all__ = ["KINDS", "SUFFIXES", "draw"]

# Inches around and between panels.
_TOP = 0.78
_BOTTOM = 0.52
_LEFT = 0.78
_RIGHT = 1.25


def draw(cycle: Cycle, kind: str, path: str | Path) -> None:
    """Draw a figure of a cycle into a file.

    Parameters
    ----------
    cycle : Cycle
        What `flapsim.simulate` or `flapsim.read_cycle` returned.
    kind : str
        One of `KINDS`.
    path : str or Path
        File name ending in one of `SUFFIXES`.

    Raises
    ------
    ValueError
        If the kind or the ending of the file name is none of those; the message lists them. If
        the kind is about a twist that gives way, and nothing does.
    """
    if kind not in KINDS:
        raise ValueError(f"{kind}: no such figure, one of {', '.join(KINDS)} expected")
    if Path(path).suffix.lower() not in SUFFIXES:
        raise ValueError(f"{path}: a figure is written as {', '.join(SUFFIXES)}")
    save(KINDS[kind](cycle), path)


def _page(width: float, height: float, cycle: Cycle, what: str) -> Figure:
    """Return a blank page in inches, headed by the title of the case and what the page shows."""
    page = blank_figure(width, height)
    left = 0.15 / width
    page.text(left, 1.0 - 0.2 / height, cycle.case.title, fontsize=12, weight="bold", va="center")
    page.text(left, 1.0 - 0.43 / height, what, fontsize=9.0, color=FADED, va="center")
    return page


def _panel(page: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Return axes placed in inches from the top left-hand corner of the page."""
    across, down = page.get_figwidth(), page.get_figheight()
    return page.add_axes(
        (left / across, 1.0 - (top + height) / down, width / across, height / down)
    )


def _column(page: Figure, heights: Sequence[float], gap: float = 0.42) -> list[Axes]:
    """Return a column of panels of these heights in inches, as wide as the page allows."""
    width = page.get_figwidth() - _LEFT - _RIGHT
    top = _TOP
    panels = []
    for height in heights:
        panels.append(_panel(page, _LEFT, top, width, height))
        top += height + gap
    return panels


def _column_height(heights: Sequence[float], gap: float = 0.42) -> float:
    return _TOP + sum(heights) + gap * (len(heights) - 1) + _BOTTOM


def stroke(cycle: Cycle) -> Figure:
    """Schedules of plunge, twist, sweep and heave against stroke phase.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        shown = schedule_panels(cycle)
        heights = [1.9] * len(shown)
        frequency = number(cycle.case.stroke.frequency_hz)
        what = f"The motion asked for, {frequency} strokes a second"
        page = _page(8.0, _column_height(heights), cycle, what)
        panels = _column(page, heights)
        for axes, panel in zip(panels, shown, strict=True):
            schedule(axes, cycle, panel, last=axes is panels[-1])
        name_strokes(panels[0], cycle)
        page.align_ylabels(panels)
    return page


def loads(cycle: Cycle) -> Figure:
    """Lift, thrust and power against stroke phase, by segment and in total.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        heights = [2.0, 2.0, 2.0]
        page = _page(
            8.0, _column_height(heights), cycle, "Loads and power through one stroke, both wings"
        )
        panels = _column(page, heights)
        for axes, name in zip(panels, ("lift_n", "thrust_n", "aero_power_w"), strict=True):
            load(axes, cycle, name, last=axes is panels[-1])
        name_strokes(panels[0], cycle)
        page.align_ylabels(panels)
    return page


# Maps: name of the strip field, title, words on the colour bar.
_MAPS = (
    ("incidence_deg", "Effective incidence", "incidence"),
    ("normal_force_n_m", "Force normal to the chord", "force per span"),
    ("thrust_n_m", "Thrust", "thrust per span"),
    ("attached_fraction", "Attached part of the chord", "attached part"),
)


def maps(cycle: Cycle) -> Figure:
    """Maps over stroke phase and span: incidence, normal force, thrust, attached part of the chord.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        page = _page(
            11.0, 6.6, cycle,
            "Starboard wing: span against stroke phase",
        )  # fmt: skip
        width, height = 3.65, 2.2
        for index, (name, title, words) in enumerate(_MAPS):
            left = _LEFT + (index % 2) * 5.45
            top = _TOP + 0.15 + (index // 2) * 2.85
            axes = _panel(page, left, top, width, height)
            if name == "attached_fraction":
                title = _attachment_title(cycle)
            scale = span_map(axes, cycle, name, title, last=index >= 2)
            _colour_bar(page, (left + width + 0.4, top, 0.12, height), scale, label(name, words))
    return page


def _colour_bar(
    page: Figure, place: tuple[float, float, float, float], scale: ScalarMappable, words: str
) -> None:
    """Draw what the colours of a map stand for; place in inches, as for `_panel`."""
    bar = page.colorbar(scale, cax=_panel(page, *place), ticks=MaxNLocator(6))
    bar.set_label(words)
    bar.outline.set(linewidth=0.5, edgecolor=FADED)


def _attachment_title(cycle: Cycle) -> str:
    attached = cycle.strips["attached_fraction"]
    if not np.any(np.isfinite(attached)):
        return "Attached part of the chord: no value"
    least = float(np.nanmin(attached))
    if least >= 0.995:
        return "Flow attached everywhere, at all times"
    if least >= 0.5:
        return f"Attached part of the chord, at least {least:.2f}"
    stalled = 100.0 * cycle.check["stalled_fraction"]
    return f"Stalled: hatched, {number(stalled)} % of wing and stroke"


def span(cycle: Cycle) -> Figure:
    """Outline of the wing, and mean lift, thrust and power per metre along its span.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        width = 6.9
        wing = cycle.case.wing
        hinged = wing.outer is not None or cycle.case.craft.shoulder_offset_m > 0.0
        deepest = max(
            chord
            for segment in (wing.inner, wing.outer)
            if segment is not None
            for _, chord in segment.chord_m
        )
        # The outline is drawn to scale: its height follows from the span.
        across = width - _LEFT - _RIGHT
        tall = 1.1 * deepest / float(strip_edges(cycle)[-1][-1]) * across
        heights = [1.5, 1.5, 1.5, tall]
        page = _page(
            width, _column_height(heights), cycle,
            "Mean loads per metre of span, one wing" + ("; dotted lines: hinges" if hinged else ""),
        )  # fmt: skip
        panels = _column(page, heights)
        rows = (
            ("lift_n_m", "Lift along the span", "lift per span"),
            ("thrust_n_m", "Thrust along the span", "thrust per span"),
            ("power_w_m", "Power given to the air along the span", "power per span"),
        )
        for axes, (name, title, words) in zip(panels[:3], rows, strict=True):
            loading(axes, cycle, name, title, words)
            axes.tick_params(axis="x", labelbottom=False)
        planform(panels[3], cycle)
        page.align_ylabels(panels)
    return page


def where_the_watts_go(cycle: Cycle) -> Figure:
    """Where the watts go: from the power given to the air to thrust, by segment.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        shown = splits(cycle)
        each = 2.75 if len(shown) > 1 else 4.4
        left = 1.3
        page = _page(
            left + len(shown) * (each + 0.2) + 0.1, 3.5, cycle,
            "Where the watts go: each loss steps down from the power given to the air",
        )  # fmt: skip
        scale = bar_ends(shown)
        for index, split in enumerate(shown):
            axes = _panel(page, left + index * (each + 0.2), 0.85, each, 2.1)
            watts(axes, split, scale, named=index == 0, shares=index == 0)
            axes.set_title(split.name[0].upper() + split.name[1:])
    return page


def twist(cycle: Cycle) -> Figure:
    """A twist that a spring or an actuator decides: motion, moments, portrait, multipliers.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If every twist is driven.
    """
    free = free_segments(cycle)
    if not free:
        raise ValueError(f"{cycle.case.name}: {_NOTHING_FREE}; there is no twist to compare")
    with styled():
        each, gap, wide = 2.05, 0.66, 4.6
        squares = len(free) + bool(cycle.multipliers.size)
        rows = 2 * len(free)
        tall = rows * each + (rows - 1) * gap
        page = _page(
            _LEFT + wide + 1.75 + 2.35 + 0.25, _TOP + tall + _BOTTOM, cycle,
            "Twist that is not driven: what is asked for, what the wing does, and what decides it",
        )  # fmt: skip
        left = []
        for index, segment in enumerate(free):
            for row, draw_panel in enumerate((tracking, moments)):
                top = _TOP + (2 * index + row) * (each + gap)
                left.append(_panel(page, _LEFT, top, wide, each))
                draw_panel(left[-1], cycle, segment)
        name_strokes(left[0], cycle)
        page.align_ylabels(left)
        # Squares share the height of the panels beside them.
        pitch = (tall + gap) / max(squares, 1)
        for index in range(squares):
            axes = _panel(page, _LEFT + wide + 1.75, _TOP + index * pitch, 2.35, each)
            if index < len(free):
                portrait(axes, cycle, free[index])
            else:
                multipliers(axes, cycle)
    return page


def margin(cycle: Cycle) -> Figure:
    """Growth of a departure of the wing held still against airspeed: divergence and flutter.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If nothing gives way.
    """
    half = half_wing(cycle.case)
    if not half.parts:
        why = "an actuator without compliance holds it" if free_segments(cycle) else _NOTHING_FREE
        raise ValueError(f"{cycle.case.name}: {why}; there is no margin to draw")
    still = still_wing(cycle.case, half)
    case = cycle.case
    with styled():
        heights = [2.6, 1.3]
        page = _page(
            8.0, _column_height(heights), cycle,
            "The wing held still in the stream at the mean of its stroke, faster and faster",
        )  # fmt: skip
        panels = _column(page, heights)
        growth(panels[0], still, case.flight.airspeed_m_s)
        swing(panels[1], still, case.flight.airspeed_m_s, case.stroke.frequency_hz)
        page.align_ylabels(panels)
    return page


_NOTHING_FREE = 'every twist is driven (mode = "driven"), nothing gives way'


def overview(cycle: Cycle) -> Figure:
    """One page for the whole cycle: motion, loads, incidence, and where the watts go.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    Figure
    """
    with styled():
        notes = [line for note in cycle.notes for line in textwrap.wrap(f"Distrust: {note}", 135)]
        page = _page(9.35, 7.55 + 0.17 * len(notes), cycle, _flight(cycle))
        posture(_panel(page, 0.15, 0.88, 5.3, 1.85), cycle)
        _means(page, 5.75, 0.78, cycle)
        panels = [_panel(page, 0.8, 3.08 + index * 1.42, 3.27, 1.1) for index in range(3)]
        for axes, name in zip(panels, ("lift_n", "thrust_n", "aero_power_w"), strict=True):
            load(axes, cycle, name, last=axes is panels[-1], short=True)
        name_strokes(panels[0], cycle)
        page.align_ylabels(panels)
        axes = _panel(page, 5.75, 3.16, 2.5, 1.5)
        scale = span_map(axes, cycle, "incidence_deg", "Effective incidence, starboard wing")
        words = label("incidence_deg", "incidence")
        _colour_bar(page, (8.25 + 0.36, 3.16, 0.09, 1.5), scale, words)
        axes = _panel(page, 6.1, 5.57, 3.1, 1.45)
        whole = splits(cycle)[:1]
        watts(axes, whole[0], bar_ends(whole), shares=True)
        axes.set_title("Where the watts go")
        for row, note in enumerate(reversed(notes)):
            page.text(
                0.15 / page.get_figwidth(), (0.1 + 0.17 * row) / page.get_figheight(), note,
                fontsize=8.0, color=FADED,
            )  # fmt: skip
    return page


def _flight(cycle: Cycle) -> str:
    """Say how fast the craft flies and flaps."""
    case = cycle.case
    return (
        f"One stroke at {number(case.flight.airspeed_m_s)} m/s,"
        f" {number(case.stroke.frequency_hz)} strokes a second"
    )


def _means(page: Figure, left: float, top: float, cycle: Cycle) -> None:
    """Write the means of a cycle as a small table, in inches from the top left-hand corner."""
    mean = cycle.mean
    carried, drag = weight(cycle.case), mean["drag_n"]
    rows = [
        ("Lift", _mean(cycle, "lift_n"), f"weight {number(carried)} N" if carried > 0.0 else ""),
        ("Net thrust", _mean(cycle, "thrust_n"), f"drag {number(drag)} N" if drag > 0.0 else ""),
        ("Power given to the air", _mean(cycle, "aero_power_w"), ""),
        ("Propulsive efficiency", number(mean["propulsive_efficiency"]), ""),
        ("Flapping efficiency", number(mean["flapping_efficiency"]), ""),
        ("Largest incidence", with_unit(cycle.check["incidence_max_deg"], "incidence_max_deg"), ""),
        ("Stalled", f"{100.0 * cycle.check['stalled_fraction']:.0f} %", "of wing and stroke"),
    ]
    across, down = page.get_figwidth(), page.get_figheight()
    page.text(left / across, 1.0 - top / down, "Means over the stroke", fontsize=10, weight="bold")
    for index, (name, value, remark) in enumerate(rows):
        height = 1.0 - (top + 0.27 + 0.235 * index) / down
        page.text(left / across, height, name)
        page.text((left + 2.15) / across, height, value, ha="right", weight="bold")
        page.text((left + 2.27) / across, height, remark, color=FADED, fontsize=8.0)


def _mean(cycle: Cycle, name: str) -> str:
    return with_unit(cycle.mean[name], name, float(np.ptp(cycle.series[name])))


KINDS: dict[str, Callable[[Cycle], Figure]] = {
    "overview": overview,
    "stroke": stroke,
    "loads": loads,
    "maps": maps,
    "span": span,
    "watts": where_the_watts_go,
    "twist": twist,
    "margin": margin,
}
"""Figures by name, each made from a cycle."""
