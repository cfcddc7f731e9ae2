"""Two hinged segments: kinematics of the outer one, in closed form for small angles.

Constant chord, strips without induced velocity or wake.  The closed form is linear in the angles'
squares, so at 5 to 8 deg the exact kinematics differ by the cosines of the dihedral, and the
difference falls with the square of the amplitude.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.reference import Table, table
from validation.textbook import CHORD, DENSITY, STRIPS_ONLY, as_case, one_segment_tables

TITLE = "Two hinged segments"

CLOSED_FORM = Source("Two-segment closed form", Status.EXACT)

MODEL = "thin airfoil, quasi-steady, no induced velocity, no apparent mass"

Row = tuple[float, ...]
COLUMNS = ("s1_m", "s2_m", "G1_deg", "G2_deg_abs", "lag_deg", "f_Hz", "U_mps")


@cache
def mean_coefficients(row: Row, amplitude: float = 1.0) -> tuple[float, float]:
    """Thrust and power coefficient of one row, its angles times ``amplitude``."""
    from flapsim import simulate

    inner, outer, inner_deg, outer_deg, lag_deg, frequency, speed = row
    tables = one_segment_tables(
        frequency=frequency,
        half_span=inner,
        strips=12,
        plunge={"amplitude_deg": amplitude * inner_deg},
        model=STRIPS_ONLY,
    )
    tables["flight"]["airspeed_m_s"] = speed
    tables["wing"]["outer"] = {
        "length_m": outer,
        "chord_m": [[0.0, CHORD], [1.0, CHORD]],
        "strips": 12,
    }
    # The table gives the outer angle in space; the case wants it relative to the inner segment.
    lag = np.radians(lag_deg)
    tables["stroke"]["outer"] = {
        "plunge": {
            "shape": "fourier",
            "cos_deg": [float(amplitude * (outer_deg * np.cos(lag) - inner_deg))],
            "sin_deg": [float(amplitude * outer_deg * np.sin(lag))],
        }
    }
    cycle = simulate(as_case(tables))
    force = 0.5 * DENSITY * speed**2 * 2.0 * (inner + outer) * CHORD
    return cycle.mean["thrust_n"] / force, cycle.mean["aero_power_w"] / (force * speed)


def rows_of(rows: Table) -> list[Row]:
    return list(zip(*(rows[name].tolist() for name in COLUMNS), strict=True))


def place(row: Row) -> str:
    inner, outer, inner_deg, outer_deg, lag_deg, *_ = row
    return f"{inner:g} + {outer:g} m, {inner_deg:g} and {outer_deg:g} deg, lag {lag_deg:g} deg"


def against_table(amplitude: float) -> Points:
    """Thrust against the closed form, angles scaled by ``amplitude``."""
    rows = table("two_segment_strip")
    listed = rows_of(rows)
    found = [mean_coefficients(row, amplitude)[0] / amplitude**2 for row in listed]
    return Points(rows["CT_mean"], found, [place(row) for row in listed])


def checks() -> Checks:
    """Every comparison of this family."""
    yield CLOSED_FORM.relative(
        "thrust at 5 to 8 deg",
        MODEL,
        lambda: against_table(1.0),
        0.03,
        "cosines of the dihedral, which the closed form takes as one: 8 deg is 1 % in cos^2, "
        "and the relative angle counts too",
    )
    yield CLOSED_FORM.relative(
        "thrust at a twentieth of the amplitude",
        MODEL,
        lambda: against_table(0.05),
        1e-4,
        "the difference falls with the square of the amplitude: 3 % / 400",
    )
    yield CLOSED_FORM.absolute(
        "order with which the deviation falls with the amplitude",
        MODEL,
        order,
        0.05,
        "the next term is of fourth order: at 8 deg a few percent of the second",
    )
    yield CLOSED_FORM.relative(
        "power equals thrust times speed at 5 to 8 deg",
        MODEL,
        lossless,
        1e-9,
        "full suction, no loss: an identity at any amplitude",
    )


def order() -> Points:
    """Exponent of the deviation between full and half amplitude, for the plainest row."""
    rows = table("two_segment_strip").where(G2_deg_abs=8.0, lag_deg=60.0, G1_deg=5.0)
    listed = rows_of(rows)
    deviations = [
        [
            mean_coefficients(row, amplitude)[0] / (amplitude**2 * expected) - 1.0
            for amplitude in (1.0, 0.5)
        ]
        for row, expected in zip(listed, _closed_form(listed), strict=True)
    ]
    found = [float(np.log2(full / half)) for full, half in deviations]
    return Points(np.full(len(found), 2.0), found, [place(row) for row in listed])


def _closed_form(listed: list[Row]) -> list[float]:
    """Mean thrust coefficient by the closed form in full precision, which an order needs."""
    values = []
    for inner, outer, inner_deg, outer_deg, lag_deg, frequency, speed in listed:
        g1, g2, lag = np.radians([inner_deg, outer_deg, lag_deg])
        omega = 2.0 * np.pi * frequency
        bracket = (
            g1**2 * inner**3 / 3.0
            + g1**2 * inner**2 * outer
            + g1 * g2 * inner * outer**2 * np.cos(lag)
            + g2**2 * outer**3 / 3.0
        )
        values.append(float(np.pi * omega**2 / (speed**2 * (inner + outer)) * bracket))
    return values


def lossless() -> Points:
    """Power against thrust."""
    listed = rows_of(table("two_segment_strip"))
    pairs = [mean_coefficients(row) for row in listed]
    thrust, power = zip(*pairs, strict=True)
    return Points(thrust, power, [place(row) for row in listed])
