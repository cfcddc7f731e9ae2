"""The stroke as one still drawing: from ahead, or a section from the side."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.posture import Outline, Side, downstroke, outline, sections
from flapsim.show.style import FADED, INK, OUTER, number

Array = NDArray[np.float64]

FACE = "#9db7cf"
"""Fill of a wing's face."""

BODY = "#d6d6d6"
"""Fill of the body."""

_POSTURES = 7

# Fractions of the panel's height kept for text above and below the wing.
_ABOVE = 0.13
_BELOW = 0.13

# Travel of the tip over the semispan, below which the view from ahead shows nothing.
_FLAT = 0.05


def posture(axes: Axes, cycle: Cycle) -> None:
    """Draw the stroke from ahead, or a section from the side if the tip stays level, to scale."""
    tip = tip_path(cycle)
    if np.ptp(tip[2]) < _FLAT * np.abs(tip[1]).max():
        _from_the_side(axes, cycle)
    else:
        _from_ahead(axes, cycle)


def tip_path(cycle: Cycle, side: Side = "starboard") -> Array:
    """Path of the tip of the twist axis through one stroke, (3, n), flight axes, m."""
    return outline(cycle, np.linspace(0.0, 2.0 * np.pi, 145), side)[-1].axis[:, -1]


def _from_ahead(axes: Axes, cycle: Cycle) -> None:
    """Draw the starboard wing moving down and the port wing moving up.

    A wing that never moves down is drawn through the whole stroke on both sides.
    """
    down = downstroke(cycle)
    begin, end = max(down, key=lambda part: part[1] - part[0], default=(0.0, 2.0 * np.pi))
    halves: tuple[tuple[Side, Array, str, float], ...] = (
        ("starboard", np.linspace(begin, end, _POSTURES), "downstroke", 0.25),
        ("port", np.linspace(end, begin + 2.0 * np.pi, _POSTURES), "upstroke", 0.75),
    )
    tips = []
    for side, phases, name, across in halves:
        for segment in outline(cycle, phases, side):
            for index, late in enumerate(np.linspace(0.25, 1.0, _POSTURES)):
                _draw(axes, segment, index, float(late))
        tip = tip_path(cycle, side)
        axes.plot(
            -tip[1], tip[2], color=OUTER.color, linewidth=1.2, linestyle=(0, (4, 2)), zorder=5
        )
        tips.append(tip)
        if down:
            first, last = np.degrees(phases[0]) % 360.0, np.degrees(phases[-1])
            last -= 360.0 if last > 360.5 else 0.0
            _words(axes, across, 1.0, f"{side} wing, {name}: {first:.0f}° to {last:.0f}°")
    body_from_ahead(axes, cycle)
    travel = number(float(np.ptp(tips[0][2])))
    _words(axes, 0.5, 0.0, f"darker is later; dashed: path of the tip, {travel} m high")
    every = np.concatenate(tips, axis=1)
    reach = 1.06 * float(np.abs(every[1]).max())
    _frame(axes, (-reach, reach), (min(every[2].min(), 0.0), max(every[2].max(), 0.0)))
    axes.set_title("Wing seen from ahead")


def _draw(axes: Axes, segment: Outline, index: int, strength: float) -> None:
    """Draw one posture of one segment: face lightly filled, leading edge as a line."""
    leading, trailing = segment.leading[:, :, index], segment.trailing[:, ::-1, index]
    edge = np.concatenate([leading, trailing], axis=1)
    axes.fill(-edge[1], edge[2], facecolor=FACE, alpha=0.12 + 0.2 * strength, linewidth=0)
    axes.plot(
        -leading[1], leading[2], color=INK, alpha=strength, linewidth=1.3, solid_capstyle="round"
    )


def body_from_ahead(axes: Axes, cycle: Cycle) -> None:
    """Draw a disc between the shoulder hinges; none on a rig."""
    wide = 2.0 * cycle.case.craft.shoulder_offset_m
    if wide > 0.0:
        disc = Ellipse((0.0, 0.0), wide, wide, facecolor=BODY, edgecolor=INK, zorder=6)
        axes.add_patch(disc)


def _from_the_side(axes: Axes, cycle: Cycle) -> None:
    """Draw the section at mid-span, seen from port, at eight phases side by side."""
    phases = np.arange(8) * np.pi / 4.0
    wing = sections(cycle, phases)
    middle = len(wing.span_position) // 2
    leading, trailing = wing.leading[:, middle], wing.trailing[:, middle]
    chord = float(cycle.strips["chord_m"][middle])
    height = wing.axis[2, middle]
    level = float(height.mean())
    left = 0.0
    for index, tau in enumerate(phases):
        left = 1.45 * chord * index - float(leading[0, 0])
        front, back = leading[:, index], trailing[:, index]
        axes.plot([left + front[0], left + back[0]], [front[2], back[2]], color=INK, linewidth=2.2)
        axes.plot(left + front[0], front[2], marker="o", color=INK, markersize=4.5)
        axes.text(
            left + 0.5 * (front[0] + back[0]), level - 0.75 * chord - np.ptp(height),
            f"{np.degrees(tau):.0f}°", ha="center", va="top", fontsize=8.0, color=FADED,
        )  # fmt: skip
    axes.axhline(level, color=FADED, linewidth=0.7, linestyle=(0, (2, 2)), zorder=1)
    _words(axes, 0.5, 1.0, "stroke phase below, to scale; dot: leading edge")
    _frame(axes, (-0.3 * chord, left + 1.3 * chord), (level - chord, level + 0.6 * chord))
    axes.set_title("Section at mid-span, seen from the side")


def _words(axes: Axes, across: float, up: float, text: str) -> None:
    axes.text(
        across, up, text, transform=axes.transAxes, ha="center", va="top" if up else "bottom",
        fontsize=8.0, color=FADED,
    )  # fmt: skip


def _frame(axes: Axes, across: tuple[float, float], up: tuple[float, float]) -> None:
    """Set the limits to this part of the plane, same scale both ways, with room for text."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    box = axes.get_position()
    shape = box.height * figure.get_figheight() / (box.width * figure.get_figwidth())
    tall = max((up[1] - up[0]) / (1.0 - _ABOVE - _BELOW), (across[1] - across[0]) * shape)
    wide = tall / shape
    centre = 0.5 * (across[0] + across[1])
    middle = 0.5 * (up[0] + up[1]) + 0.5 * tall * (_ABOVE - _BELOW)
    axes.set_xlim(centre - 0.5 * wide, centre + 0.5 * wide)
    axes.set_ylim(middle - 0.5 * tall, middle + 0.5 * tall)
    axes.set_axis_off()
