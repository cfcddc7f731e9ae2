"""Panels over the span of the starboard wing: maps over span and phase, mean loads, outline."""

from __future__ import annotations

import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.phase_panels import closed, phase_axis
from flapsim.show.posture import downstroke
from flapsim.show.style import (
    BOTH,
    CONTOUR_MAP,
    FADED,
    HALO,
    INK,
    INNER,
    OUTER,
    ROUNDING,
    Line,
    finite_range,
    label,
    note,
    spread_labels,
    zero_line,
)

Array = NDArray[np.float64]

STALLED = 0.5
"""Attached fraction of the chord below which a strip is hatched as stalled."""

# A larger range of incidence, degrees, has jumped between -180 and 180: no contours there.
_FULL_TURN = 270.0

# White where the flow is attached, and light enough for hatching to show.
_ATTACHED = LinearSegmentedColormap.from_list("attached", ["#8c8c8c", "#ffffff"])


def _segments(cycle: Cycle) -> list[tuple[NDArray[np.bool_], Array]]:
    """Strips segment by segment: a mask of them and their edges along the span, m."""
    hinge = cycle.case.craft.shoulder_offset_m
    segments = []
    for segment in np.unique(cycle.strips["segment"]):
        own = cycle.strips["segment"] == segment
        edges = hinge + np.concatenate([[0.0], np.cumsum(cycle.strips["width_m"][own])])
        segments.append((own, edges))
        hinge = float(edges[-1])
    return segments


def reach(cycle: Cycle) -> float:
    """Distance from the plane of symmetry to the tip with the wing stretched out, m."""
    return float(_segments(cycle)[-1][1][-1])


def _wrist(cycle: Cycle) -> float | None:
    """Distance of the wrist from the plane of symmetry, m; None for a one-segment wing."""
    if cycle.case.wing.outer is None:
        return None
    return cycle.case.craft.shoulder_offset_m + cycle.case.wing.inner.length_m


def span_map(axes: Axes, cycle: Cycle, name: str, title: str, last: bool = True) -> ScalarMappable:
    """Map a quantity of the strips over phase and span, with the stalled part hatched.

    The phase is labelled on the `last` panel of a column. Returns what a colour bar needs.
    """
    field = cycle.strips[name]
    flow = name == "attached_fraction"
    low, high = (0.0, 1.0) if flow else finite_range(field)
    if high - low <= 1e-9 * max(abs(low), abs(high), 1e-12):
        low, high = low - 0.5 * (abs(low) or 1.0), high + 0.5 * (abs(high) or 1.0)
    norm, colors = Normalize(low, high), _ATTACHED if flow else CONTOUR_MAP
    step = 360.0 / len(cycle.phase)
    edge_phase = np.concatenate([[0.0], step * (np.arange(len(cycle.phase)) + 0.5), [360.0]])
    for own, edges in _segments(cycle):
        axes.pcolormesh(
            edge_phase, edges, np.ma.masked_invalid(closed(field[own])), norm=norm, cmap=colors,
            rasterized=True, shading="flat",
        )  # fmt: skip
    if not flow and not (name == "incidence_deg" and high - low > _FULL_TURN):
        _level_lines(axes, cycle, field, low, high)
    elif np.all(field >= 0.995):
        axes.text(180.0, float(np.mean(axes.get_ylim())), "attached", ha="center", va="center")
    _stalled(axes, cycle)
    _marks(axes, cycle)
    axes.set_title(title, pad=13.0)
    axes.set_ylabel(label("span_position_m", "span position"))
    phase_axis(axes, last)
    return ScalarMappable(norm, colors)


