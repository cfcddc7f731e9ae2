"""From segments to strips: where along the span the loads are computed.

Answers: which stations stand for the wing, with which chord, width and mass, and what span, area
and aspect ratio it has. Does not answer how the stations move.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.wing.schedule import broadcast_lanes

if TYPE_CHECKING:
    from flapsim.case import Segment, Wing

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Strips:
    """Stations of one half wing, from the shoulder outwards."""

    segment: NDArray[np.int64]  # (n,): 0 for the inner segment, 1 for the outer
    distance: Array  # (n,): from the segment's own hinge, m
    fraction: Array  # (n,): distance as a part of the segment, 0..1
    # (n,): quadrature weight times segment length, m: sums over strips are integrals over the span
    width: Array
    chord: Array  # (n,): m
    span_position: Array  # (n,): distance from the plane of symmetry with the wing stretched out, m
    skin: Array  # (n,): mass spread evenly over the chord, kg/m^2
    spar: Array  # (n,): mass on the twist axis, kg/m
    semispan: float  # Plane of symmetry to tip, stretched out, m
    area: float  # Moving area of both halves, m^2; exact for the piecewise linear chord
    aspect_ratio: float  # (2 semispan)^2 / area
    inner_length: float  # Shoulder to wrist, m


def strips(wing: Wing, shoulder_offset: float) -> Strips:
    """Strips of one half wing at Gauss-Legendre stations, segment by segment.

    ``shoulder_offset`` is the distance from the plane of symmetry to the shoulder hinge, m. No
    strip lies on a hinge or at the tip, so none has the zero chord of a pointed tip. The stations
    integrate smooth loads to rounding with a dozen strips; a kink of the chord inside a segment
    costs accuracy, which is why the area is computed from the chord itself.
    """
    segments = [wing.inner] if wing.outer is None else [wing.inner, wing.outer]
    rows = [_stations(segment) for segment in segments]
    count = [segment.strips for segment in segments]
    hinges = (shoulder_offset, shoulder_offset + wing.inner.length_m)
    semispan = shoulder_offset + sum(segment.length_m for segment in segments)
    area = 2.0 * sum(_segment_area(segment) for segment in segments)
    return Strips(
        segment=np.repeat(np.arange(len(segments)), count),
        distance=_end_to_end([row.distance for row in rows]),
        fraction=_end_to_end([row.fraction for row in rows]),
        width=_end_to_end([row.width for row in rows]),
        chord=_end_to_end([row.chord for row in rows]),
        span_position=_end_to_end(
            [
                _sum(row.distance, np.multiply.outer(np.ones(len(row.distance)), hinge))
                for hinge, row in zip(hinges, rows, strict=False)
            ]
        ),
        skin=_end_to_end([_spread(segment.skin_kg_m2, segment) for segment in segments]),
        spar=_end_to_end([_spread(segment.spar_kg_m, segment) for segment in segments]),
        semispan=semispan,
        area=area,
        aspect_ratio=(2.0 * semispan) ** 2 / area,
        inner_length=wing.inner.length_m,
    )


@dataclass(frozen=True, slots=True)
class _Stations:
    """Stations of one segment: distance, width and chord in m, fraction 0..1."""

    fraction: Array
    distance: Array
    width: Array
    chord: Array


def _stations(segment: Segment) -> _Stations:
    """Return the Gauss-Legendre stations of one segment."""
    root, weight = np.polynomial.legendre.leggauss(segment.strips)
    fraction = 0.5 * (1.0 + root)
    return _Stations(
        fraction=fraction,
        distance=np.multiply.outer(fraction, segment.length_m),
        width=np.multiply.outer(0.5 * weight, segment.length_m),
        chord=_chord_at(segment, fraction),
    )


def _chord_at(segment: Segment, fraction: Array) -> Array:
    """Return the chord at fractions of a segment; any of its given numbers may be a column."""
    (before, chord), *others = segment.chord_m
    out: Array = _spread(chord, segment)
    for at, next_chord in others:
        # How far along this piece each station lies: 0 before it, all of it beyond.
        part = np.clip(
            np.subtract.outer(fraction, before)
            if np.ndim(before)
            else (fraction - before).reshape(fraction.shape + (1,) * np.ndim(at)),
            0.0,
            at - before,
        ) / (at - before)
        rise = np.asarray(next_chord - chord, dtype=np.float64)
        extra = (1,) * max(0, rise.ndim - (part.ndim - 1))
        out = _sum(out, part.reshape(part.shape + extra) * rise)
        before, chord = at, next_chord
    return out


def _sum(first: Array, second: Array) -> Array:
    """Add arrays of stations, of which either may lack the axis of the columns."""
    if first.ndim < second.ndim:
        first = first[..., None]
    elif second.ndim < first.ndim:
        second = second[..., None]
    return first + second


def _spread(value: ArrayLike, segment: Segment) -> Array:
    """Return a number, or a column of them, at every station of a segment."""
    return np.multiply.outer(np.ones(segment.strips), np.asarray(value, dtype=np.float64))


def _end_to_end(parts: list[Array]) -> Array:
    """Join the stations of the segments, of which some may be columns."""
    return np.concatenate(broadcast_lanes(parts))


def _segment_area(segment: Segment) -> float:
    """Return the area of one segment, m^2: the trapezoid rule is exact for a linear chord."""
    pieces = zip(segment.chord_m[:-1], segment.chord_m[1:], strict=True)
    area = sum(0.5 * (chord + after) * (to - at) for (at, chord), (to, after) in pieces)
    return area * segment.length_m
