"""The lattice that the wake models will be held against is itself held against published theory."""

from __future__ import annotations

import math

import numpy as np
import pytest

from validation.reference import table
from validation.vortex_lattice import Response, Wing


def plunge(wing: Wing, k: float, height: float = 1.0) -> Response:
    return wing.respond(k, lambda x, y: height + 0j * (x + y), lambda x, y: 0j * (x + y))


@pytest.mark.parametrize("aspect_ratio", [4.0, 5.0, 6.0])
def test_the_steady_lift_slope_is_that_of_a_finer_lattice(aspect_ratio: float) -> None:
    # Computed with 20 rows along the chord; Polhamus (1966) gives the same to two digits.
    published = table("rectangular_wing_vortex_lattice")
    slope = float(np.interp(aspect_ratio, published["AR"], published["CLalpha_VLM"]))
    wing = Wing(aspect_ratio, 8, 24)
    lift = wing.respond(1e-6, lambda x, y: 0j * (x + y), lambda x, y: -1.0 + 0j * (x + y)).lift
    assert lift.real / (0.5 * aspect_ratio) == pytest.approx(slope, rel=1e-3)


@pytest.mark.parametrize("k", [0.15, 0.3])
def test_a_very_long_wing_that_plunges_is_the_section_of_garrick(k: float) -> None:
    # Garrick (1936), NACA TR 567. First order in the panels: extrapolated from 8 and 16 rows. At
    # aspect ratio 400 the tips take half a percent (2/AR).
    long = 400.0
    coarse, fine = (plunge(Wing(long, rows, 10), k) for rows in (8, 16))
    published = table("garrick_plunge")
    for name, factor in (("CT_per_z0c2", "thrust"), ("CP_per_z0c2", "power")):
        values = [getattr(found, factor) / (0.5 * long) for found in (coarse, fine)]
        expected = float(np.interp(k, published["k"], published[name]))
        assert 2.0 * values[1] - values[0] == pytest.approx(expected, rel=0.015)


def test_slow_plunging_comes_close_to_the_least_wake_loss_and_never_below_it() -> None:
    # Betz condition for flapping (Jones 1980; Hall & Hall 1996): the whole wing plunges at the
    # velocity v V, C_T = (pi AR/2) v^2 lambda (1 - lambda), efficiency at most 1 - lambda.
    ratio, k = 6.0, 0.02
    found = plunge(Wing(ratio, 8, 24), k)
    thrust = found.thrust / (0.5 * ratio)
    strength = 0.5 * math.pi * ratio * (2.0 * k) ** 2
    best = 0.5 * (1.0 + math.sqrt(1.0 - 4.0 * thrust / strength))
    reached = found.thrust / found.power
    assert reached <= best * (1.0 + 1e-3)
    assert reached == pytest.approx(best, abs=0.02)
