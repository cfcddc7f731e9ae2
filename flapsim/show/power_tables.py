"""The table of a power curve that `flapsim power` prints."""

from __future__ import annotations

import math

from flapsim.flight.power_curve import PowerCurve
from flapsim.quantities.units import printed, unit_of, without_unit
from flapsim.show.text import noted, wrapped

_SLIM = (
    ("aero", "W"), ("shaft", "W"), ("elec", "W"), ("limit", "%"), ("stall", "%"),
    ("climb", "m/s"), ("time", "min"), ("range", "km"),
)  # fmt: skip


def power_table(curve: PowerCurve) -> str:
    """A power curve as lines of text."""
    case = curve.case
    lines = [case.title, ""]
    leads = [name.split("+")[0] for name in curve.trimmed.free]
    columns = [_name_and_unit(key) for key in (curve.key, *leads)]
    for place in (0, 1):
        wide = [f"{column[place][:9]:>9}" for column in columns]
        lines.append(" ".join([*wide, *(f"{column[place]:>5}" for column in _SLIM)]).rstrip())
    for i, value in enumerate(curve.values):
        if not curve.trimmed.trimmed[i]:
            lines += wrapped(f"{value:9.4g} {curve.trimmed.reason(i)}", "", " " * 10)
            continue
        results, taken = curve.trimmed.results, curve.watts
        wide = [f"{x:9.4g}" for x in (value, *(curve.trimmed.solution[key][i] for key in leads))]
        slim = [
            results["mean.aero_power_w"][i], taken["shaft_power_w"][i],
            taken["electrical_power_w"][i], 100.0 * curve.used[i],
            100.0 * results["check.stalled_fraction"][i], curve.climb_rate_m_s[i],
            curve.endurance_s[i] / 60.0, curve.range_m[i] / 1000.0,
        ]  # fmt: skip
        lines.append(" ".join([*wide, *(_cell(x) for x in slim)]))
    lines.append("")
    for name, point in curve.points.items():
        if math.isfinite(point.value):
            label = "maximum" if name == "most" else name.replace("_", " ")
            lines.append(
                f"{label}: {point.value:.4g} {columns[0][1]},"
                f" {point.power_w:.4g} W {curve.power_kind}"
            )
    if curve.used.max() > 0.0:
        lines += wrapped(
            "limit: largest part used of the available power"
            + (", the battery voltage or the motor current" if case.drive is not None else "")
            + "; the craft cannot fly beyond 100 %."
        )
    return "\n".join([*lines, *noted(curve.notes)])


def _name_and_unit(key: str) -> tuple[str, str]:
    last = key.rpartition(".")[2]
    return without_unit(last).replace("_", " "), printed(unit_of(last))


def _cell(value: float) -> str:
    if not math.isfinite(value):
        return f"{'-':>5}"
    return f"{value:5.0f}" if abs(value) >= 99.95 else f"{value:5.3g}"
