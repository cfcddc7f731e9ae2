"""Revolving wing at low Reynolds number: the fits of Dickinson, Lehmann and Sane."""

from __future__ import annotations

from functools import cache

from validation.check import Checks, Points, Source, Status
from validation.reference import Table, table
from validation.textbook import SteadySection, steady_section

TITLE = "Revolving wing at low Reynolds number"

DICKINSON = Source("Dickinson, Lehmann & Sane (1999)", Status.PUBLISHED)
MODEL = "revolving plate, no induced velocity, steady"


@cache
def revolving(incidence_deg: float) -> SteadySection:
    """The law in steady flow."""
    return steady_section(incidence_deg, {"law": "revolving-plate"})


def fits() -> Table:
    """Table from 5 deg: at 0 the fitted lift jumps in sign, and the law takes its mean."""
    return table("revolving_wing_fits").between("alpha_deg", 5.0, 90.0)


def checks() -> Checks:
    """Every comparison of this family."""
    for column, value in (
        ("CL", lambda a: revolving(a).lift),
        ("CD", lambda a: revolving(a).drag),
        ("CN", lambda a: revolving(a).normal(a)),
        ("CC_axial", lambda a: revolving(a).chordwise(a)),
    ):
        yield DICKINSON.absolute(
            f"{column}, 5 to 90 deg",
            MODEL,
            lambda column=column, value=value: Points(
                fits()[column],
                [value(alpha) for alpha in fits()["alpha_deg"]],
                [f"{alpha:g} deg" for alpha in fits()["alpha_deg"]],
            ),
            1e-8,
            "published formulas at points of the solver's own table",
        )
