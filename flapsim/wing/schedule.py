"""The forms a periodic schedule can take, each as one truncated Fourier series.

Answers: which Fourier coefficients stand for this motion, how much was cut off, and what are its
value, rate and acceleration at a phase. Does not answer what moves with it: that is the stroke's
(:mod:`flapsim.wing.stroke`).

A schedule is an array of shape ``(2 * HARMONICS + 1, ...)`` holding ``[a0, a1..aH, b1..bH]`` with

    value(tau) = a0 + sum_h a_h cos(h tau) + b_h sin(h tau),    tau = 2 pi f t.

Trailing axes are lanes: designs that are computed together. Values carry whatever unit goes in
(radians or metres); phases and lags are in radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

HARMONICS = 24
_ORDERS = np.arange(1, HARMONICS + 1, dtype=np.float64)
# Points per period for projecting and for measuring truncation: 85 per wave of the last harmonic.
_GRID_POINTS = 2048
_GRID = 2.0 * np.pi * np.arange(_GRID_POINTS) / _GRID_POINTS
# A range below this part of the largest value is rounding, not motion.
_CONSTANT = 1e-12


class Series(NamedTuple):
    """A periodic schedule as Fourier coefficients."""

    # (2 * HARMONICS + 1, ...): ``[a0, a1..aH, b1..bH]``, in the unit of the schedule
    coefficients: Array
    # (...): largest error of the truncated series over a period, relative to half the peak-to-peak
    # range of the schedule; 0 for a constant
    truncation: Array


class LinkageError(ValueError):
    """Four lengths that do not make a crank-and-rocker linkage.

    ``offending`` names the lengths that break the ``condition``, in words or as an inequality;
    ``lengths``, m, are all four of the linkage, of many the one that breaks it most.
    """

    def __init__(
        self, offending: tuple[str, ...], condition: str, given: str, lengths: dict[str, float]
    ) -> None:
        super().__init__(f"the crank cannot turn fully: {condition} expected, {given} given")
        self.offending = offending
        self.condition = condition
        self.lengths = lengths
        self._given = given

    def __reduce__(
        self,
    ) -> tuple[type[LinkageError], tuple[tuple[str, ...], str, str, dict[str, float]]]:
        # Exceptions are rebuilt from their message by default; worker processes need the parts.
        return type(self), (self.offending, self.condition, self._given, self.lengths)


def basis(tau: ArrayLike) -> Array:
    """The terms 1, cos(h tau), sin(h tau) that the coefficients multiply; tau in rad."""
    angle = np.asarray(tau, dtype=np.float64)[..., None] * _ORDERS
    return np.concatenate([np.ones((*angle.shape[:-1], 1)), np.cos(angle), np.sin(angle)], axis=-1)


def evaluate(coefficients: ArrayLike, tau: ArrayLike) -> tuple[Array, Array, Array]:
    """Value and exact first and second derivative of a schedule with respect to the phase, rad.

    ``coefficients`` have shape (2 * HARMONICS + 1, ...lanes), results ``tau.shape + lanes``.
    Multiply by (2 pi f) and (2 pi f)^2 for time derivatives.
    """
    terms = np.asarray(coefficients, dtype=np.float64)
    cosine, sine = terms[1 : HARMONICS + 1], terms[HARMONICS + 1 :]
    order = _lane_column(_ORDERS, terms.ndim - 1)
    still = np.zeros_like(terms[:1])
    rate = np.concatenate([still, order * sine, -order * cosine])
    acceleration = np.concatenate([still, -(order**2) * cosine, -(order**2) * sine])
    wave = basis(tau)
    return (
        np.tensordot(wave, terms, 1),
        np.tensordot(wave, rate, 1),
        np.tensordot(wave, acceleration, 1),
    )


def delayed(coefficients: ArrayLike, lag: ArrayLike) -> Array:
    """Coefficients of value(tau - lag), lag in rad, broadcast against the lanes."""
    terms = np.asarray(coefficients, dtype=np.float64)
    shift = np.asarray(lag, dtype=np.float64)
    lanes = np.broadcast_shapes(terms.shape[1:], shift.shape)
    terms = np.broadcast_to(_pad_lanes(terms, len(lanes)), (2 * HARMONICS + 1, *lanes))
    cosine, sine = terms[1 : HARMONICS + 1], terms[HARMONICS + 1 :]
    turn = _lane_column(_ORDERS, len(lanes)) * shift
    return np.concatenate(
        [
            terms[:1],
            cosine * np.cos(turn) - sine * np.sin(turn),
            cosine * np.sin(turn) + sine * np.cos(turn),
        ]
    )


def harmonic(mean: ArrayLike, amplitude: ArrayLike, lag: ArrayLike) -> Series:
    """The schedule mean + amplitude cos(tau - lag), exact; lag in rad."""
    centre, swing, shift = _lanes(mean, amplitude, lag)
    terms = np.zeros((2 * HARMONICS + 1, *centre.shape))
    terms[0] = centre
    terms[1] = swing * np.cos(shift)
    terms[HARMONICS + 1] = swing * np.sin(shift)
    return Series(terms, np.zeros(centre.shape))


def quick_return(
    mean: ArrayLike, amplitude: ArrayLike, lag: ArrayLike, downstroke_fraction: ArrayLike
) -> Series:
    """Return a smooth cosine-like schedule whose way down takes a given part of the period.

    The mean is that over the period; ``lag`` is the phase of the top, rad. Raises ValueError if a
    downstroke fraction is outside (0, 1).

    The cosine runs on a phase psi that a Moebius map of the unit disc makes of tau,

        exp(i psi') = (z + r) / (1 + r z),   z = exp(i tau'),   r real, |r| < 1,

    with both phases counted from the middle of the downstroke, tau' = tau - lag - pi d and
    psi' = psi - pi/2. Then tan(psi'/2) = (1 - r)/(1 + r) tan(tau'/2), and top and bottom fall on
    tau' = -+ pi d for r = (t - 1)/(t + 1), t = tan(pi d / 2). The map is analytic on the closed
    disc, so the coefficients of cos psi = -Im exp(i psi') decay geometrically,

        cos psi = -(1 - r^2) sum_n (-r)^(n-1) sin(n tau'),

    and what is left out after H harmonics is at most (1 + |r|) |r|^H of the amplitude: 1.4e-7 at
    d = 0.2 or 0.8. Own construction, no source.
    """
    centre, swing, shift, fraction = _lanes(mean, amplitude, lag, downstroke_fraction)
    if not np.all((fraction > 0.0) & (fraction < 1.0)):
        raise ValueError("downstroke fraction must lie between 0 and 1, exclusive")
    half_way = np.tan(0.5 * np.pi * fraction)
    ratio = (half_way - 1.0) / (half_way + 1.0)
    powers = (-ratio) ** _lane_column(_ORDERS - 1.0, ratio.ndim)
    terms = np.zeros((2 * HARMONICS + 1, *centre.shape))
    terms[0] = centre
    terms[HARMONICS + 1 :] = -swing * (1.0 - ratio**2) * powers
    cut_off = (1.0 + np.abs(ratio)) * np.abs(ratio) ** HARMONICS
    return Series(delayed(terms, shift + np.pi * fraction), np.where(swing == 0.0, 0.0, cut_off))


def fourier(mean: ArrayLike, cos: ArrayLike, sin: ArrayLike) -> Series:
    """The schedule mean + sum_h cos[h-1] cos(h tau) + sin[h-1] sin(h tau).

    Either list of coefficients, shape (n, ...) and (m, ...), may be empty. Exact up to
    ``HARMONICS`` harmonics; higher ones are cut off and counted as truncation.
    """
    centre = np.asarray(mean, dtype=np.float64)
    cosine, sine = np.asarray(cos, dtype=np.float64), np.asarray(sin, dtype=np.float64)
    lanes = np.broadcast_shapes(centre.shape, cosine.shape[1:], sine.shape[1:])
    count = max(HARMONICS, len(cosine), len(sine))
    written = np.zeros((2, count, *lanes))
    written[0, : len(cosine)] = _pad_lanes(cosine, len(lanes))
    written[1, : len(sine)] = _pad_lanes(sine, len(lanes))
    terms = np.zeros((2 * HARMONICS + 1, *lanes))
    terms[0] = centre
    terms[1:] = written[:, :HARMONICS].reshape(2 * HARMONICS, *lanes)
    if count == HARMONICS:
        return Series(terms, np.zeros(lanes))
    angle = _GRID[:, None] * np.arange(1, count + 1)
    full = np.tensordot(np.cos(angle), written[0], 1) + np.tensordot(np.sin(angle), written[1], 1)
    return Series(terms, _truncation(full + centre, evaluate(terms, _GRID)[0]))


def periodic_samples(phase: ArrayLike, value: ArrayLike) -> Series:
    """The schedule through samples at given phases, rad, as a periodic cubic spline.

    The truncation is the error of the series against that spline. Raises ValueError if the phases
    do not increase, span a period or more, or are fewer than three.
    """
    from scipy.interpolate import CubicSpline  # slow to import, and few strokes are sampled

    at = np.asarray(phase, dtype=np.float64)
    samples = np.asarray(value, dtype=np.float64)
    if len(at) < 3 or np.any(np.diff(at) <= 0.0) or at[-1] - at[0] >= 2.0 * np.pi:
        raise ValueError("samples need three or more increasing phases within one period")
    closed_phase = np.append(at, at[0] + 2.0 * np.pi)
    closed_value = np.concatenate([samples, samples[:1]])
    spline = CubicSpline(closed_phase, closed_value, bc_type="periodic")
    return _project(np.asarray(spline(_GRID), dtype=np.float64))


def linkage(
    crank: ArrayLike,
    rocker: ArrayLike,
    coupler: ArrayLike,
    base: ArrayLike,
    mean: ArrayLike,
    lag: ArrayLike,
) -> Series:
    """Rocker angle of a crank-and-rocker linkage whose crank turns at constant speed, rad.

    Lengths, m, are those of the driven crank, of the rocker that carries the wing, of the rod
    between their ends, and of the line between their pivots. The middle of the rocker's extremes is
    moved to ``mean``, rad; ``lag``, rad, is the phase of the top of the stroke. Raises LinkageError
    if the crank cannot turn fully while the rocker rocks.

    Seen with the crank pivot to the left of the rocker pivot and the rocker above the line between
    them, the crank turns anticlockwise and the wing rises as the rocker leans towards the crank. At
    the top crank and coupler are folded over each other, at the bottom stretched in line; the two
    strokes take unequal times wherever these two lines differ.
    """
    a, b, c, d, middle, shift = _lanes(crank, rocker, coupler, base, mean, lag)
    _require_crank_rocker(a, b, c, d)
    top = np.pi - _angle_between(d, b, c - a)
    bottom = np.pi - _angle_between(d, b, c + a)
    # Folded: the crank points away from the rocker's end.
    crank_at_top = np.pi + _angle_between(d, c - a, b)
    turn = crank_at_top + _lane_column(_GRID, a.ndim)
    value = _rocker_angle(turn, a, b, c, d) - 0.5 * (top + bottom) + middle
    series = _project(value)
    return Series(delayed(series.coefficients, shift), series.truncation)


def _rocker_angle(turn: Array, crank: Array, rocker: Array, coupler: Array, base: Array) -> Array:
    """Return the rocker's angle from the base line prolonged beyond its pivot, rad."""
    along, across = crank * np.cos(turn) - base, crank * np.sin(turn)
    reach = np.hypot(along, across)
    towards_crank_end = np.pi + np.arctan2(-across, -along)
    return towards_crank_end - _angle_between(rocker, reach, coupler)


def _angle_between(side: Array, other: Array, opposite: Array) -> Array:
    """Return the angle two sides of a triangle enclose (law of cosines), rad."""
    angle: Array = np.arccos((side**2 + other**2 - opposite**2) / (2.0 * side * other))
    return angle


def _require_crank_rocker(crank: Array, rocker: Array, coupler: Array, base: Array) -> None:
    """Raise unless every lane satisfies Grashof's condition with the crank as shortest link.

    The three pairwise sums together say both: adding any two of them leaves crank < third link.
    """
    links = {"crank": crank, "rocker": rocker, "coupler": coupler, "base": base}

    def worst(breach: Array) -> dict[str, float]:
        lane = np.unravel_index(np.argmax(breach), breach.shape)
        return {name: float(length[lane]) for name, length in links.items()}

    for name, length in links.items():
        if not np.all(length > 0.0):
            given = worst(-length)
            raise LinkageError((name,), f"{name} longer than 0", f"{given[name]:g} m", given)
    for partner, first, second in (
        ("base", "rocker", "coupler"),
        ("coupler", "rocker", "base"),
        ("rocker", "coupler", "base"),
    ):
        excess = crank + links[partner] - links[first] - links[second]
        if np.any(excess >= 0.0):
            given = worst(excess)
            raise LinkageError(
                ("crank", partner, first, second),
                f"crank + {partner} shorter than {first} + {second}",
                f"{given['crank'] + given[partner]:g} m against {given[first] + given[second]:g} m",
                given,
            )


def _project(value: Array) -> Series:
    """Return the series of values on the uniform grid (first axis)."""
    wave = np.fft.rfft(value, axis=0)[: HARMONICS + 1]
    kept = np.fft.irfft(wave, n=_GRID_POINTS, axis=0)
    scaled = wave / _GRID_POINTS
    terms = np.concatenate([scaled[:1].real, 2.0 * scaled[1:].real, -2.0 * scaled[1:].imag])
    return Series(terms, _truncation(value, kept))


def _truncation(value: Array, kept: Array) -> Array:
    """Return the largest error of what is kept on the grid, relative to half the range."""
    half_range = 0.5 * np.ptp(value, axis=0)
    error = np.max(np.abs(value - kept), axis=0)
    moving = half_range > _CONSTANT * np.max(np.abs(value), axis=0)
    return np.asarray(np.where(moving, error / np.where(moving, half_range, 1.0), 0.0))


def _lanes(*parameters: ArrayLike) -> tuple[Array, ...]:
    """Return the parameters as arrays of one common shape."""
    return np.broadcast_arrays(*(np.asarray(p, dtype=np.float64) for p in parameters))


def broadcast_lanes(arrays: Sequence[Array], lanes: tuple[int, ...] = ()) -> list[Array]:
    """Broadcast arrays after their first axis; any of them may lack the axis of the designs."""
    lanes = np.broadcast_shapes(lanes, *(values.shape[1:] for values in arrays))
    return [
        np.broadcast_to(
            values.reshape(values.shape + (1,) * (len(lanes) + 1 - values.ndim)),
            (len(values), *lanes),
        )
        for values in arrays
    ]


def _lane_column(values: Array, lanes: int) -> Array:
    """Return values along the first axis, ready to broadcast over trailing lane axes."""
    return values.reshape(-1, *(1,) * lanes)


def _pad_lanes(terms: Array, lanes: int) -> Array:
    """Return terms with unit axes after the first, so that they broadcast over the lanes."""
    return terms.reshape(len(terms), *(1,) * (lanes - terms.ndim + 1), *terms.shape[1:])
