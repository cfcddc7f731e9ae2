"""Figure of a power curve: powers with the named points, free quantities and steepest climb."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from flapsim.drive.limits import LIMITS
from flapsim.flight.curve_points import AVAILABLE, STROKE, CurvePoint
from flapsim.flight.power_curve import PowerCurve
from flapsim.quantities import printed, unit_of, without_unit
from flapsim.show.style import (
    BOTH,
    FADED,
    INK,
    INNER,
    OUTER,
    SHADE,
    blank_figure,
    number,
    save,
    spread_labels,
    styled,
)

_AXIS_WORDS = {
    "flight.airspeed_m_s": "airspeed (m/s)",
    "flight.climb_deg": "climb angle (°)",
    "craft.mass_kg": "mass (kg)",
}
_MOST_WORDS = {"flight.climb_deg": "steepest", "craft.mass_kg": "heaviest"}
_LIMIT_WORDS = {
    STROKE: "stroke",
    AVAILABLE: "available power",
    LIMITS["voltage_used"]: "voltage",
    LIMITS["battery_power_used"]: "battery",
    LIMITS["peak_current_used"]: "peak current",
    LIMITS["continuous_current_used"]: "continuous current",
}


def draw_power_curve(curve: PowerCurve, path: str | Path) -> None:
    """Draw a power curve into a file."""
    with styled():
        page = _page(curve)
    save(page, path)


def _page(curve: PowerCurve) -> Figure:
    climbing = bool(np.isfinite(curve.climb_deg).any())
    heights = [3.2, 1.6] + [1.6] * climbing
    width, top, bottom, gap = 8.0, 0.78, 0.55, 0.38
    height = top + sum(heights) + gap * (len(heights) - 1) + bottom
    page = blank_figure(width, height)
    page.text(
        0.15 / width, 1.0 - 0.2 / height, curve.case.title,
        fontsize=12, weight="bold", va="center",
    )  # fmt: skip
    page.text(
        0.15 / width, 1.0 - 0.43 / height,
        f"Steady flight: {', '.join(curve.trimmed.hold).replace('_', ' ')} balanced at every point",
        fontsize=9.0, color=FADED, va="center",
    )  # fmt: skip
    panels: list[Axes] = []
    begin = top
    for tall in heights:
        box = (0.85 / width, 1.0 - (begin + tall) / height, 5.75 / width, tall / height)
        panels.append(page.add_axes(box, sharex=panels[0] if panels else None))
        begin += tall + gap
    _powers(panels[0], curve)
    _stroke(panels[1], curve)
    if climbing:
        _climb(panels[2], curve)
    for axes in panels:
        axes.tick_params(labelbottom=axes is panels[-1])
        axes.yaxis.set_label_coords(-0.075, 0.5)
    panels[-1].set_xlabel(_AXIS_WORDS.get(curve.key, curve.key))
    panels[0].set_xlim(curve.values[0], curve.values[-1])
    return page


def _powers(axes: Axes, curve: PowerCurve) -> None:
    """Powers, the named points on them, and where there is no trim."""
    good = curve.trimmed.trimmed
    aero = np.where(good, curve.trimmed.results["mean.aero_power_w"], np.nan)
    curves = (
        ("aerodynamic", aero, INNER),
        ("shaft", curve.watts["shaft_power_w"], OUTER),
        ("electrical", curve.watts["electrical_power_w"], BOTH),
    )
    ends = []
    for name, power, line in curves:
        known = np.flatnonzero(np.isfinite(power))
        if not known.size:
            continue
        ends.append((name, float(power[known[-1]]), line.ink))
        axes.plot(curve.values, power, color=line.color, linestyle=line.dash, linewidth=line.width)
    top = float(np.nanmax(curve.power_w)) if np.isfinite(curve.power_w).any() else 1.0
    for name, point in curve.points.items():
        if np.isfinite(point.power_w) and (point.limit or not point.at_end):
            _name_point(axes, curve, name, point)
    if np.isfinite(curve.available_w) and curve.available_w < 1.6 * top:
        axes.axhline(curve.available_w, color=FADED, linewidth=0.9, linestyle=(0, (1, 2)))
        axes.annotate(
            f"available {number(curve.available_w)} W", (0.01, curve.available_w),
            xycoords=("axes fraction", "data"), xytext=(0, 3), textcoords="offset points",
            fontsize=8.0, color=FADED,
        )  # fmt: skip
    axes.set_ylim(0.0, 1.15 * top)
    axes.set_ylabel("power (W)")
    spread_labels(axes, ends)
    _shade_refused(axes, curve)


def _name_point(axes: Axes, curve: PowerCurve, name: str, point: CurvePoint) -> None:
    axes.plot(point.value, point.power_w, "o", color=INK, markersize=5, zorder=5)
    unit = printed(unit_of(curve.key))
    words = [
        _MOST_WORDS.get(curve.key, "most") if name == "most" else name.replace("_", " "),
        f"{number(point.value)}{unit if unit == '°' else f' {unit}'}, {number(point.power_w)} W",
    ]
    if point.limit:
        words.append(f"limit: {_LIMIT_WORDS[point.limit]}")
    last = name in ("top_speed", "most")
    axes.annotate(
        "\n".join(words), (point.value, point.power_w),
        xytext=(-14, 22) if last else (4, 26 if name != "best_range" else 48),
        textcoords="offset points", ha="right" if last else "left", fontsize=8.0, color=INK,
        arrowprops={"arrowstyle": "-", "color": FADED, "linewidth": 0.7},
    )  # fmt: skip


_WIDE, _SLIVER = 0.2, 0.06
"""Parts of the axis that make a shaded band wide enough for a line of words, or for none."""


def _shade_refused(axes: Axes, curve: PowerCurve) -> None:
    """Where no state trims, and where the drive cannot deliver the state that does."""
    good, given = curve.trimmed.trimmed, curve.given
    last = curve.points.get("top_speed", curve.points.get("most"))
    for refused, words in ((~good, "no trim"), (good & ~given, "beyond drive\nlimits")):
        for run in _runs(refused):
            low, high = _reach(curve.values, run)
            if last is not None and last.limit and low < last.value < high:
                low = last.value
            axes.axvspan(low, high, facecolor=SHADE, linewidth=0.0, zorder=0)
            if low > curve.values[0]:
                axes.axvline(low, color=FADED, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
            _name_refused(axes, low, high, curve.values, words)


def _name_refused(
    axes: Axes, low: float, high: float, values: NDArray[np.float64], words: str
) -> None:
    """Words in a shaded band where they have room, upright in a narrow one, beside a sliver."""
    part = (high - low) / (values[-1] - values[0])
    at, side, gap = 0.5 * (low + high), "center", 0.0
    if part < _SLIVER:
        right = low + high > values[0] + values[-1]
        at, side, gap = (low, "right", -4.0) if right else (high, "left", 4.0)
    axes.annotate(
        words.replace("\n", " ") if part > _WIDE else words,
        (at, 0.93 if part > _WIDE else 0.03), xycoords=axes.get_xaxis_transform(),
        xytext=(gap, 0.0), textcoords="offset points", fontsize=8.0, color=FADED, ha=side,
        va="bottom", rotation=90 if _SLIVER <= part <= _WIDE else 0,
    )  # fmt: skip


def _runs(those: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    places = np.flatnonzero(those)
    return np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if places.size else []


def _reach(values: NDArray[np.float64], run: NDArray[np.int64]) -> tuple[float, float]:
    """A run of points, and half of the way to its neighbours."""
    first, last = int(run[0]), int(run[-1])
    below, above = values[max(first - 1, 0)], values[min(last + 1, values.size - 1)]
    return float(0.5 * (values[first] + below)), float(0.5 * (values[last] + above))


def _stroke(axes: Axes, curve: PowerCurve) -> None:
    """The free quantities, one per name; those that follow another are left out."""
    good = curve.trimmed.trimmed
    ends = []
    leads = [name.split("+")[0] for name in curve.trimmed.free]
    for key, line in zip(leads, (INNER, OUTER, BOTH), strict=False):
        values = np.where(good, curve.trimmed.solution[key], np.nan)
        known = np.flatnonzero(good)
        axes.plot(curve.values, values, color=line.color, linestyle=line.dash, linewidth=line.width)
        if known.size:
            ends.append((_short(key), float(values[known[-1]]), line.ink))
    units = {printed(unit_of(key)) for key in leads}
    spread_labels(axes, ends)
    axes.set_ylabel(f"free quantities ({', '.join(sorted(units))})")


def _short(key: str) -> str:
    words = (
        key.removeprefix("flight.").removeprefix("stroke.").removeprefix("craft.").replace(".", " ")
    )
    *before, last = without_unit(words).replace("_", " ").split(" ")
    return f"{' '.join(before)}\n{last}" if before else last


def _climb(axes: Axes, curve: PowerCurve) -> None:
    axes.plot(
        curve.values, curve.climb_rate_m_s,
        color=BOTH.color, linestyle=BOTH.dash, linewidth=BOTH.width,
    )  # fmt: skip
    best = int(np.nanargmax(curve.climb_rate_m_s))
    axes.plot(curve.values[best], curve.climb_rate_m_s[best], "o", color=INK, markersize=5)
    limit = curve.climb_limit[best]
    axes.annotate(
        f"{number(curve.climb_rate_m_s[best])} m/s at {number(curve.values[best])} m/s"
        + (f"\nlimit: {_LIMIT_WORDS[limit]}" if limit else ""),
        (curve.values[best], curve.climb_rate_m_s[best]), xytext=(0, 8),
        textcoords="offset points", ha="center", va="bottom", fontsize=8.0, color=INK,
    )  # fmt: skip
    axes.set_ylabel("steepest climb\nwithin limits (m/s)")
    # Room for the label above the largest rate.
    axes.set_ylim(0.0, 1.45 * float(curve.climb_rate_m_s[best]))
