"""Commands on the machine: drive and loads."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from flapsim.cli import console

if TYPE_CHECKING:
    from flapsim.case import Case
    from flapsim.cycle.simulate import Cycle
    from flapsim.flight.spar import Material, Tube

_LENGTHS_MM = (0.01, 1000.0)
"""Diameters and walls of tubes that anybody could mean."""


def add_drive_commands(commands: Any) -> None:
    """Add the commands of this module to the command line (argparse subparsers)."""
    drive = console.add_command(
        commands,
        "drive",
        _drive,
        "trace the power from battery to thrust and size a drive",
        "flapsim drive cases/glasshouse.toml --size -o watts.png",
    )
    console.take_case(drive)
    drive.add_argument(
        "--size",
        action="store_true",
        help="find motor, gear ratio and balance spring of least power",
    )
    drive.add_argument("--motors", metavar="FILE", help="with --size: CSV table of further motors")
    drive.add_argument(
        "--keep-spring", action="store_true", help="with --size: keep the balance spring"
    )
    console.take_output(drive, "figure of the powers to write: .png, .svg or .pdf")

    loads = console.add_command(
        commands,
        "loads",
        _loads,
        "compute loads on spars, hinges and crank",
        "flapsim loads cases/glasshouse.toml --tube 6,5 --wall 0.5,0.5 -o loads.png",
    )
    console.take_case(loads)
    for name, what in (
        ("tube", "outer diameters of round tube spars, inner and outer segment, mm"),
        ("wall", "wall thicknesses, mm [a tenth of the diameter]"),
    ):
        loads.add_argument(f"--{name}", metavar="MM[,MM]", help=what)
    for name, unit, what in (
        (
            "modulus",
            "GPA",
            "modulus of the spar [carbon fibre, 120: common practice, no source]",
        ),
        ("shear-modulus", "GPA", "shear modulus of the spar [5: common practice, no source]"),
        ("allowable", "MPA", "allowable stress of the spar [500: common practice, no source]"),
        ("spar-density", "KG_M3", "density of the spar [1600: common practice, no source]"),
        ("crank", "MM", "crank length, for the force on it [that of the linkage]"),
        ("rocker", "MM", "rocker length, for the force in the rod [that of the linkage]"),
    ):
        loads.add_argument(f"--{name}", metavar=unit, type=console.positive_number, help=what)
    console.take_output(loads, "figure of the loads to write: .png, .svg or .pdf")


def _simulated(case: Case) -> Cycle:
    with console.solving(case):
        from flapsim.cycle.simulate import simulate

        return simulate(case)


def _drive(options: argparse.Namespace) -> None:
    if (options.motors or options.keep_spring) and not options.size:
        raise console.Stop(console.INPUT_AT_FAULT, "--motors and --keep-spring need --size")
    console.check_output(options, console.PICTURE_SUFFIXES)
    case = console.case_from(options.case, options.changes)
    if case.drive is None:
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"{case.name}: drive: missing, expected a table [drive] with motor and battery",
        )
    from flapsim.flight.size_drive import motor_table

    motors = motor_table(options.motors) if options.size else None
    cycle = _simulated(case)
    with console.solving(case):
        from flapsim.flight.drive_report import drive_report

        report = drive_report(cycle, motors, options.keep_spring)
    from flapsim.show.drive_tables import drive_document, drive_table

    if options.output is not None:
        from flapsim.show.drive_panels import draw_chain

        draw_chain(cycle, report.chain, options.output)
    _print_report(options, drive_document(report), drive_table(report))


def _loads(options: argparse.Namespace) -> None:
    console.check_output(options, console.PICTURE_SUFFIXES)
    diameters, walls = _lengths("tube", options.tube), _lengths("wall", options.wall)
    if walls and not diameters:
        raise console.Stop(console.INPUT_AT_FAULT, "--wall needs --tube")
    case = console.case_from(options.case, options.changes)
    material = _material(options)
    count = 1 if case.wing.outer is None else 2
    tubes = _tubes(material, diameters, walls, count) if diameters else None
    cycle = _simulated(case)
    from flapsim.flight.load_report import load_report
    from flapsim.show.load_tables import loads_document, loads_table

    crank, rocker = (None if mm is None else 1e-3 * mm for mm in (options.crank, options.rocker))
    report = load_report(cycle, tubes, material, crank, rocker)
    if options.output is not None:
        from flapsim.show.drive_panels import draw_loads

        draw_loads(cycle, report.loads, options.output)
    _print_report(
        options, loads_document(report), loads_table(report, tubes_given=tubes is not None)
    )


def _print_report(options: argparse.Namespace, document: dict[str, Any], table: str) -> None:
    """Print a report, and say which picture was written."""
    if options.output is not None:
        console.say(f"wrote {options.output}")
    if options.json:
        console.print_json(document)
    else:
        print(table)


def _lengths(name: str, text: str | None) -> list[float]:
    """One or two lengths in mm, as m."""
    if text is None:
        return []
    try:
        out = [console.positive_number(part) for part in text.split(",")]
    except ValueError:
        out = []
    least, most = _LENGTHS_MM
    if not (1 <= len(out) <= 2 and all(least <= length <= most for length in out)):
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--{name}: expected one or two lengths from {least:g} to {most:g} mm, such as 6,5;"
            f" found {text}",
        )
    return [1e-3 * length for length in out]


def _material(options: argparse.Namespace) -> Material:
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
    material: Material, diameters: list[float], walls: list[float], count: int
) -> list[Tube]:
    from flapsim.flight.spar import WALL_PART, Tube

    if len(diameters) == 1:
        diameters = diameters * count
    if len(walls) <= 1:
        walls = walls * count or [WALL_PART * diameter for diameter in diameters]
    if len(diameters) != count or len(walls) != count:
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--tube, --wall: expected one value for each of the {count} segments, or one for all",
        )
    try:
        return [Tube(*pair, material) for pair in zip(diameters, walls, strict=True)]
    except ValueError as error:
        raise console.Stop(console.INPUT_AT_FAULT, str(error)) from error
