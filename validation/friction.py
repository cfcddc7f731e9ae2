"""Skin friction of a flat plate: Blasius, and Prandtl and Schlichting."""

from __future__ import annotations

from collections.abc import Callable

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import AIRSPEED, VISCOSITY, steady_section

TITLE = "Skin friction"

SOURCES = {
    "laminar": ("Blasius (1908)", "CD0_laminar_2sides"),
    "turbulent": ("Prandtl & Schlichting (1932)", "CD0_turb_2sides"),
}


def checks() -> Checks:
    """Every comparison of this family."""
    for name, (source, column) in SOURCES.items():
        for what, compute, model in (
            ("the law", coefficient, "kernel.section.friction_coefficient"),
            ("drag of a plate held edge-on", edge_on_drag, "thin plate, steady"),
        ):
            yield Source(source, Status.PUBLISHED).relative(
                f"{name} friction, both sides, Re 1e4 to 1e7, {what}",
                model,
                lambda name=name, column=column, compute=compute: over_reynolds(
                    name, column, compute
                ),
                1e-9,
                "a formula; the table has ten digits",
            )


def over_reynolds(name: str, column: str, compute: Callable[[str, float], float]) -> Points:
    """One law over the table's Reynolds numbers."""
    rows = table("flat_plate_friction")
    return Points(
        rows[column],
        [compute(name, reynolds) for reynolds in rows["Re"]],
        [f"Re {reynolds:.2g}" for reynolds in rows["Re"]],
    )


def coefficient(name: str, reynolds: float) -> float:
    """The law itself."""
    from flapsim.kernel.section import FRICTION_LAMINAR, FRICTION_TURBULENT, friction_coefficient

    kind = {"laminar": FRICTION_LAMINAR, "turbulent": FRICTION_TURBULENT}[name]
    return float(friction_coefficient(kind, 1.0, reynolds))


def edge_on_drag(name: str, reynolds: float) -> float:
    """Drag of a plate along the stream, through the solver."""
    section = {"law": "thin-plate", "friction": name}
    return steady_section(0.0, section, reynolds * VISCOSITY / AIRSPEED).drag
