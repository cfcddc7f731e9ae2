"""From segments to strips: where along the span the loads are computed.

Answers: which stations stand for the wing, with which chord, width and mass, and what span, area
and aspect ratio it has. Does not answer how the stations move.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from flapsim.case import Segment, Wing

__all__ = ["Strips", "strips"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Strips:
    """Stations of one half wing, from the shoulder outwards.

    Attributes
    ----------
    segment : (n,) int array
        0 for the inner segment, 1 for the outer.
    distance : (n,) array
        From the segment's own hinge, m.
    fraction : (n,) array
        Distance as a part of the segment, 0..1.
    width : (n,) array
        Quadrature weight times segment length, m: sums over strips are integrals over the span.
    chord : (n,) array
        m.
    span_position : (n,) array
        Distance from the plane of symmetry with the wing stretched out, m.
    skin : (n,) array
        Mass spread evenly over the chord, kg/m^2.
    spar : (n,) array
        Mass on the twist axis, kg/m.
    semispan : float
        Plane of symmetry to tip, stretched out, m.
    area : float
        Moving area of both halves, m^2; exact for the piecewise linear chord.
    aspect_ratio : float
        (2 semispan)^2 / area.
    inner_length : float
        Shoulder to wrist, m.
    """

    segment: NDArray[np.int64]
    distance: Array
    fraction: Array
    width: Array
    chord: Array
    span_position: Array
    skin: Array
    spar: Array
    semispan: float
    area: float
    aspect_ratio: float
    inner_length: float


def strips(wing: Wing, shoulder_offset: float) -> Strips:
    """Return the strips of one half wing at Gauss-Legendre stations, segment by segment.

    Parameters
    ----------
    wing : Wing
        Segments as written in the case.
    shoulder_offset : float
        Plane of symmetry to shoulder hinge, m.

    Returns
    -------
    Strips

    Notes
    -----
    No strip lies on a hinge or at the tip, so no strip has the zero chord of a pointed tip.
    The stations integrate smooth loads to rounding with a dozen strips; a kink of the chord inside
    a segment costs accuracy, which is why the area is computed from the chord itself.
    """
    segments = [wing.inner] if wing.outer is None else [wing.inner, wing.outer]
    rows = [_stations(segment) for segment in segments]
    count = [segment.strips for segment in segments]
    distance = np.concatenate([row.distance for row in rows])
    hinge = np.array([shoulder_offset, shoulder_offset + wing.inner.length_m])
    segment_of = np.repeat(np.arange(len(segments)), count)
    semispan = shoulder_offset + sum(segment.length_m for segment in segments)
    area = 2.0 * sum(_segment_area(segment) for segment in segments)
    return Strips(
        segment=segment_of,
        distance=distance,
        fraction=np.concatenate([row.fraction for row in rows]),
        width=np.concatenate([row.width for row in rows]),
        chord=np.concatenate([row.chord for row in rows]),
        span_position=hinge[segment_of] + distance,
        skin=np.repeat([float(segment.skin_kg_m2) for segment in segments], count),
        spar=np.repeat([float(segment.spar_kg_m) for segment in segments], count),
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
    at, chord = np.array(segment.chord_m, dtype=np.float64).T
    return _Stations(
        fraction=fraction,
        distance=fraction * segment.length_m,
        width=0.5 * weight * segment.length_m,
        chord=np.interp(fraction, at, chord),
    )


def _segment_area(segment: Segment) -> float:
    """Return the area of one segment, m^2: the trapezoid rule is exact for a linear chord."""
    at, chord = np.array(segment.chord_m, dtype=np.float64).T
    return float(np.trapezoid(chord, at)) * segment.length_m
