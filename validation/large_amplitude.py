"""Large plunge and large flapping: geometry and resolution of forces, by quadrature.

Quasi-steady sections from four polars, read from files as a user's would be.  Nothing is small
here, so every angle and every projection counts; the polar ``2 pi sin`` obeys identities that hold
at any amplitude.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0

from validation.check import Checks, Points, Source, Status
from validation.reference import Table, table
from validation.textbook import (
    AIRSPEED,
    STRIPS_ONLY,
    Coefficients,
    as_case,
    coefficients,
    one_segment_tables,
)

TITLE = "Large amplitude, quasi-steady"

PLUNGE = Source("Plunge identity", Status.EXACT)
QUADRATURE = Source("Quadrature", Status.EXACT)
FLAPPING = Source("Flapping identity", Status.EXACT)

FloatArray = NDArray[np.float64]
Polar = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

HALF_SPAN = 1.0
PLUNGE_FREQUENCY = 1.0

MODEL = "polar, quasi-steady, no induced velocity, no apparent mass, 1024 steps"
MODEL_IDEAL = "thin airfoil, quasi-steady, no induced velocity, no apparent mass"
WHY = "0.1 % of the largest coefficient of the polar: the kinks of the stall at 1024 steps"
WHY_IDENTITY = "an identity of the model at any amplitude; smooth integrands sum to rounding"
WHY_POLAR = "2 pi sin(alpha) is read as a table each 0.25 deg, straight in between: 3e-6"


def ideal(alpha_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lift and drag of ``2 pi sin(alpha)``, no drag."""
    alpha = np.radians(alpha_deg)
    return 2.0 * np.pi * np.sin(alpha), np.zeros_like(alpha)


