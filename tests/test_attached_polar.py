"""An attached section table on the lifting line is worth what the classics say: nothing is lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flapsim.half_wing.polar import (
    GRID_DEG,
    polar_table,
    revolving_plate_table,
)
from flapsim.kernel import layout
from validation.textbook import fly, steady_wing

SLOPE = 5.2
ZERO_LIFT_DEG = -3.0

Array = np.ndarray


def write_polar(folder: Path) -> None:
    """A cambered section of less than 2 pi that does not stall within the polar, without drag."""
    alpha = np.arange(-20.0, 20.5, 0.5)
    lift = SLOPE * np.sin(np.radians(alpha - ZERO_LIFT_DEG))
    rows = [f"{a:.1f},{cl:.9f},0.0" for a, cl in zip(alpha, lift, strict=True)]
    (folder / "straight.csv").write_text("\n".join(["alpha_deg,cl,cd", *rows]) + "\n")


def glauert(aspect_ratio: float, terms: int = 200) -> tuple[float, float]:
    """Lift slope and induced drag over square of lift of a rectangle, by collocation.

    Glauert (1926), ch. XI: ``sum A_n sin(n t) (n mu + sin t) = mu a sin t``, here written out with
    the section's slope and many terms.
    """
    n = 2.0 * np.arange(terms) + 1.0
    t = (np.arange(terms)[:, None] + 0.5) * np.pi / (2.0 * terms)
    mu = SLOPE / (4.0 * aspect_ratio)
    series = np.linalg.solve(np.sin(n * t) * (n * mu + np.sin(t)), mu * np.sin(t[:, 0]))
    lift = np.pi * aspect_ratio * series[0]
    drag = np.pi * aspect_ratio * np.sum(n * series**2)
    return float(lift), float(drag / lift**2)


@pytest.mark.parametrize("aspect_ratio", [4.0, 8.0])
def test_a_rectangle_with_an_attached_polar_is_glauerts(
    tmp_path: Path, aspect_ratio: float
) -> None:
    write_polar(tmp_path)
    chord = 0.2
    run = fly(
        steady_wing(
            2.0,
            folder=tmp_path,
            half_span=aspect_ratio * chord / 2.0,
            strips=48,
            section={"law": "polar", "file": "straight.csv"},
            model={"induced": "lifting-line", "wake": "quasi-steady", "modes": 16, "steps": 16},
        )
    )
    slope, factor = glauert(aspect_ratio)
    # 16 modes and the square of the incidence, 0.0076: a part in a thousand. A low-pass on what
    # the section has not of 2 pi would show as 0.5 to 2 %.
    assert run.lift_mean == pytest.approx(slope * np.radians(2.0 - ZERO_LIFT_DEG), rel=3e-3)
    assert -run.thrust_mean / run.lift_mean**2 == pytest.approx(factor, rel=3e-3)


def test_the_attached_line_of_a_straight_polar_is_the_polar(tmp_path: Path) -> None:
    alpha = np.arange(-20.0, 20.5, 0.5)
    lift = SLOPE * np.sin(np.radians(alpha - ZERO_LIFT_DEG))
    nothing = np.zeros_like(lift)
    values = polar_table(alpha, [1e5], lift[None], nothing[None], nothing[None], 1.2).values[0]
    inside = np.abs(GRID_DEG) <= 20.0
    # Linear interpolation between the rows of the polar: (0.5 deg)^2/8 of the lift.
    np.testing.assert_allclose(
        values[layout.TABLE_ATTACHED_LIFT, inside], values[layout.TABLE_LIFT, inside], atol=3e-5
    )
    assert np.all(np.abs(values[layout.TABLE_ATTACHED_LIFT]) <= SLOPE * (1.0 + 1e-4))


def test_the_attached_line_of_a_stalling_polar_goes_on_straight() -> None:
    alpha = np.arange(-15.0, 20.5, 0.5)
    lift = 6.0 * np.sin(np.radians(np.minimum(alpha, 10.0)))
    nothing = np.zeros_like(lift)
    values = polar_table(alpha, [1e5], lift[None], nothing[None], nothing[None], 1.2).values[0]
    here = int(np.flatnonzero(GRID_DEG == 18.0)[0])
    assert values[layout.TABLE_ATTACHED_LIFT, here] == pytest.approx(
        6.0 * np.sin(np.radians(18.0)), rel=1e-4
    )


def test_the_revolving_plate_has_a_line_of_its_own() -> None:
    values = revolving_plate_table().values[0]
    here = int(np.flatnonzero(GRID_DEG == 4.0)[0])
    # The published fit bends only at large incidence; its line is a mean over five degrees.
    assert values[layout.TABLE_ATTACHED_LIFT, here] == pytest.approx(
        values[layout.TABLE_LIFT, here], rel=0.1
    )
