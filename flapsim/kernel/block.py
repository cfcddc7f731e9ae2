"""The rows of the designs that are being worked on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from flapsim.kernel import layout as at
from flapsim.kernel.batch import Array, Integers
from flapsim.kernel.compiled import compiled
from flapsim.kernel.lanes import LANES

_ALIGNMENT = 8
"""Numbers in a line of the cache: a vector that straddles two costs two reads."""


class Block(NamedTuple):
    """Everything the kernel keeps of a block of designs, as flat arrays of rows of lanes."""

    # constant, parameter, schedule, fit, downwash: numbers of the block's designs, as in `Batch`
    constant: Array
    parameter: Array
    schedule: Array
    fit: Array
    downwash: Array
    # kick, wake_kick: departures from the periodic motion, as in `Disturbance`
    kick: Array
    wake_kick: Array
    # hinge, motion, disturbed, sums, flow, queue, series: see `flapsim.kernel.layout`;
    # ``disturbed`` is the motion with the departures
    hinge: Array
    motion: Array
    disturbed: Array
    sums: Array
    flow: Array
    queue: Array
    # Where in ``flow`` the numbers of the queue belong; instants of a lifting line that wait
    places: Integers
    line: Array  # One instant of a lifting line
    series: Array
    friction: Array  # Friction coefficient of each strip
    table_first: Integers  # Section table below the Reynolds number of each strip
    table_blend: Array  # Weight of the table after it
    # Amplitudes of the lifting line: correction for stall, residual and last residual, one row a
    # mode each, and their scale
    modes: Array
    # Chordwise velocity and speed at the largest incidence, unsettled instants, least Reynolds
    # number
    verdict: Array
    summary: Array  # Mean, least and greatest value of every row of the series


@compiled
def _rows(count):
    """Flat array of rows, beginning on a line of the cache."""
    wide = np.zeros(count * LANES + _ALIGNMENT)
    skip = (-(wide.ctypes.data // 8)) % _ALIGNMENT
    return wide[skip : skip + count * LANES]


@compiled
def new_block(strips, steps, coefficients, modes, slots, kicked):
    """Rows for a block of designs.

    ``strips``, ``steps``, ``coefficients``, ``modes``: strips, steps, Fourier coefficients of a
    schedule and modes of the lifting line; ``slots``: strips that are kept through the stroke at
    once; ``kicked``: whether the motion is disturbed.
    """
    return Block(
        _rows(at.CONST_ROWS),
        _rows(strips * at.PAR_ROWS),
        _rows(at.SCHEDULES * coefficients),
        _rows(modes * strips),
        _rows(modes * strips),
        _rows(at.KICK_ROWS),
        _rows(strips),
        _rows(steps * at.HINGE_ROWS),
        _rows(2 * steps * at.SEG_ROWS),
        _rows(2 * steps * at.SEG_ROWS if kicked else 0),
        _rows(2 * steps * at.SUM_ROWS),
        _rows(slots * steps * at.FLOW_ROWS),
        _rows(steps * at.QUEUE_ROWS),
        np.zeros((steps + 1) * LANES, np.int64),
        _rows(strips * at.LINE_ROWS),
        _rows(steps * at.SERIES_ROWS),
        _rows(strips),
        np.zeros(strips * LANES, np.int64),
        _rows(strips),
        _rows(4 * modes),
        _rows(at.BLOCK_VERDICT_ROWS),
        _rows(3 * at.SERIES_ROWS),
    )
