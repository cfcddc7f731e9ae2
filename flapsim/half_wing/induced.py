"""Induced velocity: what the trailing sheet of the finite wing takes from the downwash.

Two models. ``slope``: each section sees the induced angle of an elliptic wing at its own lift
coefficient, ``C_L/(pi AR)`` (Prandtl). ``lifting-line``: the sheet as it trails at the instant,
laid flat along the unfolded span with its mirror image, as a few symmetric modes fitted to the
circulation of all strips at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.wing.schedule import broadcast_lanes

Array = NDArray[np.float64]


def modes(count: int) -> Array:
    """Wave numbers of the symmetric modes: 1, 3, 5, ..."""
    return 2.0 * np.arange(count, dtype=np.float64) + 1.0


def deficit_filter(count: int) -> Array:
    """Low-pass through which the lift lost to stall reaches the sheet.

    ``1/(1 + ((m - 1)/3)^2)`` for the wave numbers m of `modes`.

    With falling lift past stall the lifting-line equation has no unique answer: neighbouring
    strips may take turns to stall, the more so the more modes are allowed. Letting only the long
    waves of the lost lift act on the sheet leaves one answer in nearly all cases (those without
    are flagged) and makes it hardly depend on the number of modes. Own construction, no source.
    Lost is what the section would have if its flow never separated: a thin plate's ``pi c q_c``, a
    table's own line through its zero lift. Attached flow is therefore not touched. The price: a
    wholly stalled wing keeps part of the short waves of attached flow (4 % of the drag of a square
    plate broadside).
    """
    return 1.0 / (1.0 + ((modes(count) - 1.0) / 3.0) ** 2)


def lifting_line_operators(
    span_position: ArrayLike, chord: ArrayLike, weight: ArrayLike, semispan: ArrayLike, count: int
) -> tuple[Array, Array]:
    """Matrices of the lifting line for attached flow, ``count`` modes on n strips.

    Strips are given by distance from the plane of symmetry along the unfolded wing, chord and width
    (the weight of the fit), m, shape (n, ...); ``semispan``, m, has shape (...,). Returns mode
    amplitudes per unit of lagged downwash, m, shape (count, n, ...), and induced velocity at the
    strips per unit of mode amplitude, 1/m, shape (n, count, ...).

    ``Gamma = sum B_m sin(m t)``, ``y = s cos t``, ``w_i = sum m B_m sin(m t)/(4 s sin t)`` and
    ``Gamma = pi c (q - w_i)``, the last fitted in least squares over the strips: Prandtl's lifting
    line in Glauert's series, Glauert, H. (1926), The Elements of Aerofoil and Airscrew Theory, ch.
    XI.
    """
    s = np.asarray(semispan, dtype=np.float64)
    given = [np.asarray(x, dtype=np.float64) for x in (span_position, chord, weight)]
    y, c, widths = broadcast_lanes(given, s.shape)
    angle = np.arccos(np.clip(y / s, -1.0, 1.0))
    m = modes(count).reshape((1, count) + (1,) * (y.ndim - 1))
    sine = np.sin(m * angle[:, None])
    downwash = m * sine / (4.0 * s * np.sin(angle))[:, None]
    equation = sine + np.pi * c[:, None] * downwash
    root = np.sqrt(widths)
    left = np.moveaxis(equation * root[:, None], (0, 1), (-2, -1))
    pseudo = np.linalg.pinv(left)
    right = root * np.pi * c
    fit = np.moveaxis(pseudo, (-2, -1), (0, 1)) * right[None]
    return np.ascontiguousarray(fit), np.ascontiguousarray(downwash)
