"""Flat plate from edge-on to broadside: normal force and centre of pressure.

The thin-plate law is attached below stall and Lindenburg's curve above it; Hoerner's and Rayleigh's
formulas and plates measured normal to the stream show how far that can be trusted.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from validation.check import (
    Checks,
    Comparison,
    Status,
    absolute,
    bounded,
    relative,
    worst_absolute,
    worst_relative,
    worst_shortfall,
)
from validation.reference import Table, table
from validation.textbook import CHORD, SteadySection, fly, steady_section, steady_wing

TITLE = "Flat plate, 0 to 90 degrees"

SHARP = {"law": "thin-plate", "suction": 0.0, "friction": 0.0}
ROUNDED = {"law": "thin-plate", "suction": 1.0, "friction": 0.0}

MODEL = "thin plate, no suction, no friction, no induced velocity, steady"
MODEL_SUCTION = "thin plate, full suction, no friction, no induced velocity, steady"
WHY_LAW = "the law itself; the table has ten digits"


@cache
def plate(incidence_deg: float) -> SteadySection:
    """Sharp plate in steady flow."""
    return steady_section(incidence_deg, SHARP)


def separated() -> Table:
    """Incidences beyond the end of the law's stall (16 deg by default)."""
    return table("flat_plate_formulas").between("alpha_deg", 17.0, 90.0)


def attached() -> Table:
    """Incidences before its beginning (8 deg)."""
    return table("flat_plate_formulas").between("alpha_deg", 0.5, 7.9)


def places(rows: Table) -> list[str]:
    return [f"{alpha:g} deg" for alpha in rows["alpha_deg"]]


def normal_force(rows: Table) -> list[float]:
    return [plate(alpha).normal(alpha) for alpha in rows["alpha_deg"]]


def centre_of_pressure(rows: Table) -> list[float]:
    """Fraction of the chord, from the moment about the quarter chord."""
    return [0.25 - plate(a).moment / plate(a).normal(a) for a in rows["alpha_deg"]]


def checks() -> Checks:
    """Every comparison of this family."""
    yield relative(
        source="Lindenburg (2003)",
        quantity="normal force beyond stall, 17.5 to 90 deg",
        status=Status.PUBLISHED,
        tolerance=1e-9,
        why=WHY_LAW,
        model=MODEL,
        compare=lambda: worst_relative(
            separated()["CN_lindenburg"], normal_force(separated()), places(separated())
        ),
    )
    yield relative(
        source="Hoerner (1965)",
        quantity="normal force beyond stall, 17.5 to 90 deg",
        status=Status.PUBLISHED,
        tolerance=1e-3,
        why="two fits of the same measurements: they agree within 0.05 %",
        model=MODEL,
        compare=lambda: worst_relative(
            separated()["CN_hoerner"], normal_force(separated()), places(separated())
        ),
    )
    yield bounded(
        source="Rayleigh (1876)",
        quantity="normal force beyond stall not below the free-streamline value",
        status=Status.EXACT,
        tolerance=0.0,
        why="a wake at the pressure of the stream is the least a separated plate can feel",
        model=MODEL,
        compare=lambda: worst_shortfall(
            separated()["CN_kirchhoff"], normal_force(separated()), places(separated())
        ),
    )
    yield absolute(
        source="Rayleigh (1876)",
        quantity="centre of pressure beyond stall, 17.5 to 90 deg",
        status=Status.EXACT,
        tolerance=1e-9,
        why=WHY_LAW,
        model=MODEL,
        unit="chord",
        compare=lambda: worst_absolute(
            separated()["xcp_kirchhoff"], centre_of_pressure(separated()), places(separated())
        ),
    )
    yield bounded(
        source="Rayleigh (1876)",
        quantity="chordwise force of a sharp plate without friction, 17.5 to 90 deg",
        status=Status.EXACT,
        tolerance=1e-9,
        why="pressure on a flat plate pushes along its normal: rounding only",
        model=MODEL,
        compare=lambda: worst_absolute(
            np.zeros(len(separated()["alpha_deg"])),
            [plate(a).chordwise(a) for a in separated()["alpha_deg"]],
            places(separated()),
        ),
    )
    yield from attached_checks()
    yield from broadside_checks()


