"""Identifiability: which parameters the data determine, and which only in combination.

From the Jacobian of a fit; linear algebra on scaled unknowns, knows nothing of cases.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CONFOUNDED: Final = 0.95
"""Correlation beyond which two keys are reported as confounded."""


def key_information(jacobian: Array, count: int) -> Array:
    """Information of the data on the keys, with sensor errors fitted but no priors on the keys."""
    keys, rest = jacobian[:, :count].copy(), jacobian[:, count:]
    size = jacobian.shape[1]
    keys[-size:][:count] = 0.0
    if rest.shape[1]:
        answer, *_ = np.linalg.lstsq(rest, keys, rcond=None)
        keys = keys - rest @ answer
    return np.asarray(keys.T @ keys)


def inverse(information: Array) -> Array:
    """Inverse in which undetermined directions become very wide, not infinite."""
    values, vectors = np.linalg.eigh(information)
    values = np.maximum(values, max(1e-12 * values.max(), 1e-24))
    return np.asarray((vectors / values) @ vectors.T)


def unseen(singular: Array, rows: Array, keys: Sequence[str]) -> list[str]:
    """Warn of directions that the data do not determine."""
    out = []
    for value, row in zip(singular, rows, strict=True):
        if value >= 1.0:
            continue
        involved = [key for key, part in zip(keys, row, strict=True) if abs(part) > 0.3]
        if len(involved) == 1:
            out.append(f"The data do not determine {involved[0]}: fix it, or give a prior.")
        else:
            out.append(
                f"The data determine {' and '.join(involved)} only in combination: a change of one"
                " can be compensated by the others. Fix one, give a prior, or measure another"
                " quantity."
            )
    return out


def confounded(correlation: Array, keys: Sequence[str]) -> list[str]:
    """Warn of pairs of keys that are strongly correlated."""
    return [
        f"{keys[i]} and {keys[j]} have a correlation of {correlation[i, j]:+.3f}: do"
        " not use their uncertainties separately."
        for i in range(len(keys))
        for j in range(i)
        if abs(correlation[i, j]) > CONFOUNDED
    ]
