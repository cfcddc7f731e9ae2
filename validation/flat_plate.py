"""Flat plate from edge-on to broadside: normal force and centre of pressure.

The thin-plate law is attached below stall and Lindenburg's curve above it; Hoerner's and Rayleigh's
formulas and plates measured normal to the stream show how far that can be trusted.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import Table, table
from validation.textbook import CHORD, SteadySection, fly, steady_section, steady_wing

TITLE = "Flat plate, 0 to 90 degrees"

LINDENBURG = Source("Lindenburg (2003)", Status.PUBLISHED)
HOERNER = Source("Hoerner (1965)", Status.PUBLISHED)
RAYLEIGH = Source("Rayleigh (1876)", Status.EXACT)
THIN_AEROFOIL = Source("Thin-aerofoil theory", Status.EXACT)
DATA_BOOK = Source("Aeronautical Engineer's Data Book p. 95", Status.PUBLISHED)

SHARP = {"law": "thin-plate", "suction": 0.0, "friction": 0.0}
ROUNDED = {"law": "thin-plate", "suction": 1.0, "friction": 0.0}

MODEL = "thin plate, no suction, no friction, no induced velocity, steady"
MODEL_SUCTION = "thin plate, full suction, no friction, no induced velocity, steady"
WHY_LAW = "the law itself; the table has ten digits"


@cache
def plate(incidence_deg: float) -> SteadySection:
    """Sharp plate in steady flow."""
    return steady_section(incidence_deg, SHARP)


@cache
def rounded_plate(incidence_deg: float) -> SteadySection:
    """Plate with full suction in steady flow."""
    return steady_section(incidence_deg, ROUNDED)


def separated() -> Table:
    """Incidences beyond the end of the law's stall (16 deg by default)."""
    return table("flat_plate_formulas").between("alpha_deg", 17.0, 90.0)


def attached() -> Table:
    """Incidences before its beginning (8 deg)."""
    return table("flat_plate_formulas").between("alpha_deg", 0.5, 7.9)


def places(rows: Table) -> list[str]:
    return [f"{alpha:g} deg" for alpha in rows["alpha_deg"]]


def over(rows: Table, reference: str | float, value: Callable[[Table], list[float]]) -> Points:
    """One quantity over incidences, against a column of the table or one number."""
    expected = rows[reference] if isinstance(reference, str) else np.full(len(rows), reference)
    return Points(expected, value(rows), places(rows))


def normal_force(rows: Table) -> list[float]:
    return [plate(alpha).normal(alpha) for alpha in rows["alpha_deg"]]


def chordwise_force(rows: Table) -> list[float]:
    return [plate(alpha).chordwise(alpha) for alpha in rows["alpha_deg"]]


def force_with_suction(rows: Table) -> list[float]:
    runs = [rounded_plate(alpha) for alpha in rows["alpha_deg"]]
    return [float(np.hypot(run.lift, run.drag)) for run in runs]


def drag_with_suction(rows: Table) -> list[float]:
    return [rounded_plate(alpha).drag for alpha in rows["alpha_deg"]]


def centre_of_pressure(rows: Table) -> list[float]:
    """Fraction of the chord, from the moment about the quarter chord."""
    return [0.25 - plate(a).moment / plate(a).normal(a) for a in rows["alpha_deg"]]


def checks() -> Checks:
    """Every comparison of this family."""
    yield LINDENBURG.relative(
        "normal force beyond stall, 17.5 to 90 deg",
        MODEL,
        lambda: over(separated(), "CN_lindenburg", normal_force),
        1e-9,
        WHY_LAW,
    )
    yield HOERNER.relative(
        "normal force beyond stall, 17.5 to 90 deg",
        MODEL,
        lambda: over(separated(), "CN_hoerner", normal_force),
        1e-3,
        "two fits of the same measurements: they agree within 0.05 %",
    )
    yield RAYLEIGH.at_least(
        "normal force beyond stall not below the free-streamline value",
        MODEL,
        lambda: over(separated(), "CN_kirchhoff", normal_force),
        why="a wake at the pressure of the stream is the least a separated plate can feel",
    )
    yield RAYLEIGH.absolute(
        "centre of pressure beyond stall, 17.5 to 90 deg",
        MODEL,
        lambda: over(separated(), "xcp_kirchhoff", centre_of_pressure),
        1e-9,
        WHY_LAW,
        unit="chord",
    )
    yield RAYLEIGH.absolute(
        "chordwise force of a sharp plate without friction, 17.5 to 90 deg",
        MODEL,
        lambda: over(separated(), 0.0, chordwise_force),
        1e-9,
        "pressure on a flat plate pushes along its normal: rounding only",
    )
    yield from attached_checks()
    yield from broadside_checks()


def attached_checks() -> Checks:
    """Before stall: thin-aerofoil theory, exactly."""
    yield THIN_AEROFOIL.relative(
        "force with full suction before stall is 2 pi sin(alpha), 1 to 7.5 deg",
        MODEL_SUCTION,
        lambda: over(attached(), "CN_attached", force_with_suction),
        1e-9,
        WHY_LAW,
    )
    yield THIN_AEROFOIL.absolute(
        "no drag with full suction before stall",
        MODEL_SUCTION,
        lambda: over(attached(), 0.0, drag_with_suction),
        1e-9,
        "d'Alembert: rounding only",
    )
    yield THIN_AEROFOIL.absolute(
        "centre of pressure at the quarter chord before stall",
        MODEL,
        lambda: over(attached(), 0.25, centre_of_pressure),
        1e-9,
        WHY_LAW,
        unit="chord",
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
        yield Source(
            case.split("(")[1].rstrip(")"),
            Status.MEMORY if status == "MEMORY" else Status.PUBLISHED,
        ).relative(
            "drag of a long plate normal to the stream",
            MODEL,
            lambda case=case: Points(rows.where(case=case)["CD"][0], plate(90.0).drag),
            limit,
            why,
        )
    for induced in ("slope", "lifting-line"):
        yield DATA_BOOK.relative(
            f"drag of a square plate normal to the stream on {induced}",
            MODEL.replace("no induced velocity", induced),
            lambda induced=induced: square_plate(induced),
            0.05 if induced == "slope" else 0.09,
            "the law's 1.11 + 0.018 AR is 1.128 for a square: a fit for AR 2 to 50, 3.6 % low;"
            " on the lifting line the low-pass on the stall deficit leaves a square 4 % more",
        )


def square_plate(induced: str) -> Points:
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
    return Points(expected, -run.thrust_mean, "AR 1")
