"""Finite wings in quasi-steady flapping: uniform plunge, and about a root hinge.

Closed elliptic plunge and Glauert's series for a hinged wing, both at small amplitude, without
friction.  On the ``slope`` model every section loses the same share of its downwash, so an
untwisted wing has efficiency AR/(AR + 2) exactly, at any amplitude.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import (
    AIRSPEED,
    CHORD,
    Coefficients,
    elliptic_stations,
    first_harmonic,
    fly,
    hinged_wing,
    one_segment_wing,
)

TITLE = "Flapping finite wings without shed wake"

GLAUERT = Source("Glauert (1926)", Status.EXACT)
PRANDTL = Source("Prandtl (1918)", Status.EXACT)

SMALL_VELOCITY = 0.005
SMALL_ANGLE_DEG = 1.0
PLUNGE_RATIOS = (3.0, 4.0, 6.0, 8.0, 12.0, 20.0)

FINE = {"strips": 64, "modes": 24}
IDEAL = "thin airfoil, full suction, quasi-steady, no apparent mass, "
MODEL_LINE = IDEAL + "lifting line (64 strips, 24 modes)"
MODEL_DEFAULT = IDEAL + "lifting line (16 strips, 8 modes)"
MODEL_SLOPE = IDEAL + "slope"
WHY_FINE = "same theory; a sine series converges slowly at the kink of |y| at the root"
WHY_DEFAULT = "0.5 %: 8 modes, and a sine series converges slowly at the kink of |y| at the root"


def half_span(aspect_ratio: float, planform: str) -> float:
    """Half span of a wing with the textbook root chord."""
    return aspect_ratio * CHORD / 2.0 * (np.pi / 4.0 if planform == "ellip" else 1.0)


@cache
def plunging(aspect_ratio: float, induced: str, velocity: float = SMALL_VELOCITY) -> Coefficients:
    """Uniform plunge of an elliptic wing; ``velocity`` is the amplitude over the airspeed."""
    frequency = 0.5
    return fly(
        one_segment_wing(
            frequency=frequency,
            half_span=half_span(aspect_ratio, "ellip"),
            planform=elliptic_stations(),
            strips=FINE["strips"],
            heave={"amplitude_m": velocity * AIRSPEED / (2.0 * np.pi * frequency)},
            model={
                "induced": induced,
                "wake": "quasi-steady",
                "apparent_mass": False,
                "modes": FINE["modes"],
            },
        )
    )


@cache
def hinged(
    aspect_ratio: float,
    planform: str,
    induced: str,
    fine: bool = True,
    tip_velocity: float = SMALL_VELOCITY,
    amplitude_deg: float = SMALL_ANGLE_DEG,
) -> Coefficients:
    """Untwisted wing flapping about its root."""
    return fly(
        hinged_wing(
            tip_velocity,
            amplitude_deg,
            half_span=half_span(aspect_ratio, planform),
            planform=elliptic_stations() if planform == "ellip" else ((0.0, 1.0), (1.0, 1.0)),
            strips=FINE["strips"] if fine else 16,
            model={
                "induced": induced,
                "wake": "quasi-steady",
                "apparent_mass": False,
                "modes": FINE["modes"] if fine else 8,
            },
        )
    )


def checks() -> Checks:
    """Every comparison of this family."""
    yield from plunge_checks()
    yield from hinge_checks()
    yield from identity_checks()


def plunge_checks() -> Checks:
    """Elliptic wing in uniform plunge against the closed form."""
    rows = table("elliptic_wing_plunge")
    expected = {
        name: np.array([rows.where(AR=ratio)[name][0] for ratio in PLUNGE_RATIOS])
        for name in ("CT_per_vhat2", "CP_per_vhat2", "eta")
    }
    for induced, model, limit, why in (
        ("lifting-line", MODEL_LINE, 1e-4, "the ellipse is drawn with 40 straight pieces"),
        ("slope", MODEL_SLOPE, 1e-6, "the model's definition; the table has ten digits"),
    ):
        for name, pick in (
            ("CT_per_vhat2", lambda run: run.thrust_mean / SMALL_VELOCITY**2),
            ("CP_per_vhat2", lambda run: run.power_mean / SMALL_VELOCITY**2),
            ("eta", lambda run: run.efficiency),
        ):
            yield PRANDTL.relative(
                f"elliptic wing in plunge on {induced}, {name}, AR 3 to 20",
                model,
                lambda induced=induced, name=name, pick=pick: Points(
                    expected[name],
                    [pick(plunging(ratio, induced)) for ratio in PLUNGE_RATIOS],
                    [f"AR {ratio:g}" for ratio in PLUNGE_RATIOS],
                ),
                limit,
                why,
            )


def hinge_checks() -> Checks:
    """Root-hinged flapping on the lifting line against Glauert's series."""
    for planform, name, fine, limit, why in (
        ("rect", "rectangular", True, 5e-4, WHY_FINE),
        ("rect", "rectangular", False, 5e-3, WHY_DEFAULT),
        ("ellip", "elliptic", True, 5e-4, WHY_FINE),
    ):
        for column, power in (
            ("CT_per_vtip2", 2),
            ("CP_per_vtip2", 2),
            ("eta", 0),
            ("CL_amp_per_vtip", 1),
        ):
            yield GLAUERT.relative(
                f"root-hinged {name} wing on lifting-line, {column}"
                + ("" if fine else ", default resolution"),
                MODEL_LINE if fine else MODEL_DEFAULT,
                lambda planform=planform, column=column, power=power, fine=fine: against_series(
                    planform, column, power, fine
                ),
                limit,
                why,
            )
    yield GLAUERT.relative(
        "root-hinged rectangular wing on slope, CT_per_vtip2, AR 4 to 15",
        MODEL_SLOPE,
        lambda: against_series("rect", "CT_per_vtip2", 2, True, "slope", (4.0, 15.0)),
        0.75,
        "each section is given the induced angle of an elliptic loading; a hinged flap loads "
        "the tips in turn and loses more: this is what the lifting line is for",
    )


