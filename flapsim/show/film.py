"""The wing in motion, from ahead and from the side, written as GIF or MP4.

Positions are the exact motion of the strips, forces those of the cycle. Both views have one scale
of length and one of force.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.animation import AbstractMovieWriter, FFMpegWriter, PillowWriter
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Polygon
from matplotlib.quiver import Quiver
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.kinds import FILM_SUFFIXES
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
    styled,
    titled_page,
)

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


# From flight axes to the plane of a view: horizontal, vertical.
_STARBOARD_AHEAD = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0]])
_PORT_AHEAD = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
_FROM_PORT = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])

_DOTS_PER_INCH = 100  # an MP4 needs even numbers of pixels

# Strokes in a file; a GIF repeats by itself.
_STROKES = {".gif": 1, ".mp4": 3}


def animate(cycle: Cycle, path: str | Path, frames: int = 48, frames_per_second: int = 20) -> None:
    """Write an animation of the stroke, at least 2 frames of it at 1 to 50 per second.

    A GIF repeats one stroke for ever; an MP4 shows three and needs ffmpeg. Raises a ValueError for
    another ending of the file name, a missing ffmpeg, or frames or rate out of range.
    """
    target = Path(path)
    if frames < 2 or not 1 <= frames_per_second <= 50:
        raise ValueError(
            "expected at least 2 frames and 1 to 50 frames per second,"
            f" found {frames} and {frames_per_second}"
        )
    writer = _writer(target, frames_per_second)
    slower = frames / frames_per_second * cycle.case.stroke.frequency_hz
    with styled():
        film = Film(cycle, frames, slower)
        with writer.saving(film.page, str(target), _DOTS_PER_INCH):
            for frame in list(range(frames)) * _STROKES[target.suffix.lower()]:
                film.show(frame)
                writer.grab_frame()


def _writer(path: Path, frames_per_second: int) -> AbstractMovieWriter:
    suffix = path.suffix.lower()
    if suffix not in FILM_SUFFIXES:
        raise ValueError(
            f"{path}: the name of an animation should end in {', '.join(FILM_SUFFIXES)}"
        )
    if suffix == ".gif":
        return PillowWriter(fps=frames_per_second)
    if not FFMpegWriter.isAvailable():
        raise ValueError(
            f"{path}: an MP4 needs ffmpeg, which is not installed; install it or write a .gif"
        )
    return FFMpegWriter(fps=frames_per_second, extra_args=["-pix_fmt", "yuv420p"])


class Film:
    """The page and everything on it that moves, at `frames` phases evenly spaced from 0.

    The subtitle says how many times slower than in flight the film runs.
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
        force = np.nan_to_num(self._wing.force)
        largest = float(np.max(np.linalg.norm(force, axis=0)))
        semispan = float(cycle.strips["span_position_m"][-1])
        self._length = _LONGEST * semispan / largest if largest > 0.0 else 0.0
        self._force = self._length * force
        self._parts: list[tuple[Outline, Polygon, Line2D]] = []
        self._chords: list[tuple[int, Line2D]] = []
        self._arrows: list[tuple[Quiver, list[int], Array]] = []
        self._cursors: list[tuple[Line2D, Line2D, Array]] = []
        ahead, side = panel_at(self.page, *_AHEAD), panel_at(self.page, *_SIDE)
        self._draw_ahead(ahead)
        self._draw_side(side)
        inch = self._fit(ahead, side)
        self._draw_reference(ahead, inch, _round_reference(largest))
        self._draw_phase()

    def show(self, frame: int) -> None:
        """Move everything to the phase of a frame."""
        for segment, face, edge in self._parts:
            front, back = segment.leading[:, :, frame], segment.trailing[:, ::-1, frame]
            face.set_xy((_STARBOARD_AHEAD @ np.concatenate([front, back], axis=1)).T)
            edge.set_data(*(_STARBOARD_AHEAD @ front))
        for index, chord in self._chords:
            ends = [self._wing.leading[:, index, frame], self._wing.trailing[:, index, frame]]
            chord.set_data(*(_FROM_PORT @ np.column_stack(ends)))
        for arrows, which, view in self._arrows:
            arrows.set_offsets((view @ self._wing.axis[:, which, frame]).T)
            arrows.set_UVC(*(view @ self._force[:, which, frame]))
        degrees = float(np.degrees(self.tau[frame]))
        for dot, bar, curve in self._cursors:
            dot.set_data([degrees], [curve[frame]])
            bar.set_xdata([degrees, degrees])
        self._clock.set_text(f"phase {degrees:.0f}°{self._direction(frame)}")

    def _direction(self, frame: int) -> str:
        if not self._down:
            return ""
        falls = any(begin <= self.tau[frame] < end for begin, end in self._down)
        return ", moving down" if falls else ", moving up"

    def _draw_ahead(self, axes: Axes) -> None:
        """Draw both wings from ahead: starboard on the left."""
        sides: tuple[Side, ...] = ("starboard", "port")
        for side in sides:
            for segment in outline(self.cycle, self.tau, side):
                face = Polygon(np.zeros((3, 2)), facecolor=FACE, alpha=0.6)
                axes.add_patch(face)
                edge = axes.plot([], [], color=INK, linewidth=2.0)[0]
                self._parts.append((segment, face, edge))
            axes.plot(*(_STARBOARD_AHEAD @ tip_path(self.cycle, side)), **_TIP_STYLE)
        body_from_ahead(axes, self.cycle)
        every = list(range(len(self._wing.span_position)))
        self._add_arrows(axes, every, _STARBOARD_AHEAD)
        # The cycle holds starboard forces only: none are known of a port half with its own stroke.
        if self.cycle.case.stroke.port is None:
            self._add_arrows(axes, every, _PORT_AHEAD)
        _name_view(axes, "Seen from ahead")

    def _draw_side(self, axes: Axes) -> None:
        """Draw sections of the starboard wing from the side, nose to the left."""
        self._draw_body(axes)
        axes.plot(*(_FROM_PORT @ tip_path(self.cycle)), **_TIP_STYLE)
        wrist = self.cycle.case.craft.shoulder_offset_m + self.cycle.case.wing.inner.length_m
        apart = _seen_from_the_side(self.cycle, len(self._wing.span_position))
        style: dict[str, Any] = {"linewidth": 1.8, "marker": "o", "markersize": 3.5}
        for index in apart:
            line = INNER if self._wing.span_position[index] < wrist else OUTER
            chord = axes.plot([], [], color=line.color, markevery=[0], **style)[0]
            self._chords.append((index, chord))
        self._add_arrows(axes, apart, _FROM_PORT)
        _name_view(axes, "Sections from the side, flying left")

    def _draw_body(self, axes: Axes) -> None:
        """Draw a slender body, nose-up by the pitch; none on a rig."""
        case = self.cycle.case
        if case.craft.shoulder_offset_m <= 0.0:
            return
        chord = float(case.wing.inner.chord_m[0][1])
        pitch = math.radians(case.flight.pitch_deg)
        centre = (0.35 * chord * math.cos(pitch), -0.35 * chord * math.sin(pitch))
        size = (2.0 * chord, 2.0 * case.craft.shoulder_offset_m)
        body = Ellipse(
            centre, *size, angle=-case.flight.pitch_deg, facecolor=BODY, edgecolor=FADED,
            linewidth=0.8, zorder=0,
        )  # fmt: skip
        axes.add_patch(body)

    def _add_arrows(self, axes: Axes, which: list[int], view: Array) -> None:
        zeros = np.zeros(len(which))
        arrows = axes.quiver(zeros, zeros, zeros, zeros, zorder=7, **_ARROW_STYLE)
        self._arrows.append((arrows, which, view))

    def _fit(self, ahead: Axes, side: Axes) -> float:
        """Fit everything that moves into both views at one scale, returned in m per inch."""
        edges = [edge for segment, _, _ in self._parts for edge in segment[:2]]
        moving = [self._wing.axis + self._force, *edges]
        points = np.concatenate([part.reshape(3, -1) for part in moving], axis=1)
        size = np.ptp(points, axis=1)
        middle = points.min(axis=1) + 0.5 * size
        width = 2.0 * np.abs(points[1]).max()
        inch = 1.06 * max(width / _AHEAD[2], size[0] / _SIDE[2], size[2] / (_AHEAD[3] - _WORDS))
        for axes, centre, place in ((ahead, 0.0, _AHEAD), (side, middle[0], _SIDE)):
            axes.set_xlim(centre - 0.5 * inch * place[2], centre + 0.5 * inch * place[2])
            axes.set_ylim(middle[2] - 0.5 * inch * place[3], middle[2] + 0.5 * inch * place[3])
            axes.set_axis_off()
        return float(inch)

    def _draw_reference(self, axes: Axes, inch: float, force: float) -> None:
        """Draw an arrow of known force, N/m, in the lower left corner."""
        left, bottom = axes.get_xlim()[0] + 0.12 * inch, axes.get_ylim()[0] + 0.08 * inch
        axes.quiver(left, bottom, self._length * force, 0.0, **_ARROW_STYLE)
        words = f"{number(force)} N per metre of span"
        axes.text(left, bottom + 0.07 * inch, words, fontsize=8.0, color=_ARROW)

    def _draw_phase(self) -> None:
        """Draw lift and net thrust through the stroke, with a cursor at the phase shown."""
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


def _round_reference(largest: float) -> float:
    """A round number of about half the largest; 1 if that is zero."""
    if largest <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(0.6 * largest))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= 0.6 * largest)
