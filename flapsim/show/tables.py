"""The tables that `run` and `check` print, at most 80 columns wide.

Computes nothing but sums, differences and ratios of what the cycle holds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from flapsim.case import Case, Section
from flapsim.half_wing.twist.report import compliant
from flapsim.quantities import DRIVE, PROPORTIONS, QUANTITIES, printed
from flapsim.show.text import figures, noted, wrapped
from flapsim.wing.body import weight

if TYPE_CHECKING:
    from flapsim.cycle.simulate import Cycle

_LABEL = 28
_NUMBER = 11

CAUTION = (
    "Caution: these numbers come from a model. A craft falls when it fails, spars strike, lithium "
    "cells burn; keep people clear, follow local rules and licensed practice."
)

_SEGMENTS = ("inner", "outer")

# Label and quantity of each row; a quantity that the cycle does not hold is left out.
_POWERS = (
    ("aerodynamic power", "aero_power_w"),
    ("  thrust × airspeed", "thrust_power_w"),
    ("  wake loss", "wake_loss_w"),
    ("  profile loss", "profile_loss_w"),
    ("inertial power", "inertial_power_w"),
    ("shaft power", "shaft_power_w"),
    ("electrical power", "electrical_power_w"),
)
_RATIOS = (
    ("propulsive efficiency", "propulsive_efficiency"),
    ("flapping efficiency", "flapping_efficiency"),
    ("tare efficiency", "tare_efficiency"),
    ("aerodynamic efficiency", "aerodynamic_efficiency"),
    ("drive efficiency", "drive_efficiency"),
    ("total efficiency", "total_efficiency"),
    ("aerodynamic lift to drag", "aero_lift_to_drag"),
    ("effective lift to drag", "effective_lift_to_drag"),
    ("cost of transport", "cost_of_transport"),
)
_TWIST = (
    ("mean at the tip", "mean_deg"),
    ("amplitude at the tip", "amplitude_deg"),
    ("lag at the tip", "lag_deg"),
    ("largest deflection", "deflection_deg"),
    ("peak moment, one wing", "peak_moment_n_m"),
    ("fraction of stroke on a stop", "stop_contact"),
    ("tracking error, rms", "tracking_error_deg"),
    ("lag behind the command", "phase_lag_deg"),
    ("fraction of stroke at limit", "saturation"),
    ("power into the twist", "power_w"),
    ("actuator output power", "actuator_power_w"),
    ("  peak", "actuator_peak_power_w"),
    ("damper loss", "damper_loss_w"),
    ("stiffness without the spring", "air_stiffness_n_m_rad"),
    ("damping ratio", "damping_ratio"),
    ("natural frequency", "natural_frequency_hz"),
    ("largest Floquet multiplier", "floquet_max"),
    ("divergence speed, held still", "divergence_speed_m_s"),
    ("flutter speed, held still", "flutter_speed_m_s"),
)
_CHECKS = (
    ("energy imbalance", "energy_balance"),
    ("drive power imbalance", "motion_power_balance"),
    ("schedule truncation error", "schedule_truncation"),
    ("largest incidence", "incidence_max_deg"),
    ("stalled fraction", "stalled_fraction"),
    ("unconverged instants", "induced_unconverged"),
    ("twist moment residual", "twist_residual"),
    ("twist truncation error", "twist_tail"),
    ("reduced frequency", "reduced_frequency"),
    ("Strouhal number", "strouhal"),
    ("lowest Reynolds number", "reynolds"),
)


def cycle_table(cycle: Cycle) -> str:
    """Return forces, powers, efficiencies, checks and warnings of a stroke as lines of text."""
    case = cycle.case
    known = cycle.mean
    if case.drive is None:
        known = {name: value for name, value in known.items() if name not in DRIVE}
    powers = [_by_part(cycle, label, name) for label, name in _POWERS if name in known]
    lines = [case.title, *wrapped(_models(case))]
    lines += ["", _heading(cycle, "Mean forces and moment"), *_comparable(_forces(cycle))]
    lines += ["", _heading(cycle, "Mean power"), *_comparable(powers)]
    lines += ["", "Efficiency", *_totals(known, _RATIOS)]
    if case.drive is None:
        lines.append("  no drive in this case: no shaft or electrical power")
    lines += _twist(cycle)
    lines += ["", "Checks", *_totals(cycle.check, _CHECKS)]
    warnings = noted(cycle.notes)
    lines += ["", "Warnings", *warnings] if warnings else ["", "No warnings"]
    if case.craft.mass_kg > 0.0:
        lines += ["", *wrapped(CAUTION)]
    return "\n".join(lines)


def case_table(case: Case, proportions: Mapping[str, float]) -> str:
    """Return models and proportions of a case, from `flapsim.wing.proportions`, as text."""
    lines = [case.title, *wrapped(_models(case)), ""]
    for name, quantity in PROPORTIONS.items():
        lines.append(_line(Row(quantity.long_name, [proportions[name]], quantity.unit), 44))
    return "\n".join([*lines, "", f"{case.name}: no faults"])


# --- rows --------------------------------------------------------------------------------------


class Row(NamedTuple):
    """Label, numbers (None leaves the cell blank) and their unit, a UDUNITS string."""

    label: str
    cells: Sequence[float | None]
    unit: str


def _heading(cycle: Cycle, title: str) -> str:
    names = [*(_SEGMENTS if "outer" in cycle.segments else ("", "")), "total", "peak"]
    return f"{title:<{_LABEL + 2}}" + "".join(f"{name:>{_NUMBER}}" for name in names)


def _forces(cycle: Cycle) -> list[Row]:
    mean, carried = cycle.mean, weight(cycle.case)
    rows = [_by_part(cycle, "lift", "lift_n")]
    if carried > 0.0:
        rows.append(
            Row("  relative to weight", [None, None, 100.0 * mean["lift_n"] / carried], "%")
        )
    return [
        *rows,
        _by_part(cycle, "thrust", "thrust_n"),
        _by_part(cycle, "drag of body and tail", "drag_n"),
        Row("thrust minus drag", [None, None, mean["thrust_n"] - mean["drag_n"]], "N"),
        _by_part(cycle, "pitching moment", "pitching_moment_n_m"),
    ]


def _by_part(cycle: Cycle, label: str, name: str) -> Row:
    """One quantity by segment, in total and at its peak; blank where it has no such value."""
    cells: list[float | None] = [None, None]
    if "outer" in cycle.segments:
        cells = [_of_segment(cycle, segment, name) for segment in _SEGMENTS]
    return Row(label, [*cells, cycle.mean[name], cycle.peak.get(name)], QUANTITIES[name].unit)


def _of_segment(cycle: Cycle, segment: str, name: str) -> float | None:
    if name == "thrust_power_w":
        return cycle.segments[segment]["thrust_n"] * cycle.case.flight.airspeed_m_s
    return cycle.segments[segment].get(name)


def _twist(cycle: Cycle) -> list[str]:
    """Lines on the compliant segments; none if every twist is driven."""
    free = compliant(cycle.case)
    if not any(free):
        return []
    lines = ["", _heading(cycle, "Compliant twist")]
    for label, name in _TWIST:
        cells = [cycle.twist.get(segment, {}).get(name) for segment in _SEGMENTS]
        known = [
            cell if there and cell is not None and math.isfinite(cell) else None
            for cell, there in zip(cells, (*free, False), strict=False)
        ]
        if any(cell is not None for cell in known):
            lines.append(_line(Row(label, [*known, None, None], QUANTITIES[name].unit)))
    return lines


def _totals(numbers: Mapping[str, float], rows: Sequence[tuple[str, str]]) -> list[str]:
    """Lines of quantities that have a total only."""
    return [
        _line(Row(label, [None, None, numbers[name]], QUANTITIES[name].unit))
        for label, name in rows
        if name in numbers
    ]


def _comparable(rows: Sequence[Row]) -> list[str]:
    """Lines in which all numbers of one unit have equal decimals, so that they add up by eye."""
    cells: dict[str, list[float | None]] = {}
    for row in rows:
        cells.setdefault(row.unit, []).extend(row.cells)
    return [_line(row, alike=cells[row.unit]) for row in rows]


def _line(row: Row, label_width: int = _LABEL, alike: Sequence[float | None] | None = None) -> str:
    """Label, right-aligned numbers with the decimals that suit those `alike`, and unit."""
    percent = row.unit == "%"
    decimals = 1 if percent else _decimals(row.cells if alike is None else alike)
    words = "".join(f"{_number(cell, decimals):>{_NUMBER}}" for cell in row.cells)
    columns = 4 * _NUMBER if label_width == _LABEL else _NUMBER
    unit = "%" if percent else printed(row.unit)
    return f"  {row.label:<{label_width}}{words:<{columns}} {unit}".rstrip()


def _decimals(cells: Sequence[float | None]) -> int | None:
    """Decimals (negative: zeros before the point) for four digits; None: with an exponent."""
    known = [abs(cell) for cell in cells if cell is not None and math.isfinite(cell)]
    largest = max(known, default=0.0)
    if largest == 0.0:
        return 0
    order = math.floor(math.log10(largest))
    return min(3 - order, 4) if -4 <= order <= 6 else None


def _number(value: float | None, decimals: int | None) -> str:
    if value is None:
        return ""
    if not math.isfinite(value):
        return figures(value)
    rounded = value if decimals is None else round(value, decimals)
    text = format(rounded, ".1e" if decimals is None else f".{max(decimals, 0)}f")
    return text.removeprefix("-") if float(text) == 0.0 else text


# --- models --------------------------------------------------------------------------------------


def _models(case: Case) -> str:
    """Return the choices of models that move the numbers most."""
    model = case.model
    lag = f", {model.wake_lag} lag" if model.wake == "indicial" else ""
    parts = [
        f"induction {model.induced}",
        f"wake {model.wake}{lag}",
        f"stall {model.stall}",
        *([] if model.apparent_mass else ["no apparent mass"]),
        f"section {_section(case.wing.section)}",
        f"{model.steps} steps",
    ]
    return "Models: " + "; ".join(parts)


def _section(section: Section) -> str:
    if section.law in ("polar", "revolving-plate"):
        return f"{section.law} {section.file}" if section.file else section.law
    friction = section.friction
    law = friction if isinstance(friction, str) else f"coefficient {friction:g}"
    factor = "" if section.friction_factor == 1.0 else f" × {section.friction_factor:g}"
    return f"{section.law}, suction {section.suction:g}, friction {law}{factor}"
