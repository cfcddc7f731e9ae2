"""What goes into the strip kernel and what comes out, as arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Integers = NDArray[np.int64]


class Batch(NamedTuple):
    """Half wings as numbers; the last axis counts the designs (B).

    All designs of a batch share what is not a number: options, section laws, strip count.
    """

    constant: Array  # (CONST_ROWS, B): numbers of each design, SI and rad
    parameter: Array  # (n_strips, PAR_ROWS, B): numbers of each strip
    schedule: Array  # (8, 2 H + 1, B): Fourier coefficients of the schedules, rad and m
    # segment, law, friction, (n_strips,): segment, section law and friction law of each strip
    segment: Integers
    law: Integers
    friction: Integers
    fit: Array  # (modes, n_strips, B): lifting-line fit (empty first axis without a lifting line)
    downwash: Array  # (n_strips, modes, B): lifting-line downwash
    damping: Array  # (modes,): filter on the stall deficit
    tables: Array  # (k, 6, n): section tables of all Reynolds numbers of all table laws
    log_reynolds: Array  # (k,): their Reynolds numbers
    table_range: Integers  # (n_strips, 2): first table and number of tables of each strip
    induced: int  # INDUCED_NONE, INDUCED_SLOPE or INDUCED_LIFTING_LINE
    poles: int  # Exponentials of the shed wake's lag; 0 is quasi-steady
    # lagged_stall, apparent_mass: options
    lagged_stall: bool
    apparent_mass: bool
    steps: int  # Steps per stroke


class Options(NamedTuple):
    """What a pass over a strip needs to know besides numbers."""

    apparent: float  # 1 with the apparent-mass package, 0 without
    # Whether the attached length lags: it is then given, else it follows from the incidence
    lags: bool
    keep: bool  # Whether to leave the loads of a strip in its rows of ``flow``
    steps: int  # Steps per stroke


class Strip(NamedTuple):
    """Which strip: its number, its place in ``flow``, its segment and its section law."""

    number: int
    slot: int
    segment: int
    law: int


class Lookup(NamedTuple):
    """Section tables of all strips; for each, the one below its Reynolds number and the blend."""

    values: Array  # (k, TABLE_COLUMNS, n): all tables
    first: Integers  # Table below the Reynolds number of each strip and lane
    blend: Array  # Weight of the table after it


class Disturbance(NamedTuple):
    """Departure of half wings from their periodic motion, the same at every instant."""

    # (KICK_ROWS, B): for the inner, then the outer segment: twist of the root and twist from root
    # to tip, rad; the rates of both, rad/s; the accelerations of both, rad/s2
    twist: Array
    wake: Array  # (n_strips, B): what the shed wake takes from the downwash of each strip, m/s


class Solution(NamedTuple):
    """Half wings through the stroke."""

    # mean, low, high, (SERIES_ROWS, B): mean, least and greatest value over the stroke of every row
    # of the series
    mean: Array
    low: Array
    high: Array
    # (VERDICT_ROWS, B): cosine of the largest incidence, instants without a converged induced
    # velocity, least Reynolds number of any strip
    verdict: Array
    # (steps, SERIES_ROWS, B), or (0, SERIES_ROWS, B): the stroke itself, if requested
    series: Array
    # (n_strips, steps, FIELD_ROWS, B), or (0, 0, FIELD_ROWS, B): the strips, if requested
    fields: Array


_NUMBERS = ("constant", "parameter", "schedule", "fit", "downwash")


def _each(batch: Batch, change: Callable[[Array], Array]) -> Batch:
    """Apply a change to every array that has an axis of designs."""
    changed: dict[str, Any] = {name: change(getattr(batch, name)) for name in _NUMBERS}
    return batch._replace(**changed)


def stack(batches: Sequence[Batch]) -> Batch:
    """Join batches, at least one, that share everything that is not a number.

    Raises ValueError if they differ in an option, a section law, a table or the number of strips.
    """
    first = batches[0]
    for other in batches[1:]:
        for name in set(Batch._fields) - set(_NUMBERS):
            if not np.array_equal(getattr(first, name), getattr(other, name)):
                raise ValueError(f"designs of one batch must share {name}")
    joined: dict[str, Any] = {
        name: np.concatenate([getattr(batch, name) for batch in batches], axis=-1)
        for name in _NUMBERS
    }
    return first._replace(**joined)


def repeated(batch: Batch, count: int) -> Batch:
    """Every design of a batch ``count`` times, one after another."""
    return _each(batch, lambda values: np.repeat(values, count, axis=-1))


def pick(batch: Batch, designs: Integers) -> Batch:
    """Some designs of a batch, as a batch of their own; ``designs``, shape (k,): their places."""
    return _each(batch, lambda values: np.ascontiguousarray(values[..., designs]))
