"""Panels of the wing held still: growth rate and frequency of its disturbances over airspeed.

A disturbance of the twist either oscillates or does not; at the divergence speed one that does not
begins to grow, at the flutter speed one that does.
"""

from __future__ import annotations

import math

from matplotlib.axes import Axes

from flapsim.half_wing.twist.margins import StabilityMargins
from flapsim.show.style import (
    BOTH,
    FADED,
    HALO,
    INK,
    INNER,
    SHADE,
    finite_range,
    note,
    number,
    spread_labels,
    zero_line,
)


def growth(axes: Axes, still: StabilityMargins, flown: float) -> None:
    """Growth rate of the fastest growing disturbances against airspeed, the one `flown` in m/s."""
    speed = still.airspeed
    axes.set_xlim(0.0, float(speed[-1]))
    low, high = finite_range(still.aperiodic, still.oscillatory)
    high = max(high, 0.2 * -low)
    axes.set_ylim(low - 0.06 * (high - low), high + 0.14 * (high - low))
    axes.axhspan(0.0, axes.get_ylim()[1], color=SHADE, linewidth=0, zorder=0)
    zero_line(axes)
    axes.text(
        0.988, 0.97, "unstable", transform=axes.transAxes, ha="right", va="top", fontsize=8.0,
        color=FADED,
    )  # fmt: skip
    for text, rate, line in (
        ("non-oscillatory", still.aperiodic, BOTH._replace(width=1.8)),
        ("oscillatory", still.oscillatory, INNER),
    ):
        axes.plot(speed, rate, label=text, zorder=3, **line.drawn(speed.size))
    axes.legend(loc="best", frameon=False, fontsize=8.5, handlelength=3.5)
    for value, name in ((still.divergence, "divergence"), (still.flutter, "flutter")):
        if math.isfinite(value):
            axes.plot([value], [0.0], marker="o", color=INK, markersize=5.5, zorder=4)
            note(axes, f"{name} at {number(value)} m/s", (value, 0.0), (8, -13),
                 fontsize=8.5, weight="bold", path_effects=HALO)  # fmt: skip
    _mark_flown(axes, flown)
    note(axes, f"flown at {number(flown)} m/s", (flown, 0.97), (5, 0),
         xycoords=axes.get_xaxis_transform(), va="top")  # fmt: skip
    axes.set_title(_verdict(still))
    axes.set_ylabel("growth rate (1/s)")
    axes.tick_params(axis="x", labelbottom=False)


def frequency(axes: Axes, still: StabilityMargins, flown: float, stroke: float) -> None:
    """Frequency of the fastest growing oscillatory disturbance against airspeed.

    The airspeed flown is in m/s, the frequency of the stroke in Hz.
    """
    axes.plot(still.airspeed, still.frequency, **INNER.drawn(still.airspeed.size), zorder=3)
    axes.set_xlim(0.0, float(still.airspeed[-1]))
    axes.set_ylim(0.0, 1.15 * max(finite_range(still.frequency)[1], stroke))
    axes.axhline(stroke, color=FADED, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
    spread_labels(axes, [("stroke", stroke, FADED)])
    _mark_flown(axes, flown)
    axes.set_title("Frequency of the oscillatory disturbance")
    axes.set_xlabel("airspeed (m/s)")
    axes.set_ylabel("frequency (Hz)")


def _mark_flown(axes: Axes, flown: float) -> None:
    axes.axvline(flown, color=INK, linewidth=1.0, linestyle=(0, (4, 2)), zorder=2)


def _verdict(still: StabilityMargins) -> str:
    found = [
        f"{name} at {number(value)} m/s"
        for name, value in (("divergence", still.divergence), ("flutter", still.flutter))
        if math.isfinite(value)
    ]
    if found:
        return f"Held still: {', '.join(found)}"
    return f"Held still: no divergence or flutter up to {number(float(still.airspeed[-1]))} m/s"
