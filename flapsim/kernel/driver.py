"""Solve a batch of designs, block by block: the entry to the compiled kernel."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.kernel import layout as at
from flapsim.kernel.batch import Batch, Disturbance, Lookup, Options, Solution, Strip
from flapsim.kernel.block import new_block
from flapsim.kernel.compiled import compiled
from flapsim.kernel.elementary import sine_cosine
from flapsim.kernel.flow import evaluate_schedules, segment_motion
from flapsim.kernel.lanes import LANES, put, row
from flapsim.kernel.loads import half_wing_series
from flapsim.kernel.strip import (
    hand_over,
    line_circulation,
    strip_air,
    strip_circulation,
    strip_result,
)

Array = NDArray[np.float64]


@lru_cache(maxsize=64)
def _phases(steps: int, harmonics: int) -> Array:
    """Cosine and sine of every harmonic at every step, shared by all lanes."""
    tau = 2.0 * np.pi * np.outer(np.arange(steps), np.arange(harmonics + 1)) / steps
    return np.stack([np.cos(tau), np.sin(tau)], axis=-1)


@compiled
def _load(target, first_row, source, begin):
    """Copy a block's lanes of ``source[row, design]``; the last design fills up the block."""
    rows, designs = source.shape
    for i in range(rows):
        o = (first_row + i) * LANES
        if begin + LANES <= designs:
            for lane in range(LANES):
                target[o + lane] = source[i, begin + lane]
        else:
            for lane in range(LANES):
                target[o + lane] = source[i, min(begin + lane, designs - 1)]


@compiled
def _load_designs(block, batch, harmonics, begin):
    """Copy the numbers of a block's designs, of schedules only the harmonics in use."""
    _load(block.constant, 0, batch.constant, begin)
    _derive(block.constant, batch.induced == at.INDUCED_SLOPE)
    strips, count = batch.law.size, batch.damping.size
    coefficients = batch.schedule.shape[1]
    half = (coefficients - 1) // 2
    for j in range(strips):
        _load(block.parameter, j * at.PAR_ROWS, batch.parameter[j], begin)
    for which in range(at.SCHEDULES):
        first, used = which * coefficients, harmonics[which]
        _load(block.schedule, first, batch.schedule[which, : used + 1], begin)
        sines = batch.schedule[which, half + 1 : half + 1 + used]
        _load(block.schedule, first + half + 1, sines, begin)
    for m in range(count):
        _load(block.fit, m * strips, batch.fit[m], begin)
        for j in range(strips):
            _load(block.downwash, j * count + m, batch.downwash[j, m : m + 1], begin)


@compiled
def _derive(constant, induces):
    """Numbers of a design that follow from others and do not change through the stroke."""
    air, tilt = row(constant, at.CONST_AIR_ANGLE), row(constant, at.CONST_TILT)
    sine, cosine = sine_cosine(air)
    put(constant, at.CONST_SIN_AIR, sine)
    put(constant, at.CONST_COS_AIR, cosine)
    sine, cosine = sine_cosine(tilt)
    put(constant, at.CONST_SIN_TILT, sine)
    put(constant, at.CONST_COS_TILT, cosine)
    # The vertical leans back from the flight path's normal by the climb.
    sine, cosine = sine_cosine(air + row(constant, at.CONST_CLIMB))
    put(constant, at.CONST_SIN_UP, sine)
    put(constant, at.CONST_COS_UP, cosine)
    # Induced angle of an elliptic wing, as downwash over circulation/(pi c).
    gain = (2.0 if induces else 0.0) / row(constant, at.CONST_ASPECT_RATIO)
    put(constant, at.CONST_INDUCED_GAIN, gain)


