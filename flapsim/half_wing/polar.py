"""Section laws that are tables: a polar from a file, the revolving plate.

A table covers a full turn of incidence on one uniform grid, so that the kernel looks up without
searching. Columns: lift, drag, quarter-chord moment, attached length, the difference between
attached and separated lift that lagged stall needs, and the lift that would be without any stall.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.kernel import layout as at
from flapsim.kernel.section import (
    PLATE_NORMAL_TO_STREAM,
    plate_centre_of_pressure,
    plate_normal_coefficient,
)

Array = NDArray[np.float64]

GRID_DEG: Array = np.linspace(-180.0, 180.0, round(360.0 / at.TABLE_STEP_DEG) + 1)
"""Incidences of every table, degrees."""

ATTACHED_RANGE_DEG = 5.0
"""Distance from zero lift within which the slope of attached flow is taken: wide enough to even out
a measurement, below any stall (common practice, no source)."""


class SectionTable(NamedTuple):
    """A section law as numbers."""

    log_reynolds: Array  # (k,): natural logarithm of the Reynolds numbers, increasing
    # (k, at.TABLE_COLUMNS, n): columns ``TABLE_*`` of `flapsim.kernel.layout` on `GRID_DEG`
    values: Array


def viterna(
    alpha: Array, stall_alpha: float, stall_lift: float, stall_drag: float, drag_normal: float
) -> tuple[Array, Array]:
    """Lift and drag beyond stall, matched to the last measured incidence.

    Angles in rad: ``alpha`` between ``stall_alpha``, in (0, pi/2), and a right angle;
    ``drag_normal`` is the drag coefficient normal to the stream. Viterna, L. A. & Corrigan, R. D.
    (1982), NASA CP-2230: ``C_L = A1 sin 2a + A2 cos^2 a / sin a``, ``C_D = C_Dmax sin^2 a + B2 cos
    a``.
    """
    s, c = np.sin(stall_alpha), np.cos(stall_alpha)
    a2 = (stall_lift - drag_normal * s * c) * s / c**2
    b2 = (stall_drag - drag_normal * s**2) / c
    sine, cosine = np.sin(alpha), np.cos(alpha)
    lift = 0.5 * drag_normal * np.sin(2.0 * alpha) + a2 * cosine**2 / sine
    drag = drag_normal * sine**2 + b2 * cosine
    return lift, drag


def _beyond(
    alpha: Array, edge: float, lift: float, drag: float, drag_normal: float
) -> tuple[Array, Array]:
    """Lift and drag from the table's edge to half a turn (angles positive, rad)."""
    if edge >= 0.5 * np.pi:
        # Too far round for the stall formula: fade to edge-on drag at half a turn.
        t = np.clip((alpha - edge) / max(np.pi - edge, 1e-12), 0.0, 1.0)
        return lift * (1.0 - t), drag * (1.0 - t) + drag * t * 0.1
    front = np.clip(alpha, edge, 0.5 * np.pi)
    lift_front, drag_front = viterna(front, edge, lift, drag, drag_normal)
    mirrored = np.clip(np.pi - alpha, edge, 0.5 * np.pi)
    lift_back, drag_back = viterna(mirrored, edge, lift, drag, drag_normal)
    fade = np.clip((np.pi - alpha) / edge, 0.0, 1.0)
    return (
        np.where(alpha <= 0.5 * np.pi, lift_front, -0.7 * lift_back * fade),
        np.where(alpha <= 0.5 * np.pi, drag_front, drag_back),
    )


def full_range(
    alpha_deg: Array, lift: Array, drag: Array, moment: Array, drag_normal: float
) -> Array:
    """Extend one polar to a full turn of incidence and add what lagged stall needs.

    ``alpha_deg``, shape (m,): incidences, degrees, strictly increasing, with 0 inside; ``lift``,
    ``drag``, ``moment``, shape (m,): coefficients; moment about the quarter chord, nose-up;
    ``drag_normal``: drag coefficient normal to the stream, used where the polar does not reach.

    Returns an array of shape (at.TABLE_COLUMNS, n): columns of a `SectionTable` on `GRID_DEG`.

    Inside its range the polar is interpolated linearly. Outside it follows `viterna` up to a
    right angle, matched at the last point of that side, then the mirrored curve with 0.7 of its
    lift (Viterna & Corrigan's choice for reversed flow as commonly practised), fading to no lift
    at half a turn; the moment puts the normal force at the plate's centre of pressure. The
    attached length inverts Kirchhoff's formula between the line of slope 2 pi through zero lift
    and the separated plate.
    """
    grid = np.radians(GRID_DEG)
    rad = np.radians(alpha_deg)
    columns = np.empty((at.TABLE_COLUMNS, GRID_DEG.size))
    for column, given in ((at.TABLE_LIFT, lift), (at.TABLE_DRAG, drag), (at.TABLE_MOMENT, moment)):
        columns[column] = np.interp(grid, rad, given)
    edges = (
        (grid > rad[-1] + 1e-12, 1.0, rad[-1], lift[-1], drag[-1]),
        (grid < rad[0] - 1e-12, -1.0, -rad[0], -lift[0], drag[0]),
    )
    for outside, sign, edge, edge_lift, edge_drag in edges:
        if not outside.any():
            continue
        a = sign * grid[outside]
        cl, cd = _beyond(a, max(edge, np.radians(1.0)), edge_lift, edge_drag, drag_normal)
        columns[at.TABLE_LIFT, outside] = sign * cl
        columns[at.TABLE_DRAG, outside] = cd
        normal = cl * np.cos(a) + cd * np.sin(a)
        centre = np.array([plate_centre_of_pressure(np.sin(x), np.cos(x)) for x in a])
        columns[at.TABLE_MOMENT, outside] = -sign * normal * (centre - 0.25)
    columns[at.TABLE_ATTACHED], columns[at.TABLE_LIFT_GAIN] = _separation(
        grid, columns[at.TABLE_LIFT], drag_normal
    )
    columns[at.TABLE_ATTACHED_LIFT] = _attached_lift(grid, columns[at.TABLE_LIFT])
    return columns


