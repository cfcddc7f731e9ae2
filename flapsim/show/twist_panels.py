"""Panels of a compliant twist: response, moments, phase portrait, Floquet multipliers."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.show.phase_panels import Curve, closed, phase_axis, shade_downstroke, trace
from flapsim.show.style import (
    BOTH,
    FADED,
    HALO,
    INK,
    INNER,
    OUTER,
    SHADE,
    Line,
    finite_range,
    label,
    note,
    number,
    zero_line,
)

Array = NDArray[np.float64]

_COMMAND = Line(INK, (0, (1, 1.4)), "", 1.6, INK)
_DAMPER = Line(FADED, (0, (1, 1.2)), "", 1.6, FADED)
_STOPS = Line(INK, (0, (7, 1.5, 1, 1.5)), "", 1.3, INK)

_ROUNDING = 1e-9
"""A moment smaller than this fraction of the largest is rounding error and not drawn."""


def compliant_segments(cycle: Cycle) -> list[str]:
    """Segments, of "inner" and "outer", whose twist a spring or an actuator decides."""
    return [name for name in ("inner", "outer") if f"{name}_twist_deg" in cycle.series]


def _sprung(cycle: Cycle, segment: str) -> bool:
    """Whether a spring, not an actuator, carries the twist of a compliant segment."""
    twist = getattr(cycle.case.stroke, segment).twist
    return twist is None or str(twist.mode) == "passive"


def _whose(cycle: Cycle, segment: str) -> str:
    return segment.capitalize() if cycle.case.wing.outer is not None else "Wing"


def tracking(axes: Axes, cycle: Cycle, segment: str) -> None:
    """Commanded twist, or the spring's rest position, and the response of a compliant segment."""
    sprung = _sprung(cycle, segment)
    command = cycle.series[f"{segment}_twist_command_deg"]
    shade_downstroke(axes, cycle)
    trace(
        axes,
        [
            Curve("spring at rest" if sprung else "command", command, _COMMAND),
            Curve("response", cycle.series[f"{segment}_twist_deg"], OUTER),
        ],
        cycle.phase,
    )
    title = f"{_whose(cycle, segment)} twist, tip relative to root"
    lag = cycle.twist[segment]["phase_lag_deg"]
    if not sprung and math.isfinite(lag):
        side = "behind" if lag >= 0.0 else "ahead of"
        title += f": {number(abs(lag))}° {side} the command"
    axes.set_title(title)
    axes.set_ylabel(label(f"{segment}_twist_deg", "twist, nose up"))
    phase_axis(axes, labelled=False)


_MOMENTS = (
    ("air", "air", BOTH),
    ("mass", "mass", INNER),
    ("held", "", OUTER),
    ("damper", "damper", _DAMPER),
    ("stop", "stops", _STOPS),
)
"""End of the name of the series, its label (the spring or the actuator) and its line."""


def moments(axes: Axes, cycle: Cycle, segment: str, last: bool = True) -> None:
    """Moments about the twist axis, which sum to zero; `last` labels the phase."""
    holder = "spring" if _sprung(cycle, segment) else "actuator"
    every = [
        Curve(text or holder, cycle.series[f"{segment}_twist_{name}_n_m"], line)
        for name, text, line in _MOMENTS
    ]
    sizes = [float(np.abs(finite_range(curve.values)).max()) for curve in every]
    shown = [
        curve for curve, size in zip(every, sizes, strict=True) if size > _ROUNDING * max(sizes)
    ]
    shade_downstroke(axes, cycle)
    trace(axes, shown or every[:1], cycle.phase)
    axes.set_title(f"{_whose(cycle, segment)} twist: moments on one wing, nose up, sum zero")
    axes.set_ylabel(label(f"{segment}_twist_air_n_m", "moment"))
    phase_axis(axes, last)


def portrait(axes: Axes, cycle: Cycle, segment: str) -> None:
    """Twist rate against twist over one stroke."""
    twist = cycle.series[f"{segment}_twist_deg"]
    rate = cycle.series[f"{segment}_twist_rate_deg_s"]
    command = cycle.series[f"{segment}_twist_command_deg"]
    zero_line(axes)
    if np.ptp(command) > 1e-6:
        axes.plot(closed(command), closed(_rate(cycle, command)), **_COMMAND.drawn(1), zorder=2)
        note(axes, "dotted: command", (1.0, 0.0), (0, 4), xycoords="axes fraction", ha="right")
    else:
        axes.plot(command[:1], [0.0], marker="+", color=INK, markersize=9, markeredgewidth=1.4)
        note(axes, "spring\nat rest", (float(command[0]), 0.0), (-4, -7), va="top")
    axes.plot(closed(twist), closed(rate), color=OUTER.color, linewidth=1.6, zorder=3)
    _quarters(axes, twist, rate)
    axes.margins(0.24)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.set_title(f"{_whose(cycle, segment)} twist: phase portrait")
    axes.set_xlabel(label(f"{segment}_twist_deg", "twist, nose up"))
    axes.set_ylabel(label(f"{segment}_twist_rate_deg_s", "rate"))


