"""The periodic twist of a compliant wing: balance of moments, harmonic by harmonic.

Answers: how far does each compliant segment twist through the stroke, when spring, damper,
actuator, stops, mass and air are in balance at every instant? The unknowns are the Fourier
coefficients of the twist from root to tip; one residual costs one run of the strip kernel, in
which the wing moves by the trial twist. Nothing is marched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.blade_element import Batch, pick, repeated, solve
from flapsim.blade_element import layout as rows
from flapsim.case import Case
from flapsim.schedule import HARMONICS
from flapsim.twist.compliance import ROOT, TIP, Compliance, Side

Array = NDArray[np.float64]

KEPT = 16
"""Harmonics of the twist that are solved for."""

_TERMS = 2 * KEPT + 1
_MOST_QUASI = 40
_MOST_NEWTON = 25
_TOLERANCE = 1e-9
# Newton's method with differences goes no further where strips stall.
_WIDE_TOLERANCE = 1e-8
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
    evaluations : int
        Runs of the kernel, all designs at once.
    """

    batch: Batch
    twist: Array
    residual: Array
    converged: NDArray[np.bool_]
    tail: Array
    evaluations: int


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
        self.evaluations = 0

    def start(self) -> Array:
        """Coefficients of the commands: the twist of a wing that does not give way."""
        keep = np.r_[0 : KEPT + 1, HARMONICS + 1 : HARMONICS + 1 + KEPT]
        return np.stack([part.command[keep] for part in self.parts])

    def moving(self, twist: Array, batch: Batch | None = None) -> Batch:
        """The half wings with a twist, shape (segments, 2 KEPT + 1, B), put in place."""
        batch = self.batch if batch is None else batch
        schedule = batch.schedule.copy()
        for part, terms in zip(self.parts, twist, strict=True):
            full = np.zeros(schedule.shape[1:])
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

    def moments(self, twist: Array, series: Array, part_index: int) -> tuple[Array, Array]:
        """Moments of the air and mass, and of the hinge, through the stroke, shape (n, B)."""
        part = self.parts[part_index]
        omega = 2.0 * np.pi * self.batch.constant[rows.CONST_FREQUENCY]
        lanes = series.shape[2] // omega.size
        angle = np.einsum("nt,tb->nb", self.value, twist[part_index])
        rate = np.einsum("nt,tb->nb", self.rate, twist[part_index]) * np.repeat(omega, lanes)
        keep = np.r_[0 : KEPT + 1, HARMONICS + 1 : HARMONICS + 1 + KEPT]
        command = np.einsum("nt,tb->nb", self.value, np.repeat(part.command[keep], lanes, axis=1))
        wide = part if lanes == 1 else part.of(np.repeat(np.arange(omega.size), lanes))
        air, mass = self.load(series, part)
        return air + mass, wide.moment(angle, rate, command)

    def residual(self, twist: Array) -> tuple[Array, Array]:
        """Moments left over, as coefficients, and the largest moment in play.

        Parameters
        ----------
        twist : ndarray, shape (segments, 2 KEPT + 1, B * m)
            Trial twists, m for each design.

        Returns
        -------
        residual : ndarray, shape (segments, 2 KEPT + 1, B * m)
            N m.
        scale : ndarray, shape (B * m,)
            N m.
        """
        lanes = twist.shape[2] // self.batch.constant.shape[1]
        batch = self.batch if lanes == 1 else repeated(self.batch, lanes)
        series = solve(self.moving(twist, batch), series=True).series
        self.evaluations += lanes
        out = np.empty_like(twist)
        scale = np.full(twist.shape[2], 1e-12)
        for index in range(len(self.parts)):
            load, hinge = self.moments(twist, series, index)
            out[index] = np.einsum("tn,nb->tb", self.project, load + hinge)
            scale = np.maximum(scale, np.abs(load).max(axis=0))
        return out, scale

    def stiffness_guess(self) -> Array:
        """Approximate inverse of the equations' derivative, shape (B, N, N).

        Notes
        -----
        Each harmonic on its own: structural inertia plus the apparent one, structural damping plus
        that of attached quasi-steady flow at the airspeed, spring plus the air's stiffness.
        """
        batch = self.batch
        constant, parameter = batch.constant, batch.parameter
        omega = 2.0 * np.pi * constant[rows.CONST_FREQUENCY]
        speed = constant[rows.CONST_AIRSPEED]
        density = constant[rows.CONST_DENSITY]
        axis = constant[rows.CONST_TWIST_AXIS]
        lanes = constant.shape[1]
        size = len(self.parts) * _TERMS
        out = np.zeros((lanes, size, size))
        h = np.arange(1, KEPT + 1)
        for index, part in enumerate(self.parts):
            inertia, damp, stiff = np.zeros((3, lanes))
            for j in range(parameter.shape[0]):
                reach = parameter[j, rows.PAR_FRACTION]
                if batch.segment[j] != part.segment:
                    if not (part.carries and batch.segment[j] > part.segment):
                        continue
                    reach = np.ones(lanes)
                chord = parameter[j, rows.PAR_CHORD]
                weight = reach**2 * parameter[j, rows.PAR_WIDTH]
                arm = (0.5 - axis) * chord
                tangent = parameter[j, rows.PAR_DISTANCE] * omega * 0.3
                here = np.hypot(speed, tangent)
                virtual = 0.25 * np.pi * density * chord**2
                skin = parameter[j, rows.PAR_SKIN] * chord
                inertia += weight * (
                    skin * (arm**2 + chord**2 / 12.0) + virtual * (arm**2 + chord**2 / 32.0)
                )
                lift = np.pi * density * chord * here * 0.7
                damp += weight * (
                    virtual * 0.25 * chord * here
                    + virtual * here * arm
                    + lift * (0.25 - axis) * (0.75 - axis) * chord**2
                )
                stiff += weight * lift * here * (0.25 - axis) * chord
            spring = np.where(part.limit > 0.0, part.stiffness, 0.0)
            total = spring + np.maximum(stiff, -0.5 * spring)
            at = index * _TERMS
            out[:, at, at] = 1.0 / total
            real = total[:, None] - (h * omega[:, None]) ** 2 * inertia[:, None]
            turning = h * omega[:, None] * (part.damping + damp)[:, None]
            size2 = real**2 + turning**2
            cosines, sines = at + h, at + KEPT + h
            out[:, cosines, cosines] = real / size2
            out[:, sines, sines] = real / size2
            out[:, cosines, sines] = -turning / size2
            out[:, sines, cosines] = turning / size2
        return out


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
        Whether to go on with Newton's method where Broyden's does not settle, at a hundred times
        the cost.

    Returns
    -------
    Balance

    Notes
    -----
    Broyden's method (1965, Mathematics of Computation 19, 577) from the stiff wing, with a
    harmonic-by-harmonic guess of the derivative; each design on its own, so that a design's answer
    does not depend on the batch. What it leaves open goes to Newton's method with differences,
    stiffness by stiffness from a stiff spring down.
    """
    equations = Equations(case, batch, parts, side)
    twist, residual, scale = _quasi_newton(equations)
    converged = _settled(residual, scale)
    for lane in np.flatnonzero(~converged) if patient else ():
        answer = _continuation(case, batch, parts, side, int(lane))
        equations.evaluations += answer[3]
        if answer[1] is not None:
            twist[:, :, lane] = answer[0]
            residual[:, :, lane], scale[lane] = answer[1], answer[2]
    converged = _settled(residual, scale, _WIDE_TOLERANCE)
    size = np.hypot(twist[:, 1 : KEPT + 1], twist[:, KEPT + 1 :])
    last = size[:, KEPT - KEPT // 4 :].max(axis=(0, 1))
    return Balance(
        batch=equations.moving(twist),
        twist=twist,
        residual=np.abs(residual).max(axis=(0, 1)) / scale,
        converged=converged,
        tail=last / np.maximum(size.max(axis=(0, 1)), 1e-12),
        evaluations=equations.evaluations,
    )


def _settled(residual: Array, scale: Array, tolerance: float = _TOLERANCE) -> NDArray[np.bool_]:
    worst = np.abs(residual).max(axis=(0, 1))
    return np.asarray(np.isfinite(worst) & (worst <= tolerance * scale))


def _quasi_newton(equations: Equations) -> tuple[Array, Array, Array]:
    twist = equations.start()
    shape = twist.shape
    lanes = shape[2]
    residual, scale = equations.residual(twist)
    inverse = equations.stiffness_guess()
    live = ~_settled(residual, scale)
    for _ in range(_MOST_QUASI):
        if not live.any():
            break
        flat = residual.reshape(-1, lanes).T
        step = np.matmul(inverse, flat[:, :, None])[:, :, 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        step *= np.minimum(1.0, 0.5 / np.maximum(longest, 1e-300))
        step = np.where(live[:, None] & np.isfinite(step), step, 0.0)
        twist = twist + step.T.reshape(shape)
        fresh, fresh_scale = equations.residual(twist)
        change = -(fresh.reshape(-1, lanes).T - flat)
        seen = np.matmul(inverse, change[:, :, None])[:, :, 0]
        lever = np.matmul(step[:, None, :], inverse)[:, 0]
        bottom = (lever * change).sum(axis=1)
        good = live & (np.abs(bottom) > 1e-300)
        gain = np.where(good, 1.0 / np.where(good, bottom, 1.0), 0.0)
        inverse = inverse + ((step - seen) * gain[:, None])[:, :, None] * lever[:, None, :]
        residual = np.where(live, fresh, residual)
        scale = np.where(live, fresh_scale, scale)
        lost = ~np.isfinite(residual).all(axis=(0, 1)) | (np.abs(twist).max(axis=(0, 1)) > _WIDEST)
        live = live & ~_settled(residual, scale) & ~lost
    return twist, residual, scale


def _continuation(
    case: Case, batch: Batch, parts: Sequence[Compliance], side: Side, lane: int
) -> tuple[Array, Array | None, float, int]:
    """Newton's method for one design, from a stiff spring down to its own."""
    alone = pick(batch, lane)
    twist = Equations(case, alone, [part.of(np.array([lane])) for part in parts], side).start()
    evaluations = 0
    for factor in (64.0, 16.0, 6.0, 2.5, 1.5, 1.0):
        stiff = [part.of(np.array([lane]), factor) for part in parts]
        equations = Equations(case, alone, stiff, side)
        twist, residual, scale = _newton(equations, twist)
        evaluations += equations.evaluations
        if not _settled(residual, scale, _WIDE_TOLERANCE).all():
            return twist[:, :, 0], None, 0.0, evaluations
    return twist[:, :, 0], residual[:, :, 0], float(scale[0]), evaluations


