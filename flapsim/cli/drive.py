"""Commands about the machine: drive and loads.

Thin, as all of the command line: read the arguments, call the package, print.
"""

from __future__ import annotations

import argparse
import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from flapsim.cli.common import (
    INPUT_AT_FAULT,
    NO_SUCH_ANSWER,
    PICTURE_SUFFIXES,
    Stop,
    add_command,
    case_from,
    check_output,
    compilation_said,
    print_json,
    quick_start,
    say,
    take_changes,
    take_json,
    take_output,
)
from flapsim.quantities import finite_or_none

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from flapsim.cycle.simulate import Cycle
    from flapsim.drive.crank import CrankSpeed
    from flapsim.drive.spring import SpringOptimum
    from flapsim.flight.loads import CrankForces, SpanLoads
    from flapsim.flight.power_chain import PowerChain
    from flapsim.flight.size_drive import SizedDrive
    from flapsim.flight.spar import SparState, Tube

__all__ = ["add_drive_commands"]

_WIDTH = 80
_SEGMENTS = ("inner", "outer")


def add_drive_commands(commands: Any) -> None:
    """Add the commands of this module to the command line.

    Parameters
    ----------
    commands : argparse subparsers
        Those of the command line.
    """
    drive = add_command(
        commands,
        "drive",
        _drive,
        "follow the watts from the battery to the thrust, and choose a drive",
        "flapsim drive cases/glasshouse.toml --size -o watts.png",
    )
    drive.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(drive)
    drive.add_argument(
        "--size", action="store_true", help="find motor, gear ratio and spring of least power"
    )
    drive.add_argument(
        "--motors", metavar="FILE", help="with --size: a table of motors to add (.csv)"
    )
    drive.add_argument(
        "--keep-spring", action="store_true", help="with --size: leave the balance spring as it is"
    )
    take_json(drive)
    take_output(drive, "picture to draw of the chain of watts, .png, .svg or .pdf")

    loads = add_command(
        commands,
        "loads",
        _loads,
        "find what the stroke asks of spars, hinges and crank",
        "flapsim loads cases/glasshouse.toml --tube 6,5 --wall 0.5,0.5 -o loads.png",
    )
    loads.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(loads)
    for name, what in (
        ("tube", "outer diameters of round tube spars, inner and outer segment, mm"),
        ("wall", "their walls, mm [a tenth of the diameter]"),
    ):
        loads.add_argument(f"--{name}", metavar="MM[,MM]", help=what)
    for name, unit, what in (
        ("modulus", "GPA", "modulus of the spar [carbon fibre, 120: common practice, no source]"),
        ("shear-modulus", "GPA", "shear modulus of the spar [5: common practice, no source]"),
        ("allowable", "MPA", "stress the spar may carry [500: common practice, no source]"),
        ("spar-density", "KG_M3", "density of the spar [1600: common practice, no source]"),
        ("crank", "MM", "length of the crank, for its force [that of the linkage]"),
        ("rocker", "MM", "length of the rocker, for the rod's force [that of the linkage]"),
    ):
        loads.add_argument(f"--{name}", metavar=unit, type=_positive, help=what)
    take_json(loads)
    take_output(loads, "picture to draw of the loads, .png, .svg or .pdf")


