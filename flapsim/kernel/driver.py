"""The strip kernel's one way in: a batch of designs, block by block."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flapsim.kernel import layout as at
from flapsim.kernel.batch import Batch, Disturbance, Solution
from flapsim.kernel.block import new_block
from flapsim.kernel.circulation import circulation_local
from flapsim.kernel.compiled import compiled
from flapsim.kernel.elementary import sine_cosine
from flapsim.kernel.flow import (
    evaluate_schedules,
    hold_wake,
    release_wake,
    segment_motion,
    separation_lag,
    strip_flow,
    wake_lag,
)
from flapsim.kernel.lanes import LANES, put, row
from flapsim.kernel.lifting_line import circulation_coupled
from flapsim.kernel.loads import half_wing_series, strip_inertia, strip_loads
from flapsim.kernel.section import REYNOLDS_FLOOR, SEPARATION_LAG, TABLE, friction_coefficient

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
    """Numbers of a design that follow from others and are the same all through the stroke."""
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
def _strip_reynolds(flow, parameter, constant, friction, verdict, strip, slot, steps):
    """Reynolds number of a strip from its rms speed, kept where its friction will be."""
    total = 0.0 * row(constant, at.CONST_VISCOSITY)
    for n in range(steps):
        rate = row(flow, (slot * steps + n) * at.FLOW_ROWS + at.FLOW_SEMICHORDS)
        total += rate * rate
    p = strip * at.PAR_ROWS
    chord = row(parameter, p + at.PAR_CHORD)
    speed = 0.5 * chord * math.sqrt(total / steps)
    reynolds = chord * speed / row(constant, at.CONST_VISCOSITY)
    put(verdict, at.BLOCK_REYNOLDS, min(row(verdict, at.BLOCK_REYNOLDS), reynolds))
    put(friction, strip, reynolds)


@compiled
def _strip_friction(friction, parameter, strip, kind):
    """Friction coefficient of a strip in the place of its Reynolds number."""
    for lane in range(LANES):
        factor = parameter[(strip * at.PAR_ROWS + at.PAR_FRICTION) * LANES + lane]
        friction[strip * LANES + lane] = friction_coefficient(
            kind, factor, friction[strip * LANES + lane]
        )


@compiled
def _strip_tables(table_first, table_blend, reynolds, log_reynolds, strip, first, count):
    """The section table below each lane's Reynolds number, and the weight of the one after it."""
    for lane in range(strip * LANES, (strip + 1) * LANES):
        x = math.log(max(reynolds[lane], REYNOLDS_FLOOR))
        i = first
        while i < first + count - 2 and x > log_reynolds[i + 1]:
            i += 1
        table_first[lane], table_blend[lane] = i, 0.0
        if count > 1:
            low, high = log_reynolds[i], log_reynolds[i + 1]
            table_blend[lane] = min(max((x - low) / (high - low), 0.0), 1.0)


@compiled
def _strip_air(block, batch, strip, slot, kicked):
    """What a strip meets through the stroke, the lag of its shed wake included."""
    segment, steps = batch.segment[strip], batch.steps
    reference = 0.75 if batch.apparent_mass else 0.25
    flow, parameter, constant = block.flow, block.parameter, block.constant
    strip_flow(flow, block.motion, parameter, constant, segment, strip, slot, reference, steps)
    friction = block.friction
    _strip_reynolds(flow, parameter, constant, friction, block.verdict, strip, slot, steps)
    if batch.law[strip] == TABLE:
        first, count = batch.table_range[strip]
        _strip_tables(
            block.table_first,
            block.table_blend,
            friction,
            batch.log_reynolds,
            strip,
            first,
            count,
        )
    _strip_friction(friction, parameter, strip, batch.friction[strip])
    wake_lag(flow, constant, batch.poles, slot, steps)
    if kicked:
        hold_wake(flow, slot, steps)
        motion = block.disturbed
        strip_flow(flow, motion, parameter, constant, segment, strip, slot, reference, steps)
        release_wake(flow, block.wake_kick, strip, slot, steps)


@compiled
def _strip_circulation(block, batch, strip, slot):
    """Effective downwash of one strip on its own."""
    apparent, steps = 1.0 if batch.apparent_mass else 0.0, batch.steps
    for stage in range(2 if batch.lagged_stall else 1):
        if stage == 1:
            separation_lag(block.flow, block.constant, SEPARATION_LAG, slot, steps)
        circulation_local(
            block.flow,
            block.parameter,
            block.constant,
            block.verdict,
            block.queue,
            block.places,
            strip,
            slot,
            batch.law[strip],
            (apparent, stage == 1, steps),
            (batch.tables, block.table_first, block.table_blend),
        )


