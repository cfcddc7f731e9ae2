"""Stability of a periodic twist: Floquet multipliers.

Answers: does a small departure from the periodic twist die out? The departure of twist, its rate
and the states of each strip's shed wake follow a linear equation with periodic coefficients;
central differences of the strip kernel give them. The largest Floquet multiplier is the growth of
a departure per stroke: above one the wing flutters or diverges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.twist.compliance import ROOT, TIP, Compliance, Side
from flapsim.half_wing.twist.equations import Equations
from flapsim.half_wing.twist.half_wing import HalfWing
from flapsim.kernel import Batch, Disturbance, Solution, pick, repeated, solve
from flapsim.kernel import layout as at
from flapsim.wing.schedule import evaluate

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_KICK = 1e-5
# Where the flow jumps from one solution to another (stall), a departure that straddles the jump
# gives a slope that grows without bound as the departure shrinks.
_WIDE_KICK = 1e-3
_JUMP = 0.2
_ORDERS = 3


@dataclass(frozen=True)
class Linearised:
    """A compliant half wing next to its periodic motion, at n instants."""

    # inertia, damping, stiffness, (n, parts, parts): moment against a departure of the
    # compliant twists' acceleration, rate and value at a given wake: spring, damper, stops, mass
    # and air together; N m s2/rad, N m s/rad, N m/rad
    inertia: Array
    damping: Array
    stiffness: Array
    # (n, parts, parts): stiffness of the air, of weight and of the wing's rotation, without
    # springs and stops, N m/rad
    air_stiffness: Array
    wake: Array  # (n, parts, strips): moment lost to a strip's wake velocity, N m s/m
    # downwash, downwash_rate, (n, strips, parts): change of a strip's downwash with a twist,
    # m/s/rad, and with its rate, m/rad
    downwash: Array
    downwash_rate: Array
    semichords: Array  # (n, strips): semichords that a strip travels in a second
    lag: Array  # (poles, 2): amplitude and rate of each exponential of the wake's lag
    period: float  # Of the stroke, s

    def state_matrix(self) -> Array:
        """Rate of the state against the state at each instant, shape (n, N, N).

        The state holds the departures of twist, of its rate, and for each strip and exponential
        the wake state ``z - A dq``, so that no acceleration enters.
        """
        steps, parts, strips = self.wake.shape
        poles = len(self.lag)
        size = 2 * parts + poles * strips
        out = np.zeros((steps, size, size))
        twist, rate = slice(0, parts), slice(parts, 2 * parts)
        out[:, twist, rate] = np.eye(parts)
        amplitude = self.lag[:, 0].sum()
        inverse = np.linalg.inv(self.inertia)
        out[:, rate, twist] = -inverse @ (self.stiffness + amplitude * self.wake @ self.downwash)
        out[:, rate, rate] = -inverse @ (self.damping + amplitude * self.wake @ self.downwash_rate)
        for pole, (size_of, decay) in enumerate(self.lag):
            memory = slice(2 * parts + pole * strips, 2 * parts + (pole + 1) * strips)
            fading = decay * self.semichords[:, :, None]
            out[:, rate, memory] = -inverse @ self.wake
            out[:, memory, twist] = -fading * size_of * self.downwash
            out[:, memory, rate] = -fading * size_of * self.downwash_rate
            out[:, memory, memory] = -fading * np.eye(strips)
        return out


@dataclass(frozen=True)
class Stability:
    """Growth of a small departure from the periodic twist."""

    # (N,): Floquet multipliers, the largest first; infinite where the growth within a stroke
    # overflows
    multipliers: Complex
    # air_stiffness, damping_ratio, natural_frequency, (parts,): of each compliant segment on its
    # own, in the mean over the stroke: torsional stiffness of the air, N m/rad; damping over
    # critical damping, and undamped frequency, Hz, with air, spring and mass together, the wake
    # quasi-steady; NaN where the total stiffness is not positive
    air_stiffness: Array
    damping_ratio: Array
    natural_frequency: Array

    @property
    def largest(self) -> float:
        """Magnitude of the largest multiplier."""
        return float(np.abs(self.multipliers[0]))

    @property
    def name(self) -> str:
        """``"stable"``, ``"divergence"`` (a real multiplier beyond one) or ``"flutter"``."""
        if self.largest <= 1.0:
            return "stable"
        first = self.multipliers[0]
        real = abs(first.imag) <= 1e-9 * abs(first) and first.real > 0.0
        return "divergence" if real else "flutter"


def stability(case: Cases, half: HalfWing, lane: int = 0) -> Stability:
    """Floquet multipliers of one design (``lane``) of a compliant half wing.

    Over a step the state is carried by the fourth-order Magnus expansion on two Gauss points
    (Iserles, Munthe-Kaas, Norsett & Zanna 2000, Acta Numerica 9, 215, eq. 4.19), their matrices
    from the trigonometric interpolant of those at the steps. A lagged separation point is taken at
    its steady value for the departure. All results are NaN if the periodic twist was not found, or
    if the moments about it are too large for its inertia to be told from nothing.
    """
    parts = [part.of(np.array([lane])) for part in half.parts]
    linear = linearised(case, pick(half.design.batch, np.array([lane])), parts, half.side)
    nothing = np.full(len(parts), np.nan)
    unknown = Stability(np.array([complex(np.nan)]), nothing, nothing, nothing)
    if linear is None:
        return unknown
    try:
        carried = _over_a_stroke(linear.state_matrix(), linear.period)
    except np.linalg.LinAlgError:
        return unknown
    # A growth that overflows within a stroke has no eigenvalues.
    multipliers = (
        np.linalg.eigvals(carried) if np.isfinite(carried).all() else np.array([complex(np.inf)])
    )
    own = [
        np.diagonal(term, axis1=1, axis2=2).mean(axis=0)
        for term in (linear.inertia, linear.damping, linear.stiffness, linear.air_stiffness)
    ]
    inertia, damping, stiffness, air = own
    with np.errstate(invalid="ignore"):
        natural = np.sqrt(stiffness / inertia)
        ratio = damping / (2.0 * np.sqrt(stiffness * inertia))
    return Stability(
        multipliers[np.argsort(-np.abs(multipliers), kind="stable")].astype(np.complex128),
        air,
        ratio,
        natural / math.tau,
    )


def linearised(case: Cases, batch: Batch, parts: list[Compliance], side: Side) -> Linearised | None:
    """Linear equation of motion of a small departure of one design; None if it is not finite."""
    if not np.isfinite(batch.schedule).all():
        return None
    equations = Equations(case, batch, parts, side)
    omega = math.tau * float(batch.constant[at.CONST_FREQUENCY, 0])
    slopes = _slopes(equations, batch, omega, _KICK)
    if slopes.jumps():
        slopes = slopes.without_jumps(_slopes(equations, batch, omega, _WIDE_KICK))
    by_order, wake, turned = slopes.by_order, slopes.wake, slopes.downwash
    spring, damper = _hinges(batch, parts)
    return Linearised(
        inertia=-by_order[:, :, 2],
        damping=damper - by_order[:, :, 1],
        stiffness=spring - by_order[:, :, 0],
        air_stiffness=-by_order[:, :, 0],
        wake=-wake,
        downwash=turned[:, :, 0],
        downwash_rate=turned[:, :, 1],
        semichords=slopes.semichords,
        lag=_lag(batch),
        period=math.tau / omega,
    )


class _Slopes(NamedTuple):
    """Change of moments and downwash with departures, at n instants."""

    by_order: Array  # (n, parts, 3, parts): moments with twist, rate and acceleration
    wake: Array  # (n, parts, strips): moments with a strip's wake velocity
    downwash: Array  # (n, strips, 3, parts): downwash with twist, rate and acceleration
    semichords: Array  # (n, strips): semichords travelled in a second
    unsettled: bool  # Whether the induced velocity did not converge somewhere

    def jumps(self) -> bool:
        """Whether a slope is so far above the median that it may be a jump."""
        if self.unsettled:
            return True
        size = np.abs(self._of_moments())
        return bool((size.max(axis=0) > 5.0 * np.median(size, axis=0)).any())

    def without_jumps(self, wide: _Slopes) -> _Slopes:
        """The same, with the slopes of wider departures where the two differ widely."""
        mine, other = self._of_moments(), wide._of_moments()
        apart = np.abs(mine - other) > _JUMP * np.abs(other).max(axis=0)
        jump = apart.any(axis=1)
        return self._replace(
            by_order=np.where(jump[:, None, None, None], wide.by_order, self.by_order),
            wake=np.where(jump[:, None, None], wide.wake, self.wake),
        )

    def _of_moments(self) -> Array:
        steps = self.wake.shape[0]
        return np.hstack([self.by_order.reshape(steps, -1), self.wake.reshape(steps, -1)])


def _slopes(equations: Equations, batch: Batch, omega: float, kick: float) -> _Slopes:
    """Central differences: lanes come in pairs, positive and negative."""
    count, strips = len(equations.parts), batch.parameter.shape[0]
    solution, step = _kicked(equations, batch, omega, kick)
    moments = np.stack(
        [sum(equations.load(solution.series, p.segment, p.carries)) for p in equations.parts],
        axis=1,
    )
    slope = (moments[:, :, ::2] - moments[:, :, 1::2]) / (2.0 * step[::2])
    met = solution.fields[:, :, at.FIELD_DOWNWASH]
    turned = ((met[:, :, ::2] - met[:, :, 1::2]) / (2.0 * step[::2]))[:, :, : _ORDERS * count]
    return _Slopes(
        slope[:, :, : _ORDERS * count].reshape(batch.steps, count, _ORDERS, count),
        slope[:, :, _ORDERS * count :],
        np.moveaxis(turned.reshape(strips, batch.steps, _ORDERS, count), 0, 1),
        solution.fields[:, :, at.FIELD_SEMICHORDS, 0].T,
        bool(solution.verdict[at.VERDICT_UNCONVERGED].any()),
    )


def _kicked(
    equations: Equations, batch: Batch, omega: float, kick: float
) -> tuple[Solution, Array]:
    """Solutions with every departure in turn, positive and negative, and the size of each.

    Lanes: twists, then their rates, then their accelerations, then the wake of each strip.
    """
    count, strips = len(equations.parts), batch.parameter.shape[0]
    ways = _ORDERS * count + strips
    speed = float(batch.constant[at.CONST_AIRSPEED, 0])
    chord = float(batch.parameter[:, at.PAR_CHORD, 0].max())
    fast = speed + omega * chord
    step = np.empty(2 * ways)
    twist = np.zeros((at.KICK_ROWS, 2 * ways))
    wake = np.zeros((strips, 2 * ways))
    half = at.KICK_ROWS // 2
    for way in range(ways):
        order, index = divmod(way, count)
        size = kick * (omega**order if order < _ORDERS else fast)
        for lane, sign in ((2 * way, 1.0), (2 * way + 1, -1.0)):
            step[lane] = size
            if order >= _ORDERS:
                wake[way - _ORDERS * count, lane] = sign * size
                continue
            part = equations.parts[index]
            row = 2 * order
            twist[part.segment * half + row + 1, lane] += sign * size
            if part.carries:
                twist[half + row, lane] += sign * size
                if not equations.whole_outer(part.carries):
                    twist[half + row + 1, lane] -= sign * size
    many = repeated(batch, 2 * ways)
    return solve(many, series=True, fields=True, disturbance=Disturbance(twist, wake)), step


def _hinges(batch: Batch, parts: list[Compliance]) -> tuple[Array, Array]:
    """Stiffness of springs and stops at every instant, and the damping of the dampers."""
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    spring = np.zeros((batch.steps, len(parts), len(parts)))
    damper = np.zeros((len(parts), len(parts)))
    for index, part in enumerate(parts):
        own = batch.schedule[TIP[part.segment]] - batch.schedule[ROOT[part.segment]]
        spring[:, index, index] = part.tangent(
            evaluate(own, tau)[0], evaluate(part.command, tau)[0]
        )[:, 0]
        damper[index, index] = part.damping[0]
    return spring, damper


def _lag(batch: Batch) -> Array:
    first = at.CONST_LAG_AMPLITUDE_1
    return batch.constant[first : first + 2 * batch.poles, 0].reshape(-1, 2)


def _over_a_stroke(matrix: Array, period: float) -> Array:
    """Transition matrix of the state over one stroke."""
    # Slow to import, and only compliant wings need it.
    from scipy.linalg import expm

    steps = matrix.shape[0]
    step = period / steps
    early, late = (_between(matrix, 0.5 + sign * math.sqrt(3.0) / 6.0) for sign in (-1.0, 1.0))
    exponents = 0.5 * step * (early + late) + math.sqrt(3.0) / 12.0 * step**2 * (
        late @ early - early @ late
    )
    carried = np.eye(matrix.shape[1])
    with np.errstate(over="ignore", invalid="ignore"):
        for advance in expm(exponents):
            carried = advance @ carried
    return np.asarray(carried)


def _between(matrix: Array, part: float) -> Array:
    """Trigonometric interpolant of a periodic series, ``part`` of a step after each instant."""
    spectrum = np.fft.rfft(matrix, axis=0)
    order = np.arange(spectrum.shape[0])[:, None, None]
    spectrum = spectrum * np.exp(2j * np.pi * order * part / matrix.shape[0])
    return np.asarray(np.fft.irfft(spectrum, n=matrix.shape[0], axis=0))