def _level_lines(axes: Axes, cycle: Cycle, field: Array, low: float, high: float) -> None:
    """Draw labelled contours, segment by segment: none crosses the wrist."""
    levels = np.asarray(MaxNLocator(6).tick_values(low, high))
    # A contour near the extremes would be smaller than its label.
    edge = 0.04 * (high - low)
    levels = levels[(levels > low + edge) & (levels < high - edge)]
    phase = np.append(np.degrees(cycle.phase), 360.0)
    for own, _ in _segments(cycle):
        values = np.ma.masked_invalid(closed(field[own]))
        if np.ptp(values.compressed() if values.count() else [0.0]) < 0.02 * (high - low):
            continue
        lines = axes.contour(
            phase, cycle.strips["span_position_m"][own], values,
            levels=levels, linewidths=np.where(levels == 0.0, 1.6, 0.8).tolist(),
            colors="white", negative_linestyles="dashed",
        )  # fmt: skip
        for text in axes.clabel(lines, fontsize=7.0, fmt=_level_text):
            if _at_edge(axes, text):
                text.remove()
            text.set_path_effects([effects.withStroke(linewidth=2.0, foreground=INK)])


def _at_edge(axes: Axes, text: Text) -> bool:
    """Whether a text in data coordinates would stick out of the panel."""
    across, up = axes.transAxes.inverted().transform(axes.transData.transform(text.get_position()))
    return not (0.03 < across < 0.97 and 0.05 < up < 0.95)