@compiled
def _line_circulation(block, batch):
    """Effective downwash of all strips of a lifting line."""
    apparent, steps = 1.0 if batch.apparent_mass else 0.0, batch.steps
    for stage in range(2 if batch.lagged_stall else 1):
        if stage == 1:
            for j in range(batch.law.size):
                separation_lag(block.flow, block.constant, SEPARATION_LAG, j, steps)
        circulation_coupled(
            block.flow,
            block.parameter,
            block.fit,
            block.downwash,
            block.line,
            block.modes,
            block.queue,
            block.places,
            batch.damping,
            block.verdict,
            batch.law,
            (apparent, stage == 1, steps),
            (batch.tables, block.table_first, block.table_blend),
        )


@compiled
def _strip_result(block, batch, strip, slot, inertia, fields, begin):
    """Loads of a strip whose circulation is known."""
    keep = fields.shape[0] > 0
    segment, steps = batch.segment[strip], batch.steps
    apparent = 1.0 if batch.apparent_mass else 0.0
    flow, sums, parameter, constant = block.flow, block.sums, block.parameter, block.constant
    strip_loads(
        flow,
        sums,
        parameter,
        constant,
        block.friction,
        block.verdict,
        segment,
        strip,
        slot,
        batch.law[strip],
        (apparent, batch.lagged_stall, keep, steps),
        (batch.tables, block.table_first, block.table_blend),
    )
    if inertia:
        strip_inertia(flow, block.motion, sums, parameter, constant, segment, strip, slot, steps)
    if keep:
        apparent *= 0.0 if batch.law[strip] == TABLE else 1.0
        _keep_fields(fields, flow, parameter, strip, slot, apparent, begin)


@compiled
def _keep_fields(fields, flow, parameter, strip, slot, apparent, begin):
    """Copy one strip of a block to the result, where somebody asked for it."""
    steps = fields.shape[1]
    p = strip * at.PAR_ROWS
    quarter = apparent * 0.25 * row(parameter, p + at.PAR_CHORD)
    camber = row(parameter, p + at.PAR_CAMBER)
    kept = np.empty(at.FIELD_ROWS * LANES)
    for n in range(steps):
        f = (slot * steps + n) * at.FLOW_ROWS
        u, spin = row(flow, f + at.FLOW_U), row(flow, f + at.FLOW_SPIN)
        q_c = row(flow, f + at.FLOW_Q_CIRCULATION)
        normal, aft = row(flow, f + at.FLOW_NORMAL), row(flow, f + at.FLOW_AFT)
        moment = row(flow, f + at.FLOW_MOMENT)
        put(kept, at.FIELD_U, u)
        put(kept, at.FIELD_W, q_c - camber * u - quarter * spin)
        put(kept, at.FIELD_INDUCED, row(flow, f + at.FLOW_Q_LAGGED) - q_c)
        put(kept, at.FIELD_ATTACHED, row(flow, f + at.FLOW_ATTACHED))
        put(kept, at.FIELD_CIRCULATION, row(flow, f + at.FLOW_CIRCULATION))
        put(kept, at.FIELD_NORMAL, normal)
        put(kept, at.FIELD_AFT, aft)
        put(kept, at.FIELD_MOMENT, moment)
        put(kept, at.FIELD_SIN, row(flow, f + at.FLOW_SIN))
        put(kept, at.FIELD_COS, row(flow, f + at.FLOW_COS))
        put(kept, at.FIELD_LOSS, normal * row(flow, f + at.FLOW_W) + aft * u - moment * spin)
        put(kept, at.FIELD_DOWNWASH, row(flow, f + at.FLOW_Q))
        put(kept, at.FIELD_SEMICHORDS, row(flow, f + at.FLOW_SEMICHORDS))
        _hand_over(fields[strip, n], kept, 0, begin)


@compiled
def _hand_over(result, rows, first_row, begin):
    """Copy rows of a block to a result of shape (rows, designs)."""
    for i in range(result.shape[0]):
        for lane in range(min(LANES, result.shape[1] - begin)):
            result[i, begin + lane] = rows[(first_row + i) * LANES + lane]


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


