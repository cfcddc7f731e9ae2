"""The periodic twist of a compliant wing: balance of moments, harmonic by harmonic.

Answers: how far does each compliant segment twist through the stroke, when spring, damper,
actuator, stops, mass and air are in balance at every instant? The unknowns are the Fourier
coefficients of the twist from root to tip; one residual costs one run of the strip kernel, in
which the wing moves by the trial twist. Nothing is marched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.twist.compliance import Compliance, Side
from flapsim.half_wing.twist.equations import KEPT, Equations
from flapsim.half_wing.twist.uneven import through_uneven_hinges
from flapsim.kernel import Batch
from flapsim.kernel.section import THIN_AIRFOIL

Array = NDArray[np.float64]

_MOST_QUASI = 30
_TOLERANCE = 1e-9
_SOFTENING = (6.0, 2.5, 1.4, 1.0)
_LONGEST = 0.5
_WIDEST = math.radians(120.0)


class Balance(NamedTuple):
    """Balanced half wings.

    Attributes
    ----------
    batch : Batch
        The half wings with the twist they take.
    twist : ndarray, shape (segments, 2 KEPT + 1, B)
        Coefficients of the compliant twists from root to tip, rad.
    residual : ndarray, shape (B,)
        Largest moment left over, relative to the largest in play.
    converged : ndarray of bool, shape (B,)
        Whether the balance was found.
    tail : ndarray, shape (B,)
        Amplitude of the last quarter of the harmonics over that of all: what truncation costs.
    runs : ndarray of int, shape (B,)
        Runs of the kernel that each design took.
    """

    batch: Batch
    twist: Array
    residual: Array
    converged: NDArray[np.bool_]
    tail: Array
    runs: NDArray[np.int64]


def balance(
    case: Cases,
    batch: Batch,
    parts: Sequence[Compliance],
    side: Side = "starboard",
    patient: bool = True,
) -> Balance:
    """Find the periodic twist of a batch of compliant half wings.

    Parameters
    ----------
    batch : Batch
        Half wings that move by their actuators, from `compliances`.
    parts : sequence of Compliance
        Their compliant segments, at least one.
    side : {"starboard", "port"}
        Which half.
    patient : bool
        Whether to go on from a stiff spring down where the direct way does not settle, at some
        times the cost.

    Notes
    -----
    Broyden's method (1965, Mathematics of Computation 19, 577) from the stiff wing, with a
    harmonic-by-harmonic guess of the derivative; each design on its own, so that a design's answer
    does not depend on the batch. Stops, free play and limits go their own way, see
    `flapsim.half_wing.twist.uneven`. The first step is made as if the flow stayed attached. What it
    leaves open is done again with the hinges exact, then stiffness by stiffness from a stiff
    spring down.
    """
    equations = Equations(case, batch, parts, side)
    uneven = any(part.uneven for part in parts)
    start = equations.start()
    found = _exact(equations, start) if uneven else _quasi_newton(equations, start)
    left = np.flatnonzero(~found.settled())
    if left.size and patient and not uneven:
        _again(found, left, equations)
        left = np.flatnonzero(~found.settled())
    if left.size and patient:
        _retry(found, left, equations, uneven)
    twist = found.twist
    size = np.hypot(twist[:, 1 : KEPT + 1], twist[:, KEPT + 1 :])
    kept = int(equations.solved[: KEPT + 1].sum()) - 1
    last = size[:, kept - kept // 4 : kept].max(axis=(0, 1))
    return Balance(
        batch=equations.moving(twist),
        twist=twist,
        residual=np.abs(found.residual).max(axis=(0, 1)) / found.scale,
        converged=found.settled(),
        tail=last / np.maximum(size.max(axis=(0, 1)), 1e-12),
        runs=found.runs,
    )


class _Trial(NamedTuple):
    """Twists that were tried, and what they leave over.

    Attributes
    ----------
    twist, residual : ndarray, shape (segments, 2 KEPT + 1, B)
    scale : ndarray, shape (B,)
    runs : ndarray of int, shape (B,)
    """

    twist: Array
    residual: Array
    scale: Array
    runs: NDArray[np.int64]

    def settled(self) -> NDArray[np.bool_]:
        """Whether the moments are in balance, shape (B,)."""
        worst = np.abs(self.residual).max(axis=(0, 1))
        return np.asarray(np.isfinite(worst) & (worst <= _TOLERANCE * self.scale))


def _attached(equations: Equations, start: Array, inverse: Array) -> Array:
    """One step towards the twist, as if the flow stayed attached.

    A wing that does not give way yet may be stalled all over, where the derivative is far from
    that near the answer and the kernel is slow.
    """
    smooth = copy(equations)
    smooth.batch = equations.batch._replace(law=np.full_like(equations.batch.law, THIN_AIRFOIL))
    residual, _ = smooth.residual(start)
    return np.asarray(start + _step(inverse, residual).T.reshape(start.shape))


def _step(inverse: Array, residual: Array) -> Array:
    """Step that would close the residual, shape (B, N), of limited length."""
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
        start.copy(),
        *equations.residual(start),
        np.full(start.shape[2], 1 + cold, dtype=np.int64),
    )
    live = np.flatnonzero(~whole.settled())
    here, those = equations, np.zeros(0, dtype=np.intp)
    for _ in range(_MOST_QUASI):
        if not live.size:
            break
        # Only designs that are open are solved again, a pair at least: sums over a single design
        # are taken in another order.
        held = live if live.size > 1 else np.repeat(live, 2)
        if not np.array_equal(held, those):
            here, those = equations.of(held), held
        left = whole.residual[:, :, held]
        slope = inverse[held]
        step = _step(slope, left)
        moved = whole.twist[:, :, held] + step.T.reshape(left.shape)
        fresh, scale = here.residual(moved)
        change = (left - fresh).reshape(-1, held.size).T
        seen = np.matmul(slope, change[:, :, None])[:, :, 0]
        lever = np.matmul(step[:, None, :], slope)[:, 0]
        bottom = (lever * change).sum(axis=1)
        good = np.abs(bottom) > 1e-300
        gain = np.where(good, 1.0 / np.where(good, bottom, 1.0), 0.0)
        inverse[held] = slope + ((step - seen) * gain[:, None])[:, :, None] * lever[:, None, :]
        whole.twist[:, :, held], whole.residual[:, :, held] = moved, fresh
        whole.scale[held] = scale
        whole.runs[live] += 1
        lost = ~np.isfinite(whole.residual).all(axis=(0, 1)) | (
            np.abs(whole.twist).max(axis=(0, 1)) > _WIDEST
        )
        live = live[~(whole.settled() | lost)[live]]
    return whole


def _exact(equations: Equations, start: Array) -> _Trial:
    """Balance with the hinges exact; what has turned too far is none."""
    trial = _Trial(*through_uneven_hinges(equations, start, _TOLERANCE))
    far = np.abs(trial.twist).max(axis=(0, 1)) > _WIDEST
    trial.residual[:, :, far] = np.inf
    return trial


def _again(found: _Trial, left: NDArray[np.intp], equations: Equations) -> None:
    """Try what was left open with the hinges exact, in place."""
    # A pair at least, as in `_quasi_newton`.
    held = left if left.size > 1 else np.repeat(left, 2)
    some = equations.of(held)
    trial = _exact(some, some.start())
    found.runs[held] += trial.runs
    _take(found, held, trial)


def _take(found: _Trial, held: NDArray[np.intp], trial: _Trial) -> None:
    """Put in what a trial has settled."""
    for array, other in zip(found[:3], trial[:3], strict=True):
        array[..., held] = np.where(trial.settled(), other, array[..., held])


def _retry(found: _Trial, left: NDArray[np.intp], equations: Equations, uneven: bool) -> None:
    """Find what was left open from a stiff spring down, in place."""
    # A pair at least, as in `_quasi_newton`.
    held = left if left.size > 1 else np.repeat(left, 2)
    soft = equations.of(held)
    twist = soft.start()
    everyone = np.arange(held.size)
    for number, factor in enumerate(_SOFTENING):
        stiff = copy(soft)
        stiff.parts = [part.of(everyone, factor) for part in soft.parts]
        cold = number == 0
        trial = _exact(stiff, twist) if uneven else _quasi_newton(stiff, twist, cold)
        twist = trial.twist
        found.runs[held] += trial.runs
    _take(found, held, trial)
