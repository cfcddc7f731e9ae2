"""What goes into the strip kernel and what comes out, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Integers = NDArray[np.int64]


class Batch(NamedTuple):
    """Half wings as numbers; the last axis counts the designs (B).

    All designs of a batch share what is not a number: options, section laws, strip count.

    Attributes
    ----------
    constant : ndarray, shape (CONST_ROWS, B)
        Numbers of each design, SI and rad.
    parameter : ndarray, shape (n_strips, PAR_ROWS, B)
        Numbers of each strip.
    schedule : ndarray, shape (8, 2 H + 1, B)
        Fourier coefficients of the schedules, rad and m.
    segment, law, friction : ndarray of int, shape (n_strips,)
        Segment, section law and friction law of each strip.
    fit : ndarray, shape (modes, n_strips, B)
        Lifting-line fit (empty first axis without a lifting line).
    downwash : ndarray, shape (n_strips, modes, B)
        Lifting-line downwash.
    damping : ndarray, shape (modes,)
        Filter on the stall deficit.
    tables : ndarray, shape (k, 6, n)
        Section tables of all Reynolds numbers of all table laws.
    log_reynolds : ndarray, shape (k,)
        Their Reynolds numbers.
    table_range : ndarray of int, shape (n_strips, 2)
        First table and number of tables of each strip.
    induced : int
        INDUCED_NONE, INDUCED_SLOPE or INDUCED_LIFTING_LINE.
    poles : int
        Exponentials of the shed wake's lag; 0 is quasi-steady.
    lagged_stall, apparent_mass : bool
        Options.
    steps : int
        Steps per stroke.
    """

    constant: Array
    parameter: Array
    schedule: Array
    segment: Integers
    law: Integers
    friction: Integers
    fit: Array
    downwash: Array
    damping: Array
    tables: Array
    log_reynolds: Array
    table_range: Integers
    induced: int
    poles: int
    lagged_stall: bool
    apparent_mass: bool
    steps: int


class Options(NamedTuple):
    """What a pass over a strip needs to know besides numbers.

    Attributes
    ----------
    apparent : float
        1 with the apparent-mass package, 0 without.
    lags : bool
        Whether the attached length lags: it is then given, else it follows from the incidence.
    keep : bool
        Whether to leave the loads of a strip in its rows of ``flow``.
    steps : int
        Steps per stroke.
    """

    apparent: float
    lags: bool
    keep: bool
    steps: int


class Strip(NamedTuple):
    """Which strip: its number, its place in ``flow``, its segment and its section law."""

    number: int
    slot: int
    segment: int
    law: int


class Lookup(NamedTuple):
    """Section tables of all strips; for each, the one below its Reynolds number and the blend.

    Attributes
    ----------
    values : ndarray, shape (k, TABLE_COLUMNS, n)
        All tables.
    first : ndarray of int
        Table below the Reynolds number of each strip and lane.
    blend : ndarray
        Weight of the table after it.
    """

    values: Array
    first: Integers
    blend: Array


class Disturbance(NamedTuple):
    """Departure of half wings from their periodic motion, the same at every instant.

    Attributes
    ----------
    twist : ndarray, shape (KICK_ROWS, B)
        For the inner, then the outer segment: twist of the root and twist from root to tip, rad;
        the rates of both, rad/s; the accelerations of both, rad/s2.
    wake : ndarray, shape (n_strips, B)
        What the shed wake takes from the downwash of each strip, m/s.
    """

    twist: Array
    wake: Array


class Solution(NamedTuple):
    """Half wings through the stroke.

    Attributes
    ----------
    mean, low, high : ndarray, shape (SERIES_ROWS, B)
        Mean, least and greatest value over the stroke of every row of the series.
    verdict : ndarray, shape (VERDICT_ROWS, B)
        Cosine of the largest incidence, instants without a converged induced velocity, least
        Reynolds number of any strip.
    series : ndarray, shape (steps, SERIES_ROWS, B), or (0, SERIES_ROWS, B)
        The stroke itself where it was asked for.
    fields : ndarray, shape (n_strips, steps, FIELD_ROWS, B), or (0, 0, FIELD_ROWS, B)
        The strips through the stroke where they were asked for.
    """

    mean: Array
    low: Array
    high: Array
    verdict: Array
    series: Array
    fields: Array


def stack(batches: Sequence[Batch]) -> Batch:
    """Join batches that share everything that is not a number.

    Parameters
    ----------
    batches : sequence of Batch
        At least one.

    Raises
    ------
    ValueError
        If the batches differ in an option, a section law, a table or the number of strips.
    """
    first = batches[0]
    numbers = ("constant", "parameter", "schedule", "fit", "downwash")
    for other in batches[1:]:
        for name in Batch._fields:
            if name not in numbers and not np.array_equal(
                getattr(first, name), getattr(other, name)
            ):
                raise ValueError(f"designs of one batch must share {name}")
    return first._replace(
        constant=np.concatenate([batch.constant for batch in batches], axis=-1),
        parameter=np.concatenate([batch.parameter for batch in batches], axis=-1),
        schedule=np.concatenate([batch.schedule for batch in batches], axis=-1),
        fit=np.concatenate([batch.fit for batch in batches], axis=-1),
        downwash=np.concatenate([batch.downwash for batch in batches], axis=-1),
    )


def repeated(batch: Batch, count: int) -> Batch:
    """Every design of a batch several times over, one after another.

    Parameters
    ----------
    count : int
        How often.
    """
    return batch._replace(
        constant=np.repeat(batch.constant, count, axis=-1),
        parameter=np.repeat(batch.parameter, count, axis=-1),
        schedule=np.repeat(batch.schedule, count, axis=-1),
        fit=np.repeat(batch.fit, count, axis=-1),
        downwash=np.repeat(batch.downwash, count, axis=-1),
    )


def pick(batch: Batch, designs: Integers) -> Batch:
    """Some designs of a batch, as a batch of their own.

    Parameters
    ----------
    designs : ndarray of int, shape (k,)
        Which of them.
    """
    return batch._replace(
        constant=np.ascontiguousarray(batch.constant[..., designs]),
        parameter=np.ascontiguousarray(batch.parameter[..., designs]),
        schedule=np.ascontiguousarray(batch.schedule[..., designs]),
        fit=np.ascontiguousarray(batch.fit[..., designs]),
        downwash=np.ascontiguousarray(batch.downwash[..., designs]),
    )
