"""Periodic twist with nonlinear hinges: stops (contact), free play, an actuator at its limit.

Such a hinge changes its stiffness within a degree, which a quasi-Newton update of the whole
residual cannot follow. Its moment, however, costs nothing to compute. So only the moments of air
and mass are linearised, with a Broyden derivative; the balance with the exact moment of the hinge
is solved by Newton's method between two runs of the kernel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.half_wing.twist.equations import Equations

Array = NDArray[np.float64]

_MOST_RUNS = 40
_MOST_INNER = 60
_LONGEST = 0.3
_FRACTIONS = 0.5 ** np.arange(8)
_CLOSE = 1e-12


def solve_nonlinear_hinges(
    equations: Equations, start: Array, tolerance: float
) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Balance of moments with the hinges' moment exact.

    A design has converged when its residual is below ``tolerance`` times the largest moment.
    Returns twist, rad, and residual, N m, shape (segments, terms, B), the largest moment, N m, and
    the runs of the kernel, shape (B,).

    Broyden's method (1965, Mathematics of Computation 19, 577) on the loads, Newton's on the
    hinges, whose moments are piecewise linear.
    """
    twist = start.copy()
    load, scale = equations.loads(twist)
    slope = equations.load_slope()
    residual = load + equations.hinges(twist)[0]
    runs = np.ones(start.shape[2], dtype=np.int64)
    live = np.flatnonzero(~_settled(residual, scale, tolerance))
    for _ in range(_MOST_RUNS):
        if not live.size:
            break
        open_, here = equations.of(live)
        step = _towards(here, twist[:, :, open_], load[:, :, open_], slope[open_])
        moved = twist[:, :, open_] + step
        fresh, scale[open_] = here.loads(moved)
        slope[open_] += _broyden_update(slope[open_], _flat(step), _flat(fresh - load[:, :, open_]))
        twist[:, :, open_], load[:, :, open_] = moved, fresh
        residual[:, :, open_] = fresh + here.hinges(moved)[0]
        runs[live] += 1
        lost = ~np.isfinite(residual).all(axis=(0, 1))
        live = live[~(_settled(residual, scale, tolerance) | lost)[live]]
    return twist, residual, scale, runs


def _settled(residual: Array, scale: Array, tolerance: float) -> NDArray[np.bool_]:
    worst = np.abs(residual).max(axis=(0, 1))
    return np.asarray(np.isfinite(worst) & (worst <= tolerance * scale))


def _flat(terms: Array) -> Array:
    """Coefficients of each design as one vector, shape (B, N)."""
    return terms.reshape(-1, terms.shape[2]).T


def _broyden_update(slope: Array, step: Array, change: Array) -> Array:
    """Broyden's rank-one update of the loads' derivative, shape (B, N, N)."""
    missed = change - np.matmul(slope, step[:, :, None])[:, :, 0]
    length = (step * step).sum(axis=1)
    weight = np.where(length > 0.0, 1.0 / np.where(length > 0.0, length, 1.0), 0.0)
    update: Array = (missed * weight[:, None])[:, :, None] * step[:, None, :]
    return np.where(np.isfinite(update), update, 0.0)


def _towards(equations: Equations, twist: Array, load: Array, slope: Array) -> Array:
    """Step to where loads that change by their slope balance the hinges, of limited length."""
    begin = twist

    def imbalance(trial: Array) -> tuple[Array, Array]:
        hinge, give = equations.hinges(trial)
        moved = np.matmul(slope, _flat(trial - begin)[:, :, None])[:, :, 0]
        return load + moved.T.reshape(load.shape) + hinge, give

    enough = _CLOSE * np.abs(load).max(axis=(0, 1))
    residual, give = imbalance(twist)
    size = np.abs(residual).max(axis=(0, 1))
    # Each design iterates until it has converged or stalled, whatever the others do.
    live = size > enough
    for _ in range(_MOST_INNER):
        if not live.any():
            break
        step = _solved(slope + give, -_flat(residual)).T.reshape(twist.shape)
        step = np.where(live & np.isfinite(step), step, 0.0)
        wanting = live.copy()
        for fraction in _FRACTIONS:
            trial = twist + fraction * step
            helps = wanting & (np.abs(imbalance(trial)[0]).max(axis=(0, 1)) < size)
            twist = np.where(helps, trial, twist)
            step = np.where(helps, 0.0, step)
            wanting &= ~helps
            if not wanting.any():
                break
        residual, give = imbalance(twist)
        size = np.abs(residual).max(axis=(0, 1))
        live &= ~wanting & (size > enough)
    apart = twist - begin
    longest = np.abs(apart).max(axis=(0, 1))
    return np.asarray(apart * np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-300)))


def _solved(matrix: Array, right: Array) -> NDArray[Any]:
    try:
        return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        return np.asarray(np.matmul(np.linalg.pinv(matrix), right[:, :, None])[:, :, 0])