def _zero_lift(grid: Array, lift: Array) -> float:
    """Incidence at which a lift curve rises through zero near the origin, else 0."""
    near = np.abs(grid) <= np.radians(15.0)
    crossings = np.flatnonzero(near[:-1] & (lift[:-1] <= 0.0) & (lift[1:] > 0.0))
    if crossings.size == 0:
        return 0.0
    i = crossings[0]
    return float(grid[i] - lift[i] * (grid[i + 1] - grid[i]) / (lift[i + 1] - lift[i]))


def _attached_lift(grid: Array, lift: Array) -> Array:
    """Lift of flow that never separates, with the slope and the zero lift of a lift curve.

    A sine, so that the circulation is linear in the velocities.
    """
    away = np.sin(grid - _zero_lift(grid, lift))
    near = (np.abs(away) <= np.sin(np.radians(ATTACHED_RANGE_DEG))) & (np.abs(grid) < 0.5 * np.pi)
    return away * max(float(np.sum(lift[near] * away[near]) / np.sum(away[near] ** 2)), 0.0)


def _separation(grid: Array, lift: Array, drag_normal: float) -> tuple[Array, Array]:
    """Attached length and attached-minus-separated lift that a lift curve implies."""
    inside = np.abs(grid) < np.radians(90.0)
    zero = _zero_lift(grid, lift)
    sine = np.sin(grid)
    separated = plate_normal_coefficient(sine, drag_normal) * np.cos(grid)
    gain = np.where(inside, 2.0 * np.pi * np.sin(grid - zero) - separated, 0.0)
    large = np.abs(gain) > 0.05
    weight = np.where(large, (lift - separated) / np.where(large, gain, 1.0), 1.0)
    weight = np.clip(np.where(inside, weight, 0.0), 0.0, 1.0)
    root = np.sqrt(1.0 + 3.0 * weight) - 1.0
    return root**2, gain


def polar_table(
    alpha_deg: Array,
    reynolds: Sequence[float],
    lift: Array,
    drag: Array,
    moment: Array,
    drag_normal: float,
) -> SectionTable:
    """Table of a polar: coefficients of shape (k, m) at k Reynolds numbers and m incidences, deg.

    Both increase; one Reynolds number where the polar names none. The moment is about the quarter
    chord; ``drag_normal``, the drag coefficient normal to the stream, serves the extension.
    """
    values = np.stack(
        [full_range(alpha_deg, *rows, drag_normal) for rows in zip(lift, drag, moment, strict=True)]
    )
    return SectionTable(np.log(np.asarray(reynolds, dtype=np.float64)), values)


def revolving_plate(alpha_deg: Array) -> tuple[Array, Array]:
    """Translational lift and drag of a revolving wing, incidence from 0 to 90 degrees.

    A wing of aspect ratio about 5 at Reynolds number about 136 with an attached leading-edge
    vortex; not a model for 1e5. Dickinson, M. H., Lehmann, F.-O. & Sane, S. P. (1999), Science 284,
    1954.
    """
    lift = 0.225 + 1.58 * np.sin(np.radians(2.13 * alpha_deg - 7.20))
    drag = 1.92 - 1.55 * np.cos(np.radians(2.04 * alpha_deg - 9.82))
    return lift, drag


def revolving_plate_table() -> SectionTable:
    """Table of `revolving_plate` over a full turn.

    The published fits run from 0 to 90 degrees. Lift is continued as an odd function, drag as an
    even one; reversed flow mirrors about the right angle. The normal force acts at the plate's
    centre of pressure. The attached vortex does not shed, so lagged stall leaves it alone.
    """
    a = np.abs(GRID_DEG)
    folded = np.where(a > 90.0, 180.0 - a, a)
    lift, drag = revolving_plate(folded)
    lift = np.where(a > 90.0, -lift, lift) * np.sign(GRID_DEG)
    radians = np.radians(GRID_DEG)
    normal = lift * np.cos(radians) + drag * np.sin(radians)
    centre = np.array([plate_centre_of_pressure(np.sin(x), np.cos(x)) for x in radians])
    values = np.zeros((1, at.TABLE_COLUMNS, GRID_DEG.size))
    values[0, at.TABLE_LIFT], values[0, at.TABLE_DRAG] = lift, drag
    values[0, at.TABLE_MOMENT] = -normal * (centre - 0.25)
    values[0, at.TABLE_ATTACHED] = 1.0
    values[0, at.TABLE_ATTACHED_LIFT] = _attached_lift(radians, lift)
    return SectionTable(np.zeros(1), values)


__all__ = [
    "GRID_DEG",
    "PLATE_NORMAL_TO_STREAM",
    "SectionTable",
    "full_range",
    "polar_table",
    "revolving_plate",
    "revolving_plate_table",
    "viterna",
]
