"""Propagation of uncertainty: the resistance and reactance of an element, measured together.

The worked example H.2 of the guide on uncertainty: five observations each of voltage, current and
phase angle, taken together and therefore correlated. What a rig's account does with the strokes of
a log is done here with these five.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.check import Checks, Points, Source, Status

TITLE = "Propagation of uncertainty"

GUM = Source("JCGM 100:2008 (GUM), H.2", Status.MEMORY)
MODEL = "rig.uncertainty.means_with_scatter and linearised"

# Table H.2: voltage V, current mA, phase angle rad, in five sets of observations. Recalled, not
# read; that their means and standard deviations are those the guide prints confirms them.
VOLTAGE = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
ANGLE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

INPUTS = {"voltage": (4.9990, 0.0032), "current": (19.6610, 0.0095), "phase": (1.04446, 0.00075)}
"""Means and standard uncertainties that the guide prints, V, mA, rad."""

RESULTS = {"resistance": (127.732, 0.071), "reactance": (219.847, 0.295),
           "impedance": (254.260, 0.236)}  # fmt: skip
"""Table H.4, ohm."""

CORRELATIONS = {("resistance", "reactance"): -0.588, ("resistance", "impedance"): -0.485,
                ("reactance", "impedance"): 0.993}  # fmt: skip

NAMES = tuple(RESULTS)


def checks() -> Checks:
    """Every comparison of this family."""
    digits = (1e-4, 1e-4, 1e-5)
    for what, place in (("means", 0), ("spreads", 1)):
        yield GUM.absolute(
            f"{what} of the inputs, in last printed digits",
            MODEL,
            lambda place=place: _in_digits(
                [pair[place] for pair in INPUTS.values()],
                [pair[place] for pair in _pairs(observed())],
                list(digits),
                list(INPUTS),
            ),
            0.5 + 1e-6,
            "half a digit of what is printed",
        )
    for what, place in (("values", 0), ("standard uncertainties", 1)):
        yield GUM.absolute(
            f"{what} of resistance, reactance and impedance",
            MODEL,
            lambda place=place: Points(
                [pair[place] for pair in RESULTS.values()],
                [pair[place] for pair in _pairs(derived())],
                NAMES,
            ),
            1.0e-3,
            "a digit of what is printed",
            unit="ohm",
        )
    yield GUM.absolute(
        "correlations of resistance, reactance and impedance",
        MODEL,
        correlations,
        1.0e-3,
        "a digit of what is printed",
    )


@cache
def observed() -> tuple[Any, ...]:
    """Means of the five observations with their scatter."""
    from flapsim.rig.uncertainty import means_with_scatter

    observations = np.stack([VOLTAGE, CURRENT, ANGLE])
    return tuple(means_with_scatter(observations.mean(axis=1), observations))


@cache
def derived() -> tuple[Any, ...]:
    """Resistance, reactance and impedance in ohm."""
    from flapsim.rig.uncertainty import linearised

    def element(voltage: float, current: float, angle: float) -> NDArray[np.float64]:
        size = 1000.0 * voltage / current
        return np.array([size * np.cos(angle), size * np.sin(angle), size])

    return tuple(linearised(element, observed()))


def correlations() -> Points:
    """Correlations of the results."""
    from uncertainties import correlation_matrix

    matrix = correlation_matrix(derived())
    found = [matrix[NAMES.index(one), NAMES.index(other)] for one, other in CORRELATIONS]
    return Points(list(CORRELATIONS.values()), found, [" and ".join(pair) for pair in CORRELATIONS])


def _pairs(values: tuple[Any, ...]) -> list[tuple[float, float]]:
    return [(value.nominal_value, value.std_dev) for value in values]


def _in_digits(
    reference: list[float], computed: list[float], digits: list[float], names: list[str]
) -> Points:
    """Largest deviation in units of the last digit that is printed."""
    size = np.array(digits)
    return Points(np.array(reference) / size, np.array(computed) / size, names)
