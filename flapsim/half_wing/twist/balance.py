"""The periodic twist of a compliant wing: balance of moments, harmonic by harmonic.

Answers: how far does each compliant segment twist through the stroke, when spring, damper,
actuator, stops, mass and air are in balance at every instant? The unknowns are the Fourier
coefficients of the twist from root to tip; one residual costs one run of the strip kernel, in
which the wing moves by the trial twist. There is no time marching.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from copy import copy
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.twist.compliance import Compliance, Side
from flapsim.half_wing.twist.equations import KEPT, Equations
from flapsim.half_wing.twist.nonlinear_hinges import solve_nonlinear_hinges
from flapsim.kernel import Batch
from flapsim.kernel.section import THIN_AIRFOIL

Array = NDArray[np.float64]

_MOST_QUASI = 30
_TOLERANCE = 1e-9
_SOFTENING = (6.0, 2.5, 1.4, 1.0)
_LONGEST = 0.5
_WIDEST = math.radians(120.0)


class Balance(NamedTuple):
    """Half wings in their periodic twist."""

    batch: Batch  # The half wings with their twist
    # (segments, 2 KEPT + 1, B): coefficients of the compliant twists from root to tip, rad
    twist: Array
    residual: Array  # (B,): largest residual moment, relative to the largest moment
    converged: NDArray[np.bool_]  # (B,): whether the moments balance
    # (B,): amplitude of the last quarter of the harmonics over that of all: what truncation costs
    tail: Array
    runs: NDArray[np.int64]  # (B,): runs of the kernel that each design took


def balance(
    case: Cases,
    batch: Batch,
    parts: Sequence[Compliance],
    side: Side = "starboard",
    continuation: bool = True,
) -> Balance:
    """Find the periodic twist of a batch of compliant half wings.

    ``batch``: half wings that move by their actuators, from `compliances`; ``parts``: their
    compliant segments, at least one; ``side``: which half; ``continuation``: whether to lower the
    stiffness step by step from a stiff spring where the direct solution fails, at several times the
    cost.

    Broyden's method (1965, Mathematics of Computation 19, 577) from the stiff wing, with a
    harmonic-by-harmonic guess of the derivative; each design on its own, so that a design's answer
    does not depend on the batch. Stops, free play and limits are solved by
    `flapsim.half_wing.twist.nonlinear_hinges`. The first step assumes attached flow. Designs that
    do not converge are solved again with exact hinges, then by continuation in the stiffness, from
    a stiff spring down.
    """
    equations = Equations(case, batch, parts, side)
    nonlinear = any(part.nonlinear for part in parts)
    start = equations.start()
    solve: Callable[..., _Trial] = _exact if nonlinear else _quasi_newton
    found = solve(equations, start)
    if continuation and not nonlinear:
        _retry(found, equations, _exact_from_rigid)
    if continuation:
        _retry(found, equations, partial(_by_continuation, solve=solve))
    twist = found.twist
    size = np.hypot(twist[:, 1 : KEPT + 1], twist[:, KEPT + 1 :])
    kept = int(equations.solved[: KEPT + 1].sum()) - 1
    last = size[:, kept - kept // 4 : kept].max(axis=(0, 1))
    return Balance(
        batch=equations.moving(twist),
        twist=twist,
        residual=np.abs(found.residual).max(axis=(0, 1)) / found.scale,
        converged=found.converged(),
        tail=last / np.maximum(size.max(axis=(0, 1)), 1e-12),
        runs=found.runs,
    )


class _Trial(NamedTuple):
    """Trial twists with their residual moments."""

    # twist, residual, (segments, 2 KEPT + 1, B)
    twist: Array
    residual: Array
    scale: Array  # shape (B,)
    runs: NDArray[np.int64]  # shape (B,)

    def converged(self) -> NDArray[np.bool_]:
        """Whether the moments are in balance, shape (B,)."""
        worst = np.abs(self.residual).max(axis=(0, 1))
        return np.asarray(np.isfinite(worst) & (worst <= _TOLERANCE * self.scale))


def _attached(equations: Equations, start: Array, inverse: Array) -> Array:
    """One step towards the twist, with attached flow.

    A rigid wing may be stalled all over, where the derivative is far from that near the solution
    and the kernel is slow.
    """
    smooth = copy(equations)
    smooth.batch = equations.batch._replace(law=np.full_like(equations.batch.law, THIN_AIRFOIL))
    residual, _ = smooth.residual(start)
    return np.asarray(start + _step(inverse, residual).T.reshape(start.shape))


def _step(inverse: Array, residual: Array) -> Array:
    """Quasi-Newton step, shape (B, N), of limited length."""
    flat = residual.reshape(-1, residual.shape[2]).T
    step = np.matmul(inverse, flat[:, :, None])[:, :, 0]
    longest = np.abs(step).max(axis=1, keepdims=True)
    step *= np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-300))
    return np.where(np.isfinite(step), step, 0.0)


def _quasi_newton(equations: Equations, start: Array, cold: bool = True) -> _Trial:
    inverse = equations.stiffness_guess()
    if cold:
        start = _attached(equations, start, inverse)
    whole = _Trial(
        start.copy(), *equations.residual(start), np.full(start.shape[2], 1 + cold, dtype=np.int64)
    )
    live = np.flatnonzero(~whole.converged())
    here, those = equations, np.zeros(0, dtype=np.intp)
    for _ in range(_MOST_QUASI):
        if not live.size:
            break
        if not np.array_equal(np.unique(those), live):
            those, here = equations.of(live)
        before = whole.residual[:, :, those]
        slope = inverse[those]
        step = _step(slope, before)
        moved = whole.twist[:, :, those] + step.T.reshape(before.shape)
        fresh, scale = here.residual(moved)
        change = (before - fresh).reshape(-1, those.size).T
        seen = np.matmul(slope, change[:, :, None])[:, :, 0]
        lever = np.matmul(step[:, None, :], slope)[:, 0]
        bottom = (lever * change).sum(axis=1)
        good = np.abs(bottom) > 1e-300
        gain = np.where(good, 1.0 / np.where(good, bottom, 1.0), 0.0)
        inverse[those] = slope + ((step - seen) * gain[:, None])[:, :, None] * lever[:, None, :]
        whole.twist[:, :, those], whole.residual[:, :, those] = moved, fresh
        whole.scale[those] = scale
        whole.runs[live] += 1
        lost = ~np.isfinite(whole.residual).all(axis=(0, 1)) | (
            np.abs(whole.twist).max(axis=(0, 1)) > _WIDEST
        )
        live = live[~(whole.converged() | lost)[live]]
    return whole


def _exact(equations: Equations, start: Array, _cold: bool = True) -> _Trial:
    """Balance with exact hinges; a twist beyond `_WIDEST` counts as not found."""
    trial = _Trial(*solve_nonlinear_hinges(equations, start, _TOLERANCE))
    far = np.abs(trial.twist).max(axis=(0, 1)) > _WIDEST
    trial.residual[:, :, far] = np.inf
    return trial


def _exact_from_rigid(equations: Equations) -> _Trial:
    return _exact(equations, equations.start())


def _by_continuation(equations: Equations, solve: Callable[..., _Trial]) -> _Trial:
    """Balance by continuation in the stiffness, from a stiff spring down."""
    twist, runs = equations.start(), np.zeros(equations.batch.constant.shape[1], dtype=np.int64)
    for factor in _SOFTENING:
        trial = solve(equations.stiffened(factor), twist, factor == _SOFTENING[0])
        twist, runs = trial.twist, runs + trial.runs
    return trial._replace(runs=runs)


def _retry(found: _Trial, equations: Equations, solve: Callable[[Equations], _Trial]) -> None:
    """Solve designs that have not converged in another way, in place."""
    failed = np.flatnonzero(~found.converged())
    if not failed.size:
        return
    failed, some = equations.of(failed)
    trial = solve(some)
    found.runs[failed] += trial.runs
    for array, other in zip(found[:3], trial[:3], strict=True):
        array[..., failed] = np.where(trial.converged(), other, array[..., failed])
