"""Steady finite wings: lift-curve slope and induced drag against aspect ratio.

The lifting line is compared twice: with Glauert's series for the same theory, which the solver must
reproduce, and with a vortex lattice for the same wing, which shows the error of lifting-line theory
itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, partial

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import CHORD, elliptic_stations, fly, steady_wing
from validation.theory_wing import elliptic_slope, helmbold_slope

TITLE = "Steady finite wings"

GLAUERT = Source("Glauert (1926)", Status.EXACT)
VORTEX_LATTICE = Source("Vortex lattice", Status.EXACT)
PRANDTL = Source("Prandtl (1918)", Status.EXACT)
HELMBOLD = Source("Helmbold (1942)", Status.EXACT)

SMALL_INCIDENCE_DEG = 0.1
ASPECT_RATIOS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
ALL_RATIOS = (*ASPECT_RATIOS, 15.0, 20.0)

# Enough modes for the series, and the default of 8 on the fewest strips that may carry them.
FINE = {"strips": 64, "modes": 24}
DEFAULT = {"strips": 16, "modes": 8}

MODEL_LINE = "thin airfoil, quasi-steady, lifting line (64 strips, 24 modes)"
MODEL_DEFAULT = "thin airfoil, quasi-steady, lifting line (16 strips, 8 modes)"
MODEL_SLOPE = "thin airfoil, quasi-steady, slope"
WHY_MODES = "24 modes by least squares against 240 by collocation"


@cache
def steady(
    aspect_ratio: float, induced: str, planform: str = "rectangular", fineness: str = "fine"
) -> tuple[float, float]:
    """Lift-curve slope (1/rad) and induced drag over square of lift of a steady wing."""
    resolution = FINE if fineness == "fine" else DEFAULT
    area_factor = np.pi / 4.0 if planform == "elliptic" else 1.0
    wing = {"planform": elliptic_stations()} if planform == "elliptic" else {}
    run = fly(
        steady_wing(
            SMALL_INCIDENCE_DEG,
            half_span=aspect_ratio * CHORD * area_factor / 2.0,
            strips=resolution["strips"],
            model={"induced": induced, "wake": "quasi-steady", "modes": resolution["modes"]},
            **wing,
        )
    )
    return run.lift_mean / np.radians(SMALL_INCIDENCE_DEG), -run.thrust_mean / run.lift_mean**2


def slopes(ratios: Sequence[float], induced: str, **options: str) -> np.ndarray:
    """Lift-curve slopes from the solver."""
    return np.array([steady(ratio, induced, **options)[0] for ratio in ratios])


def drag_factors(ratios: Sequence[float], induced: str, **options: str) -> np.ndarray:
    """``pi AR CDi / CL^2`` from the solver: one plus Glauert's delta."""
    return np.array([np.pi * ratio * steady(ratio, induced, **options)[1] for ratio in ratios])


def places(ratios: Sequence[float]) -> list[str]:
    return [f"AR {ratio:g}" for ratio in ratios]


def column(name: str, ratios: Sequence[float]) -> np.ndarray:
    """Column of the table of slopes at some aspect ratios."""
    rows = table("finite_wing_slopes")
    return np.array([rows.where(AR=ratio)[name][0] for ratio in ratios])


def lattice(name: str, ratios: Sequence[float]) -> np.ndarray:
    """Column of the vortex-lattice table at some aspect ratios."""
    rows = table("rectangular_wing_vortex_lattice")
    return np.array([rows.where(AR=ratio)[name][0] for ratio in ratios])


def checks() -> Checks:
    """Every comparison of this family."""
    yield from glauert_checks()
    yield from elliptic_checks()
    yield from lifting_surface_checks()


def glauert_checks() -> Checks:
    """Rectangular wing on the lifting line against Glauert's series."""
    for fineness, model, slope_limit, drag_limit, why in (
        ("fine", MODEL_LINE, 1e-4, 2e-4, WHY_MODES),
        (
            "default",
            MODEL_DEFAULT,
            1e-3,
            5e-3,
            "8 modes cannot carry the square root of the circulation at the square tip",
        ),
    ):
        yield GLAUERT.relative(
            f"rectangular wing, lift-curve slope, AR 3 to 20, {fineness}",
            model,
            lambda fineness=fineness: Points(
                column("rect_LL", ALL_RATIOS),
                slopes(ALL_RATIOS, "lifting-line", fineness=fineness),
                places(ALL_RATIOS),
            ),
            slope_limit,
            why,
        )
        yield GLAUERT.absolute(
            f"rectangular wing, induced drag factor 1 + delta, AR 3 to 20, {fineness}",
            model,
            lambda fineness=fineness: Points(
                1.0 + column("delta", ALL_RATIOS),
                drag_factors(ALL_RATIOS, "lifting-line", fineness=fineness),
                places(ALL_RATIOS),
            ),
            drag_limit,
            why,
        )
    yield GLAUERT.absolute(
        "rectangular wing, tau, AR 3 to 20, fine",
        MODEL_LINE,
        glauert_tau,
        1e-3,
        WHY_MODES + "; tau magnifies the slope's error by AR / 2",
    )


