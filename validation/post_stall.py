"""Extension of a polar beyond stall: Viterna and Corrigan's worked example."""

from __future__ import annotations

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import CHORD, fly, steady_wing

TITLE = "Post-stall extension"

VITERNA_CORRIGAN = Source("Viterna & Corrigan (1982)", Status.PUBLISHED)
STALL_DEG, STALL_LIFT, STALL_DRAG, ASPECT_RATIO = 12.0, 0.90, 0.08, 10.0


def checks() -> Checks:
    """Every comparison of this family."""
    for column in ("CL", "CD"):
        yield VITERNA_CORRIGAN.absolute(
            f"{column} from stall at 12 deg to 90 deg, AR 10, the formula",
            "half_wing.polar.viterna",
            lambda column=column: formula(column),
            1e-9,
            "a formula; the table has ten digits",
        )
        yield VITERNA_CORRIGAN.absolute(
            f"{column} from stall at 12 deg to 90 deg, AR 10, a polar extended",
            "half_wing.polar.full_range",
            lambda column=column: extended(column),
            1e-9,
            "the table's incidences are points of the solver's own table",
        )
    yield VITERNA_CORRIGAN.relative(
        "drag normal to the stream, AR 10",
        "kernel.section.plate_drag_coefficient",
        lambda: Points(table("viterna_extension")["CD"][-1], drag_normal()),
        1e-12,
        "a formula: 1.11 + 0.018 AR = 1.29",
    )
    for induced in ("slope", "lifting-line"):
        yield VITERNA_CORRIGAN.relative(
            f"normal force of a stalled thin plate on {induced}, AR 10, 30 to 90 deg",
            f"thin plate, no suction, no friction, {induced}, steady",
            lambda induced=induced: stalled_plate(induced),
            0.15,
            "two post-stall models with the same drag normal to the stream: 15 % is usual; "
            "from 30 deg, where the stall they start from is forgotten",
        )


def stalled_plate(induced: str) -> Points:
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
    return Points(rows["CN"], found, [f"{a:g} deg" for a in rows["alpha_deg"]])


def drag_normal() -> float:
    """Drag normal to the stream of the example's wing."""
    from flapsim.kernel.section import plate_drag_coefficient

    return plate_drag_coefficient(ASPECT_RATIO)


def formula(column: str) -> Points:
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
    return Points(rows[column], found, [f"{a:g} deg" for a in rows["alpha_deg"]])


def extended(column: str) -> Points:
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
    return Points(rows[column], found, [f"{a:g} deg" for a in rows["alpha_deg"]])
