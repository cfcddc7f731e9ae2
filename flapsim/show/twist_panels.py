"""Panels of a twist that a spring or an actuator decides.

Answers: what does the wing make of the twist it is asked for, which moments are in balance, does a
small departure die out, and at which airspeed would it no longer do so? One panel each; pages are
put together elsewhere.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from flapsim.cycle.simulate import Cycle
from flapsim.half_wing.twist.still import StillWing
from flapsim.show.phase_panels import Curve, phase_axis, shade_downstroke, trace
from flapsim.show.style import (
    BOTH,
    FADED,
    INK,
    INNER,
    OUTER,
    SHADE,
    Line,
    finite_range,
    label,
    number,
    spread_labels,
)

__all__ = [
    "free_segments",
    "growth",
    "moments",
    "multipliers",
    "portrait",
    "swing",
    "tracking",
]

Array = NDArray[np.float64]

_MODES = {"passive": "spring", "servo": "actuator"}
_ASKED = Line(INK, (0, (1, 1.4)), "", 1.6, INK)
_DAMPER = Line(FADED, (0, (1, 1.2)), "", 1.6, FADED)
_STOP = Line(INK, (0, (7, 1.5, 1, 1.5)), "", 1.3, INK)
_NOTHING = 1e-9
"""A moment below this part of the largest is rounding, and not drawn."""


def free_segments(cycle: Cycle) -> list[str]:
    """Segments whose twist a spring or an actuator decides: "inner", "outer".

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    list of str
    """
    return [name for name in ("inner", "outer") if f"{name}_twist_deg" in cycle.series]


def _mode(cycle: Cycle, segment: str) -> str:
    stroke = getattr(cycle.case.stroke, segment)
    return "passive" if stroke.twist is None else str(stroke.twist.mode)


def _whose(cycle: Cycle, segment: str) -> str:
    return segment.capitalize() if cycle.case.wing.outer is not None else "Wing's"


def tracking(axes: Axes, cycle: Cycle, segment: str) -> None:
    """Draw the twist that is asked for and the one the wing takes, through the stroke.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    cycle : Cycle
        The cycle.
    segment : {"inner", "outer"}
        One of `free_segments`.
    """
    found = cycle.twist[segment]
    passive = _mode(cycle, segment) == "passive"
    asked = "spring at rest" if passive else "command"
    shade_downstroke(axes, cycle)
    trace(
        axes,
        [
            Curve(asked, cycle.series[f"{segment}_twist_command_deg"], _ASKED),
            Curve("the wing's", cycle.series[f"{segment}_twist_deg"], OUTER),
        ],
        cycle.phase,
    )
    title = f"{_whose(cycle, segment)} twist, tip against root"
    if not passive and math.isfinite(found["phase_lag_deg"]):
        late = found["phase_lag_deg"]
        behind = "behind" if late >= 0.0 else "ahead of"
        title += f": {number(abs(late))}° of phase {behind} its command"
    axes.set_title(title)
    axes.set_ylabel(label(f"{segment}_twist_deg", "twist, nose up"))
    phase_axis(axes, labelled=False)


# Moments in the order in which they are drawn: name of the series, what it is called, its line.
_MOMENTS = (
    ("air", "air", BOTH),
    ("mass", "mass", INNER),
    ("held", "", OUTER),
    ("damper", "damper", _DAMPER),
    ("stop", "stops", _STOP),
)


def moments(axes: Axes, cycle: Cycle, segment: str) -> None:
    """Draw the moments that are in balance at every instant; what is not there is left out.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    cycle : Cycle
        The cycle.
    segment : {"inner", "outer"}
        One of `free_segments`.
    """
    holder = _MODES[_mode(cycle, segment)]
    every = [
        Curve(text or holder, cycle.series[f"{segment}_twist_{name}_n_m"], line)
        for name, text, line in _MOMENTS
    ]
    largest = max(float(np.abs(finite_range(curve.values)).max()) for curve in every)
    shown = [
        curve for curve in every if np.abs(finite_range(curve.values)).max() > _NOTHING * largest
    ]
    shade_downstroke(axes, cycle)
    trace(axes, shown or every[:1], cycle.phase)
    axes.set_title(f"Moments on the {segment} twist, nose up, one wing: in balance")
    axes.set_ylabel(label(f"{segment}_twist_air_n_m", "moment"))
    phase_axis(axes)


def portrait(axes: Axes, cycle: Cycle, segment: str) -> None:
    """Draw twist against its rate over one stroke, and what an actuator is asked for.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    cycle : Cycle
        The cycle.
    segment : {"inner", "outer"}
        One of `free_segments`.
    """
    twist = cycle.series[f"{segment}_twist_deg"]
    rate = cycle.series[f"{segment}_twist_rate_deg_s"]
    axes.axhline(0.0, color=FADED, linewidth=0.6, zorder=1)
    asked = cycle.series[f"{segment}_twist_command_deg"]
    if np.ptp(asked) > 1e-6:
        axes.plot(*_closed(asked, _rate(cycle, asked)), **_ASKED.drawn(1), zorder=2)
        axes.annotate(
            "command", (asked.max(), 0.0), xytext=(-4, -3), textcoords="offset points",
            ha="right", va="top", fontsize=8.0, color=INK,
        )  # fmt: skip
    else:
        axes.plot(asked[:1], [0.0], marker="+", color=INK, markersize=9, markeredgewidth=1.4)
        axes.annotate(
            "at rest", (float(asked[0]), 0.0), xytext=(0, -22), textcoords="offset points",
            ha="center", fontsize=8.0, color=INK,
        )  # fmt: skip
    axes.plot(*_closed(twist, rate), color=OUTER.color, linewidth=1.6, zorder=3)
    _quarters(axes, twist, rate)
    axes.margins(0.24)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.set_title(f"{_whose(cycle, segment)} twist against its rate")
    axes.set_xlabel(label(f"{segment}_twist_deg", "twist, nose up"))
    axes.set_ylabel(label(f"{segment}_twist_rate_deg_s", "rate"))


def _closed(x: Array, y: Array) -> tuple[Array, Array]:
    return np.append(x, x[:1]), np.append(y, y[:1])


def _rate(cycle: Cycle, values: Array) -> Array:
    """Rate of a smooth periodic series, per second."""
    spectrum = np.fft.rfft(values)
    omega = 2.0 * np.pi * cycle.case.stroke.frequency_hz
    return np.asarray(np.fft.irfft(1j * omega * np.arange(spectrum.size) * spectrum, n=values.size))


def _quarters(axes: Axes, twist: Array, rate: Array) -> None:
    """Mark the quarters of the stroke, and the way the loop runs."""
    count = twist.size
    middle = np.array([0.5 * (twist.max() + twist.min()), 0.5 * (rate.max() + rate.min())])
    half = np.array([np.ptp(twist), np.ptp(rate)]) / 2.0 + 1e-12
    for quarter in range(4):
        place = quarter * count // 4
        point = (float(twist[place]), float(rate[place]))
        axes.plot(*point, marker="s", color=OUTER.color, markerfacecolor="white", markersize=4.5,
                  zorder=4)  # fmt: skip
        out = (np.array(point) - middle) / half
        away = 11.0 * out / max(float(np.hypot(*out)), 1e-12)
        axes.annotate(
            f"{90 * quarter}°", point, xytext=(float(away[0]), float(away[1])),
            textcoords="offset points",
            ha="center", va="center", fontsize=8.0, color=OUTER.ink,
        )  # fmt: skip
    for place in (count // 8, 5 * count // 8):
        axes.annotate(
            "", (twist[place + 1], rate[place + 1]), (twist[place], rate[place]),
            arrowprops={"arrowstyle": "-|>", "color": OUTER.color, "mutation_scale": 11.0,
                        "shrinkA": 0.0, "shrinkB": 0.0},
        )  # fmt: skip


def multipliers(axes: Axes, cycle: Cycle) -> None:
    """Draw the Floquet multipliers in the complex plane, with the circle they must stay within.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    cycle : Cycle
        Of a wing that gives way.
    """
    values = cycle.multipliers
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    axes.fill(np.cos(turn), np.sin(turn), facecolor=SHADE, edgecolor=INK, linewidth=1.2, zorder=1)
    axes.axhline(0.0, color=FADED, linewidth=0.6, zorder=2)
    axes.axvline(0.0, color=FADED, linewidth=0.6, zorder=2)
    axes.plot(values.real, values.imag, linestyle="none", marker="x", color=OUTER.ink,
              markersize=5.5, markeredgewidth=1.2, zorder=3)  # fmt: skip
    reach = max(1.25, 1.1 * float(np.abs(values[0])))
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.text(0.0, -1.04, "unit circle", fontsize=8.0, color=FADED, ha="center", va="top")
    largest = float(np.abs(values[0]))
    axes.text(0.0, 0.62, f"largest {number(largest)}", fontsize=8.0, color=OUTER.ink, ha="center")
    if largest < _TOO_CLOSE:
        _magnified(axes, values)
    axes.set_title("Multipliers of a departure")
    axes.set_xlabel("real part of the multiplier")
    axes.set_ylabel("imaginary part")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(5))


_TOO_CLOSE = 0.2
"""Multipliers that all lie within this of nothing are drawn a second time, magnified."""


def _magnified(axes: Axes, values: NDArray[np.complex128]) -> None:
    """Draw multipliers near nothing once more, in a corner of the circle."""
    close = axes.inset_axes((0.56, 0.2, 0.3, 0.3))
    close.axhline(0.0, color=FADED, linewidth=0.5, zorder=1)
    close.axvline(0.0, color=FADED, linewidth=0.5, zorder=1)
    close.plot(values.real, values.imag, linestyle="none", marker="x", color=OUTER.ink,
               markersize=4.0, markeredgewidth=1.0, zorder=3)  # fmt: skip
    reach = 1.35 * float(np.abs(values[0])) + 1e-12
    close.set_xlim(-reach, reach)
    close.set_ylim(-reach, reach)
    close.set_xticks([])
    close.set_yticks([])
    close.spines[:].set_visible(True)
    close.set_title(f"× {number(0.3 * axes.get_xlim()[1] / reach)}", fontsize=7.5, weight="normal",
                    loc="right", pad=2.0)  # fmt: skip


# --- the wing held still -------------------------------------------------------------------------


def growth(axes: Axes, still: StillWing, cruise: float) -> None:
    """Draw how fast a departure grows against the airspeed of the wing held still.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    still : StillWing
        The wing held still.
    cruise : float
        Airspeed of the case, m/s.
    """
    speed = still.airspeed
    axes.set_xlim(0.0, float(speed[-1]))
    low, high = finite_range(still.creeping, still.turning)
    high = max(high, 0.2 * -low)
    axes.set_ylim(low - 0.06 * (high - low), high + 0.14 * (high - low))
    axes.axhspan(0.0, axes.get_ylim()[1], color=SHADE, linewidth=0, zorder=0)
    axes.axhline(0.0, color=FADED, linewidth=0.8, zorder=1)
    axes.text(
        0.988, 0.97, "grows", transform=axes.transAxes, ha="right", va="top", fontsize=8.0,
        color=FADED,
    )  # fmt: skip
    axes.plot(speed, still.creeping, **BOTH._replace(width=1.8).drawn(speed.size), zorder=3)
    axes.plot(speed, still.turning, **INNER.drawn(speed.size), zorder=3)
    _name_curve(axes, speed, still.creeping, "one way", BOTH.ink, -1)
    _name_curve(axes, speed, still.turning, "to and fro", INNER.ink, 0)
    for value, name in ((still.divergence, "diverges"), (still.flutter, "flutters")):
        if math.isfinite(value):
            axes.plot([value], [0.0], marker="o", color=INK, markersize=5.5, zorder=4)
            axes.annotate(
                f"{name} at {number(value)} m/s", (value, 0.0), xytext=(8, -13),
                textcoords="offset points", ha="left", fontsize=8.5, weight="bold",
            )  # fmt: skip
    _mark_cruise(axes, cruise)
    axes.annotate(
        f"flies at {number(cruise)} m/s", (cruise, 0.97), xycoords=axes.get_xaxis_transform(),
        xytext=(5, 0), textcoords="offset points", va="top", fontsize=8.0, color=INK,
    )  # fmt: skip
    axes.set_title(_verdict(still))
    axes.set_ylabel("growth of a departure (1/s)")
    axes.tick_params(axis="x", labelbottom=False)


def swing(axes: Axes, still: StillWing, cruise: float, stroke: float) -> None:
    """Draw how often a departure that swings does so, against the airspeed.

    Parameters
    ----------
    axes : Axes
        With its final place in the figure.
    still : StillWing
        The wing held still.
    cruise : float
        Airspeed of the case, m/s.
    stroke : float
        Frequency of the stroke, Hz.
    """
    axes.plot(still.airspeed, still.frequency, **INNER.drawn(still.airspeed.size), zorder=3)
    axes.set_xlim(0.0, float(still.airspeed[-1]))
    axes.set_ylim(0.0, 1.15 * max(finite_range(still.frequency)[1], stroke))
    axes.axhline(stroke, color=FADED, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
    _name_curve(axes, still.airspeed, still.frequency, "to and fro", INNER.ink, 0)
    spread_labels(axes, [("the stroke", stroke, FADED)])
    _mark_cruise(axes, cruise)
    axes.set_title("How often a departure that swings does so")
    axes.set_xlabel("airspeed (m/s)")
    axes.set_ylabel("frequency (Hz)")


def _name_curve(axes: Axes, x: Array, y: Array, text: str, ink: str, end: int) -> None:
    """Name a curve that may have gaps, right of its first (end 0) or last (-1) point."""
    finite = np.flatnonzero(np.isfinite(y))
    if finite.size:
        place = (float(x[finite[end]]), float(y[finite[end]]))
        axes.annotate(text, place, xytext=(8, 4), textcoords="offset points", color=ink,
                      fontsize=8.5, va="center", annotation_clip=False)  # fmt: skip


def _mark_cruise(axes: Axes, cruise: float) -> None:
    axes.axvline(cruise, color=INK, linewidth=1.0, linestyle=(0, (4, 2)), zorder=2)


def _verdict(still: StillWing) -> str:
    words = [
        f"{what} at {number(value)} m/s"
        for what, value in (("diverges", still.divergence), ("flutters", still.flutter))
        if math.isfinite(value)
    ]
    if words:
        return "Held still, the wing " + " and ".join(words)
    return f"Held still, no divergence or flutter up to {number(float(still.airspeed[-1]))} m/s"
