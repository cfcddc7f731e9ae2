"""The compliant wing held still in the stream: the airspeeds at which it diverges or flutters.

The wing is stopped at the mean of each of its schedules, at its pitch and twist in flight; the
eigenvalues of a small departure of its twist are computed at increasing airspeeds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.held import held_still
from flapsim.half_wing.twist.half_wing import HalfWing
from flapsim.half_wing.twist.stability import linearised
from flapsim.kernel import layout as at
from flapsim.kernel import pick

Array = NDArray[np.float64]

FASTEST = 5.0
"""Airspeeds are tried up to this multiple of the case's own."""

_POINTS = 60
_HALVINGS = 40


class StabilityMargins(NamedTuple):
    """A wing held still at several airspeeds."""

    airspeed: Array  # (n,): m/s
    # aperiodic, oscillatory, (n,): growth rate of the least stable real eigenvalue, and of the
    # least stable complex pair, 1/s; NaN where there is none
    aperiodic: Array
    oscillatory: Array
    frequency: Array  # (n,): of that complex pair, Hz
    # divergence, flutter: least airspeed at which the one and the other become unstable, m/s; NaN
    # if neither does up to the largest of `airspeed`
    divergence: float
    flutter: float


def stability_margins(
    case: Cases, half: HalfWing, airspeeds: ArrayLike | None = None, lane: int = 0
) -> StabilityMargins:
    """Eigenvalues of a compliant half wing held still, against airspeed, m/s.

    ``airspeeds`` increase, at least two; by default up to `FASTEST` times that of the case. Raises
    ValueError if no segment is compliant.

    Divergence and flutter speed are found by bisection between two neighbouring airspeeds. The
    spring is not loaded anew at each airspeed: the wing keeps its incidence in flight, so that this
    is the classical margin (Bisplinghoff, Ashley & Halfman 1955, Aeroelasticity, ch. 8 and 9), with
    the section law, induction and wake of the case.
    """
    if not half.parts:
        raise ValueError("no compliant segment: a driven twist has no stability margin")
    still = held_still(pick(half.design.batch, np.array([lane])))
    parts = [part.of(np.array([lane])) for part in half.parts]

    def eigenvalues(speed: float) -> NDArray[np.complex128]:
        constant = still.constant.copy()
        constant[at.CONST_AIRSPEED] = speed
        linear = linearised(case, still._replace(constant=constant), parts, half.side)
        if linear is None:
            return np.full(1, np.nan, dtype=np.complex128)
        return np.asarray(np.linalg.eigvals(linear.state_matrix()[0]), dtype=np.complex128)

    if airspeeds is None:
        own = max(float(still.constant[at.CONST_AIRSPEED, 0]), 1.0)
        airspeeds = np.linspace(own / _POINTS, FASTEST * own, _POINTS)
    speed = np.asarray(airspeeds, dtype=np.float64)
    found = [eigenvalues(value) for value in speed]
    aperiodic = np.array([_aperiodic(values) for values in found])
    pairs = [_oscillatory(values) for values in found]
    oscillatory = np.array([value.real for value in pairs])
    return StabilityMargins(
        airspeed=speed,
        aperiodic=aperiodic,
        oscillatory=oscillatory,
        frequency=np.array([abs(value.imag) for value in pairs]) / math.tau,
        divergence=_crossing(speed, aperiodic, lambda v: _aperiodic(eigenvalues(v))),
        flutter=_crossing(speed, oscillatory, lambda v: _oscillatory(eigenvalues(v)).real),
    )


def _complex(values: NDArray[np.complex128]) -> NDArray[np.bool_]:
    return np.asarray(np.abs(values.imag) > 1e-9 * np.abs(values))


def _aperiodic(values: NDArray[np.complex128]) -> float:
    here = values[~_complex(values)].real
    return float(here.max()) if here.size else math.nan


def _oscillatory(values: NDArray[np.complex128]) -> complex:
    here = values[_complex(values)]
    return complex(here[np.argmax(here.real)]) if here.size else complex(math.nan, math.nan)


def _crossing(speed: Array, growth: Array, at: Callable[[float], float]) -> float:
    """Least airspeed at which a growth becomes positive."""
    beyond = np.flatnonzero(growth > 0.0)
    if not beyond.size:
        return math.nan
    first = int(beyond[0])
    if first == 0:
        return float(speed[0])
    low, high = float(speed[first - 1]), float(speed[first])
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if at(middle) > 0.0 else (middle, high)
    return high
