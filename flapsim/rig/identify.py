"""What data cannot tell: directions in which the unknowns may move without a trace.

Answers: from the Jacobian of a fit, which keys are seen, and which are seen only together? Linear
algebra on scaled unknowns; knows nothing of cases.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CONFOUNDED: Final = 0.95
"""Correlation from which on two keys are said to be confounded."""


def alone(jacobian: Array, count: int) -> Array:
    """Information of the data on the keys, sensor errors fitted along but no priors on keys."""
    keys, rest = jacobian[:, :count].copy(), jacobian[:, count:]
    size = jacobian.shape[1]
    keys[-size:][:count] = 0.0
    if rest.shape[1]:
        answer, *_ = np.linalg.lstsq(rest, keys, rcond=None)
        keys = keys - rest @ answer
    return np.asarray(keys.T @ keys)


def inverse(information: Array) -> Array:
    """Inverse with directions that nothing tells made very wide, not infinite."""
    values, vectors = np.linalg.eigh(information)
    values = np.maximum(values, max(1e-12 * values.max(), 1e-24))
    return np.asarray((vectors / values) @ vectors.T)


def unseen(singular: Array, rows: Array, keys: Sequence[str]) -> list[str]:
    """Directions that the data do not see."""
    out = []
    for value, row in zip(singular, rows, strict=True):
        if value >= 1.0:
            continue
        involved = [key for key, part in zip(keys, row, strict=True) if abs(part) > 0.3]
        if len(involved) == 1:
            out.append(f"The data do not tell {involved[0]}: fix it, or give a prior.")
        else:
            out.append(
                f"The data cannot tell {' and '.join(involved)} apart: a change of one is hidden by"
                " a change of the other. Fix one, give a prior, or measure something else."
            )
    return out


def confounded(correlation: Array, keys: Sequence[str]) -> list[str]:
    """Pairs of keys that go together."""
    return [
        f"{keys[i]} and {keys[j]} are correlated by {correlation[i, j]:+.3f}: their"
        " uncertainties hold only together."
        for i in range(len(keys))
        for j in range(i)
        if abs(correlation[i, j]) > CONFOUNDED
    ]
