"""The periodic twist behind a hinge that is uneven: stops, free play, an actuator at its limit.

Such a hinge changes its stiffness within a degree, which no method that learns a derivative from
run to run of the kernel can follow. But its moment costs nothing to compute. So only the moments
of air and mass are taken as linear, with a derivative that is learned; the balance with the hinge
as it is is then found exactly, and the kernel is asked again.
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
_PARTS = 0.5 ** np.arange(8)
_CLOSE = 1e-12


def through_uneven_hinges(
    equations: Equations, start: Array, tolerance: float
) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Balance of moments with the hinges' moment exact.

    Parameters
    ----------
    equations : Equations
        The balance of a batch.
    start : ndarray, shape (segments, terms, B)
        Where to begin, rad.
    tolerance : float
        Moment left over, relative to the largest in play, at which a design is done.

    Returns
    -------
    twist, residual : ndarray, shape (segments, terms, B)
        rad and N m.
    scale : ndarray, shape (B,)
        Largest moment in play, N m.
    runs : ndarray of int, shape (B,)
        Runs of the kernel that each design took.

    Notes
    -----
    Broyden's method (1965, Mathematics of Computation 19, 577) on the loads, Newton's on the
    hinges, whose moments are linear piece by piece.
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
        # A pair at least: sums over a single design are taken in another order.
        held = live if live.size > 1 else np.repeat(live, 2)
        here = equations.of(held)
        step = _towards(here, twist[:, :, held], load[:, :, held], slope[held])
        moved = twist[:, :, held] + step
        fresh, scale[held] = here.loads(moved)
        slope[held] += _learned(slope[held], _flat(step), _flat(fresh - load[:, :, held]))
        twist[:, :, held], load[:, :, held] = moved, fresh
        residual[:, :, held] = fresh + here.hinges(moved)[0]
        runs[live] += 1
        lost = ~np.isfinite(residual).all(axis=(0, 1))
        live = live[~(_settled(residual, scale, tolerance) | lost)[live]]
    return twist, residual, scale, runs


def _settled(residual: Array, scale: Array, tolerance: float) -> NDArray[np.bool_]:
    worst = np.abs(residual).max(axis=(0, 1))
    return np.asarray(np.isfinite(worst) & (worst <= tolerance * scale))


def _flat(terms: Array) -> Array:
    """Terms of each design in a row, shape (B, N)."""
    return terms.reshape(-1, terms.shape[2]).T


def _learned(slope: Array, step: Array, change: Array) -> Array:
    """What a step tells of the loads' derivative, shape (B, N, N)."""
    missed = change - np.matmul(slope, step[:, :, None])[:, :, 0]
    length = (step * step).sum(axis=1)
    weight = np.where(length > 0.0, 1.0 / np.where(length > 0.0, length, 1.0), 0.0)
    learned: Array = (missed * weight[:, None])[:, :, None] * step[:, None, :]
    return np.where(np.isfinite(learned), learned, 0.0)


def _towards(equations: Equations, twist: Array, load: Array, slope: Array) -> Array:
    """Step to where loads that change by their slope balance the hinges, of limited length."""
    begin = twist

    def left(trial: Array) -> tuple[Array, Array]:
        hinge, give = equations.hinges(trial)
        moved = np.matmul(slope, _flat(trial - begin)[:, :, None])[:, :, 0]
        return load + moved.T.reshape(load.shape) + hinge, give

    enough = _CLOSE * np.abs(load).max(axis=(0, 1))
    open_, give = left(twist)
    size = np.abs(open_).max(axis=(0, 1))
    # Each design goes on until it is done or stuck, whatever the others do.
    live = size > enough
    for _ in range(_MOST_INNER):
        if not live.any():
            break
        step = _solved(slope + give, -_flat(open_)).T.reshape(twist.shape)
        step = np.where(live & np.isfinite(step), step, 0.0)
        wanting = live.copy()
        for part in _PARTS:
            trial = twist + part * step
            helps = wanting & (np.abs(left(trial)[0]).max(axis=(0, 1)) < size)
            twist = np.where(helps, trial, twist)
            step = np.where(helps, 0.0, step)
            wanting &= ~helps
            if not wanting.any():
                break
        open_, give = left(twist)
        size = np.abs(open_).max(axis=(0, 1))
        live &= ~wanting & (size > enough)
    apart = twist - begin
    longest = np.abs(apart).max(axis=(0, 1))
    return np.asarray(apart * np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-300)))


def _solved(matrix: Array, right: Array) -> NDArray[Any]:
    try:
        return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        return np.asarray(np.matmul(np.linalg.pinv(matrix), right[:, :, None])[:, :, 0])