def _level_text(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _stalled(axes: Axes, cycle: Cycle) -> None:
    """Hatch and outline where less than half of the chord is attached."""
    phase = np.append(np.degrees(cycle.phase), 360.0)
    for own, edges in _segments(cycle):
        values = closed(cycle.strips["attached_fraction"][own])
        if not np.any(values < STALLED):
            continue
        # Extended to the ends of the segment, so that the hatching has no gap there.
        span = np.concatenate([edges[:1], cycle.strips["span_position_m"][own], edges[-1:]])
        values = np.concatenate([values[:1], values, values[-1:]])
        for color, width in (("white", 2.6), (INK, 1.2)):
            axes.contour(phase, span, values, levels=[STALLED], colors=color, linewidths=width)
        axes.contourf(phase, span, values, levels=[-1.0, STALLED], colors="none", hatches=["////"])


def _marks(axes: Axes, cycle: Cycle) -> None:
    """Mark the wrist by a line and the downstroke by a bar above the map."""
    at = _wrist(cycle)
    if at is not None:
        axes.axhline(at, color=INK, linewidth=1.0, path_effects=HALO)
        note(axes, "wrist", (360.0, at), (3.0, 0.0), fontsize=7.5, va="center")
    above = axes.get_xaxis_transform()
    down = np.degrees(downstroke(cycle))
    for interval in down:
        axes.plot(
            interval, [1.04, 1.04], color=FADED, linewidth=2.4, transform=above, clip_on=False,
            solid_capstyle="butt",
        )  # fmt: skip
    if down.size:
        right = down[-1][1] < 290.0
        axes.text(
            down[-1][1] + 5.0 if right else max(down[0][0] - 5.0, 62.0), 1.04, "downstroke",
            ha="left" if right else "right", va="center", fontsize=7.5, color=FADED,
            transform=above, path_effects=HALO,
        )  # fmt: skip


_DOWN = Line(FADED, "-", "v", 1.2, FADED)
_UP = Line(FADED, (0, (4, 2)), "^", 1.2, FADED)


def _parts(cycle: Cycle) -> list[tuple[str, NDArray[np.bool_], Line]]:
    """Parts of the stroke over which means are taken: name, instants and line style."""
    down = np.zeros(len(cycle.phase), dtype=bool)
    for begin, end in downstroke(cycle):
        down |= (cycle.phase >= begin) & (cycle.phase < end)
    whole = ("whole stroke", np.ones_like(down), BOTH._replace(marker="."))
    if not down.any() or down.all():
        return [whole]
    return [whole, ("downstroke", down, _DOWN), ("upstroke", ~down, _UP)]


# Words in the title and on the vertical axis.
_LOADINGS = {
    "lift_n_m": ("Lift", "lift per span"),
    "thrust_n_m": ("Thrust", "thrust per span"),
    "power_w_m": ("Power given to the air", "power per span"),
}


def loading(axes: Axes, cycle: Cycle, name: str) -> None:
    """Mean load per metre of span: over the whole stroke, the downstroke and the upstroke.

    The axes need their final place in the figure; `name` is "lift_n_m", "thrust_n_m" or
    "power_w_m".
    """
    title, words = _LOADINGS[name]
    entries = []
    drawn: list[Array] = []
    for part, instants, line in _parts(cycle):
        mean = cycle.strips[name][:, instants].mean(axis=1)
        mean[np.abs(mean) <= ROUNDING * np.abs(cycle.strips[name]).max()] = 0.0
        if drawn and np.allclose(mean, drawn[0], rtol=1e-3, atol=0.0):
            continue  # both half strokes are like the whole
        drawn.append(mean)
        style = line.drawn(1) | {"zorder": 3 if len(drawn) == 1 else 2}
        for own, _ in _segments(cycle):
            axes.plot(cycle.strips["span_position_m"][own], mean[own], **style)
        entries.append((part, float(mean[-1]), line.ink))
    low, high = finite_range(*drawn, 0.0)
    room = (high - low) or 1.0
    axes.set_ylim(low - 0.08 * room, high + 0.12 * room)
    zero_line(axes)
    _span_axis(axes, cycle)
    axes.set_title(title)
    axes.set_ylabel(label(name, words))
    axes.tick_params(axis="x", labelbottom=False)
    spread_labels(axes, entries)


def _span_axis(axes: Axes, cycle: Cycle) -> None:
    """Set the horizontal axis from the plane of symmetry to the tip and mark the hinges."""
    axes.set_xlim(0.0, reach(cycle))
    for hinge in (cycle.case.craft.shoulder_offset_m, _wrist(cycle)):
        if hinge is not None and hinge > 0.0:
            axes.axvline(hinge, color=FADED, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)


def planform(axes: Axes, cycle: Cycle) -> None:
    """Outline of one half wing from above, to scale, with twist axis and hinges."""
    wing = cycle.case.wing
    start = cycle.case.craft.shoulder_offset_m
    if wing.outer is not None:
        segments = [(wing.inner, "inner segment", INNER), (wing.outer, "outer segment", OUTER)]
    else:
        segments = [(wing.inner, "half wing", INNER)]
    deepest = 0.0
    for segment, name, line in segments:
        at, chord = np.array(segment.chord_m, dtype=np.float64).T
        span = start + at * segment.length_m
        ahead, behind = wing.twist_axis * chord, (wing.twist_axis - 1.0) * chord
        axes.fill_between(span, behind, ahead, facecolor=line.color, alpha=0.22, linewidth=0)
        axes.plot(span, ahead, color=INK, linewidth=1.4)
        around = np.concatenate([ahead[:1], behind, ahead[-1:]])
        axes.plot([span[0], *span, span[-1]], around, color=INK, linewidth=1.0)
        axes.text(
            0.5 * (span[0] + span[-1]), 0.5 * (ahead.max() + behind.min()), name,
            ha="center", va="center", fontsize=8.5,
        )  # fmt: skip
        deepest = max(deepest, float(chord.max()))
        start = float(span[-1])
    axes.axhline(0.0, color=FADED, linewidth=0.9, linestyle=(0, (6, 2, 1, 2)))
    axes.annotate(
        "twist axis", (1.0, 0.0), xytext=(1.035, 0.0), xycoords=("axes fraction", "data"),
        textcoords=("axes fraction", "data"), va="center", fontsize=8.5, color=FADED,
        annotation_clip=False,
    )  # fmt: skip
    axes.set_ylim((wing.twist_axis - 1.05) * deepest, (wing.twist_axis + 0.05) * deepest)
    _span_axis(axes, cycle)
    axes.set_title("Outline from above, leading edge up")
    axes.set_ylabel("along the chord (m)")
    axes.set_xlabel(label("span_position_m", "distance from the plane of symmetry"))