def _rate(cycle: Cycle, values: Array) -> Array:
    """Rate of a smooth periodic series, per second."""
    spectrum = np.fft.rfft(values)
    omega = 2.0 * np.pi * cycle.case.stroke.frequency_hz
    return np.asarray(np.fft.irfft(1j * omega * np.arange(spectrum.size) * spectrum, n=values.size))


def _quarters(axes: Axes, twist: Array, rate: Array) -> None:
    """Mark the quarters of the stroke and the direction of the loop."""
    count = twist.size
    middle = np.array([0.5 * (twist.max() + twist.min()), 0.5 * (rate.max() + rate.min())])
    half = np.array([np.ptp(twist), np.ptp(rate)]) / 2.0 + 1e-12
    for quarter in range(4):
        place = quarter * count // 4
        point = (float(twist[place]), float(rate[place]))
        axes.plot(*point, marker="s", color=OUTER.color, markerfacecolor="white", markersize=4.5,
                  zorder=4)  # fmt: skip
        # Named inside the loop, where neither the command nor the rest position is drawn.
        inward = (middle - np.array(point)) / half
        shift = 15.0 * inward / max(float(np.hypot(*inward)), 1e-12)
        note(axes, f"{90 * quarter}°", point, (float(shift[0]), float(shift[1])), ha="center",
             va="center", color=OUTER.ink, path_effects=HALO, zorder=5)  # fmt: skip
    for place in (count // 8, 5 * count // 8):
        axes.annotate(
            "", (twist[place + 1], rate[place + 1]), (twist[place], rate[place]),
            arrowprops={"arrowstyle": "-|>", "color": OUTER.color, "mutation_scale": 11.0,
                        "shrinkA": 0.0, "shrinkB": 0.0},
        )  # fmt: skip


_CLOSE = 0.2
"""Multipliers that all lie within this distance of zero are also drawn magnified."""


def multipliers(axes: Axes, cycle: Cycle) -> None:
    """Floquet multipliers in the complex plane; outside the unit circle a disturbance grows."""
    values = cycle.multipliers
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    axes.fill(np.cos(turn), np.sin(turn), facecolor=SHADE, edgecolor=INK, linewidth=1.2, zorder=1)
    largest = float(np.abs(values[0]))
    _complex_plane(axes, values, max(1.25, 1.1 * largest), size=5.5)
    axes.set_aspect("equal")
    axes.text(0.0, -1.04, "unit circle", fontsize=8.0, color=FADED, ha="center", va="top",
              path_effects=HALO)  # fmt: skip
    axes.text(0.0, 0.62, f"largest {number(largest)}", fontsize=8.0, color=OUTER.ink, ha="center",
              path_effects=HALO)  # fmt: skip
    if largest < _CLOSE:
        inset = axes.inset_axes((0.56, 0.2, 0.3, 0.3))
        reach = 1.35 * largest + 1e-12
        _complex_plane(inset, values, reach, size=4.0)
        inset.set(xticks=[], yticks=[])
        inset.spines[:].set_visible(True)
        inset.set_title(f"× {number(0.3 * axes.get_xlim()[1] / reach)}", fontsize=7.5,
                        weight="normal", loc="right", pad=2.0)  # fmt: skip
    axes.set_title("Floquet multipliers")
    axes.set_xlabel("real part")
    axes.set_ylabel("imaginary part")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(5))


def _complex_plane(axes: Axes, values: NDArray[np.complex128], reach: float, size: float) -> None:
    """Draw complex numbers as crosses, with the two axes, as far as `reach`."""
    zero_line(axes)
    axes.axvline(0.0, color=FADED, linewidth=0.7, zorder=1)
    axes.plot(values.real, values.imag, linestyle="none", marker="x", color=OUTER.ink,
              markersize=size, markeredgewidth=1.1, zorder=3)  # fmt: skip
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
