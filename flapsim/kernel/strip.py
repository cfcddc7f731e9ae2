"""The passes over one strip: its flow, its circulation, its loads."""

from __future__ import annotations

import math

import numpy as np

from flapsim.kernel import layout as at
from flapsim.kernel.circulation import circulation_local
from flapsim.kernel.compiled import compiled
from flapsim.kernel.flow import (
    restore_wake,
    separation_lag,
    set_wake_aside,
    strip_flow,
    wake_lag,
)
from flapsim.kernel.lanes import LANES, put, row
from flapsim.kernel.lifting_line import circulation_coupled
from flapsim.kernel.loads import strip_inertia, strip_loads
from flapsim.kernel.section import REYNOLDS_FLOOR, SEPARATION_LAG, TABLE, friction_coefficient


@compiled
def _reynolds(flow, parameter, constant, friction, verdict, strip, steps):
    """Reynolds number of a strip from its rms speed, put where its friction will be."""
    total = 0.0 * row(constant, at.CONST_VISCOSITY)
    for n in range(steps):
        rate = row(flow, (strip.slot * steps + n) * at.FLOW_ROWS + at.FLOW_SEMICHORDS)
        total += rate * rate
    p = strip.number * at.PAR_ROWS
    chord = row(parameter, p + at.PAR_CHORD)
    speed = 0.5 * chord * math.sqrt(total / steps)
    reynolds = chord * speed / row(constant, at.CONST_VISCOSITY)
    put(verdict, at.BLOCK_REYNOLDS, min(row(verdict, at.BLOCK_REYNOLDS), reynolds))
    put(friction, strip.number, reynolds)


@compiled
def _friction(friction, parameter, strip, kind):
    """Replace the Reynolds number of a strip by its friction coefficient."""
    for lane in range(LANES):
        factor = parameter[(strip * at.PAR_ROWS + at.PAR_FRICTION) * LANES + lane]
        friction[strip * LANES + lane] = friction_coefficient(
            kind, factor, friction[strip * LANES + lane]
        )


@compiled
def _tables_around(table_first, table_blend, reynolds, log_reynolds, strip, first, count):
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
def strip_air(block, batch, strip, options, kicked):
    """Flow at a strip through the stroke, including the lag of its shed wake."""
    flow, parameter, constant = block.flow, block.parameter, block.constant
    friction, slot, steps = block.friction, strip.slot, options.steps
    strip_flow(flow, block.motion, parameter, constant, strip, options)
    _reynolds(flow, parameter, constant, friction, block.verdict, strip, steps)
    if strip.law == TABLE:
        first, count = batch.table_range[strip.number]
        _tables_around(
            block.table_first,
            block.table_blend,
            friction,
            batch.log_reynolds,
            strip.number,
            first,
            count,
        )
    _friction(friction, parameter, strip.number, batch.friction[strip.number])
    wake_lag(flow, constant, batch.poles, slot, steps)
    if kicked:
        set_wake_aside(flow, slot, steps)
        strip_flow(flow, block.disturbed, parameter, constant, strip, options)
        restore_wake(flow, block.wake_kick, strip.number, slot, steps)


@compiled
def strip_circulation(block, strip, options, lookup):
    """Effective downwash of one strip on its own."""
    if options.lags:
        separation_lag(block.flow, block.constant, SEPARATION_LAG, strip.slot, options.steps)
    circulation_local(
        block.flow,
        block.parameter,
        block.constant,
        block.verdict,
        block.queue,
        block.places,
        strip,
        options,
        lookup,
    )


@compiled
def line_circulation(block, batch, options, lookup):
    """Effective downwash of all strips of a lifting line."""
    if options.lags:
        for j in range(batch.law.size):
            separation_lag(block.flow, block.constant, SEPARATION_LAG, j, options.steps)
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
        options,
        lookup,
    )


@compiled
def strip_result(block, strip, options, lookup, inertia, fields, begin):
    """Loads of a strip whose circulation is known."""
    flow, sums, parameter, constant = block.flow, block.sums, block.parameter, block.constant
    strip_loads(
        flow, sums, parameter, constant, block.friction, block.verdict, strip, options, lookup
    )
    if inertia:
        strip_inertia(flow, block.motion, sums, parameter, constant, strip, options.steps)
    if options.keep:
        _keep_fields(fields, flow, parameter, strip, options, begin)


@compiled
def _keep_fields(fields, flow, parameter, strip, options, begin):
    """Copy one strip of a block to the result."""
    steps = options.steps
    apparent = 0.0 if strip.law == TABLE else options.apparent
    p = strip.number * at.PAR_ROWS
    quarter = apparent * 0.25 * row(parameter, p + at.PAR_CHORD)
    camber = row(parameter, p + at.PAR_CAMBER)
    kept = np.empty(at.FIELD_ROWS * LANES)
    for n in range(steps):
        f = (strip.slot * steps + n) * at.FLOW_ROWS
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
        hand_over(fields[strip.number, n], kept, 0, begin)


@compiled
def hand_over(result, rows, first_row, begin):
    """Copy rows of a block to a result of shape (rows, designs)."""
    for i in range(result.shape[0]):
        for lane in range(min(LANES, result.shape[1] - begin)):
            result[i, begin + lane] = rows[(first_row + i) * LANES + lane]