@compiled
def _kick_motion(block, steps):
    """Add constant departures to twist, its rate and its acceleration, at root and along."""
    for i in range(block.motion.size):
        block.disturbed[i] = block.motion[i]
    for segment in range(2):
        for i in range(at.KICK_ROWS // 2):
            kick = row(block.kick, segment * (at.KICK_ROWS // 2) + i)
            for n in range(steps):
                t = (segment * steps + n) * at.SEG_ROWS + at.SEG_TWIST_ROOT + i
                put(block.disturbed, t, row(block.disturbed, t) + kick)


@compiled
def _summarise(series, summary, steps):
    """Mean, least and greatest value of every row of the series."""
    for i in range(at.SERIES_ROWS):
        total = 0.0 * row(series, i)
        least, most = total + math.inf, total - math.inf
        for n in range(steps):
            x = row(series, n * at.SERIES_ROWS + i)
            total += x
            least, most = min(least, x), max(most, x)
        put(summary, i, total / steps)
        put(summary, at.SERIES_ROWS + i, least)
        put(summary, 2 * at.SERIES_ROWS + i, most)


class _Request(NamedTuple):
    """Options of a call of `solve`, for the compiled loop."""

    harmonics: NDArray[np.int64]  # (SCHEDULES,): highest harmonic in use of each schedule
    phases: Array  # (steps, H + 1, 2): cosine and sine of each harmonic at each step
    # inertia, kicked: whether to compute the inertia of the wing; whether its motion is disturbed
    inertia: bool
    kicked: bool
    # kicks, wake_kicks: the disturbance, as in `Disturbance`
    kicks: Array
    wake_kicks: Array


@compiled
def _solve_block(block, batch, request, fields, begin):
    """Solve the designs of a block; the half wing's series is left in its rows."""
    steps, strips, lagged = batch.steps, batch.law.size, batch.lagged_stall
    put(block.verdict, at.BLOCK_INCIDENCE_U, 1.0)
    put(block.verdict, at.BLOCK_INCIDENCE_SPEED, 1.0)
    put(block.verdict, at.BLOCK_UNSETTLED, 0.0)
    put(block.verdict, at.BLOCK_REYNOLDS, math.inf)
    block.sums[:] = 0.0
    segments = batch.segment[strips - 1] + 1
    evaluate_schedules(
        block.hinge, block.schedule, request.harmonics, request.phases, block.constant, steps
    )
    for segment in range(segments):
        segment_motion(block.motion, block.hinge, block.constant, segment, steps)
    if request.kicked:
        _kick_motion(block, steps)
    # Each strip is taken through all passes at once, so that its rows stay in the cache, unless a
    # lifting line couples the strips: then all need their downwash before any has a circulation.
    coupled = batch.induced == at.INDUCED_LIFTING_LINE
    # With lagged stall the circulation is solved twice: once for the steady attached length, which
    # the lag needs, and once with the lagged one.
    apparent, keep = 1.0 if batch.apparent_mass else 0.0, fields.shape[0] > 0
    steady = Options(apparent, False, keep, steps)
    final = Options(apparent, lagged, keep, steps)
    lookup = Lookup(batch.tables, block.table_first, block.table_blend)
    for j in range(strips):
        strip = Strip(j, j if coupled else 0, batch.segment[j], batch.law[j])
        strip_air(block, batch, strip, steady, request.kicked)
        if not coupled:
            for stage in range(2 if lagged else 1):
                options = Options(apparent, stage == 1, keep, steps)
                strip_circulation(block, strip, options, lookup)
            strip_result(block, strip, final, lookup, request.inertia, fields, begin)
    if coupled:
        for stage in range(2 if lagged else 1):
            line_circulation(block, batch, Options(apparent, stage == 1, keep, steps), lookup)
        for j in range(strips):
            strip = Strip(j, j, batch.segment[j], batch.law[j])
            strip_result(block, strip, final, lookup, request.inertia, fields, begin)
    half_wing_series(block.series, block.sums, block.hinge, block.constant, segments, steps)


@compiled
def _solve_blocks(first_block, last_block, block, batch, request, solution):
    """Solve the designs of some blocks, one after another in the same memory."""
    steps = batch.steps
    mean, low, high, verdict, series, fields = solution
    for begin in range(first_block * LANES, last_block * LANES, LANES):
        _load_designs(block, batch, request.harmonics, begin)
        if request.kicked:
            _load(block.kick, 0, request.kicks, begin)
            _load(block.wake_kick, 0, request.wake_kicks, begin)
        _solve_block(block, batch, request, fields, begin)
        _summarise(block.series, block.summary, steps)
        hand_over(mean, block.summary, 0, begin)
        hand_over(low, block.summary, at.SERIES_ROWS, begin)
        hand_over(high, block.summary, 2 * at.SERIES_ROWS, begin)
        for n in range(series.shape[0]):
            hand_over(series[n], block.series, n * at.SERIES_ROWS, begin)
        for lane in range(min(LANES, mean.shape[1] - begin)):
            u = block.verdict[at.BLOCK_INCIDENCE_U * LANES + lane]
            speed = block.verdict[at.BLOCK_INCIDENCE_SPEED * LANES + lane]
            verdict[at.VERDICT_COS_INCIDENCE, begin + lane] = u / (speed + 1e-300)
            unsettled = block.verdict[at.BLOCK_UNSETTLED * LANES + lane]
            verdict[at.VERDICT_UNCONVERGED, begin + lane] = unsettled
            verdict[at.VERDICT_REYNOLDS, begin + lane] = block.verdict[
                at.BLOCK_REYNOLDS * LANES + lane
            ]


def _read_only(batch: Batch) -> Batch:
    """The same batch in arrays of one kind, since each kind would be compiled for afresh."""
    values: list[object] = []
    for value in batch:
        if isinstance(value, np.ndarray):
            shown = np.ascontiguousarray(value).view()
            shown.flags.writeable = False
            values.append(shown)
        else:
            values.append(value)
    return Batch._make(values)


def solve(
    batch: Batch,
    *,
    series: bool = False,
    fields: bool = False,
    inertia: bool = True,
    disturbance: Disturbance | None = None,
    threads: int = 1,
) -> Solution:
    """Solve a batch of half wings through the stroke.

    ``series`` returns the stroke step by step, ``fields`` every strip at every step; ``inertia``
    adds the rate of the wing's kinetic energy and the torques of its mass. With a ``disturbance``
    the loads are those of a wing that just departed from its periodic motion, with the shed wake of
    the undisturbed motion. Results do not depend on the number of threads.
    """
    designs = batch.constant.shape[1]
    strips, steps = batch.parameter.shape[0], batch.steps
    half = (batch.schedule.shape[1] - 1) // 2
    used = np.asarray(batch.schedule.any(axis=2))
    order = np.arange(1, half + 1)
    harmonics = np.max(
        order * (used[:, 1 : half + 1] | used[:, half + 1 :]), axis=1, initial=0
    ).astype(np.int64)
    solution = Solution(
        mean=np.empty((at.SERIES_ROWS, designs)),
        low=np.empty((at.SERIES_ROWS, designs)),
        high=np.empty((at.SERIES_ROWS, designs)),
        verdict=np.empty((at.VERDICT_ROWS, designs)),
        series=np.empty((steps if series else 0, at.SERIES_ROWS, designs)),
        fields=np.empty(
            (strips, steps, at.FIELD_ROWS, designs) if fields else (0, 0, at.FIELD_ROWS, 1)
        ),
    )
    blocks = -(-designs // LANES)
    batch = _read_only(batch)
    still = Disturbance(np.zeros((at.KICK_ROWS, 1)), np.zeros((strips, 1)))
    kicks, wake_kicks = disturbance or still

    kicked = disturbance is not None
    slots = strips if batch.induced == at.INDUCED_LIFTING_LINE else 1
    modes = batch.damping.size
    request = _Request(harmonics, _phases(steps, half), inertia, kicked, kicks, wake_kicks)

    def work(pieces: Iterator[tuple[int, int]]) -> None:
        # Fresh memory costs as much as some blocks do: a thread keeps its own.
        block = new_block(strips, steps, batch.schedule.shape[1], modes, slots, kicked)
        for first, last in pieces:
            _solve_blocks(first, last, block, batch, request, solution)

    threads = max(1, min(threads, blocks, os.cpu_count() or 1))
    if threads == 1:
        work(iter([(0, blocks)]))
    else:
        # More pieces than threads, so that a thread with easy designs helps the others; all take
        # from the same list.
        ends = np.unique(np.linspace(0, blocks, 8 * threads + 1).astype(int)).tolist()
        shared = iter(list(pairwise(ends)))
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(work, [shared] * threads))
    return solution
