"""Shed wake of a finite wing: the solver's one exponential against R. T. Jones's.

The solver lags the downwash by ``A = 0.5 AR/(2.32 + AR)``, ``b = 0.181 + 0.772/AR`` and leaves the
steady deficit to the induced model.  Jones's wings of aspect ratio 3 and 6 have the same share of
sudden lift but come to rest faster.  What that difference is worth is reported here; neither
is a measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import CHORD, first_harmonic, fly, one_segment_wing, section_frequency
from validation.theory_section import one_pole_sum_function

TITLE = "Shed wake of a finite wing"

CLOSED_FORM = Source("Closed form", Status.EXACT)

JONES = Source("Jones (1940)", Status.MEMORY)
RATIOS = (3.0, 6.0)
SMALL = 0.005

MODEL_FORMULA = "half_wing.wake.finite_wing_lag"
MODEL = "thin airfoil, finite-wing lag, slope, no apparent mass"


def indicial(aspect_ratio: float, s: np.ndarray) -> np.ndarray:
    """Lift after a step over its final value, with the solver's constants."""
    from flapsim.half_wing.wake import finite_wing_lag

    amplitude, rate = finite_wing_lag(aspect_ratio)
    return np.asarray(1.0 - amplitude * np.exp(-rate * s))


@cache
def oscillatory(aspect_ratio: float, k: float) -> complex:
    """Circulatory lift over its quasi-steady two-dimensional value, from the solver."""
    frequency = section_frequency(k)
    amplitude = SMALL * CHORD / (2.0 * k)
    run = fly(
        one_segment_wing(
            frequency=frequency,
            half_span=aspect_ratio * CHORD / 2.0,
            strips=2,
            heave={"amplitude_m": amplitude},
            model={"induced": "slope", "wake_lag": "finite-wing", "apparent_mass": False},
        )
    )
    # Heave cos(tau) has speed -sin(tau), so the incidence is SMALL sin(tau), phasor -i SMALL.
    incidence = -1j * SMALL
    return first_harmonic(run.lift) / (2.0 * np.pi * incidence)


def checks() -> Checks:
    """Every comparison of this family."""
    for ratio in RATIOS:
        steady = ratio / (ratio + 2.0)
        yield JONES.absolute(
            f"lift at the instant of a step over its final value, AR {ratio:g}",
            MODEL_FORMULA,
            lambda ratio=ratio, steady=steady: after_step(ratio, steady, 0.0),
            0.005,
            "both put the sudden part there: 0.639 and 0.717",
        )
        yield JONES.absolute(
            f"lift after a step over its final value, AR {ratio:g}",
            MODEL_FORMULA,
            lambda ratio=ratio, steady=steady: after_step(ratio, steady, 100.0),
            0.03,
            "decay 0.310 against 0.381 a semichord at AR 6, 0.438 against 0.540 at AR 3: "
            "up to 0.027 at 3 semichords; 5 % of the wing's lift is what either is worth",
        )
        yield JONES.relative(
            f"lift amplitude of an oscillating wing, AR {ratio:g}, k = 0.01 to 1",
            MODEL,
            lambda ratio=ratio: in_oscillation(ratio, published, abs),
            0.05,
            "the same difference in frequency; 5 % of the lift is what either is worth",
        )
        yield JONES.absolute(
            f"lift phase of an oscillating wing, AR {ratio:g}, k = 0.01 to 1",
            MODEL,
            lambda ratio=ratio: in_oscillation(ratio, published, degrees),
            3.0,
            "5 % of a radian",
            unit="deg",
        )
        yield CLOSED_FORM.relative(
            f"lift amplitude of an oscillating wing, AR {ratio:g}, the solver's constants",
            MODEL,
            lambda ratio=ratio: in_oscillation(ratio, closed_form, abs),
            1e-4,
            "same formula: only time step (256 a stroke) and finite amplitude (2.5e-5) differ",
        )


def degrees(value: complex) -> float:
    return float(np.degrees(np.angle(value)))


def after_step(ratio: float, steady: float, high: float) -> Points:
    """Step response over its final value, up to a number of semichords."""
    rows = table("finite_wing_indicial").between("s_semichords", 0.0, high)
    s = rows["s_semichords"]
    expected = rows[f"phi_AR{ratio:g}"] / (0.74 if ratio == 6.0 else steady)
    return Points(expected, indicial(ratio, s), [f"s = {x:g}" for x in s])


def published(ratio: float, k: np.ndarray) -> np.ndarray:
    """Jones's oscillatory lift, with the steady limit of the elliptic wing at both ratios."""
    rows = table("finite_wing_oscillatory").between("k", float(k[0]), float(k[-1]))
    value = rows[f"F_AR{ratio:g}"] + 1j * rows[f"G_AR{ratio:g}"]
    # Jones writes 0.740 for AR/(AR + 2) = 0.750 at AR 6.
    return np.asarray(value / (0.74 if ratio == 6.0 else 0.6) * ratio / (ratio + 2.0))


def closed_form(ratio: float, k: np.ndarray) -> np.ndarray:
    """One exponential, and Prandtl's share of the two-dimensional lift."""
    from flapsim.half_wing.wake import finite_wing_lag

    amplitude, rate = finite_wing_lag(ratio)
    lagged = one_pole_sum_function(k, np.atleast_1d(amplitude), np.atleast_1d(rate))
    return np.asarray(lagged * ratio / (ratio + 2.0))


def in_oscillation(
    ratio: float,
    expected: Callable[[float, np.ndarray], np.ndarray],
    part: Callable[[complex], float],
) -> Points:
    """Amplitude or phase of the lift of a plunging wing over the table's frequencies."""
    k = table("finite_wing_oscillatory").between("k", 0.01, 1.0)["k"]
    return Points(
        [part(value) for value in expected(ratio, k)],
        [part(oscillatory(ratio, float(x))) for x in k],
        [f"k = {x:g}" for x in k],
    )
