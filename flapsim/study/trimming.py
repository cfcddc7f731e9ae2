"""Trim the points of a chunk by continuation: each starts from the state of a neighbour.

A warm start halves the work, but may lead past a fold onto another branch, on which the wing stalls
and takes several times the power. Where a result is suspect of that, the point is trimmed again
from a cold start and the result with less power is kept.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.flight.balance import BALANCES
from flapsim.flight.trim import TrimBatch, TrimStatus, trim_many
from flapsim.study.plan import TrimPlan

TILE: Final = 16
"""Points with a warm start from the same neighbour; chunks are whole numbers of tiles."""

MOST_STALL: Final = 0.02
MOST_POWER: Final = 1.25
"""A result beyond these is suspected of another branch: the stalled part may exceed that of the
neighbour, and the power may be a multiple of that of the neighbour, by so much. In 512 points of
the planform study, wrong branches stalled by 28 % and more and took 2.6 times the power or more."""

_GAIN: Final = 1e-6
"""Relative saving of power below which two results are the same state, found twice."""


def trim_points(
    case: Case, places: NDArray[np.int64], columns: dict[str, NDArray[Any]], trim: TrimPlan
) -> TrimBatch:
    """Trim points of a sweep, at increasing places; points of a tile share a warm start.

    The result of a point depends on its tile, not on the chunk.
    """
    _, first, of, count = np.unique(
        places // TILE, return_index=True, return_inverse=True, return_counts=True
    )
    anchors = _trimmed(case, columns, trim, first + count // 2)
    warm, cold = (np.flatnonzero(anchors.trimmed[of] == known) for known in (True, False))
    parts: list[_Part] = []
    if cold.size:
        parts.append((cold, _trimmed(case, columns, trim, cold), np.arange(cold.size)))
    if warm.size:
        start = {key: values[of[warm]] for key, values in anchors.solution.items()}
        answer = _trimmed(case, columns, trim, warm, start)
        parts.append((warm, answer, np.arange(warm.size)))
        suspect = np.flatnonzero(answer.trimmed & _other_branch(answer, anchors, of[warm]))
        if suspect.size:
            again = _trimmed(case, columns, trim, warm[suspect])
            better = np.flatnonzero(_less_power(again, answer, suspect))
            parts.append((warm[suspect[better]], again, better))
    return _joined(places.size, parts)


def refusal(answer: TrimBatch, index: int) -> str:
    """Why a point cannot be trimmed, without numbers, so that points share a message."""
    if answer.status[index] == TrimStatus.IMPLAUSIBLE:
        return "only an extreme state balances: stalled, inefficient, or at the end of its range"
    if answer.status[index] == TrimStatus.NO_BALANCE:
        worst = max(answer.hold, key=lambda name: abs(float(answer.residual[name][index])))
        return f"{worst} cannot be met: {BALANCES[worst]}"
    return answer.reason(index)


_Part = tuple[NDArray[np.int64], TrimBatch, NDArray[np.int64]]
"""Places of points, a batch of results, and which of them belong there."""


def _trimmed(
    case: Case,
    columns: dict[str, NDArray[Any]],
    trim: TrimPlan,
    some: NDArray[np.int64],
    start: dict[str, NDArray[np.float64]] | None = None,
) -> TrimBatch:
    """Trim some of the points, from a cold start unless ``start`` is given."""
    here = {key: values[some] for key, values in columns.items()}
    return trim_many(case, here, trim.free, trim.hold, start)


def _other_branch(
    answer: TrimBatch, anchors: TrimBatch, of: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where a result stalls far more, or takes far more power, than the neighbour's."""
    stall, power = (
        (answer.results[name], anchors.results[name][of])
        for name in ("check.stalled_fraction", "mean.aero_power_w")
    )
    return np.asarray(
        (stall[0] > stall[1] + MOST_STALL)
        | (power[0] > power[1] + (MOST_POWER - 1.0) * np.abs(power[1]))
    )


def _less_power(
    again: TrimBatch, answer: TrimBatch, places: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where the second result takes less power than the first, beyond rounding."""
    power = "mean.aero_power_w"
    before = answer.results[power][places]
    gain = again.results[power] < before - _GAIN * np.abs(before)
    return np.asarray(again.trimmed & gain)


def _joined(size: int, parts: list[_Part]) -> TrimBatch:
    """Join results by point; of two for a point the later one is kept."""

    def spread(name: str) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for into, answer, taken in parts:
            for key, values in getattr(answer, name).items():
                out.setdefault(key, np.full(size, np.nan))[into] = values[taken]
        return out

    status = np.zeros(size, dtype=np.int64)
    evaluations = np.zeros(size, dtype=np.int64)
    for into, answer, taken in parts:
        status[into] = answer.status[taken]
        evaluations[into] += answer.evaluations[taken]
    return dataclasses.replace(
        parts[0][1],
        solution=spread("solution"),
        residual=spread("residual"),
        results=spread("results"),
        status=status,
        evaluations=evaluations,
        calls=sum(answer.calls for _, answer, _ in parts),
    )
