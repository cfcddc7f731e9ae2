"""A case or a cycle as a compact table for a reader at the terminal.

Answers: what does the wing do, where do the watts go, what is to be distrusted? Computes nothing
but differences and ratios of what the cycle holds.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from flapsim.case import Case, Section
from flapsim.half_wing.twist.report import compliant
from flapsim.quantities import PROPORTIONS, QUANTITIES
from flapsim.wing.body import weight

if TYPE_CHECKING:
    from flapsim.cycle.simulate import Cycle

__all__ = ["case_table", "cycle_table"]

WIDTH = 80
_LABEL = 28
_NUMBER = 11

CAUTION = (
    "Caution: numbers from a model. A craft falls when it fails, spars strike, lithium cells burn; "
    "keep people clear, follow local rules and licensed practice."
)

_SEGMENTS = ("inner", "outer")

_UNITS = {
    "1": "",
    "degree": "deg",
    "m2": "m²",
    "kg m-2": "kg/m²",
    "N m-2": "N/m²",
    "N m rad-1": "N m/rad",
    "m s-1": "m/s",
}
"""What a person writes for a UDUNITS string, where that differs."""

# Rows of the table of a run: label and name; what a cycle does not hold is left out.
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
    ("weight × airspeed / power", "aero_lift_to_drag"),
    ("effective lift to drag", "effective_lift_to_drag"),
    ("cost of transport", "cost_of_transport"),
)
_TWIST = (
    ("mean at the tip", "mean_deg"),
    ("amplitude", "amplitude_deg"),
    ("lag", "lag_deg"),
    ("largest deflection", "deflection_deg"),
    ("peak moment, one wing", "peak_moment_n_m"),
    ("part of stroke at a stop", "stop_contact"),
    ("tracking error, rms", "tracking_error_deg"),
    ("behind its command", "phase_lag_deg"),
    ("part of stroke at a limit", "saturation"),
    ("power into the twist", "power_w"),
    ("actuators put out", "actuator_power_w"),
    ("  at most", "actuator_peak_power_w"),
    ("lost in dampers", "damper_loss_w"),
    ("stiffness of the air", "air_stiffness_n_m_rad"),
    ("damping ratio", "damping_ratio"),
    ("natural frequency", "natural_frequency_hz"),
    ("growth in a stroke", "floquet_max"),
    ("held still, diverges at", "divergence_speed_m_s"),
    ("held still, flutters at", "flutter_speed_m_s"),
)
_CHECKS = (
    ("energy balance", "energy_balance"),
    ("power of the drives", "motion_power_balance"),
    ("schedule truncation", "schedule_truncation"),
    ("largest incidence", "incidence_max_deg"),
    ("stalled part", "stalled_fraction"),
    ("unsettled instants", "induced_unconverged"),
    ("balance of the twist", "twist_residual"),
    ("harmonics left out", "twist_tail"),
    ("reduced frequency", "reduced_frequency"),
    ("Strouhal number", "strouhal"),
    ("least Reynolds number", "reynolds"),
)


def cycle_table(cycle: Cycle) -> str:
    """Return what a person wants to know of a cycle, at most `WIDTH` columns wide.

    Parameters
    ----------
    cycle : Cycle
        What `flapsim.simulate` returned.

    Returns
    -------
    str
        Lines of text, the last one without its end.
    """
    case = cycle.case
    lines = [case.title, *_wrapped(_models(case))]
    powers = [_by_part(cycle, label, name) for label, name in _POWERS if name in cycle.mean]
    lines += ["", _heading(cycle, "What the wing does"), *_comparable(_forces(cycle))]
    lines += ["", _heading(cycle, "Where the watts go"), *_comparable(powers)]
    lines += ["", "What it is worth"]
    lines += [_whole(label, cycle.mean, name) for label, name in _RATIOS if name in cycle.mean]
    lines += _twist(cycle)
    lines += ["", "Checks"]
    lines += [_whole(label, cycle.check, name) for label, name in _CHECKS if name in cycle.check]
    lines += ["", "What to distrust"]
    lines += [line for note in cycle.notes for line in _wrapped(note, "  - ", "    ")] or [
        "  nothing that this run can see of itself"
    ]
    if case.craft.mass_kg > 0.0:
        lines += ["", *_wrapped(CAUTION)]
    return "\n".join(lines)


def case_table(case: Case, proportions: Mapping[str, float]) -> str:
    """Return what a case amounts to, for a person who checks it.

    Parameters
    ----------
    case : Case
        A sound case.
    proportions : mapping of str to float
        From :func:`flapsim.wing.proportions.proportions`.

    Returns
    -------
    str
        Lines of text, the last one without its end.
    """
    lines = [case.title, *_wrapped(_models(case)), ""]
    for name, quantity in PROPORTIONS.items():
        lines.append(_line(Row(quantity.long_name, [proportions[name]], quantity.unit), 44))
    return "\n".join([*lines, "", f"{case.name}: sound"])


# --- rows --------------------------------------------------------------------------------------


class Row(NamedTuple):
    """Label, numbers (None leaves the place blank) and the UDUNITS string of their unit."""

    label: str
    cells: Sequence[float | None]
    unit: str


def _heading(cycle: Cycle, title: str) -> str:
    names = [*(_SEGMENTS if "outer" in cycle.segments else ("", "")), "whole", "peak"]
    return f"{title:<{_LABEL + 2}}" + "".join(f"{name:>{_NUMBER}}" for name in names)


def _forces(cycle: Cycle) -> list[Row]:
    mean, carried = cycle.mean, weight(cycle.case)
    rows = [_by_part(cycle, "lift", "lift_n")]
    if carried > 0.0:
        rows.append(Row("  of the weight", [None, None, 100.0 * mean["lift_n"] / carried], "%"))
    return [
        *rows,
        _by_part(cycle, "thrust", "thrust_n"),
        _by_part(cycle, "drag of body and tail", "drag_n"),
        Row("thrust less drag", [None, None, mean["thrust_n"] - mean["drag_n"]], "N"),
        _by_part(cycle, "pitching moment", "pitching_moment_n_m"),
    ]


def _by_part(cycle: Cycle, label: str, name: str) -> Row:
    """One quantity by segment, as a whole and at its peak; blank where it has no such value."""
    cells: list[float | None] = [None, None]
    if "outer" in cycle.segments:
        cells = [_of_segment(cycle, segment, name) for segment in _SEGMENTS]
    return Row(label, [*cells, cycle.mean[name], cycle.peak.get(name)], QUANTITIES[name].unit)


def _of_segment(cycle: Cycle, segment: str, name: str) -> float | None:
    if name == "thrust_power_w":
        return cycle.segments[segment]["thrust_n"] * cycle.case.flight.airspeed_m_s
    return cycle.segments[segment].get(name)


def _twist(cycle: Cycle) -> list[str]:
    """What a twist that the crank does not drive amounts to; no lines for one that it drives."""
    free = compliant(cycle.case)
    if not any(free):
        return []
    lines = ["", _heading(cycle, "What twists")]
    for label, name in _TWIST:
        cells = [cycle.twist.get(segment, {}).get(name) for segment in _SEGMENTS]
        known = [
            cell if there and cell is not None and math.isfinite(cell) else None
            for cell, there in zip(cells, (*free, False), strict=False)
        ]
        if any(cell is not None for cell in known):
            row = Row(label, [*known, None, None], QUANTITIES[name].unit)
            lines.append(_line(row))
    return lines


def _whole(label: str, numbers: Mapping[str, float], name: str) -> str:
    return _line(Row(label, [None, None, numbers[name]], QUANTITIES[name].unit))


def _comparable(rows: Sequence[Row]) -> list[str]:
    """Lines of rows whose numbers of one unit have equal decimals, so that they add up by eye."""
    return [
        _line(row, alike=[cell for other in rows if other.unit == row.unit for cell in other.cells])
        for row in rows
    ]


def _line(row: Row, label_width: int = _LABEL, alike: Sequence[float | None] | None = None) -> str:
    """Label, right-aligned numbers with the decimals that suit those `alike`, unit."""
    decimals = 1 if row.unit == "%" else _decimals(row.cells if alike is None else alike)
    words = "".join(f"{_number(cell, decimals):>{_NUMBER}}" for cell in row.cells)
    columns = 4 * _NUMBER if label_width == _LABEL else _NUMBER
    unit = _UNITS.get(row.unit, row.unit)
    return f"  {row.label:<{label_width}}{words:<{columns}} {unit}".rstrip()


def _decimals(cells: Sequence[float | None]) -> int | None:
    """Decimals that give the largest number four figures; None for one too small or too large."""
    known = [abs(cell) for cell in cells if cell is not None and math.isfinite(cell)]
    largest = max(known, default=0.0)
    if largest == 0.0:
        return 0
    order = math.floor(math.log10(largest))
    return None if not -4 <= order <= 6 else min(max(3 - order, 0), 4)


def _number(value: float | None, decimals: int | None) -> str:
    if value is None:
        return ""
    if not math.isfinite(value):
        return "n/a"
    text = f"{value:.1e}" if decimals is None else f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


# --- words -------------------------------------------------------------------------------------


def _models(case: Case) -> str:
    """Which physics is computed: the choices that move the numbers most."""
    model = case.model
    lag = f" ({model.wake_lag} lag)" if model.wake == "indicial" else ""
    parts = [
        f"induced {model.induced}",
        f"wake {model.wake}{lag}",
        f"{model.stall} stall",
        *([] if model.apparent_mass else ["no apparent mass"]),
        _section(case.wing.section),
        f"{model.steps} steps",
    ]
    return ", ".join(parts)


def _section(section: Section) -> str:
    if section.law in ("polar", "revolving-plate"):
        return f"{section.law} {section.file}" if section.file else section.law
    friction = section.friction
    law = friction if isinstance(friction, str) else f"coefficient {friction:g}"
    factor = "" if section.friction_factor == 1.0 else f" × {section.friction_factor:g}"
    return f"{section.law}, suction {section.suction:g}, friction {law}{factor}"


def _wrapped(text: str, first: str = "", other: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=other)
