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
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.aero.section import THIN_AIRFOIL
from flapsim.blade_element import Batch, pick, solve
from flapsim.blade_element import layout as rows
from flapsim.case import Case
from flapsim.schedule import HARMONICS, evaluate
from flapsim.twist.compliance import ROOT, TIP, Compliance, Side
from flapsim.twist.uneven import through_uneven_hinges

Array = NDArray[np.float64]

KEPT = 16
"""Harmonics of the twist that are solved for, with steps enough to tell them apart; those beyond
follow the command."""

_TERMS = 2 * KEPT + 1
_LOWER = np.r_[0 : KEPT + 1, HARMONICS + 1 : HARMONICS + 1 + KEPT]
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


class Equations:
    """Balance of moments of a batch, as equations in Fourier coefficients.

    Parameters
    ----------
    case : Case
        The case, for what follows what.
    batch : Batch
        Half wings that move by their actuators.
    parts : list of Compliance
        Compliant segments.
    side : {"starboard", "port"}
        Which half.
    """

    def __init__(
        self, case: Case, batch: Batch, parts: Sequence[Compliance], side: Side = "starboard"
    ) -> None:
        self.batch = batch
        self.parts = parts
        _, outer = case.stroke.half(side)
        self._outer_free = any(part.segment == 1 for part in parts)
        self._outer_twistless = outer is not None and outer.twist is None
        tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
        h = np.arange(1, KEPT + 1)
        angle = np.outer(tau, h)
        one, nothing = np.ones((tau.size, 1)), np.zeros((tau.size, 1))
        self.value = np.hstack([one, np.cos(angle), np.sin(angle)])
        self.rate = np.hstack([nothing, -h * np.sin(angle), h * np.cos(angle)])
        self.project = 2.0 * self.value.T / tau.size
        self.project[0] *= 0.5
        # Beyond half the steps a harmonic looks like a lower one.
        order = np.concatenate([[0], h, h])
        self.solved = order < 0.5 * tau.size
        self.project[~self.solved] = 0.0

    def start(self) -> Array:
        """Coefficients of the commands: the twist of a wing that does not give way."""
        return np.stack([part.command[_LOWER] for part in self.parts])

    def of(self, designs: NDArray[np.intp]) -> Equations:
        """The equations of some of the designs."""
        some = copy(self)
        some.batch = pick(self.batch, designs)
        some.parts = [part.of(designs) for part in self.parts]
        return some

    def moving(self, twist: Array, batch: Batch | None = None) -> Batch:
        """The half wings with a twist, shape (segments, 2 KEPT + 1, B), put in place."""
        batch = self.batch if batch is None else batch
        schedule = batch.schedule.copy()
        for part, terms in zip(self.parts, twist, strict=True):
            full = np.repeat(part.command, schedule.shape[2] // part.command.shape[1], axis=1)
            full[: KEPT + 1] = terms[: KEPT + 1]
            full[HARMONICS + 1 : HARMONICS + 1 + KEPT] = terms[KEPT + 1 :]
            tip, root = TIP[part.segment], ROOT[part.segment]
            before = schedule[tip].copy()
            schedule[tip] = schedule[root] + full
            if part.carries:
                change = schedule[tip] - before
                schedule[rows.TWIST_OUTER_ROOT] += change
                if self._outer_twistless:
                    schedule[rows.TWIST_OUTER_TIP] += change
        return batch._replace(schedule=schedule)

    def whole_outer(self, part: Compliance) -> bool:
        """Whether a part turns the whole outer segment with it, not its root alone."""
        return part.carries and (self._outer_free or self._outer_twistless)

    def load(self, series: Array, part: Compliance) -> tuple[Array, Array]:
        """Moments of the air, and of inertia and weight, on a compliant twist, (n, B), N m."""
        ends = [2 * part.segment + 1]
        if part.carries:
            ends.append(2)
        if self.whole_outer(part):
            ends.append(3)
        air = sum(series[:, rows.SERIES_TORQUE + rows.TWIST_INNER_ROOT + end] for end in ends)
        mass = sum(series[:, rows.SERIES_MASS_TORQUE + end] for end in ends)
        return np.asarray(air), np.asarray(mass)

    def _hinge(self, twist: Array, index: int) -> tuple[Array, Array]:
        """Moment of a hinge through the stroke, N m, and its stiffness, N m/rad, (n, B)."""
        part = self.parts[index]
        omega = 2.0 * np.pi * self.batch.constant[rows.CONST_FREQUENCY]
        faster, faster_rate = self._beyond(part)
        angle = np.einsum("nt,tb->nb", self.value, twist[index]) + faster
        rate = np.einsum("nt,tb->nb", self.rate, twist[index]) + faster_rate
        command = np.einsum("nt,tb->nb", self.value, part.command[_LOWER]) + faster
        return part.moment(angle, rate * omega, command), part.tangent(angle, command)

    def hinges(self, twist: Array) -> tuple[Array, Array]:
        """Moments of the hinges as coefficients, N m, and their derivative, shape (B, N, N)."""
        lanes, count = twist.shape[2], len(self.parts)
        omega = 2.0 * np.pi * self.batch.constant[rows.CONST_FREQUENCY]
        out = np.empty_like(twist)
        slope = np.zeros((lanes, count * _TERMS, count * _TERMS))
        turning = self.project @ self.rate
        for index, part in enumerate(self.parts):
            moment, tangent = self._hinge(twist, index)
            out[index] = np.einsum("tn,nb->tb", self.project, moment)
            here = slice(index * _TERMS, (index + 1) * _TERMS)
            for lane in range(lanes):
                # One product for each design, so that none depends on the number of them.
                slope[lane, here, here] = -(self.project * tangent[:, lane]) @ self.value
            slope[:, here, here] -= (part.damping * omega)[:, None, None] * turning
        return out, slope

    def loads(self, twist: Array) -> tuple[Array, Array]:
        """Moments of air and mass as coefficients, and the largest of any instant, N m."""
        series = solve(self.moving(twist), series=True).series
        out = np.empty_like(twist)
        scale = np.full(twist.shape[2], 1e-12)
        for index, part in enumerate(self.parts):
            air, mass = self.load(series, part)
            out[index] = np.einsum("tn,nb->tb", self.project, air + mass)
            scale = np.maximum(scale, np.abs(air + mass).max(axis=0))
        return out, scale

    def _beyond(self, part: Compliance) -> tuple[Array, Array]:
        """What follows the command beyond the harmonics kept, and its rate by phase, (n, B)."""
        fast = part.command.copy()
        fast[_LOWER] = 0.0
        if not fast.any():
            nothing = np.zeros((self.batch.steps, fast.shape[1]))
            return nothing, nothing
        tau = 2.0 * np.pi * np.arange(self.batch.steps) / self.batch.steps
        value, rate, _ = evaluate(fast, tau)
        return value, rate

    def residual(self, twist: Array) -> tuple[Array, Array]:
        """Moments left over, as coefficients, and the largest moment in play.

        Parameters
        ----------
        twist : ndarray, shape (segments, 2 KEPT + 1, B)
            Trial twists.

        Returns
        -------
        residual : ndarray, shape (segments, 2 KEPT + 1, B)
            N m.
        scale : ndarray, shape (B,)
            N m.
        """
        out, scale = self.loads(twist)
        for index in range(len(self.parts)):
            out[index] += np.einsum("tn,nb->tb", self.project, self._hinge(twist, index)[0])
        return out, scale

    def stiffness_guess(self) -> Array:
        """Approximate inverse of the equations' derivative, shape (B, N, N).

        Notes
        -----
        Each harmonic on its own: structural inertia plus the apparent one, structural damping plus
        that of attached quasi-steady flow at the airspeed, spring plus the air's stiffness; what
        an inner twist turns of the outer segment couples the two.
        """
        batch = self.batch
        omega = 2.0 * np.pi * batch.constant[rows.CONST_FREQUENCY]
        lanes, count = omega.size, len(self.parts)
        inertia, damping, stiffness = self._attached()
        for index, part in enumerate(self.parts):
            spring = np.where(part.limit > 0.0, part.stiffness, 0.0)
            soft = stiffness[:, index, index]
            stiffness[:, index, index] = spring + np.maximum(soft, -0.5 * spring)
            damping[:, index, index] += part.damping
        out = np.zeros((lanes, count * _TERMS, count * _TERMS))
        at = _TERMS * np.arange(count)
        out[:, at[:, None], at] = _inverse(stiffness)
        for h in range(1, KEPT + 1):
            turn = (h * omega)[:, None, None]
            gives = _inverse(stiffness - turn**2 * inertia + 1j * turn * damping)
            cosines, sines = at + h, at + KEPT + h
            out[:, cosines[:, None], cosines] = gives.real
            out[:, sines[:, None], sines] = gives.real
            out[:, cosines[:, None], sines] = gives.imag
            out[:, sines[:, None], cosines] = -gives.imag
        return out

    def load_slope(self) -> Array:
        """Approximate derivative of the moments of air and mass, shape (B, N, N)."""
        omega = 2.0 * np.pi * self.batch.constant[rows.CONST_FREQUENCY]
        inertia, damping, stiffness = self._attached()
        count = len(self.parts)
        out = np.zeros((omega.size, count * _TERMS, count * _TERMS))
        at = _TERMS * np.arange(count)
        out[:, at[:, None], at] = -stiffness
        for h in range(1, KEPT + 1):
            turn = (h * omega)[:, None, None]
            cosines, sines = at + h, at + KEPT + h
            out[:, cosines[:, None], cosines] = turn**2 * inertia - stiffness
            out[:, sines[:, None], sines] = turn**2 * inertia - stiffness
            out[:, cosines[:, None], sines] = -turn * damping
            out[:, sines[:, None], cosines] = turn * damping
        return out

    def _attached(self) -> tuple[Array, Array, Array]:
        """Inertia, damping and stiffness of mass and attached air, shape (B, parts, parts)."""
        constant, parameter = self.batch.constant, self.batch.parameter
        speed = constant[rows.CONST_AIRSPEED]
        density = constant[rows.CONST_DENSITY]
        axis = constant[rows.CONST_TWIST_AXIS]
        omega = 2.0 * np.pi * constant[rows.CONST_FREQUENCY]
        inertia, damping, stiffness = np.zeros((3, speed.size, len(self.parts), len(self.parts)))
        for j in range(parameter.shape[0]):
            chord = parameter[j, rows.PAR_CHORD]
            arm = (0.5 - axis) * chord
            here = np.hypot(speed, parameter[j, rows.PAR_DISTANCE] * omega * 0.3)
            virtual = 0.25 * np.pi * density * chord**2
            skin = parameter[j, rows.PAR_SKIN] * chord
            lift = np.pi * density * chord * here * 0.7
            reach = np.stack([self._reach(part, j) for part in self.parts], axis=-1)
            pairs = reach[:, :, None] * reach[:, None, :]
            weight = pairs * parameter[j, rows.PAR_WIDTH][:, None, None]
            for total, term in (
                (
                    inertia,
                    skin * (arm**2 + chord**2 / 12.0) + virtual * (arm**2 + chord**2 / 32.0),
                ),
                (
                    damping,
                    virtual * (0.25 * chord + arm) * here
                    + lift * (0.25 - axis) * (0.75 - axis) * chord**2,
                ),
                (stiffness, lift * here * (0.25 - axis) * chord),
            ):
                total += weight * term[:, None, None]
        return inertia, damping, stiffness

    def _reach(self, part: Compliance, strip: int) -> Array:
        """By how much a strip turns with a compliant twist, shape (B,)."""
        fraction: Array = self.batch.parameter[strip, rows.PAR_FRACTION]
        if self.batch.segment[strip] == part.segment:
            return fraction
        if not part.carries:
            return np.zeros_like(fraction)
        return np.ones_like(fraction) if self.whole_outer(part) else 1.0 - fraction


def _inverse(matrix: NDArray[Any]) -> NDArray[Any]:
    """Inverses of a stack of matrices; of one that has none, what comes next to it."""
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrix))


def balance(
    case: Case,
    batch: Batch,
    parts: Sequence[Compliance],
    side: Side = "starboard",
    patient: bool = True,
) -> Balance:
    """Find the periodic twist of a batch of compliant half wings.

    Parameters
    ----------
    case : Case
        The case.
    batch : Batch
        Half wings that move by their actuators, from `compliances`.
    parts : sequence of Compliance
        Their compliant segments, at least one.
    side : {"starboard", "port"}
        Which half.
    patient : bool
        Whether to go on from a stiff spring down where the direct way does not settle, at some
        times the cost.

    Returns
    -------
    Balance

    Notes
    -----
    Broyden's method (1965, Mathematics of Computation 19, 577) from the stiff wing, with a
    harmonic-by-harmonic guess of the derivative; each design on its own, so that a design's answer
    does not depend on the batch. Stops, free play and limits go their own way, see
    `flapsim.twist.uneven`. The first step is made as if the flow stayed attached. What it
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