def hoerner(alpha_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lift and drag of Hoerner's plate, force normal to the chord."""
    alpha = np.radians(alpha_deg)
    normal = np.sin(alpha) / (0.222 * np.abs(np.sin(alpha)) + 0.283)
    return normal * np.cos(alpha), normal * np.sin(alpha)


def dickinson(alpha_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lift and drag of the revolving fly wing, lift odd and drag even in the incidence."""
    alpha = np.abs(alpha_deg)
    lift = 0.225 + 1.58 * np.sin(np.radians(2.13 * alpha - 7.20))
    drag = 1.92 - 1.55 * np.cos(np.radians(2.04 * alpha - 9.82))
    return np.sign(alpha_deg) * lift, drag


def naca0012(alpha_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lift and drag of the measured section, straight between its points."""
    rows = table("naca0012_re360000")
    alpha = np.abs(alpha_deg)
    lift = np.interp(alpha, rows["alpha_deg"], rows["CL"])
    return np.sign(alpha_deg) * lift, np.interp(alpha, rows["alpha_deg"], rows["CD"])


POLARS: dict[str, Polar] = {
    "2pi_sin": ideal,
    "hoerner_plate": hoerner,
    "dickinson": dickinson,
    "naca0012_Re360000": naca0012,
}


def write_polar(path: Path, polar: Polar) -> None:
    """Write a polar the way a case file names one, over a full turn."""
    alpha = np.linspace(-180.0, 180.0, 1441)
    lift, drag = polar(alpha)
    np.savetxt(
        path,
        np.column_stack([alpha, lift, drag]),
        delimiter=",",
        header="alpha_deg,cl,cd",
        comments="",
        fmt="%.12g",
    )


def fly_polar(polar: str, **wing: Any) -> Coefficients:
    """Simulate a wing with one of the polars, or with the thin airfoil itself."""
    from flapsim import simulate

    section: dict[str, Any] = {"law": "thin-airfoil", "friction": 0.0}
    with tempfile.TemporaryDirectory() as folder:
        if polar != "thin-airfoil":
            section = {"law": "polar", "file": "polar.csv"}
            write_polar(Path(folder) / "polar.csv", POLARS[polar])
        tables = one_segment_tables(section=section, model={**STRIPS_ONLY, "steps": 1024}, **wing)
        return coefficients(simulate(as_case(tables, Path(folder))))


@cache
def plunged(polar: str, strouhal: float, mean_deg: float, pitch_deg: float) -> Coefficients:
    """Section in large plunge with pitch leading by a right angle."""
    twist = {
        f"{end}_{key}": value
        for end in ("root", "tip")
        for key, value in (
            ("mean_deg", mean_deg),
            ("amplitude_deg", pitch_deg),
            ("lag_deg", -90.0),
        )
    }
    return fly_polar(
        polar,
        frequency=PLUNGE_FREQUENCY,
        half_span=HALF_SPAN,
        strips=2,
        heave={"amplitude_m": strouhal * AIRSPEED / (2.0 * PLUNGE_FREQUENCY)},
        twist=twist,
    )


@cache
def flapped(
    polar: str, amplitude_deg: float, tip_velocity: float, mean_deg: float, tip_twist_deg: float
) -> Coefficients:
    """Root-hinged wing in large flapping with linear twist leading by a right angle."""
    omega = tip_velocity * AIRSPEED / (np.radians(amplitude_deg) * HALF_SPAN)
    return fly_polar(
        polar,
        frequency=float(omega / (2.0 * np.pi)),
        half_span=HALF_SPAN,
        strips=60,
        plunge={"amplitude_deg": amplitude_deg},
        twist={
            "root_mean_deg": mean_deg,
            "tip_mean_deg": mean_deg,
            "tip_amplitude_deg": tip_twist_deg,
            "tip_lag_deg": -90.0,
        },
    )


def plunge_runs(rows: Table) -> list[Coefficients]:
    """Run every row of the plunge table."""
    return [
        plunged(*row)
        for row in zip(
            rows.text("polar"), rows["St"], rows["th_mean_deg"], rows["th0_deg"], strict=True
        )
    ]


def plunge_places(rows: Table) -> list[str]:
    return [
        f"St {st:g}, pitch {mean:g} + {pitch:g} deg"
        for st, mean, pitch in zip(rows["St"], rows["th_mean_deg"], rows["th0_deg"], strict=True)
    ]


def flap_runs(rows: Table) -> list[Coefficients]:
    """Run every row of the flapping table."""
    return [
        flapped(*row)
        for row in zip(
            rows.text("polar"),
            rows["G0_deg"],
            rows["vtip_over_U"],
            rows["th_mean_deg"],
            rows["tip_twist_amp_deg"],
            strict=True,
        )
    ]


def flap_places(rows: Table) -> list[str]:
    return [
        f"{angle:g} deg, tip {tip:g} U, pitch {mean:g} deg, twist {twist:g} deg"
        for angle, tip, mean, twist in zip(
            rows["G0_deg"],
            rows["vtip_over_U"],
            rows["th_mean_deg"],
            rows["tip_twist_amp_deg"],
            strict=True,
        )
    ]


VALUES: dict[str, Callable[[Coefficients], float]] = {
    "CL_mean": lambda run: run.lift_mean,
    "CT_mean": lambda run: run.thrust_mean,
    "CP_mean": lambda run: run.power_mean,
}


def checks() -> Checks:
    """Every comparison of this family."""
    for polar in POLARS:
        for column in VALUES:
            yield QUADRATURE.absolute(
                f"plunge to St 0.4, polar {polar}, {column} on the size of the force",
                MODEL,
                lambda polar=polar, column=column: plunge_column(polar, column),
                1e-3,
                WHY,
            )
    for polar in ("2pi_sin", "naca0012_Re360000"):
        for column in VALUES:
            yield QUADRATURE.absolute(
                f"root hinge to 45 deg, polar {polar}, {column} on the size of the force",
                MODEL,
                lambda polar=polar, column=column: flap_column(polar, column),
                1e-3,
                WHY + " and 60 strips",
            )
    yield from identity_checks()


def size(run: Coefficients) -> float:
    """Root mean square of the force coefficient over the stroke."""
    return float(np.sqrt(np.mean(run.lift**2 + run.thrust**2)))


def plunge_column(polar: str, column: str) -> Points:
    """One column of the plunge table for one polar, on the size of the force."""
    rows = table("large_amplitude_plunge").where(polar=polar)
    runs = plunge_runs(rows)
    scale = np.array([size(run) for run in runs])
    found = np.array([VALUES[column](run) for run in runs])
    return Points(rows[column] / scale, found / scale, plunge_places(rows))


def flap_column(polar: str, column: str) -> Points:
    """One column of the flapping table for one polar, on the size of the force."""
    rows = table("large_amplitude_hinged").where(polar=polar)
    runs = flap_runs(rows)
    scale = np.array([size(run) for run in runs])
    found = np.array([VALUES[column](run) for run in runs])
    return Points(rows[column] / scale, found / scale, flap_places(rows))


def identity_checks() -> Checks:
    """What ``2 pi sin`` must give at any amplitude."""
    strouhal, mean = 0.4, 5.0
    plunge_thrust = np.pi * (np.pi * strouhal) ** 2 * np.cos(np.radians(mean))
    amplitude, tip = 45.0, 0.9
    flap_thrust = np.pi / 3.0 * tip**2 * np.cos(np.radians(mean))
    flap_lift = 2.0 * np.pi * np.sin(np.radians(mean)) * j0(np.radians(amplitude))
    for law, model, limit, why in (
        ("thin-airfoil", MODEL_IDEAL, 1e-9, WHY_IDENTITY),
        ("2pi_sin", MODEL, 1e-5, WHY_POLAR),
    ):
        for name, expected, value in (
            ("thrust", plunge_thrust, VALUES["CT_mean"]),
            ("power", plunge_thrust, VALUES["CP_mean"]),
            ("lift 2 pi sin(pitch)", 2.0 * np.pi * np.sin(np.radians(mean)), VALUES["CL_mean"]),
        ):
            yield PLUNGE.relative(
                f"St 0.4, pitch 5 deg, {name}, law {law}",
                model,
                lambda law=law, expected=expected, value=value: Points(
                    expected, value(plunged(law, strouhal, mean, 0.0))
                ),
                limit,
                why,
            )
        for name, expected, value in (
            ("thrust", flap_thrust, VALUES["CT_mean"]),
            ("power", flap_thrust, VALUES["CP_mean"]),
            ("lift with Bessel's J0", flap_lift, VALUES["CL_mean"]),
        ):
            yield FLAPPING.relative(
                f"45 deg, tip 0.9 U, pitch 5 deg, {name}, law {law}",
                model,
                lambda law=law, expected=expected, value=value: Points(
                    expected, value(flapped(law, amplitude, tip, mean, 0.0))
                ),
                limit,
                why,
            )
    yield PLUNGE.absolute(
        "plate without suction in untwisted plunge, no thrust at any amplitude",
        MODEL.replace("polar", "thin plate, no suction, no friction"),
        lambda: Points(0.0, fly_plate().thrust_mean),
        1e-9,
        "the force is normal to a chord along the flight: rounding only",
    )


def fly_plate() -> Coefficients:
    """Thin plate without suction or friction in large plunge."""
    from flapsim import simulate

    tables = one_segment_tables(
        frequency=PLUNGE_FREQUENCY,
        strips=2,
        heave={"amplitude_m": 0.4 * AIRSPEED / (2.0 * PLUNGE_FREQUENCY)},
        section={"law": "thin-plate", "suction": 0.0, "friction": 0.0},
        model=STRIPS_ONLY,
    )
    return coefficients(simulate(as_case(tables)))
