"""A page that shows the wing at any phase, from ahead and from the side: a frame of an animation.

Positions are the exact motion of the strips, forces those of the cycle. Both views have one scale
of length and one of force.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Polygon
from matplotlib.quiver import Quiver
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.phase_panels import Curve, phase_axis, shade_downstroke, trace
from flapsim.show.posture import Outline, Sections, Side, downstroke, outline, sections
from flapsim.show.posture_panel import BODY, FACE, body_from_ahead, tip_path
from flapsim.show.style import (
    BOTH,
    FADED,
    INK,
    INNER,
    OUTER,
    label,
    number,
    panel_at,
    titled_page,
)

__all__ = ["Film"]

Array = NDArray[np.float64]

_ARROW = "#a01c1c"
_ARROW_STYLE: dict[str, Any] = {
    "angles": "xy", "scale_units": "xy", "scale": 1.0, "color": _ARROW, "width": 0.022,
    "units": "inches", "headwidth": 4.5, "headlength": 5.5, "headaxislength": 5.0,
}  # fmt: skip
_TIP_STYLE: dict[str, Any] = {"color": OUTER.color, "linewidth": 1.1, "linestyle": (0, (4, 2))}

# Strips of each segment that carry an arrow.
_ARROWS = 3

# The longest arrow over the semispan.
_LONGEST = 0.45

# The page and the two views on it, inches: left, top, width, height.
_PAGE = (8.0, 5.0)
_AHEAD = (0.1, 0.68, 4.75, 2.7)
_SIDE = (4.95, 0.68, 2.95, 2.7)

# Inches of their height kept for text and the arrow of known size.
_WORDS = 0.6


class _Half(NamedTuple):
    """One half wing from ahead: per segment its outline, and the face and edge drawn from it."""

    outlines: list[Outline]
    faces: list[Polygon]
    edges: list[Line2D]


class Film:
    """The page and everything on it that moves.

    Parameters
    ----------
    cycle : Cycle
        The stroke.
    frames : int
        Phases that can be shown, evenly spaced from 0.
    slower : float
        How many times slower than in flight it will be shown; for the subtitle.
    """

    def __init__(self, cycle: Cycle, frames: int, slower: float) -> None:
        self.cycle = cycle
        self.tau = 2.0 * np.pi * np.arange(frames) / frames
        self._down = downstroke(cycle)
        self.page = titled_page(*_PAGE, cycle.case.title, self._subtitle(slower))
        right = 1.0 - 0.15 / _PAGE[0]
        self._clock = self.page.text(
            right, 1.0 - 0.2 / _PAGE[1], "", fontsize=10, va="center", ha="right"
        )
        self._wing = _chosen(cycle, sections(cycle, self.tau))
        self._apart = _seen_from_the_side(cycle, len(self._wing.span_position))
        self._reference = _round_reference(self._wing.force)
        self._length = _length_of_force(cycle, self._wing.force)
        ahead, side = panel_at(self.page, *_AHEAD), panel_at(self.page, *_SIDE)
        self._draw_ahead(ahead)
        self._draw_side(side)
        self._frame(ahead, side)
        self._draw_phase()

    def show(self, frame: int) -> None:
        """Move everything to the phase of a frame."""
        self._show_wings(frame)
        self._show_arrows(frame)
        degrees = float(np.degrees(self.tau[frame]))
        for dot, bar, curve in self._cursors:
            dot.set_data([degrees], [curve[frame]])
            bar.set_xdata([degrees, degrees])
        self._clock.set_text(f"phase {degrees:.0f}°{self._direction(frame)}")

    def _show_wings(self, frame: int) -> None:
        for half in self._halves:
            for segment, face, edge in zip(*half, strict=True):
                front, back = segment.leading[:, :, frame], segment.trailing[:, ::-1, frame]
                around = np.concatenate([front, back], axis=1)
                face.set_xy(np.column_stack([-around[1], around[2]]))
                edge.set_data(-front[1], front[2])
        for index, chord in zip(self._apart, self._chords, strict=True):
            ends = np.column_stack([edge[:, index, frame] for edge in self._wing[1:3]])
            chord.set_data(ends[0], ends[2])

    def _show_arrows(self, frame: int) -> None:
        foot = self._wing.axis[:, :, frame]
        force = self._length * np.nan_to_num(self._wing.force[:, :, frame])
        for arrows, mirror in self._arrows_ahead:
            arrows.set_offsets(np.column_stack([mirror * foot[1], foot[2]]))
            arrows.set_UVC(mirror * force[1], force[2])
        foot, force = foot[:, self._apart], force[:, self._apart]
        self._arrows_side.set_offsets(np.column_stack([foot[0], foot[2]]))
        self._arrows_side.set_UVC(force[0], force[2])

    def _direction(self, frame: int) -> str:
        if not self._down:
            return ""
        falls = any(begin <= self.tau[frame] < end for begin, end in self._down)
        return ", moving down" if falls else ", moving up"

    def _draw_ahead(self, axes: Axes) -> None:
        """Draw both wings from ahead: starboard on the left."""
        self._halves = []
        sides: tuple[Side, ...] = ("starboard", "port")
        for side in sides:
            outlines = outline(self.cycle, self.tau, side)
            faces = [Polygon(np.zeros((3, 2)), facecolor=FACE, alpha=0.6) for _ in outlines]
            edges = [axes.plot([], [], color=INK, linewidth=2.0)[0] for _ in outlines]
            for face in faces:
                axes.add_patch(face)
            self._halves.append(_Half(outlines, faces, edges))
            tip = tip_path(self.cycle, side)
            axes.plot(-tip[1], tip[2], **_TIP_STYLE)
        body_from_ahead(axes, self.cycle)
        # The cycle holds starboard forces only: none are known of a port half with its own stroke.
        mirrors = (-1.0, 1.0) if self.cycle.case.stroke.port is None else (-1.0,)
        count = len(self._wing.span_position)
        self._arrows_ahead = [(self._arrows(axes, count), mirror) for mirror in mirrors]
        _name_view(axes, "Seen from ahead")

    def _draw_side(self, axes: Axes) -> None:
        """Draw sections of the starboard wing from the side, nose to the left."""
        self._draw_body(axes)
        tip = tip_path(self.cycle)
        axes.plot(tip[0], tip[2], **_TIP_STYLE)
        wrist = self.cycle.case.craft.shoulder_offset_m + self.cycle.case.wing.inner.length_m
        self._chords = []
        for position in self._wing.span_position[self._apart]:
            line = INNER if position < wrist else OUTER
            chord = axes.plot(
                [], [], color=line.color, linewidth=1.8, marker="o", markersize=3.5, markevery=[0]
            )[0]
            self._chords.append(chord)
        self._arrows_side = self._arrows(axes, len(self._apart))
        _name_view(axes, "Sections from the side, flying left")

    def _draw_body(self, axes: Axes) -> None:
        """A slender body, nose-up by the pitch; none on a rig."""
        if self.cycle.case.craft.shoulder_offset_m <= 0.0:
            return
        chord = float(self.cycle.case.wing.inner.chord_m[0][1])
        pitch = math.radians(self.cycle.case.flight.pitch_deg)
        ahead = 0.35 * chord
        axes.add_patch(
            Ellipse(
                (ahead * math.cos(pitch), -ahead * math.sin(pitch)),
                2.0 * chord,
                2.0 * self.cycle.case.craft.shoulder_offset_m,
                angle=-self.cycle.case.flight.pitch_deg,
                facecolor=BODY,
                edgecolor=FADED,
                linewidth=0.8,
                zorder=0,
            )
        )

    def _arrows(self, axes: Axes, count: int) -> Quiver:
        zeros = np.zeros(count)
        return axes.quiver(zeros, zeros, zeros, zeros, zorder=7, **_ARROW_STYLE)

    def _frame(self, ahead: Axes, side: Axes) -> None:
        """Fit everything that moves into both views at one scale."""
        wing = self._wing
        heads = wing.axis + self._length * np.nan_to_num(wing.force)
        edges = [edge for half in self._halves for part in half.outlines for edge in part[:2]]
        everything = [heads, *edges]
        low = min(float(points[2].min()) for points in everything)
        high = max(float(points[2].max()) for points in everything)
        reach = max(float(np.abs(points[1]).max()) for points in everything)
        front = min(float(points[0].min()) for points in everything)
        back = max(float(points[0].max()) for points in everything)
        inch = 1.06 * max(
            2.0 * reach / _AHEAD[2], (back - front) / _SIDE[2], (high - low) / (_AHEAD[3] - _WORDS)
        )
        middle = 0.5 * (low + high)
        for axes, centre, place in ((ahead, 0.0, _AHEAD), (side, 0.5 * (front + back), _SIDE)):
            axes.set_xlim(centre - 0.5 * inch * place[2], centre + 0.5 * inch * place[2])
            axes.set_ylim(middle - 0.5 * inch * place[3], middle + 0.5 * inch * place[3])
            axes.set_axis_off()
        self._draw_reference(ahead, inch)

    def _draw_reference(self, axes: Axes, inch: float) -> None:
        """Draw an arrow of known size in the lower left corner."""
        left, bottom = axes.get_xlim()[0], axes.get_ylim()[0]
        foot = (left + 0.12 * inch, bottom + 0.08 * inch)
        axes.quiver(*foot, self._length * self._reference, 0.0, **_ARROW_STYLE)
        axes.text(
            foot[0], foot[1] + 0.07 * inch, f"{number(self._reference)} N per metre of span",
            fontsize=8.0, color=_ARROW,
        )  # fmt: skip

    def _draw_phase(self) -> None:
        """Draw lift and net thrust through the stroke, with a cursor at the phase shown."""
        self._cursors = []
        for index, (name, words) in enumerate((("lift_n", "lift"), ("thrust_n", "net thrust"))):
            axes = panel_at(self.page, 0.75 + index * 3.75, 3.67, 2.75, 0.85)
            shade_downstroke(axes, self.cycle)
            series = self.cycle.series[name]
            trace(axes, [Curve("", series, BOTH)], self.cycle.phase)
            axes.set_ylabel(label(name, words))
            axes.yaxis.set_major_locator(MaxNLocator(4))
            phase_axis(axes)
            now = np.interp(self.tau, self.cycle.phase, series, period=2.0 * np.pi)
            dot = axes.plot([0.0], [now[0]], marker="o", color=_ARROW, markersize=6.0, zorder=9)[0]
            bar = axes.axvline(0.0, color=_ARROW, linewidth=1.0, zorder=8)
            self._cursors.append((dot, bar, now))

    def _subtitle(self, slower: float) -> str:
        pace = f"{number(slower)} times slower than in flight"
        if slower < 1.0:
            pace = f"{number(1.0 / slower)} times faster than in flight"
        whose = "" if self.cycle.case.stroke.port is None else " on the starboard wing"
        shaded = "; shaded: downstroke" if self._down else ""
        return f"{pace}; arrows: aerodynamic force{whose}{shaded}"


def _name_view(axes: Axes, name: str) -> None:
    axes.text(
        0.01, 1.0, name, transform=axes.transAxes, fontsize=9.5, weight="bold", va="top", ha="left"
    )


def _chosen(cycle: Cycle, wing: Sections) -> Sections:
    """Keep the sections that are drawn, evenly spaced over each segment."""
    segment = cycle.strips["segment"]
    kept: list[int] = []
    for index in np.unique(segment):
        own = np.flatnonzero(segment == index)
        count = min(_ARROWS, len(own))
        even = (np.arange(count) + 0.5) / count * len(own) - 0.5
        kept += own[np.round(even).astype(int)].tolist()
    return Sections(wing.span_position[kept], *(field[:, kept] for field in wing[1:]))


def _seen_from_the_side(cycle: Cycle, count: int) -> list[int]:
    """Sections that do not hide each other: only one of an inner segment, which moves little."""
    if cycle.case.wing.outer is None:
        return list(range(count))
    inner = min(_ARROWS, int(np.sum(cycle.strips["segment"] == 0)))
    return [inner // 2, *range(inner, count)]


def _round_reference(force: Array) -> float:
    """A round force per metre of about half the largest; 1 if there is no force."""
    largest = float(np.max(np.linalg.norm(np.nan_to_num(force), axis=0)))
    if largest <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(0.6 * largest))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= 0.6 * largest)


def _length_of_force(cycle: Cycle, force: Array) -> float:
    """Metres on the page per N/m that make the longest arrow `_LONGEST` of the semispan."""
    largest = float(np.max(np.linalg.norm(np.nan_to_num(force), axis=0)))
    semispan = float(cycle.strips["span_position_m"][-1])
    return _LONGEST * semispan / largest if largest > 0.0 else 0.0
