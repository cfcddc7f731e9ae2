"""Extension of a polar beyond stall: Viterna and Corrigan's worked example."""

from __future__ import annotations

import numpy as np

from validation.check import (
    Checks,
    Comparison,
    Status,
    absolute,
    relative,
    worst_absolute,
    worst_relative,
)
from validation.reference import table
from validation.textbook import CHORD, fly, steady_wing

TITLE = "Post-stall extension"

SOURCE = "Viterna & Corrigan (1982)"
STALL_DEG, STALL_LIFT, STALL_DRAG, ASPECT_RATIO = 12.0, 0.90, 0.08, 10.0


def checks() -> Checks:
    """Every comparison of this family."""
    for column in ("CL", "CD"):
        yield absolute(
            source=SOURCE,
            quantity=f"{column} from stall at 12 deg to 90 deg, AR 10, the formula",
            status=Status.PUBLISHED,
            tolerance=1e-9,
            why="a formula; the table has ten digits",
            model="aero.polar.viterna",
            compare=lambda column=column: formula(column),
        )
        yield absolute(
            source=SOURCE,
            quantity=f"{column} from stall at 12 deg to 90 deg, AR 10, a polar extended",
            status=Status.PUBLISHED,
            tolerance=1e-9,
            why="the table's incidences are points of the solver's own table",
            model="aero.polar.full_range",
            compare=lambda column=column: extended(column),
        )
    yield relative(
        source=SOURCE,
        quantity="drag normal to the stream, AR 10",
        status=Status.PUBLISHED,
        tolerance=1e-12,
        why="a formula: 1.11 + 0.018 AR = 1.29",
        model="aero.section.plate_drag_coefficient",
        compare=lambda: worst_relative(table("viterna_extension")["CD"][-1], drag_normal()),
    )
    for induced in ("slope", "lifting-line"):
        yield relative(
            source=SOURCE,
            quantity=f"normal force of a stalled thin plate on {induced}, AR 10, 30 to 90 deg",
            status=Status.PUBLISHED,
            tolerance=0.15,
            why="two post-stall models with the same drag normal to the stream: 15 % is usual; "
            "from 30 deg, where the stall they start from is forgotten",
            model=f"thin plate, no suction, no friction, {induced}, steady",
            compare=lambda induced=induced: stalled_plate(induced),
        )


def stalled_plate(induced: str) -> Comparison:
    """Normal force of a rectangular plate against the extension."""
    rows = table("viterna_extension").between("alpha_deg", 30.0, 90.0)
    found = []
    for incidence in rows["alpha_deg"]:
        run = fly(
            steady_wing(
                incidence,
                half_span=ASPECT_RATIO * CHORD / 2.0,
                section={"law": "thin-plate", "suction": 0.0, "friction": 0.0},
                model={"induced": induced, "wake": "quasi-steady"},
            )
        )
        alpha = np.radians(incidence)
        found.append(run.lift_mean * np.cos(alpha) - run.thrust_mean * np.sin(alpha))
    return worst_relative(rows["CN"], found, [f"{a:g} deg" for a in rows["alpha_deg"]])


def drag_normal() -> float:
    """Drag normal to the stream of the example's wing."""
    from flapsim.kernel.section import plate_drag_coefficient

    return plate_drag_coefficient(ASPECT_RATIO)


def formula(column: str) -> Comparison:
    """The extension itself."""
    from flapsim.half_wing.polar import viterna

    rows = table("viterna_extension")
    lift, drag = viterna(
        np.radians(rows["alpha_deg"]),
        float(np.radians(STALL_DEG)),
        STALL_LIFT,
        STALL_DRAG,
        drag_normal(),
    )
    found = {"CL": lift, "CD": drag}[column]
    return worst_absolute(rows[column], found, [f"{a:g} deg" for a in rows["alpha_deg"]])


def extended(column: str) -> Comparison:
    """A polar that ends at stall, extended over a full turn."""
    from flapsim.half_wing.polar import GRID_DEG, full_range
    from flapsim.kernel import layout as at

    rows = table("viterna_extension")
    alpha = np.array([-STALL_DEG, 0.0, STALL_DEG])
    columns = full_range(
        alpha,
        np.array([-STALL_LIFT, 0.0, STALL_LIFT]),
        np.array([STALL_DRAG, 0.01, STALL_DRAG]),
        np.zeros(3),
        drag_normal(),
    )
    row = columns[{"CL": at.TABLE_LIFT, "CD": at.TABLE_DRAG}[column]]
    found = np.interp(rows["alpha_deg"], GRID_DEG, row)
    return worst_absolute(rows[column], found, [f"{a:g} deg" for a in rows["alpha_deg"]])