def attached_checks() -> Checks:
    """Before stall: thin-aerofoil theory, exactly."""
    yield relative(
        source="Thin-aerofoil theory",
        quantity="force with full suction before stall is 2 pi sin(alpha), 1 to 7.5 deg",
        status=Status.EXACT,
        tolerance=1e-9,
        why=WHY_LAW,
        model=MODEL_SUCTION,
        compare=lambda: worst_relative(
            attached()["CN_attached"],
            [
                np.hypot(run.lift, run.drag)
                for run in (steady_section(a, ROUNDED) for a in attached()["alpha_deg"])
            ],
            places(attached()),
        ),
    )
    yield absolute(
        source="Thin-aerofoil theory",
        quantity="no drag with full suction before stall",
        status=Status.EXACT,
        tolerance=1e-9,
        why="d'Alembert: rounding only",
        model=MODEL_SUCTION,
        compare=lambda: worst_absolute(
            np.zeros(len(attached()["alpha_deg"])),
            [steady_section(a, ROUNDED).drag for a in attached()["alpha_deg"]],
            places(attached()),
        ),
    )
    yield absolute(
        source="Thin-aerofoil theory",
        quantity="centre of pressure at the quarter chord before stall",
        status=Status.EXACT,
        tolerance=1e-9,
        why=WHY_LAW,
        model=MODEL,
        unit="chord",
        compare=lambda: worst_absolute(
            np.full(len(attached()["alpha_deg"]), 0.25),
            centre_of_pressure(attached()),
            places(attached()),
        ),
    )


def broadside_checks() -> Checks:
    """Normal to the stream, against measured plates."""
    rows = table("normal_plate_drag")
    for case, limit, why in (
        ("long plate (Aeronautical Engineer's Data Book p. 95)", 1e-6, "the value the law uses"),
        (
            "long plate (Houghton & Carpenter: Aerodynamics for Engineering Students p. 264)",
            0.02,
            "data books differ by 1.5 %",
        ),
        ("long plate (Fage & Johansen 1927)", 0.08, "tunnel walls raise the measured 2.13 by 7 %"),
    ):
        status = rows.where(case=case).text("status")[0]
        yield relative(
            source=case.split("(")[1].rstrip(")"),
            quantity="drag of a long plate normal to the stream",
            status=Status.MEMORY if status == "MEMORY" else Status.PUBLISHED,
            tolerance=limit,
            why=why,
            model=MODEL,
            compare=lambda case=case: worst_relative(
                rows.where(case=case)["CD"][0], plate(90.0).drag
            ),
        )
    for induced in ("slope", "lifting-line"):
        yield relative(
            source="Aeronautical Engineer's Data Book p. 95",
            quantity=f"drag of a square plate normal to the stream on {induced}",
            status=Status.PUBLISHED,
            tolerance=0.05 if induced == "slope" else 0.09,
            why="the law's 1.11 + 0.018 AR is 1.128 for a square: a fit for AR 2 to 50, 3.6 % low;"
            " on the lifting line the low-pass on the stall deficit leaves a square 4 % more",
            model=MODEL.replace("no induced velocity", induced),
            compare=lambda induced=induced: square_plate(induced),
        )


def square_plate(induced: str) -> Comparison:
    """Drag of the square plate, each half of the wing half as wide as its chord."""
    expected = table("normal_plate_drag").where(
        case="square plate (Aeronautical Engineer's Data Book p. 95)"
    )["CD"][0]
    run = fly(
        steady_wing(
            90.0,
            half_span=CHORD / 2.0,
            section=SHARP,
            model={"induced": induced, "wake": "quasi-steady"},
        )
    )
    return worst_relative(expected, -run.thrust_mean, "AR 1")
