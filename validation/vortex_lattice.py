"""A linear vortex lattice in the frequency domain: the referee of the wake models.

Answers: what lift, thrust and power does linear theory give a flat rectangular wing that plunges
and twists by small amplitudes, with its whole wake counted once? It knows nothing of the package
and stands on the Biot-Savart law, on a flat wake that the stream carries away, and on the energy
of that wake.

Vortex rings lie on panels, evenly spaced along the chord and by cosines along the span; each ring
leads its panel's quarter chord and meets its boundary condition at the three-quarter chord (Katz &
Plotkin 2001, Low-Speed Aerodynamics, sections 12.3 and 13.12). What is shed keeps its strength and
moves with the stream, so that the wake of one harmonic is ``Gamma(y) exp(-i nu x)`` with
``nu = omega/V``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import iti0k0, k1

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

NEAR = 4
"""Chords of wake behind the wing that are rings of the wing's own size."""

FAR = 60.0
"""Half spans of wake that are summed; of a steady wake the rest is added as a horseshoe's."""

SETTLED = 250.0
"""Forty wavelengths of an oscillating wake, beyond which it cancels to 1e-5."""

GAUSS = 8
"""Points of a stretch of wake; the stretches grow with their distance from the wing."""


class Response(NamedTuple):
    """What a wing does to the air at one frequency; both halves, per unit of air density.

    Attributes
    ----------
    lift : complex
        Amplitude, positive up, with the time factor exp(i omega t).
    power : float
        Mean power given to the air.
    wake_loss : float
        Mean kinetic energy left in the wake each second.
    thrust : float
        Mean thrust with full leading-edge suction: ``(power - wake_loss)/V``, since nothing else
        takes up energy in an ideal fluid.
    """

    lift: complex
    power: float
    wake_loss: float
    thrust: float


