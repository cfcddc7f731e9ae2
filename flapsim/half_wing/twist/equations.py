"""The balance of moments on a compliant twist, as equations in its Fourier coefficients.

Answers: what is the residual moment, harmonic by harmonic, of a trial twist?
One answer costs one run of the strip kernel. Does not solve.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.twist.compliance import ROOT, TIP, Compliance, Side
from flapsim.kernel import Batch, pick, solve
from flapsim.kernel import layout as at
from flapsim.wing.schedule import HARMONICS, evaluate

Array = NDArray[np.float64]

KEPT = 16
"""Harmonics of the twist that are solved for, with steps enough to tell them apart; those beyond
follow the command."""

_TERMS = 2 * KEPT + 1
_LOWER = np.r_[0 : KEPT + 1, HARMONICS + 1 : HARMONICS + 1 + KEPT]


class Equations:
    """Balance of moments of a batch, as equations in Fourier coefficients.

    The half wings move by their actuators; the case says which root follows which tip.
    """

    def __init__(
        self, case: Cases, batch: Batch, parts: Sequence[Compliance], side: Side = "starboard"
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
        # Beyond half the number of steps a harmonic aliases to a lower one.
        order = np.concatenate([[0], h, h])
        self.solved = order < 0.5 * tau.size
        self.project[~self.solved] = 0.0

    def start(self) -> Array:
        """Coefficients of the commands: the twist of a rigid wing."""
        return np.stack([part.command[_LOWER] for part in self.parts])

    def of(self, designs: NDArray[np.intp]) -> tuple[NDArray[np.intp], Equations]:
        """The equations of some of the designs, and which these are.

        A single design is taken twice: numpy sums one column in another order than several.
        """
        designs = designs if designs.size > 1 else np.repeat(designs, 2)
        some = copy(self)
        some.batch = pick(self.batch, designs)
        some.parts = [part.of(designs) for part in self.parts]
        return designs, some

    def stiffened(self, factor: float) -> Equations:
        """The same equations with stiffer springs."""
        stiff = copy(self)
        everyone = np.arange(self.batch.constant.shape[1])
        stiff.parts = [part.of(everyone, factor) for part in self.parts]
        return stiff

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
                schedule[at.TWIST_OUTER_ROOT] += change
                if self._outer_twistless:
                    schedule[at.TWIST_OUTER_TIP] += change
        return batch._replace(schedule=schedule)

    def whole_outer(self, carries: bool) -> bool:
        """Whether a twist that carries the outer root turns all of the outer segment with it."""
        return carries and (self._outer_free or self._outer_twistless)

    def load(self, series: Array, segment: int, carries: bool) -> tuple[Array, Array]:
        """Moments of the air, and of inertia and weight, on a twist, N m, (n, B)."""
        ends = [2 * segment + 1]
        if carries:
            ends.append(2)
        if self.whole_outer(carries):
            ends.append(3)
        air = sum(series[:, at.SERIES_TORQUE + at.TWIST_INNER_ROOT + end] for end in ends)
        mass = sum(series[:, at.SERIES_MASS_TORQUE + end] for end in ends)
        return np.asarray(air), np.asarray(mass)

    def _hinge(self, twist: Array, index: int) -> tuple[Array, Array]:
        """Moment of a hinge through the stroke, N m, and its stiffness, N m/rad, (n, B)."""
        part = self.parts[index]
        omega = 2.0 * np.pi * self.batch.constant[at.CONST_FREQUENCY]
        faster, faster_rate = self._beyond(part)
        angle = np.einsum("nt,tb->nb", self.value, twist[index]) + faster
        rate = np.einsum("nt,tb->nb", self.rate, twist[index]) + faster_rate
        command = np.einsum("nt,tb->nb", self.value, part.command[_LOWER]) + faster
        return part.moment(angle, rate * omega, command), part.tangent(angle, command)

    def hinges(self, twist: Array) -> tuple[Array, Array]:
        """Moments of the hinges as coefficients, N m, and their derivative, shape (B, N, N)."""
        lanes, count = twist.shape[2], len(self.parts)
        omega = 2.0 * np.pi * self.batch.constant[at.CONST_FREQUENCY]
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
            air, mass = self.load(series, part.segment, part.carries)
            out[index] = np.einsum("tn,nb->tb", self.project, air + mass)
            scale = np.maximum(scale, np.abs(air + mass).max(axis=0))
        return out, scale

    def _beyond(self, part: Compliance) -> tuple[Array, Array]:
        """The command beyond the harmonics solved for, and its rate by phase, (n, B)."""
        fast = part.command.copy()
        fast[_LOWER] = 0.0
        if not fast.any():
            nothing = np.zeros((self.batch.steps, fast.shape[1]))
            return nothing, nothing
        tau = 2.0 * np.pi * np.arange(self.batch.steps) / self.batch.steps
        value, rate, _ = evaluate(fast, tau)
        return value, rate

    def residual(self, twist: Array) -> tuple[Array, Array]:
        """Residual moments, as coefficients, and the largest moment of each design, N m."""
        out, scale = self.loads(twist)
        for index in range(len(self.parts)):
            out[index] += np.einsum("tn,nb->tb", self.project, self._hinge(twist, index)[0])
        return out, scale

    def stiffness_guess(self) -> Array:
        """Approximate inverse of the equations' derivative, shape (B, N, N).

        Each harmonic on its own: structural inertia plus the apparent one, structural damping plus
        that of attached quasi-steady flow at the airspeed, spring plus the air's stiffness; the
        part of the outer segment that an inner twist turns couples the two.
        """
        inertia, damping, stiffness = self._attached()
        for index, part in enumerate(self.parts):
            spring = np.where(part.limit > 0.0, part.stiffness, 0.0)
            soft = stiffness[:, index, index]
            stiffness[:, index, index] = spring + np.maximum(soft, -0.5 * spring)
            damping[:, index, index] += part.damping

        def inverse(turn: Array) -> tuple[Array, Array]:
            gives = _inverse(stiffness - turn**2 * inertia + 1j * turn * damping)
            return gives.real, gives.imag

        return self._by_harmonic(_inverse(stiffness), inverse)

    def load_slope(self) -> Array:
        """Approximate derivative of the moments of air and mass, shape (B, N, N)."""
        inertia, damping, stiffness = self._attached()
        return self._by_harmonic(
            -stiffness, lambda turn: (turn**2 * inertia - stiffness, -turn * damping)
        )

    def _by_harmonic(self, mean: Array, block: Callable[[Array], tuple[Array, Array]]) -> Array:
        """Matrix that couples the segments, but no harmonics, shape (B, N, N).

        ``block`` gives the part in phase and the part in quadrature at an angular frequency.
        """
        omega = 2.0 * np.pi * self.batch.constant[at.CONST_FREQUENCY]
        count = len(self.parts)
        out = np.zeros((omega.size, count * _TERMS, count * _TERMS))
        first = _TERMS * np.arange(count)
        out[:, first[:, None], first] = mean
        for h in range(1, KEPT + 1):
            cosines, sines = first + h, first + KEPT + h
            same, cross = block((h * omega)[:, None, None])
            out[:, cosines[:, None], cosines] = out[:, sines[:, None], sines] = same
            out[:, cosines[:, None], sines] = cross
            out[:, sines[:, None], cosines] = -cross
        return out

    def _attached(self) -> tuple[Array, Array, Array]:
        """Inertia, damping and stiffness of mass and attached air, shape (B, parts, parts)."""
        constant, parameter = self.batch.constant, self.batch.parameter
        speed = constant[at.CONST_AIRSPEED]
        density = constant[at.CONST_DENSITY]
        axis = constant[at.CONST_TWIST_AXIS]
        omega = 2.0 * np.pi * constant[at.CONST_FREQUENCY]
        inertia, damping, stiffness = np.zeros((3, speed.size, len(self.parts), len(self.parts)))
        for j in range(parameter.shape[0]):
            chord = parameter[j, at.PAR_CHORD]
            arm = (0.5 - axis) * chord
            here = np.hypot(speed, parameter[j, at.PAR_DISTANCE] * omega * 0.3)
            virtual = 0.25 * np.pi * density * chord**2
            skin = parameter[j, at.PAR_SKIN] * chord
            lift = np.pi * density * chord * here * 0.7
            reach = np.stack([self._reach(part, j) for part in self.parts], axis=-1)
            pairs = reach[:, :, None] * reach[:, None, :]
            weight = pairs * parameter[j, at.PAR_WIDTH][:, None, None]
            for total, term in (
                (inertia, skin * (arm**2 + chord**2 / 12.0) + virtual * (arm**2 + chord**2 / 32.0)),
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
        fraction: Array = self.batch.parameter[strip, at.PAR_FRACTION]
        if self.batch.segment[strip] == part.segment:
            return fraction
        if not part.carries:
            return np.zeros_like(fraction)
        return np.ones_like(fraction) if self.whole_outer(part.carries) else 1.0 - fraction


def _inverse(matrix: NDArray[Any]) -> NDArray[Any]:
    """Inverses of a stack of matrices; of a singular one, its pseudoinverse."""
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrix))
