"""Trim the points of a chunk, each begun from the answer of a neighbour.

Answers: in which state does each point fly? A neighbour's answer halves the work, but may lead onto
a branch on which the wing stalls and flies at several times the power; where the answer looks like
it, the point is trimmed as if it stood alone and the more frugal answer counts.
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

__all__ = ["TILE", "refusal", "trim_points"]

TILE: Final = 16
"""Points that are trimmed from the answer of one among them; chunks are whole numbers of tiles."""

MOST_STALL: Final = 0.02
MOST_POWER: Final = 1.25
"""By how much more of wing and stroke may stall, and how many times the power may be taken, than at
the neighbour, before an answer is doubted. In 512 points of the planform study, wrong branches
stalled by 28 % and more and took 2.6 times the power or more."""

_GAIN: Final = 1e-6
"""Part of the power by which another answer must be better: less is the same state, found twice."""


def trim_points(
    case: Case, places: NDArray[np.int64], columns: dict[str, NDArray[Any]], trim: TrimPlan
) -> TrimBatch:
    """Trim points of a sweep.

    Parameters
    ----------
    case : Case
        What the points share.
    places : ndarray of int, shape (n,)
        Places of the points in the sweep, rising: points of one tile help each other.
    columns : dict of str to ndarray, shape (n,)
        Varied keys.
    trim : TrimPlan
        What is free and what is held.

    Returns
    -------
    TrimBatch
        The answer of a point depends on its tile, not on the chunk.
    """
    _, first, of, count = np.unique(
        places // TILE, return_index=True, return_inverse=True, return_counts=True
    )
    anchors = _trimmed(case, columns, trim, first + count // 2)
    led, alone = (np.flatnonzero(anchors.trimmed[of] == led) for led in (True, False))
    parts: list[_Part] = []
    if alone.size:
        parts.append((alone, _trimmed(case, columns, trim, alone), np.arange(alone.size)))
    if led.size:
        start = {key: values[of[led]] for key, values in anchors.solution.items()}
        answer = _trimmed(case, columns, trim, led, start)
        parts.append((led, answer, np.arange(led.size)))
        doubted = np.flatnonzero(answer.trimmed & _strange(answer, anchors, of[led]))
        if doubted.size:
            again = _trimmed(case, columns, trim, led[doubted])
            better = np.flatnonzero(_more_frugal(again, answer, doubted))
            parts.append((led[doubted[better]], again, better))
    return _joined(places.size, parts)


def refusal(answer: TrimBatch, index: int) -> str:
    """Say why a point cannot be trimmed, without numbers: like points share a sentence.

    Parameters
    ----------
    answer : TrimBatch
        As from `trim_points`.
    index : int
        Place of the point in it.
    """
    if answer.status[index] == TrimStatus.WILD:
        return "only a wild state balances: stalled, wasteful, or at the end of its range"
    if answer.status[index] == TrimStatus.NO_BALANCE:
        worst = max(answer.hold, key=lambda name: abs(float(answer.residual[name][index])))
        return f"{worst} cannot be met: {BALANCES[worst]}"
    return answer.reason(index)


_Part = tuple[NDArray[np.int64], TrimBatch, NDArray[np.int64]]
"""Where answers go, the answers, and which of them."""


def _trimmed(
    case: Case,
    columns: dict[str, NDArray[Any]],
    trim: TrimPlan,
    some: NDArray[np.int64],
    start: dict[str, NDArray[np.float64]] | None = None,
) -> TrimBatch:
    """Trim some of the points, as if each stood alone unless it is told where to start."""
    here = {key: values[some] for key, values in columns.items()}
    return trim_many(case, here, trim.free, trim.hold, start)


def _strange(answer: TrimBatch, anchors: TrimBatch, of: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where an answer stalls or takes far more than that of the neighbour."""
    stall, power = (
        (answer.results[name], anchors.results[name][of])
        for name in ("check.stalled_fraction", "mean.aero_power_w")
    )
    return np.asarray(
        (stall[0] > stall[1] + MOST_STALL)
        | (power[0] > power[1] + (MOST_POWER - 1.0) * np.abs(power[1]))
    )


def _more_frugal(
    again: TrimBatch, answer: TrimBatch, places: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where the second answer takes less power than the first, and not by rounding."""
    power = "mean.aero_power_w"
    before = answer.results[power][places]
    gain = again.results[power] < before - _GAIN * np.abs(before)
    return np.asarray(again.trimmed & gain)


def _joined(size: int, parts: list[_Part]) -> TrimBatch:
    """Put answers in their places; of two for a point the later counts."""

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