def _positive(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(text)
    return value


_positive.__name__ = "positive number"  # what argparse calls it in its message


def _cycle(options: argparse.Namespace, drive: bool = False) -> Cycle:
    case = case_from(options.case, options.changes)
    if drive and case.drive is None:
        raise Stop(
            INPUT_AT_FAULT, f"{case.name}: drive: missing, a table [drive] with motor and battery"
            " expected",
        )  # fmt: skip
    with quick_start():
        from flapsim.cycle.simulate import simulate
        from flapsim.faults import NoAnswer

        try:
            with compilation_said():
                return simulate(case)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error


def _figures(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else "n/a"


def _notes(notes: Sequence[str]) -> list[str]:
    return [
        line
        for note in notes
        for line in textwrap.wrap(note, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
    ]


# --- drive -------------------------------------------------------------------------------------


def _drive(options: argparse.Namespace) -> None:
    if (options.motors or options.keep_spring) and not options.size:
        raise Stop(INPUT_AT_FAULT, "--motors and --keep-spring go with --size")
    check_output(options, PICTURE_SUFFIXES)
    from flapsim.drive.crank import NoSteadyCrank, crank_speed_ripple
    from flapsim.drive.spring import optimal_spring
    from flapsim.faults import NoAnswer
    from flapsim.flight.power_chain import power_chain
    from flapsim.flight.size_drive import motor_table, size_drive, wing_load

    motors = motor_table(options.motors) if options.size else ()
    cycle = _cycle(options, drive=True)
    case = cycle.case
    drive = cycle.drive
    assert drive is not None
    frequency, load = case.stroke.frequency_hz, wing_load(cycle)
    chain = power_chain(cycle)
    best = optimal_spring(drive, frequency, *load)
    uneven: CrankSpeed | str
    try:
        uneven = crank_speed_ripple(drive, frequency, chain.train.series["shaft_power_w"])
    except NoSteadyCrank as error:
        uneven = str(error)
    sized: tuple[SizedDrive, ...] = ()
    if options.size:
        try:
            sized = size_drive(drive, frequency, load, motors, options.keep_spring)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error
    if options.output is not None:
        from flapsim.show.drive_panels import draw_chain

        draw_chain(cycle, chain, options.output)
        say(f"wrote {options.output}")
    if options.json:
        print_json(_drive_document(cycle, chain, best, uneven, sized))
    else:
        print("\n".join(_drive_lines(cycle, chain, best, uneven, sized)))


def _drive_document(
    cycle: Cycle,
    chain: PowerChain,
    best: SpringOptimum,
    uneven: CrankSpeed | str,
    sized: Sequence[SizedDrive],
) -> dict[str, Any]:
    document: dict[str, Any] = {
        "title": cycle.case.title,
        "mean": finite_or_none(chain.means),
        "peak": finite_or_none(chain.train.peak),
        "check": finite_or_none({"drive_balance": chain.imbalance}),
        "links": [
            finite_or_none({"power_w": link.power}) | {"name": link.name, "loss": link.loss}
            for link in chain.links
        ],
        "best_spring": {
            "moment_n_m": best.spring.moment_n_m,
            "stiffness_n_m_rad": best.spring.stiffness_n_m_rad,
            "motor_power_w": best.motor_power,
        },
        "notes": list(chain.notes),
    }
    if isinstance(uneven, str):
        document["uneven_crank"] = {"refused": uneven}
    else:
        document["uneven_crank"] = {
            "fluctuation": uneven.fluctuation,
            "voltage_v": uneven.voltage,
            "motor_power_w": uneven.motor_power,
        }
    if sized:
        document["sized"] = [_sized_document(one) for one in sized]
    return document


def _sized_document(one: SizedDrive) -> dict[str, Any]:
    spring = one.drive.balance_spring
    return {
        "motor": one.kind.name,
        "motor_mass_kg": one.kind.mass,
        "gear_ratio": one.drive.gear_ratio,
        "spring_moment_n_m": None if spring is None else spring.moment_n_m,
        "spring_stiffness_n_m_rad": None if spring is None else spring.stiffness_n_m_rad,
        "electrical_power_w": one.electrical_power,
        "limits_used": one.limits,
    }


def _drive_lines(
    cycle: Cycle,
    chain: PowerChain,
    best: SpringOptimum,
    uneven: CrankSpeed | str,
    sized: Sequence[SizedDrive],
) -> list[str]:
    from flapsim.flight.power_chain import RATIOS

    means, peak = chain.means, chain.train.peak
    lines = [cycle.case.title, "", "From the battery to the thrust, means over the stroke"]
    for link in chain.links:
        name = f"  - {link.name}" if link.loss else link.name
        lines.append(f"  {name:<34}{_figures(link.power):>11} W")
    lines += [f"  {'closes to':<34}{chain.imbalance:>11.1e}", "", "What it is worth"]
    lines += [f"  {name:<34}{_figures(means[key]):>11}" for name, key in RATIOS if key in means]
    turns = means["motor_speed_rad_s"] * 60.0 / (2.0 * math.pi)
    lines += [
        "",
        "Motor and battery",
        f"  {'current, mean / rms / peak':<34}{_figures(means['motor_current_a']):>11} /"
        f" {_figures(means['motor_current_rms_a'])} / {_figures(float(peak['motor_current_a']))} A",
        f"  {'voltage the motor needs, peak':<34}{_figures(float(peak['motor_voltage_v'])):>11} V",
        f"  {'voltage of the battery under load':<34}{_figures(means['battery_voltage_v']):>11} V",
        f"  {'motor speed':<34}{turns:>11.0f} turns/min",
        "",
        "Balance spring at the shoulder (both wings)",
        f"  best: {best.spring.moment_n_m:.3g} N m and {best.spring.stiffness_n_m_rad:.3g} N m/rad,"
        f" {best.motor_power:.4g} W at the motor, {means['motor_power_w']:.4g} W as it is",
        "",
        "Crank driven at constant voltage",
    ]
    if isinstance(uneven, str):
        lines += textwrap.wrap(uneven, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    else:
        lines.append(
            f"  speed varies by {100.0 * uneven.fluctuation:.2g} % of its mean,"
            f" {uneven.motor_power:.4g} W at the motor"
        )
    if sized:
        lines += ["", *_sized_lines(sized)]
    if chain.notes:
        lines += ["", "What to mind", *_notes(chain.notes)]
    return lines


def _sized_lines(sized: Sequence[SizedDrive]) -> list[str]:
    lines = [
        "Drives of least electrical power within the limits (motor mass is not weighed)",
        f"  {'motor':<22}{'g':>5}{'ratio':>9}{'N m':>8}{'N m/rad':>9}{'W':>8}  nearest limit",
    ]
    for one in sized:
        spring = one.drive.balance_spring
        moment = 0.0 if spring is None else spring.moment_n_m
        stiffness = 0.0 if spring is None else spring.stiffness_n_m_rad
        name, used = max(one.limits.items(), key=lambda item: item[1])
        lines.append(
            f"  {one.kind.name:<22}{1e3 * one.kind.mass:>5.0f}{one.drive.gear_ratio:>9.1f}"
            f"{moment:>8.3f}{stiffness:>9.3f}{one.electrical_power:>8.3f}"
            f"  {name}, {100.0 * used:.0f} %"
        )
    return lines


# --- loads -------------------------------------------------------------------------------------


def _loads(options: argparse.Namespace) -> None:
    check_output(options, PICTURE_SUFFIXES)
    diameters, walls = _lengths("tube", options.tube), _lengths("wall", options.wall)
    if walls and not diameters:
        raise Stop(INPUT_AT_FAULT, "--wall goes with --tube")
    from flapsim.flight.loads import crank_forces, span_loads
    from flapsim.flight.spar import least_tube, spar_notes, spar_states

    cycle = _cycle(options)
    loads = span_loads(cycle)
    segments = [cycle.case.wing.inner, cycle.case.wing.outer][: int(loads.segment[-1]) + 1]
    if diameters:
        tubes = _tubes(options, diameters, walls, len(segments))
    else:
        material = _material(options)
        tubes = [least_tube(loads, index, material) for index in range(len(segments))]
    states = spar_states(loads, tubes)
    given = [segment.spar_kg_m for segment in segments if segment is not None]
    notes = spar_notes(loads, states, float(loads.span_position[-1]), given)
    if cycle.case.stroke.port is not None:
        notes += ("These are the loads of the starboard wing; the port wing moves otherwise.",)
    crank = crank_forces(
        cycle, loads, *(None if mm is None else 1e-3 * mm for mm in (options.crank, options.rocker))
    )
    if options.output is not None:
        from flapsim.show.drive_panels import draw_loads

        draw_loads(cycle, loads, options.output)
        say(f"wrote {options.output}")
    if options.json:
        print_json(_loads_document(cycle, loads, states, crank, notes))
    else:
        print("\n".join(_loads_lines(cycle, loads, states, crank, notes, bool(diameters))))


def _lengths(name: str, text: str | None) -> list[float]:
    """One or two lengths in mm, as m."""
    if text is None:
        return []
    try:
        out = [1e-3 * _positive(part) for part in text.split(",")]
    except ValueError:
        out = []
    if not 1 <= len(out) <= 2:
        raise Stop(
            INPUT_AT_FAULT, f"--{name} {text}: one or two lengths above 0 in mm expected, as 6,5"
        )
    return out


def _material(options: argparse.Namespace) -> Any:
    from flapsim.flight.spar import CARBON, Material

    return Material(
        modulus=CARBON.modulus if options.modulus is None else 1e9 * options.modulus,
        shear_modulus=(
            CARBON.shear_modulus if options.shear_modulus is None else 1e9 * options.shear_modulus
        ),
        allowable=CARBON.allowable if options.allowable is None else 1e6 * options.allowable,
        density=CARBON.density if options.spar_density is None else options.spar_density,
    )


def _tubes(
    options: argparse.Namespace, diameters: list[float], walls: list[float], count: int
) -> list[Tube]:
    from flapsim.flight.spar import WALL_PART, Tube

    if len(diameters) == 1:
        diameters = diameters * count
    if len(walls) <= 1:
        walls = walls * count or [WALL_PART * diameter for diameter in diameters]
    if len(diameters) != count or len(walls) != count:
        raise Stop(
            INPUT_AT_FAULT, f"--tube, --wall: one value, or one for each of {count} segments"
        )
    material = _material(options)
    try:
        return [Tube(*pair, material) for pair in zip(diameters, walls, strict=True)]
    except ValueError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error


def _cuts(loads: SpanLoads) -> dict[str, int]:
    """Shoulder and wrist among the cuts."""
    out = {"shoulder": 0}
    if loads.wrist is not None:
        out["wrist"] = int((loads.segment == 0).sum())
    return out


def _loads_document(
    cycle: Cycle,
    loads: SpanLoads,
    states: Sequence[SparState],
    crank: CrankForces,
    notes: Sequence[str],
) -> dict[str, Any]:
    from flapsim.flight.spar import tip_deflection

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
            for joint, cut in _cuts(loads).items()
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
        "notes": list(notes),
    }  # fmt: skip


def _range(values: NDArray[np.float64]) -> str:
    """Least and most of a load, rounding printed as zero."""
    return " .. ".join(f"{0.0 if abs(x) < 1e-9 else x:.3g}" for x in (values.min(), values.max()))


def _loads_lines(
    cycle: Cycle,
    loads: SpanLoads,
    states: Sequence[SparState],
    crank: CrankForces,
    notes: Sequence[str],
    named: bool,
) -> list[str]:
    from flapsim.flight.spar import tip_deflection
    from flapsim.quantities import SPAN_LOADS

    lines = [cycle.case.title, "", "Loads of one wing through the stroke, least to most"]
    cuts = _cuts(loads)
    lines.append(" " * 44 + "".join(f"{joint:>18}" for joint in cuts))
    for name, quantity in SPAN_LOADS.items():
        scale, unit = (1e3, "N mm") if quantity.unit == "N m" else (1.0, "N")
        ranges = [_range(scale * loads.cuts[name][cut]) for cut in cuts.values()]
        lines.append(
            f"  {quantity.long_name:<42}" + "".join(f"{text:>18}" for text in ranges) + f" {unit}"
        )
    lines += [
        "",
        "Round tube spars as asked for" if named else "Least round tube spars that would do",
        f"  {'':<8}{'mm':>7}{'wall':>7}{'g':>7}{'MPa':>8}{'reserve':>9}{'swing MPa':>11}"
        f"{'bent mm':>9}{'twist deg':>11}",
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
        f"  tip bent by {1e3 * bent:.3g} mm, {100.0 * bent / span:.2g} % of the semispan",
        f"  E {material.modulus / 1e9:g} GPa, G {material.shear_modulus / 1e9:g} GPa, allowed"
        f" {material.allowable / 1e6:g} MPa, {material.density:g} kg/m³",
        "  (carbon fibre unless given: common practice, no source)",
        "",
        "Hinge and crank, balance spring taken off",
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
        ("force square to the crank, peak", crank.tangential_force),
        ("force in the rod of one wing, at least", crank.rod_force),
    ):
        text = _figures(force) if math.isfinite(force) else "no length given"
        lines.append(f"  {name:<42}{text:>18}" + " N" * math.isfinite(force))
    lines.append(f"  {'load cycles per hour':<42}{3600.0 * cycle.case.stroke.frequency_hz:>18.0f}")
    return [*lines, "", "What to mind", *_notes(notes)] if notes else lines