class Wing:
    """A rectangular wing of unit chord in a unit stream, panelled.

    Parameters
    ----------
    aspect_ratio : float
        Span over chord.
    chordwise, spanwise : int
        Panels along the chord and along the half span.
    """

    def __init__(self, aspect_ratio: float, chordwise: int = 12, spanwise: int = 24) -> None:
        self.semispan = 0.5 * aspect_ratio
        # Cosines over the whole span: dense at the tip, smooth across the plane of symmetry.
        angle = np.linspace(0.5 * math.pi, 0.0, spanwise + 1)
        self.edge = self.semispan * np.cos(angle)
        self.y = self.semispan * np.cos(0.5 * (angle[1:] + angle[:-1]))
        self.width = np.diff(self.edge)
        self.dx = 1.0 / chordwise
        self.panel = np.arange(chordwise) * self.dx

    def respond(
        self,
        k: float,
        height: Callable[[Array, Array], Complex],
        slope: Callable[[Array, Array], Complex],
    ) -> Response:
        """Response to a motion ``z = Re(height exp(i omega t))``.

        Parameters
        ----------
        k : float
            Reduced frequency ``omega c/(2 V)``.
        height, slope : callable
            Of x (from the leading edge, in chords) and y: complex amplitudes of z and dz/dx.

        Returns
        -------
        Response
        """
        nu = 2.0 * k
        x = self.panel + 0.75 * self.dx
        wash = self._at(x, slope) + 1j * nu * self._at(x, height)
        gamma = np.linalg.solve(self._influence(nu), wash.ravel()).reshape(wash.shape)
        ahead = np.vstack([np.zeros_like(gamma[:1]), gamma[:-1]])
        # Pressure jump (unsteady Bernoulli): the jump of potential is that of the ring ahead over
        # the first quarter of a panel, its own over the rest.
        lift, work = 0.0 + 0.0j, 0.0
        for force, place in (
            (gamma - ahead, 0.25),
            (0.25j * nu * self.dx * ahead, 0.125),
            (0.75j * nu * self.dx * gamma, 0.625),
        ):
            velocity = 1j * nu * self._at(self.panel + place * self.dx, height)
            lift += 2.0 * complex(np.sum(force * self.width))
            work -= float(np.sum((force * velocity.conj()).real * self.width))
        shed = gamma[-1]
        downwash = (self._far_wake(nu) @ shed).conj()
        loss = -0.5 * float(np.sum((shed * downwash).real * self.width))
        return Response(lift, work, loss, work - loss)

    def _at(self, x: Array, function: Callable[[Array, Array], Complex]) -> Complex:
        return np.asarray(function(x[:, None], self.y[None, :]) + np.zeros((x.size, self.y.size)))

    def _spans(self, kernel: Callable[[Array], NDArray[np.generic]]) -> NDArray[np.generic]:
        """Differences of an antiderivative over each strip and over its mirror image."""
        edge, y = self.edge, self.y[:, None]
        own = kernel(edge[1:] - y) - kernel(edge[:-1] - y)
        return own + kernel(-edge[:-1] - y) - kernel(-edge[1:] - y)

    def _influence(self, nu: float) -> Complex:
        """Upwash at every control point of every ring, its wake and mirror image included."""
        count, strips = self.panel.size, self.y.size
        out = np.zeros((count, strips, count, strips), dtype=np.complex128)
        front, control = self.panel + 0.25 * self.dx, self.panel + 0.75 * self.dx
        near = NEAR * count
        # Every ring edge lies at a half panel's multiple from every control point.
        corner = {
            step: self._spans(lambda dy, dx=(step - 0.5) * self.dx: np.hypot(dx, dy) / (dx * dy))
            for step in range(-count + 1, count + near + 2)
        }
        # A ring that lifts turns clockwise seen from above: downwash inside.
        ring = {
            step: -(corner[step + 1] - corner[step]) / (4.0 * math.pi)
            for step in range(-count + 1, count + near + 1)
        }
        for i in range(count):
            for j in range(count):
                out[i, :, j] = ring[j - i]
            # The lattice goes on into the wake: a sheet that begins at the trailing edge would
            # spoil what the quarter and three-quarter points cancel.
            for m in range(1, near + 1):
                out[i, :, -1] += np.exp(-1j * nu * m * self.dx) * ring[count - 1 + m - i]
            begin = front[-1] + (near + 1) * self.dx - control[i]
            out[i, :, -1] += self._wake(nu, begin, 1.0 - 0.25 * self.dx - control[i])
        return out.reshape(count * strips, count * strips)

    def _wake(self, nu: float, begin: float, edge: float) -> Complex:
        """Upwash of wake strips that begin at a distance, with their phase at the trailing edge."""
        longest = 2.0 / nu if nu > 0.0 else math.inf
        node, weight = np.polynomial.legendre.leggauss(GAUSS)
        out = np.zeros((self.y.size, self.y.size), dtype=np.complex128)
        low = begin
        far = FAR * self.semispan
        if nu > 0.0:
            far = min(far, SETTLED / nu)
        while low < far:
            high = low + min(max(low, self.dx), longest)
            for u, share in zip(node, weight, strict=True):
                dx = 0.5 * (low + high) + 0.5 * (high - low) * u
                strip = self._spans(lambda dy, dx=dx: dy / (dx**2 * np.hypot(dx, dy)))
                out += 0.5 * (high - low) * share * np.exp(-1j * nu * (dx - edge)) * strip
            low = high
        if nu == 0.0:
            out += self._spans(lambda dy: dy / (2.0 * low**2))
        return out / (4.0 * math.pi)

    def _far_wake(self, nu: float) -> Array:
        """Upwash in the wake itself, far behind the wing, of its strips of unit strength.

        Along x the kernel 1/r^3 of the doublet sheet integrates to ``2 nu K1(nu d)/d``; over the
        span, ``-sgn(d) nu (K1(nu d) + int_0^(nu d) K0)`` is its antiderivative, halved.
        """

        def antiderivative(dy: Array) -> Array:
            z = nu * np.abs(dy)
            return -np.sign(dy) * nu * (k1(z) + iti0k0(z)[1]) if nu > 0.0 else -1.0 / dy

        return np.asarray(self._spans(antiderivative), dtype=np.float64) / (2.0 * math.pi)
