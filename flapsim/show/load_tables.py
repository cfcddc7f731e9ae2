"""The load report of `flapsim loads`: the table that is printed and the JSON document."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.flight.load_report import LoadReport
from flapsim.flight.spar import tip_deflection
from flapsim.quantities import SPAN_LOADS, finite_or_none
from flapsim.show.text import figures, noted

_SEGMENTS = ("inner", "outer")


def loads_document(report: LoadReport) -> dict[str, Any]:
    """A load report as a nested dictionary for JSON; numbers without a meaning are None."""
    cycle, loads, states, crank = report.cycle, report.loads, report.states, report.crank
    deflection = float(tip_deflection(loads, states).max())
    return {
        "title": cycle.case.title,
        "wing": "starboard",
        "hinges": {
            joint: {
                name: {"least": float(values[cut].min()), "most": float(values[cut].max()),
                       "mean": float(values[cut].mean())}
                for name, values in loads.cuts.items()
            }
            for joint, cut in report.cuts.items()
        },
        "spars": {
            _SEGMENTS[index]: {
                "diameter_m": state.tube.diameter,
                "wall_m": state.tube.wall,
                "mass_kg": state.mass,
                "stress_pa": state.stress,
                "stress_distance_m": state.stress_distance,
                "stress_phase_rad": state.stress_phase,
                "reserve": state.reserve,
                "stress_amplitude_pa": state.stress_amplitude,
                "deflection_m": float(abs(state.flap_deflection).max()),
                "twist_rad": float(abs(state.twist).max()),
            }
            for index, state in enumerate(states)
        },
        "tip_deflection_m": deflection,
        "tip_deflection_of_semispan": deflection / float(loads.span_position[-1]),
        "crank": finite_or_none(
            {
                "hinge_moment_peak_n_m": float(abs(crank.hinge_moment).max()),
                "crank_torque_peak_n_m": float(abs(crank.crank_torque).max()),
                "tangential_force_n": crank.tangential_force,
                "rod_force_n": crank.rod_force,
            }
        ),
        "hinge_force_peak_n": {
            name: joint.peak_force
            for name, joint in (("shoulder", loads.shoulder), ("wrist", loads.wrist))
            if joint is not None
        },
        "cycles_per_hour": 3600.0 * cycle.case.stroke.frequency_hz,
        "notes": list(report.notes),
    }  # fmt: skip


def _range(values: NDArray[np.float64]) -> str:
    """Least and most of a load, rounding printed as zero."""
    return " .. ".join(f"{0.0 if abs(x) < 1e-9 else x:.3g}" for x in (values.min(), values.max()))


def loads_table(report: LoadReport, tubes_given: bool) -> str:
    """A load report as lines of text."""
    cycle, loads, states, crank = report.cycle, report.loads, report.states, report.crank
    lines = [
        cycle.case.title,
        "",
        "Loads of the starboard wing, least to greatest",
    ]
    cuts = report.cuts
    lines.append(" " * 44 + "".join(f"{joint:>18}" for joint in cuts))
    for name, quantity in SPAN_LOADS.items():
        scale, unit = (1e3, "N mm") if quantity.unit == "N m" else (1.0, "N")
        ranges = [_range(scale * loads.cuts[name][cut]) for cut in cuts.values()]
        lines.append(
            f"  {quantity.long_name:<42}" + "".join(f"{text:>18}" for text in ranges) + f" {unit}"
        )
    lines += [
        "",
        "Round tube spars as given" if tubes_given else "Lightest round tube spars that suffice",
        f"  {'':<8}{'mm':>7}{'wall':>7}{'g':>7}{'MPa':>8}{'reserve':>9}{'alt. MPa':>11}"
        f"{'defl. mm':>9}{'twist deg':>11}",
    ]
    for index, state in enumerate(states):
        bent = 1e3 * float(abs(state.flap_deflection).max())
        lines.append(
            f"  {_SEGMENTS[index]:<8}{1e3 * state.tube.diameter:>7.2f}{1e3 * state.tube.wall:>7.2f}"
            f"{1e3 * state.mass:>7.2f}{state.stress / 1e6:>8.1f}{state.reserve:>9.2f}"
            f"{state.stress_amplitude / 1e6:>11.1f}{bent:>9.2f}"
            f"{math.degrees(float(abs(state.twist).max())):>11.2f}"
        )
    bent = float(tip_deflection(loads, states).max())
    span = float(loads.span_position[-1])
    material = states[0].tube.material
    lines += [
        f"  tip deflection {1e3 * bent:.3g} mm, {100.0 * bent / span:.2g} % of the semispan",
        f"  E {material.modulus / 1e9:g} GPa, G {material.shear_modulus / 1e9:g} GPa, allowed"
        f" {material.allowable / 1e6:g} MPa, {material.density:g} kg/m³",
        "  (carbon fibre unless given: common practice, no source)",
        "",
        "Hinge and crank, net of the balance spring",
        *(
            f"  {f'force on one {name}, peak':<42}{joint.peak_force:>18.4g} N"
            for name, joint in (("shoulder", loads.shoulder), ("wrist", loads.wrist))
            if joint is not None
        ),
        f"  {'moment at one shoulder, peak':<42}{1e3 * float(abs(crank.hinge_moment).max()):>18.4g}"
        " N mm",
        f"  {'torque at the crank, peak':<42}{1e3 * float(abs(crank.crank_torque).max()):>18.4g}"
        " N mm",
    ]
    for name, force in (
        ("tangential force at the crank, peak", crank.tangential_force),
        ("rod force of one wing, lower bound", crank.rod_force),
    ):
        text = figures(force) if math.isfinite(force) else "no length"
        lines.append(f"  {name:<42}{text:>18}" + " N" * math.isfinite(force))
    lines.append(f"  {'load cycles per hour':<42}{3600.0 * cycle.case.stroke.frequency_hz:>18.0f}")
    if report.notes:
        lines += ["", "Warnings", *noted(report.notes)]
    return "\n".join(lines)
