"""Lags in convected distance and their periodic state, marched step by step."""

from __future__ import annotations

import numpy as np

from tests.twin.jet import Array

STALL_LAG_SEMICHORDS = 3.0  # Leishman and Beddoes (1989)


def lag_terms(wake_lag: str, aspect_ratio: float) -> list[tuple[float, float]]:
    """Amplitude and rate per semichord of each exponential."""
    if wake_lag == "two-dimensional":
        return [(0.165, 0.0455), (0.335, 0.300)]
    return [(0.5 * aspect_ratio / (2.32 + aspect_ratio), 0.181 + 0.772 / aspect_ratio)]


def distances(rate: Array, step: float) -> tuple[Array, Array]:
    """Semichords travelled in each step, and in its second half; time runs along the last axis."""
    before, start, end, after = neighbours(rate)
    whole = step / 24.0 * (-before + 13.0 * start + 13.0 * end - after)
    whole = np.maximum(whole, 0.0)
    half = np.clip(whole / 2.0 + step / 8.0 * (end - start), 0.0, whole)
    return whole, half


def neighbours(values: Array) -> tuple[Array, Array, Array, Array]:
    """Values one before the step, at its start, at its end and one after, round the cycle."""
    return (
        np.roll(values, 1, axis=-1),
        values,
        np.roll(values, -1, axis=-1),
        np.roll(values, -2, axis=-1),
    )


def periodic(keep: Array, add: Array) -> Array:
    """Periodic solution of z[n+1] = keep[n] z[n] + add[n]."""

    def march(start: Array) -> Array:
        z = np.empty_like(add)
        z[..., 0] = start
        for n in range(add.shape[-1] - 1):
            z[..., n + 1] = keep[..., n] * z[..., n] + add[..., n]
        return z

    from_rest = march(np.zeros(add.shape[:-1]))
    after_a_cycle = keep[..., -1] * from_rest[..., -1] + add[..., -1]
    kept = np.prod(keep, axis=-1)
    forgets = kept < 1.0 - 1e-12
    return march(np.where(forgets, after_a_cycle / np.where(forgets, 1.0 - kept, 1.0), 0.0))


def lagged_downwash(
    q: Array, q_rate: Array, travel_rate: Array, step: float, terms: list[tuple[float, float]]
) -> Array:
    """Downwash less the part that the shed wake still takes from it."""
    whole, half = distances(travel_rate, step)
    before, start, end, after = neighbours(q_rate)
    middle = (-before + 9.0 * start + 9.0 * end - after) / 16.0
    lagged = q.copy()
    for amplitude, rate in terms:
        keep = np.exp(-rate * whole)
        simpson = keep * start + 4.0 * np.exp(-rate * half) * middle + end
        lagged -= periodic(keep, amplitude * step / 6.0 * simpson)
    return lagged


def lagged_attachment(steady: Array, travel_rate: Array, step: float) -> Array:
    """Attached length that follows its steady value in convected distance."""
    whole, _ = distances(travel_rate, step)
    keep = np.exp(-whole / STALL_LAG_SEMICHORDS)
    _, start, end, _ = neighbours(steady)
    return periodic(keep, (1.0 - keep) * (start + end) / 2.0)
