"""Bounded trust-region Newton method for many small systems of equations side by side.

Every system (a *track*) keeps its own trust region and stops on its own; only the evaluation is
shared, since the kernel is much faster on many designs at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

_DIFFERENCE = 1e-5
"""Step of the differences, in natural steps: six digits of slope, far above rounding."""

_LEAST_RADIUS = 1e-7
_LARGEST_RADIUS = 4.0
_STALLED_PROGRESS = 1e-3
"""A step that could not lower the misfit by this part, were all linear, ends a track."""


class End(IntEnum):
    """How a track ended."""

    OPEN = 0
    ROOT = 1
    NEAREST = 2
    LONG = 3
    LOST = 4


class Evaluate:
    """The equations, with a count of calls and designs.

    Parameters
    ----------
    function : callable
        Takes values of the unknowns (lanes, unknowns) and the track of each lane (lanes,);
        returns misfits (lanes, equations) and results by name (lanes,).
    """

    def __init__(self, function: Callable[[Array, Whole], tuple[Array, dict[str, Array]]]) -> None:
        self._function = function
        self.calls = 0
        self.designs = 0

    def __call__(self, x: Array, track: Whole) -> tuple[Array, dict[str, Array]]:
        """Misfits and results of some lanes."""
        self.calls += 1
        self.designs += len(x)
        return self._function(x, track)


@dataclass
class Tracks:
    """State of every track.

    Attributes
    ----------
    x : ndarray, shape (tracks, unknowns)
        Best values so far.
    misfit : ndarray, shape (tracks, equations)
        There; NaN before the first evaluation.
    slope : ndarray, shape (tracks, equations, unknowns)
        Derivatives there, per unit of the unknown.
    results : dict of str to ndarray, shape (tracks,)
        What else the evaluation gave there.
    end : ndarray of int, shape (tracks,)
        `End` of each.
    lanes : ndarray of int, shape (tracks,)
        Designs evaluated for each.
    """

    x: Array
    misfit: Array
    slope: Array
    results: dict[str, Array]
    end: Whole
    lanes: Whole


def solve_tracks(
    evaluate: Evaluate,
    start: Array,
    least: Array,
    most: Array,
    step: Array,
    equations: int,
    tolerance: float,
    longest: int,
    track: Whole | None = None,
) -> Tracks:
    """Newton's method in a trust region and within bounds, track by track.

    Parameters
    ----------
    evaluate : Evaluate
        The equations.
    start, least, most, step : ndarray, shape (tracks, unknowns)
        Where to begin, the bounds, and a natural change of each unknown; the first step is at
        most one natural change, later ones at most four.
    equations : int
        Number of equations.
    tolerance : float
        Largest misfit of a root.
    longest : int
        Most evaluations per track.
    track : ndarray of int, shape (tracks,), optional
        Number by which the evaluation knows each track.

    Notes
    -----
    Slopes are forward differences, away from a bound that is near. A step that does not lower the
    sum of squares is taken back and the region shrinks to a quarter (Levenberg 1944, Marquardt
    1963 in the form of Moré 1978). Where there is no root, a track ends at the nearest state:
    where no step promises a smaller misfit.
    """
    count, unknowns = start.shape
    number = np.arange(count) if track is None else track
    state = Tracks(
        x=start.copy(),
        misfit=np.full((count, equations), np.nan),
        slope=np.full((count, equations, unknowns), np.nan),
        results={},
        end=np.zeros(count, dtype=np.int64),
        lanes=np.zeros(count, dtype=np.int64),
    )
    trial, radius = start.copy(), np.ones(count)
    promised = np.full(count, np.nan)
    for _ in range(longest):
        active = np.flatnonzero(state.end == End.OPEN)
        if not active.size:
            break
        misfit, slope, results = _differences(
            evaluate, trial[active], least[active], most[active], step[active], number[active]
        )
        state.lanes[active] += 1 + unknowns
        moved = np.sqrt((((trial - state.x) / step)[active] ** 2).sum(axis=1))
        _judge(state, active, trial, moved, misfit, slope, results, radius, promised)
        worst = np.abs(state.misfit[active]).max(axis=1)
        lost = ~np.isfinite(worst) | ~np.isfinite(state.slope[active]).all(axis=(1, 2))
        state.end[active[worst <= tolerance]] = End.ROOT
        state.end[active[lost]] = End.LOST
        left = active[state.end[active] == End.OPEN]
        if left.size:
            trial[left], hope = _step(
                state.x[left],
                state.misfit[left],
                state.slope[left],
                least[left],
                most[left],
                step[left],
                radius[left],
            )
            promised[left] = hope
            size = np.sqrt((state.misfit[left] ** 2).sum(axis=1))
            futile = (hope > (1.0 - _STALLED_PROGRESS) * size) & (radius[left] >= 1.0)
            futile |= (radius[left] < _LEAST_RADIUS) | np.all(trial[left] == state.x[left], axis=1)
            state.end[left[futile]] = End.NEAREST
    state.end[state.end == End.OPEN] = End.LONG
    return state


def _differences(
    evaluate: Evaluate, x: Array, least: Array, most: Array, step: Array, number: Whole
) -> tuple[Array, Array, dict[str, Array]]:
    """Misfit, slopes and results at each trial, in one call."""
    count, unknowns = x.shape
    small = _DIFFERENCE * step
    small = np.where(x + small > most, -small, small)
    lanes = np.repeat(x[:, None, :], 1 + unknowns, axis=1)
    for k in range(unknowns):
        lanes[:, 1 + k, k] += small[:, k]
    misfit, results = evaluate(
        lanes.reshape(-1, unknowns), np.repeat(number, 1 + unknowns).astype(np.int64)
    )
    misfit = misfit.reshape(count, 1 + unknowns, -1)
    # The step as it was really taken, after rounding.
    taken = np.stack([lanes[:, 1 + k, k] - x[:, k] for k in range(unknowns)], axis=1)
    slope = np.moveaxis((misfit[:, 1:] - misfit[:, :1]) / taken[:, :, None], 1, 2)
    return misfit[:, 0], slope, {k: v.reshape(count, -1)[:, 0] for k, v in results.items()}


def _judge(
    state: Tracks,
    active: Whole,
    trial: Array,
    moved: Array,
    misfit: Array,
    slope: Array,
    results: dict[str, Array],
    radius: Array,
    promised: Array,
) -> None:
    """Accept the trials that came nearer, and adapt each trust region."""
    old = np.sqrt((state.misfit[active] ** 2).sum(axis=1))
    new = np.sqrt((misfit**2).sum(axis=1))
    first = np.isnan(old) & np.isnan(promised[active])
    sound = np.isfinite(new) & np.isfinite(slope).all(axis=(1, 2))
    better = first | (sound & (new < old))
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = (old - new) / (old - promised[active])
    grow = better & ~first & (kept > 0.75)
    radius[active] = np.where(
        better,
        np.where(grow, np.minimum(2.0 * radius[active], _LARGEST_RADIUS), radius[active]),
        0.25 * np.minimum(radius[active], moved),
    )
    radius[active] = np.where(better & ~first & (kept < 0.25), 0.5 * radius[active], radius[active])
    taken = active[better]
    state.x[taken] = trial[taken]
    state.misfit[taken], state.slope[taken] = misfit[better], slope[better]
    for name, values in results.items():
        if name not in state.results:
            state.results[name] = np.full(len(state.x), np.nan)
        state.results[name][taken] = values[better]


def _step(
    x: Array, misfit: Array, slope: Array, least: Array, most: Array, step: Array, radius: Array
) -> tuple[Array, Array]:
    """Next trial of each track, and the misfit it promises if all is linear."""
    scaled = slope * step[:, None, :]
    blocked = np.zeros(x.shape, dtype=bool)
    for _ in range(x.shape[1]):
        move = _in_region(np.where(blocked[:, None, :], 0.0, scaled), misfit, radius) * step
        outward = ((x <= least) & (move < 0.0)) | ((x >= most) & (move > 0.0))
        if not (outward & ~blocked).any():
            break
        blocked |= outward
    move = np.where(blocked, 0.0, move)
    trial = np.clip(x + move, least, most)
    promised = misfit + _apply(slope, trial - x)
    return trial, np.sqrt((promised**2).sum(axis=1))


def _in_region(slope: Array, misfit: Array, radius: Array) -> Array:
    """Least-squares step no longer than the radius, in natural steps."""
    left, value, right = np.linalg.svd(slope, full_matrices=False)
    along = -_apply(np.swapaxes(left, 1, 2), misfit)
    floor = 1e-9 * value[:, :1] + 1e-300
    safe = np.where(value > floor, value, np.inf)

    def length(damping: Array) -> tuple[Array, Array]:
        part = along * (1.0 / (safe + (damping[:, None] / safe)))
        return part, np.sqrt((part**2).sum(axis=1))

    part, size = length(np.zeros(len(radius)))
    long = size > radius
    # The damping that shortens the step to the radius, between 1e-16 and 1e4 of the stiffest slope.
    low, high = np.full(len(radius), -16.0), np.full(len(radius), 4.0)
    stiff = value[:, 0] ** 2
    for _ in range(40):
        middle = 0.5 * (low + high)
        _, trial = length(stiff * 10.0**middle)
        low = np.where(trial > radius, middle, low)
        high = np.where(trial > radius, high, middle)
    damped, _ = length(stiff * 10.0**high)
    part = np.where(long[:, None], damped, part)
    return _apply(np.swapaxes(right, 1, 2), part)


def _apply(matrix: Array, vector: Array) -> Array:
    """Matrix times vector for each track, summed in an order that knows no neighbours."""
    out = matrix[:, :, 0] * vector[:, 0, None]
    for k in range(1, matrix.shape[2]):
        out = out + matrix[:, :, k] * vector[:, k, None]
    return np.asarray(out)
