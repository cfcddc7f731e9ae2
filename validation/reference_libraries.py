"""General-purpose reference libraries: the atmosphere, and the special functions themselves.

The standard atmosphere of a case is compared with an independent package; the lift functions that
other modules use as references are compared with arbitrary-precision arithmetic, so that no
reference rests on the library that made it.
"""

from __future__ import annotations

from collections.abc import Callable

import mpmath
import numpy as np
from ambiance import Atmosphere

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import TWO_DIMENSIONAL, first_harmonic, fly, oscillating_wing
from validation.theory_section import theodorsen_function

TITLE = "General-purpose reference libraries"

MPMATH = Source("mpmath", Status.EXACT)
AMBIANCE = Source("ambiance (ICAO 1993)", Status.EXACT)

ALTITUDES = (-1000.0, 0.0, 500.0, 2000.0, 5000.0, 10999.0, 11500.0, 15000.0, 20000.0)


def checks() -> Checks:
    """Every comparison of this family."""
    for name, of_case, of_library in (
        ("density", case_density, lambda h: float(Atmosphere(h).density[0])),
        ("viscosity", case_viscosity, lambda h: float(Atmosphere(h).kinematic_viscosity[0])),
    ):
        yield AMBIANCE.relative(
            f"standard atmosphere, {name}, -1 to 20 km",
            "case.Air",
            lambda of_case=of_case, of_library=of_library: over_altitude(of_case, of_library),
            1e-4,
            "ICAO 1993 and ISO 1975 constants differ in their sixth digit",
        )
    yield Source(MPMATH.name, Status.OWN).relative(
        "reference: Theodorsen's function by modified Bessel functions, 30 digits",
        "validation.theory_section.theodorsen_function",
        special_function,
        1e-12,
        "rounding of double precision",
    )
    yield MPMATH.relative(
        "circulatory lift of the solver in plunge on 2 pi C(k), k = 0.05 to 1",
        "thin airfoil, two-dimensional lag, no induced velocity, no apparent mass",
        circulatory_lift,
        0.022,
        "Jones's two exponentials in place of C(k): |C| differs by up to 2.1 %",
    )


def over_altitude(
    of_case: Callable[[float], float], of_library: Callable[[float], float]
) -> Points:
    """One quantity over the altitudes a case may name."""
    return Points(
        [of_library(altitude) for altitude in ALTITUDES],
        [of_case(altitude) for altitude in ALTITUDES],
        [f"{altitude:g} m" for altitude in ALTITUDES],
    )


def case_density(altitude: float) -> float:
    """Density that a case takes at an altitude."""
    from flapsim.case import Air

    return Air(altitude_m=altitude).density


def case_viscosity(altitude: float) -> float:
    """Kinematic viscosity that a case takes at an altitude."""
    from flapsim.case import Air

    return Air(altitude_m=altitude).kinematic_viscosity


def theodorsen_by_mpmath(k: float) -> complex:
    """``K1(ik) / (K0(ik) + K1(ik))`` in thirty digits."""
    with mpmath.workdps(30):
        argument = mpmath.mpc(0, k)
        zero, first = mpmath.besselk(0, argument), mpmath.besselk(1, argument)
        return complex(first / (zero + first))


def frequencies() -> np.ndarray:
    """Reduced frequencies of the table, 0.05 to 1."""
    return table("theodorsen_function").between("k", 0.05, 1.0)["k"]


def special_function() -> Points:
    """Modulus of the difference over that of the function, written as a ratio to one."""
    k = frequencies()
    exact = np.array([theodorsen_by_mpmath(float(x)) for x in k])
    off = np.abs(theodorsen_function(k) - exact) / np.abs(exact)
    return Points(np.ones(len(k)), 1.0 + off, [f"k = {x:g}" for x in k])


def circulatory_lift() -> Points:
    """Amplitude of the lift of a plunging section without apparent mass."""
    small = 0.005
    model = {**TWO_DIMENSIONAL, "apparent_mass": False}
    k = frequencies()
    found = [
        abs(first_harmonic(fly(oscillating_wing(float(x), small / (2.0 * x), model=model)).lift))
        / (2.0 * np.pi * small)
        for x in k
    ]
    exact = [abs(theodorsen_by_mpmath(float(x))) for x in k]
    return Points(exact, found, [f"k = {x:g}" for x in k])