def against_series(
    planform: str,
    column: str,
    power: int,
    fine: bool,
    induced: str = "lifting-line",
    ratios: Sequence[float] = (2.0, 50.0),
) -> Points:
    """One column of the table over its aspect ratios."""
    rows = table("hinged_wing_lifting_line").where(planform=planform)
    rows = rows.between("AR", min(ratios), max(ratios))
    runs = [hinged(ratio, planform, induced, fine) for ratio in rows["AR"]]
    value = {
        "CT_per_vtip2": lambda run: run.thrust_mean,
        "CP_per_vtip2": lambda run: run.power_mean,
        "eta": lambda run: run.efficiency,
        "CL_amp_per_vtip": lambda run: abs(first_harmonic(run.lift)),
    }[column]
    found = [value(run) / SMALL_VELOCITY**power for run in runs]
    return Points(rows[column], found, [f"AR {ratio:g}" for ratio in rows["AR"]])


def identity_checks() -> Checks:
    """Slope model: efficiency AR/(AR + 2) at any amplitude."""
    ratios = (2.0, 6.0, 15.0)
    for velocity, amplitude in ((SMALL_VELOCITY, SMALL_ANGLE_DEG), (0.6, 35.0)):
        yield PRANDTL.relative(
            f"root-hinged wing on slope, efficiency AR/(AR + 2), {amplitude:g} deg",
            MODEL_SLOPE,
            lambda velocity=velocity, amplitude=amplitude: Points(
                [ratio / (ratio + 2.0) for ratio in ratios],
                [
                    hinged(
                        ratio, "rect", "slope", tip_velocity=velocity, amplitude_deg=amplitude
                    ).efficiency
                    for ratio in ratios
                ],
                [f"AR {ratio:g}" for ratio in ratios],
            ),
            1e-9,
            "an identity of the model at any amplitude; rounding only",
        )
