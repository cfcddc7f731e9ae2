"""The figures of one stroke: which panels stand where on the page, and the page as a file.

What a panel shows is decided in the modules of panels; names are in `flapsim.show.kinds`.
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

from flapsim.case import Case
from flapsim.cycle.simulate import Cycle
from flapsim.half_wing.twist.half_wing import half_wing
from flapsim.half_wing.twist.margins import stability_margins
from flapsim.half_wing.twist.report import compliant
from flapsim.show import twist_panels
from flapsim.show.kinds import KINDS
from flapsim.show.margin_panels import frequency, growth
from flapsim.show.phase_panels import load, name_strokes, schedule, schedule_panels
from flapsim.show.posture_panel import posture
from flapsim.show.power_panels import bar_ends, splits, watts
from flapsim.show.span_panels import loading, planform, reach, span_map
from flapsim.show.style import (
    FADED,
    label,
    number,
    panel_at,
    save,
    styled,
    titled_page,
    with_unit,
)
from flapsim.wing.body import weight

# Inches around and between panels.
_TOP = 0.78
_BOTTOM = 0.52
_LEFT = 0.78
_RIGHT = 1.25
_GAP = 0.42

_LOADS = ("lift_n", "thrust_n", "aero_power_w")


def draw(cycle: Cycle, kind: str, path: str | Path) -> None:
    """Draw a figure of a stroke into a file; errors as of `figure` and `style.save`."""
    save(figure(cycle, kind), path)


def figure(cycle: Cycle, kind: str) -> Figure:
    """Draw a figure of a stroke, one of `flapsim.show.kinds.KINDS`.

    Raises a ValueError if the kind is not known, or needs a compliant twist that the wing does not
    have.
    """
    if kind not in KINDS:
        raise ValueError(f"expected one of the figures {', '.join(KINDS)}, found {kind}")
    check_twist(cycle.case, kind)
    with styled():
        return _PAGES[kind](cycle)


def check_twist(case: Case, kind: str) -> None:
    """Raise a ValueError if a kind of figure needs a compliant twist that the case does not have.

    Known before anything is simulated.
    """
    if not KINDS[kind].compliant:
        return
    needs = f'the figure "{kind}" needs a compliant twist'
    if not any(compliant(case)):
        raise ValueError(
            f'{case.name}: every twist is driven; {needs} (mode = "passive" or "servo")'
        )
    if kind == "margin" and not half_wing(case).parts:
        raise ValueError(f"{case.name}: the actuator is rigid; {needs}")


# --- pages ---------------------------------------------------------------------------------------


def _column(
    cycle: Cycle, subtitle: str, heights: Sequence[float], width: float = 8.0
) -> tuple[Figure, list[Axes]]:
    """Page with a column of panels of these heights, inches, as wide as the page allows."""
    tall = _TOP + sum(heights) + _GAP * (len(heights) - 1) + _BOTTOM
    page = titled_page(width, tall, cycle.case.title, subtitle)
    panels, top = [], _TOP
    for height in heights:
        panels.append(panel_at(page, _LEFT, top, width - _LEFT - _RIGHT, height))
        top += height + _GAP
    return page, panels


def _stroke(cycle: Cycle) -> Figure:
    """Plunge, twist, sweep and heave against stroke phase."""
    shown = schedule_panels(cycle)
    subtitle = f"Motion of the wing, {number(cycle.case.stroke.frequency_hz)} strokes per second"
    page, panels = _column(cycle, subtitle, [1.9] * len(shown))
    for axes, panel in zip(panels, shown, strict=True):
        schedule(axes, cycle, panel, last=axes is panels[-1])
    name_strokes(panels[0], cycle)
    page.align_ylabels(panels)
    return page


def _loads(cycle: Cycle) -> Figure:
    """Lift, thrust and power against stroke phase, by segment and in total."""
    page, panels = _column(cycle, "Loads and power through one stroke, both wings", [2.0] * 3)
    for axes, name in zip(panels, _LOADS, strict=True):
        load(axes, cycle, name, last=axes is panels[-1])
    name_strokes(panels[0], cycle)
    page.align_ylabels(panels)
    return page


_MAPS = (
    ("incidence_deg", "Effective incidence", "incidence"),
    ("normal_force_n_m", "Force normal to the chord", "force per span"),
    ("thrust_n_m", "Thrust", "thrust per span"),
    ("attached_fraction", "", "attached fraction"),
)
"""Strip quantity, title and words on the colour bar of each map."""


def _maps(cycle: Cycle) -> Figure:
    """Maps over stroke phase and span: incidence, normal force, thrust, attached fraction."""
    page = titled_page(11.0, 6.6, cycle.case.title, "Starboard wing: span against stroke phase")
    width, height = 3.65, 2.2
    for index, (name, title, words) in enumerate(_MAPS):
        row, column = divmod(index, 2)
        left, top = _LEFT + column * 5.45, _TOP + 0.15 + row * 2.85
        axes = panel_at(page, left, top, width, height)
        scale = span_map(axes, cycle, name, title or _attachment(cycle), last=row == 1)
        _colour_bar(page, (left + width + 0.4, top, 0.12, height), scale, label(name, words))
    return page


def _colour_bar(
    page: Figure, place: tuple[float, float, float, float], scale: ScalarMappable, words: str
) -> None:
    """Draw the colour bar of a map; place in inches, as for `panel_at`."""
    bar = page.colorbar(scale, cax=panel_at(page, *place), ticks=MaxNLocator(6))
    bar.set_label(words)
    bar.outline.set(linewidth=0.5, edgecolor=FADED)


def _attachment(cycle: Cycle) -> str:
    """Title of the map of attached flow: how much of the wing is stalled."""
    attached = cycle.strips["attached_fraction"]
    if not np.any(np.isfinite(attached)):
        return "Attached fraction of the chord: no value"
    least = float(np.nanmin(attached))
    if least >= 0.995:
        return "Flow attached everywhere"
    if least >= 0.5:
        return f"Attached fraction of the chord, at least {least:.2f}"
    return (
        f"Hatched: stalled, {number(100.0 * cycle.check['stalled_fraction'])} % of wing and stroke"
    )


def _span(cycle: Cycle) -> Figure:
    """Mean lift, thrust and power per metre of span, above the outline of the wing."""
    width = 6.9
    wing = cycle.case.wing
    segments = [segment for segment in (wing.inner, wing.outer) if segment is not None]
    deepest = max(chord for segment in segments for _, chord in segment.chord_m)
    # The outline is drawn to scale: its height follows from the span.
    scale = (width - _LEFT - _RIGHT) / reach(cycle)
    subtitle = "Mean loads per metre of span, one wing"
    if wing.outer is not None or cycle.case.craft.shoulder_offset_m > 0.0:
        subtitle += "; dotted: hinges"
    page, panels = _column(cycle, subtitle, [1.5, 1.5, 1.5, 1.1 * deepest * scale], width)
    for axes, name in zip(panels, ("lift_n_m", "thrust_n_m", "power_w_m"), strict=False):
        loading(axes, cycle, name)
    planform(panels[3], cycle)
    page.align_ylabels(panels)
    return page


def _watts(cycle: Cycle) -> Figure:
    """Power given to the air, its losses and the thrust power left over, by segment."""
    shown = splits(cycle)
    each = 2.75 if len(shown) > 1 else 4.4
    left = 1.3
    page = titled_page(
        left + len(shown) * (each + 0.2) + 0.1, 3.5, cycle.case.title,
        "Mean power given to the air, less wake and profile losses, leaves thrust × airspeed",
    )  # fmt: skip
    for index, split in enumerate(shown):
        axes = panel_at(page, left + index * (each + 0.2), 0.85, each, 2.1)
        watts(axes, split, bar_ends(shown), named=index == 0, shares=index == 0)
        axes.set_title(split.name[0].upper() + split.name[1:])
    return page


def _twist(cycle: Cycle) -> Figure:
    """A compliant twist: response, moments, phase portrait, Floquet multipliers."""
    segments = twist_panels.compliant_segments(cycle)
    each, gap, wide, square = 2.05, 0.66, 4.6, 2.35
    rows, squares = 2 * len(segments), len(segments) + bool(cycle.multipliers.size)
    tall = rows * each + (rows - 1) * gap
    right = _LEFT + wide + 1.75
    page = titled_page(
        right + square + 0.25, _TOP + tall + _BOTTOM, cycle.case.title,
        "Compliant twist: command or spring rest position, response, and the moments behind it",
    )  # fmt: skip
    left = [panel_at(page, _LEFT, _TOP + row * (each + gap), wide, each) for row in range(rows)]
    # Squares share the height of the panels beside them.
    pitch = (tall + gap) / squares
    column = [panel_at(page, right, _TOP + index * pitch, square, each) for index in range(squares)]
    for index, segment in enumerate(segments):
        twist_panels.tracking(left[2 * index], cycle, segment)
        twist_panels.moments(left[2 * index + 1], cycle, segment, last=segment == segments[-1])
        twist_panels.portrait(column[index], cycle, segment)
    if squares > len(segments):
        twist_panels.multipliers(column[-1], cycle)
    name_strokes(left[0], cycle)
    page.align_ylabels(left)
    return page


def _margin(cycle: Cycle) -> Figure:
    """Growth rate and frequency of disturbances of the wing held still, against airspeed."""
    case = cycle.case
    still = stability_margins(case, half_wing(case))
    page, panels = _column(
        cycle, "Wing held still at the mean of its stroke: disturbances of the twist", [2.6, 1.3]
    )
    growth(panels[0], still, case.flight.airspeed_m_s)
    frequency(panels[1], still, case.flight.airspeed_m_s, case.stroke.frequency_hz)
    page.align_ylabels(panels)
    return page


# --- overview ------------------------------------------------------------------------------------


def _overview(cycle: Cycle) -> Figure:
    """One page for the whole stroke: motion, loads, incidence and power balance."""
    notes = [line for text in cycle.notes for line in textwrap.wrap(f"Warning: {text}", 135)]
    case = cycle.case
    page = titled_page(
        9.35, 7.55 + 0.17 * len(notes), case.title,
        f"One stroke at {number(case.flight.airspeed_m_s)} m/s,"
        f" {number(case.stroke.frequency_hz)} strokes per second",
    )  # fmt: skip
    posture(panel_at(page, 0.15, 0.88, 5.3, 1.85), cycle)
    _means(page, 5.75, 0.78, cycle)
    panels = [panel_at(page, 0.8, 3.08 + index * 1.42, 3.27, 1.1) for index in range(3)]
    for axes, name in zip(panels, _LOADS, strict=True):
        load(axes, cycle, name, last=axes is panels[-1], short=True)
    name_strokes(panels[0], cycle)
    page.align_ylabels(panels)
    axes = panel_at(page, 5.75, 3.16, 2.5, 1.5)
    scale = span_map(axes, cycle, "incidence_deg", "Effective incidence, starboard wing")
    _colour_bar(page, (8.61, 3.16, 0.09, 1.5), scale, label("incidence_deg", "incidence"))
    axes = panel_at(page, 6.1, 5.57, 3.1, 1.45)
    whole = splits(cycle)[:1]
    watts(axes, whole[0], bar_ends(whole), shares=True)
    axes.set_title("Power balance")
    across, down = page.get_figwidth(), page.get_figheight()
    for row, line in enumerate(reversed(notes)):
        place = (0.15 / across, (0.1 + 0.17 * row) / down)
        page.text(*place, line, fontsize=8.0, color=FADED)
    return page


def _means(page: Figure, left: float, top: float, cycle: Cycle) -> None:
    """Write the means of a stroke as a small table, inches from the top left corner."""
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


_PAGES: dict[str, Callable[[Cycle], Figure]] = {
    "overview": _overview,
    "stroke": _stroke,
    "loads": _loads,
    "maps": _maps,
    "span": _span,
    "watts": _watts,
    "twist": _twist,
    "margin": _margin,
}