def _newton(equations: Equations, twist: Array) -> tuple[Array, Array, Array]:
    residual, scale = equations.residual(twist)
    size = twist.size
    kick = 1e-6
    for _ in range(_MOST_NEWTON):
        if _settled(residual, scale).all():
            break
        trials = np.repeat(twist, size, axis=2)
        trials.reshape(size, size)[np.arange(size), np.arange(size)] += kick
        moved, _ = equations.residual(trials)
        jacobian = (moved - residual).reshape(size, size) / kick
        try:
            step = -np.linalg.solve(jacobian, residual.reshape(size)).reshape(twist.shape)
        except np.linalg.LinAlgError:
            break
        step *= min(1.0, 0.5 / max(float(np.abs(step).max()), 1e-300))
        # Eight step lengths at the price of one run of the kernel.
        parts = 0.5 ** np.arange(8)
        candidates = twist + step * parts
        outcomes, scales = equations.residual(candidates)
        worst = np.abs(outcomes).max(axis=(0, 1)) / scales
        worst = np.where(np.isfinite(worst), worst, np.inf)
        best = int(np.argmin(worst))
        if not np.isfinite(worst[best]):
            break
        twist = candidates[:, :, best : best + 1]
        residual, scale = outcomes[:, :, best : best + 1], scales[best : best + 1]
        if np.abs(twist).max() > _WIDEST:
            break
    return twist, residual, scale