def glauert_tau() -> Points:
    """Glauert's tau from the slope of the solver."""
    ratios = np.array(ALL_RATIOS)
    found = (2.0 * np.pi / slopes(ALL_RATIOS, "lifting-line") - 1.0) * ratios / 2.0 - 1.0
    return Points(column("tau", ALL_RATIOS), found, places(ALL_RATIOS))


def elliptic_checks() -> Checks:
    """Elliptic wing: constant induced angle on the lifting line; the slope model by definition."""
    for induced, planform, limit, why, model in (
        (
            "lifting-line",
            "elliptic",
            1e-4,
            "the ellipse is drawn with 40 straight pieces",
            MODEL_LINE,
        ),
        ("slope", "rectangular", 1e-5, "the model's definition; incidence 0.1 deg", MODEL_SLOPE),
    ):
        yield PRANDTL.relative(
            f"{planform} wing on {induced}, slope 2 pi AR/(AR + 2)",
            model,
            lambda induced=induced, planform=planform: Points(
                elliptic_slope(ALL_RATIOS),
                slopes(ALL_RATIOS, induced, planform=planform),
                places(ALL_RATIOS),
            ),
            limit,
            why,
        )
        yield PRANDTL.relative(
            f"{planform} wing on {induced}, induced drag CL^2/(pi AR)",
            model,
            lambda induced=induced, planform=planform: Points(
                np.ones(len(ALL_RATIOS)),
                drag_factors(ALL_RATIOS, induced, planform=planform),
                places(ALL_RATIOS),
            ),
            limit,
            why,
        )


def lifting_surface_checks() -> Checks:
    """Against better theories of the same wing: what the induced models are worth."""
    for induced, model, limit, why in (
        (
            "lifting-line",
            MODEL_LINE,
            0.16,
            "no chordwise spread of the vorticity: 15.5 % at AR 3, 7.5 % at AR 6, 3.5 % at AR 12",
        ),
        (
            "slope",
            MODEL_SLOPE,
            0.20,
            "elliptic loading too: 19.9 % at AR 3, 11.8 % at AR 6, 7.3 % at AR 12",
        ),
    ):
        yield VORTEX_LATTICE.relative(
            f"rectangular wing on {induced}, lift-curve slope, AR 3 to 12",
            model,
            partial(against_lattice, induced),
            limit,
            why,
        )
        yield VORTEX_LATTICE.at_most(
            f"rectangular wing on {induced}, slope too high, never too low, AR 3 to 12",
            model,
            lambda induced=induced: Points(
                slopes(ASPECT_RATIOS, induced),
                lattice("CLalpha_VLM", ASPECT_RATIOS),
                places(ASPECT_RATIOS),
            ),
            why="leaving out the chordwise spread can only raise the slope",
            unit="1/rad",
        )
        yield HELMBOLD.relative(
            f"rectangular wing on {induced}, lift-curve slope, AR 5 to 20",
            model,
            lambda induced=induced: Points(
                helmbold_slope(ALL_RATIOS[2:]),
                slopes(ALL_RATIOS[2:], induced),
                places(ALL_RATIOS[2:]),
            ),
            0.03 if induced == "lifting-line" else 0.06,
            "two fits of one truth: they cross at AR 6 and part by 2.5 % at AR 20"
            if induced == "lifting-line"
            else "Helmbold's 2 in the root is left out: 5.5 % at AR 5, 0.5 % at AR 20",
        )
    yield VORTEX_LATTICE.absolute(
        "rectangular wing on lifting-line, span efficiency e, AR 3 to 12",
        MODEL_LINE,
        lambda: Points(
            lattice("e_VLM", ASPECT_RATIOS),
            1.0 / drag_factors(ASPECT_RATIOS, "lifting-line"),
            places(ASPECT_RATIOS),
        ),
        0.05,
        "the lattice loads the tips more fully: e 0.947 against 0.907 at AR 12",
    )


def against_lattice(induced: str) -> Points:
    """Slope against the vortex lattice."""
    return Points(
        lattice("CLalpha_VLM", ASPECT_RATIOS), slopes(ASPECT_RATIOS, induced), places(ASPECT_RATIOS)
    )