@compiled
def _solve_block(block, batch, harmonics, phases, inertia, kicked, fields, begin):
    """Solve the designs of a block; the half wing's series is left in its rows."""
    steps, strips = batch.steps, batch.law.size
    put(block.verdict, at.BLOCK_INCIDENCE_U, 1.0)
    put(block.verdict, at.BLOCK_INCIDENCE_SPEED, 1.0)
    put(block.verdict, at.BLOCK_UNSETTLED, 0.0)
    put(block.verdict, at.BLOCK_REYNOLDS, math.inf)
    block.sums[:] = 0.0
    segments = batch.segment[strips - 1] + 1
    evaluate_schedules(block.hinge, block.schedule, harmonics, phases, block.constant, steps)
    for segment in range(segments):
        segment_motion(block.motion, block.hinge, block.constant, segment, steps)
    if kicked:
        _kick_motion(block, steps)
    # Each strip goes all the way at once and its rows stay in the cache, unless a lifting line
    # couples them: then all must know their downwash before any knows its circulation.
    coupled = batch.induced == at.INDUCED_LIFTING_LINE
    for j in range(strips):
        slot = j if coupled else 0
        _strip_air(block, batch, j, slot, kicked)
        if not coupled:
            _strip_circulation(block, batch, j, slot)
            _strip_result(block, batch, j, slot, inertia, fields, begin)
    if coupled:
        _line_circulation(block, batch)
        for j in range(strips):
            _strip_result(block, batch, j, j, inertia, fields, begin)
    half_wing_series(block.series, block.sums, block.hinge, block.constant, segments, steps)


@compiled
def _solve_blocks(
    first_block,
    last_block,
    block,
    batch,
    harmonics,
    phases,
    inertia,
    kicked,
    kicks,
    wake_kicks,
    solution,
):
    """Solve the designs of some blocks, one after another in the same memory."""
    steps = batch.steps
    mean, low, high, verdict, series, fields = solution
    for begin in range(first_block * LANES, last_block * LANES, LANES):
        _load_designs(block, batch, harmonics, begin)
        if kicked:
            _load(block.kick, 0, kicks, begin)
            _load(block.wake_kick, 0, wake_kicks, begin)
        _solve_block(block, batch, harmonics, phases, inertia, kicked, fields, begin)
        _summarise(block.series, block.summary, steps)
        _hand_over(mean, block.summary, 0, begin)
        _hand_over(low, block.summary, at.SERIES_ROWS, begin)
        _hand_over(high, block.summary, 2 * at.SERIES_ROWS, begin)
        for n in range(series.shape[0]):
            _hand_over(series[n], block.series, n * at.SERIES_ROWS, begin)
        for lane in range(min(LANES, mean.shape[1] - begin)):
            u = block.verdict[at.BLOCK_INCIDENCE_U * LANES + lane]
            speed = block.verdict[at.BLOCK_INCIDENCE_SPEED * LANES + lane]
            verdict[at.VERDICT_COS_INCIDENCE, begin + lane] = u / (speed + 1e-300)
            verdict[at.VERDICT_UNCONVERGED, begin + lane] = block.verdict[
                at.BLOCK_UNSETTLED * LANES + lane
            ]
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
    """Periodic loads and powers of a batch of half wings.

    Parameters
    ----------
    batch : Batch
        The designs.
    series : bool
        Whether to return the stroke step by step.
    fields : bool
        Whether to return every strip at every step.
    inertia : bool
        Whether to compute the rate of the wing's kinetic energy and the torques of its mass.
    disturbance : Disturbance, optional
        Departure from the periodic motion, the same at every instant: the loads are then those
        of a wing that just departed, with the shed wake of the undisturbed motion.
    threads : int
        Threads to work on; results do not depend on it.

    Returns
    -------
    Solution
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
    modes, phases = batch.damping.size, _phases(steps, half)

    def work(pieces: Iterator[tuple[int, int]]) -> None:
        # Fresh memory costs as much as some blocks do: a thread keeps its own.
        block = new_block(strips, steps, batch.schedule.shape[1], modes, slots, kicked)
        for first, last in pieces:
            _solve_blocks(
                first,
                last,
                block,
                batch,
                harmonics,
                phases,
                inertia,
                kicked,
                kicks,
                wake_kicks,
                solution,
            )

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
