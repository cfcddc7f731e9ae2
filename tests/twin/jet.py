"""A quantity that varies in time, with its first two time derivatives, and products of such.

Positions and directions of a jointed wing are sums and products of matrices; the rules of sum and
product then give velocities and accelerations without a formula of kinematics being written down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

X_AXIS = np.array([1.0, 0.0, 0.0])
Y_AXIS = np.array([0.0, 1.0, 0.0])
Z_AXIS = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Jet:
    """Value, rate and acceleration; matrices (..., 3, 3), vectors (..., 3) or scalars (...)."""

    value: Array
    rate: Array
    acceleration: Array

    def __add__(self, other: Jet) -> Jet:
        return Jet(
            self.value + other.value,
            self.rate + other.rate,
            self.acceleration + other.acceleration,
        )

    def __sub__(self, other: Jet) -> Jet:
        return self + other.times(-1.0)

    def __matmul__(self, other: Jet) -> Jet:
        """Matrix product, by Leibniz."""
        return Jet(
            self.value @ other.value,
            self.rate @ other.value + self.value @ other.rate,
            self.acceleration @ other.value
            + 2.0 * self.rate @ other.rate
            + self.value @ other.acceleration,
        )

    def times(self, factor: float | Array) -> Jet:
        """Product with something that does not vary in time."""
        return Jet(factor * self.value, factor * self.rate, factor * self.acceleration)

    def dot(self, other: Jet) -> Jet:
        """Scalar product of two vectors, by Leibniz."""
        return Jet(
            inner(self.value, other.value),
            inner(self.rate, other.value) + inner(self.value, other.rate),
            inner(self.acceleration, other.value)
            + 2.0 * inner(self.rate, other.rate)
            + inner(self.value, other.acceleration),
        )

    def image(self, vector: Array) -> Jet:
        """What the matrix makes of a vector that does not vary in time."""
        return Jet(self.value @ vector, self.rate @ vector, self.acceleration @ vector)


def inner(a: Array, b: Array) -> Array:
    """Scalar product along the last axis."""
    return np.sum(a * b, axis=-1)


def rotation(axis: Array, angle: Jet) -> Jet:
    """Return the rotation matrix about a unit axis, right-handed (Rodrigues)."""
    spin = np.cross(np.eye(3), axis)  # spin @ v is axis x v
    along = np.outer(axis, axis)

    def matrix(one: Array, cosine: Array, sine: Array) -> Array:
        return (
            one[..., None, None] * along
            + cosine[..., None, None] * (np.eye(3) - along)
            + sine[..., None, None] * spin
        )

    cosine, sine = np.cos(angle.value), np.sin(angle.value)
    zero, square = np.zeros_like(cosine), angle.rate**2
    return Jet(
        matrix(zero + 1.0, cosine, sine),
        matrix(zero, -angle.rate * sine, angle.rate * cosine),
        matrix(
            zero,
            -angle.acceleration * sine - square * cosine,
            angle.acceleration * cosine - square * sine,
        ),
    )


def constant(value: Array) -> Jet:
    """Return a quantity that does not vary in time."""
    return Jet(value, np.zeros_like(value), np.zeros_like(value))
