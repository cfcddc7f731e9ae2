"""Induced velocity of the finite wing, solved to rounding by methods that do not trust a start.

``circulation(q_c)`` is the circulation of all strips at the effective downwash ``q_c``; it takes
arrays (..., n_strips, n_steps).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from flapsim.wing.strips import Strips
from tests.twin.jet import Array

Circulation = Callable[[Array], Array]

SCAN = 400
BISECTIONS = 60
NEWTON_STEPS = 60
HALVINGS = 25
CONVERGED = 1e-15
ACCEPTED = 1e-12
RELAXATIONS = (0.3, 0.1, 0.03)
RELAXATION_STEPS = 1000


class NoSolution(ArithmeticError):
    """The equations were not solved to the asked accuracy."""


class Slope:
    """Prandtl's induced angle, CL/(pi AR), at every strip on its own.

    Past stall there may be several answers. Every sign change of the equation on a scan is an
    answer; the scan is fine where the incidence is within the range of stall.

    Attributes
    ----------
    q_lag : (n_strips, n_steps) array
        Downwash after the lag, m/s.
    attached : (n_strips, n_steps) array
        Effective downwash that attached flow would have, m/s.
    """

    def __init__(
        self,
        q_lag: Array,
        u: Array,
        no_incidence: Array,
        strips: Strips,
        circulation: Circulation,
    ) -> None:
        """Scan the equation; ``no_incidence`` is the downwash without incidence, m/s."""
        self.q_lag, self._circulation = q_lag, circulation
        self._per_circulation = 2.0 / (np.pi * strips.chord[:, None] * strips.aspect_ratio)
        self.attached = q_lag / (1.0 + 2.0 / strips.aspect_ratio)
        across = np.linspace(-1.0, 1.0, SCAN)[:, None, None]
        # Lift against the downwash needs camber or rotation: no answer is further off than these.
        reach = np.abs(q_lag) + np.abs(u) + np.abs(no_incidence) + np.finfo(float).tiny
        wide, near = self.attached + 1.5 * across * reach, no_incidence + 1.5 * across * np.abs(u)
        self._scan = np.sort(np.concatenate([wide, near]), axis=0)
        negative = np.signbit(self._excess(self._scan))
        self._crosses = negative[:-1] != negative[1:]

    def _excess(self, q: Array) -> Array:
        return q + self._per_circulation * self._circulation(q) - self.q_lag

    def answers(self) -> Array:
        """Number of answers at every strip and instant."""
        return np.sum(self._crosses, axis=0)

    def effective_downwash(self) -> Array:
        """Bisect the answer next to that of attached flow."""
        if not self._crosses.any(axis=0).all():
            raise NoSolution("the scan of the induced velocity found no sign change")
        low, high = self._scan[:-1], self._scan[1:]
        distance = np.abs(0.5 * (low + high) - self.attached)
        nearest = np.argmin(np.where(self._crosses, distance, np.inf), axis=0)[None]
        low = np.take_along_axis(low, nearest, axis=0)[0]
        high = np.take_along_axis(high, nearest, axis=0)[0]
        sign = np.signbit(self._excess(low))
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            stays = np.signbit(self._excess(middle)) == sign
            low, high = np.where(stays, middle, low), np.where(stays, high, middle)
        return 0.5 * (low + high)


class LiftingLine:
    """Sheet of the instant along the unfolded span, as odd sine modes in least squares.

    Attributes
    ----------
    fit : (modes, n_strips) array
        Mode amplitudes per lagged downwash of attached flow, m.
    downwash : (n_strips, modes) array
        Induced velocity per mode amplitude, 1/m.
    deficit_fit : (modes, n_strips) array
        ``fit`` behind the spanwise low-pass through which lost lift reaches the sheet.
    """

    def __init__(self, strips: Strips, modes: int, speed: float, unstalled: Circulation) -> None:
        """Build the matrices; ``speed`` is a velocity to measure residuals by, m/s.

        ``unstalled`` is the circulation of flow that never separates.
        """
        self._speed, self._chord, self._unstalled = speed, strips.chord[:, None], unstalled
        odd = 2.0 * np.arange(modes) + 1.0
        angle = np.arccos(strips.span_position / strips.semispan)[:, None]
        sines = np.sin(odd * angle)
        self.downwash = odd * sines / (4.0 * strips.semispan * np.sin(angle))
        slope_times_chord = np.pi * self._chord
        # Weighted least squares by orthogonal factors, not by the normal equations.
        root = np.sqrt(strips.width)[:, None]
        matrix = root * (sines + slope_times_chord * self.downwash)
        q, r = np.linalg.qr(matrix)
        self.fit = np.linalg.solve(r, q.T * root[:, 0] * slope_times_chord[:, 0])
        self.deficit_fit = self.fit / (1.0 + ((odd - 1.0) / 3.0) ** 2)[:, None]

    def effective_downwash(
        self, q_lag: Array, circulation: Circulation, start: Array | None = None
    ) -> Array:
        """Solve for the effective downwash (n_strips, n_steps).

        Newton's method with a line search from ``start``, the answer of attached flow unless
        given. Where it gets stuck in a valley that is none, the residual is first followed
        downhill in small steps of a relaxation, then by Newton again.
        """
        attached = q_lag - self.downwash @ (self.fit @ q_lag)
        # What attached flow lacks to 2 pi acts in full, what stall takes behind the low-pass.
        lacking_to_downwash = self.downwash @ self.fit
        lost_to_downwash = self.downwash @ self.deficit_fit

        def lacking(q: Array) -> Array:
            return q - self._unstalled(q) / (np.pi * self._chord)

        def lost(q: Array) -> Array:
            return (self._unstalled(q) - circulation(q)) / (np.pi * self._chord)

        size = np.full(q_lag.shape[1], self._speed)

        def residual(q: Array) -> Array:
            return q - attached - lacking_to_downwash @ lacking(q) - lost_to_downwash @ lost(q)

        def jacobian(q: Array) -> Array:
            step = 1e-6 * size

            def rise(of: Circulation) -> Array:
                return ((of(q + step) - of(q - step)) / (2.0 * step)).T[:, None, :]

            unmoved = np.eye(len(q)) - lacking_to_downwash * rise(lacking)
            return unmoved - lost_to_downwash * rise(lost)

        begin = attached if start is None else start
        q, left = newton(residual, jacobian, begin, size)
        for relaxation in RELAXATIONS:
            if np.all(left <= ACCEPTED):
                break
            followed = begin.copy()
            for _ in range(RELAXATION_STEPS):
                followed -= relaxation * residual(followed)
            retried, left_then = newton(residual, jacobian, followed, size)
            better = left_then < left
            q, left = np.where(better, retried, q), np.where(better, left_then, left)
        if np.any(left > ACCEPTED):
            raise NoSolution(f"the lifting line kept a residual of {np.max(left):.1e}")
        return q

    def answers(self, q_lag: Array, circulation: Circulation) -> Array:
        """Number of answers found from far-apart starts, at every instant (n_steps,)."""
        outwards = np.linspace(0.0, 2.0, len(q_lag))[:, None]
        # Attached, as if alone, still, overdone, growing and falling outwards, and anywhere.
        starts = [None, q_lag, 0.0 * q_lag, 1.5 * q_lag, outwards * q_lag, outwards[::-1] * q_lag]
        anywhere = np.random.default_rng(1).uniform(0.0, 1.5, (6, len(q_lag), 1))
        starts += [factor * q_lag for factor in anywhere]
        found: list[Array] = []
        for start in starts:
            try:
                found.append(self.effective_downwash(q_lag, circulation, start))
            except NoSolution:
                continue
        count = np.zeros(q_lag.shape[1], dtype=int)
        for index, answer in enumerate(found):
            new = np.ones(len(count), dtype=bool)
            for earlier in found[:index]:
                new &= np.max(np.abs(answer - earlier), axis=0) > 1e-9 * self._speed
            count += new
        return count


def newton(
    residual: Circulation, jacobian: Circulation, start: Array, size: Array
) -> tuple[Array, Array]:
    """Newton's method with a line search at all instants side by side.

    Returns the last iterate (n, n_steps) and its residual relative to ``size``, (n_steps,).
    """
    q, error = start, residual(start)
    for _ in range(NEWTON_STEPS):
        norm = np.max(np.abs(error), axis=0)
        if np.all(norm <= CONVERGED * size):
            break
        change = -np.linalg.solve(jacobian(q), error.T[..., None])[..., 0].T
        length = np.ones_like(norm)
        for _ in range(HALVINGS):
            trial_norm = np.max(np.abs(residual(q + length * change)), axis=0)
            enough = (trial_norm < norm * (1.0 - 1e-4 * length)) | (norm <= 10.0 * CONVERGED * size)
            if enough.all():
                break
            length = np.where(enough, length, 0.5 * length)
        q = q + length * change
        error = residual(q)
    return q, np.max(np.abs(error), axis=0) / size
